"""Length and grist of a finished skein, by every way that was measured, and whether they agree.

Length = circumference times rounds; or what a counter said; or weight over grist, the grist known
or found by weighing a short length. Doubts add as the GUM says (first order, relative): what a
scale or a tape may be off by is taken as a rectangle, so its standard uncertainty is the limit over
the root of 3. Measure the washed, dried skein itself: a skein wound on a reel named 2 yards that is
1.95 yards round is taken for 2.56 % too long, and washing takes up more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

from scipy.special import ndtri

from measure.results import Interval
from measure.uncertainty import u_from_limits
from measure.yarn import M_PER_YARD, CountSystem, count_from_tex

RouteName = Literal["rounds", "counter", "sample", "grist"]

ROUTES: Final[tuple[RouteName, ...]] = ("rounds", "counter", "sample", "grist")
"""In the order in which they are believed when nobody says otherwise."""

ROUTE_WORDS: Final[dict[RouteName, str]] = {
    "rounds": "circumference times rounds",
    "counter": "the counted length",
    "sample": "a weighed short length",
    "grist": "weight and grist",
}

_NORMAL_95: Final = float(ndtri(0.975))


@dataclass(frozen=True)
class Amount:
    """A measured amount above 0 and its standard uncertainty, both in one unit."""

    value: float
    u: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.value < math.inf and 0 <= self.u < math.inf):
            raise ValueError(f"{self.value:g} with doubt {self.u:g} is no measured amount")

    @classmethod
    def within(cls, value: float, limit: float | None) -> Amount:
        """An amount that may be off by so much either way; None: taken as exact."""
        return cls(value, u_from_limits(limit or 0.0))

    @property
    def u_relative(self) -> float:
        """Standard uncertainty over the value."""
        return self.u / self.value

    @property
    def interval(self) -> Interval:
        """95 % interval, symmetric in the logarithm so that it stays above 0."""
        reach = math.exp(_NORMAL_95 * self.u_relative)
        return self.value / reach, self.value * reach

    def times(self, other: Amount) -> Amount:
        """Product of two independent amounts."""
        return self._with(self.value * other.value, other)

    def over(self, other: Amount) -> Amount:
        """Quotient of two independent amounts."""
        return self._with(self.value / other.value, other)

    def scaled(self, factor: float) -> Amount:
        """The amount in another unit."""
        return Amount(self.value * factor, self.u * factor)

    def _with(self, value: float, other: Amount) -> Amount:
        return Amount(value, value * math.hypot(self.u_relative, other.u_relative))


@dataclass(frozen=True)
class SkeinAmounts:
    """What was measured of a skein; None: it was not."""

    weight_g: Amount | None = None
    circumference_m: Amount | None = None
    rounds: float | None = None
    """Counted ties or threads; the last is taken to end anywhere, half a round either way."""
    sample_length_m: Amount | None = None
    sample_weight_g: Amount | None = None
    grist_tex: Amount | None = None
    counted_m: Amount | None = None


@dataclass(frozen=True)
class Route:
    """One way to the length; `tex` or `length_m` is None when the skein was not weighed."""

    name: RouteName
    length_m: Amount | None
    tex: Amount | None

    @property
    def words(self) -> str:
        """What it rests on."""
        return ROUTE_WORDS[self.name]

    @property
    def finds_length(self) -> bool:
        """True when it is the length that it finds, and the grist follows from the weight."""
        return self.name in ("rounds", "counter")


@dataclass(frozen=True)
class Disagreement:
    """Two ways that cannot both be right, by 95 % intervals of their difference."""

    first: Route
    second: Route
    percent: float
    """First over second, less 1: of length, or of grist where that is what both find."""
    interval_percent: Interval
    of: Literal["length", "grist"]

    @property
    def sentence(self) -> str:
        """What disagrees by how much."""
        low, high = sorted(map(abs, self.interval_percent))
        more = {
            ("length", True): "longer", ("length", False): "shorter",
            ("grist", True): "heavier", ("grist", False): "lighter",
        }[self.of, self.percent > 0]  # fmt: skip
        return (
            f"by {self.first.words} the yarn is {abs(self.percent):.1f} % ({low:.1f} to "
            f"{high:.1f} %) {more} than by {self.second.words}: more than their doubts allow; "
            "measure again"
        )


def routes_of(amounts: SkeinAmounts) -> tuple[Route, ...]:
    """Every way to length and grist that was measured, the most believed first."""
    found: list[Route] = []
    weight = amounts.weight_g
    for name, length in (("rounds", _wound(amounts)), ("counter", amounts.counted_m)):
        if length is not None:
            tex = None if weight is None else weight.over(length).scaled(1000)
            found.append(Route("rounds" if name == "rounds" else "counter", length, tex))
    if amounts.sample_length_m is not None and amounts.sample_weight_g is not None:
        tex = amounts.sample_weight_g.over(amounts.sample_length_m).scaled(1000)
        found.append(Route("sample", _length(weight, tex), tex))
    if amounts.grist_tex is not None:
        found.append(Route("grist", _length(weight, amounts.grist_tex), amounts.grist_tex))
    return tuple(found)


def _wound(amounts: SkeinAmounts) -> Amount | None:
    if amounts.circumference_m is None or amounts.rounds is None:
        return None
    return amounts.circumference_m.times(Amount.within(amounts.rounds, min(0.5, amounts.rounds)))


def _length(weight_g: Amount | None, tex: Amount) -> Amount | None:
    return None if weight_g is None else weight_g.over(tex).scaled(1000)


def chosen_route(routes: Sequence[Route], wanted: RouteName | None = None) -> Route | None:
    """The way that was asked for, or the first that gives a length, or else a grist."""
    if wanted is not None:
        named = next((r for r in routes if r.name == wanted), None)
        if named is not None:
            return named
    return next((r for r in routes if r.length_m is not None), next(iter(routes), None))


def disagreements(routes: Sequence[Route]) -> tuple[Disagreement, ...]:
    """Pairs of ways that differ by more than their doubts.

    Two ways that find a length are compared by length and others by grist, so that the weight
    they share, and its doubt, cancels where it can.
    """
    found = []
    for first, second in combinations(routes, 2):
        both_lengths = first.finds_length and second.finds_length
        a = first.length_m if both_lengths else first.tex
        b = second.length_m if both_lengths else second.tex
        if a is None or b is None:
            continue
        between = math.log(a.value / b.value)
        reach = _NORMAL_95 * math.hypot(a.u_relative, b.u_relative)
        if abs(between) > reach:
            ends = (100 * math.expm1(between - reach), 100 * math.expm1(between + reach))
            of: Literal["length", "grist"] = "length" if both_lengths else "grist"
            found.append(Disagreement(first, second, 100 * math.expm1(between), ends, of))
    return tuple(found)


def in_count(tex: Amount, system: CountSystem) -> Amount:
    """Grist in another count system, with its doubt: the relative one is the same in all."""
    value = count_from_tex(tex.value, system)
    return Amount(value, value * tex.u_relative)


def in_yards(length_m: Amount) -> Amount:
    """A length in yards."""
    return length_m.scaled(1 / M_PER_YARD)
