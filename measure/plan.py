"""The plan: from the yarn wanted back to the single to spin, its twist, its length, its fibre.

Geometry says how wide plies lie (`measure.ply_geometry`), the first guess or the spinner's own
skeins say what the yarn does beyond that (`measure.bloom`), and the two together turn the wanted
band of the finished yarn into the band of the single at the wheel. Grist follows from width only
through a density, which is known to a factor of two until a skein was weighed and measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from measure.band import Band
from measure.bloom import Bloom, Lesson, LogRatio, Method, Pair, learn
from measure.ply_geometry import ply_angle_deg, ply_factor, take_up, turns_for_angle
from measure.ply_twist import ply_turns_band, single_turns_band
from measure.precision import readings_needed
from measure.results import Interval
from measure.weight_class import WeightChart, classes_touched
from measure.yarn import wpi_from_diameter, wpi_interval_from_diameter

CHAIN_PLIES: Final = 3
MOST_PLIES: Final = 6

PLY_ANGLE_DEG: Final = 20.0
"""Ply angle of a soft knitting yarn (askthebellwether.blogspot.com 2008/03; 30 to 35 for socks)."""

SINGLE_ANGLE_DEG: Final = 15.0
"""The least that holds a single together (the same)."""

WASTE_PERCENT: Final = 5.0
"""Fibre lost to preparing, joining and bobbins' ends (ours)."""

BOBBIN_G: Final = 100.0
"""What a bobbin holds where nobody said (ours)."""

READING_SD_PERCENT: Final = 5.0
"""From reading to reading on a bobbin where none were taken yet (ours)."""

TOLERANCE_PERCENT: Final = 3.0
"""How well a bobbin's mean is wanted where nobody said (ours)."""

SAMPLE_BELOW: Final = 0.8
"""With a smaller chance than this of hitting the band a sample skein is advised (ours)."""


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    interval: Interval


@dataclass(frozen=True)
class Wish:
    """The yarn wanted, and what there is to make it of."""

    finished: Band
    """Mean diameter of the finished yarn: plied, washed and dry."""
    plies: int
    method: Method
    fibre: str = ""
    fibre_g: float | None = None
    """In hand."""
    length_m: float | None = None
    """Of finished yarn that is needed."""
    angle_deg: float | None = None
    """Ply angle wanted; of a yarn that stays a single, its surface angle."""
    ply_turns_per_inch: float | None = None
    single_turns_per_inch: float | None = None
    waste_percent: float = WASTE_PERCENT
    bobbin_g: float = BOBBIN_G
    reading_sd_percent: float = READING_SD_PERCENT
    tolerance_percent: float = TOLERANCE_PERCENT

    def __post_init__(self) -> None:
        least, most = {"single": (1, 1), "chain-plied": (3, 3)}.get(self.method, (2, MOST_PLIES))
        if not least <= self.plies <= most:
            raise ValueError(f"a {self.method} yarn has {least} to {most} plies, not {self.plies}")
        for what, value in (
            ("fibre in hand", self.fibre_g),
            ("length", self.length_m),
            ("twist of the ply", self.ply_turns_per_inch),
            ("twist of the single", self.single_turns_per_inch),
            ("what a bobbin holds", self.bobbin_g),
            ("scatter of readings", self.reading_sd_percent),
            ("tolerance", self.tolerance_percent),
        ):
            if value is not None and not 0 < value < math.inf:
                raise ValueError(f"{what} must be a positive number, not {value:g}")
        if self.angle_deg is not None and not 0 < self.angle_deg < 45:
            raise ValueError(f"a ply angle lies between 0 and 45 degrees, not {self.angle_deg:g}")
        if not 0 <= self.waste_percent < 100:
            raise ValueError(f"waste lies between 0 and 100 %, not {self.waste_percent:g}")
        if self.angle_deg is not None and self.ply_turns_per_inch is not None:
            raise ValueError("the ply's twist follows from its angle: give one of them")
        if self.method == "single" and self.ply_turns_per_inch is not None:
            raise ValueError("a yarn that stays a single has no ply twist")


@dataclass(frozen=True)
class TwistPlan:
    """Turns per inch to put in."""

    single_turns_per_inch: float
    """Middle of the band; as asked where it was asked."""
    single_band: Interval
    """What balances the ply; of a yarn that stays a single, the one value."""
    ply_turns_per_inch: float | None
    ply_band: Interval | None
    """What the single's twist balances."""
    angle_deg: float
    """Ply angle; of a yarn that stays a single, its surface angle."""
    take_up_percent: float
    """Of the singles' length that plying takes."""
    balance: str
    """'balanced', 'underplied', 'overplied', or '' of a single."""


@dataclass(frozen=True)
class Amounts:
    """How much yarn, fibre and bobbins. Intervals are of the density; the width as wanted."""

    tex: Estimate
    """Finished grist."""
    single_tex: Estimate
    length_m: Estimate | None
    """Finished length of the fibre in hand; None: nobody said how much."""
    singles_m: Estimate | None
    """Length of singles in all, for that length or the one needed."""
    fibre_needed_g: Estimate | None
    """For the length needed, waste included; None: no length was asked for."""
    enough: float | None
    """Probability that the fibre in hand makes the length needed."""
    bobbins: int | None
    """Bobbins of singles."""
    bobbin_g: float | None
    """Fibre on each."""
    readings_per_bobbin: int | None
    """So that its mean is known as well as wanted; None: no number would do."""


@dataclass(frozen=True)
class Plan:
    """What to spin, and what it should become."""

    wish: Wish
    single: Band
    """Under tension at the wheel: the band to spin in."""
    single_relaxed: Band
    """The same single lying loose."""
    single_mm: Estimate
    """The single that gives the middle of the wanted band; the interval is how far it may lie."""
    plied_mm: Estimate
    """The yarn just plied, before the wash, of singles in the middle of the band."""
    finished_mm: Estimate
    """The same finished."""
    chance: float
    """Probability that the finished yarn's mean lies in the wanted band."""
    twist: TwistPlan
    amounts: Amounts
    bloom: Bloom

    @property
    def lessons(self) -> tuple[Lesson, ...]:
        """Skeins learned from."""
        return self.bloom.lessons


def make_plan(wish: Wish, pairs: Sequence[Pair] = ()) -> Plan:
    """The plan for a wish, from geometry and from the spinner's own skeins.

    ValueError where the twist asked for cannot be put into such a yarn.
    """
    bloom = learn(pairs, wish.method, wish.plies, wish.fibre)
    factor = ply_factor(wish.plies)
    wanted = wish.finished
    back = factor * bloom.finished.middle
    single = Band(wanted.low_mm / back, wanted.high_mm / back)
    relaxed = bloom.relax.middle
    middle = wanted.middle_mm
    low, high = bloom.finished.interval
    edges = (math.log(end / single.middle_mm / factor) for end in (wanted.low_mm, wanted.high_mm))
    below_low, below_high = (bloom.finished.below(edge) for edge in edges)
    twist = _twist(wish, middle / factor)
    return Plan(
        wish=wish,
        single=single,
        single_relaxed=Band(single.low_mm * relaxed, single.high_mm * relaxed),
        single_mm=Estimate(single.middle_mm, (middle / factor / high, middle / factor / low)),
        plied_mm=_times(bloom.ply, single.middle_mm * factor),
        finished_mm=_times(bloom.finished, single.middle_mm * factor),
        chance=below_high - below_low,
        twist=twist,
        amounts=_amounts(wish, bloom.density, twist.take_up_percent / 100),
        bloom=bloom,
    )


def _times(ratio: LogRatio, size: float) -> Estimate:
    low, high = ratio.interval
    return Estimate(ratio.middle * size, (low * size, high * size))


def _twist(wish: Wish, ply_mm: float) -> TwistPlan:
    """Twist of singles of this diameter, as they lie in the finished yarn."""
    asked = wish.single_turns_per_inch
    if wish.method == "single":
        angle = SINGLE_ANGLE_DEG if wish.angle_deg is None else wish.angle_deg
        turns = turns_for_angle(ply_mm, 1, angle) if asked is None else asked
        angle = ply_angle_deg(ply_mm, 1, turns)
        return TwistPlan(turns, (turns, turns), None, None, angle, 0.0, "")
    ply = wish.ply_turns_per_inch
    if ply is None and wish.angle_deg is None and asked is not None:
        low, high = ply_turns_band(asked, ply_mm, wish.plies)
        ply = math.sqrt(low * high)
    if ply is None:
        angle = PLY_ANGLE_DEG if wish.angle_deg is None else wish.angle_deg
        ply = turns_for_angle(ply_mm, wish.plies, angle)
    angle = ply_angle_deg(ply_mm, wish.plies, ply)
    if not angle < 45:
        raise ValueError(
            f"{ply:.3g} turns per inch are too many for plies of {ply_mm:.2f} mm: they would lie "
            f"at {angle:.0f} degrees; ask for less than 45"
        )
    band = single_turns_band(ply, ply_mm, wish.plies)
    single = math.sqrt(band[0] * band[1]) if asked is None else asked
    balance = "balanced"
    if not band[0] * (1 - 1e-9) <= single <= band[1] * (1 + 1e-9):
        balance = "overplied" if single < band[0] else "underplied"
    return TwistPlan(
        single_turns_per_inch=single,
        single_band=band,
        ply_turns_per_inch=ply,
        ply_band=ply_turns_band(single, ply_mm, wish.plies),
        angle_deg=angle,
        take_up_percent=100 * take_up(ply_mm, wish.plies, ply),
        balance=balance,
    )


def _amounts(wish: Wish, density: LogRatio, taken: float) -> Amounts:
    area_mm2 = math.pi / 4 * wish.finished.middle_mm**2
    # 1 mm2 of 1 g/cm3 is 1 g a metre, 1000 tex.
    tex = _times(density, 1000 * area_mm2)
    left = 1 - wish.waste_percent / 100
    to_single = (1 - taken) / wish.plies
    length = None if wish.fibre_g is None else _over(1000 * wish.fibre_g * left, tex)
    needed = None
    if wish.length_m is not None:
        needed = _scaled(tex, wish.length_m / 1000 / left)
    spun: Estimate | None = None
    if length is not None:
        spun = _scaled(length, 1 / to_single)
    elif wish.length_m is not None:
        metres = wish.length_m / to_single
        spun = Estimate(metres, (metres, metres))
    enough = None
    if wish.fibre_g is not None and wish.length_m is not None:
        most_tex = 1000 * wish.fibre_g * left / wish.length_m
        enough = density.below(math.log(most_tex / (1000 * area_mm2)))
    grams = wish.fibre_g if wish.fibre_g is not None else (needed.value if needed else None)
    bobbins = None
    if grams is not None:
        together = wish.plies if wish.method == "plied" else 1
        bobbins = together * math.ceil(grams / (together * wish.bobbin_g) - 1e-9)
    return Amounts(
        tex=tex,
        single_tex=_scaled(tex, to_single),
        length_m=length,
        singles_m=spun,
        fibre_needed_g=needed,
        enough=enough,
        bobbins=bobbins,
        bobbin_g=None if bobbins is None or grams is None else grams / bobbins,
        readings_per_bobbin=readings_needed(wish.reading_sd_percent, wish.tolerance_percent),
    )


def _scaled(estimate: Estimate, by: float) -> Estimate:
    low, high = estimate.interval
    return Estimate(by * estimate.value, (by * low, by * high))


def _over(amount: float, by: Estimate) -> Estimate:
    low, high = by.interval
    return Estimate(amount / by.value, (amount / high, amount / low))


# --- in words ---------------------------------------------------------------------------------


def plan_sentences(plan: Plan, chart: WeightChart, wrap_factor: float = 1.0) -> tuple[str, ...]:
    """What the plan comes to, in sentences without a full stop: what to spin, how sure, advice."""
    finished = plan.finished_mm
    wpi = wpi_from_diameter(finished.value, wrap_factor)
    low, high = wpi_interval_from_diameter(finished.interval, wrap_factor)
    classes = classes_touched(chart, wpi, (low, high))
    named = [c.name for c in classes]
    touched = " or ".join(named) if len(named) < 3 else f"{', '.join(named[:-1])} or {named[-1]}"
    ends = _ends(plan.single.low_wpi(wrap_factor), plan.single.high_wpi(wrap_factor))
    out = [
        f"spin {ends} WPI under tension at the wheel",
        f"spun in the middle, the finished yarn should be {_ends(low, high)} WPI ({touched}); "
        f"the chance that it is what you want is {_chance(plan.chance)}",
    ]
    skeins = len(plan.lessons)
    if not skeins:
        out.append("this rests on geometry and a first guess, on no skein of yours")
    else:
        many = "1 skein" if skeins == 1 else f"{skeins} skeins"
        out.append(f"this rests on geometry and on {many} of yours")
    if plan.chance < SAMPLE_BELOW or not skeins:
        out.append(
            "spin, ply and wash a sample of some metres first and read it at each stage: that "
            "narrows the plan more than anything"
        )
    if plan.twist.balance in ("overplied", "underplied"):
        more = "less" if plan.twist.balance == "overplied" else "more"
        out.append(
            f"the twist you ask for gives a yarn that is {plan.twist.balance}: balanced, it would "
            f"have {more} ply twist or {'more' if more == 'less' else 'less'} in the single"
        )
    enough = plan.amounts.enough
    if enough is not None:
        out.append(f"the chance that the fibre in hand makes the length is {_chance(enough)}")
    return tuple(out)


def _ends(low: float, high: float) -> str:
    decimals = 0 if high - low >= 2 else 1
    return f"{low:.{decimals}f} to {high:.{decimals}f}"


def _chance(share: float) -> str:
    if share > 0.99:
        return "above 99 %"
    return "below 1 %" if share < 0.01 else f"{100 * share:.0f} %"
