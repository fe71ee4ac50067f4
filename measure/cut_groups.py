"""Cuts of a lane by strand and ground, all of them fitted at once under one light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.beside import dimmed, others_at
from measure.curve_table import make_tables
from measure.cut_fit import SURE_STEP, EdgePairs, fit_cuts
from measure.cut_samples import Samples, joined, pooled, thinned
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
"""Samples to a half width that suffice for a first look, whose light is not known yet,"""
_FIRST_SURE: Final = 0.03
"""and the step, in half widths, after which its edges are good enough."""
_LEAST_LEFT: Final = 1e-3
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
    """Edges of every group's cuts; on a `first` look the light is only guessed at."""
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
    all_samples: list[Samples] = []
    for number, (group, half) in enumerate(zip(groups, halves, strict=True)):
        samples = _samples(group, light, no_ground, half)
        if first:
            # Where a picture lies just so, two pixels are equally far off: not the least step.
            step = quantile(np.diff(samples.u_mm[0]), 0.25)
            samples = thinned(samples, int(half / (_FIRST_SAMPLES * step)))
        else:
            samples = pooled(samples, tables, number, half, median(group.middle_mm))
        all_samples.append(samples)
    sizes = [len(group.index) for group in groups]
    pairs = fit_cuts(
        tables,
        np.repeat(np.arange(len(groups)), sizes),
        joined(all_samples),
        np.concatenate([group.half_width_mm for group in groups]),
        np.concatenate([group.middle_mm for group in groups]),
        _FIRST_LOOKS if first else _LOOKS,
        _FIRST_SURE if first else SURE_STEP,
    )
    ends = np.cumsum([0, *sizes]).tolist()
    return [pairs.some(slice(ends[i], ends[i + 1])) for i in range(len(groups))]


def _samples(group: CutGroup, light: Light, no_ground: bool, half_width_mm: float) -> Samples:
    """What a group's cuts show about a strand of that half width, as far as curves reach.

    What other strands take from the ground under that light is made up for.
    """
    cuts, index = group.cuts, group.index
    u = cuts.u_mm[index]
    shown = cuts.light[index]
    if cuts.others_mm.shape[1] and not no_ground:
        others = others_at(u, cuts.others_mm[index], cuts.view_tan[index])
        # Below another strand nothing may be left; those samples do not count.
        left = np.maximum(dimmed(light, others), _LEAST_LEFT)
        shown = shown / left.astype(np.float32)[:, None]
    return Samples(
        u,
        shown,
        cuts.weight[index] * (np.abs(u) < XI_MAX * half_width_mm),
        cuts.level[index],
        cuts.noise[index],
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
