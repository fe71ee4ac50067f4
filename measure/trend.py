"""A straight line through readings that each have a doubt of their own, with an honest interval.

The readings scatter about the line for two reasons: what each reading is unsure of by itself, and
how the yarn differs from one place to the next. The second variance is found by Paule and Mandel's
(1982) condition, that the weighted sum of squares equal its degrees of freedom; the interval is
Hartung and Knapp's (2001), by Student's t and the scatter seen. With readings of equal doubt it is
ordinary least squares. Both from memory, and checked against simulation in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from measure.results import Floats

FEWEST_READINGS: Final = 5
"""A line through fewer leaves no more than one degree of freedom to tell scatter by (ours)."""


@dataclass(frozen=True)
class Line:
    """A weighted least-squares line, its slope's doubt and the scatter about it."""

    mean_x: float
    """Weighted mean of the positions: there the level is known best."""
    level: float
    """Height at `mean_x`."""
    slope: float
    u_slope: float
    dof: float
    between_sd: float
    """Standard deviation from reading to reading beyond the readings' own doubt."""

    @property
    def slope_interval(self) -> tuple[float, float]:
        """95 % interval of the slope."""
        reach = float(stdtrit(self.dof, 0.975)) * self.u_slope
        return self.slope - reach, self.slope + reach


def fit_line(x: ArrayLike, y: ArrayLike, u: ArrayLike) -> Line:
    """The line through `y` (n,) at places `x` (n,), each `y` with its standard uncertainty `u`.

    Neighbours that resemble each other (a positive autocorrelation of the residuals, corrected
    for its bias) widen the interval by the root of (1 + r)/(1 - r). ValueError for fewer than
    `FEWEST_READINGS` or when all places are the same. Takes time in proportion to n.
    """
    places, heights, doubts = (np.asarray(v, dtype=np.float64) for v in (x, y, u))
    if not places.ndim == 1 or not places.shape == heights.shape == doubts.shape:
        raise ValueError("x, y and u must be flat arrays of the same length")
    n = len(places)
    if n < FEWEST_READINGS:
        raise ValueError(f"a line needs at least {FEWEST_READINGS} readings, not {n}")
    if np.ptp(places) == 0:
        raise ValueError("all readings are at the same place")
    own = doubts**2
    # Of a perfectly known reading the weight would be endless.
    own = np.maximum(own, 1e-12 * max(1.0, float(heights.var())))
    line = _weighted(places, heights, own)
    between = 0.0
    if line.excess > 0:
        between, line = _between_variance(places, heights, own)
    inflation = _resemblance(line.residuals)
    factor = line.sum_of_squares / (n - 2) * inflation
    return Line(
        mean_x=line.mean_x,
        level=line.level,
        slope=line.slope,
        u_slope=math.sqrt(factor / line.x_information),
        dof=float(n - 2),
        between_sd=math.sqrt(between),
    )


@dataclass(frozen=True)
class _Weighted:
    mean_x: float
    level: float
    slope: float
    x_information: float
    residuals: Floats
    sum_of_squares: float
    excess: float
    """Weighted sum of squares less its degrees of freedom."""


def _weighted(x: Floats, y: Floats, variance: Floats) -> _Weighted:
    weight = 1 / variance
    total = float(weight.sum())
    mean_x, level = float(weight @ x) / total, float(weight @ y) / total
    across = x - mean_x
    information = float(weight @ (across * across))
    slope = float((weight * across) @ (y - level)) / information
    residuals = y - level - slope * across
    squares = float(weight @ (residuals * residuals))
    return _Weighted(mean_x, level, slope, information, residuals, squares, squares - (len(x) - 2))


def _between_variance(x: Floats, y: Floats, own: Floats) -> tuple[float, _Weighted]:
    """The variance that makes the weighted squares equal n - 2, and the line with it.

    The sum of squares falls and is convex in the variance, so Newton's steps from zero rise to
    the root and never pass it.
    """
    between = 0.0
    line = _weighted(x, y, own)
    for _ in range(100):
        if line.excess <= 1e-10 * len(x):
            break
        steep = float(((line.residuals / (own + between)) ** 2).sum())
        between += line.excess / steep
        line = _weighted(x, y, own + between)
    return between, line


def _resemblance(residuals: Floats) -> float:
    """How much neighbours' resemblance multiplies the variance of the slope; never below 1."""
    squares = float(residuals @ residuals)
    if squares == 0:
        return 1.0
    n = len(residuals)
    r = float(residuals[1:] @ residuals[:-1]) / squares
    # Residuals of a line lean to the negative by about (2 + 4 r)/n.
    r = min(max((n * r + 2) / max(n - 4, 1), 0.0), 0.9)
    # Short series show r too poorly to believe all of it.
    r *= max(0.0, 1 - 10 / n) if n > 10 else 0.0
    return (1 + r) / (1 - r)


def per_cent(log_ratio: float) -> float:
    """A difference of natural logarithms as per cent."""
    return 100 * math.expm1(log_ratio)


def span_text(value: float, interval: Sequence[float]) -> str:
    """'6 % (2 to 10 %)': a value in per cent and its interval, to whole per cent or tenths."""
    low, high = interval
    decimals = 0 if high - low >= 2 else 1
    numbers = [f"{v:.{decimals}f}" for v in (value, low, high)]
    number, from_, to = (text if float(text) else text.lstrip("-") for text in numbers)
    return f"{number} % ({from_} to {to} %)"
