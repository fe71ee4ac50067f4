"""Which bobbins to ply together, and from which end, for the evenest yarn.

Plies lying side by side add their diameters: the mean width of n touching round plies is
(1 + n/pi) times their mean diameter (Cauchy's theorem on the hull; of two plies 1.637 d, of three
1.955 d), to first order also where they differ a little. So the drift of a plied yarn is the mean
of its plies' drifts at the places that meet, and a bobbin that grew thicker goes well with one
that grew thinner. A bobbin comes off in the reverse of how it went on; rewound, it comes off as
it was spun.

The unevenness counted is the mean square departure of the plied yarn, over its whole length and
all skeins, from the mean of the bobbins plied. Plies of unequal length are plied until one runs
out; the ends left over are reckoned as plied by themselves (chain-plied), which averages nothing,
with a little on top, and so is each rewinding. That makes the sum a sum over groups, and the best
and the worst are found exactly: every group with every choice of ends is weighed, the best
division into groups is built up over sets of bobbins, and where bobbins are too many for full
groups every choice of those that stay out is tried. For k bobbins and n plies these are
C(k, n) 2^n groups and at most 2^k sets: some thousands for twelve bobbins.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from measure.bobbin_profile import Profiles
from measure.ply_geometry import ply_factor
from measure.results import Floats, Interval
from measure.yarn import wpi_from_diameter

MOST_BOBBINS: Final = 12
"""Up to this many bobbins the best division is found exactly."""

MOST_PLIES: Final = 6

REWINDING_PERCENT: Final = 2.0
"""A rewinding is worth its trouble when it takes more than this off a bobbin's departure (ours)."""

LEFT_OVER_PERCENT: Final = 2.0
"""Departure that yarn left over is charged beside its own (ours)."""

_CELLS: Final = 48
_QUANTILES: Final = ndtri((np.arange(401) + 0.5) / 401)


@dataclass(frozen=True)
class End:
    """A bobbin as it is put on the rack."""

    name: str
    rewound: bool
    """False: as it comes off, the last spun first. True: rewound, the first spun first."""

    def __str__(self) -> str:
        return f"{self.name} rewound" if self.rewound else self.name


@dataclass(frozen=True)
class PlyGroup:
    """Bobbins plied together."""

    ends: tuple[End, ...]
    diameter_mm: Floats
    """Predicted drift of the plied yarn from its beginning, in cells of equal length, (n,)."""
    length: float
    """In the unit of the bobbins' lengths, without take-up."""


@dataclass(frozen=True)
class Plying:
    """One way to divide the bobbins, and what it would give."""

    groups: tuple[PlyGroup, ...]
    left_over: tuple[str, ...]
    """Bobbins in no group."""
    left_over_share: float
    """Share of all that was spun that no group uses: whole bobbins and ends."""
    drift_percent: float
    """CV of the plied yarn from drift alone: what pairing can change."""
    cv_percent: float
    """CV of the plied yarn at the length of a reading: drift and the plies' own scatter."""
    wpi_interval: Interval
    """What 95 % of the plied yarn lies between, as laid by geometry, before washing."""
    cost: float
    """Mean square relative departure with what rewinding and leftovers are charged."""

    def __str__(self) -> str:
        return "; ".join(" + ".join(str(end) for end in group.ends) for group in self.groups)


@dataclass(frozen=True)
class Pairing:
    """The best, the worst and the spinner's own way to ply some bobbins."""

    plies: int
    best: Plying
    worst: Plying
    own: Plying
    own_given: bool
    """False: nobody said, and `own` takes them in order, as they come off."""
    sentence: str


def recommend_pairing(
    profiles: Profiles,
    plies: int,
    *,
    own: Sequence[Sequence[End]] | None = None,
    may_rewind: bool = True,
    wrap_factor: float = 1.0,
) -> Pairing:
    """The best way to ply these bobbins, beside the worst and the spinner's own.

    `own` are the spinner's groups; without it bobbins are taken in the order given, as they come
    off. `wrap_factor` is that of the spinner's wraps. ValueError for fewer bobbins than plies,
    for more than `MOST_BOBBINS`, for two of the same name, and for groups of the spinner's own
    that are not of these bobbins.
    """
    names = [bobbin.name for bobbin in profiles.bobbins]
    if not 2 <= plies <= MOST_PLIES:
        raise ValueError(f"plying takes 2 to {MOST_PLIES} plies, not {plies}")
    if len(set(names)) != len(names):
        raise ValueError("two bobbins have the same name")
    if not plies <= len(names) <= MOST_BOBBINS:
        raise ValueError(f"{plies} plies need {plies} to {MOST_BOBBINS} bobbins, not {len(names)}")
    own_given = own is not None
    if own is None:
        own = [
            [End(name, False) for name in names[at : at + plies]]
            for at in range(0, len(names) - plies + 1, plies)
        ]
    used = [end.name for group in own for end in group]
    if (
        len(set(used)) != len(used)
        or not set(used) <= set(names)
        or {len(g) for g in own} != {plies}
    ):
        raise ValueError(
            f"your own groups must each name {plies} of the bobbins, none of them twice"
        )

    table = _Table(profiles, plies, may_rewind)
    best_cost, worst_cost = math.inf, -math.inf
    best: list[tuple[End, ...]] = []
    worst = best
    for kept in itertools.combinations(range(len(names)), len(names) - len(names) % plies):
        cost, division = table.divide(kept, worst=False)
        if cost < best_cost:
            best_cost, best = cost, division
        cost, division = table.divide(kept, worst=True)
        if cost > worst_cost:
            worst_cost, worst = cost, division
    found = (
        table.plying(best, wrap_factor),
        table.plying(worst, wrap_factor),
        table.plying([tuple(group) for group in own], wrap_factor),
    )
    return Pairing(plies, *found, own_given, _sentence(*found, own_given))


class _Table:
    """Bobbins cut into common cells, and what every group of them costs.

    A bobbin's ends are numbered: twice its place as it comes off, and one more rewound. Diameters
    are told as departures x from the mean of all bobbins. Of bobbins whose own mean departs by m
    they are (x - m)/(1 + m), so that sums of x and of its square over a group's cells give the
    group's cost whichever bobbins are plied beside it.
    """

    def __init__(self, profiles: Profiles, plies: int, may_rewind: bool) -> None:
        self.plies = plies
        doubt = math.fsum(b.u_percent**2 for b in profiles.bobbins) / len(profiles.bobbins)
        # What the drift is not known to be varies too, as far as anyone can tell.
        self.scatter = math.hypot(profiles.scatter_percent, math.sqrt(doubt)) / 100
        self.names = tuple(bobbin.name for bobbin in profiles.bobbins)
        self.lengths = [bobbin.length for bobbin in profiles.bobbins]
        self.cell = max(self.lengths) / _CELLS
        spun = [bobbin.in_cells(self.cell) for bobbin in profiles.bobbins]
        self.cells = np.array([len(cells) for cells in spun])
        self.mean_mm = float(np.concatenate(spun).mean())
        # In the order the yarn leaves the rack, 0 past its end.
        self.off = np.zeros((2 * len(spun), int(self.cells.max())))
        for bobbin, cells in enumerate(spun):
            departures = cells / self.mean_mm - 1
            self.off[2 * bobbin, : len(cells)] = departures[::-1]
            self.off[2 * bobbin + 1, : len(cells)] = departures
        # Sums over the first cells, for each number of cells, of ends and of products of two.
        before = np.zeros((len(self.off), 1))
        self.sums = np.hstack([before, np.cumsum(self.off, axis=1)])
        products = np.cumsum(self.off[:, np.newaxis, :] * self.off[np.newaxis, :, :], axis=2)
        self.products = np.concatenate([np.zeros((*products.shape[:2], 1)), products], axis=2)
        members = np.array(list(itertools.combinations(range(len(spun)), plies)))
        turns = np.array(list(itertools.product((0, 1) if may_rewind else (0,), repeat=plies)))
        self.ends = 2 * members[:, np.newaxis, :] + turns
        """Of every group with every turn, (groups, turns, plies)."""
        self.sets = (1 << members).sum(axis=1)
        """Each group as a set of bobbins, one bit each."""
        self.group_sums = self.sums_of(self.ends)

    def sums_of(self, ends: NDArray[np.int_]) -> tuple[Floats, Floats, Floats, Floats]:
        """Of groups of ends (..., n): squares, values, cells, and what is charged beside, (...).

        Ends left over count as plied by themselves: so many of their cells as there are plies
        make one of the plied yarn.
        """
        n = self.plies
        cells = self.cells[ends // 2]
        plied = cells.min(axis=-1)
        two = (ends[..., :, np.newaxis], ends[..., np.newaxis, :])
        squares = self.products[(*two, plied[..., np.newaxis, np.newaxis])].sum(axis=(-2, -1))
        values = self.sums[ends, plied[..., np.newaxis]]
        own = self.products[ends, ends, plied[..., np.newaxis]]
        left = cells - plied[..., np.newaxis]
        all_squares = squares / n**2 + (self.products[ends, ends, -1] - own).sum(axis=-1) / n
        # Of the plied cells and of the left over ones alike: each ply's value counts one nth.
        all_values = values.sum(axis=-1) / n + (self.sums[ends, -1] - values).sum(axis=-1) / n
        all_cells = plied + left.sum(axis=-1) / n
        charged = left.sum(axis=-1) / n * (LEFT_OVER_PERCENT / 100) ** 2
        return all_squares, all_values, all_cells, charged

    def trouble(self, ends: NDArray[np.int_]) -> Floats:
        """What the rewindings of groups of ends (..., n) are charged."""
        rewound = (self.cells[ends // 2] * (ends % 2)).sum(axis=-1)
        charged: Floats = rewound / self.plies * (REWINDING_PERCENT / 100) ** 2
        return charged

    def mean_of(self, kept: Sequence[int]) -> float:
        """Departure of these bobbins' mean from that of all."""
        total = sum(float(self.sums[2 * bobbin, -1]) for bobbin in kept)
        return total / float(self.cells[list(kept)].sum())

    def cost(self, sums: tuple[Floats, Floats, Floats, Floats], mean: float) -> Floats:
        """Square departures summed over groups, from a mean, with what is charged beside."""
        squares, values, cells, charged = sums
        about: Floats = (squares - 2 * mean * values + mean**2 * cells) / (1 + mean) ** 2 + charged
        return about

    def divide(self, kept: Sequence[int], *, worst: bool) -> tuple[float, list[tuple[End, ...]]]:
        """The division of these bobbins into groups whose cost is least, or most, and that cost.

        Exact: the cost of a set of bobbins still to divide is that of its first bobbin's group
        and of the rest. What rewinding is charged counts for nothing in the worst.
        """
        everything = sum(1 << bobbin for bobbin in kept)
        inside = np.flatnonzero(self.sets & ~everything == 0)
        sums = tuple(part[inside] for part in self.group_sums)
        costs = self.cost((sums[0], sums[1], sums[2], sums[3]), self.mean_of(kept))
        if not worst:
            costs = costs + self.trouble(self.ends[inside])
        turns = costs.argmax(axis=1) if worst else costs.argmin(axis=1)
        rows = range(len(inside))
        chosen_costs = costs[rows, turns].tolist()
        chosen_ends = self.ends[inside, turns].tolist()
        groups = dict(
            zip(
                self.sets[inside].tolist(), zip(chosen_costs, chosen_ends, strict=True), strict=True
            )
        )
        found: dict[int, tuple[float, int]] = {0: (0.0, 0)}

        def divided(left: int) -> float:
            """Cost of dividing the bobbins in the set `left`."""
            if left not in found:
                first = left & -left
                others = [1 << m for m in kept if (1 << m) & left & ~first]
                options = []
                for mates in itertools.combinations(others, self.plies - 1):
                    group = first + sum(mates)
                    options.append((groups[group][0] + divided(left - group), group))
                found[left] = max(options) if worst else min(options)
            return found[left][0]

        cost = divided(everything) / self.yarn_cells(kept)
        division: list[tuple[End, ...]] = []
        left = everything
        while left:
            taken = found[left][1]
            division.append(tuple(End(self.names[e // 2], bool(e % 2)) for e in groups[taken][1]))
            left -= taken
        return cost, division

    def yarn_cells(self, kept: Sequence[int]) -> float:
        """Cells of plied yarn that these bobbins would make."""
        return float(self.cells[list(kept)].sum()) / self.plies

    def plying(self, groups: Sequence[tuple[End, ...]], wrap_factor: float) -> Plying:
        """What a division into groups gives."""
        ends = np.array(
            [[2 * self.names.index(end.name) + end.rewound for end in group] for group in groups]
        )
        kept = sorted({int(bobbin) for bobbin in (ends // 2).ravel()})
        joined = [self.off[e][:, : self.cells[e // 2].min()].mean(axis=0) for e in ends]
        plied = np.concatenate(joined)
        about = plied - plied.mean()
        drift = math.sqrt(float(about @ about) / len(plied)) / (1 + float(plied.mean()))
        scatter = self.scatter / math.sqrt(self.plies)
        wide_mm = ply_factor(self.plies) * self.mean_mm
        spread = np.add.outer(1 + plied, scatter * _QUANTILES).ravel()
        thin, thick = (float(q) for q in np.quantile(spread, (0.025, 0.975)))
        cost = self.cost(self.sums_of(ends), self.mean_of(kept)) + self.trouble(ends)
        used = self.plies * len(plied) * self.cell
        return Plying(
            groups=tuple(
                PlyGroup(group, wide_mm * (1 + mean), len(mean) * self.cell)
                for group, mean in zip(groups, joined, strict=True)
            ),
            left_over=tuple(name for k, name in enumerate(self.names) if k not in kept),
            left_over_share=max(1 - used / math.fsum(self.lengths), 0.0),
            drift_percent=100 * drift,
            cv_percent=100 * math.hypot(drift, scatter),
            wpi_interval=(
                wpi_from_diameter(wide_mm * thick, wrap_factor),
                wpi_from_diameter(wide_mm * thin, wrap_factor),
            ),
            cost=float(cost.sum()) / self.yarn_cells(kept),
        )


# --- in words ---------------------------------------------------------------------------------


def _sentence(best: Plying, worst: Plying, own: Plying, own_given: bool) -> str:
    if worst.cv_percent - best.cv_percent < _NO_MATTER_PERCENT:
        return (
            f"it makes no difference which are plied together: {_range(best)}, whatever you choose"
        )
    if own.cv_percent - best.cv_percent < _NO_MATTER_PERCENT:
        choice = "your own choice" if own_given else "taking them in order"
        return f"{choice} is as even as any: {_range(own)} (at worst {_range(worst)})"
    as_is = "as you have it" if own_given else "taken in order"
    return f"ply {best}: {_range(best)}; {as_is} {_range(own)}; at worst {_range(worst)}"


_NO_MATTER_PERCENT: Final = 0.2
"""CVs that differ by less than this nobody can tell apart (ours)."""


def _range(plying: Plying) -> str:
    coarse, fine = plying.wpi_interval
    decimals = 0 if fine - coarse >= 2 else 1
    return f"{coarse:.{decimals}f} to {fine:.{decimals}f} WPI, CV {plying.cv_percent:.1f} %"
