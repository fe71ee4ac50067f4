"""A yarn's ply twist against what balances its singles: always a band, never a bare verdict.

What balances is `measure.ply_twist`: a band from fresh singles to set ones. A plied yarn's picture
alone tells which singles its twist would balance; over- or under-plied can be said only where the
singles' twist is known from elsewhere.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from app.format import interval_decimals, rounded
from app.json_text import number, numbers
from app.notebook.records import PLIED_POSTURES, LoggedReading
from measure.ply_geometry import ply_angle_deg, ply_factor
from measure.ply_twist import single_turns_band
from measure.results import Interval, StrandReading
from measure.skein import SkeinFigures
from measure.twist_band import TwistBand, TwistJudgement

_SHARED_DOUBT: Final = 0.12
"""Relative doubt (95 %) of singles' twist that no number of readings takes away: it is read from
the slope of fibres (`measure.single_twist`, 6 % standard)."""
_BALANCED_PLIES: Final = range(2, 5)
"""Numbers of plies that lie round one axis without one in the middle."""
_STEEPEST_DEG: Final = 44.0
"""Ply angle from which no twist of singles balances: at 45 degrees the torques cannot."""
_WORDS: Final = {"in": "in balance with", "more": "over-plied for", "less": "under-plied for"}


@dataclass(frozen=True)
class PlyBalance:
    """Ply twist against the band that balances singles of known twist."""

    turns_per_inch: float
    single_turns_per_inch: float
    band: TwistBand
    judged: TwistJudgement

    @property
    def sentence(self) -> str:
        """Without capital and full stop."""
        perhaps = "" if self.judged.sure else "perhaps "
        return (
            f"ply twist is {self.turns_per_inch:.1f} TPI, {perhaps}{_WORDS[self.judged.place]} "
            f"singles of {self.single_turns_per_inch:.1f} TPI: "
            f"{self.band.low:.1f} to {self.band.high:.1f} would balance"
        )

    def as_object(self) -> dict[str, Any]:
        """As plain data (docs/formats.md)."""
        return {
            "turns_per_inch": number(self.turns_per_inch),
            "single_turns_per_inch": number(self.single_turns_per_inch),
            "balanced": numbers((self.band.low, self.band.high)),
            "place": self.judged.place,
            "sure": self.judged.sure,
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class BalancedSingles:
    """The singles that a plied strand's twist would balance, and how it suits those named."""

    ply_angle_deg: float
    """Of the plies' axes to the yarn's."""
    turns_per_inch: Interval
    twist: Literal["S", "Z"] | None
    """The way they would have been spun: against the ply."""
    named: PlyBalance | None

    @property
    def sentence(self) -> str:
        """Without capital and full stop."""
        if self.named is not None:
            return self.named.sentence
        low, high = self.turns_per_inch
        decimals = min(interval_decimals((low + high) / 2, self.turns_per_inch), 1)
        hand = f" spun {self.twist}" if self.twist else ""
        return (
            f"its ply angle of {self.ply_angle_deg:.0f} degrees balances singles{hand} with "
            f"{rounded(low, decimals)} to {rounded(high, decimals)} TPI"
        )

    def as_object(self) -> dict[str, Any]:
        """As plain data (docs/formats.md)."""
        return {
            "ply_angle_deg": number(self.ply_angle_deg),
            "single_turns_per_inch": numbers(self.turns_per_inch),
            "single_twist": self.twist,
            "against": None if self.named is None else self.named.as_object(),
            "sentence": self.sentence,
        }


def balanced_singles(
    strand: StrandReading, single_turns_per_inch: float | None = None
) -> BalancedSingles | None:
    """Which singles a plied strand's twist would balance; None where it is not plied or not known.

    `single_turns_per_inch` is the twist of the singles it was plied from, where that is known.
    """
    turns, interval, plies = strand.turns_per_inch, strand.turns_per_inch_interval, strand.plies
    if turns is None or interval is None or interval[0] <= 0:
        return None
    if plies is None or plies not in _BALANCED_PLIES:
        return None
    ply_mm = strand.diameter_mm / ply_factor(plies)
    if ply_angle_deg(ply_mm, plies, interval[1]) > _STEEPEST_DEG:
        return None
    ends = [single_turns_band(end, ply_mm, plies) for end in interval]
    named = None
    if single_turns_per_inch is not None:
        band = TwistBand.balancing(single_turns_per_inch, strand.diameter_mm, plies)
        named = PlyBalance(turns, single_turns_per_inch, band, band.judge(turns, interval))
    against: dict[str, Literal["S", "Z"]] = {"S": "Z", "Z": "S"}
    return BalancedSingles(
        ply_angle_deg(ply_mm, plies, turns),
        (ends[0][0], ends[1][1]),
        None if strand.twist is None else against[strand.twist],
        named,
    )


def skein_balance(
    figures: SkeinFigures | None, plies: int | None, singles: Iterable[LoggedReading]
) -> PlyBalance | None:
    """Whether the ply twist balances the singles, against the band that would; None: not known.

    `figures` are best of the yarn before its wash, which swells the plies. `singles` are readings
    of the bobbins it was plied from.
    """
    twist = figures.twist if figures is not None else None
    if figures is None or twist is None or plies is None or plies not in _BALANCED_PLIES:
        return None
    known = [r for r in singles if r.posture not in PLIED_POSTURES and r.turns_per_inch]
    if not known or {r.twist for r in known} & {twist.direction} - {None}:
        return None  # plied the way they were spun, nothing balances
    turns = [r.turns_per_inch or 0.0 for r in known]
    single = statistics.fmean(turns)
    scatter = 2 * statistics.stdev(turns) / math.sqrt(len(turns)) if len(turns) > 1 else 0.0
    half = math.hypot(scatter, _SHARED_DOUBT * single)
    if half >= single:
        return None
    ends = [
        TwistBand.balancing(end, figures.mean_mm, plies) for end in (single - half, single + half)
    ]
    band = TwistBand(ends[0].low, ends[1].high, balanced=True)
    ply = twist.turns_per_inch
    return PlyBalance(ply.value, single, band, band.judge(ply.value, ply.interval))
