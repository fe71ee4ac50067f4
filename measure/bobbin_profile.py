"""Thickness along a bobbin as it was spun: the drift that readings show, freed of their scatter.

Readings say what was under them; between them the yarn scatters anew. Pairing bobbins by raw
readings would be pairing by chance. So the logarithm of diameter is taken as a slow wander (a
random walk along the yarn) under independent scatter, both variances found by restricted maximum
likelihood over all bobbins of one spinner together, and the profile is the wander's best
estimate: a smoothing spline whose smoothness the readings themselves decide. Readings that show
no wander give flat profiles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from measure.drift import ReadingPoint
from measure.results import Floats

CELLS: Final = 48
"""Cells of equal length that a profile is given in."""

_MOST_BLOCKS: Final = 60
"""More readings than this are averaged in blocks of neighbours first."""

_WANDERS: Final = (0.0, *np.geomspace(1e-2, 1e4, 43).tolist())
"""Tried ratios of the wander's variance over a mean bobbin to the scatter's."""


@dataclass(frozen=True)
class BobbinProfile:
    """One bobbin as spun, its beginning first, in cells of equal length."""

    name: str
    length: float
    """In any unit, the same for all bobbins."""
    diameter_mm: Floats
    """Drift of the diameter, one value per cell, (n,)."""
    u_percent: float
    """Doubt of that drift, root mean square along the bobbin."""

    def __post_init__(self) -> None:
        if not (self.length > 0 and len(self.diameter_mm) and np.all(self.diameter_mm > 0)):
            raise ValueError(f"bobbin {self.name} needs a length and diameters above 0")

    def in_cells(self, cell: float) -> Floats:
        """Mean diameters from the beginning over as many equal cells as are near this length."""
        n = len(self.diameter_mm)
        count = max(1, round(self.length / cell))
        total = np.concatenate([[0.0], np.cumsum(self.diameter_mm)]) / n
        means: Floats = np.diff(np.interp(np.linspace(0, n, count + 1), np.arange(n + 1), total))
        return means * count


@dataclass(frozen=True)
class Profiles:
    """Bobbins as spun, and how much their yarn scatters about them."""

    bobbins: tuple[BobbinProfile, ...]
    scatter_percent: float
    """Standard deviation from one reading's place to the next beyond drift and doubt."""


def profiles_of(
    bobbins: Mapping[str, Sequence[ReadingPoint]], net_g: Mapping[str, float] | None = None
) -> Profiles:
    """Profiles of bobbins from readings in the order taken, one or more of each.

    Where every reading of every bobbin has its grams, they set its place: yarn of one packing has
    a length in proportion to mass over diameter squared. A bobbin then ends at its net weight in
    `net_g` when given, else half a gap after its last reading. Where grams are missing, readings
    are taken to be spread evenly and all bobbins to be equally long, unless `net_g` has all.
    """
    if not bobbins or not all(len(readings) for readings in bobbins.values()):
        raise ValueError("a bobbin's profile needs at least one reading")
    weighed = all(_rising(readings) for readings in bobbins.values())
    net = net_g or {}
    runs: list[_Run] = []
    for name, readings in bobbins.items():
        y = np.array([r.log_diameter for r in readings])
        own = float(np.mean([r.u_own**2 for r in readings]))
        if weighed:
            place, length = _places_by_mass(readings, net.get(name))
        else:
            place = (np.arange(len(y)) + 0.5) / len(y)
            per_g = float(np.mean(np.exp(-2 * y)))
            length = net[name] * per_g if all(n in net for n in bobbins) else 1.0
            place = place * length
        runs.append(_blocks(name, place, y, length, own))
    ratio, scatter = _wander(runs)
    # What the wander may do is told per length, so long bobbins may drift more.
    mean_length = float(np.mean([run.length for run in runs]))
    smoothed = tuple(_smooth(run, ratio / mean_length, scatter) for run in runs)
    own = float(np.average([run.own for run in runs], weights=[run.total for run in runs]))
    return Profiles(smoothed, 100 * math.sqrt(max(scatter - own, 0.0)))


def _rising(readings: Sequence[ReadingPoint]) -> bool:
    grams = [r.spun_g for r in readings]
    if any(g is None for g in grams):
        return False
    weights = np.array(grams, dtype=np.float64)
    return bool(weights[0] >= 0 and weights[-1] > 0 and np.all(np.diff(weights) >= 0))


def _places_by_mass(readings: Sequence[ReadingPoint], net_g: float | None) -> tuple[Floats, float]:
    """Length spun at each reading, and in all, in g/mm2."""
    grams = np.array([r.spun_g for r in readings], dtype=np.float64)
    per_g = np.array([r.diameter_mm for r in readings]) ** -2
    gaps = np.diff(grams)
    between = gaps * (per_g[1:] + per_g[:-1]) / 2
    place = grams[0] * per_g[0] + np.concatenate([[0.0], np.cumsum(between)])
    last = float(gaps.mean()) / 2 if len(gaps) else float(grams[0])
    left = last if net_g is None else max(net_g - float(grams[-1]), 0.0)
    return place, float(place[-1] + left * per_g[-1])


@dataclass(frozen=True)
class _Run:
    """One bobbin's readings, or means of neighbours, along it."""

    name: str
    place: Floats
    y: Floats
    count: Floats
    """Readings behind each value."""
    length: float
    own: float
    """Mean variance of one reading by itself."""

    @property
    def total(self) -> float:
        return float(self.count.sum())


def _blocks(name: str, place: Floats, y: Floats, length: float, own: float) -> _Run:
    parts = np.array_split(np.arange(len(y)), min(len(y), _MOST_BLOCKS))
    return _Run(
        name=name,
        place=np.array([place[part].mean() for part in parts]),
        y=np.array([y[part].mean() for part in parts]),
        count=np.array([float(len(part)) for part in parts]),
        length=length,
        own=own,
    )


def _wander(runs: Sequence[_Run]) -> tuple[float, float]:
    """Ratio of variances over a mean length, and the scatter's variance, by REML.

    A flat likelihood (few readings) keeps to the smallest wander.
    """
    freedom = sum(len(run.y) - 1 for run in runs)
    if freedom < 1:
        return 0.0, 0.0
    mean_length = float(np.mean([run.length for run in runs]))
    best, chosen, variance = -math.inf, 0.0, 0.0
    for ratio in _WANDERS:
        likelihood, squares = 0.0, 0.0
        for run in runs:
            factor = cho_factor(_covariance(run, ratio / mean_length), lower=True)
            ones = cho_solve(factor, np.ones(len(run.y)))
            level = float(ones @ run.y) / float(ones.sum())
            about = run.y - level
            squares += float(about @ cho_solve(factor, about))
            likelihood -= float(np.log(np.diag(factor[0])).sum())
            likelihood -= math.log(float(ones.sum())) / 2
        squares = max(squares, 1e-12 * freedom)
        likelihood -= freedom / 2 * math.log(squares)
        if likelihood > best + 1e-9:
            best, chosen, variance = likelihood, ratio, squares / freedom
    return chosen, variance


def _covariance(run: _Run, per_length: float) -> Floats:
    """Of the values, in units of the scatter's variance: scatter and random walk, (n, n)."""
    walk: Floats = per_length * np.minimum.outer(run.place, run.place)
    return walk + np.diag(1 / run.count)


def _smooth(run: _Run, per_length: float, scatter: float) -> BobbinProfile:
    """The wander's best linear unbiased estimate at the middles of the cells, and its doubt."""
    at = (np.arange(CELLS) + 0.5) / CELLS * run.length
    factor = cho_factor(_covariance(run, per_length), lower=True)
    ones = cho_solve(factor, np.ones(len(run.y)))
    information = float(ones.sum())
    level = float(ones @ run.y) / information
    across = per_length * np.minimum.outer(at, run.place)
    fitted = level + across @ cho_solve(factor, run.y - level)
    gain = cho_solve(factor, across.T)
    left = per_length * at - np.einsum("ij,ji->i", across, gain)
    of_level = (1 - gain.sum(axis=0)) ** 2 / information
    return BobbinProfile(
        name=run.name,
        length=run.length,
        diameter_mm=np.exp(fitted),
        u_percent=100 * math.sqrt(max(float((left + of_level).mean()) * scatter, 0.0)),
    )
