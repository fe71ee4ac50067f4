"""A sudden change in a run of readings, told from a gradual one.

Changing the drive ratio, the fibre end or the mood at the wheel moves the yarn all at once. A
straight line through such a run overstates the change, by up to a half when it lies in the
middle. So a step is fitted beside the line: two levels, with the change between those two
neighbours where the weighted squares about them are least. Both are fits by the same method
(`measure.trend`): a step is a line against 0 before and 1 after.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from measure.results import Floats
from measure.trend import FEWEST_READINGS, Line, fit_line

FEWEST_APART: Final = 3
"""Readings on either side of a step: fewer may be a slub's."""

MUCH_BETTER: Final = 6.0
"""By how much a step's fit must be better than the line's to be said, as a difference of
-2 log likelihood. The place of the step is one figure more, for which ln 20 = 3 would be due by
Schwarz's criterion; twice that keeps a gradual change from being called sudden (counted by
simulation in the tests)."""


@dataclass(frozen=True)
class LevelChange:
    """Two levels of a run of readings, the change between two neighbours."""

    at: int
    """Place from 0 of the first reading after it."""
    line: Line
    """Against 0 before and 1 after: its slope is the size of the change."""


def find_step(x: ArrayLike, y: ArrayLike, u: ArrayLike) -> LevelChange | None:
    """The step in `y` (n,), each with its doubt `u`, where it fits much better than a line on `x`.

    None where it does not, or where fewer than `FEWEST_APART` readings are on one side of it.
    Takes time in proportion to n.
    """
    places, heights, doubts = (np.asarray(v, dtype=np.float64) for v in (x, y, u))
    n = len(heights)
    if n < max(2 * FEWEST_APART, FEWEST_READINGS):
        return None
    line = fit_line(places, heights, doubts)
    # The same weights for both, or the better fit would be helped by the worse one's scatter.
    weight = 1 / np.maximum(doubts**2 + line.between_sd**2, 1e-12 * max(1.0, float(heights.var())))
    about_line = _squares(weight, heights - line.level - line.slope * (places - line.mean_x))
    at, about_step = _best_place(weight, heights)
    if not FEWEST_APART <= at <= n - FEWEST_APART:
        return None
    if about_line <= 0 or n * math.log(about_line / max(about_step, 1e-300)) < MUCH_BETTER:
        return None
    return LevelChange(at, fit_line(np.arange(n) >= at, heights, doubts))


def _squares(weight: Floats, residuals: Floats) -> float:
    return float(weight @ (residuals * residuals))


def _best_place(weight: Floats, y: Floats) -> tuple[int, float]:
    """Where two levels leave the least weighted squares, and those."""
    before, sums = np.cumsum(weight), np.cumsum(weight * y)
    after, sums_after = before[-1] - before, sums[-1] - sums
    # Squares explained by the two means; what is left over is least where this is most.
    explained = sums[:-1] ** 2 / before[:-1] + sums_after[:-1] ** 2 / after[:-1]
    at = int(np.argmax(explained)) + 1
    levels = np.where(
        np.arange(len(y)) < at, sums[at - 1] / before[at - 1], sums_after[at - 1] / after[at - 1]
    )
    return at, _squares(weight, y - levels)
