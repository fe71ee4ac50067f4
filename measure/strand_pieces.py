"""Pieces of strands: what runs along one stretch of a region and stands out from its ground.

The region is laid flat at a modest resolution. In every column the ground is the median across
the region, whatever it is printed or lit like; what differs from it and is connected is a piece,
or something that covers the region, or lies along its edge, or is too fine to follow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.linear_light import decode_srgb
from measure.medians import median, medians, quantile
from measure.picture import Picture
from measure.regions import Region
from measure.scale import Scale

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[float, float, float, float]

_COLUMN_MM: Final = 0.5
"""Spacing of the columns in which strands are looked for."""

_ROW_MM: Final = 0.06
_NODE_MM: Final = 2.0
"""Places are mapped to the picture this far apart, straight in between."""
_MAX_SLOPE: Final = 0.85
_EDGE_MM: Final = 0.6
_CONTRAST: Final = 0.035
_NOISES: Final = 6.0
_WIDEST_SHARE: Final = 0.45
_SHORTEST_MM: Final = 3.0


@dataclass(frozen=True, eq=False)
class Piece:
    """A strand's way through one stretch, in region coordinates (mm along, mm across)."""

    stretch: int
    along: Floats
    """(n,) columns' places."""
    across: Floats
    """(n,) middle of what shows there."""
    width: float
    start: tuple[float, float]
    stop: tuple[float, float]
    """Ends, (along, across), from straight lines through the last few columns."""
    slope: float
    remains: float
    """Brightness left at the darkest, as a share of the ground."""
    neutral: bool
    """It only darkens, and all channels alike, as a shadow does."""


@dataclass(frozen=True, eq=False)
class Findings:
    """All that stands out in one region."""

    pieces: tuple[Piece, ...]
    covered: tuple[Box, ...]
    """Boxes (along from, across from, along to, across to) over what is no strand."""
    beside: bool
    """A strand-like thing runs along the region's edge, half out of it."""
    too_fine_px: float
    """Pixels across the widest strand-like thing too fine to follow; 0 when there was none."""
    ground: Floats
    """(C,) linear light of the ground, median over the region."""


@dataclass(frozen=True, eq=False)
class _Flat:
    """A region laid flat: R rows across it, K columns along it."""

    light: Singles
    """(C, R, K) linear light."""
    valid: Mask
    """(R, K) inside the picture."""
    along: Floats
    """(K,) mm."""
    row_mm: float


@dataclass(frozen=True, eq=False)
class _Thing:
    """Something connected within one stretch; `x` and `y` are its box's first column and row."""

    stretch: int
    x: int
    y: int
    here: Mask
    """(h, w) its cells in its box."""
    there: Mask
    """(w,) columns it shows in."""
    span: NDArray[np.int_]
    """(shown columns,) rows from its top to its bottom."""
    filled: NDArray[np.int_]
    """(shown columns,) rows it has in between."""
    tops: NDArray[np.int_]
    """(shown columns,)"""
    middle_span: float
    steady: Mask
    """(shown columns,) about as wide as it is typically."""


def find_pieces(picture: Picture, scale: Scale, region: Region) -> Findings | None:
    """Pieces of one region, stretch by stretch; None when it lies outside the picture."""
    flat = _lay_flat(picture, scale, region)
    if flat is None:
        return None
    index = region.stretch_index(flat.along, _EDGE_MM)
    ground = _ground(flat.light, flat.valid)
    strongest = _departure(region, flat, ground, index)
    rough = np.abs(np.diff(strongest[:: max(1, len(strongest) // 64)], axis=0))
    rough.sort(axis=0)
    noise = np.float32(1.4826) * rough[len(rough) // 2]
    limit = np.maximum(np.float32(_CONTRAST), np.float32(_NOISES) * noise)
    mask = np.asarray((strongest > limit) & (index >= 0), np.uint8)
    closing = np.ones((max(3, round(0.25 / flat.row_mm)) | 1, 1), np.uint8)
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, closing), np.uint8)

    pieces: list[Piece] = []
    covered: list[Box] = []
    beside, too_fine_px = False, 0.0
    rows = len(mask)
    for thing in _things(mask, strongest, index):
        width = thing.middle_span * flat.row_mm
        if width > min(_WIDEST_SHARE * region.width_mm, 14.0):
            covered.append(_box(thing, flat))
            continue
        # A thing that splits or merges here has no one middle; others carry the line on.
        split = np.count_nonzero(thing.filled < 0.7 * thing.span) > 0.35 * len(thing.span)
        if split and width > 1.2:
            continue
        if 2 * np.count_nonzero(thing.steady) < len(thing.steady):
            continue
        at_edge = max(
            np.count_nonzero(thing.tops <= 0), np.count_nonzero(thing.tops + thing.span >= rows)
        )
        if 2 * at_edge > len(thing.tops):
            beside = beside or len(thing.there) * _COLUMN_MM > 6.0
            continue
        piece = _piece(thing, flat, ground)
        if piece is None:
            continue
        if width < 2.2 * flat.row_mm:
            if _stands_out(thing, strongest):
                too_fine_px = max(too_fine_px, float(thing.middle_span))
            continue
        pieces.append(piece)
    typical = np.array([median(channel) for channel in ground])
    return Findings(tuple(pieces), tuple(covered), beside, too_fine_px, typical)


def _lay_flat(picture: Picture, scale: Scale, region: Region) -> _Flat | None:
    """The region's light as the picture shows it, or None when hardly any of it is in there."""
    middle = region.to_card(np.array([[region.length_mm / 2, region.width_mm / 2]]))
    native = float(scale.mm_per_px(middle, np.array(region.across))[0])
    rows = min(max(round(region.width_mm / max(_ROW_MM, native)), 16), 4000)
    columns = min(max(math.ceil(region.length_mm / _COLUMN_MM), 8), 4000)
    # Two places to a column, so that one odd pixel is not all it has.
    x, y, bounds = _places_px(scale, region, rows, 2 * columns)
    height, width = picture.pixels.shape[:2]
    valid = np.ones((rows, columns), bool)
    if bounds[0].min() < 0 or (bounds[1] > (width - 1, height - 1)).any():
        inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
        valid = inside[:, 0::2] & inside[:, 1::2]
        if inside.mean() < 0.1:
            return None
    flat = cv2.remap(picture.pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    flat = cv2.resize(flat, (columns, rows), interpolation=cv2.INTER_LINEAR)
    light = np.stack([decode_srgb(np.asarray(plane)) for plane in cv2.split(flat)])
    along = (np.arange(columns) + 0.5) * region.length_mm / columns
    return _Flat(light, valid, along, region.width_mm / rows)


def _places_px(
    scale: Scale, region: Region, rows: int, columns: int
) -> tuple[Singles, Singles, Floats]:
    """Pixels x and y (rows, columns) of an even grid over a region, straight between nodes; and
    bounds of them all, the least and the largest x and y (2, 2)."""
    each = [max(1, round(_NODE_MM * n / mm)) for n, mm in _sides(region, rows, columns)]
    # A node in the middle of every block of cells, and one more block on every side.
    nodes = [
        (np.arange(-1, -(-n // q) + 1) + 0.5) * q * mm / n
        for q, (n, mm) in zip(each, _sides(region, rows, columns), strict=True)
    ]
    grid = np.stack(np.meshgrid(nodes[1], nodes[0]), axis=-1)
    px = scale.to_picture(region.to_card(grid))
    size = (len(nodes[1]) * each[1], len(nodes[0]) * each[0])
    inner = np.s_[each[0] : each[0] + rows, each[1] : each[1] + columns]

    def between(at_nodes: Floats) -> Singles:
        whole = cv2.resize(at_nodes.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
        return np.asarray(whole, np.float32)[inner]

    bounds = np.array([px.min(axis=(0, 1)), px.max(axis=(0, 1))])
    return between(px[..., 0]), between(px[..., 1]), bounds


def _sides(region: Region, rows: int, columns: int) -> tuple[tuple[int, float], ...]:
    return ((rows, region.width_mm), (columns, region.length_mm))


def _departure(region: Region, flat: _Flat, ground: Singles, index: NDArray[np.int_]) -> Singles:
    """Largest departure from the ground over channels, (R, K), in units of white."""
    light, valid = flat.light, flat.valid
    grounds = np.array([s.ground for s in region.stretches])[np.maximum(index, 0)]
    white = _white(ground, grounds, index)
    usable = (index >= 0) & (valid.mean(axis=0) > 0.9)
    usable &= _believable(ground, grounds, usable)
    gain = np.where(usable, 1.0 / white, 0.0).astype(np.float32)
    out = np.zeros(light.shape[1:], np.float32)
    for channel, level in zip(light, ground, strict=True):
        signal = channel - level
        signal *= gain
        if not valid.all():
            signal[~valid] = 0.0
        smooth = np.asarray(cv2.blur(signal, (3, 1)))
        np.maximum(out, np.abs(smooth, out=smooth), out=out)
    return out


def _ground(light: Singles, valid: Mask) -> Singles:
    """Median across the region of every column, (channels, columns)."""
    step = max(1, light.shape[1] // 96)
    some = np.array(light[:, ::step])
    if valid.all():
        some.sort(axis=1)
        return some[:, some.shape[1] // 2]
    shown = valid[::step]
    some[:, ~shown] = np.inf
    some.sort(axis=1)
    middle = np.count_nonzero(shown, axis=0) // 2
    found = np.take_along_axis(some, middle[None, None], axis=1)[:, 0]
    return np.where(np.isfinite(found), found, np.float32(0.0))


def _white(ground: Singles, grounds: NDArray[np.str_], index: NDArray[np.int_]) -> Singles:
    """White level of every column (columns,), read from the light stretches where there are."""
    level = ground.mean(axis=0)
    light = (grounds == "light") & (index >= 0) & (level > 0)
    if light.sum() >= 4:
        place = np.arange(len(level))
        return np.asarray(np.interp(place, place[light], level[light]), np.float32)
    return np.full(len(level), max(quantile(level, 0.9), 0.02), np.float32)


def _believable(ground: Singles, grounds: NDArray[np.str_], usable: Mask) -> Mask:
    """False for columns whose ground is not the card's: a hand or cloth lies over most of them."""
    level = ground.mean(axis=0)
    good = np.ones(len(level), bool)
    light, dark = (grounds == "light") & usable, (grounds == "dark") & usable
    if light.any():
        typical = median(level[light])
        good &= ~light | ((level > 0.35 * typical) & (level < 2.5 * typical))
        good &= ~dark | (level < 0.45 * typical)
    return good


def _things(
    mask: NDArray[np.uint8], strongest: Singles, index: NDArray[np.int_]
) -> Iterator[_Thing]:
    """Connected things that are long enough to have a direction; none reaches over a gap between
    stretches, where the mask is empty."""
    for x, y, here in _connected(_sharpened(mask, strongest)):
        filled = here.sum(axis=0)
        there = filled > 0
        top = np.argmax(here, axis=0)
        span = (len(here) - np.argmax(here[::-1], axis=0) - top)[there]
        middle_span = median(span)
        steady = np.abs(span - middle_span) <= max(3.0, 0.5 * middle_span)
        tops = top[there] + y
        yield _Thing(
            int(index[x]), x, y, here, there, span, filled[there], tops, middle_span, steady
        )


def _box(thing: _Thing, flat: _Flat) -> Box:
    h, w = thing.here.shape
    top, bottom = (thing.y + 0.5) * flat.row_mm, (thing.y + h - 0.5) * flat.row_mm
    return (float(flat.along[thing.x]), top, float(flat.along[thing.x + w - 1]), bottom)


def _kept(thing: _Thing) -> Mask:
    """Columns (w,) in which the thing has its usual width."""
    keep = np.zeros(len(thing.there), bool)
    keep[np.nonzero(thing.there)[0][thing.steady]] = True
    return keep


def _stands_out(thing: _Thing, strongest: Singles) -> bool:
    """True when there is enough of the thing to be a strand too fine to follow."""
    h, w = thing.here.shape
    strength = strongest[thing.y : thing.y + h, thing.x : thing.x + w] * thing.here
    return median(strength.sum(axis=0)[_kept(thing)]) > 0.3


def _piece(thing: _Thing, flat: _Flat, ground: Singles) -> Piece | None:
    """The thing as a piece of a strand, or None when it does not run along the region."""
    h, w = thing.here.shape
    keep = _kept(thing)
    if np.count_nonzero(keep) < 5:
        return None
    width = thing.middle_span * flat.row_mm
    columns = slice(thing.x, thing.x + w)
    middle = np.zeros(w)
    middle[thing.there] = (thing.tops + (thing.tops + thing.span)) / 2.0 * flat.row_mm
    xs, ys = flat.along[columns][keep], middle[keep]
    slope, at_zero = straight_line(xs - xs[0], ys)
    wander = ys - (at_zero + slope * (xs - xs[0]))
    # A line's departures have no mean: their root mean square is their spread.
    spread = float(wander.dot(wander) / len(wander)) ** 0.5
    if abs(slope) > _MAX_SLOPE or spread > 1.5 + width:
        return None
    _, bend_start = straight_line(xs[:12] - xs[0], ys[:12])
    _, bend_stop = straight_line(xs[-12:] - xs[-1], ys[-12:])
    own = flat.light[:, thing.y : thing.y + h, columns]
    share = own / np.maximum(ground[:, None, columns], 1e-4)
    darkest = np.where(thing.here, share.mean(axis=0), np.float32(9.0)).min(axis=0)
    shown = np.flatnonzero(thing.here & keep)
    typical = medians(share.reshape(len(share), -1).take(shown, axis=1), axis=1)
    return Piece(
        stretch=thing.stretch,
        along=xs,
        across=ys,
        width=width,
        start=(float(xs[0]), bend_start),
        stop=(float(xs[-1]), bend_stop),
        slope=slope,
        remains=median(darkest[keep]),
        neutral=bool(typical.max() < 0.99 and np.ptp(typical) < 0.06),
    )


def _sharpened(mask: NDArray[np.uint8], strength: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The mask cut back to what has at least a third of its own thing's depth.

    Shadows fade out over many radii; without this a strand's would reach the lane's edge or its
    neighbour's.
    """
    out = np.zeros_like(mask)
    for x, y, here in _connected(mask):
        box = np.s_[y : y + here.shape[0], x : x + here.shape[1]]
        own = np.where(here, strength[box], 0.0)
        depth = median(own.max(axis=0))
        out[box] |= (own > 0.35 * depth).astype(np.uint8)
    return out


def _connected(mask: NDArray[np.uint8]) -> Iterator[tuple[int, int, Mask]]:
    """First column and row of each connected thing long enough, and its cells in its box."""
    rows = np.flatnonzero(mask.any(axis=1))
    if not len(rows):
        return
    # OpenCV's time grows with the empty rows too.
    first = int(rows[0])
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask[first : int(rows[-1]) + 1], connectivity=8
    )
    for label in range(1, count):
        x, y, w, h, _area = (int(v) for v in stats[label])
        if w * _COLUMN_MM >= _SHORTEST_MM:
            yield x, first + y, labels[y : y + h, x : x + w] == label


def straight_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and value at x = 0 of the straight line through points."""
    count = len(x)
    mean_x, mean_y = float(np.add.reduce(x)) / count, float(np.add.reduce(y)) / count
    away = x - mean_x
    slope = float(away.dot(y)) / max(float(away.dot(away)), 1e-12)
    return slope, mean_y - slope * mean_x
