"""Diameters of the strands of one region: light once, edges per cut, each ground on its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.cut_fit import EdgePairs, Samples, fit_cuts, make_table, pooled
from measure.light_fit import LightFit, MeanProfile, fit_light, refit_light
from measure.profiles import Cuts
from measure.shading import (
    Curves,
    Light,
    Rim,
    aspect,
    core_half_width,
    grid,
    halo_half_width,
    light_up,
    outline,
    silhouette_radius_mm,
    steps_for,
)

Floats = NDArray[np.float64]

_FIRST_LIGHT: Final = Light(0.5, 0.1, 0.0, 0.3, 0.6, 0.2, 0.85)
_FIRST_RIM: Final = Rim(1.03, 0.05, 0.0, 0.5)
_FUZZ_BIAS: Final = {"dark": -0.10, "light": 0.0, "open": 0.0}
"""What is to be added to a width per unit of halo: fuzz close to the core counts with it on a dark
ground, where it is bright, and takes from it in its own shade on a light one. From fibre-built
strands whose cover is known exactly (docs/accuracy.md); smooth strands have no halo."""
_FINE: Final = 48
"""Steps per half width, at least, for placing edges."""
_UNSURE: Final = 3.1
_SURE: Final = 1.35
"""Half widths are looked for up to this many times wider or narrower than their start."""
_ENOUGH: Final = 160
"""Running cuts of one ground, a quarter of which suffice to line cuts up and average them."""
_GROOVE_MISFIT: Final = 0.065
_GROOVE: Final = 0.082
_LIFTED_MISFIT: Final = 0.09
_FAR_BETTER: Final = 0.7
_FITS: Final = 2.0
"""Misfit per sample of a fit that leaves nothing to be explained."""
_LEAST_CONTRAST: Final = 0.08
_STILL_SUITS: Final = 1.5
_STILL_PLAIN: Final = 0.3
"""A frame is followed while its misfit is below this many times that of the last full fit, and
this much more."""


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
    half_width_mm: tuple[float, ...]
    """Of each strand's outline, typically."""
    profiles: tuple[tuple[int, str], ...]
    """Strand and ground of every mean profile that was fitted."""
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

    Twice: cuts can only be lined up for averaging once their edges are known, and edges only be
    placed once the light is.
    """
    if before is not None and len(before.rims) == len(all_cuts):
        followed = _follow(all_cuts, blur_mm, known, before)
        if followed is not None:
            return followed
    starts = [
        _edges(cuts, blur, _FIRST_LIGHT, _FIRST_RIM, False, None)
        for cuts, blur in zip(all_cuts, blur_mm, strict=True)
    ]
    profiles = _all_profiles(all_cuts, starts, blur_mm)
    if not profiles:
        return [
            StrandDiameter(c, (), _FIRST_RIM, _FIRST_LIGHT, 1.0, False, False, True, False, False)
            for c in all_cuts
        ]
    fit = _fit_lane(profiles, len(all_cuts), window, known)
    starts = [
        _edges(
            cuts, blur, fit.light, rim, fit.no_ground, _carried(number, cuts, start, profiles, fit)
        )
        for number, (cuts, blur, rim, start) in enumerate(
            zip(all_cuts, blur_mm, fit.rims, starts, strict=True)
        )
    ]
    profiles = _all_profiles(all_cuts, starts, blur_mm) or profiles
    fit = refit_light(profiles, fit.light, fit.rims, fit.no_ground, fit.flat, known)
    return _final(all_cuts, blur_mm, starts, profiles, fit, fit.misfit_per_sample)


def _follow(
    all_cuts: list[Cuts], blur_mm: list[float], known: Light | None, before: LaneSeen
) -> list[StrandDiameter] | None:
    """Diameters from where an earlier frame left off; None where that does not suit this one."""
    starts = [
        _edges(cuts, blur, before.light, rim, before.no_ground, _as_before(cuts, half))
        for cuts, blur, rim, half in zip(
            all_cuts, blur_mm, before.rims, before.half_width_mm, strict=True
        )
    ]
    profiles = _all_profiles(all_cuts, starts, blur_mm)
    if tuple((p.strand, p.ground) for p in profiles) != before.profiles:
        return None
    fit = refit_light(profiles, before.light, before.rims, before.no_ground, before.flat, known)
    if fit.misfit_per_sample > _STILL_SUITS * before.misfit + _STILL_PLAIN:
        return None
    return _final(all_cuts, blur_mm, starts, profiles, fit, before.misfit)


def _as_before(cuts: Cuts, half_width_mm: float) -> _Start:
    """All cuts as wide as the strand was in the frame before, on the centreline of this one."""
    n = len(cuts.arc_mm)
    nothing = np.zeros(n)
    return _Start(
        np.full(n, half_width_mm), nothing, nothing, nothing, np.zeros(n, bool), np.zeros(n, bool)
    )


def _final(
    all_cuts: list[Cuts],
    blur_mm: list[float],
    starts: list[_Start],
    profiles: list[MeanProfile],
    fit: LightFit,
    misfit: float,
) -> list[StrandDiameter]:
    """Diameters under the light that was found; `misfit` is handed on to the next frame."""
    halves = [
        [float(h) for h, p in zip(fit.log_half_width, profiles, strict=True) if p.strand == number]
        for number in range(len(all_cuts))
    ]
    lane = LaneSeen(
        light=fit.light,
        rims=fit.rims,
        no_ground=fit.no_ground,
        flat=fit.flat,
        half_width_mm=tuple(
            float(np.exp(np.mean(h))) if h else 0.5 * cuts.line.width_mm
            for h, cuts in zip(halves, all_cuts, strict=True)
        ),
        profiles=tuple((p.strand, p.ground) for p in profiles),
        misfit=misfit,
    )
    out = []
    for number, (cuts, start) in enumerate(zip(all_cuts, starts, strict=True)):
        own = [i for i, p in enumerate(profiles) if p.strand == number]
        found = _final_pass(cuts, start, number, own, profiles, fit, blur_mm[number])
        out.append(replace(found, lane=lane))
    if not any(strand.off_card for strand in out):
        return out
    # The lane's light was fitted to a strand it does not suit; one seen on dark ground alone has
    # nothing to show that it fared better.
    return [
        replace(s, off_card=s.off_card or all(g.ground == "dark" for g in s.grounds)) for s in out
    ]


def _carried(
    number: int, cuts: Cuts, start: _Start, profiles: list[MeanProfile], fit: LightFit
) -> _Start:
    """Each cut's edges moved as the fit moved its ground's mean profile."""
    half, middle = start.half_width_mm.copy(), start.middle_mm.copy()
    for i, profile in enumerate(profiles):
        if profile.strand != number:
            continue
        index = start.fitted & (cuts.ground == profile.ground)
        half[index] *= np.exp(fit.log_half_width[i]) / profile.half_width_mm
        middle[index] = start.wander_mm[index] + fit.middle_mm[i]
    return replace(start, half_width_mm=half, middle_mm=middle)


def _all_profiles(
    all_cuts: list[Cuts], starts: list[_Start], blur_mm: list[float]
) -> list[MeanProfile]:
    return [
        profile
        for number, (cuts, start) in enumerate(zip(all_cuts, starts, strict=True))
        for profile in _mean_profiles(number, cuts, start, blur_mm[number])
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


@dataclass(frozen=True)
class _Start:
    """First edges of every cut."""

    half_width_mm: Floats
    middle_mm: Floats
    wander_mm: Floats
    """Middle less the typical middle on that ground: how the cuts are lined up."""
    contrast: Floats
    fitted: NDArray[np.bool_]
    exact: NDArray[np.bool_]
    """Cuts that were fitted themselves; the others lie between two of them."""


def _edges(
    cuts: Cuts, blur_mm: float, light: Light, rim: Rim, no_ground: bool, start: _Start | None
) -> _Start:
    """Edges of every cut under a given light, enough to line cuts up with each other."""
    n = len(cuts.arc_mm)
    half = np.full(n, 0.5 * cuts.line.width_mm) if start is None else start.half_width_mm.copy()
    middle = np.zeros(n) if start is None else start.middle_mm.copy()
    wander = np.zeros(n)
    contrast = np.zeros(n)
    fitted = np.zeros(n, bool)
    exact = np.zeros(n, bool)
    blur = _blur(cuts, blur_mm)
    for ground in np.unique(cuts.ground[cuts.valid]):
        index = np.nonzero(cuts.valid & (cuts.ground == ground))[0]
        some = index[:: 4 * max(1, len(index) // _ENOUGH)]
        typical = float(np.median(half[some]))
        curves = _curves(cuts, index, light, rim, no_ground, typical, blur)
        table = make_table(curves, _around(half[some], start is None), blur, rim.softness)
        samples = _samples(cuts, some)
        if start is not None:
            samples = pooled(samples, table, typical, float(np.median(middle[some])))
        pairs = fit_cuts(table, samples, half[some], middle[some], 8 if start is None else 5)
        # Once the light is known a single cut may be believed, unless it stands quite alone.
        spread = 0.0 if start is None else 0.35 * float(np.median(half[some]))
        half[index] = np.interp(index, some, _calm(pairs.half_width_mm, spread))
        middle[index] = np.interp(index, some, _calm(pairs.middle_mm, spread))
        # Where a dyed strand meets a ground of its own brightness a cut says little.
        plain = pairs.contrast > 0.5 * np.median(pairs.contrast)
        plain &= pairs.u_log_half_width <= 3.0 * np.median(pairs.u_log_half_width)
        exact[some[plain]] = True
        wander[index] = middle[index] - np.median(middle[index])
        contrast[index] = float(np.median(pairs.contrast))
        fitted[index] = True
    return _Start(half, middle, wander, contrast, fitted, exact)


def _around(half_width_mm: Floats, unsure: bool) -> tuple[float, float]:
    """From where to where half widths are to be looked for about a start."""
    room = _UNSURE if unsure else _SURE
    return float(half_width_mm.min()) / room, float(half_width_mm.max()) * room


def _samples(cuts: Cuts, index: NDArray[np.int_]) -> Samples:
    return Samples(
        cuts.u_mm[index],
        cuts.light[index],
        cuts.weight[index],
        cuts.level[index],
        cuts.noise[index],
    )


def _curves(
    cuts: Cuts,
    index: NDArray[np.int_],
    light: Light,
    rim: Rim,
    no_ground: bool,
    half_mm: float,
    blur_mm: float,
) -> Curves:
    """The model's curves for the cuts of one ground."""
    lit = light_up(
        light.row,
        rim.row[:, 0],
        aspect(np.array([cuts.view_tan[index].mean()]), grid(steps_for(half_mm, blur_mm, _FINE))),
        np.array([cuts.level[index].mean()]),
        no_ground,
    )
    return outline(lit, rim.row)


def _calm(values: Floats, spread: float) -> Floats:
    """Values farther than `spread` from the running median of five replaced by it.

    One bad cut must not lead its neighbours.
    """
    if len(values) < 5:
        middle = np.full(len(values), float(np.median(values)))
    else:
        padded = np.concatenate([values[:2][::-1], values, values[-2:][::-1]])
        middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return np.asarray(np.where(np.abs(values - middle) > spread, middle, values))


def _mean_profiles(number: int, cuts: Cuts, start: _Start, blur_mm: float) -> list[MeanProfile]:
    """Averaged profiles of each ground, cuts lined up and stretched to one width."""
    out: list[MeanProfile] = []
    for ground in np.unique(cuts.ground[start.fitted]):
        index = np.nonzero(start.exact & (cuts.ground == ground))[0]
        if start.contrast[index[0]] < _LEAST_CONTRAST:
            continue
        out.append(_mean_profile(number, cuts, start, index, str(ground), blur_mm))
    return out


def _mean_profile(
    number: int,
    cuts: Cuts,
    start: _Start,
    index: NDArray[np.int_],
    ground: str,
    blur_mm: float,
) -> MeanProfile:
    typical = float(np.median(start.half_width_mm[index]))
    stretch = np.clip(typical / start.half_width_mm[index], 0.75, 1.33)
    typical_middle = float(np.median(start.middle_mm[index]))
    u = typical_middle + (cuts.u_mm[index] - start.middle_mm[index, None]) * stretch[:, None]
    pitch = float(np.median(np.diff(cuts.u_mm[index[0]])))
    reach = min(float(np.abs(cuts.u_mm).max()), 9.5 * typical)
    bins = int(2 * reach / pitch)
    place = np.rint((u + reach) / (2 * reach) * bins).astype(int)
    inside = (place >= 0) & (place < bins + 1) & (cuts.weight[index] > 0)
    at, weight = place[inside], cuts.weight[index][inside].astype(float)
    total = np.bincount(at, weight, bins + 1)
    good = total > 0.1 * np.median(total[total > 0])
    mean_u = np.bincount(at, weight * u[inside], bins + 1)[good] / total[good]
    light = np.stack(
        [
            np.bincount(at, weight * cuts.light[index][inside][:, c], bins + 1)[good] / total[good]
            for c in range(cuts.light.shape[2])
        ],
        axis=1,
    )
    noise = float(cuts.noise[index].mean()) / np.sqrt(max(len(index), 1.0))
    return MeanProfile(
        strand=number,
        ground=ground,
        u_mm=mean_u,
        light=light,
        weight=np.minimum(total[good] / total[good].max(), 1.0),
        level=cuts.level[index].mean(axis=0).astype(float),
        blur_mm=float(np.hypot(_blur(cuts, blur_mm), 0.25 * pitch)),
        view_tan=float(cuts.view_tan[index].mean()),
        half_width_mm=typical,
        middle_mm=typical_middle,
        noise=noise,
    )


def _final_pass(
    cuts: Cuts,
    start: _Start,
    number: int,
    own: list[int],
    profiles: list[MeanProfile],
    fit: LightFit,
    blur_mm: float,
) -> StrandDiameter:
    rim = fit.rims[number]
    blur = _blur(cuts, blur_mm)
    start = _carried(number, cuts, start, profiles, fit)
    grounds: list[GroundDiameter] = []
    for ground in sorted({profiles[i].ground for i in own}):
        mine = [i for i in own if profiles[i].ground == ground]
        half = float(np.exp(np.mean(fit.log_half_width[mine])))
        index = np.nonzero(start.fitted & (cuts.ground == ground))[0]
        curves = _curves(cuts, index, fit.light, rim, fit.no_ground, half, blur)
        half_mm, middle_mm = start.half_width_mm[index], start.middle_mm[index]
        table = make_table(curves, _around(half_mm, False), blur, rim.softness)
        samples = pooled(_samples(cuts, index), table, half, float(np.median(middle_mm)))
        pairs = fit_cuts(table, samples, half_mm, middle_mm, 4)
        pairs = _evenly_blurred(pairs, samples, curves, blur, rim, cuts.spread_mm2, index)
        grounds.append(_ground_diameter(cuts, ground, index, pairs, rim, fit, mine))
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
            if _shows_its_face(g)
        ),
        any(g.ground != "dark" and g.misfit > _LIFTED_MISFIT for g in grounds),
    )


def _blur(cuts: Cuts, blur_mm: float) -> float:
    """The camera's blur and what pooling pixels added to it on average."""
    return float(np.sqrt(blur_mm**2 + cuts.spread_mm2.mean()))


def _evenly_blurred(
    pairs: EdgePairs,
    samples: Samples,
    curves: Curves,
    blur_mm: float,
    rim: Rim,
    spread_mm2: Floats,
    index: NDArray[np.int_],
) -> EdgePairs:
    """Widths as if pooling had blurred every cut alike.

    Where a strand's edge steps from one row of pixels to the next, a cut pools both and is more
    blurred than its neighbours. How a width answers to blur is tried out on some of the cuts.
    """
    excess = spread_mm2[index] - spread_mm2.mean()
    if len(index) < 8 or float(np.abs(excess).max()) < 0.01 * blur_mm**2:
        return pairs
    some = np.arange(0, len(index), max(1, len(index) // 24))
    more = 0.15 * blur_mm**2
    half, middle = pairs.half_width_mm[some], pairs.middle_mm[some]
    softer = float(np.sqrt(blur_mm**2 + more))
    table = make_table(curves, _around(half, False), softer, rim.softness)
    tried = fit_cuts(table, samples.some(some), half, middle, 2)
    answer = float(np.median(np.log(tried.half_width_mm / half))) / more
    return replace(pairs, half_width_mm=pairs.half_width_mm * np.exp(answer * excess))


def _shows_its_face(ground: GroundDiameter) -> bool:
    """The strand itself stands out there, not just its shadow."""
    return ground.contrast > 0.15 if ground.ground == "dark" else ground.face_contrast > 0.4


def _ground_diameter(
    cuts: Cuts,
    ground: str,
    index: NDArray[np.int_],
    pairs: EdgePairs,
    rim: Rim,
    fit: LightFit,
    mine: list[int],
) -> GroundDiameter:
    # A cut that something foreign lies on (a hair, a neighbour) does not fit like the others.
    typical = float(np.median(pairs.misfit))
    log_half = np.log(pairs.half_width_mm)
    middle = float(np.median(log_half))
    good = (pairs.misfit <= 3.5 * typical) & (np.abs(log_half - middle) < 0.9)
    half = pairs.half_width_mm[good] * core_half_width(rim) * (1.0 + _FUZZ_BIAS[ground] * rim.halo)
    kept = index[good]
    radius = half
    if not fit.flat:
        radius = silhouette_radius_mm(
            half,
            cuts.view_tan[kept] - pairs.middle_mm[good] / cuts.camera_height_mm,
            np.full(len(kept), cuts.camera_height_mm),
        )
    contrast = float(np.median(pairs.contrast))
    level = np.median(pairs.strand, axis=0)
    return GroundDiameter(
        ground=ground,
        index=kept,
        diameter_mm=2.0 * radius,
        u_noise=pairs.u_log_half_width[good],
        middle_mm=pairs.middle_mm[good],
        half_width_mm=half,
        u_light=float(np.sqrt(np.mean(fit.u_log_half_width[mine] ** 2))),
        strand_level=float(pairs.strand.mean()),
        contrast=contrast,
        face_contrast=float(np.median(pairs.ground - pairs.strand, axis=0).max()),
        neutral=bool(np.ptp(level) < 0.05 and level.min() > 0.12),
        black=bool(level.max() < 0.15),
        misfit=float(np.mean(fit.misfit[mine])) / max(contrast, 1e-3),
        core_misfit=float(np.mean(fit.core_misfit[mine])) / max(contrast, 1e-3),
        groove=float(np.mean(fit.groove[mine])) / max(contrast, 1e-3),
    )


__all__ = ["GroundDiameter", "LaneSeen", "StrandDiameter", "measure_diameters"]
