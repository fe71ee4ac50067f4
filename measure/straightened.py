"""A strand pulled straight: linear light on an even grid along its centreline and across it.

Unlike the cuts a width is fitted to, this grid is fine enough along the strand to show the bumps
of its plies, and its rows lie at fixed shares of the strand's half width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.linear_light import decode_srgb
from measure.medians import median
from measure.picture import Picture
from measure.profiles import CUT_MM, Cuts
from measure.scale import Scale

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

XI_STEP: Final = 0.1
"""Spacing of the rows, half widths."""
XI_REACH: Final = 1.7
"""Half widths to either side that are looked at: edges, and some of the ground beside them."""
_STEPS_ACROSS: Final = 14
"""Grid steps along the strand to one width of it, where the picture has as many pixels."""
_APART_PX: Final = 1.75
"""Pixels from one sample to the next, at most: each is put together of the pixels within one."""
_MOST_FINE: Final = 3
_COLUMNS_AT_ONCE: Final = 192


@dataclass(frozen=True)
class Straightened:
    """n columns along the strand, J rows across it, C channels."""

    s_mm: Floats
    """(n,) along the strand, as `Cuts.arc_mm`, evenly spaced."""
    xi: Floats
    """(J,) across it in half widths, rising towards the cuts' +u."""
    light: Singles
    """(n, J, C) linear light."""
    stretch: NDArray[np.int_]
    """(n,) number of the stretch of one ground each column lies in; -1 where it does not count."""
    half_width_mm: float
    px_across: float
    """Pixels across the strand."""

    @property
    def step_mm(self) -> float:
        """Spacing of the columns."""
        return float(self.s_mm[1] - self.s_mm[0])

    @property
    def seen_mm(self) -> float:
        """Length of the columns that count."""
        return float(np.sum(self.stretch >= 0)) * self.step_mm


def straighten(
    picture: Picture,
    scale: Scale,
    cuts: Cuts,
    middle_mm: Floats,
    half_width_mm: float,
    clearance_mm: float,
) -> Straightened:
    """The strand of these cuts, its middle `middle_mm` (n,) along u off the cuts' centreline.

    Columns nearer than `clearance_mm` to a band's edge, and covered ones, do not count.
    """
    pitch = median(cuts.mm_per_px)
    step = max(pitch, 2.0 * half_width_mm / _STEPS_ACROSS)
    s = np.arange(float(cuts.arc_mm[0]), float(cuts.arc_mm[-1]), step)
    fine = _fine(step / pitch)
    xi = np.arange(-round(XI_REACH / XI_STEP), round(XI_REACH / XI_STEP) + 1) * XI_STEP
    fine_u = _fine(XI_STEP * half_width_mm / pitch)
    fine_s = (s[:, None] + _parts(fine) * step).ravel()
    u = (xi[:, None] + _parts(fine_u) * XI_STEP).ravel() * half_width_mm
    light = _sampled(picture, scale, cuts, middle_mm, fine_s, u, (fine, fine_u))
    return Straightened(
        s_mm=s,
        xi=np.asarray(xi, float),
        light=light,
        stretch=_stretches(cuts, s, clearance_mm),
        half_width_mm=half_width_mm,
        px_across=2.0 * half_width_mm / pitch,
    )


def _fine(step_px: float) -> int:
    """Samples to a step of so many pixels."""
    return min(math.ceil(step_px / _APART_PX), _MOST_FINE)


def _parts(count: int) -> Floats:
    """Middles of so many equal parts of a step about its own middle, in steps."""
    return np.asarray((np.arange(count) + 0.5) / count - 0.5)


def _sampled(
    picture: Picture,
    scale: Scale,
    cuts: Cuts,
    middle_mm: Floats,
    s: Floats,
    u: Floats,
    of: tuple[int, int],
) -> Singles:
    """Linear light (n, J, C), each the mean of so many (`of`) along and across, which lie at
    `s` (n of[0],) and `u` (J of[1],); interpolated between pixels after decoding."""
    edge = float(np.abs(u).max())
    base = np.stack([cuts.along_mm, cuts.across_mm], axis=1)
    three = np.stack([base + (middle_mm + off)[:, None] * cuts.normals for off in (-edge, 0, edge)])
    # Seen at the cuts, and straight from each to the next: (3, 2, n of[0]).
    at_cuts = scale.to_picture(cuts.line.region.to_card(three))
    at_cuts = np.ascontiguousarray(at_cuts.transpose(0, 2, 1))
    place = np.interp(s, cuts.arc_mm, np.arange(len(base), dtype=float))
    before = np.minimum(place.astype(int), len(base) - 2)
    px = np.diff(at_cuts).take(before, axis=-1)
    px *= place - before
    px += at_cuts.take(before, axis=-1)
    height, width = picture.pixels.shape[:2]
    # A grey picture has no axis of channels on the way, as OpenCV knows none.
    out = np.zeros((len(s) // of[0], len(u) // of[1], *picture.pixels.shape[2:]), np.float32)
    at_once = _COLUMNS_AT_ONCE // of[0]
    # Each portion's own part of the picture, and pixels along a cut counted from its corner, to
    # second order in u.
    begin = np.arange(0, len(out), at_once) * of[0]
    low = np.minimum.reduceat(px.min(axis=0), begin, axis=1).T
    high = np.maximum.reduceat(px.max(axis=0), begin, axis=1).T
    corner = np.maximum(np.floor(low).astype(int) - 2, 0)
    end = np.minimum(np.ceil(high).astype(int) + 3, (width, height))
    course = np.empty((2, len(s), 3), np.float32)
    course[..., 0] = px[1] - corner.T.take(np.arange(len(s)) // (at_once * of[0]), axis=1)
    course[..., 1] = (px[2] - px[0]) / 2
    course[..., 2] = (px[2] + px[0]) / 2 - px[1]
    powers = np.stack([np.ones_like(u), u / edge, (u / edge) ** 2]).astype(np.float32)
    boxes = zip(begin.tolist(), corner.tolist(), end.tolist(), strict=True)
    for start, (left, top), (right, bottom) in boxes:
        box = picture.pixels[top : max(bottom, 0), left : max(right, 0)]
        if not box.size:
            continue
        x, y = course[:, start : start + at_once * of[0]] @ powers
        light = decode_srgb(box)
        part = out[start // of[0] : start // of[0] + at_once]
        if of == (1, 1):
            cv2.remap(light, x, y, cv2.INTER_LINEAR, part, cv2.BORDER_REPLICATE)
        else:
            seen = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            cv2.resize(seen, part.shape[1::-1], part, interpolation=cv2.INTER_AREA)
    return out.reshape(*out.shape[:2], -1)


def _stretches(cuts: Cuts, s: Floats, clearance_mm: float) -> NDArray[np.int_]:
    """Which stretch of one ground each column lies in, -1 where it does not count."""
    region, line = cuts.line.region, cuts.line
    along = np.interp(s, cuts.arc_mm, cuts.along_mm)
    nearest = np.searchsorted(cuts.arc_mm[:-1], s)
    shown = line.seen[np.searchsorted(line.along_mm[:-1], along)]
    if region.stretches[0].ground == "open":
        inside = (along > clearance_mm) & (along < region.length_mm - clearance_mm)
        return np.where(inside & shown & cuts.valid[nearest], 0, -1)
    # A cut across a band's edge is not valid either, but the columns in it are.
    at_edge = region.stretch_index(cuts.along_mm, CUT_MM) < 0
    clear = (cuts.valid | at_edge)[nearest]
    return np.where(shown & clear, region.stretch_index(along, clearance_mm), -1)
