"""A control chart that learns its centre and its scatter from the series it watches.

An exponentially weighted moving average (EWMA; Roberts 1959) against the mean of the first
values, with exact limits: those that widen value by value as the average forgets where it
started, and allow for the centre having been learned from a few values. The scatter comes from
differences of neighbours, which a drift hardly changes, and only from values already seen, so
that a limit once drawn stays where it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, stdtrit

from measure.results import Floats

LEAST_SD: Final = 5e-4
"""No value is taken to repeat better than this, whatever a run of equal ones suggests."""

FAR: Final = 3.0
"""A lone value this many standard deviations off is pulled in: one slub is not a drift."""

_CHI_SQUARE_MEDIAN: Final = 0.45494
"""Median of a chi-square of one degree of freedom."""


@dataclass(frozen=True)
class Chart:
    """The chart of n values, of which the first `first` made the centre; arrays are (n,)."""

    first: int
    centre: float
    average: Floats
    """Up to the last of the first values, their running mean."""
    u_from_centre: Floats
    """Standard deviation of average less centre; NaN for the first values."""
    u_average: Floats
    """Standard uncertainty of the average itself; NaN for the first values."""
    dof: Floats
    """Degrees of freedom behind both."""
    between_sd: float
    """Standard deviation from value to value beyond their own doubt, as last known."""

    def reach(self, normal_width: float) -> Floats:
        """Half widths of limits as unlikely to be passed as this many normal deviations, (n,)."""
        return student_width(normal_width, self.dof) * self.u_from_centre


@dataclass(frozen=True)
class Scatter:
    """What each value, with those before it, says of the scatter; arrays (n,)."""

    between: Floats
    """Variance from value to value beyond their own doubt."""
    scale: Floats
    """What the values' own variances are multiplied by: below 1 where they agree better."""
    dof: Floats


def ewma(values: ArrayLike, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average of values (n,): z = weight x + (1 - weight) z."""
    _check_weight(weight)
    average, out = start, []
    for value in np.asarray(values, dtype=np.float64).tolist():
        average += weight * (value - average)
        out.append(average)
    return np.array(out, dtype=np.float64)


def ewma_variance(variances: ArrayLike, weight: float) -> Floats:
    """Exact variance of that average after each of the values, whose variances are given, (n,).

    For equal variances it is the textbook's weight/(2 - weight) [1 - (1 - weight)^(2t)] of them.
    """
    _check_weight(weight)
    kept, taken = (1 - weight) ** 2, weight**2
    variance, out = 0.0, []
    for value in np.asarray(variances, dtype=np.float64).tolist():
        variance = kept * variance + taken * value
        out.append(variance)
    return np.array(out, dtype=np.float64)


def _check_weight(weight: float) -> None:
    if not 0 < weight <= 1:
        raise ValueError(f"the weight lies above 0 and up to 1, not {weight:g}")


def scatter_so_far(values: ArrayLike, own_variance: ArrayLike, first: int) -> Scatter:
    """Variances from squared differences of neighbours, value by value, far ones pulled in.

    `own_variance` (n,) is what each value is known to vary by itself. The mean of m squared
    differences of white noise has 2 m^2/(3 m - 1) degrees of freedom (after von Neumann 1941).
    The first value has no neighbour yet and takes the scatter of the first two. ValueError for
    fewer than two values.
    """
    y, own = (np.asarray(v, dtype=np.float64) for v in (values, own_variance))
    if len(y) < 2:
        raise ValueError("scatter needs at least two values")
    squares = np.diff(y) ** 2 / 2
    typical = float(np.median(squares[: first - 1])) / _CHI_SQUARE_MEDIAN
    # The median of a few differences is itself rough: pull in only what is farther off.
    early = np.minimum(squares[: first - 1], (FAR + 1) ** 2 * max(typical, LEAST_SD**2))
    sums = np.cumsum(early).tolist()
    total, count = sums[-1], len(sums)
    for square in squares[first - 1 :].tolist():
        most = FAR**2 * max(total / count, LEAST_SD**2)
        total += square if square < most else most
        count += 1
        sums.append(total)
    differences = np.arange(1, len(y), dtype=np.float64)
    variance = np.maximum(np.array(sums) / differences, LEAST_SD**2)
    expected = np.maximum(np.cumsum((own[1:] + own[:-1]) / 2) / differences, 1e-300)
    between = np.maximum(variance - expected, 0.0)
    scale = np.minimum(variance / expected, 1.0)
    dof = 2 * differences**2 / (3 * differences - 1)
    return Scatter(*(np.concatenate([v[:1], v]) for v in (between, scale, dof)))


def student_width(normal_width: float, dof: Floats) -> Floats:
    """Student's quantile of the probability that a normal one of this width has, (n,)."""
    # First term of the Cornish-Fisher series: within a thousandth where it is used.
    many = normal_width * (1 + (normal_width**2 + 1) / (4 * dof))
    few = dof < 100
    many[few] = stdtrit(dof[few], ndtr(normal_width))
    return many


def make_chart(values: ArrayLike, own_variance: ArrayLike, first: int, weight: float) -> Chart:
    """The chart of values (n,) with their own variances (n,); more than `first` are needed."""
    y, own = (np.asarray(v, dtype=np.float64) for v in (values, own_variance))
    n = len(y)
    if not 2 <= first < n:
        raise ValueError(f"a chart needs more than its {first} first values, not {n}")
    scatter = scatter_so_far(y, own, first)
    start = y[:first]
    at_start = math.sqrt(
        float(scatter.between[first - 1] + scatter.scale[first - 1] * own[:first].mean())
    )
    middle = float(np.median(start))
    centre = float(np.clip(start, middle - FAR * at_start, middle + FAR * at_start).mean())
    running = np.cumsum(start) / np.arange(1, first + 1)
    running[-1] = centre
    after = ewma(_lone_pulled_in(y, own, scatter, centre)[first:], weight, centre)

    # The variance of the average is linear in the two variances, whose values are learned on.
    by_own = ewma_variance(own[first:], weight)
    by_between = ewma_variance(np.ones(n - first), weight)
    between, scale = scatter.between[first:], scatter.scale[first:]
    moving = between * by_between + scale * by_own
    of_centre = (between + scale * own[:first].mean()) / first
    left = (1 - weight) ** np.arange(1, n - first + 1)
    blank = np.full(first, np.nan)
    return Chart(
        first=first,
        centre=centre,
        average=np.concatenate([running, after]),
        u_from_centre=np.concatenate([blank, np.sqrt(moving + (1 - left) ** 2 * of_centre)]),
        u_average=np.concatenate([blank, np.sqrt(moving + left**2 * of_centre)]),
        dof=scatter.dof,
        between_sd=math.sqrt(float(scatter.between[-1])),
    )


def _lone_pulled_in(y: Floats, own: Floats, scatter: Scatter, centre: float) -> Floats:
    """Values with those pulled in that are far off while the one before was not, to that side."""
    # The scatter known before the value came: a far one must not widen its own measure.
    between, scale = (np.concatenate([v[:1], v[:-1]]) for v in (scatter.between, scatter.scale))
    far = FAR * np.sqrt(between + scale * own)
    side = np.where(np.abs(y - centre) > far, np.sign(y - centre), 0.0)
    before = np.concatenate([[0.0], side[:-1]])
    lone = (side != 0) & (side != before)
    return np.where(lone, np.clip(y, centre - far, centre + far), y)
