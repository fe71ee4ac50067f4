"""Cuts across a strand in linear light, at the picture's own pixels.

Every sample is one untouched pixel, taken nearest to an even grid laid along the strand, with its
true distance from the centreline kept beside it: nothing is interpolated, so nothing is blurred.
Samples of a quarter millimetre are pooled, and a cut is the running mean over one millimetre. What
pooling pixels at slightly different distances blurs, where an edge steps from one row of pixels to
the next, is taken off again by the curvature of the neighbouring cuts' own mean profile.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.ground_level import PER_CUT, read_levels
from measure.linear_light import decode_srgb
from measure.medians import median
from measure.picture import Picture
from measure.regions import Region
from measure.scale import Scale
from measure.strands import STEP_MM, Centreline, Sight

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Real = TypeVar("Real", np.float32, np.float64)

CUT_MM: Final = 1.0
"""Length of strand one cut averages over (docs/definitions.md, "Diameter")."""

_MOST_ROWS: Final = 8
_MOST_SAMPLES: Final = 260
_NEIGHBOURS: Final = 8
"""Cuts to either side whose mean profile tells how a cut's profile bends."""
_AT_ONCE: Final = 40_000
"""Samples worked on at a time."""


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
    """(n, J, C) linear light relative to white paper there."""
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


def cut_strand(picture: Picture, scale: Scale, sight: Sight, number: int, blur_mm: float) -> Cuts:
    """Cuts of strand `number` of a region's sight.

    `blur_mm` is the camera's edge spread there; cuts nearer than three of it to a band's edge are
    left out.
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

    half = float(np.clip(max(3.2 * line.width_mm, line.reach_mm + 0.6), 1.1, 9.0))
    u_step = max(pitch, 2.0 * half / _MOST_SAMPLES, line.width_mm / 48.0)
    samples = int(np.ceil(half / u_step))
    u_grid = np.asarray(np.arange(-samples, samples + 1) * u_step, float)
    rows = int(np.clip(STEP_MM / pitch, 1, _MOST_ROWS))

    u_base, off2, light, count = _pool(picture, scale, region, at, across, normals, u_grid, rows)
    weight, own, blocked = _masks(sight, number, line, normals, u_grid, 3.0 * blur_mm)
    weight *= count
    return _running(
        line,
        arc,
        normals,
        u_grid,
        u_base,
        off2,
        light,
        weight,
        own,
        blocked,
        mm_per_px,
        scale,
    )


def _pool(
    picture: Picture,
    scale: Scale,
    region: Region,
    at: Floats,
    across: Floats,
    normals: Floats,
    u_grid: Floats,
    rows: int,
) -> tuple[Singles, Singles, Singles, Singles]:
    """Pixels of each quarter millimetre.

    Mean u (n, J), mean square of how far pixels lie off the grid (n, J), mean light (n, J, C),
    share inside the picture (n, J).
    """
    n, j = len(at), len(u_grid)
    offsets = ((np.arange(rows) + 0.5) / rows - 0.5) * STEP_MM
    fine = (at[:, None] + offsets[None]).ravel()
    fine_across = np.interp(fine, at, across)
    # Beyond the last nodes the line goes on straight.
    fine_normals = np.repeat(normals, rows, axis=0)
    edge = u_grid[-1]
    three = np.stack(
        [np.stack([fine, fine_across], axis=1) + k * edge * fine_normals for k in (-1.0, 0.0, 1.0)]
    )
    px = scale.to_picture(region.to_card(three))
    first = (px[2] - px[0]) / (2 * edge)
    second = (px[2] + px[0] - 2 * px[1]) / (2 * edge**2)
    u = u_grid.astype(np.float32)
    # How far along u the nearest pixel lies from the place asked for: the inverse of the local
    # map, its along-axis taken from the line itself.
    step = np.gradient(px[1], axis=0) / (STEP_MM / rows)
    det = first[:, 0] * step[:, 1] - first[:, 1] * step[:, 0]
    gain = np.stack([step[:, 1] / det, -step[:, 0] / det], axis=1)
    way = np.stack([px[1], first, second, gain], axis=1).astype(np.float32)
    pooled = [
        _pool_some(picture, way[start * rows : (start + count) * rows], u, rows)
        for start, count in _chunks(n, rows * j)
    ]
    off, off2, light, share = (np.concatenate(parts) for parts in zip(*pooled, strict=True))
    return u + off, off2, light, share


def _chunks(n: int, size: int) -> list[tuple[int, int]]:
    """First and count of portions of n that stay in the processor's cache."""
    count = max(1, _AT_ONCE // size)
    return [(start, min(count, n - start)) for start in range(0, n, count)]


def _pool_some(
    picture: Picture, way: Singles, u: Singles, rows: int
) -> tuple[Singles, Singles, Singles, Singles]:
    """Pixels of some quarters: how far off u they lie, the square of that, light and share inside.

    `way` (m * rows, 4, 2): px on the centreline, per u, per u^2, and u per px.
    """
    m, j = len(way) // rows, len(u)
    height, width = picture.pixels.shape[:2]
    share = np.ones((m, j), np.float32)
    off = np.zeros((m * rows, j), np.float32)
    nearest: list[Singles] = []
    for axis, size in enumerate((width, height)):
        origin, d1, d2, gain = (way[:, k, axis, None] for k in range(4))
        place = d2 * u
        place += d1
        place *= u
        place += origin
        whole = np.rint(place)
        np.subtract(whole, place, out=place)
        place *= gain
        off += place
        if not (whole.min() >= 0 and whole.max() < size):
            inside = (whole >= 0) & (whole < size)
            share *= inside.reshape(m, rows, j).mean(axis=1, dtype=np.float32)
        nearest.append(whole)
    raw = cv2.remap(
        picture.pixels, nearest[0], nearest[1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
    )
    linear = decode_srgb(np.asarray(raw)).reshape(m, rows, -1)
    return (
        _mean_of_rows(off.reshape(m, rows, j)),
        _mean_of_rows(np.square(off).reshape(m, rows, j)),
        _mean_of_rows(linear).reshape(m, j, -1),
        share,
    )


def _mean_of_rows(values: Singles) -> Singles:
    """Mean over the middle axis, which is short."""
    total = values[:, 0].copy()
    for k in range(1, values.shape[1]):
        total += values[:, k]
    total /= np.float32(values.shape[1])
    return total


def _masks(
    sight: Sight,
    number: int,
    line: Centreline,
    normals: Floats,
    u_grid: Floats,
    clearance_mm: float,
) -> tuple[Singles, NDArray[np.int_], NDArray[np.bool_]]:
    """Which samples count (n, J), the stretch of each quarter (n,), and covered places (n,)."""
    region = line.region
    a = line.along_mm[:, None] + u_grid[None] * normals[:, :1]
    b = line.across_mm[:, None] + u_grid[None] * normals[:, 1:]
    margin = 0.15 + clearance_mm
    own = region.stretch_index(line.along_mm, 0.0)
    if region.stretches[0].ground == "open":
        on_same = (a >= margin) & (a <= region.length_mm - margin)
    else:
        ends = np.array([(s.from_mm + margin, s.to_mm - margin) for s in region.stretches])[own]
        on_same = (a >= ends[:, :1]) & (a <= ends[:, 1:]) & (own >= 0)[:, None]
    keep = on_same & (b >= clearance_mm) & (b <= region.width_mm - clearance_mm)
    blocked = ~line.seen.copy()
    body = np.abs(u_grid) <= 0.5 * line.width_mm + 0.3
    for other_number, other in enumerate(sight.strands):
        if other_number == number:
            continue
        there = np.interp(a, other.along_mm, other.across_mm, left=np.nan, right=np.nan)
        near = np.abs(b - there) < other.reach_mm + 0.35
        keep &= ~near
        blocked |= near[:, body].any(axis=1)
    for a0, b0, a1, b1 in sight.covered:
        over = (a > a0 - 0.8) & (a < a1 + 0.8) & (b > b0 - 0.8) & (b < b1 + 0.8)
        keep &= ~over
        blocked |= over[:, body].any(axis=1)
    # Near the lane's edge the strand itself must be in it; its shadow need not.
    blocked |= ~keep[:, np.abs(u_grid) <= 0.25 * line.width_mm].all(axis=1)
    return keep.astype(np.float32), own, blocked


def _running(
    line: Centreline,
    arc: Floats,
    normals: Floats,
    u_grid: Floats,
    u_base: Singles,
    off2: Singles,
    light: Singles,
    weight: Singles,
    own: NDArray[np.int_],
    blocked: NDArray[np.bool_],
    mm_per_px: Floats,
    scale: Scale,
) -> Cuts:
    region = line.region
    n = len(arc) - PER_CUT + 1

    total = _window(weight)
    share = 1 / np.maximum(total, np.float32(1e-6))
    u = _window(weight * u_base)
    u *= share
    mean_light = _window(weight[..., None] * light)
    mean_light *= share[..., None]
    empty = total <= 0
    u[empty] = u_base[:n][empty]

    middle = slice(PER_CUT // 2, PER_CUT // 2 + n)
    arc_middle = _window(arc) / PER_CUT
    along = _window(line.along_mm) / PER_CUT
    across = _window(line.across_mm) / PER_CUT
    # The blocks of an open lane are only for following strands; its ground is one throughout.
    one_ground = region.stretches[0].ground == "open"
    same = np.ones(n, bool)
    for k in range(PER_CUT):
        same &= ((own[k : k + n] == own[:n]) | one_ground) & ~blocked[k : k + n]
    valid = same & (own[:n] >= 0)
    stretch = np.maximum(own[:n], 0)
    ground = np.array([s.ground for s in region.stretches])[stretch]

    level, white, slope_u, noise = read_levels(
        region, u, mean_light, total, valid, stretch, along, line.width_mm
    )
    off = u_base - u_grid.astype(np.float32)
    mean_off = _window(weight * off) * share
    spread = np.maximum(_window(weight * off2) * share - np.square(mean_off), 0)
    relative = mean_light
    relative -= _pooled_blur(u, mean_light, total, spread, stretch)
    relative /= white[:, None, :]
    if slope_u.any():
        relative /= (1 + slope_u[:, None] * u)[..., None]

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
        light=relative.astype(np.float32, copy=False),
        weight=total / np.float32(PER_CUT),
        ground=ground,
        valid=valid,
        level=(level / white).astype(np.float32),
        noise=(noise / white).astype(np.float32),
        mm_per_px=mm_per_px[middle],
        view_tan=view_tan,
        camera_height_mm=float(scale.camera_mm[2]),
    )


def _pooled_blur(
    u: Singles, light: Singles, total: Singles, spread: Singles, stretch: NDArray[np.int_]
) -> Singles:
    """What pooling pixels with a variance `spread` (n, J) in u added to their mean light (n, J, C).

    Half the variance times the second derivative by u, as any narrow blur does. The derivative is
    that of the mean profile of the cuts round each one, weighted by their samples' `total` (n, J),
    and hardly shares its noise.
    """
    out = np.zeros_like(light)
    for number in np.unique(stretch):
        own = np.nonzero(stretch == number)[0]
        weight = total[own]
        around = np.maximum(_running_sum(weight), 1e-6)
        mean_u = _running_sum(weight * u[own]) / around
        mean = _running_sum(weight[..., None] * light[own]) / around[..., None]
        steps = np.maximum(np.diff(mean_u, axis=1), 1e-3)[..., None]
        slopes = np.diff(mean, axis=1) / steps
        bend = np.diff(slopes, axis=1) / (0.5 * (steps[:, 1:] + steps[:, :-1]))
        shown = np.minimum(np.minimum(around[:, 2:], around[:, :-2]), around[:, 1:-1]) > 0.5
        half = np.where(shown, 0.5 * spread[own, 1:-1], 0.0)
        out[own, 1:-1] = half[..., None] * bend
    return out


def _running_sum(values: Singles) -> Floats:
    """Sums over each row (n, ...) and its neighbours to either side, of those there are."""
    n = len(values)
    total = np.zeros((n + 1, *values.shape[1:]))
    np.cumsum(values, axis=0, out=total[1:])
    at = np.arange(n)
    return np.asarray(
        total[np.minimum(at + _NEIGHBOURS + 1, n)] - total[np.maximum(at - _NEIGHBOURS, 0)]
    )


def _window(values: NDArray[Real]) -> NDArray[Real]:
    """Sums of the quarters that make up one cut, of every cut."""
    pairs = values[:-1] + values[1:]
    return np.asarray(pairs[:-2] + pairs[2:])
