"""A finished skein from sections read round it: how thick, how even, how sure, what twist.

Sections are taken as independent samples of the skein: spread round it and through its layers they
are a little better than that, so the intervals are no narrower than they may be. What all sections
share (the card's scale, the light) does not average out and is kept apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import stdtrit

from measure.drift import ReadingPoint
from measure.results import Along, Floats, Interval, StrandReading, WeightClass
from measure.section_evenness import SkeinEvenness, part_turn_mm, skein_evenness
from measure.section_places import LAYERS, Layer
from measure.uncertainty import Budget, Component
from measure.weight_class import WeightChart, classes_touched
from measure.yarn import MM_PER_INCH, wpi_from_diameter, wpi_interval_from_diameter

_U_TURNS_SHARED: Final = 0.003
"""Relative doubt of turns that all sections share: the scale, and how high strands lie (ours)."""
FEWEST_FOR_RANGE: Final = 5
"""Fewer sections tell no 90 % range (ours)."""


@dataclass(frozen=True)
class SkeinSection:
    """What the statistics need of one section."""

    point: ReadingPoint
    along: Along | None = None
    turns_per_inch: float | None = None
    twist: Literal["S", "Z"] | None = None
    turns_interval: Interval | None = None
    """95 % interval of the turns per inch, where the reading has one."""
    layer: Layer | None = None
    hour: int | None = None

    @classmethod
    def of_strand(
        cls, strand: StrandReading, *, layer: Layer | None = None, hour: int | None = None
    ) -> SkeinSection:
        """The section of a strand's reading."""
        return cls(
            ReadingPoint.of_strand(strand),
            strand.along,
            strand.turns_per_inch,
            strand.twist,
            strand.turns_per_inch_interval,
            layer,
            hour,
        )


@dataclass(frozen=True)
class Mean:
    """A mean of some sections with its 95 % interval."""

    sections: int
    value: float
    interval: Interval


@dataclass(frozen=True)
class SkeinTwist:
    """Ply twist, or a single's, from the sections that tell it."""

    turns_per_inch: Mean
    direction: Literal["S", "Z"] | None
    """None: no section tells, or they disagree."""
    disagree: bool
    angle_deg: float
    """Of the surface against the yarn: tan a = pi d T, d the mean diameter."""


@dataclass(frozen=True)
class SkeinFigures:
    """What the sections of one skein say together, all washed or all not."""

    sections: int
    mean_mm: float
    """Arithmetic mean of the sections' diameters, the one that wraps add up to."""
    mean_interval_mm: Interval
    """Of one section alone it is that section's: nothing is known of the rest."""
    known_to_percent: float | None
    """Half width of that interval, in per cent of the mean; None of one section."""
    u_sections_percent: float
    """Standard uncertainty of the mean that more sections take away, with one degree of freedom
    fewer than sections."""
    shared_percent: float
    """Standard uncertainty that no number of sections takes away."""
    sd_percent: float | None
    """Standard deviation from section to section as read."""
    spread_percent: float | None
    """The same of the yarn, less the doubt of reading it."""
    thinnest_mm: float
    thickest_mm: float
    """The thinnest and the thickest section's mean."""
    range90_mm: Interval | None
    """A further section lies in here nine times in ten; None below `FEWEST_FOR_RANGE`."""
    wrap_factor: float
    classes: tuple[WeightClass, ...]
    """All that the interval of the mean touches, nearest first."""
    evenness: SkeinEvenness | None
    twist: SkeinTwist | None
    layers: tuple[tuple[Layer, Mean], ...]
    """Mean diameter by layer, where two or more layers were read: the inside was wound first."""
    diameters_mm: Floats
    """The sections' diameters in their order, (n,)."""

    @property
    def wpi(self) -> float:
        """Wraps per inch of the mean diameter."""
        return wpi_from_diameter(self.mean_mm, self.wrap_factor)

    @property
    def wpi_interval(self) -> Interval:
        """95 % interval of that."""
        return wpi_interval_from_diameter(self.mean_interval_mm, self.wrap_factor)

    @property
    def wpi_range(self) -> Interval:
        """Wraps per inch of the thickest and of the thinnest section, as people quote a range."""
        return wpi_interval_from_diameter((self.thinnest_mm, self.thickest_mm), self.wrap_factor)

    @property
    def wpi_range90(self) -> Interval | None:
        """Wraps per inch that nine sections in ten lie between."""
        if self.range90_mm is None:
            return None
        return wpi_interval_from_diameter(self.range90_mm, self.wrap_factor)


def skein_figures(
    sections: Sequence[SkeinSection],
    chart: WeightChart,
    *,
    wrap_factor: float = 1.0,
    plies: int | None = None,
) -> SkeinFigures:
    """What sections of one skein say; ValueError without any."""
    if not sections:
        raise ValueError("a skein needs at least one section")
    diameters = np.array([s.point.diameter_mm for s in sections])
    n, mean = len(diameters), float(diameters.mean())
    shared = float(np.mean([s.point.u_shared_mm / s.point.diameter_mm for s in sections]))
    own = float(np.sqrt(np.mean([s.point.u_own**2 for s in sections])))
    twist = _twist(sections, mean)
    if n == 1:
        budget = Budget((Component("sections", own), Component("shared", shared)))
        interval = _log_interval(mean, budget)
        known = sd = spread = range90 = None
    else:
        budget, sd = _mean_budget(diameters, own, shared)
        interval = _log_interval(mean, budget)
        known = 100 * math.sinh(budget.expanded())
        spread = math.sqrt(max(sd * sd - own * own, 0.0))
        range90 = _range90(diameters, sd, spread) if n >= FEWEST_FOR_RANGE else None
    wpi = wpi_from_diameter(mean, wrap_factor)
    profiles = [s.along for s in sections if s.along is not None]
    turns = None if twist is None else twist.turns_per_inch.value
    return SkeinFigures(
        sections=n,
        mean_mm=mean,
        mean_interval_mm=interval,
        known_to_percent=known,
        u_sections_percent=100 * budget.components[0].u,
        shared_percent=100 * shared,
        sd_percent=None if sd is None else 100 * sd,
        spread_percent=None if spread is None else 100 * spread,
        thinnest_mm=float(diameters.min()),
        thickest_mm=float(diameters.max()),
        range90_mm=range90,
        wrap_factor=wrap_factor,
        classes=classes_touched(chart, wpi, wpi_interval_from_diameter(interval, wrap_factor)),
        evenness=skein_evenness(profiles, part_turn_mm(turns, plies)),
        twist=twist,
        layers=_layers(sections),
        diameters_mm=diameters,
    )


def _mean_budget(diameters_mm: Floats, own: float, shared: float) -> tuple[Budget, float]:
    """Relative budget of the mean of two or more sections, and their standard deviation."""
    n = len(diameters_mm)
    sd = float(np.log(diameters_mm).std(ddof=1))
    # Sections that agree by luck leave at least the doubt of reading them.
    scatter = max(sd, own) / math.sqrt(n)
    return Budget((Component("sections", scatter, n - 1), Component("shared", shared))), sd


def _log_interval(value: float, budget: Budget) -> Interval:
    reach = budget.expanded()
    return value * math.exp(-reach), value * math.exp(reach)


def _range90(diameters_mm: Floats, sd: float, spread: float) -> Interval:
    """Prediction interval of 90 % for the diameter of a further section, log-normal, by t."""
    n, mean = len(diameters_mm), math.exp(float(np.log(diameters_mm).mean()))
    reach = float(stdtrit(n - 1, 0.95)) * math.sqrt(spread * spread + sd * sd / n)
    return mean * math.exp(-reach), mean * math.exp(reach)


def _layers(sections: Sequence[SkeinSection]) -> tuple[tuple[Layer, Mean], ...]:
    found: list[tuple[Layer, Mean]] = []
    for layer in LAYERS:
        of_layer = [s for s in sections if s.layer == layer]
        if not of_layer:
            continue
        diameters = np.array([s.point.diameter_mm for s in of_layer])
        own = float(np.sqrt(np.mean([s.point.u_own**2 for s in of_layer])))
        shared = float(np.mean([s.point.u_shared_mm / s.point.diameter_mm for s in of_layer]))
        mean = float(diameters.mean())
        if len(of_layer) == 1:
            budget = Budget((Component("section", math.hypot(own, shared)),))
        else:
            budget, _ = _mean_budget(diameters, own, shared)
        found.append((layer, Mean(len(of_layer), mean, _log_interval(mean, budget))))
    return tuple(found) if len(found) > 1 else ()


def _twist(sections: Sequence[SkeinSection], mean_mm: float) -> SkeinTwist | None:
    turns = np.array([s.turns_per_inch for s in sections if s.turns_per_inch is not None])
    if not len(turns):
        return None
    said = {s.twist for s in sections if s.twist is not None}
    value = float(turns.mean())
    told = [s.turns_interval for s in sections if s.turns_interval is not None]
    halves = [(high - low) / 2 for low, high in told]
    # Without a doubt of their own, turns counted over a few centimetres are sure to a third (ours).
    own = math.sqrt(math.fsum(h * h for h in halves) / len(halves)) if halves else value / 3
    reach = own
    if len(turns) > 1:
        root = math.sqrt(len(turns))
        scatter = float(stdtrit(len(turns) - 1, 0.975) * turns.std(ddof=1)) / root
        # Sections that agree by luck leave at least the doubt of counting their turns.
        reach = max(scatter, own / root if halves else 0.0)
    reach = math.hypot(reach, 1.96 * _U_TURNS_SHARED * value)
    mean = Mean(len(turns), value, (max(value - reach, 0.0), value + reach))
    direction = next(iter(said)) if len(said) == 1 else None
    angle = math.degrees(math.atan(math.pi * mean_mm * value / MM_PER_INCH))
    return SkeinTwist(mean, direction, len(said) > 1, angle)


@dataclass(frozen=True)
class Swelling:
    """Washed against unwashed diameter: what the wash did to the yarn."""

    percent: float
    interval_percent: Interval

    @property
    def sentence(self) -> str:
        """How much, and whether it is beyond doubt."""
        low, high = self.interval_percent
        ends = f"({low:+.1f} to {high:+.1f} %)"
        if low <= 0 <= high:
            return f"washing changed it by {self.percent:+.1f} % {ends}: not beyond doubt"
        way = "thicker" if self.percent > 0 else "thinner"
        return f"washing made it {abs(self.percent):.1f} % {way} {ends}"


def swelling(unwashed: SkeinFigures, washed: SkeinFigures) -> Swelling | None:
    """How much thicker the yarn is washed; None unless each has two sections.

    By Welch of the log means. Doubt that each side shares within itself is taken in full, since
    the other side may have been read on another card in other light.
    """
    if unwashed.sections < 2 or washed.sections < 2:
        return None
    parts = []
    for name, side in (("unwashed", unwashed), ("washed", washed)):
        parts.append(Component(name, side.u_sections_percent / 100, side.sections - 1))
        parts.append(Component(f"{name}, shared", side.shared_percent / 100))
    reach = Budget(tuple(parts)).expanded()
    between = math.log(washed.mean_mm / unwashed.mean_mm)
    return Swelling(
        100 * math.expm1(between),
        (100 * math.expm1(between - reach), 100 * math.expm1(between + reach)),
    )


Balance = Literal["straight", "too_little", "too_much", "turns"]


def balance_of(
    hang_turns: float | None, hang_twist: Literal["S", "Z"] | None, ply: Literal["S", "Z"] | None
) -> Balance | None:
    """What the hang test says; None when it was not made.

    Strands that hold too much twist one way relieve it by winding round each other the other way.
    A skein that winds the way of its ply would take more ply twist; one that winds against it has
    too much. Common practice, no source: under one turn is straight.
    """
    if hang_turns is None:
        return None
    if hang_turns < 1:
        return "straight"
    if hang_twist is None or ply is None:
        return "turns"
    return "too_little" if hang_twist == ply else "too_much"
