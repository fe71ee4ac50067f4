"""Cuts of a lane by strand and ground, all of them fitted at once under one light."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.beside import dimmed
from measure.curve_table import Tables, make_tables
from measure.cut_fit import SURE_STEP, EdgePairs, fit_cuts
from measure.cut_samples import Pools, Samples, bends, even_pools, pools_by_bend
from measure.medians import median, quantile
from measure.profiles import Cuts
from measure.shading import XI_MAX, Curves, Light, Rim, aspect, grid, light_up, outline, steps_for

Floats = NDArray[np.float64]

_FINE: Final = 48
"""Steps per half width, at least, for placing edges."""
_UNSURE: Final = 3.1
_SURE: Final = 1.35
"""Half widths are looked for up to this many times wider or narrower than their start."""
_FIRST_SAMPLES: Final = 5
"""Samples to a half width that suffice for a first look, under a light not seen in this lane,"""
_FIRST_SURE: Final = 0.03
"""and the step, in half widths, after which its edges are good enough."""
_LEAST_LEFT: Final = 1e-3
_AT_ONCE: Final = 240
"""Cuts gathered together: what is worked out on the way stays in the processor's cache."""
_FIRST_LOOKS: Final = 8
_LOOKS: Final = 5


@dataclass(frozen=True, eq=False)
class CutGroup:
    """Cuts of one strand on one ground, and where their edges are looked for."""

    cuts: Cuts
    index: NDArray[np.int_]
    """(m,) which of the cuts."""
    half_width_mm: Floats
    """(m,) start."""
    middle_mm: Floats
    """(m,)"""
    blur_mm: float
    rim: Rim

    @property
    def typical_mm(self) -> float:
        """Typical half width."""
        return median(self.half_width_mm)


def fit_groups(
    groups: Sequence[CutGroup], light: Light, no_ground: bool, first: bool
) -> list[EdgePairs]:
    """Edges of every group's cuts; on a `first` look the light is guessed at or another lane's."""
    if not groups:
        return []
    halves = [group.typical_mm for group in groups]
    room = _UNSURE if first else _SURE
    tables = make_tables(
        _curves(groups, halves, light, no_ground),
        [
            (float(g.half_width_mm.min()) / room, float(g.half_width_mm.max()) * room)
            for g in groups
        ],
        [group.blur_mm for group in groups],
        [group.rim.softness for group in groups],
    )
    sizes = [len(group.index) for group in groups]
    ends = [0, *itertools.accumulate(sizes)]
    pairs = fit_cuts(
        tables,
        np.repeat(np.arange(len(groups)), sizes),
        _samples(groups, halves, light, no_ground, tables, first),
        np.concatenate([group.half_width_mm for group in groups]),
        np.concatenate([group.middle_mm for group in groups]),
        _FIRST_LOOKS if first else _LOOKS,
        _FIRST_SURE if first else SURE_STEP,
    )
    return [pairs.some(slice(*pair)) for pair in itertools.pairwise(ends)]


def _samples(
    groups: Sequence[CutGroup],
    half_mm: Sequence[float],
    light: Light,
    no_ground: bool,
    tables: Tables,
    first: bool,
) -> Samples:
    """What all groups' cuts show, one group after the other.

    What other strands take from the ground under that light is made up for.
    """
    bend = None if first else bends(tables, np.array(half_mm))
    strands: list[tuple[Cuts, NDArray[np.int_], Pools]] = []
    for number, group in enumerate(groups):
        # The grounds of one strand go together.
        if number and group.cuts is groups[number - 1].cuts:
            continue
        same = [k for k, other in enumerate(groups) if other.cuts is group.cuts]
        index = np.concatenate([groups[k].index for k in same])
        half, middle = (
            median(np.concatenate(values))
            for values in zip(
                *((groups[k].half_width_mm, groups[k].middle_mm) for k in same), strict=True
            )
        )
        few = group.cuts.u_mm[index[:: max(1, len(index) // 16)]]
        u = few.mean(axis=0)
        near = np.flatnonzero(np.abs(u) < XI_MAX * half)
        within = slice(int(near[0]), int(near[-1]) + 1)
        if bend is None:
            # Where a picture lies just so, two pixels are equally far off: not the least step.
            step = quantile(np.diff(few[0]), 0.25)
            pools = even_pools(within, int(half / (_FIRST_SAMPLES * step)))
        else:
            xi = (u[within] - middle) / half
            pools = pools_by_bend(within, xi, tables.grid.xi, bend[same].max(axis=0))
        strands.append((group.cuts, index, pools))

    count = sum(len(index) for _, index, _ in strands)
    channels = len(groups[0].cuts.light)
    longest = max(pools.count for _, _, pools in strands)
    values = np.empty((2 + channels, count, longest), np.float32)
    end = 0
    for cuts, all_of, pools in strands:
        for some in range(0, len(all_of), _AT_ONCE):
            index = all_of[some : some + _AT_ONCE]
            start, end = end, end + len(index)
            mine = values[:, start:end]
            planes = (cuts.weight, cuts.u_mm, *cuts.light)
            own = np.empty((len(planes), len(index), cuts.u_mm.shape[1]), np.float32)
            # (Clipping lets NumPy fill the room itself; no number is out of range.)
            for plane, room in zip(planes, own, strict=True):
                plane.take(index, axis=0, out=room, mode="clip")
            pools.put(own, mine)
            if cuts.others_mm.shape[1] and not no_ground:
                left = dimmed(light, mine[1], cuts.others_mm[index], cuts.view_tan[index])
                # Below another strand nothing may be left; those samples do not count.
                mine[2:] /= np.maximum(left, np.float32(_LEAST_LEFT))
    return Samples(
        values,
        np.concatenate([cuts.level[index] for cuts, index, _ in strands]),
        np.concatenate([cuts.noise[index] for cuts, index, _ in strands]),
    )


def _curves(
    groups: Sequence[CutGroup], half_mm: Sequence[float], light: Light, no_ground: bool
) -> Curves:
    """The model's curves for every group, which are `half_mm` wide to either side."""
    steps = [steps_for(half, g.blur_mm, _FINE) for half, g in zip(half_mm, groups, strict=True)]
    lit = light_up(
        np.concatenate([light.on(group.rim).row for group in groups]),
        np.array([group.rim.rise for group in groups]),
        aspect(np.array([g.cuts.view_tan[g.index].mean() for g in groups]), grid(max(steps))),
        np.array([g.cuts.level[g.index].mean() for g in groups]),
        no_ground,
    )
    return outline(lit, np.concatenate([group.rim.row for group in groups]))
