"""Which bobbins match: ratios of mean diameter, and tests that can say yes as well as no.

That two bobbins were not shown to differ does not make them match. Two one-sided tests
(Schuirmann 1987) ask whether their ratio surely lies within a margin; a plain test, whether it
surely is not one. Both are Welch's (1947) on logarithms, so that neither bobbin's spread or
number of readings need equal the other's, and rest on effective sample sizes. What neither test
settles is undecided, and is said to be, with the readings it would take.

Among several bobbins there are many pairs to be wrong about. All tests are taken together by
Holm's (1979) steps in Shaffer's (1986) form: of a pair at most one of the two claims can be
false, so no more than one test per pair has to be guarded against. The chance that anything at
all that is said of a comparison's pairs is false stays at 5 %.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from measure.drift import ReadingPoint
from measure.equivalence import Difference, adjusted, difference_of
from measure.precision import LogMean, log_mean_of
from measure.results import Interval
from measure.trend import per_cent, span_text

MARGIN_PERCENT: Final = 10.0
"""Bobbins whose mean diameters differ by no more than this match. Common practice has no figure;
a tenth in diameter is a fifth in mass (ours)."""

RISK: Final = 0.05
"""Chance that any claim of a comparison is false."""

MOST_FURTHER: Final = 200
"""More further readings than this of one bobbin are not worth asking for."""

Verdict = Literal["match", "differ", "undecided"]


@dataclass(frozen=True)
class Pair:
    """Two bobbins compared: the first against the second."""

    first: str
    second: str
    percent: float
    """By how much the first is thicker."""
    interval_percent: Interval
    """95 % interval of this pair alone."""
    verdict: Verdict
    beyond_margin: bool
    """True when the whole interval lies outside the margin."""
    p_match: float
    p_differ: float
    """The tests' p, adjusted for all tests of the comparison."""
    further: tuple[str, int] | None
    """Of an undecided pair: whose readings, and about how many more, would likely decide it."""


@dataclass(frozen=True)
class Comparison:
    """Several bobbins compared, pair by pair and in words."""

    names: tuple[str, ...]
    margin_percent: float
    pairs: tuple[Pair, ...]
    groups: tuple[tuple[str, ...], ...]
    """Bobbins of which every two match, largest group first; a bobbin alone is no group."""
    sentences: tuple[str, ...]

    @property
    def text(self) -> str:
        """The sentences in one line."""
        return "; ".join(self.sentences)

    def pair(self, first: str, second: str) -> Pair:
        """The pair of these two, in whichever order it was compared."""
        for pair in self.pairs:
            if {pair.first, pair.second} == {first, second}:
                return pair
        raise KeyError((first, second))


def compare_bobbins(
    bobbins: Mapping[str, Sequence[ReadingPoint]],
    *,
    margin_percent: float = MARGIN_PERCENT,
    ways: Mapping[str, Hashable | None] | None = None,
) -> Comparison:
    """Compare the mean diameters of two or more bobbins, named, with two or more readings each.

    `ways` tells, for each name, in which way all of the bobbin's readings were taken (on which
    card), None for one with readings of several ways. Between bobbins of the same way what their
    readings share cancels; between others it counts as a doubt of each. Without it all are of one
    way. The margin is a ratio: 10 %
    thicker, and as a fraction turned over, thinner. ValueError for fewer than two bobbins or for
    a bobbin with fewer than two readings.
    """
    if len(bobbins) < 2:
        raise ValueError("comparing takes at least two bobbins")
    if not margin_percent > 0:
        raise ValueError("the margin must be above 0 %")
    for name, readings in bobbins.items():
        if len(readings) < 2:
            raise ValueError(f"bobbin {name} has {len(readings)} readings, and two are needed")
    names = tuple(bobbins)
    means = {
        name: _Known(log_mean_of(readings), True if ways is None else ways[name])
        for name, readings in bobbins.items()
    }
    margin = math.log1p(margin_percent / 100)
    couples = list(itertools.combinations(names, 2))
    differences = [_between(means[a], means[b]) for a, b in couples]
    p_values = [d.p_beyond(margin) for d in differences] + [d.p_zero for d in differences]
    p_values = adjusted(p_values, most_true=len(couples))
    pairs = tuple(
        _pair(couple, means, difference, margin, p_match, p_differ, len(couples))
        for couple, difference, p_match, p_differ in zip(
            couples, differences, p_values[: len(couples)], p_values[len(couples) :], strict=True
        )
    )
    groups = _groups(names, means, pairs)
    return Comparison(
        names=names,
        margin_percent=margin_percent,
        pairs=pairs,
        groups=groups,
        sentences=tuple(_sentences(names, means, pairs, groups)),
    )


@dataclass(frozen=True)
class _Known:
    logs: LogMean
    way: Hashable | None
    """How all of its readings were taken; None when they were not all taken alike."""

    def with_more(self, further: int) -> _Known:
        """As likely known after so many more readings like these."""
        share = (self.logs.readings + further) / self.logs.readings
        logs = LogMean(
            mean=self.logs.mean,
            sd=self.logs.sd,
            u=self.logs.u / math.sqrt(share),
            dof=self.logs.dof * share,
            readings=self.logs.readings + further,
            n_effective=self.logs.n_effective * share,
            u_shared=self.logs.u_shared,
        )
        return _Known(logs, self.way)


def _between(a: _Known, b: _Known) -> Difference:
    return _between_groups([a], [b])


def _pair(
    names: tuple[str, str],
    means: Mapping[str, _Known],
    difference: Difference,
    margin: float,
    p_match: float,
    p_differ: float,
    couples: int,
) -> Pair:
    verdict: Verdict = "undecided"
    if p_match <= RISK:
        verdict = "match"
    elif p_differ <= RISK:
        verdict = "differ"
    low, high = difference.interval()
    further = None
    if verdict == "undecided":
        further = _further(names, means, margin, RISK / couples)
    return Pair(
        first=names[0],
        second=names[1],
        percent=per_cent(difference.value),
        interval_percent=(per_cent(low), per_cent(high)),
        verdict=verdict,
        beyond_margin=low > margin or high < -margin,
        p_match=p_match,
        p_differ=p_differ,
        further=further,
    )


def _further(
    names: tuple[str, str], means: Mapping[str, _Known], margin: float, risk: float
) -> tuple[str, int] | None:
    """Whose readings, and how many more of the one bobbin, would decide at the means seen now."""
    best: tuple[str, int] | None = None
    for which, name in enumerate(names):
        couple = [means[n] for n in names]
        start = couple[which]
        low, high = 1, MOST_FURTHER + 1
        while low < high:
            middle = (low + high) // 2
            couple[which] = start.with_more(middle)
            difference = _between(*couple)
            decided = min(difference.p_zero, difference.p_beyond(margin)) <= risk
            low, high = (low, middle) if decided else (middle + 1, high)
        if low <= MOST_FURTHER and (best is None or low < best[1]):
            best = (name, low)
    return best


def _groups(
    names: Sequence[str], means: Mapping[str, _Known], pairs: Sequence[Pair]
) -> tuple[tuple[str, ...], ...]:
    """Runs of bobbins in the order of their means, of which every two match, longest first."""
    matching = {frozenset((p.first, p.second)) for p in pairs if p.verdict == "match"}
    left = sorted(names, key=lambda name: means[name].logs.mean)
    groups: list[tuple[str, ...]] = []
    while len(left) > 1:
        runs = []
        for first in range(len(left)):
            last = first
            while last + 1 < len(left) and all(
                frozenset((left[last + 1], left[k])) in matching for k in range(first, last + 1)
            ):
                last += 1
            runs.append((last - first + 1, first))
        longest, first = max(runs, key=lambda run: (run[0], -run[1]))
        if longest < 2:
            break
        group = left[first : first + longest]
        groups.append(tuple(name for name in names if name in group))
        left = [name for name in left if name not in group]
    return tuple(groups)


# --- in words ---------------------------------------------------------------------------------


def _sentences(
    names: Sequence[str],
    means: Mapping[str, _Known],
    pairs: Sequence[Pair],
    groups: Sequence[tuple[str, ...]],
) -> list[str]:
    out = [f"{listed(group)} match" for group in groups]
    by_names = {frozenset((p.first, p.second)): p for p in pairs}
    # Groups and bobbins alone are told against the first of them; every other pair by itself.
    units = [*groups, *((name,) for name in names if not any(name in g for g in groups))]
    for first, second in itertools.combinations(range(len(units)), 2):
        if first > 0 and groups:
            continue
        out.extend(_against(units[second], units[first], means, by_names))
    return out


def _against(
    unit: tuple[str, ...],
    base: tuple[str, ...],
    means: Mapping[str, _Known],
    by_names: Mapping[frozenset[str], Pair],
) -> list[str]:
    """What is to be said of one group or bobbin against another."""
    between = [by_names[frozenset((a, b))] for a in unit for b in base]
    verdicts = {p.verdict for p in between}
    if len(between) == 1:
        return [_one(between[0])]
    if verdicts == {"differ"} and len({_thicker(p, unit) for p in between}) == 1:
        difference = _between_groups([means[a] for a in unit], [means[b] for b in base])
        low, high = (per_cent(end) for end in difference.interval())
        return [f"{listed(unit)} {_are(unit)} {_by(per_cent(difference.value), (low, high))}"]
    if verdicts == {"undecided"}:
        return [_undecided(between, f"{listed(unit)} {_match(unit)} {listed(base)}")]
    return [_one(p) for p in between]


def _one(pair: Pair) -> str:
    if pair.verdict == "match":
        return f"{pair.first} and {pair.second} match"
    if pair.verdict == "differ":
        low, high = pair.interval_percent
        if pair.percent >= 0:
            size = span_text(pair.percent, (low, high))
            return f"{pair.first} is thicker than {pair.second} by {size}"
        size = span_text(*turned_over(pair.percent, (low, high)))
        return f"{pair.second} is thicker than {pair.first} by {size}"
    return _undecided([pair], f"{pair.first} and {pair.second} match")


def _undecided(pairs: Sequence[Pair], what: str) -> str:
    """That it cannot be told yet, and what it would take: enough for the slowest of the pairs."""
    text = f"cannot tell yet whether {what}"
    wanted: dict[str, int] = {}
    for pair in pairs:
        if pair.further is None:
            return f"{text}, nor would {MOST_FURTHER} more readings be likely to"
        name, count = pair.further
        wanted[name] = max(wanted.get(name, 0), count)
    more = [
        f"{n} more {'reading' if n == 1 else 'readings'} of {name}" for name, n in wanted.items()
    ]
    return f"{text}: about {listed(more)}"


def _thicker(pair: Pair, unit: Sequence[str]) -> bool:
    return (pair.percent > 0) == (pair.first in unit)


def _by(percent: float, interval: Interval) -> str:
    """'thicker by 14 % (9 to 19 %)'; a thinner one's per cent are those it is thinner by."""
    low, high = interval
    if percent >= 0:
        return f"thicker by {span_text(percent, (low, high))}"
    return f"thinner by {span_text(-percent, (-high, -low))}"


def _between_groups(a: Sequence[_Known], b: Sequence[_Known]) -> Difference:
    """Mean of the one group's means less that of the other's."""
    ways = {k.way for k in (*a, *b)}
    cancels = len(ways) == 1 and None not in ways

    def pooled(group: Sequence[_Known]) -> tuple[float, float, float]:
        n = len(group)
        mean = math.fsum(k.logs.mean for k in group) / n
        variance = math.fsum(k.logs.u**2 for k in group) / n**2
        known = math.fsum((k.logs.u / n) ** 4 / k.logs.dof for k in group)
        # What is shared does not average out within a group, and is taken as exactly known.
        apart = 0.0 if cancels else math.fsum(k.logs.u_shared for k in group) / n
        whole = variance + apart**2
        # An endless number of degrees of freedom would make 0/0 where both are perfectly sure.
        return mean, math.sqrt(whole), min(whole**2 / known if known > 0 else 1e9, 1e9)

    return difference_of(*pooled(a), *pooled(b))


def turned_over(percent: float, interval: Interval) -> tuple[float, Interval]:
    """The second against the first, in per cent, from the first against the second."""
    low, high = interval
    return _inverse(percent), (_inverse(high), _inverse(low))


def _inverse(percent: float) -> float:
    return per_cent(-math.log1p(percent / 100))


def _are(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _match(names: Sequence[str]) -> str:
    return "matches" if len(names) == 1 else "match"


def listed(names: Sequence[str]) -> str:
    """'B1', 'B1 and B2', 'B1, B2 and B3'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
