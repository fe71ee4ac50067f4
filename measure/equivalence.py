"""Two means compared: whether they surely differ, whether they surely do not by much.

Welch's (1947) test for a difference, two one-sided tests (Schuirmann 1987) for the lack of one,
and Holm's (1979) steps where several such tests are made at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from measure.results import Interval


@dataclass(frozen=True)
class Difference:
    """A difference of two means with its doubt, by Welch and Satterthwaite."""

    value: float
    u: float
    dof: float

    def interval(self, probability: float = 0.95) -> Interval:
        """Interval of this probability, by Student's t."""
        reach = float(stdtrit(self.dof, (1 + probability) / 2)) * self.u
        return self.value - reach, self.value + reach

    @property
    def p_zero(self) -> float:
        """Two-sided p of no difference."""
        return 2 * self._tail(abs(self.value))

    def p_beyond(self, margin: float) -> float:
        """The larger p of the two one-sided tests that the difference is `margin` or more."""
        return self._tail(margin - abs(self.value))

    def _tail(self, distance: float) -> float:
        if self.u == 0:
            return 0.0 if distance > 0 else 1.0
        return float(stdtr(self.dof, -distance / self.u))


def difference_of(
    mean: float, u: float, dof: float, mean_2: float, u_2: float, dof_2: float
) -> Difference:
    """First mean less the second, each with standard uncertainty and degrees of freedom."""
    a, b = u * u, u_2 * u_2
    both = a + b
    known = (a / both) ** 2 / dof + (b / both) ** 2 / dof_2 if both > 0 else 1 / (dof + dof_2)
    return Difference(mean - mean_2, math.sqrt(both), 1 / known)


def adjusted(p_values: Sequence[float], most_true: int) -> list[float]:
    """p values as Holm's steps adjust them when at most `most_true` hypotheses can be true.

    Below it, a claim may be made with the chance of any false one kept to it. With `most_true`
    the number of tests it is Holm's own procedure.
    """
    order = np.argsort(p_values, kind="stable")
    left = len(p_values) - np.arange(len(p_values))
    raised = np.asarray(p_values, dtype=np.float64)[order] * np.minimum(left, most_true)
    out = np.empty(len(p_values))
    out[order] = np.minimum(np.maximum.accumulate(raised), 1.0)
    return [float(p) for p in out]
