"""Cuts across a strand in linear light, at the picture's own pixels.

Untouched pixels are put together by quarter millimetres (`measure.pixel_pool`), all of them about
the strand's edges, fewer beside it. A cut is the running mean over one millimetre. What
pooling pixels at slightly different distances blurs, where an edge steps from one row of pixels to
the next, is taken off again by the curvature of the neighbouring cuts' own mean profile.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from measure.edge_spread import EdgeSpread
from measure.ground_level import PER_CUT, read_levels
from measure.medians import median
from measure.picture import Picture
from measure.pixel_pool import LUMA, Across, Pool, across_strand, pool_pixels, pooled_blur
from measure.scale import Scale
from measure.strands import Centreline, Sight

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_HALVED_CHROMA: Final = 0.35
"""What is kept of the departure from grey where colour has half the resolution: its edges are drawn
softer and apart from the brightness's, but it tells a dyed strand from a shadow (ours)."""

_UNKNOWN: Final = 0.5
_PALE: Final = 0.9
"""Brightness of another strand before it is known, and of one that only its shadows show."""

Real = TypeVar("Real", np.float32, np.float64)

CUT_MM: Final = 1.0
"""Length of strand one cut averages over (docs/definitions.md, "Diameter")."""


@dataclass(frozen=True)
class Cuts:
    """Running cuts of one strand, n of them 0.25 mm apart, J samples each, C channels."""

    line: Centreline
    arc_mm: Floats
    """(n,) distance along the strand of each cut's middle."""
    along_mm: Floats
    """(n,) region coordinate along."""
    across_mm: Floats
    """(n,) region coordinate across of the centreline, where u is 0."""
    normals: Floats
    """(n, 2) unit normals in region coordinates; u grows along them."""
    u_mm: Singles
    """(n, J) mean distance of the pooled pixels from the centreline."""
    light: Singles
    """(n, C, J) linear light relative to white paper there."""
    weight: Singles
    """(n, J) share of the cut's pixels that count: 0 outside the lane, near a band's edge, ..."""
    ground: NDArray[np.str_]
    """(n,) 'light', 'dark', 'open'."""
    valid: NDArray[np.bool_]
    """(n,) the cut lies on one ground and nothing covers the strand there."""
    level: Singles
    """(n, C) brightness of the bare ground relative to white."""
    noise: Singles
    """(n, C) standard deviation of one pooled sample, relative to white."""
    mm_per_px: Floats
    """(n,) across the strand."""
    view_tan: Floats
    """(n,) tangent of the line of sight across the strand, positive from the +u side."""
    camera_height_mm: float
    chroma: float
    """Share of its departure from grey that `light` was left, of every channel alike."""
    beside: tuple[Centreline, ...]
    """The lane's m other strands."""
    others_mm: Floats
    """(n, m, 3) how far along u they lie, their half widths, 0 where they end, and how bright they
    are relative to white."""

    def full_colour(self, light: Floats) -> Floats:
        """Fitted brightnesses (..., C) with their departure from grey as it was.

        Where colour had half the resolution a strong dye comes out darker than it is, by up to a
        fifth of its brightest channel: coded brightness does not add up as light does.
        """
        if self.chroma == 1.0:
            return light
        luma = (light @ LUMA)[..., None]
        return np.asarray(luma + (light - luma) / self.chroma)


def cut_strand(
    picture: Picture,
    scale: Scale,
    sight: Sight,
    number: int,
    blur_mm: float,
    edges: EdgeSpread | None = None,
) -> Cuts:
    """Cuts of strand `number` of a region's sight.

    `blur_mm` is the camera's edge spread there; cuts nearer than three of it to a band's edge are
    left out. `edges` tell how the light changes across; without a card the ground does.
    """
    line = sight.strands[number]
    region = line.region
    at, across = line.along_mm, line.across_mm
    slope = np.gradient(across, at) if len(at) > 2 else np.zeros(len(at))
    length = np.hypot(1.0, slope)
    normals = np.stack([-slope / length, 1.0 / length], axis=1)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(at), np.diff(across)))])
    middle_card = region.to_card(np.stack([at, across], axis=1))
    axes = np.array([region.along, region.across])
    mm_per_px = scale.mm_per_px(middle_card, normals @ axes)
    pitch = median(mm_per_px)

    across_it = across_strand(line, pitch, blur_mm)
    pool = pool_pixels(picture, scale, region, at, across, normals, across_it)
    chroma = _HALVED_CHROMA if picture.chroma_halved and pool.light.shape[1] == 3 else 1.0
    if chroma < 1.0:
        pool = replace(pool, light=_towards_grey(pool.light, chroma))
    there = _there(sight, number, normals, across_it.u_mm, 3.0 * blur_mm)
    there.weight[:] *= pool.share
    beside = tuple(s for i, s in enumerate(sight.strands) if i != number)
    slope_u = None
    if edges is not None and (by_xy := edges.light_slope(middle_card)) is not None:
        slope_u = np.einsum("ni,ni->n", by_xy, normals @ axes)
    quarters = _Quarters(arc, normals, mm_per_px, pool, there, slope_u)
    return _running(line, beside, across_it, quarters, scale, chroma)


def _towards_grey(light: Singles, share: float) -> Singles:
    """Light (n, 3, J) with that share of its departure from grey left."""
    mix = share * np.eye(3) + (1.0 - share) * np.outer(np.ones(3), LUMA)
    return np.asarray(mix.astype(np.float32) @ light)


@dataclass(frozen=True, eq=False)
class _There:
    """What lies where the quarters of a strand's cuts are, whatever its light."""

    weight: Singles
    """(n, J) 1 for the samples that count."""
    clear: NDArray[np.bool_]
    """(n, J) which are clear of other strands' blurred edges."""
    stretch: NDArray[np.int_]
    """(n,) which each lies on, -1 for none."""
    blocked: NDArray[np.bool_]
    """(n,) where something covers the strand."""


@dataclass(frozen=True, eq=False)
class _Quarters:
    """A strand cut every quarter of a cut, n of them."""

    arc_mm: Floats
    normals: Floats
    mm_per_px: Floats
    pool: Pool
    there: _There
    paper_slope: Floats | None
    """(n,) relative change of the light per mm across as the card's paper shows it."""


def _there(
    sight: Sight, number: int, normals: Floats, u_grid: Floats, clearance_mm: float
) -> _There:
    line = sight.strands[number]
    region = line.region
    u, way = u_grid.astype(np.float32), normals.astype(np.float32)
    a = line.along_mm.astype(np.float32)[:, None] + u * way[:, :1]
    b = line.across_mm.astype(np.float32)[:, None] + u * way[:, 1:]
    margin = 0.15 + clearance_mm
    own = region.stretch_index(line.along_mm, 0.0)
    if region.stretches[0].ground == "open":
        on_same = (a >= margin) & (a <= region.length_mm - margin)
    else:
        ends = np.array([(s.from_mm + margin, s.to_mm - margin) for s in region.stretches])
        ends = ends.astype(np.float32)[own]
        on_same = (a >= ends[:, :1]) & (a <= ends[:, 1:]) & (own >= 0)[:, None]
    keep = on_same & (b >= clearance_mm) & (b <= region.width_mm - clearance_mm)
    clear = np.ones_like(keep)
    blocked = ~line.seen.copy()
    body = np.abs(u_grid) <= 0.5 * line.width_mm + 0.3
    for other_number, other in enumerate(sight.strands):
        if other_number == number:
            continue
        there = np.interp(a, other.along_mm, other.across_mm, left=np.nan, right=np.nan)
        near = np.abs(b - there) < other.reach_mm + 0.35
        keep &= ~near
        clear &= ~(np.abs(b - there) < other.reach_mm + 0.35 + clearance_mm) | body
        blocked |= near[:, body].any(axis=1)
    for a0, b0, a1, b1 in sight.covered:
        over = (a > a0 - 0.8) & (a < a1 + 0.8) & (b > b0 - 0.8) & (b < b1 + 0.8)
        keep &= ~over
        blocked |= over[:, body].any(axis=1)
    # Near the lane's edge the strand itself must be in it; its shadow need not.
    blocked |= ~keep[:, np.abs(u_grid) <= 0.25 * line.width_mm].all(axis=1)
    return _There(keep.astype(np.float32), clear, own, blocked)


def _running(
    line: Centreline,
    beside: tuple[Centreline, ...],
    across_it: Across,
    quarters: _Quarters,
    scale: Scale,
    chroma: float,
) -> Cuts:
    region = line.region
    pool, normals = quarters.pool, quarters.normals
    weight, own = quarters.there.weight, quarters.there.stretch
    n = len(own) - PER_CUT + 1

    total = _window(weight)
    share = 1 / np.maximum(total, np.float32(1e-6))
    u = _window(weight * pool.u_mm)
    u *= share
    mean_light = _window(weight[:, None] * pool.light)
    mean_light *= share[:, None]
    empty = total <= 0
    u[empty] = pool.u_mm[:n][empty]

    middle = slice(PER_CUT // 2, PER_CUT // 2 + n)
    arc_middle = _window(quarters.arc_mm) / PER_CUT
    along = _window(line.along_mm) / PER_CUT
    across = _window(line.across_mm) / PER_CUT
    # The blocks of an open lane are only for following strands; its ground is one throughout.
    one_ground = region.stretches[0].ground == "open"
    same = np.ones(n, bool)
    for k in range(PER_CUT):
        same &= ((own[k : k + n] == own[:n]) | one_ground) & ~quarters.there.blocked[k : k + n]
    valid = same & (own[:n] >= 0)
    stretch = np.maximum(own[:n], 0)
    ground = np.array([s.ground for s in region.stretches])[stretch]

    rough = [(0.5 * other.width_mm, _UNKNOWN) for other in beside]
    others = _others(along, across, normals[middle], beside, rough)
    level, white, slope_u, noise = read_levels(
        region, u, mean_light, total, across_it.share, valid, stretch, along, line.width_mm, others
    )
    if quarters.paper_slope is not None:
        slope_u = quarters.paper_slope[middle].astype(np.float32)
    near = across_it.near
    mean_off = _window(weight[:, near] * pool.off_mm) * share[:, near]
    spread = _window(weight[:, near] * pool.off2_mm2) * share[:, near] - np.square(mean_off)
    mean_light[..., near] -= pooled_blur(
        u[:, near], mean_light[..., near], total[:, near], np.maximum(spread, 0), stretch
    )
    mean_light *= (1 / white)[..., None]
    if slope_u.any():
        mean_light /= (1 + slope_u[:, None] * u)[:, None]

    middle_card = region.to_card(np.stack([along, across], axis=1))
    axes = np.array([region.along, region.across])
    sight = scale.camera_mm[None, :2] - middle_card
    view_tan = np.einsum("ni,ni->n", sight, normals[middle] @ axes) / scale.camera_mm[2]
    return Cuts(
        line=line,
        arc_mm=arc_middle,
        along_mm=along,
        across_mm=across,
        normals=normals[middle],
        u_mm=u,
        light=mean_light,
        weight=total
        * (_window(quarters.there.clear.astype(np.float32)) == PER_CUT)
        / np.float32(PER_CUT),
        ground=ground,
        valid=valid,
        level=(level / white).astype(np.float32),
        noise=(noise / white).astype(np.float32),
        mm_per_px=quarters.mm_per_px[middle],
        view_tan=view_tan,
        camera_height_mm=float(scale.camera_mm[2]),
        chroma=chroma,
        beside=beside,
        others_mm=others,
    )


def beside_each_other(all_cuts: list[Cuts], known: list[tuple[float, float]]) -> list[Cuts]:
    """The cuts of a region's strands, each told what the others are now `known` to be.

    That is each strand's half width, mm, and brightness.
    """
    of_line = {id(c.line): one for c, one in zip(all_cuts, known, strict=True)}
    out = []
    for cuts in all_cuts:
        # Of some nothing but their shadows is seen.
        all_known = [of_line.get(id(x), (0.5 * x.width_mm, _PALE)) for x in cuts.beside]
        others = _others(cuts.along_mm, cuts.across_mm, cuts.normals, cuts.beside, all_known)
        out.append(replace(cuts, others_mm=others))
    return out


def _others(
    along_mm: Floats,
    across_mm: Floats,
    normals: Floats,
    beside: tuple[Centreline, ...],
    known: list[tuple[float, float]],
) -> Floats:
    """Where along u other strands lie, half widths, 0 where they end, brightnesses: (n, m, 3)."""
    out = np.zeros((len(along_mm), len(beside), 3))
    for number, (line, (half, brightness)) in enumerate(zip(beside, known, strict=True)):
        at = line.along_mm
        off = np.interp(along_mm, at, line.across_mm) - across_mm
        out[:, number, 0] = off * normals[:, 1]
        out[:, number, 1] = half * ((along_mm >= at[0]) & (along_mm <= at[-1]))
        out[:, number, 2] = brightness
    return out


def _window(values: NDArray[Real]) -> NDArray[Real]:
    """Sums of the quarters that make up one cut, of every cut."""
    pairs = values[:-1] + values[1:]
    return np.asarray(pairs[:-2] + pairs[2:])
