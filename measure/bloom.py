"""What becomes of singles when they are plied and washed: a first guess, and what skeins taught.

A yarn goes through steps, each the logarithm of a ratio:

- *relax*: a single off the bobbin over the same single under tension at the wheel;
- *ply*: the plied yarn over what geometry makes of its singles under tension
  (`measure.ply_geometry.ply_factor`): plies squash one another, spring back, lie aslant;
- *wash*: the washed yarn over the plied one, its bloom;
- *pack*: the washed yarn's apparent density in g/cm3, mass over length and the circle of its width.

A step of one skein is taken as a general level of this spinner's, plus what its method and its
fibre do, plus a chance of its own, all normal. How large each part may be beforehand is written
in `STEPS` with where it comes from; how large the chances are is learned along with the rest. With
no skeins that is the first guess and its wide interval. Skeins narrow it: those of the same method
and fibre most, others as far as the general level goes, so that a few of a kind are drawn towards
all that are known (a hierarchical regression, solved exactly as one of normal variables; Gelman et
al., Bayesian Data Analysis, ch. 5 and 15). Fibres are words: two descriptions are alike by the
share of their words that they have in common (Jaccard's measure, which is a covariance).
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import chdtrc, ndtr, ndtri

from measure.ply_geometry import ply_factor
from measure.results import Floats, Interval

Method = Literal["single", "plied", "chain-plied"]
"""Left a single; plied from bobbins of its own for each ply; chain-plied from one."""

METHODS: Final[tuple[Method, ...]] = ("plied", "chain-plied", "single")


@dataclass(frozen=True)
class Step:
    """What is thought of a step before any skein was seen; all are natural logarithms."""

    guess: float
    general: float
    """Standard deviation from spinner to spinner."""
    method: float
    """From method to method of one spinner."""
    fibre: float
    """From fibre to fibre."""
    chance: float
    """From skein to skein of one kind, about."""


RELAX: Final = 0
PLY: Final = 1
WASH: Final = 2
PACK: Final = 3

STEPS: Final = (
    # Ours: a strand under tension is a little thinner than one that lies.
    Step(0.04, 0.04, 0.01, 0.03, 0.02),
    # Published rules for a finished two-ply run from singles of 1.5 times its wraps
    # (askthebellwether.blogspot.com 2007/08) to twice (a spinner's blog, 28 to 14), for a
    # three-ply twice: 0.92 to 1.22 of what geometry makes, middle 1.05. Ours: of that the wash
    # makes the 0.05, which only practice says ("washing lowers WPI"), and the widths.
    Step(0.0, 0.08, 0.05, 0.05, 0.03),
    Step(0.05, 0.05, 0.02, 0.06, 0.03),
    # Four handspun skeins and a chart, g/cm3 by wraps and grist: 0.13 and 0.19 (A. Franquemont,
    # interweave.com), 0.26 (mresource.com, sample 1), 0.11 (spinnyspinny.com, skein 9), 0.14 (the
    # chart `SPIN_OFF` of `measure.weight_class`). Geometric mean 0.16, spread of the log 0.34.
    Step(math.log(0.16), 0.25, 0.10, 0.25, 0.08),
)
"""The steps in the order relax, ply, wash, pack."""

_CHANCES: Final = np.geomspace(0.35, 3.5, 13)
"""Tried multiples of `Step.chance`: a spinner's skeins may be more or less alike."""
_CHANCE_SPREAD: Final = 0.55
"""Standard deviation of that multiple's logarithm beforehand (ours)."""

_ODD: Final = 0.002
"""A skein less likely than this, given all others, is said to stand apart (ours)."""

_EMPTY_WORDS: Final = frozenset({"a", "and", "from", "in", "of", "on", "the", "with"})


@dataclass(frozen=True)
class Known:
    """A measured value above 0 and its standard uncertainty, in one unit."""

    value: float
    u: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.value < math.inf and 0 <= self.u < math.inf):
            raise ValueError(f"{self.value:g} with doubt {self.u:g} is no measured size")

    @property
    def log(self) -> float:
        """Natural logarithm of the value."""
        return math.log(self.value)

    @property
    def log_variance(self) -> float:
        """Variance of that."""
        return (self.u / self.value) ** 2


@dataclass(frozen=True)
class Pair:
    """One skein: how thick it was at each stage, as far as anyone measured."""

    name: str
    method: Method
    fibre: str
    plies: int
    single_mm: Known | None = None
    """Mean diameter of its singles, read under tension at the wheel."""
    relaxed_mm: Known | None = None
    """The same read relaxed."""
    plied_mm: Known | None = None
    """Plied, before the wash."""
    washed_mm: Known | None = None
    """Washed and dry: finished."""
    tex: Known | None = None
    """Grist of the finished skein."""

    def __post_init__(self) -> None:
        if self.method not in METHODS or self.plies < 1:
            raise ValueError(f"{self.name}: no such way to ply {self.plies} strands")

    @property
    def teaches(self) -> bool:
        """Whether anything can be learned from it: two stages, or the grist of a known width."""
        return len(_rows(self)[1]) > 0


@dataclass(frozen=True)
class LogRatio:
    """A step, or several together, of a skein yet to be made: a mixture of normal variables."""

    means: Floats
    sds: Floats
    weights: Floats
    """Of equal length; the weights add up to 1."""

    @property
    def mean(self) -> float:
        """Expected logarithm."""
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        """Standard deviation of the logarithm."""
        squares = self.weights @ (self.sds**2 + (self.means - self.mean) ** 2)
        return math.sqrt(float(squares))

    @property
    def middle(self) -> float:
        """The ratio itself, at the expected logarithm."""
        return math.exp(self.mean)

    @property
    def interval(self) -> Interval:
        """95 % interval of the ratio."""
        return math.exp(self.quantile(0.025)), math.exp(self.quantile(0.975))

    def below(self, log_ratio: float) -> float:
        """Probability that the logarithm is below this."""
        return float(self.weights @ ndtr((log_ratio - self.means) / self.sds))

    def quantile(self, share: float) -> float:
        """The logarithm that so much of the probability lies below."""
        ends = self.means[:, np.newaxis] + self.sds[:, np.newaxis] * ndtri([share])
        low, high = float(ends.min()), float(ends.max())
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if self.below(middle) < share else (low, middle)
        return (low + high) / 2


@dataclass(frozen=True)
class Lesson:
    """What one skein taught."""

    pair: Pair
    ply_percent: float | None
    """Plied width over what geometry makes of its singles, less 1; None: not both measured."""
    wash_percent: float | None
    """Washed over plied, less 1."""
    finished_percent: float | None
    """Washed over what geometry makes of its singles, less 1."""
    density_g_per_cm3: float | None
    pull_percent: float
    """By how much it makes the finished yarn expected thicker: without it, so much less."""
    stands_apart: bool
    """Unlikely, given all other skeins: a slip, or something else about it."""


@dataclass(frozen=True)
class Bloom:
    """What singles are expected to become, of one method, number of plies and fibre."""

    relax: LogRatio
    """Relaxed over under tension."""
    ply: LogRatio
    """Plied over the geometry of singles under tension."""
    wash: LogRatio
    """Washed over plied."""
    finished: LogRatio
    """Washed over the geometry of singles under tension: both together."""
    density: LogRatio
    """Apparent density of the finished yarn, g/cm3."""
    lessons: tuple[Lesson, ...]
    """Skeins learned from, in the order given."""


_TARGETS: Final = np.array(
    [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 1, 1, 0], [0, 0, 0, 1]], dtype=np.float64
)
_FINISHED: Final = 3


def learn(pairs: Sequence[Pair], method: Method, plies: int, fibre: str) -> Bloom:
    """What a skein of this method, number of plies and fibre may be expected to do.

    Pairs that teach nothing are passed over. The answer for no pairs is the first guess.
    """
    if method not in METHODS or plies < 1:
        raise ValueError(f"there is no way {method!r} to ply {plies} strands")
    used = [pair for pair in pairs if pair.teaches]
    wanted = Pair("", method, fibre, plies)
    prior = np.array([[s.general**2, s.method**2, s.fibre**2] for s in STEPS])
    chance = np.array([s.chance**2 for s in STEPS])
    guess = np.array([s.guess for s in STEPS])
    before = prior.sum(axis=1)

    blocks = [_rows(pair) for pair in used]
    of_pair = np.repeat(np.arange(len(used)), [len(z) for _, z, _ in blocks])
    maps = np.vstack([a for a, _, _ in blocks]) if blocks else np.empty((0, 4))
    values = np.concatenate([z for _, z, _ in blocks]) if blocks else np.empty(0)
    values = values - maps @ guess
    doubt = np.zeros((len(values), len(values)))
    own = of_pair[:, np.newaxis] == of_pair[np.newaxis, :]
    for k, (_, _, noise) in enumerate(blocks):
        doubt[np.ix_(of_pair == k, of_pair == k)] = noise

    alike = np.array([[_alike(a, b) for b in used] for a in used]).reshape(len(used), len(used), 3)
    to_wanted = np.array([_alike(wanted, pair) for pair in used]).reshape(len(used), 3)
    shared = np.einsum("as,abs,bs->ab", maps, (alike @ prior.T)[of_pair][:, of_pair], maps)
    across = np.einsum("ts,as,as->ta", _TARGETS, (to_wanted @ prior.T)[of_pair], maps)

    means, variances, evidence = [], [], []
    pulls, oddness = np.zeros(len(used)), np.zeros(len(used))
    kept = []
    for multiple in _CHANCES:
        chances = multiple**2 * chance
        covariance = shared + doubt + own * np.einsum("as,s,bs->ab", maps, chances, maps)
        target = _TARGETS @ np.diag(before + chances) @ _TARGETS.T
        log_prior = -0.5 * (math.log(multiple) / _CHANCE_SPREAD) ** 2
        if len(values):
            factor = cho_factor(covariance, lower=True)
            solved = cho_solve(factor, values)
            gain = cho_solve(factor, across.T)
            means.append(_TARGETS @ guess + across @ solved)
            variances.append(np.diag(target) - np.einsum("ta,at->t", across, gain))
            log_prior -= 0.5 * float(values @ solved) + float(np.log(np.diag(factor[0])).sum())
            kept.append(_without_each(factor, solved, gain[:, _FINISHED], of_pair, len(used)))
        else:
            means.append(_TARGETS @ guess)
            variances.append(np.diag(target))
        evidence.append(log_prior)
    weights = np.exp(np.array(evidence) - max(evidence))
    weights /= weights.sum()
    for weight, (pull, odd) in zip(weights, kept, strict=False):
        pulls += weight * pull
        oddness += weight * odd
    found = [
        LogRatio(np.array(m), np.sqrt(np.array(v)), weights)
        for m, v in zip(np.array(means).T, np.array(variances).T, strict=True)
    ]
    lessons = tuple(
        lesson_of(pair, float(pull), bool(odd < _ODD))
        for pair, pull, odd in zip(used, pulls, oddness, strict=True)
    )
    return Bloom(found[0], found[1], found[2], found[3], found[4], lessons)


def _without_each(
    factor: tuple[Floats, bool],
    solved: Floats,
    gain: Floats,
    of_pair: NDArray[np.int_],
    pairs: int,
) -> tuple[Floats, Floats]:
    """By how much each pair moves a target, and how likely each is, given all others.

    Leaving rows out of a normal regression needs only their part of the inverse covariance
    (Rasmussen and Williams, Gaussian Processes, 5.4.2).
    """
    inverse = cho_solve(factor, np.eye(len(solved)))
    pulls, likely = np.zeros(pairs), np.ones(pairs)
    for k in range(pairs):
        rows = np.flatnonzero(of_pair == k)
        # What the others foretell of these rows is off by this much, with covariance `spread`.
        spread = np.linalg.inv(inverse[np.ix_(rows, rows)])
        off = spread @ solved[rows]
        pulls[k] = float(gain[rows] @ off)
        likely[k] = float(chdtrc(len(rows), float(off @ solved[rows])))
    return pulls, likely


def _rows(pair: Pair) -> tuple[Floats, Floats, Floats]:
    """What a pair says of the steps: maps (k, 4), values (k,), covariance of their doubt (k, k).

    Every stage measured is compared with the first one; they have its doubt in common.
    """
    width = math.log(ply_factor(pair.plies))
    stages = (
        (pair.single_mm, np.array([0.0, 0.0, 0.0, 0.0]), 0.0),
        (pair.relaxed_mm, np.array([1.0, 0.0, 0.0, 0.0]), 0.0),
        (pair.plied_mm, np.array([0.0, 1.0, 0.0, 0.0]), width),
        (pair.washed_mm, np.array([0.0, 1.0, 1.0, 0.0]), width),
    )
    known = [(size, place, offset) for size, place, offset in stages if size is not None]
    maps, values, noise = [], [], []
    variances = np.array([size.log_variance for size, _, _ in known])
    for number, (size, place, offset) in enumerate(known[1:], start=1):
        first, first_place, first_offset = known[0]
        maps.append(place - first_place)
        values.append(size.log - offset - (first.log - first_offset))
        signs = np.zeros(len(known) + 1)
        signs[0], signs[number] = -1, 1
        noise.append(signs)
    grist = 0.0
    if pair.tex is not None and pair.washed_mm is not None:
        grist = pair.tex.log_variance
        maps.append(np.array([0.0, 0.0, 0.0, 1.0]))
        values.append(math.log(4 * pair.tex.value / (1000 * math.pi)) - 2 * pair.washed_mm.log)
        signs = np.zeros(len(known) + 1)
        signs[len(known) - 1], signs[-1] = -2, 1
        noise.append(signs)
    if not maps:
        return np.empty((0, 4)), np.empty(0), np.empty((0, 0))
    signs_of = np.array(noise)
    # A floor, so that sizes given without doubt leave the sums solvable.
    every = np.append(variances, grist) + 1e-8
    return np.array(maps), np.array(values), (signs_of * every) @ signs_of.T


def _alike(a: Pair, b: Pair) -> tuple[float, float, float]:
    """How alike two skeins are: in general, by method, by fibre; 0 to 1."""
    same = a.method == b.method
    method = 0.5 * same + 0.5 * (same and a.plies == b.plies)
    return 1.0, method, fibres_alike(a.fibre, b.fibre)


def fibres_alike(one: str, other: str) -> float:
    """Share of the words of two descriptions that both have; fibres nobody named are alike."""
    a, b = _words(one), _words(other)
    return len(a & b) / len(a | b)


def _words(text: str) -> frozenset[str]:
    plain = unicodedata.normalize("NFKC", text).casefold()
    words = frozenset(re.findall(r"[^\W\d_]+", plain)) - _EMPTY_WORDS
    return words or frozenset({""})


def lesson_of(pair: Pair, pull: float = 0.0, stands_apart: bool = False) -> Lesson:
    """A pair's own figures; alone, what it would say, with no pull on any plan."""
    width = ply_factor(pair.plies)
    single, plied, washed = pair.single_mm, pair.plied_mm, pair.washed_mm
    density = None
    if pair.tex is not None and washed is not None:
        density = 4 * pair.tex.value / (1000 * math.pi * washed.value**2)
    return Lesson(
        pair=pair,
        ply_percent=_over(plied, single, width),
        wash_percent=_over(washed, plied, 1.0),
        finished_percent=_over(washed, single, width),
        density_g_per_cm3=density,
        pull_percent=100 * math.expm1(pull),
        stands_apart=stands_apart,
    )


def _over(after: Known | None, before: Known | None, width: float) -> float | None:
    if after is None or before is None:
        return None
    return 100 * (after.value / (width * before.value) - 1)
