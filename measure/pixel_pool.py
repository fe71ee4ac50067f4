"""Pixels across a strand, put together by quarter millimetres along it.

Every pixel is taken as it is, nearest to a grid laid along the strand, with its true distance from
the centreline kept beside it: nothing is interpolated, so nothing is blurred. Only its brightness
is made the one the file kept, where colour was stored at half the resolution.
"""

from __future__ import annotations

import math
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
_DEPARTURE: Final = np.eye(3, dtype=np.float32) - LUMA
"""Takes it off every channel."""
_MOST_ROWS: Final = 8
_MOST_SAMPLES: Final = 260
_NEIGHBOURS: Final = 16
"""Cuts whose mean profile tells how each one's profile bends."""
_NEAR: Final = 0.85
"""Widths from the centreline within which edges lie, where every pixel counts."""
_PER_WIDTH: Final = 8
"""Samples to a width that suffice for shadows and for bare ground."""
_THINNEST: Final = 3
_AT_ONCE: Final = 30_000
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
    half = min(max(3.2 * line.width_mm, line.reach_mm + 0.6, 1.1), 9.0)
    step = max(pitch_mm, 2.0 * half / _MOST_SAMPLES, line.width_mm / 48.0)
    rows = min(max(int(STEP_MM / pitch_mm), 1), _MOST_ROWS)
    thin = min(max(int(line.width_mm / (_PER_WIDTH * step)), 1), _THINNEST)
    samples = math.ceil(half / step)
    near = samples
    if thin > 1:
        near = min(samples, math.ceil((_NEAR * line.width_mm + 3.0 * blur_mm) / step))
    inner = np.arange(-near, near + 1) * step
    outer = (near + thin * np.arange(1, 1 + -(-(samples - near) // thin))) * step
    u = np.concatenate([-outer[::-1], inner, outer])
    far_rows = max(1, rows // 2) if thin > 1 else rows
    return Across(u, slice(len(outer), len(outer) + len(inner)), rows, far_rows)


@dataclass(frozen=True)
class Pool:
    """Pixels put together, n quarter millimetres of them."""

    parts: Singles
    """(2 + C, n, J) weights and, times them, mean distances off the places asked for, mean light.

    One behind the other, since NumPy is quick along long last axes only.
    """
    off_mm: Singles
    """(n, J) these distances themselves."""
    off2_mm2: Singles
    """(n, near) mean square distance off times the weight, of the samples near the strand."""


def pool_pixels(
    picture: Picture,
    scale: Scale,
    region: Region,
    line_mm: Floats,
    normals: Floats,
    across_it: Across,
    keep: NDArray[np.bool_],
    chroma: float,
) -> Pool:
    """Pixels of each quarter millimetre along a line (n, 2) in region coordinates.

    `keep` (n, J) says which samples have a weight: that of the pixels in them and in the picture.
    `chroma` is the share of their departure from grey that they are left.
    """
    u_grid, rows, near = across_it.u_mm, across_it.rows, across_it.near
    edge = u_grid[-1]
    three = np.stack([line_mm + k * edge * normals for k in (-1.0, 0.0, 1.0)])
    px = scale.to_picture(region.to_card(three))
    first = (px[2] - px[0]) / (2 * edge)
    second = (px[2] + px[0] - 2 * px[1]) / (2 * edge**2)
    # From one quarter to the next, and how far along u the nearest pixel lies from the place asked
    # for: the inverse of the local map, its along-axis taken from the line itself.
    onward = np.gradient(px[1], axis=0)
    det = first[:, 0] * onward[:, 1] - first[:, 1] * onward[:, 0]
    gain = (np.stack([onward[:, 1], -onward[:, 0]], axis=1) / det[:, None]).astype(np.float32)
    offsets = (np.arange(rows) + 0.5) / rows - 0.5
    way = np.empty((2, rows, len(px[1]), 3), np.float32)
    way[..., 0] = px[1].T[:, None] + offsets[:, None] * onward.T[:, None]
    way[..., 1] = first.T[:, None]
    way[..., 2] = second.T[:, None]
    few = ((np.arange(across_it.far_rows) + 0.5) * (rows / across_it.far_rows)).astype(int)

    room = 1.0 + np.abs(onward).max(axis=0) + np.abs(second).max(axis=0) * edge**2
    within = all(
        room[i] <= px[..., i].min() and px[..., i].max() <= size - 1 - room[i]
        for i, size in enumerate(picture.pixels.shape[1::-1])
    )
    n, j = len(px[1]), len(u_grid)
    channels = 1 if picture.pixels.ndim == 2 else picture.pixels.shape[2]
    parts = np.empty((2 + channels, n, j), np.float32)
    np.multiply(keep, across_it.share, out=parts[0])
    off2 = np.empty((n, near.stop - near.start), np.float32)
    _fill(parts, off2, picture, way, gain, u_grid, [near], within, chroma)
    sides = [side for side in (slice(0, near.start), slice(near.stop, j)) if side.stop > side.start]
    if sides:
        _fill(parts, None, picture, way[:, few], gain, u_grid, sides, within, chroma)
    off = parts[1].copy()
    parts[1:] *= parts[0]
    off2 *= parts[0, :, near]
    return Pool(parts, off, off2)


def _fill(
    parts: Singles,
    off2_mm2: Singles | None,
    picture: Picture,
    way: Singles,
    gain: Singles,
    u_grid: Floats,
    columns: list[slice],
    within: bool,
    chroma: float,
) -> None:
    """Fills some columns of a pool's parts, not weighted yet, and where asked for the squares.

    `way` (2, rows, n, 3): x and y in px on the centreline, per u, per u^2; `gain` (n, 2): u per px.
    By portions that stay in the processor's cache, rows before cuts so that one product sums them.
    """
    u = np.concatenate([u_grid[c] for c in columns])
    powers = np.ones((3, len(u)), np.float32)
    powers[1], powers[2] = u, u * u
    _, rows, n, _ = way.shape
    mean = np.full(rows, 1.0 / rows, np.float32)
    size = max(1, _AT_ONCE // (rows * len(u)))
    for first in range(0, n, size):
        some = slice(first, min(first + size, n))
        m = some.stop - first
        off = (way[:, :, some].reshape(-1, 3) @ powers).reshape(2, rows, m, -1)
        nearest = np.rint(off)
        np.subtract(nearest, off, out=off)
        off *= gain[some].T[:, None, :, None]
        off_u = np.add(off[0], off[1], out=off[0]).reshape(rows, -1)
        found = np.empty((len(parts) - 1, m, len(u)), np.float32)
        np.matmul(mean, off_u, out=found[0].reshape(-1))
        _read_light(picture, nearest, chroma, found[1:])
        share = None if within else _share_inside(picture, nearest)
        start = 0
        for column in columns:
            stop = start + column.stop - column.start
            parts[1:, some, column] = found[..., start:stop]
            if share is not None:
                parts[0, some, column] *= share[:, start:stop]
            start = stop
        if off2_mm2 is not None:
            np.matmul(mean, np.square(off_u, out=off_u), out=off2_mm2[some].reshape(-1))


def _share_inside(picture: Picture, nearest: Singles) -> Singles:
    """Share (m, J) of pixels at x and y `nearest` (2, rows, m, J) that the picture has."""
    size = np.array(picture.pixels.shape[1::-1])[:, None, None, None]
    inside = ((nearest >= 0) & (nearest < size)).mean(axis=1, dtype=np.float32)
    return np.asarray(inside[0] * inside[1])


def _read_light(picture: Picture, nearest: Singles, chroma: float, out: Singles) -> None:
    """Mean linear light (C, m, J) of m quarters' pixels at x and y `nearest` (2, rows, m, J)."""
    _, rows, m, j = nearest.shape
    # OpenCV is quicker along long lines of pixels.
    x, y = nearest.reshape(2, rows, -1)
    raw = np.asarray(
        cv2.remap(picture.pixels, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    )
    mean = np.full(rows, 1.0 / rows, np.float32)
    light = (mean @ decode_srgb(raw).reshape(rows, -1)).reshape(m, j, -1)
    if picture.chroma_halved and raw.ndim == 3:
        # The departure from grey of the decoded colours, on the brightness that was kept.
        light = np.asarray(cv2.transform(light, np.float32(chroma) * _DEPARTURE))
        kept = mean @ brightness_kept(raw).reshape(rows, -1)
        out[:] = light.transpose(2, 0, 1)
        out += kept.reshape(m, j)
    else:
        out[:] = light.transpose(2, 0, 1)


def brightness_kept(coded: NDArray[Any]) -> Singles:
    """Linear brightness (m, J) of coded colours (m, J, 3), as 4:2:0 keeps it of every pixel.

    That of the decoded colours is another: about an edge they are mixed from both sides before they
    are decoded, which widens a dyed strand.
    """
    return decode_srgb(np.asarray(cv2.cvtColor(coded, cv2.COLOR_RGB2GRAY)))


def bends(u_grid: Floats, sums: Singles, stretch: NDArray[np.int_]) -> Singles:
    """Half the second derivative of light by u of neighbouring cuts' mean profile: (C, n, J).

    Times the variance in u of the pixels put together, it is what that adds to their mean light,
    as any narrow blur does; the mean hardly shares the noise of each cut. `sums` (2 + C, n, J) are
    each sample's weight, and weighted by it how far it lies off `u_grid` (J,), and its light.
    """
    starts = _portions(stretch)
    around = np.add.reduceat(sums, starts, axis=1)
    weight, mean = around[0], around[1:] / np.maximum(around[0], np.float32(1e-6))
    mean_u = mean[0] + u_grid.astype(np.float32)
    steps = np.maximum(np.diff(mean_u, axis=1), np.float32(1e-3))
    slopes = np.diff(mean[1:], axis=2) / steps
    bend = np.zeros_like(mean[1:])
    bend[..., 1:-1] = np.diff(slopes, axis=2) / (steps[:, 1:] + steps[:, :-1])
    shown = np.minimum(np.minimum(weight[:, 2:], weight[:, :-2]), weight[:, 1:-1]) > 0.5
    bend[..., 1:-1] *= shown
    return np.repeat(bend, np.diff(np.append(starts, len(stretch))), axis=1)


def _portions(stretch: NDArray[np.int_]) -> NDArray[np.int_]:
    """Where portions of some `_NEIGHBOURS` cuts of one stretch (n,) begin."""
    starts: list[int] = []
    start = 0
    for end in [*(np.nonzero(stretch[1:] != stretch[:-1])[0] + 1).tolist(), len(stretch)]:
        count = max(1, round((end - start) / _NEIGHBOURS))
        starts += [start + (end - start) * k // count for k in range(count)]
        start = end
    return np.array(starts)
