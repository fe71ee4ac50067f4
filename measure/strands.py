"""Centrelines of the strands in a region: what runs along it, stands out and is not something else.

The region is laid flat at a modest resolution. In every column the ground is the median across
the region, whatever it is printed or lit like; what differs from it forms pieces. Pieces that run
along the region are chained from stretch to stretch by their own direction, so a strand may fade
out on one ground, be crossed, or be covered by a hand, and still be one strand.
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

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

STEP_MM: Final = 0.25
"""Spacing of a centreline's points, and of the running profile later on."""

_COLUMN_MM: Final = 0.5
"""Spacing of the columns in which strands are looked for."""

_ROW_MM: Final = 0.06
_MAX_SLOPE: Final = 0.85
_EDGE_MM: Final = 0.6
_CONTRAST: Final = 0.035
_NOISES: Final = 6.0
_SHORTEST_MM: Final = 8.0
_LONGEST_GAP_MM: Final = 45.0
_WIDEST_SHARE: Final = 0.45


@dataclass(frozen=True, eq=False)
class Centreline:
    """One strand's way through a region, in region coordinates (mm along, mm across)."""

    region: Region
    along_mm: Floats
    """(n,) ascending, STEP_MM apart."""
    across_mm: Floats
    """(n,)"""
    width_mm: float
    """Rough full width, shadow not counted where a dark ground was seen."""
    reach_mm: float
    """Rough distance from the centreline to which strand and shadow were seen."""
    seen: NDArray[np.bool_]
    """(n,) False where the line was carried over a place the strand should have been seen in."""
    shadows_only: bool = False
    """Nothing of it shows but a shadow on either side: a pale strand on a pale ground."""


@dataclass(frozen=True)
class Sight:
    """What was found in one region."""

    region: Region
    strands: tuple[Centreline, ...]
    covered: tuple[tuple[float, float, float, float], ...]
    """Boxes (along from, across from, along to, across to) under hands, tape and the like."""
    beside: bool
    """A strand-like thing runs along the region's edge, half out of it."""
    too_fine: bool
    """A strand-like thing was there, but too few pixels across to follow."""
    in_picture: bool
    """Most of the region lies inside the picture."""
    ground: Floats
    """(C,) linear light of the ground, median over the region."""


@dataclass(frozen=True, eq=False)
class _Piece:
    stretch: int
    along: Floats
    across: Floats
    width: float
    reach: float
    start: tuple[float, float]
    stop: tuple[float, float]
    slope: float
    depth: float
    """Largest typical departure from the ground, in units of white."""
    remains: float
    """Brightness left at the darkest, as a share of the ground."""
    neutral: bool
    """It only darkens, and all channels alike, as a shadow does."""


def find_strands(picture: Picture, scale: Scale, region: Region) -> Sight:
    """Strands of one region, in order across it. Deterministic; touches nothing but its input."""
    laid = _lay_flat(picture, scale, region)
    if laid is None:
        return Sight(region, (), (), False, False, False, np.zeros(1))
    light, valid, row_mm = laid
    columns = light.shape[2]
    along = (np.arange(columns) + 0.5) * region.length_mm / columns
    index = region.stretch_index(along, _EDGE_MM)
    grounds = np.array([s.ground for s in region.stretches])[np.maximum(index, 0)]

    ground = _ground(light, valid)
    white = _white(ground, grounds, index)
    usable = (index >= 0) & (valid.mean(axis=0) > 0.9)
    usable &= _believable(ground, grounds, usable)
    signal = (light - ground[:, None]) * np.where(usable, 1.0 / white, 0.0).astype(np.float32)
    if not valid.all():
        signal[:, ~valid] = 0.0
    signal = np.stack([cv2.blur(channel, (3, 1)) for channel in signal])

    strongest = _strongest(signal)
    rough = np.abs(np.diff(strongest[:: max(1, len(strongest) // 64)], axis=0))
    noise = 1.4826 * np.median(rough, axis=0)
    limit = np.maximum(_CONTRAST, _NOISES * noise)
    mask = (strongest > limit[None]).astype(np.uint8)
    mask = cv2.morphologyEx(
        mask, cv2.MORPH_CLOSE, np.ones((max(3, round(0.25 / row_mm)) | 1, 1), np.uint8)
    )

    pieces, covered, beside, too_fine = _pieces(
        region, mask, strongest, light, ground, along, index, row_mm
    )
    chains = [c for c in _chains(pieces, region) if _long_enough(c, region)]
    chains = _without_shadows(chains, region)
    strands = [line for chain in chains if (line := _centreline(chain, region)) is not None]
    strands = _without_lobes(strands, chains)
    strands.sort(key=lambda s: float(np.mean(s.across_mm)))
    return Sight(
        region,
        tuple(strands),
        tuple(covered),
        beside,
        too_fine,
        True,
        np.median(ground, axis=1).astype(float),
    )


def _lay_flat(
    picture: Picture, scale: Scale, region: Region
) -> tuple[NDArray[np.float32], NDArray[np.bool_], float] | None:
    """Linear light (channels, rows, columns) of the region, and where the picture covers it."""
    middle = region.to_card(np.array([[region.length_mm / 2, region.width_mm / 2]]))
    native = float(scale.mm_per_px(middle, np.array(region.across))[0])
    rows = int(np.clip(round(region.width_mm / max(_ROW_MM, native)), 16, 4000))
    columns = int(np.clip(np.ceil(region.length_mm / _COLUMN_MM), 8, 4000))
    per_column = 2
    a = (np.arange(columns * per_column) + 0.5) * region.length_mm / (columns * per_column)
    b = (np.arange(rows) + 0.5) * region.width_mm / rows
    nodes_a = np.linspace(0, region.length_mm, max(2, int(region.length_mm / 2.0) + 1))
    nodes_b = np.linspace(0, region.width_mm, max(2, int(region.width_mm / 2.0) + 1))
    grid = np.stack(np.meshgrid(nodes_a, nodes_b), axis=-1)
    px = scale.to_picture(region.to_card(grid))
    weight_a, weight_b = _hats(a, nodes_a), _hats(b, nodes_b)
    map_x = (weight_b @ px[..., 0] @ weight_a.T).astype(np.float32)
    map_y = (weight_b @ px[..., 1] @ weight_a.T).astype(np.float32)
    height, width = picture.pixels.shape[:2]
    valid = (map_x >= 0) & (map_x <= width - 1) & (map_y >= 0) & (map_y <= height - 1)
    if valid.mean() < 0.1:
        return None
    flat = cv2.remap(
        picture.pixels, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    planes = cv2.split(flat) if flat.ndim == 3 else (flat,)
    decoded = [decode_srgb(np.asarray(plane)) for plane in planes]
    light = np.stack([0.5 * (plane[:, 0::2] + plane[:, 1::2]) for plane in decoded])
    return light, valid[:, 0::2] & valid[:, 1::2], region.width_mm / rows


def _hats(at: Floats, nodes: Floats) -> Floats:
    """Linear interpolation weights (n, nodes) on even nodes."""
    position = (at - nodes[0]) / (nodes[1] - nodes[0])
    return np.maximum(0.0, 1.0 - np.abs(position[:, None] - np.arange(len(nodes))[None]))


def _ground(light: Singles, valid: NDArray[np.bool_]) -> Singles:
    """Median across the region of every column, (channels, columns)."""
    step = max(1, light.shape[1] // 96)
    some = light[:, ::step]
    if valid.all():
        return np.asarray(np.median(some, axis=1))
    held = np.where(valid[None, ::step], some, np.nan)
    held[:, :, ~valid[::step].any(axis=0)] = 0.0
    return np.asarray(np.nanmedian(held, axis=1), np.float32)


def _strongest(signal: Singles) -> Singles:
    """Largest departure over channels, (rows, columns)."""
    out = np.abs(signal[0])
    for channel in signal[1:]:
        np.maximum(out, np.abs(channel), out=out)
    return out


def _white(ground: Singles, grounds: NDArray[np.str_], index: NDArray[np.int_]) -> Singles:
    """White level of every column (columns,), read from the light stretches where there are."""
    level = ground.mean(axis=0)
    light = (grounds == "light") & (index >= 0) & (level > 0)
    if light.sum() >= 4:
        place = np.arange(len(level))
        return np.interp(place, place[light], level[light]).astype(np.float32)
    return np.full(len(level), max(float(np.percentile(level, 90)), 0.02), np.float32)


def _believable(
    ground: Singles, grounds: NDArray[np.str_], usable: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """False for columns whose ground is not the card's: a hand or cloth lies over most of them."""
    level = ground.mean(axis=0)
    good = np.ones(len(level), bool)
    light, dark = (grounds == "light") & usable, (grounds == "dark") & usable
    if light.any():
        typical = np.median(level[light])
        good &= ~light | ((level > 0.35 * typical) & (level < 2.5 * typical))
        good &= ~dark | (level < 0.45 * typical)
    return good


def _median(values: NDArray[Any]) -> float:
    """Median of a small array; NumPy's own spends far longer on its checks."""
    ordered = np.sort(values, axis=None)
    n = len(ordered)
    return 0.5 * (float(ordered[(n - 1) // 2]) + float(ordered[n // 2]))


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and value at x = 0 of the straight line through points."""
    mean_x, mean_y = float(x.sum()) / len(x), float(y.sum()) / len(y)
    away = x - mean_x
    slope = float(away @ (y - mean_y)) / max(float(away @ away), 1e-12)
    return slope, mean_y - slope * mean_x


def _pieces(
    region: Region,
    mask: NDArray[np.uint8],
    strongest: Singles,
    light: Singles,
    ground: Singles,
    along: Floats,
    index: NDArray[np.int_],
    row_mm: float,
) -> tuple[list[_Piece], list[tuple[float, float, float, float]], bool, bool]:
    """Connected things of each stretch that run along it; boxes over what is no strand."""
    pieces: list[_Piece] = []
    covered: list[tuple[float, float, float, float]] = []
    beside = too_fine = False
    rows = mask.shape[0]
    across = (np.arange(rows) + 0.5) * row_mm
    for number in range(len(region.stretches)):
        chosen = np.nonzero(index == number)[0]
        if len(chosen) < 6 or not mask[:, chosen[0] : chosen[-1] + 1].any():
            continue
        first, last = int(chosen[0]), int(chosen[-1]) + 1
        part = _sharpened(mask[:, first:last], strongest[:, first:last])
        count, labels, stats, _ = cv2.connectedComponentsWithStats(part, connectivity=8)
        for label in range(1, count):
            x, y, w, h, _area = (int(v) for v in stats[label])
            if w * _COLUMN_MM < 3.0:
                continue
            here = labels[y : y + h, x : x + w] == label
            filled = here.sum(axis=0)
            span = here.shape[0] - np.argmax(here[::-1], axis=0) - np.argmax(here, axis=0)
            there = filled > 0
            middle_span = _median(span[there])
            width = middle_span * row_mm
            tops = np.argmax(here, axis=0)[there] + y
            bottoms = tops + span[there]
            touching = max(float(np.mean(tops <= 0)), float(np.mean(bottoms >= rows)))
            if width > min(_WIDEST_SHARE * region.width_mm, 14.0):
                covered.append(
                    (along[first + x], across[y], along[first + x + w - 1], across[y + h - 1])
                )
                continue
            # A thing that splits or merges here has no one middle; others carry the line on.
            if np.mean(filled[there] < 0.7 * span[there]) > 0.35 and width > 1.2:
                continue
            steady = np.abs(span[there] - middle_span) <= max(3.0, 0.5 * middle_span)
            if steady.mean() < 0.5:
                continue
            if touching > 0.5:
                beside = beside or w * _COLUMN_MM > 6.0
                continue
            strength = strongest[y : y + h, first + x : first + x + w] * here
            total = strength.sum(axis=0)
            keep = np.zeros(w, bool)
            keep[np.nonzero(there)[0][steady]] = True
            centre = (tops + bottoms) / 2.0
            middle = np.zeros(w)
            middle[there] = centre * row_mm
            if keep.sum() < 5:
                continue
            xs, ys = along[first:last][x : x + w][keep], middle[keep]
            slope, at_zero = _line(xs - xs[0], ys)
            wander = ys - (at_zero + slope * (xs - xs[0]))
            if abs(slope) > _MAX_SLOPE or np.std(wander) > 1.5 + width:
                continue
            if width < 2.2 * row_mm:
                too_fine = too_fine or _median(total[keep]) > 0.3
                continue
            _, bend_start = _line(xs[:12] - xs[0], ys[:12])
            _, bend_stop = _line(xs[-12:] - xs[-1], ys[-12:])
            columns = slice(first + x, first + x + w)
            block = light[:, y : y + h, columns] / np.maximum(ground[:, None, columns], 1e-4)
            inside = here & keep[None]
            remains = _median(np.where(here, block.mean(axis=0), 9.0).min(axis=0)[keep])
            typical = np.array([_median(channel[inside]) for channel in block])
            neutral = bool(typical.max() < 0.99 and np.ptp(typical) < 0.06)
            pieces.append(
                _Piece(
                    number,
                    xs,
                    ys,
                    width,
                    width / 2,
                    (float(xs[0]), bend_start),
                    (float(xs[-1]), bend_stop),
                    slope,
                    _median(strength.max(axis=0)[keep]),
                    remains,
                    neutral,
                )
            )
    return pieces, covered, beside, too_fine


def _sharpened(mask: NDArray[np.uint8], strength: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The mask cut back to what has at least a third of its own thing's depth.

    Shadows fade out over many radii; without this a strand's would reach the lane's edge or its
    neighbour's.
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    out = np.zeros_like(mask)
    for label in range(1, count):
        x, y, w, h, _area = (int(v) for v in stats[label])
        if w * _COLUMN_MM < 3.0:
            continue
        box = np.s_[y : y + h, x : x + w]
        own = np.where(labels[box] == label, strength[box], 0.0)
        depth = _median(own.max(axis=0))
        out[box] |= (own > 0.35 * depth).astype(np.uint8)
    return out


def _chains(pieces: list[_Piece], region: Region) -> list[list[_Piece]]:
    """Pieces joined into strands, each to the nearest continuation in a later stretch."""
    chains: list[list[_Piece]] = []
    for number in range(len(region.stretches)):
        fresh = [p for p in pieces if p.stretch == number]
        if not fresh:
            continue
        offers = []
        for chain_index, chain in enumerate(chains):
            if chain[-1].stop[0] < fresh[0].start[0] - _LONGEST_GAP_MM:
                continue
            # Shadows pull pieces on light ground aside; the others lead too where there are any.
            firm = [p for p in chain if region.stretches[p.stretch].ground != "light"]
            leads = [chain, firm] if firm and firm[-1] is not chain[-1] else [chain]
            for piece_index, piece in enumerate(fresh):
                misses = [_miss(lead, piece) for lead in leads]
                if min(misses) < 1.0:
                    offers.append((min(misses), chain_index, piece_index))
        taken_chains: set[int] = set()
        taken_pieces: set[int] = set()
        for _, chain_index, piece_index in sorted(offers):
            if chain_index in taken_chains or piece_index in taken_pieces:
                continue
            chains[chain_index].append(fresh[piece_index])
            taken_chains.add(chain_index)
            taken_pieces.add(piece_index)
        # What found no chain begins one; what lies over another's shadow joins neither.
        for piece_index, piece in enumerate(fresh):
            if piece_index not in taken_pieces:
                chains.append([piece])
    return chains


def _miss(lead: list[_Piece], piece: _Piece) -> float:
    """How far a piece lies off the lead's continuation, as a share of what is allowed."""
    last = lead[-1]
    gap = piece.start[0] - last.stop[0]
    if gap < -1.0:
        return np.inf
    expected = last.stop[1] + _chain_slope(lead) * gap
    allowed = 0.4 + 0.75 * max(last.width, piece.width) + 0.06 * gap
    return abs(piece.start[1] - expected) / allowed + 0.01 * gap


def _chain_slope(chain: list[_Piece]) -> float:
    """Direction at the end of a chain, from its last 30 mm of middles."""
    along = np.concatenate([p.along for p in chain[-3:]])
    across = np.concatenate([p.across for p in chain[-3:]])
    near = along > along[-1] - 30.0
    if near.sum() < 5:
        return chain[-1].slope
    return _line(along[near], across[near])[0]


def _long_enough(chain: list[_Piece], region: Region) -> bool:
    length = sum(float(p.along[-1] - p.along[0]) for p in chain)
    return length >= min(_SHORTEST_MM, 0.3 * region.length_mm)


def _gap_between(chain: list[_Piece], other: list[_Piece]) -> tuple[float, float]:
    """Mean distance across (other less chain) where both run or are carried on, and its spread."""
    along = np.concatenate([p.along for p in chain])
    across = np.concatenate([p.across for p in chain])
    theirs = np.concatenate([p.along for p in other])
    at = np.interp(along, theirs, np.concatenate([p.across for p in other]))
    near = (along >= theirs[0] - 1.0) & (along <= theirs[-1] + 1.0)
    if near.sum() < 5:
        return np.inf, np.inf
    gap = (at - across)[near]
    return float(np.mean(gap)), float(np.std(gap))


def _without_shadows(chains: list[list[_Piece]], region: Region) -> list[list[_Piece]]:
    """Chains less those that are another strand's shadow.

    A shadow shows on light ground only, darkens all channels alike, never to black, and keeps its
    distance from a strand that the dark bands show too. In an open lane it lies against a strand
    that is brighter than the ground.
    """

    def like_a_shadow(chain: list[_Piece]) -> bool:
        return all(
            region.stretches[p.stretch].ground != "dark" and p.neutral and p.remains > 0.12
            for p in chain
        )

    def casts(body: list[_Piece]) -> bool:
        kinds = {region.stretches[p.stretch].ground for p in body}
        return "dark" in kinds or ("open" in kinds and all(p.remains > 1.02 for p in body))

    bodies = [c for c in chains if casts(c)]
    out = []
    for chain in chains:
        if like_a_shadow(chain) and any(_lies_against(chain, body) for body in bodies):
            continue
        out.append(chain)
    return out


def _lies_against(chain: list[_Piece], body: list[_Piece]) -> bool:
    gap, wander = _gap_between(chain, body)
    widest = max(p.width for p in body) + max(p.width for p in chain)
    return abs(gap) < 1.5 * widest + 0.4 and wander < 0.25 + 0.1 * widest


def _without_lobes(strands: list[Centreline], chains: list[list[_Piece]]) -> list[Centreline]:
    """Two parallel shadows with bare-looking ground between them are one pale strand's."""
    out = list(strands)
    for i, first in enumerate(strands):
        for j in range(i + 1, len(strands)):
            second = strands[j]
            mine = [c for c in chains if abs(c[0].across[0] - first.across_mm[0]) < 0.3]
            theirs = [c for c in chains if abs(c[0].across[0] - second.across_mm[0]) < 0.3]
            if not mine or not theirs or first not in out or second not in out:
                continue
            pair = [*mine[0], *theirs[0]]
            if not all(p.neutral and p.remains > 0.3 for p in pair):
                continue
            gap, wander = _gap_between(mine[0], theirs[0])
            reach = first.width_mm + second.width_mm
            if abs(gap) < 3.0 and wander < 0.15 and abs(gap) < 5.0 * reach:
                out.remove(second)
                middle = first.across_mm + gap / 2
                out[out.index(first)] = Centreline(
                    first.region,
                    first.along_mm,
                    middle,
                    abs(gap),
                    abs(gap) / 2 + reach,
                    first.seen,
                    shadows_only=True,
                )
    return out


def _centreline(chain: list[_Piece], region: Region) -> Centreline | None:
    """A smooth line through a chain, or None when the chain is no strand."""
    kinds = {region.stretches[p.stretch].ground for p in chain}
    plain = [p for p in chain if region.stretches[p.stretch].ground != "light"]
    light = [p for p in chain if region.stretches[p.stretch].ground == "light"]
    if kinds == {"light"}:
        passed = [
            s
            for i, s in enumerate(region.stretches)
            if s.ground == "dark" and chain[0].stretch < i < chain[-1].stretch
        ]
        # Anything brighter than ink shows on the dark bands; what shows on light ones only and
        # is not nearly black is a shadow or a stain.
        if passed and min(p.remains for p in light) > 0.3:
            return None
    elif plain and light and len(light) > 2 * len(plain) + 1 and "dark" in kinds:
        return None
    lead = plain or light
    shift = 0.0
    if plain and light:
        # Shadows pull the middle aside on light ground; the dark ground's middles are true.
        xs = np.concatenate([p.along for p in plain])
        ys = np.concatenate([p.across for p in plain])
        line = np.polyfit(xs, ys, min(3, len(plain)))
        offsets = [float(np.median(p.across - np.polyval(line, p.along))) for p in light]
        shift = float(np.median(offsets)) if len(plain) > 1 else 0.0
    pairs = [(p.along, p.across - (shift if p in light else 0.0), p) for p in chain]
    xs = np.concatenate([a for a, _, _ in pairs])
    ys = np.concatenate([b for _, b, _ in pairs])
    order = np.argsort(xs)
    xs, ys = xs[order], ys[order]
    start, stop = float(xs[0]), float(xs[-1])
    at = np.linspace(start, stop, max(2, int(np.ceil((stop - start) / STEP_MM)) + 1))
    ys_even = np.interp(at, xs, ys)
    smooth = _smooth(ys_even)
    seen = np.zeros(len(at), bool)
    for a, _, _ in pairs:
        seen |= (at >= a[0] - 1.3) & (at <= a[-1] + 1.3)
    if kinds == {"light"}:
        # Nearly black: the dark bands cannot show it, and nothing need lie over it there.
        index = region.stretch_index(at, 0.0)
        seen |= np.array([s.ground == "dark" for s in region.stretches])[np.maximum(index, 0)]
    width = float(np.median([p.width for p in lead]))
    reach = max(
        float(np.median(np.abs(p.across - np.interp(p.along, at, smooth)))) + p.width / 2
        for p in chain
    )
    return Centreline(region, at, smooth, width, reach, seen)


def _smooth(values: Floats) -> Floats:
    """Running local lines over some 12 mm: keeps bends, drops the jumps between grounds."""
    n = len(values)
    half = min(24, max(1, (n - 1) // 2))
    if n < 5:
        return values
    padded = np.concatenate(
        [2 * values[0] - values[half:0:-1], values, 2 * values[-1] - values[-2 : -half - 2 : -1]]
    )
    window = np.hanning(2 * half + 3)[1:-1]
    return np.convolve(padded, window / window.sum(), mode="valid")
