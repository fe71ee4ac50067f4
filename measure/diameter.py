"""Diameters of the strands of one region: light once, edges per cut, grounds set against each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.cut_fit import EdgePairs, fit_cuts, make_table
from measure.light_fit import LightFit, MeanProfile, fit_light
from measure.profiles import Cuts
from measure.shading import (
    FINE,
    Light,
    Rim,
    core_half_width,
    grid,
    halo_half_width,
    light_up,
    outline,
    silhouette_radius_mm,
)

Floats = NDArray[np.float64]

_FIRST_LIGHT: Final = Light(0.5, 0.1, 0.0, 0.3, 0.6, 0.2, 0.85)
_FIRST_RIM: Final = Rim(0.05, 0.0, 0.5)
_LEAST_CONTRAST: Final = 0.03


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
    misfit: float
    """Residual of the mean profile over its contrast."""


@dataclass(frozen=True)
class StrandDiameter:
    """One strand's diameters by ground."""

    cuts: Cuts
    grounds: tuple[GroundDiameter, ...]
    rim: Rim
    light: Light
    core: float
    """Half width of the core in half widths of the model's hard outline."""
    halo_ratio: float
    faint: bool
    """It stood out too little on every ground."""


def measure_diameters(all_cuts: list[Cuts], blur_mm: list[float]) -> list[StrandDiameter]:
    """Diameters of the strands of one region, whose light is estimated together."""
    first = [_first_pass(cuts, blur) for cuts, blur in zip(all_cuts, blur_mm, strict=True)]
    profiles: list[MeanProfile] = []
    for number, (cuts, start) in enumerate(zip(all_cuts, first, strict=True)):
        profiles += _mean_profiles(number, cuts, start, blur_mm[number])
    if not profiles:
        return [StrandDiameter(c, (), _FIRST_RIM, _FIRST_LIGHT, 1.0, 1.0, True) for c in all_cuts]
    fit = _fit_lane(profiles, len(all_cuts))
    out = []
    for number, (cuts, start) in enumerate(zip(all_cuts, first, strict=True)):
        own = [i for i, p in enumerate(profiles) if p.strand == number]
        out.append(_final_pass(cuts, start, number, own, profiles, fit, blur_mm[number]))
    return out


def _fit_lane(profiles: list[MeanProfile], strands: int) -> LightFit:
    """The light of a lane; an open lane is tried with and without ground behind it.

    Nothing printed tells whether the window was cut out, or what a scan without a card lies on:
    the better fit does.
    """
    with_ground = fit_light(profiles, strands, no_ground=False)
    if any(p.ground != "open" for p in profiles):
        return with_ground
    without = fit_light(profiles, strands, no_ground=True)
    return min(with_ground, without, key=lambda fit: fit.cost)


@dataclass(frozen=True)
class _Start:
    """First edges of every cut."""

    half_width_mm: Floats
    middle_mm: Floats
    wander_mm: Floats
    """Middle less the typical middle on that ground: how the cuts are lined up."""
    contrast: Floats
    fitted: NDArray[np.bool_]


def _first_pass(cuts: Cuts, blur_mm: float) -> _Start:
    """Edges under an everyday light, enough to line cuts up with each other."""
    n = len(cuts.arc_mm)
    half = np.full(n, 0.5 * cuts.line.width_mm)
    middle = np.zeros(n)
    wander = np.zeros(n)
    contrast = np.zeros(n)
    fitted = np.zeros(n, bool)
    blur = float(np.hypot(blur_mm, cuts.spread_mm))
    for ground in np.unique(cuts.ground[cuts.valid]):
        index = np.nonzero(cuts.valid & (cuts.ground == ground))[0]
        level = cuts.level[index].mean()
        lit = light_up(
            _FIRST_LIGHT, float(cuts.view_tan[index].mean()), float(level), False, grid(FINE)
        )
        curves = outline(lit, _FIRST_RIM)
        table = make_table(curves, 0.5 * cuts.line.width_mm, blur, _FIRST_RIM.softness)
        some = index[::4]
        pairs = fit_cuts(
            table,
            cuts.u_mm[some],
            cuts.light[some],
            cuts.weight[some],
            cuts.level[some],
            cuts.noise[some],
            half[some],
            middle[some],
            6,
        )
        half[index] = np.interp(index, some, _calm(pairs.half_width_mm))
        middle[index] = np.interp(index, some, _calm(pairs.middle_mm))
        wander[index] = middle[index] - np.median(middle[index])
        contrast[index] = float(np.median(pairs.contrast))
        fitted[index] = True
    return _Start(half, middle, wander, contrast, fitted)


def _calm(values: Floats) -> Floats:
    """Running median of five: one bad cut must not lead its neighbours."""
    if len(values) < 5:
        return np.full(len(values), float(np.median(values)))
    padded = np.concatenate([values[:2][::-1], values, values[-2:][::-1]])
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)


def _mean_profiles(number: int, cuts: Cuts, start: _Start, blur_mm: float) -> list[MeanProfile]:
    """Averaged profiles of each ground, cuts lined up and stretched to one width."""
    out: list[MeanProfile] = []
    for ground in np.unique(cuts.ground[start.fitted]):
        index = np.nonzero(start.fitted & (cuts.ground == ground))[0]
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
    some = index[::2] if len(index) > 80 else index
    stretch = np.clip(typical / start.half_width_mm[some], 0.75, 1.33)
    typical_middle = float(np.median(start.middle_mm[index]))
    u = typical_middle + (cuts.u_mm[some] - start.middle_mm[some, None]) * stretch[:, None]
    pitch = float(np.median(np.diff(cuts.u_mm[some[0]])))
    reach = min(float(np.abs(cuts.u_mm).max()), 9.5 * typical)
    bins = int(2 * reach / pitch)
    place = np.rint((u + reach) / (2 * reach) * bins).astype(int)
    inside = (place >= 0) & (place < bins + 1) & (cuts.weight[some] > 0)
    at, weight = place[inside], cuts.weight[some][inside].astype(float)
    total = np.bincount(at, weight, bins + 1)
    good = total > 0.25 * np.median(total[total > 0])
    mean_u = np.bincount(at, weight * u[inside], bins + 1)[good] / total[good]
    light = np.stack(
        [
            np.bincount(at, weight * cuts.light[some][inside][:, c], bins + 1)[good] / total[good]
            for c in range(cuts.light.shape[2])
        ],
        axis=1,
    )
    noise = float(cuts.noise[some].mean()) / np.sqrt(max(len(some) / 4.0, 1.0))
    return MeanProfile(
        strand=number,
        ground=ground,
        u_mm=mean_u,
        light=light,
        weight=np.minimum(total[good] / total[good].max(), 1.0),
        level=cuts.level[some].mean(axis=0).astype(float),
        blur_mm=float(np.hypot(blur_mm, np.hypot(cuts.spread_mm, 0.25 * pitch))),
        view_tan=float(cuts.view_tan[some].mean()),
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
    blur = float(np.hypot(blur_mm, cuts.spread_mm))
    grounds: list[GroundDiameter] = []
    for ground in sorted({profiles[i].ground for i in own}):
        mine = [i for i in own if profiles[i].ground == ground]
        half = float(np.exp(np.mean(fit.log_half_width[mine])))
        shift = float(np.mean(fit.middle_mm[mine]))
        ratio = half / float(np.mean([profiles[i].half_width_mm for i in mine]))
        index = np.nonzero(start.fitted & (cuts.ground == ground))[0]
        lit = light_up(
            fit.light,
            float(cuts.view_tan[index].mean()),
            float(cuts.level[index].mean()),
            fit.no_ground,
            grid(FINE),
        )
        curves = outline(lit, rim)
        table = make_table(curves, half, blur, rim.softness)
        pairs = fit_cuts(
            table,
            cuts.u_mm[index],
            cuts.light[index],
            cuts.weight[index],
            cuts.level[index],
            cuts.noise[index],
            start.half_width_mm[index] * ratio,
            start.wander_mm[index] + shift,
            5,
        )
        grounds.append(_ground_diameter(cuts, ground, index, pairs, rim, fit, mine))
    core = core_half_width(rim)
    return StrandDiameter(
        cuts, tuple(grounds), rim, fit.light, core, halo_half_width(rim) / core, not grounds
    )


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
    core = core_half_width(rim)
    half = pairs.half_width_mm[good] * core
    kept = index[good]
    radius = silhouette_radius_mm(
        half,
        cuts.view_tan[kept] - pairs.middle_mm[good] / cuts.camera_height_mm,
        np.full(len(kept), cuts.camera_height_mm),
    )
    contrast = float(np.median(pairs.contrast))
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
        misfit=float(np.mean(fit.misfit[mine])) / max(contrast, 1e-3),
    )


__all__ = ["GroundDiameter", "StrandDiameter", "measure_diameters"]
