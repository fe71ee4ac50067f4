"""Yarn weight classes: which classes of a published chart an interval of wraps per inch touches.

Published charts contradict one another (20 wraps per inch is Super Fine in one and Lace in two
others), overlap within themselves and leave gaps. So a chart is always named, and the answer is
every class that the interval touches.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from measure.results import Interval, WeightClass


@dataclass(frozen=True)
class ClassRange:
    """One class of a chart: its range of wraps per inch, both printed ends included."""

    number: int
    name: str
    wpi_low: float | None
    """None: as coarse as you like."""
    wpi_high: float | None
    """None: as fine as you like."""
    open_beyond_wpi: float | None = None
    """The last number printed in an open range such as '30-40+'; it only places the middle."""

    @property
    def middle_wpi(self) -> float:
        """Geometric middle of the printed numbers; the only number of a range that has one."""
        printed = [x for x in (self.wpi_low, self.wpi_high, self.open_beyond_wpi) if x is not None]
        return math.exp(math.fsum(map(math.log, printed)) / len(printed))

    def log_distance(self, wpi: float) -> float:
        """How far a value is from the range, in log WPI; 0 inside it."""
        if self.wpi_low is not None and wpi < self.wpi_low:
            return math.log(self.wpi_low / wpi)
        if self.wpi_high is not None and wpi > self.wpi_high:
            return math.log(wpi / self.wpi_high)
        return 0.0

    def touches(self, low: float, high: float) -> bool:
        """True when the range and [low, high] share a value."""
        return (self.wpi_low is None or self.wpi_low <= high) and (
            self.wpi_high is None or self.wpi_high >= low
        )


@dataclass(frozen=True)
class WeightChart:
    """A published chart of weight classes, finest class first."""

    name: str
    """What a user calls it by."""
    title: str
    """What it is called where people read."""
    source: str
    classes: tuple[ClassRange, ...]


CRAFT_YARN_COUNCIL: Final = WeightChart(
    "craft-yarn-council",
    "Craft Yarn Council",
    "Craft Yarn Council, Standard Yarn Weight System, wraps per inch; guidelines only",
    (
        ClassRange(0, "Lace", 30, None, open_beyond_wpi=40),
        ClassRange(1, "Super Fine", 14, 30),
        ClassRange(2, "Fine", 12, 18),
        ClassRange(3, "Light", 11, 15),
        ClassRange(4, "Medium", 9, 12),
        ClassRange(5, "Bulky", 6, 9),
        ClassRange(6, "Super Bulky", 5, 6),
        ClassRange(7, "Jumbo", 1, 4),
    ),
)
"""The council's chart. No class holds 4 to 5 or less than 1; 14 to 15 lies in three."""

SPIN_OFF: Final = WeightChart(
    "spin-off",
    "Spin Off",
    "Spin Off magazine, Yarn Standards, wraps per inch",
    (
        ClassRange(0, "Lace", 18, None),
        ClassRange(1, "Fingering", 16, 18),
        ClassRange(2, "Sport", 14, 15),
        ClassRange(3, "DK", 12, 13),
        ClassRange(4, "Worsted", 10, 11),
        ClassRange(5, "Bulky", 8, 9),
        ClassRange(6, "Super bulky", None, 7),
    ),
)
"""Spin Off magazine's chart, in whole wraps: 13.4 is in no class. Numbers count from the finest."""

BELLAONLINE: Final = WeightChart(
    "bellaonline",
    "BellaOnline",
    "bellaonline.com article 34962, wraps per inch",
    (
        ClassRange(0, "Lace", 19, None),
        ClassRange(1, "16 to 18 wraps", 16, 18),
        ClassRange(2, "12 to 15 wraps", 12, 15),
        ClassRange(3, "9 to 11 wraps", 9, 11),
        ClassRange(4, "6 to 8 wraps", 6, 8),
        ClassRange(5, "5 wraps or fewer", None, 5),
    ),
)
"""The chart of bellaonline.com, in whole wraps; classes are named by their range."""

CHARTS: Final[Mapping[str, WeightChart]] = MappingProxyType(
    {chart.name: chart for chart in (CRAFT_YARN_COUNCIL, SPIN_OFF, BELLAONLINE)}
)
"""Every chart by its name, the council's first."""


def chart_named(name: str) -> WeightChart:
    """The chart of this name; ValueError names the known ones when there is none."""
    try:
        return CHARTS[name]
    except KeyError:
        raise ValueError(
            f"there is no weight chart called {name!r}; choose one of {', '.join(CHARTS)}"
        ) from None


def _beside_gaps(chart: WeightChart, low: float, high: float) -> Iterable[ClassRange]:
    """The neighbours of each gap of the chart that [low, high] reaches into."""
    rising = sorted(chart.classes, key=lambda c: 0.0 if c.wpi_low is None else c.wpi_low)
    covered_to = 0.0
    for upper in rising:
        starts = 0.0 if upper.wpi_low is None else upper.wpi_low
        if covered_to < starts and low < starts and high > covered_to:
            for neighbour in chart.classes:
                if neighbour.wpi_low == starts or neighbour.wpi_high == covered_to:
                    yield neighbour
        covered_to = max(covered_to, math.inf if upper.wpi_high is None else upper.wpi_high)
    if high > covered_to:
        yield from (c for c in chart.classes if c.wpi_high == covered_to)


def classes_touched(
    chart: WeightChart, wpi: float, wpi_interval: Interval
) -> tuple[WeightClass, ...]:
    """Every class that the interval of wraps per inch touches, nearest to `wpi` first.

    An interval that reaches into a gap of the chart touches the classes on both sides of it,
    so the answer is never empty and only grows as the interval does. Nearest is the class whose
    range holds `wpi` or lies closest to it in log WPI; between several, the one whose geometric
    middle is closest. Both rules are ours: the charts state none.
    """
    low, high = wpi_interval
    if not (0 < wpi < math.inf and 0 <= low <= high):
        raise ValueError(f"{wpi:g} in {low:g} to {high:g} is no wraps-per-inch value and interval")
    touched = {c for c in chart.classes if c.touches(low, high)}
    touched.update(_beside_gaps(chart, low, high))
    nearest_first = sorted(
        touched, key=lambda c: (c.log_distance(wpi), abs(math.log(wpi / c.middle_wpi)), c.number)
    )
    return tuple(WeightClass(c.number, c.name) for c in nearest_first)
