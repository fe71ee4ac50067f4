"""Widths of a plied strand over whole turns, so that a bump is not a thick place.

A strand of n alike plies is between 1 and 2 (two), 1.87 and 2 (three), 2 and 2.41 (four) plies wide
as it turns, n times a turn. Its diameter is the mean over whole part-turns (turn / n): Cauchy's
theorem then makes it d (1 + n / pi), whatever the angle it is seen from. Where part of a turn is
covered, the bump's own wave is fitted beside the mean, so that the mean does not lean towards what
is left of it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_COVERED: Final = 0.55
"""Least share of a piece that must have been measured."""
_FEWEST: Final = 10
"""Pieces from which the scatter of whole turns is judged; with fewer turns, of part-turns."""


def means_over_turns(
    position_mm: Floats, diameter_mm: Floats, turn_mm: float, plies: int
) -> tuple[Floats, Floats, float]:
    """Middles (m,), mean widths (m,) and length of pieces of a whole turn, side by side.

    `position_mm` (n,) rises; places may be missing. Pieces are whole part-turns where fewer than
    ten turns were measured. None at all (m = 0) where the strand is shorter than a part-turn.
    """
    part_mm = turn_mm / plies
    for length_mm in (turn_mm, part_mm):
        middles, means = _pieces(position_mm, diameter_mm, length_mm, part_mm)
        if len(means) >= _FEWEST or length_mm == part_mm:
            break
    return middles, means, length_mm


def mean_over_part_turns(
    position_mm: Floats, diameter_mm: Floats, turn_mm: float, plies: int
) -> float:
    """Mean width over whole part-turns; the plain mean where none is covered."""
    part_mm = turn_mm / plies
    _, means = _pieces(position_mm, diameter_mm, part_mm, part_mm)
    return float(means.mean()) if len(means) else float(diameter_mm.mean())


def _pieces(
    position_mm: Floats, diameter_mm: Floats, length_mm: float, period_mm: float
) -> tuple[Floats, Floats]:
    """Middles and means of pieces that fill the strand's length, as far as they were measured."""
    if len(position_mm) < 2:
        return np.zeros(0), np.zeros(0)
    step = float(np.min(np.diff(position_mm)))
    first, last = float(position_mm[0]) - step / 2, float(position_mm[-1]) + step / 2
    count = int((last - first) / length_mm + 1e-6)
    start = first + ((last - first) - count * length_mm) / 2
    middles, means = [], []
    for i in range(count):
        low = start + i * length_mm
        inside = (position_mm >= low) & (position_mm < low + length_mm)
        if inside.sum() * step < _COVERED * length_mm or inside.sum() < 4:
            continue
        angle = 2 * np.pi * (position_mm[inside] - low) / period_mm
        basis = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
        middles.append(low + length_mm / 2)
        means.append(float(np.linalg.lstsq(basis, diameter_mm[inside], rcond=None)[0][0]))
    return np.array(middles), np.array(means)
