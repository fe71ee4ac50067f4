"""The band of ply twist: the turns per inch a spinner wants, and where a yarn lies in it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from measure.ply_geometry import ply_factor
from measure.ply_twist import ply_turns_band
from measure.results import Interval

TwistPlace = Literal["in", "more", "less"]


@dataclass(frozen=True)
class TwistJudgement:
    """Where a yarn's twist lies against a band."""

    place: TwistPlace
    sure: bool
    """True when the whole 95 % interval lies on the same side of the band's ends."""
    beyond_percent: float
    """Turns past the nearer end, in per cent of that end, positive for more; 0 in the band."""


@dataclass(frozen=True)
class TwistBand:
    """A range of turns per inch, both ends included."""

    low: float
    high: float
    balanced: bool = False
    """It is what balances the singles: more is over-plied, less under-plied."""

    def __post_init__(self) -> None:
        if not 0 < self.low < self.high < math.inf:
            raise ValueError(
                "a band of twist runs from fewer to more turns per inch, "
                f"not from {self.low:g} to {self.high:g}"
            )

    @classmethod
    def balancing(cls, single_turns_per_inch: float, plied_mm: float, plies: int) -> TwistBand:
        """What balances singles of so much twist in a yarn `plied_mm` thick, two to four plies.

        By the balance of torques in `measure.ply_twist`; the plies' own width by Cauchy's theorem.
        ValueError where the single's twist is not above 0.
        """
        if not single_turns_per_inch > 0:
            raise ValueError(f"singles' twist is above 0, not {single_turns_per_inch:g}")
        low, high = ply_turns_band(single_turns_per_inch, plied_mm / ply_factor(plies), plies)
        return cls(low, high, balanced=True)

    def position(self, turns_per_inch: float) -> float:
        """-1 at the low end, 0 in the geometric middle, 1 at the high end, in the logarithm."""
        if turns_per_inch <= 0:
            return -math.inf
        middle = math.sqrt(self.low * self.high)
        return 2 * math.log(turns_per_inch / middle) / math.log(self.high / self.low)

    def judge(self, turns_per_inch: float, interval: Interval) -> TwistJudgement:
        """Where turns per inch with their 95 % interval lie."""
        low, high = interval
        if not low <= turns_per_inch <= high:
            raise ValueError(f"{turns_per_inch:g} lies outside its interval {low:g} to {high:g}")
        if turns_per_inch > self.high:
            return TwistJudgement("more", low > self.high, 100 * (turns_per_inch / self.high - 1))
        if turns_per_inch < self.low:
            return TwistJudgement("less", high < self.low, 100 * (turns_per_inch / self.low - 1))
        return TwistJudgement("in", self.low <= low and high <= self.high, 0.0)
