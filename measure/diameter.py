"""Diameters of the strands of one region: light once, edges per cut, each ground on its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.bits import shows_in_bits
from measure.cut_fit import EdgePairs
from measure.cut_groups import CutGroup, fit_groups
from measure.light_fit import LightFit, MeanProfile, fit_light, refit_light
from measure.lining_up import (
    Edges,
    Lines,
    as_before,
    carried,
    find_lines,
    mean_profiles,
)
from measure.medians import median, medians
from measure.profiles import Cuts, beside_each_other
from measure.shading import (
    Light,
    Rim,
    core_half_width,
    halo_half_width,
    light_through,
    silhouette_radius_mm,
)

Floats = NDArray[np.float64]

_FIRST_LIGHT: Final = Light(0.5, 0.1, 0.0, 0.3, 0.6, 0.2, 0.85)
_FIRST_RIM: Final = Rim(1.03, 0.05, 0.0, 0.5)
_FUZZ_BIAS: Final = {"dark": (-0.038, 0.03), "light": (-0.016, 0.05), "open": (0.0, 0.0)}
"""What is to be added to the width of a fuzzy strand, and that per unit of scatter: fuzz close to
the core counts with it on a dark ground, where it is bright, as far as it was not taken for a face
that scatters. From fibre-built strands whose cover is known exactly (docs/accuracy.md)."""
_FUZZY: Final = 0.06
"""Halo from which a strand is fuzzy rather than smooth: half of what it is to be corrected by."""
_MUCH_FUZZ: Final = 0.3
"""Halo at which half of that is gone again: what covers so much is less of a doubtful edge than a
cover of its own, which the halo then takes up. From drawn hairy strands (ours)."""
_CORE_BEYOND: Final = 0.1
"""How far beyond the hard edge, in half widths, soft edge and fuzz cover half of the ground where
half of that way is believed: hairs come out of the body in places, rather than lie across it at
random, until they are many. From drawn and fibre-built hairy strands (ours)."""
_RELIEF_BIAS: Final = -1.1
"""What is to be added to a width per unit of hard lamp and soft rim, as far as the picture's own
blur lets that be seen: the bumps of a rough strand catch the lamp beyond where a cylinder turns
away from it. From the same strands; nothing is added before an open lane with nothing behind it."""
_LEAST_LEVEL: Final = 0.02
"""Brightness that counts as black."""
_GROOVE_MISFIT: Final = 0.065
_GROOVE: Final = 0.082
_LIFTED_MISFIT: Final = 0.09
_FAR_BETTER: Final = 0.7
_FITS: Final = 2.0
"""Misfit per sample of a fit that leaves nothing to be explained."""
_MOST_ROUNDS: Final = 2
_LINED_UP: Final = 0.004
"""Cuts are lined up once more where the light moved their widths by more than this (relative)."""
_SUDDEN: Final = 0.2
"""Light changes from frame to frame by less than this in sky or lamp, or it is another light."""
_STILL_SUITS: Final = 1.5
_STILL_PLAIN: Final = 0.3
"""A frame is followed while its misfit is below this many times that of the last full fit, and
this much more."""
_FEWEST_CUTS: Final = 4
"""Of a ground that says anything."""


@dataclass(frozen=True)
class GroundDiameter:
    """What one ground said of one strand."""

    ground: str
    index: NDArray[np.int_]
    """(m,) which cuts."""
    diameter_mm: Floats
    """(m,)"""
    u_noise: Floats
    """(m,) relative, from noise."""
    middle_mm: Floats
    """(m,) of the outline, along u."""
    half_width_mm: Floats
    """(m,) of the outline's core in the card plane."""
    u_light: float
    """Relative, from the light and rim fitted."""
    strand_level: float
    """Brightness of the strand relative to white, mean over channels and cuts."""
    log_level: Floats
    """(m,) of each cut, logarithm."""
    contrast: float
    face_contrast: float
    """How much darker than the ground the strand is in the channel where it is most."""
    neutral: bool
    """As grey as a shadow: neither dyed nor nearly black."""
    black: bool
    misfit: float
    """Residual of the mean profile over its contrast."""
    core_misfit: float
    """The same over the inner part of the strand alone."""
    groove: float
    """Depth of a dip along its middle over its contrast."""


@dataclass(frozen=True)
class LaneSeen:
    """What one frame showed of a lane, for the next frame of the same lane to start from."""

    light: Light
    rims: tuple[Rim, ...]
    no_ground: bool
    flat: bool
    profiles: tuple[tuple[int, str], ...]
    """Strand and ground of every mean profile that was fitted."""
    edges: tuple[Edges, ...]
    """Of each of them, typically."""
    misfit: float
    """Mean squared residual per sample when the light was last looked for from nothing."""


@dataclass(frozen=True)
class StrandDiameter:
    """One strand's diameters by ground."""

    cuts: Cuts
    grounds: tuple[GroundDiameter, ...]
    rim: Rim
    light: Light
    halo_ratio: float
    flat: bool
    """Ink in the plane of the card: nothing shades or is shaded."""
    no_ground: bool
    """An open lane with nothing behind it for a shadow to fall on."""
    faint: bool
    """It stood out too little on every ground."""
    grooved: bool
    """Its face has a groove or a step all along, as two strands side by side have."""
    off_card: bool
    """Light ground looks as no strand lying on it would leave it: its shadow is elsewhere."""
    lane: LaneSeen | None = None
    """What the next frame may start from: the same for every strand of the region."""


def measure_diameters(
    all_cuts: list[Cuts],
    blur_mm: list[float],
    window: bool = False,
    known: Light | None = None,
    before: LaneSeen | None = None,
) -> list[StrandDiameter]:
    """Diameters of the strands of one region, whose light is estimated together.

    `window`: an open lane seen to be cut out, so that no shadow falls behind the strands.
    `known`: the light as another lane of the picture showed it.
    `before`: the `lane` of an earlier frame's results for this region. Where it still suits, the
    light is taken from there and only followed; where it does not, it is looked for anew.

    By turns: cuts can only be lined up for averaging once their edges are known, and edges only be
    placed once the light is.
    """
    if before is not None and len(before.rims) == len(all_cuts):
        followed = _follow(all_cuts, blur_mm, known, before)
        if followed is not None:
            return followed
    first = known or _FIRST_LIGHT
    starts = find_lines(all_cuts, blur_mm, first, [_FIRST_RIM] * len(all_cuts), window, None)
    all_cuts = beside_each_other(all_cuts, [start.typical for start in starts])
    profiles = mean_profiles(all_cuts, starts, blur_mm)
    if not profiles:
        return [
            StrandDiameter(c, (), _FIRST_RIM, _FIRST_LIGHT, 1.0, False, False, True, False, False)
            for c in all_cuts
        ]
    fit = _fit_lane(profiles, len(all_cuts), window, known)
    lined_up = known is not None and fit.moved(profiles) < _LINED_UP and not fit.contradicts(known)
    for _ in range(_MOST_ROUNDS):
        if lined_up:
            break
        starts = [
            carried(number, cuts, start, profiles, fit)
            for number, (cuts, start) in enumerate(zip(all_cuts, starts, strict=True))
        ]
        all_cuts = beside_each_other(all_cuts, [start.typical for start in starts])
        starts = find_lines(all_cuts, blur_mm, fit.light, fit.rims, fit.no_ground, starts)
        profiles = mean_profiles(all_cuts, starts, blur_mm) or profiles
        fit = refit_light(profiles, fit.light, fit.rims, fit.no_ground, fit.flat, known)
        lined_up = fit.moved(profiles) < _LINED_UP
    return _final(all_cuts, blur_mm, starts, profiles, fit, fit.misfit_per_sample)


def _follow(
    all_cuts: list[Cuts], blur_mm: list[float], known: Light | None, before: LaneSeen
) -> list[StrandDiameter] | None:
    """Diameters from where an earlier frame left off; None where that does not suit this one."""
    edges_before: list[dict[str, Edges]] = [{} for _ in all_cuts]
    for (number, ground), edges in zip(before.profiles, before.edges, strict=True):
        edges_before[number][ground] = edges
    old = [as_before(cuts, edges) for cuts, edges in zip(all_cuts, edges_before, strict=True)]
    starts = find_lines(all_cuts, blur_mm, before.light, before.rims, before.no_ground, old)
    all_cuts = beside_each_other(all_cuts, [start.typical for start in starts])
    profiles = mean_profiles(all_cuts, starts, blur_mm)
    if tuple((p.strand, p.ground) for p in profiles) != before.profiles:
        return None
    fit = refit_light(profiles, before.light, before.rims, before.no_ground, before.flat, known)
    sudden = np.abs(fit.light.row - before.light.row)[0, :2].max()
    if sudden > _SUDDEN or fit.misfit_per_sample > _STILL_SUITS * before.misfit + _STILL_PLAIN:
        return None
    return _final(all_cuts, blur_mm, starts, profiles, fit, before.misfit)


def _final(
    all_cuts: list[Cuts],
    blur_mm: list[float],
    starts: list[Lines],
    profiles: list[MeanProfile],
    fit: LightFit,
    misfit: float,
) -> list[StrandDiameter]:
    """Diameters under the light that was found; `misfit` is handed on to the next frame."""
    lane = LaneSeen(
        light=fit.light,
        rims=fit.rims,
        no_ground=fit.no_ground,
        flat=fit.flat,
        profiles=tuple((p.strand, p.ground) for p in profiles),
        edges=tuple(
            Edges(float(half), float(middle))
            for half, middle in zip(np.exp(fit.log_half_width), fit.middle_mm, strict=True)
        ),
        misfit=misfit,
    )
    groups: list[CutGroup] = []
    own: list[list[tuple[str, list[int]]]] = []
    for number, (cuts, start) in enumerate(zip(all_cuts, starts, strict=True)):
        start = carried(number, cuts, start, profiles, fit)
        mine = [i for i, p in enumerate(profiles) if p.strand == number]
        names = sorted({profiles[i].ground for i in mine})
        own.append([(name, [i for i in mine if profiles[i].ground == name]) for name in names])
        for name in names:
            index = np.nonzero(start.fitted & (cuts.ground == name))[0]
            half, middle = start.half_width_mm[index], start.middle_mm[index]
            groups.append(CutGroup(cuts, index, half, middle, blur_mm[number], fit.rims[number]))
    fitted = zip(groups, fit_groups(groups, fit.light, fit.no_ground, False), strict=True)
    out: list[StrandDiameter] = []
    for number, cuts in enumerate(all_cuts):
        grounds = [_ground_diameter(name, *next(fitted), fit, mine) for name, mine in own[number]]
        out.append(replace(_strand_diameter(cuts, grounds, fit.rims[number], fit), lane=lane))
    if not any(strand.off_card for strand in out):
        return out
    # The lane's light was fitted to a strand it does not suit; one seen on dark ground alone has
    # nothing to show that it fared better.
    return [
        replace(s, off_card=s.off_card or all(g.ground == "dark" for g in s.grounds)) for s in out
    ]


def _fit_lane(
    profiles: list[MeanProfile], strands: int, window: bool, known: Light | None
) -> LightFit:
    """The light of a lane, with ground behind the strands unless its window was cut out.

    A window as bright as paper may be paper or not: it is taken for cut out only where that fits
    far better.
    """
    if window:
        return fit_light(profiles, strands, True, known)
    with_ground = fit_light(profiles, strands, False, known)
    if any(p.ground != "open" for p in profiles) or with_ground.misfit_per_sample < _FITS:
        return with_ground
    without = fit_light(profiles, strands, True, known)
    return without if without.cost < _FAR_BETTER * with_ground.cost else with_ground


def _strand_diameter(
    cuts: Cuts, grounds: list[GroundDiameter], rim: Rim, fit: LightFit
) -> StrandDiameter:
    enough = telling(grounds)
    return StrandDiameter(
        cuts,
        tuple(grounds),
        rim,
        fit.light,
        halo_half_width(rim) / core_half_width(rim),
        fit.flat,
        fit.no_ground,
        not grounds,
        any(
            g.core_misfit > _GROOVE_MISFIT or (g.ground == "dark" and g.groove > _GROOVE)
            for g in grounds
            if _shows_its_face(g) and not in_bits(g, enough)
        ),
        any(g.ground != "dark" and g.misfit > _LIFTED_MISFIT for g in grounds),
    )


def telling(grounds: Sequence[GroundDiameter]) -> list[GroundDiameter]:
    """The grounds with cuts enough to say anything."""
    return [g for g in grounds if len(g.index) >= _FEWEST_CUTS]


def in_bits(ground: GroundDiameter, among: Sequence[GroundDiameter]) -> bool:
    """A dim strand shows on this dark ground only where it is brightest, says the light one.

    Of `telling` grounds.
    """
    if ground.ground != "dark":
        return False
    for light in among:
        if light.ground == "light":
            bits, whole = np.log(ground.diameter_mm), np.log(light.diameter_mm)
            return shows_in_bits(bits, whole, light.strand_level)
    return False


def _shows_its_face(ground: GroundDiameter) -> bool:
    """The strand itself stands out there, not just its shadow."""
    return ground.contrast > 0.15 if ground.ground == "dark" else ground.face_contrast > 0.4


def _ground_diameter(
    ground: str, group: CutGroup, pairs: EdgePairs, fit: LightFit, mine: list[int]
) -> GroundDiameter:
    """What a group's fitted edges say; `mine` numbers its mean profiles."""
    cuts, index, rim, blur_mm = group.cuts, group.index, group.rim, group.blur_mm
    # A cut that something foreign lies on (a hair, a neighbour) does not fit like the others.
    typical = median(pairs.misfit)
    log_half = np.log(pairs.half_width_mm)
    middle = median(log_half)
    good = (pairs.misfit <= 3.5 * typical) & (np.abs(log_half - middle) < 0.9)
    always, by_scatter = _FUZZ_BIAS[ground]
    fuzzy = rim.halo**4 / (rim.halo**4 + _FUZZY**4) / (1.0 + (rim.halo / _MUCH_FUZZ) ** 2)
    bias = fuzzy * (always + by_scatter * fit.light.scatter)
    if not fit.no_ground:
        soft_mm2 = (rim.softness * np.exp(middle)) ** 2
        resolved = soft_mm2 / (soft_mm2 + blur_mm**2)
        bias += _RELIEF_BIAS * fit.light.hardness * rim.softness * resolved
    over = core_half_width(rim) - 1.0
    core = 1.0 + over**2 / (over + _CORE_BEYOND)
    level = float(pairs.strand.mean())
    if not fit.flat:
        bias += light_through(rim, level)[0]
    half = pairs.half_width_mm[good] * core * (1.0 + bias)
    kept = index[good]
    radius = half
    if not fit.flat:
        radius = silhouette_radius_mm(
            half,
            cuts.view_tan[kept] - pairs.middle_mm[good] / cuts.camera_height_mm,
            np.full(len(kept), cuts.camera_height_mm),
        )
    contrast = median(pairs.contrast)
    colour = medians(cuts.full_colour(pairs.strand), axis=0)
    return GroundDiameter(
        ground=ground,
        index=kept,
        diameter_mm=2.0 * radius,
        u_noise=pairs.u_log_half_width[good],
        middle_mm=pairs.middle_mm[good],
        half_width_mm=half,
        u_light=float(np.sqrt(np.mean(fit.u_log_half_width[mine] ** 2))),
        strand_level=level,
        log_level=np.log(np.maximum(pairs.strand[good].mean(axis=1), _LEAST_LEVEL)),
        contrast=contrast,
        face_contrast=float(medians(pairs.ground - pairs.strand, axis=0).max()),
        neutral=bool(np.ptp(colour) < 0.05 and colour.min() > 0.12),
        black=bool(colour.max() < 0.15),
        misfit=float(np.mean(fit.misfit[mine])) / max(contrast, 1e-3),
        core_misfit=float(np.mean(fit.core_misfit[mine])) / max(contrast, 1e-3),
        groove=float(np.mean(fit.groove[mine])) / max(contrast, 1e-3),
    )


__all__ = ["GroundDiameter", "LaneSeen", "StrandDiameter", "measure_diameters"]
