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
from measure.ground_level import PER_CUT, Seen, read_levels
from measure.medians import median
from measure.picture import Picture
from measure.pixel_pool import LUMA, Across, Pool, across_strand, bends, pool_pixels
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

_MOST_STEPS: Final = 12
"""Of finding where a cut meets another strand; two strands along one lane take three."""

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
    """(C, n, J) linear light relative to white paper there."""
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
    slope = np.gradient(across, at[1] - at[0]) if len(at) > 2 else np.zeros(len(at))
    length = np.hypot(1.0, slope)
    normals = np.stack([-slope / length, 1.0 / length], axis=1)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(at), np.diff(across)))])
    middle = np.stack([at, across], axis=1)
    middle_card = region.to_card(middle)
    axes = np.array([region.along, region.across])
    mm_per_px = scale.mm_per_px(middle_card, normals @ axes)
    pitch = median(mm_per_px)

    across_it = across_strand(line, pitch, blur_mm)
    chroma = _HALVED_CHROMA if picture.chroma_halved and picture.pixels.ndim == 3 else 1.0
    there = _there(sight, number, normals, across_it.u_mm, 3.0 * blur_mm)
    pool = pool_pixels(picture, scale, region, middle, normals, across_it, there.keep, chroma)
    beside = tuple(s for i, s in enumerate(sight.strands) if i != number)
    slope_u = None
    if edges is not None and (by_xy := edges.light_slope(middle_card)) is not None:
        slope_u = np.einsum("ni,ni->n", by_xy, normals @ axes)
    quarters = _Quarters(arc, normals, mm_per_px, pool, there, slope_u)
    return _running(line, beside, across_it, quarters, scale, chroma)


@dataclass(frozen=True, eq=False)
class _There:
    """What lies where the quarters of a strand's cuts are, whatever its light."""

    keep: NDArray[np.bool_]
    """(n, J) which samples count."""
    clear: NDArray[np.bool_] | None
    """(n, J) which are clear of other strands' blurred edges; None where all are."""
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
    at, across = line.along_mm, line.across_mm
    u = u_grid.astype(np.float32)
    # A cut that runs exactly across stays where it is along.
    way = np.where(normals == 0.0, 1e-12, normals)
    margin = 0.15 + clearance_mm
    own = region.stretch_index(at, 0.0)
    low, high = np.full(len(at), margin), np.full(len(at), region.length_mm - margin)
    if region.stretches[0].ground != "open":
        ends = np.array([(s.from_mm + margin, s.to_mm - margin) for s in region.stretches])
        low, high = np.where(own >= 0, ends[own].T, np.nan)
    keep = _between(
        u,
        _reach(at, way[:, 0], low, high),
        _reach(across, way[:, 1], clearance_mm, region.width_mm - clearance_mm),
    )
    clear: NDArray[np.bool_] | None = None
    blocked = ~line.seen
    body = np.abs(u_grid) <= 0.5 * line.width_mm + 0.3
    for other_number, other in enumerate(sight.strands):
        away = other.reach_mm + 0.35
        bounds = np.array([-away - clearance_mm, -away, away, away + clearance_mm])
        if other_number == number or not _in_reach(line, normals, other, u_grid[-1], bounds[-1]):
            continue
        shown = _reach(at, way[:, 0], other.along_mm[0], other.along_mm[-1])
        borders = _beside(line, way, other, bounds)
        near = _between(u, shown, borders[1:3])
        keep &= ~near
        apart = ~_between(u, shown, borders[::3]) | body
        clear = apart if clear is None else clear & apart
        blocked |= near[:, body].any(axis=1)
    for a0, b0, a1, b1 in sight.covered:
        over = _between(
            u,
            _reach(at, way[:, 0], a0 - 0.8, a1 + 0.8),
            _reach(across, way[:, 1], b0 - 0.8, b1 + 0.8),
        )
        keep &= ~over
        blocked |= over[:, body].any(axis=1)
    # Near the lane's edge the strand itself must be in it; its shadow need not.
    blocked |= ~keep[:, np.abs(u_grid) <= 0.25 * line.width_mm].all(axis=1)
    return _There(keep, clear, own, blocked)


def _reach(start: Floats, way: Floats, low: Floats | float, high: Floats | float) -> Floats:
    """From where to where along u (2, n) cuts are between two bounds of a coordinate."""
    one, other = (low - start) / way, (high - start) / way
    return np.stack([np.minimum(one, other), np.maximum(one, other)])


def _between(u: Singles, *reaches: Floats) -> NDArray[np.bool_]:
    """Which places u (J,) of n cuts lie in all of some reaches (2, n): (n, J)."""
    low = np.max([r[0] for r in reaches], axis=0).astype(np.float32)
    high = np.min([r[1] for r in reaches], axis=0).astype(np.float32)
    return np.asarray((u >= low[:, None]) & (u <= high[:, None]))


def _in_reach(
    line: Centreline, normals: Floats, other: Centreline, edge_mm: float, away_mm: float
) -> bool:
    """Whether cuts up to `edge_mm` on either side may come within `away_mm` of another strand."""
    gap = np.abs(np.interp(line.along_mm, other.along_mm, other.across_mm) - line.across_mm)
    steepest = np.abs(np.diff(other.across_mm) / np.diff(other.along_mm)).max()
    way = np.abs(normals[:, 1]) + steepest * np.abs(normals[:, 0])
    return bool(np.any(gap - way * edge_mm < away_mm))


def _beside(line: Centreline, way: Floats, other: Centreline, away_mm: Floats) -> Floats:
    """Where along u (k, n) cuts are k given distances across from another strand's centreline."""
    u = np.zeros((len(away_mm), len(way)))
    for _ in range(_MOST_STEPS):
        there = np.interp(line.along_mm + u * way[:, 0], other.along_mm, other.across_mm)
        before, u = u, (there + away_mm[:, None] - line.across_mm) / way[:, 1]
        if np.abs(u - before).max() < 1e-5:
            break
    return u


def _running(
    line: Centreline,
    beside: tuple[Centreline, ...],
    across_it: Across,
    quarters: _Quarters,
    scale: Scale,
    chroma: float,
) -> Cuts:
    """The running cuts; overwrites the pool, which they are laid out in."""
    region = line.region
    pool, normals, there = quarters.pool, quarters.normals, quarters.there
    own, near = there.stretch, across_it.near
    n = len(own) - PER_CUT + 1

    # All in place: fresh memory for the largest arrays there are would cost as much as the sums.
    sums = _windows(pool.parts)
    bend = bends(across_it.u_mm[near], sums[..., near], np.maximum(own[:n], 0))
    total = sums[0]
    share = 1 / np.maximum(total, np.float32(1e-6))
    sums[1:] *= share
    off, light = sums[1], sums[2:]
    spread = _windows(pool.off2_mm2[None])[0]
    spread *= share[:, near]
    spread -= np.square(off[:, near])
    bend *= np.maximum(spread, 0, out=spread)
    np.copyto(off, pool.off_mm[:n], where=total <= 0)
    off += across_it.u_mm.astype(np.float32)

    middle = slice(PER_CUT // 2, PER_CUT // 2 + n)
    places = np.stack([quarters.arc_mm, line.along_mm, line.across_mm])
    arc_middle, along, across = _windows(places[..., None])[..., 0] / PER_CUT
    # The blocks of an open lane are only for following strands; its ground is one throughout.
    one_ground = region.stretches[0].ground == "open"
    same = np.ones(n, bool)
    for k in range(PER_CUT):
        same &= ((own[k : k + n] == own[:n]) | one_ground) & ~there.blocked[k : k + n]
    valid = same & (own[:n] >= 0)
    stretch = np.maximum(own[:n], 0)
    ground = np.array([s.ground for s in region.stretches])[stretch]

    rough = [(0.5 * other.width_mm, _UNKNOWN) for other in beside]
    others = _others(along, across, normals[middle], beside, rough)
    slope_u = None
    if quarters.paper_slope is not None:
        slope_u = quarters.paper_slope[middle].astype(np.float32)
    seen = Seen(off, light, total, across_it.share, line.width_mm, others)
    level, white, slope_u, noise = read_levels(region, seen, valid, stretch, along, slope_u)
    light[..., near] -= bend
    # Light that changes across, and white paper there.
    fall = slope_u[:, None] * off
    fall += 1
    light /= fall
    light *= (1 / white).T[..., None]

    total *= np.float32(1 / PER_CUT)
    if there.clear is not None:
        for k in range(PER_CUT):
            total *= there.clear[k : k + n]
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
        u_mm=off,
        light=light,
        weight=total,
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


def _windows(values: NDArray[Real]) -> NDArray[Real]:
    """Sums (k, n, J) of the quarters (k, n + 3, J) that make up each of n cuts, in their place."""
    for plane in values:
        pairs = plane[:-1] + plane[1:]
        np.add(pairs[:-2], pairs[2:], out=plane[:-3])
    return values[:, :-3]
