"""Pixels across a strand, put together by quarter millimetres along it.

Every pixel is taken as it is, nearest to a grid laid along the strand, with its true distance from
the centreline kept beside it: nothing is interpolated, so nothing is blurred. Only its brightness
is made the one the file kept, where colour was stored at half the resolution.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.linear_light import decode_srgb
from measure.picture import Picture
from measure.regions import Region
from measure.scale import Scale
from measure.strands import STEP_MM, Centreline

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

LUMA: Final = np.array([0.299, 0.587, 0.114], np.float32)
"""Weights of the brightness that JPEG keeps at full resolution, ITU-R BT.601."""
_MOST_ROWS: Final = 8
_MOST_SAMPLES: Final = 260
_NEIGHBOURS: Final = 16
"""Cuts whose mean profile tells how each one's profile bends."""
_NEAR: Final = 0.85
"""Widths from the centreline within which edges lie, where every pixel counts."""
_PER_WIDTH: Final = 8
"""Samples to a width that suffice for shadows and for bare ground."""
_THINNEST: Final = 3
_AT_ONCE: Final = 40_000
"""Samples worked on at a time."""


@dataclass(frozen=True)
class Across:
    """Where samples are taken across a strand: close together about it, sparsely beside it."""

    u_mm: Floats
    """(J,) ascending."""
    near: slice
    """Those close together."""
    rows: int
    """Pixels along the strand in each of those near, and in each of the others."""
    far_rows: int

    @property
    def share(self) -> Singles:
        """(J,) pixels in each sample, as a share of those in one near the strand."""
        share = np.full(len(self.u_mm), self.far_rows / self.rows, np.float32)
        share[self.near] = 1.0
        return share


def across_strand(line: Centreline, pitch_mm: float, blur_mm: float) -> Across:
    """Where to take samples across a strand.

    Every pixel about its edges, since those tell its width; elsewhere only as many as tell how
    bright ground and shadow are.
    """
    half = float(np.clip(max(3.2 * line.width_mm, line.reach_mm + 0.6), 1.1, 9.0))
    step = max(pitch_mm, 2.0 * half / _MOST_SAMPLES, line.width_mm / 48.0)
    rows = int(np.clip(STEP_MM / pitch_mm, 1, _MOST_ROWS))
    thin = int(np.clip(line.width_mm / (_PER_WIDTH * step), 1, _THINNEST))
    samples = int(np.ceil(half / step))
    near = samples
    if thin > 1:
        near = min(samples, int(np.ceil((_NEAR * line.width_mm + 3.0 * blur_mm) / step)))
    inner = np.arange(-near, near + 1) * step
    outer = (near + thin * np.arange(1, 1 + -(-(samples - near) // thin))) * step
    u = np.concatenate([-outer[::-1], inner, outer])
    far_rows = max(1, rows // 2) if thin > 1 else rows
    return Across(u, slice(len(outer), len(outer) + len(inner)), rows, far_rows)


@dataclass(frozen=True)
class Pool:
    """Pixels put together, each quarter millimetre."""

    u_mm: Singles
    """(n, J) mean distance from the centreline."""
    off_mm: Singles
    """(n, near) mean distance off the places asked for, of the samples near the strand,"""
    off2_mm2: Singles
    """(n, near) and mean square."""
    light: Singles
    """(n, C, J) mean."""
    share: Singles
    """(n, J) inside the picture, weighed by the pixels in the sample."""


def pool_pixels(
    picture: Picture,
    scale: Scale,
    region: Region,
    at: Floats,
    across: Floats,
    normals: Floats,
    across_it: Across,
) -> Pool:
    """Pixels of each quarter millimetre."""
    u_grid, rows = across_it.u_mm, across_it.rows
    edge = u_grid[-1]
    line = np.stack([at, across], axis=1)
    three = np.stack([line + k * edge * normals for k in (-1.0, 0.0, 1.0)])
    px = scale.to_picture(region.to_card(three))
    first = (px[2] - px[0]) / (2 * edge)
    second = (px[2] + px[0] - 2 * px[1]) / (2 * edge**2)
    # From one quarter to the next, and how far along u the nearest pixel lies from the place asked
    # for: the inverse of the local map, its along-axis taken from the line itself.
    onward = np.gradient(px[1], axis=0)
    det = first[:, 0] * onward[:, 1] - first[:, 1] * onward[:, 0]
    gain = np.stack([onward[:, 1], -onward[:, 0]], axis=1) / det[:, None]
    way = np.empty((len(at), rows, 4, 2), np.float32)
    offsets = (np.arange(rows) + 0.5) / rows - 0.5
    way[:, :, 0] = px[1][:, None] + offsets[:, None] * onward[:, None]
    way[:, :, 1:] = np.stack([first, second, gain], axis=1)[:, None]
    few = ((np.arange(across_it.far_rows) + 0.5) * (rows / across_it.far_rows)).astype(int)
    u = u_grid.astype(np.float32)
    near = across_it.near
    inner = _pool_all(picture, way, u[near])
    sides = np.concatenate([u[: near.start], u[near.stop :]])
    if not len(sides):
        return Pool(u + inner[0], *inner)
    outer = _pool_all(picture, way[:, few], sides)
    off, light, share = (
        np.concatenate([b[..., : near.start], a, b[..., near.start :]], axis=-1)
        for a, b in ((inner[0], outer[0]), (inner[2], outer[2]), (inner[3], outer[3]))
    )
    return Pool(u + off, inner[0], inner[1], light, share * across_it.share)


def _pool_all(
    picture: Picture, way: Singles, u: Singles
) -> tuple[Singles, Singles, Singles, Singles]:
    """Pixels of each quarter by portions that stay in the processor's cache."""
    size = max(1, _AT_ONCE // (way.shape[1] * len(u)))
    parts = [_pool_some(picture, way[k : k + size], u) for k in range(0, len(way), size)]
    off, off2, light, share = (np.concatenate(part) for part in zip(*parts, strict=True))
    return off, off2, light, share


def _pool_some(
    picture: Picture, way: Singles, u: Singles
) -> tuple[Singles, Singles, Singles, Singles]:
    """Pixels of some quarters: how far off u they lie, the square of that, light and share inside.

    `way` (m, rows, 4, 2): px on the centreline, per u, per u^2, and u per px.
    """
    m, rows = way.shape[:2]
    j = len(u)
    height, width = picture.pixels.shape[:2]
    share = np.ones((m, j), np.float32)
    powers = np.stack([np.ones_like(u), u, u * u])
    course, gain = way.reshape(m * rows, 4, 2)[:, :3], way.reshape(m * rows, 4, 2)[:, 3]
    nearest: list[Singles] = []
    off = np.empty((m * rows, j), np.float32)
    for axis, size in enumerate((width, height)):
        place = course[:, :, axis] @ powers
        whole = np.rint(place)
        np.subtract(whole, place, out=place)
        if axis:
            place *= gain[:, axis, None]
            off += place
        else:
            np.multiply(place, gain[:, axis, None], out=off)
        if not (whole.min() >= 0 and whole.max() < size):
            inside = (whole >= 0) & (whole < size)
            share *= inside.reshape(m, rows, j).mean(axis=1, dtype=np.float32)
        nearest.append(whole)
    raw = cv2.remap(
        picture.pixels, nearest[0], nearest[1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
    )
    linear = _mean_of_rows(decode_srgb(np.asarray(raw)).reshape(m, rows, -1)).reshape(m, j, -1)
    if picture.chroma_halved and raw.ndim == 3:
        kept = _mean_of_rows(brightness_kept(np.asarray(raw)).reshape(m, rows, j))
        linear += (kept - linear @ LUMA)[..., None]
    # Channels before places: NumPy is quick along long last axes only.
    return (
        _mean_of_rows(off.reshape(m, rows, j)),
        _mean_of_rows(np.square(off, out=off).reshape(m, rows, j)),
        np.ascontiguousarray(linear.transpose(0, 2, 1)),
        share,
    )


def brightness_kept(coded: NDArray[Any]) -> Singles:
    """Linear brightness (m, J) of coded colours (m, J, 3), as 4:2:0 keeps it of every pixel.

    That of the decoded colours is another: about an edge they are mixed from both sides before they
    are decoded, which widens a dyed strand.
    """
    return decode_srgb(np.asarray(cv2.cvtColor(coded, cv2.COLOR_RGB2GRAY)))


def _mean_of_rows(values: Singles) -> Singles:
    """Mean over the middle axis, which is short."""
    total = values[:, 0].copy()
    for k in range(1, values.shape[1]):
        total += values[:, k]
    total /= np.float32(values.shape[1])
    return total


def pooled_blur(
    u: Singles, light: Singles, total: Singles, spread: Singles, stretch: NDArray[np.int_]
) -> Singles:
    """What pooling pixels with a variance `spread` (n, J) in u added to their mean light (n, C, J).

    Half the variance times the second derivative by u, as any narrow blur does. The derivative is
    that of the mean profile of neighbouring cuts, weighted by their samples' `total` (n, J), and
    hardly shares the noise of each.
    """
    starts = _portions(stretch)
    around = np.add.reduceat(total, starts, axis=0)
    safe = np.maximum(around, np.float32(1e-6))
    mean_u = np.add.reduceat(total * u, starts, axis=0) / safe
    mean = np.add.reduceat(total[:, None] * light, starts, axis=0) / safe[:, None]
    steps = np.maximum(np.diff(mean_u, axis=1), np.float32(1e-3))[:, None]
    slopes = np.diff(mean, axis=2) / steps
    bend = np.zeros_like(mean)
    bend[..., 1:-1] = np.diff(slopes, axis=2) / (steps[..., 1:] + steps[..., :-1])
    shown = np.minimum(np.minimum(around[:, 2:], around[:, :-2]), around[:, 1:-1]) > 0.5
    bend[..., 1:-1] *= shown[:, None]
    out = np.repeat(bend, np.diff(np.append(starts, len(light))), axis=0)
    out *= spread[:, None]
    return np.asarray(out, np.float32)


def _portions(stretch: NDArray[np.int_]) -> NDArray[np.int_]:
    """Where portions of some `_NEIGHBOURS` cuts of one stretch (n,) begin."""
    ends = np.append(np.nonzero(np.diff(stretch))[0] + 1, len(stretch))
    starts: list[int] = []
    start = 0
    for end in ends.tolist():
        count = max(1, round((end - start) / _NEIGHBOURS))
        starts += [start + (end - start) * k // count for k in range(count)]
        start = end
    return np.array(starts)
