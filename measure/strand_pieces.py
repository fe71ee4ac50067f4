"""Pieces of strands: what runs along one stretch of a region and stands out from its ground.

The region is laid flat at a modest resolution. In every column the ground is the median across
the region, whatever it is printed or lit like; what differs from it and is connected is a piece,
or something that covers the region, or lies along its edge, or is too fine to follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.linear_light import decode_srgb
from measure.medians import median, medians, medians_of_parts, quantile
from measure.picture import Picture
from measure.regions import Region
from measure.scale import Scale
from measure.strand_things import Things, find_things

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.int_]
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
_FEWEST_COLUMNS: Final = 5
_END_COLUMNS: Final = 12
_THREE: Final = np.full((1, 3), 1 / 3, np.float32)
"""Mean of three columns."""


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
    """Ends, (along, across), from straight lines through the last few columns,"""
    start_slope: float
    stop_slope: float
    """and the slopes of these."""
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
    valid: Mask | None
    """(R, K) inside the picture; None where all of it is."""
    along: Floats
    """(K,) mm."""
    row_mm: float


def find_pieces(picture: Picture, scale: Scale, region: Region) -> Findings | None:
    """Pieces of one region, stretch by stretch; None when it lies outside the picture."""
    flat = _lay_flat(picture, scale, region)
    if flat is None:
        return None
    index = region.stretch_index(flat.along, _EDGE_MM)
    ground = _ground(flat)
    strongest = _departure(region, flat, ground, index)
    rough = np.abs(np.diff(strongest[:: max(1, len(strongest) // 64)], axis=0))
    rough.sort(axis=0)
    noise = np.float32(1.4826) * rough[len(rough) // 2]
    limit = np.maximum(np.float32(_CONTRAST), np.float32(_NOISES) * noise)
    limit[index < 0] = np.inf
    mask = (strongest > limit).view(np.uint8)
    closing = np.ones((max(3, round(0.25 / flat.row_mm)) | 1, 1), np.uint8)
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, closing), np.uint8)

    # Between stretches the mask is empty: nothing reaches from one into the next.
    things = find_things(mask, strongest, math.ceil(_SHORTEST_MM / _COLUMN_MM))
    middle_span = things.medians(things.span)
    width = middle_span * flat.row_mm
    usual = middle_span[things.owner]
    steady = np.abs(things.span - usual) <= np.maximum(3.0, 0.5 * usual)
    covering = width > min(_WIDEST_SHARE * region.width_mm, 14.0)
    columns = np.diff(things.first)
    # A thing that splits or merges here has no one middle; others carry the line on.
    split = things.count(things.filled < 0.7 * things.span) > 0.35 * columns
    clear = ~covering & ~(split & (width > 1.2)) & (2 * things.count(steady) >= columns)
    at_top, at_bottom = things.top <= 0, things.top + things.span >= len(mask)
    at_edge = 2 * np.maximum(things.count(at_top), things.count(at_bottom)) > columns
    beside = bool((clear & at_edge & (columns * _COLUMN_MM > 6.0)).any())
    found = _pieces(things, steady & (clear & ~at_edge)[things.owner], width, flat, ground, index)
    fine = width < 2.2 * flat.row_mm
    pieces = tuple(piece for thing, piece in found.items() if not fine[thing])
    too_fine = [t for t in found if fine[t] and _stands_out(things, t, steady, strongest)]
    too_fine_px = max((float(middle_span[t]) for t in too_fine), default=0.0)
    covered = tuple(_box(things, int(t), flat) for t in np.flatnonzero(covering))
    typical = np.array([median(channel) for channel in ground])
    return Findings(pieces, covered, beside, too_fine_px, typical)


def _lay_flat(picture: Picture, scale: Scale, region: Region) -> _Flat | None:
    """The region's light as the picture shows it, or None when hardly any of it is in there."""
    middle = region.to_card(np.array([[region.length_mm / 2, region.width_mm / 2]]))
    native = float(scale.mm_per_px(middle, np.array(region.across))[0])
    rows = min(max(round(region.width_mm / max(_ROW_MM, native)), 16), 4000)
    columns = min(max(math.ceil(region.length_mm / _COLUMN_MM), 8), 4000)
    # Two places to a column, so that one odd pixel is not all it has.
    x, y = _places_px(scale, region, rows, 2 * columns)
    height, width = picture.pixels.shape[:2]
    valid: Mask | None = None
    # What is cut off at all is cut off at the region's rim.
    rims = (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1])
    if not all(_inside(x[rim], y[rim], width, height).all() for rim in rims):
        inside = _inside(x, y, width, height)
        if inside.mean() < 0.1:
            return None
        valid = inside[:, 0::2] & inside[:, 1::2]
    flat = cv2.remap(picture.pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    flat = cv2.resize(flat, (columns, rows), interpolation=cv2.INTER_LINEAR)
    light = decode_srgb(np.stack(cv2.split(flat)))
    along = (np.arange(columns) + 0.5) * region.length_mm / columns
    return _Flat(light, valid, along, region.width_mm / rows)


def _inside(x: Singles, y: Singles, width: int, height: int) -> Mask:
    """Which places a picture shows."""
    return np.asarray((x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1))


def _places_px(scale: Scale, region: Region, rows: int, columns: int) -> tuple[Singles, Singles]:
    """Pixels x and y (rows, columns) of an even grid over a region, straight between nodes."""
    each = [max(1, round(_NODE_MM * n / mm)) for n, mm in _sides(region, rows, columns)]
    # A node in the middle of every block of cells, and one more block on every side.
    nodes = [
        (np.arange(-1, -(-n // q) + 1) + 0.5) * q * mm / n
        for q, (n, mm) in zip(each, _sides(region, rows, columns), strict=True)
    ]
    grid = np.stack(np.meshgrid(nodes[1], nodes[0]), axis=-1)
    px = scale.to_picture(region.to_card(grid)).astype(np.float32)
    size = (len(nodes[1]) * each[1], len(nodes[0]) * each[0])
    inner = np.s_[each[0] : each[0] + rows, each[1] : each[1] + columns]

    def between(at_nodes: Singles) -> Singles:
        whole = cv2.resize(at_nodes, size, interpolation=cv2.INTER_LINEAR)
        return np.asarray(whole, np.float32)[inner]

    return between(px[..., 0]), between(px[..., 1])


def _sides(region: Region, rows: int, columns: int) -> tuple[tuple[int, float], ...]:
    return ((rows, region.width_mm), (columns, region.length_mm))


def _departure(region: Region, flat: _Flat, ground: Singles, index: Whole) -> Singles:
    """Largest departure from the ground over channels, (R, K), in units of white."""
    grounds = np.array([s.ground for s in region.stretches])[np.maximum(index, 0)]
    white = _white(ground, grounds, index)
    usable = index >= 0
    if flat.valid is not None:
        usable &= flat.valid.mean(axis=0) > 0.9
    usable &= _believable(ground, grounds, usable)
    gain = np.where(usable, 1.0 / white, 0.0).astype(np.float32)
    out = np.zeros(flat.light.shape[1:], np.float32)
    signal, smooth = np.empty_like(out), np.empty_like(out)
    for channel, level in zip(flat.light, ground, strict=True):
        np.subtract(channel, level, out=signal)
        signal *= gain
        if flat.valid is not None:
            signal[~flat.valid] = 0.0
        cv2.filter2D(signal, -1, _THREE, dst=smooth)
        np.maximum(out, np.abs(smooth, out=smooth), out=out)
    return out


def _ground(flat: _Flat) -> Singles:
    """Median across the region of every column, (channels, columns)."""
    step = max(1, flat.light.shape[1] // 96)
    some = np.array(flat.light[:, ::step])
    if flat.valid is None:
        some.sort(axis=1)
        return some[:, some.shape[1] // 2]
    shown = flat.valid[::step]
    some[:, ~shown] = np.inf
    some.sort(axis=1)
    middle = np.count_nonzero(shown, axis=0) // 2
    found = np.take_along_axis(some, middle[None, None], axis=1)[:, 0]
    return np.where(np.isfinite(found), found, np.float32(0.0))


def _white(ground: Singles, grounds: NDArray[np.str_], index: Whole) -> Singles:
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


def _box(things: Things, thing: int, flat: _Flat) -> Box:
    own = things.columns_of(thing)
    top, bottom = things.top[own].min(), (things.top + things.span)[own].max()
    left, right = flat.along[things.column[own][[0, -1]]]
    return float(left), (top + 0.5) * flat.row_mm, float(right), (bottom - 0.5) * flat.row_mm


def _stands_out(things: Things, thing: int, steady: Mask, strongest: Singles) -> bool:
    """True when there is enough of the thing to be a strand too fine to follow."""
    own, cells = things.columns_of(thing), things.cells_of(thing)
    strength = strongest.take(things.cells[cells])
    across = np.add.reduceat(strength, things.start[own] - cells.start)
    return median(across[steady[own]]) > 0.3


def _pieces(
    things: Things,
    kept: Mask,
    width: Floats,
    flat: _Flat,
    ground: Singles,
    index: Whole,
) -> dict[int, Piece]:
    """Those of the things that run along the region, as pieces of strands; by their numbers.

    Followed are the columns (m,) `kept`; `width` (t,) is how wide things are, mm.
    """
    owner, column = things.owner[kept], things.column[kept]
    count = np.bincount(owner, minlength=len(things))
    first = np.cumsum(count) - count
    along = flat.along[column]
    across = (things.top + 0.5 * things.span)[kept] * flat.row_mm
    x = along - along[first[owner]]
    slope, at_zero = _straight_lines(x, across, owner, len(things))
    wander = across - at_zero[owner] - slope[owner] * x
    # A line's departures have no mean: their root mean square is their spread.
    spread = np.sqrt(np.bincount(owner, wander * wander, len(things)) / np.maximum(count, 1))
    last = first + count - 1
    place = np.arange(len(owner))
    near = place - first[owner] < _END_COLUMNS
    start_slope, start = _straight_lines(x[near], across[near], owner[near], len(things))
    near = last[owner] - place < _END_COLUMNS
    x = along - along[last[owner]]
    stop_slope, stop = _straight_lines(x[near], across[near], owner[near], len(things))

    filled = things.filled[kept]
    cells = things.cells[np.repeat(kept, things.filled)]
    light = np.stack([channel.take(cells) for channel in flat.light])
    share = light / np.repeat(np.maximum(ground[:, column], 1e-4), filled, axis=1)
    begin = np.append(0, np.cumsum(filled))
    darkest = share.mean(axis=0)
    if len(filled):
        darkest = np.minimum.reduceat(darkest, begin[:-1])
    remains = medians_of_parts(darkest, np.append(first, len(owner)))
    runs = (count >= _FEWEST_COLUMNS) & (np.abs(slope) <= _MAX_SLOPE) & (spread <= 1.5 + width)
    pieces: dict[int, Piece] = {}
    for thing in np.flatnonzero(runs).tolist():
        own = slice(int(first[thing]), int(first[thing] + count[thing]))
        typical = medians(share[:, begin[own.start] : begin[own.stop]], axis=1).tolist()
        xs = along[own]
        pieces[thing] = Piece(
            stretch=int(index[column[own.start]]),
            along=xs,
            across=across[own],
            width=float(width[thing]),
            start=(float(xs[0]), float(start[thing])),
            stop=(float(xs[-1]), float(stop[thing])),
            start_slope=float(start_slope[thing]),
            stop_slope=float(stop_slope[thing]),
            slope=float(slope[thing]),
            remains=float(remains[thing]),
            neutral=max(typical) < 0.99 and max(typical) - min(typical) < 0.06,
        )
    return pieces


def _straight_lines(x: Floats, y: Floats, owner: Whole, count: int) -> tuple[Floats, Floats]:
    """Slopes and values at x = 0 (count,) of straight lines, each through its own points (n,)."""
    number = np.maximum(np.bincount(owner, minlength=count), 1)
    mean_x = np.bincount(owner, x, count) / number
    mean_y = np.bincount(owner, y, count) / number
    away = x - mean_x[owner]
    square = np.bincount(owner, away * away, count)
    slope = np.bincount(owner, away * y, count) / np.maximum(square, 1e-12)
    return slope, mean_y - slope * mean_x
