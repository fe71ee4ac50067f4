"""The band: the range of diameters a spinner set out to hit, and where a reading lies in it.

A band is kept in millimetres, whichever unit it was set in, so that a change of unit or of the
wrap factor never moves a reading in or out. Diameters and wraps mirror each other: the band's
low end in WPI is its thick end in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from measure.results import Interval
from measure.weight_class import ClassRange
from measure.yarn import diameter_mm_from_wpi, wpi_from_diameter

Place = Literal["in", "thicker", "thinner"]

OPEN_END_FACTOR: Final = 1.5
"""How far past its only printed end an open class is taken to reach, in WPI. Ours: charts, which
say 'or more', state none, and a band to aim at needs two ends."""


@dataclass(frozen=True)
class Judgement:
    """Where a reading lies against a band."""

    place: Place
    sure: bool
    """True when the reading's whole 95 % interval lies on the same side of the band's ends."""
    off_percent: float
    """Diameter less the band's middle, in per cent of the middle; positive is thicker."""
    beyond_percent: float
    """Diameter past the nearer end, in per cent of that end, signed as above; 0 in the band."""


@dataclass(frozen=True)
class Band:
    """A range of strand diameters in mm, both ends included."""

    low_mm: float
    high_mm: float

    def __post_init__(self) -> None:
        if not 0 < self.low_mm < self.high_mm < math.inf:
            raise ValueError(
                f"a band runs from a smaller to a larger diameter, "
                f"not from {self.low_mm:g} to {self.high_mm:g} mm"
            )

    @classmethod
    def from_wpi(cls, low: float, high: float, wrap_factor: float = 1.0) -> Band:
        """The band between two numbers of wraps per inch, the coarse end first.

        ValueError when they are not positive or not in that order.
        """
        if not low < high:
            raise ValueError(
                f"a band runs from a smaller to a larger WPI, not from {low:g} to {high:g}"
            )
        return cls(diameter_mm_from_wpi(high, wrap_factor), diameter_mm_from_wpi(low, wrap_factor))

    @classmethod
    def around_mm(cls, middle: float, percent: float) -> Band:
        """The band of a diameter in mm, `percent` less to `percent` more.

        ValueError unless `middle` is positive and `percent` between 0 and 100.
        """
        low, high = _around(middle, percent)
        return cls(low, high)

    @classmethod
    def around_wpi(cls, middle: float, percent: float, wrap_factor: float = 1.0) -> Band:
        """The band of a number of wraps per inch, `percent` fewer to `percent` more.

        ValueError unless `middle` is positive and `percent` between 0 and 100. Of the same band
        in mm the per cent are the same, and the middle is 1/(1 - (percent/100)^2) times that of
        the middle wraps.
        """
        return cls.from_wpi(*_around(middle, percent), wrap_factor)

    @classmethod
    def from_class(cls, weight_class: ClassRange, wrap_factor: float = 1.0) -> Band:
        """The band of a chart's weight class.

        A class with one end ('30 or more') is taken up to the number printed past it if there is
        one ('30-40+'), else up to `OPEN_END_FACTOR` times that end.
        """
        low, high = weight_class.wpi_low, weight_class.wpi_high
        beyond = weight_class.open_beyond_wpi
        if high is None:
            assert low is not None, "every class of a chart has an end"
            high = beyond if beyond is not None else low * OPEN_END_FACTOR
        elif low is None:
            low = beyond if beyond is not None else high / OPEN_END_FACTOR
        return cls.from_wpi(low, high, wrap_factor)

    @property
    def middle_mm(self) -> float:
        """Geometric middle of the diameters: it is the middle in WPI too."""
        return math.sqrt(self.low_mm * self.high_mm)

    def low_wpi(self, wrap_factor: float = 1.0) -> float:
        """The thick end as wraps per inch."""
        return wpi_from_diameter(self.high_mm, wrap_factor)

    def high_wpi(self, wrap_factor: float = 1.0) -> float:
        """The thin end as wraps per inch."""
        return wpi_from_diameter(self.low_mm, wrap_factor)

    def middle_wpi(self, wrap_factor: float = 1.0) -> float:
        """The geometric middle as wraps per inch."""
        return wpi_from_diameter(self.middle_mm, wrap_factor)

    def position(self, diameter_mm: float) -> float:
        """Where a diameter lies: -1 at the thin end, 0 in the middle, 1 at the thick end.

        In the logarithm, so that WPI gives the same figure with its sign turned. A diameter of
        zero or less (the end of an interval can be) lies endlessly far on the thin side.
        """
        if diameter_mm <= 0:
            return -math.inf
        return 2 * math.log(diameter_mm / self.middle_mm) / math.log(self.high_mm / self.low_mm)

    def judge(self, diameter_mm: float, interval_mm: Interval) -> Judgement:
        """Where a diameter with its 95 % interval lies, both in mm."""
        low, high = interval_mm
        if not low <= diameter_mm <= high:
            raise ValueError(f"{diameter_mm:g} mm lies outside its interval {low:g} to {high:g}")
        off = 100 * (diameter_mm / self.middle_mm - 1)
        if diameter_mm > self.high_mm:
            beyond = 100 * (diameter_mm / self.high_mm - 1)
            return Judgement("thicker", low > self.high_mm, off, beyond)
        if diameter_mm < self.low_mm:
            beyond = 100 * (diameter_mm / self.low_mm - 1)
            return Judgement("thinner", high < self.low_mm, off, beyond)
        return Judgement("in", self.low_mm <= low and high <= self.high_mm, off, 0.0)


def _around(middle: float, percent: float) -> tuple[float, float]:
    if not 0 < percent < 100:
        raise ValueError(f"a band needs more than 0 and less than 100 per cent, not {percent:g}")
    if not 0 < middle < math.inf:
        raise ValueError(f"a band's middle is a positive number, not {middle:g}")
    return middle * (1 - percent / 100), middle * (1 + percent / 100)
