"""How uneven a strand is along its length, told apart from what a change of ground does to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_LEAST_SPREAD: Final = 1e-4
"""Relative: no strand is more even, and no cut better read."""
_LONGEST_MEMORY: Final = 0.98
"""Correlation of neighbouring 1 mm cuts, at most: more no strand across a card can show."""
_NEIGHBOURS_MM: Final = 1.3


@dataclass(frozen=True)
class Step:
    """How values change where a strand comes from one ground to the other."""

    log: float
    """First ground over second, what the strand itself does there left out."""
    u_uneven: float
    """Standard uncertainty that the strand's own unevenness leaves it."""


def step_between(first_mm: Floats, first: Floats, second_mm: Floats, second: Floats) -> Step:
    """The step between two grounds' values (m,) and (n,) at places along a strand 1 mm apart.

    Generalised least squares of a step in a first-order series whose memory the values themselves
    show: whatever they do within one ground's stretches they may do across a border too.
    """
    x = np.concatenate([first_mm, second_mm])
    y = np.concatenate([first - first.mean(), second - second.mean()])
    side = np.concatenate([np.full(len(first), 0.5), np.full(len(second), -0.5)])
    order = np.argsort(x)
    x, y, side = x[order], y[order], side[order]
    spread = max(math.sqrt(y @ y / max(len(y) - 2, 1)), _LEAST_SPREAD)
    apart = np.diff(x)
    neighbours = (apart < _NEIGHBOURS_MM) & (side[1:] == side[:-1])
    memory = 0.0
    if np.count_nonzero(neighbours) > 4:
        # Means taken from the same values hide some of what neighbours have in common.
        memory = float((y[1:] * y[:-1])[neighbours].mean()) / spread**2 + 4.0 / len(y)
    memory = min(max(memory, 1e-3), _LONGEST_MEMORY)
    # What each value does that the one before it does not foretell: independent of one another.
    foretold = np.minimum(memory**apart, 1.0 - 1e-9)
    values = np.array([np.ones_like(side), side, y])
    values[:, 1:] -= foretold * values[:, :-1]
    values[:, 1:] /= np.sqrt(1.0 - foretold**2)
    (level, both, of_level), (_, step, of_step), _ = (values @ values.T).tolist()
    determinant = level * step - both * both
    found = (level * of_step - both * of_level) / determinant
    gap = float(first.mean() - second.mean())
    return Step(gap + found, spread * math.sqrt(level / determinant))
