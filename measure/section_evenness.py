"""Evenness of a skein from the profiles of its sections.

A CV belongs to the length each value was averaged over; the cut-length curve tells it for many. It
is the optical counterpart of the variance-length curve of ISO 16549: what falls fast with longer
cuts is short thick and thin places, what stays is drift. A plied strand swells and shrinks as it
turns, so its cuts are averaged over whole part-turns (pitch over plies) before anything is counted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaincinv

from measure.evenness import (
    CUT_MM,
    cv_standard_error_percent,
    find_uneven_places,
    means_per_cut,
)
from measure.results import Along, Floats, Interval
from measure.uncertainty import effective_sample_size
from measure.yarn import MM_PER_INCH

CURVE_MM: Final = (1, 2, 5, 10, 20, 50, 100, 200)
"""Averaging lengths of the curve, as far as the sections are long."""

_MOSTLY: Final = 0.8
"""A window counts when so much of it was measured."""
_APART_MM: Final = 10.0


@dataclass(frozen=True)
class Rate:
    """How often something was seen, per 10 m, with the 95 % interval of a Poisson count.

    The interval is exact (Garwood 1936, from memory): quantiles of gamma with the count, and one
    more, as shape.
    """

    count: int
    length_m: float

    @property
    def per_10_m(self) -> float:
        """The rate."""
        return 10 * self.count / self.length_m

    @property
    def interval(self) -> Interval:
        """95 % interval of the rate."""
        low = float(gammaincinv(self.count, 0.025)) if self.count else 0.0
        high = float(gammaincinv(self.count + 1, 0.975))
        return 10 * low / self.length_m, 10 * high / self.length_m


@dataclass(frozen=True)
class CurvePoint:
    """CV of the skein's diameter between cuts of one length."""

    cut_mm: float
    cv_percent: float
    u_percent: float
    """Standard error, from as many sections as there are."""


@dataclass(frozen=True)
class SkeinEvenness:
    """How even a skein is, all sections together."""

    length_m: float
    """Of strand that was measured."""
    averaged_mm: float
    """What each cut was averaged over: 1 mm, or a part-turn of the plies."""
    cv_percent: float
    """Of such cuts, within and between sections, about the skein's mean."""
    u_cv_percent: float
    thick: Rate
    thin: Rate
    curve: tuple[CurvePoint, ...]
    strip_mm: Floats
    """All cuts, section after section with one NaN between, for drawing, (n,)."""


def skein_evenness(
    profiles: Sequence[Along], part_turn_mm: float | None = None
) -> SkeinEvenness | None:
    """Evenness of sections in their order; None when fewer than ten cuts were measured."""
    window = max(1, round(part_turn_mm or CUT_MM))
    raw = [cut_means(along) for along in profiles]
    cuts = [averaged(section, window) for section in raw]
    measured = sum(int(np.isfinite(section).sum()) for section in cuts)
    overall = curve_point(cuts, 1)
    if measured < 10 or overall is None:
        return None
    position, diameter, start = [], [], 0.0
    for section in cuts:
        position.append(start + CUT_MM * (np.arange(len(section)) + 0.5))
        diameter.append(section)
        # Places do not run on from one section into the next.
        start += CUT_MM * len(section) + _APART_MM
    places = find_uneven_places(np.concatenate(position), np.concatenate(diameter))
    length_m = CUT_MM * measured / 1000
    points = (curve_point(raw, cut) for cut in CURVE_MM if cut >= window)
    return SkeinEvenness(
        length_m=length_m,
        averaged_mm=float(window),
        cv_percent=overall.cv_percent,
        u_cv_percent=overall.u_percent,
        thick=Rate(sum(p.kind == "thick" for p in places), length_m),
        thin=Rate(sum(p.kind == "thin" for p in places), length_m),
        curve=tuple(point for point in points if point is not None),
        strip_mm=np.concatenate([np.append(section, np.nan) for section in cuts]),
    )


def part_turn_mm(turns_per_inch: float | None, plies: int | None) -> float | None:
    """Length over which a plied strand's width repeats: its pitch over its plies, mm."""
    if turns_per_inch is None or plies is None or plies < 2 or not turns_per_inch > 0:
        return None
    return MM_PER_INCH / turns_per_inch / plies


def cut_means(along: Along) -> Floats:
    """Means of a profile over each millimetre from its begin, NaN where nothing is, (n,)."""
    if not len(along.position_mm):
        return np.empty(0)
    start, end = float(along.position_mm[0]), float(along.position_mm[-1])
    count = int((end - start) / CUT_MM) + 1
    return means_per_cut(along.position_mm, along.diameter_mm, start, count)


def averaged(cuts: Floats, window: int) -> Floats:
    """Running means over so many cuts, in place; NaN where less than `_MOSTLY` was seen, (n,)."""
    if window <= 1 or len(cuts) < window:
        return cuts if window <= 1 else np.full(len(cuts), np.nan)
    means = _window_means(cuts, window)
    out = np.full(len(cuts), np.nan)
    first = (window - 1) // 2
    out[first : first + len(means)] = means
    return out


def _window_means(cuts: Floats, window: int) -> Floats:
    """Mean of every window of so many cuts, NaN where too little of it was seen."""
    if len(cuts) < window:
        return np.empty(0)
    seen = np.isfinite(cuts)
    total = np.concatenate(([0.0], np.cumsum(np.where(seen, cuts, 0.0))))
    count = np.concatenate(([0], np.cumsum(seen)))
    many = count[window:] - count[:-window]
    sums = total[window:] - total[:-window]
    enough = many >= max(1, math.ceil(_MOSTLY * window))
    means: Floats = np.divide(sums, many, out=np.full(len(sums), np.nan), where=enough)
    return means


def curve_point(sections: Sequence[Floats], cut_mm: int) -> CurvePoint | None:
    """CV between cuts of one length, sections weighing alike; None when too few are so long.

    The mean square of windows about the mean of all sections, plus a section's share of the doubt
    of that mean, so that few sections do not look more even than many.
    """
    placed = [w for s in sections for w in [_window_means(s, cut_mm)] if np.isfinite(w).any()]
    windows = [w[np.isfinite(w)] for w in placed]
    if not windows or 2 * len(windows) < len(sections):
        return None
    if len(windows) == 1 and len(windows[0]) < 2 * cut_mm:
        return None
    means = np.array([w.mean() for w in windows])
    grand = float(means.mean())
    square = float(np.mean([np.mean((w - grand) ** 2) for w in windows]))
    if len(windows) > 1:
        square += float(means.var(ddof=1)) / len(windows)
    cv = 100 * math.sqrt(square) / grand
    # Cuts that resemble their neighbours tell less than as many that do not.
    step = max(1, cut_mm // 4)
    worth = effective_sample_size(np.concatenate([np.append(w[::step], np.nan) for w in placed]))
    return CurvePoint(float(cut_mm), cv, cv_standard_error_percent(cv, max(worth, 1.5)))
