"""The four straight edges of a bank card lying on a printed sheet, to hundredths of a pixel.

The card's face may have any colours and any print, so nothing is supposed of it but that it is
even over the half millimetre behind its edge. Outside lies bare paper whose light is known: it
is darker beside the card, as a wall as high as the card is thick takes away part of the sky
(1 - a (1 - d / sqrt(d^2 + h^2)), a = 1/2 under an even sky), and it keeps its colour there, which
a card's face hardly has. A lamp's shadow would be taken for part of the card and is refused. The
face lies the card's thickness nearer to the camera; where the view is from the side, the card's
wall shows between face and paper.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from measure.card import ID1_SIZE_MM
from measure.check_sheet import Paper, SheetView, linear_light
from measure.errors import MeasureError
from measure.picture import Picture
from measure.results import Floats

SIDES: Final = ("upper", "right", "lower", "left")
OUTWARD: Final = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
ALONG: Final = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])

_HALF_MM: Final = np.array(ID1_SIZE_MM) / 2

CORNER_MM: Final = 5.0
"""Left out at each end: the round corner (at most 3.48 mm) and what lies near it."""

_INNER_MM: Final = 0.5
_OUTER_MM: Final = 1.8
_PIECE_MM: Final = 2.5
_COLUMN_MM: Final = 0.25
_DEPARTS: Final = 0.12
"""Share of the paper's light from which something lies there."""

_FEWEST_PIECES: Final = 6
_MOST_OFF_MM: Final = 0.3
_MOST_U_MM: Final = 0.08
_PIXELS: Final = 400
"""Of one piece; more add nothing to what the card's own straightness allows."""

_SHADOW_REACH_MM: Final = 1.4
"""A card 0.76 mm thick throws a shadow this far under a lamp some 60 degrees off square."""

_SHADE_SD: Final = 0.25
_WALL: Final = (0.5, 0.3)


@dataclass(frozen=True)
class Height:
    """How high the card's face lies above the paper, mm."""

    shade_mm: float
    """For the sky it takes from the paper beside it, and"""
    sight_mm: float
    """for how far its edge is seen aside: more where the camera's height is known but roughly."""


@dataclass(frozen=True, eq=False)
class Piece:
    """One short stretch of an edge."""

    side: int
    place_mm: Floats
    """(2,) the card's outline there, on the paper: height taken out."""
    u_mm: float
    """Noise of its place across the edge."""
    lifted_mm: float
    """How far outside that place the outline is seen: as much as the face hides beyond it."""


@dataclass(frozen=True, eq=False)
class Edge:
    """One side of the card."""

    side: int
    pieces: tuple[Piece, ...]
    left_over: float
    """Root mean square of what the fit leaves over, as a share of the paper's light."""

    def stretched(self, ratio: Floats) -> Edge:
        """The same edge in millimetres stretched by `ratio` (2,)."""
        pieces = (replace(piece, place_mm=piece.place_mm * ratio) for piece in self.pieces)
        return replace(self, pieces=tuple(pieces))


@dataclass(frozen=True, eq=False)
class _Line:
    """A side's line: d = offset + slope * t outside of the place where it would be foretold."""

    side: int
    middle_mm: Floats
    """(2,) the foretold side's own middle."""
    offset_mm: float
    slope: float

    def local(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Along and outwards of the line, mm, of points (n, 2)."""
        away = points_mm - self.middle_mm
        t = away @ ALONG[self.side]
        return t, away @ OUTWARD[self.side] - self.offset_mm - self.slope * t

    def point(self, t: Floats, d: Floats) -> Floats:
        """Points (n, 2) at `t` along and `d` outside of the line."""
        out = self.offset_mm + self.slope * t + d
        return np.asarray(
            self.middle_mm + t[..., None] * ALONG[self.side] + out[..., None] * OUTWARD[self.side]
        )


def find_edges(
    picture: Picture,
    view: SheetView,
    paper: Paper,
    height: Height,
    before: tuple[Edge, ...] | None = None,
) -> tuple[Edge, ...]:
    """The four edges: upper, right, lower, left.

    `before`: as found in a view that differed by a few per cent, its places in this view's
    millimetres. Raises MeasureError: `no_bank_card`, `edge_hidden`, `hard_shadow`.
    """
    if before is not None:
        again = [_read_side(picture, view, paper, _line_of(view, e), height) for e in before]
        return tuple(_or_hidden(edge, k) for k, edge in enumerate(again))
    lines = [_coarse_line(picture, view, paper, side) for side in range(4)]
    missing = [SIDES[k] for k, line in enumerate(lines) if line is None]
    if len(missing) > 1:
        raise MeasureError(
            "no_bank_card",
            "No bank-size card was found where it should lie.",
            "Lay it on the pocket card's outline, or across the middle of a desk card, long side "
            "along the lanes, clear of the printed squares.",
        )
    edges = []
    for k, line in enumerate(lines):
        aligned = _aligned(picture, view, paper, line, height) if line is not None else None
        found = _read_side(picture, view, paper, aligned, height) if aligned else None
        edges.append(_or_hidden(found, k))
    return tuple(edges)


def _or_hidden(edge: Edge | None, side: int) -> Edge:
    if edge is None:
        raise MeasureError(
            "edge_hidden",
            f"The bank card's {SIDES[side]} edge could not be followed.",
            "Take fingers and whatever else covers it away, lay the card clear of the printed "
            "squares, and use soft light from all round.",
        )
    return edge


def _line_of(view: SheetView, edge: Edge) -> _Line:
    """The line through the places of an edge."""
    line = _foretold(view, edge.side)
    t, d = line.local(np.array([piece.place_mm for piece in edge.pieces]))
    slope, offset = np.polyfit(t, d, 1)
    return replace(line, offset_mm=float(offset), slope=float(slope))


def _foretold(view: SheetView, side: int) -> _Line:
    """A side of a card that lies just where it should."""
    return _Line(side, view.middle_mm + OUTWARD[side] * (abs(OUTWARD[side]) @ _HALF_MM), 0.0, 0.0)


def _reach_along(side: int) -> float:
    """Half the length of a side's straight part."""
    return float(abs(ALONG[side]) @ _HALF_MM) - CORNER_MM


# Where a side lies, to a millimetre.


def _coarse_line(picture: Picture, view: SheetView, paper: Paper, side: int) -> _Line | None:
    """The outermost straight thing beside which the paper is bare, or None."""
    foretold, along = _foretold(view, side), _reach_along(side) - 1.0
    t = np.arange(-along, along + 1e-9, _COLUMN_MM)
    step = 0.1
    d = np.arange(view.reach_mm, -view.reach_mm, -step)
    points = foretold.point(np.repeat(t[:, None], len(d), 1), np.repeat(d[None], len(t), 0))
    clear = view.clear_of_ink(points) > 0.2 + 2 * view.sigma_px / view.px_per_mm()
    light, inside = _sampled(picture, view, points)
    share = light / paper.light(points.reshape(-1, 2)).reshape(light.shape)
    off = np.max(np.abs(share - 1), axis=2) > _DEPARTS
    # Three in a row: not a speck. Print further in than the card's edge lies under the card.
    run = off[:, :-2] & off[:, 1:-1] & off[:, 2:]
    first = np.argmax(run, axis=1)
    usable = run.any(axis=1) & (first > 3)
    rows = np.arange(len(t))
    for back in range(22):
        at = np.maximum(first - back, 0)
        usable &= clear[rows, at] & inside[rows, at]
    if np.count_nonzero(usable) < 24:
        return None
    return _robust_line(foretold, t[usable], d[first[usable]])


def _robust_line(foretold: _Line, t: Floats, d: Floats) -> _Line | None:
    """The line most of the places lie on, within 0.35 mm; None where fewer than half do."""
    random = np.random.default_rng(len(t))
    best: NDArray[np.bool_] | None = None
    for _try in range(200):
        i, j = random.integers(0, len(t), 2)
        if abs(t[i] - t[j]) < 8.0:
            continue
        slope = (d[i] - d[j]) / (t[i] - t[j])
        if abs(slope) > 0.12:
            continue
        near = np.abs(d - d[i] - slope * (t - t[i])) < 0.35
        if best is None or near.sum() > best.sum():
            best = near
    if best is None or best.sum() < 0.5 * len(t) or np.ptp(t[best]) < 0.3 * (t[-1] - t[0]):
        return None
    slope, offset = np.polyfit(t[best], d[best], 1)
    return replace(foretold, offset_mm=float(offset), slope=float(slope))


def _sampled(
    picture: Picture, view: SheetView, points_mm: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Linear light (a, b, channels) at points (a, b, 2), some 6 pixels to the mm, and if seen."""
    at = view.plane.to_picture(points_mm)
    rows, columns = picture.pixels.shape[:2]
    inside = np.all((at >= 1) & (at <= [columns - 2, rows - 2]), axis=-1)
    left, top = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - 8, 0)
    right, bottom = np.ceil(at.max(axis=(0, 1))).astype(int) + 9
    part = picture.pixels[top : max(bottom, top + 1), left : max(right, left + 1)]
    if not part.size:
        return np.ones((*points_mm.shape[:2], 1)), np.zeros(inside.shape, bool)
    shrink = max(1, int(view.px_per_mm() / 6.0))
    height, width = (max(n // shrink, 1) for n in part.shape[:2])
    small = cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA)
    map_x, map_y = (
        ((at[..., k] - origin + 0.5) / shrink - 0.5).astype(np.float32)
        for k, origin in ((0, left), (1, top))
    )
    codes = cv2.remap(small, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    flat = codes.reshape(-1, codes.shape[2]) if codes.ndim == 3 else codes.ravel()
    return linear_light(flat).reshape(*points_mm.shape[:2], -1), inside


# Where it lies exactly.


@dataclass(frozen=True, eq=False)
class _Strip:
    """The pixels along a side: (n,) or (n, channels)."""

    points_mm: Floats
    share: Floats
    """Their light over that of bare paper."""
    printed: Floats
    """The light that the sheet has there, bare paper 1, were nothing on it."""


@dataclass(frozen=True, eq=False)
class _Optics:
    """What is known of a side's step before it is fitted."""

    sigma_mm: float
    height_mm: float
    lifted_mm: float
    """How far the face's edge is seen outside the outline; less than 0: inside, wall showing."""


def _read_side(
    picture: Picture, view: SheetView, paper: Paper, line: _Line, height: Height
) -> Edge | None:
    """One side from its line known to some tenths of a millimetre; None if too little is seen."""
    strip, optics = _strip(picture, view, paper, line), _optics(view, line, height)
    pieces = _clear_pieces(view, line, optics.sigma_mm)
    found: list[tuple[float, _Fitted]] = []
    for _round in range(2):
        fits = [_fit_piece(pixels, optics) for pixels in _cut(strip, line, pieces)]
        middles = [(start + stop) / 2 for start, stop in pieces]
        found = [(t, fit) for t, fit in zip(middles, fits, strict=True) if fit is not None]
        if len(found) < _FEWEST_PIECES:
            return None
        t, e = np.array([(t, fit.off_mm) for t, fit in found]).T
        keep = np.abs(e - np.median(e)) < _MOST_OFF_MM
        for _again in range(3):
            slope, offset = np.polyfit(t[keep], e[keep], 1)
            off = np.abs(e - offset - slope * t)
            keep = off < max(4 * 1.4826 * float(np.median(off[keep])), 0.02)
        found = [f for f, good in zip(found, keep, strict=True) if good]
        line = replace(line, offset_mm=line.offset_mm + offset, slope=line.slope + slope)
        if abs(offset) < 0.05:
            break
    t, e, u = np.array([(t, fit.off_mm, fit.u_mm) for t, fit in found]).T
    if len(found) < max(_FEWEST_PIECES, 0.4 * len(pieces)):
        return None
    if np.ptp(t) < 0.7 * _reach_along(line.side):
        return None
    places = line.point(t, e - offset - slope * t)
    lifted = height.sight_mm * _lean(view, places, line.side)
    # The fit took one lift for the whole side.
    places = places - OUTWARD[line.side] * (lifted - optics.lifted_mm)[:, None]
    return Edge(
        line.side,
        tuple(
            Piece(line.side, place, float(doubt), float(lift))
            for place, doubt, lift in zip(places, u, lifted, strict=True)
        ),
        float(np.sqrt(np.mean(np.mean([fit.left_over for _, fit in found], axis=0) ** 2))),
    )


def _optics(view: SheetView, line: _Line, height: Height) -> _Optics:
    middle = line.point(np.zeros(1), np.zeros(1))
    lift = height.sight_mm * float(_lean(view, middle, line.side)[0])
    return _Optics(_sigma_mm(view, line), height.shade_mm, lift)


def _lean(view: SheetView, points_mm: Floats, side: int) -> Floats:
    """Tangent (n,) of how far sight falls outwards over a side, per height."""
    camera = view.plane.camera_mm()
    return np.asarray((points_mm - camera[:2]) @ OUTWARD[side] / camera[2])


def _sigma_mm(view: SheetView, line: _Line) -> float:
    """Spread of a step across the side, mm."""
    ends = line.point(np.zeros(2), np.array([-0.5, 0.5]))
    jacobian = view.plane.jacobian(ends.mean(axis=0)[None])[0]
    # Distance from a line whose direction is seen along `along`: normal to it in the picture.
    along = jacobian @ ALONG[line.side]
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    return view.sigma_px / abs(float(normal @ jacobian @ OUTWARD[line.side]))


def _strip(picture: Picture, view: SheetView, paper: Paper, line: _Line) -> _Strip:
    """All whole pixels from 3.5 mm inside to 3 mm outside of a side, its corners left out."""
    half = _reach_along(line.side)
    t, d = np.array([-half, half, half, -half]), np.array([-3.5, -3.5, 3.0, 3.0])
    polygon = view.plane.to_picture(line.point(t, d))
    rows, columns = picture.pixels.shape[:2]
    left, top = np.clip(np.floor(polygon.min(axis=0)).astype(int) - 2, 0, [columns - 1, rows - 1])
    right, bottom = np.clip(np.ceil(polygon.max(axis=0)).astype(int) + 3, 1, [columns, rows])
    mask = np.zeros((bottom - top, right - left), np.uint8)
    cv2.fillConvexPoly(mask, np.rint(polygon - [left, top]).astype(np.int32), 1)
    y, x = np.nonzero(mask)
    points = view.plane.to_card(np.stack([x + left, y + top], axis=1).astype(float))
    light = linear_light(picture.pixels[y + top, x + left])
    return _Strip(points, light / paper.light(points), view.printed_light(points))


def _aligned(
    picture: Picture, view: SheetView, paper: Paper, line: _Line, height: Height
) -> _Line | None:
    """A side's line to a twentieth of a millimetre from one that is some millimetres off."""
    strip = _strip(picture, view, paper, line)
    for reach in (2.6, 0.45):
        optics = _optics(view, line, height)
        pieces = _clear_pieces(view, line, optics.sigma_mm)
        if len(pieces) < _FEWEST_PIECES:
            return None
        middles = np.array([(a + b) / 2 for a, b in pieces])
        d_bins, profiles = _profiles(strip, line, pieces, max(0.06, 0.7 * optics.sigma_mm))
        tried = np.arange(-reach, min(reach, 0.8) + 1e-9, 0.05 if reach > 1 else 0.03)
        both = np.array([_evidence(profiles, d_bins, optics, e) for e in tried])
        evidence, left_over = both[:, 0], both[:, 1]
        overall = np.median(evidence, axis=1)
        top = float(overall.max())
        if not top > 1.0:
            return None
        peaks = [
            i
            for i in range(len(tried))
            if overall[i] >= 0.35 * top and overall[i] == overall[max(0, i - 3) : i + 4].max()
        ]
        # Near the outermost: what lies further in is print on the card.
        outermost = float(tried[max(peaks)])
        if reach > 1:
            _refuse_shadow(np.median(profiles, axis=0), d_bins, outermost, optics, line.side)
        possible = (np.abs(tried - outermost + 0.5) < 0.8) & (overall > 0.12 * top)
        best = float(tried[possible][np.argmin(np.median(left_over[possible], axis=1))])
        near = np.abs(tried - best) < (0.45 if reach > 1 else 0.2)
        e = tried[near][np.argmin(left_over[near], axis=0)]
        keep = np.abs(e - np.median(e)) < 0.4
        for _again in range(3):
            slope, offset = np.polyfit(middles[keep], e[keep], 1)
            keep = np.abs(e - offset - slope * middles) < 0.15
            if np.count_nonzero(keep) < _FEWEST_PIECES:
                return None
        line = replace(line, offset_mm=line.offset_mm + offset, slope=line.slope + slope)
    return line


def _refuse_shadow(
    profile: Floats, d_bins: Floats, e: float, optics: _Optics, side: int
) -> None:
    """Refuse a lamp's shadow: darker paper of the paper's own colour, and an edge behind it.

    `profile` (b, channels) is a side's usual light at `d_bins` (b,), its outermost edge at `e`.
    """
    clear = 0.05 + 2 * optics.sigma_mm
    just_outside = (d_bins > e + clear) & (d_bins < e + clear + 0.3)
    just_inside = (d_bins < e - clear) & (d_bins > e - clear - 0.15)
    behind = (d_bins < e - clear) & (d_bins > e - clear - _SHADOW_REACH_MM)
    if not (just_outside.any() and just_inside.any()):
        return
    dark = np.mean(profile[just_inside], axis=0)
    paper_like = np.ptp(dark) < 0.03 + 0.03 * float(dark.mean())
    darker = float(np.mean(profile[just_outside]) - dark.mean()) > 0.02
    changes = float(np.max(np.abs(profile[behind] - dark))) > 0.07
    if paper_like and darker and changes and float(dark.mean()) > 0.12:
        raise MeasureError(
            "hard_shadow",
            f"A shadow seems to lie along the bank card's {SIDES[side]} edge.",
            "Use soft light from all round, such as a cloudy window with no lamp, or another "
            "bank card.",
        )


def _clear_pieces(
    view: SheetView, line: _Line, sigma_mm: float
) -> list[tuple[float, float]]:
    """Stretches from t to t with nothing printed close by, each at most a piece long.

    What is printed further out is allowed for; beside the edge itself it would be mixed with it.
    """
    half = _reach_along(line.side)
    t = np.arange(-half, half, 0.1)
    d = np.arange(-0.2, 0.3 + 2 * sigma_mm, 0.1)
    points = line.point(np.repeat(t[:, None], len(d), 1), np.repeat(d[None], len(t), 0))
    clear = view.clear_of_ink(points).min(axis=1) > 0.05 + sigma_mm
    far = line.point(t, np.full(len(t), _OUTER_MM))
    clear &= view.clear_of_ink(far) > 0.05 + sigma_mm
    ends = np.flatnonzero(np.diff(np.concatenate([[0], clear, [0]]).astype(int))).reshape(-1, 2)
    pieces: list[tuple[float, float]] = []
    for a, b in ends:
        length = (b - a) * 0.1
        if length < max(0.3, 3 / view.px_per_mm()):
            continue
        count = int(np.ceil(length / _PIECE_MM))
        edges = np.linspace(t[a], t[a] + length, count + 1)
        pieces += [(float(x), float(y)) for x, y in pairwise(edges)]
    return pieces


def _profiles(
    strip: _Strip, line: _Line, pieces: list[tuple[float, float]], bin_mm: float
) -> tuple[Floats, Floats]:
    """Middles of bins (b,) across a side and the pieces' mean light in them (p, b, channels)."""
    t, d = line.local(strip.points_mm)
    low = -3.4
    count = int((2.9 - low) / bin_mm)
    d_bins = low + bin_mm * np.arange(count)
    channels = strip.share.shape[1]
    out = np.empty((len(pieces), count, channels))
    for i, (start, stop) in enumerate(pieces):
        here = (t >= start) & (t < stop)
        at = (d[here] - low) / bin_mm
        left = np.floor(at).astype(np.intp)
        ok = (left >= 0) & (left < count - 1)
        left, part = left[ok], (at[ok] - np.floor(at[ok]))
        index = np.concatenate([left, left + 1])
        weight = np.concatenate([1 - part, part])
        total = np.bincount(index, weight, count)
        known = total > 0.05
        for c in range(channels):
            value = np.tile(strip.share[here, c][ok], 2)
            mean = np.bincount(index, weight * value, count)[known] / total[known]
            out[i, :, c] = np.interp(d_bins, d_bins[known], mean) if known.any() else 1.0
    return d_bins, out


def _evidence(profiles: Floats, d_bins: Floats, optics: _Optics, e: float) -> Floats:
    """How much better (p,) a card's edge at `e` explains profiles than a smooth change does.

    And what it leaves over (p,), mean square: (2, p).
    """
    inner = _INNER_MM + 2 * optics.sigma_mm
    within = (d_bins > e - inner) & (d_bins < e + _OUTER_MM)
    d, seen = d_bins[within], profiles[:, within]
    columns, fixed = _step_columns(d, e, optics, seen.shape[2])
    flat = (seen - fixed[None, :, None]).transpose(0, 2, 1).reshape(len(seen), -1)
    q = np.linalg.qr(columns)[0]
    with_edge = np.sum(flat**2, axis=1) - np.sum((flat @ q) ** 2, axis=1)
    smooth = np.linalg.qr(np.vander((d - e) / _OUTER_MM, 4))[0]
    rest = seen - np.einsum("ij,pjc->pic", smooth @ smooth.T, seen)
    floor = 0.012**2 * flat.shape[1]
    better = (np.sum(rest**2, axis=(1, 2)) - with_edge) / (with_edge + floor)
    return np.stack([better, with_edge / flat.shape[1]])


def _step_columns(
    d: Floats, e: float, optics: _Optics, channels: int, printed: Floats | float = 1.0
) -> tuple[Floats, Floats]:
    """Design (channels * n, m) of a side's step at `e` and the part (n,) that is not fitted.

    `printed` (n,) is the light of what the card lies on, bare paper 1.

    Columns: the face's light by channel, the wall's by channel where it shows, the sky that the
    card takes from the paper. The bare paper's light is 1. The face is taken to be even: where
    it could have a slope, a soft shadow would pass for it.
    """
    s = optics.sigma_mm
    face_at, seen_at = e + optics.lifted_mm, e + max(optics.lifted_mm, 0.0)
    outside = ndtr((d - seen_at) / s)
    face = ndtr((face_at - d) / s)
    own = [face]
    if optics.lifted_mm < 0:
        own.append(1 - outside - face)
    outside = outside * printed
    # What the blur mixes in is the light a little further out: the mean place of that paper.
    z = np.maximum((d - seen_at) / s, -6.0)
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    beside = np.maximum(seen_at - e + s * (z + bell / np.maximum(ndtr(z), 1e-12)), 0.0)
    shared = [-outside * (1 - beside / np.hypot(beside, optics.height_mm))]
    count = len(own)
    columns = np.zeros((channels * len(d), channels * count + len(shared)))
    for c in range(channels):
        rows = slice(c * len(d), (c + 1) * len(d))
        columns[rows, c * count : (c + 1) * count] = np.stack(own, axis=1)
        columns[rows, channels * count :] = np.stack(shared, axis=1)
    return columns, outside


@dataclass(frozen=True, eq=False)
class _Pixels:
    """The pixels of one piece of a side."""

    d_mm: Floats
    """(n,) outside of the side's line."""
    share: Floats
    """(n, channels)"""
    printed: Floats
    """(n,)"""


def _cut(strip: _Strip, line: _Line, pieces: list[tuple[float, float]]) -> list[_Pixels]:
    """The strip's pixels by piece."""
    t, d = line.local(strip.points_mm)
    order = np.argsort(t, kind="stable")
    sorted_t = t[order]
    out = []
    for start, stop in pieces:
        here = order[np.searchsorted(sorted_t, start) : np.searchsorted(sorted_t, stop)]
        here = np.sort(here[(d[here] > -2.0) & (d[here] < _OUTER_MM + 0.4)])
        out.append(_Pixels(d[here], strip.share[here], strip.printed[here]))
    return out


@dataclass(frozen=True, eq=False)
class _Fitted:
    off_mm: float
    """Where the outline lies outside of the line,"""
    u_mm: float
    """and the noise of that."""
    left_over: Floats
    """(20,) mean residual by distance from inside to outside, share of the paper's light."""


def _fit_piece(pixels: _Pixels, optics: _Optics) -> _Fitted | None:
    """One piece of an outline, or None where it is not clear."""
    d, share, printed = pixels.d_mm, pixels.share, pixels.printed
    inner = _INNER_MM + 2 * optics.sigma_mm
    used = (d > -inner) & (d < _OUTER_MM)
    if np.count_nonzero(used) < 24:
        return None
    some = np.flatnonzero(used)
    if len(some) > _PIXELS:
        some = some[np.linspace(0, len(some) - 1, _PIXELS).astype(np.intp)]
    d, share, printed = d[some], share[some], printed[some]
    channels = share.shape[1]
    e, rms, u = 0.0, 0.02, np.inf
    for _turn in range(6):
        columns, fixed = _step_columns(d, e, optics, channels, printed)
        wanted = (share - fixed[:, None]).T.ravel()
        held, toward = _held(columns.shape[1], channels, optics, rms)
        levels = _levels(columns, wanted, held, toward)
        model = columns @ levels + np.tile(fixed, channels)
        step = 0.01
        moved, moved_fixed = _step_columns(d, e + step, optics, channels, printed)
        slope = (moved @ levels + np.tile(moved_fixed, channels) - model) / step
        design = np.column_stack([columns, slope])
        held = np.column_stack([held, np.zeros(len(held))])
        residual = share.T.ravel() - model
        # A mark on the card or a crumb beside it counts no more than a few sigmas.
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-4)
        weight = np.minimum(1.0, 3 * scale / np.maximum(np.abs(residual), 1e-9))
        root = np.sqrt(weight)[:, None]
        rms = max(float(np.sqrt(np.mean(weight * residual**2))), 0.003)
        whole = np.concatenate([design * root, held])
        normal = whole.T @ whole
        target = np.concatenate([(wanted + 0.0) * root[:, 0], toward])
        try:
            solution = np.linalg.solve(normal, whole.T @ target)
            variance = np.linalg.inv(normal)[-1, -1]
        except np.linalg.LinAlgError:
            return None
        change = float(np.clip(solution[-1], -0.12, 0.12))
        e += change
        u = rms * float(np.sqrt(max(variance, 0.0)))
        if abs(change) < 2e-4:
            break
    if not (u < _MOST_U_MM and abs(e) < _MOST_OFF_MM and rms < 0.15):
        return None
    at = np.clip((d + inner) / (inner + _OUTER_MM) * 20, 0, 19.9).astype(np.intp)
    count = np.maximum(np.bincount(at, minlength=20), 1)
    rest = np.bincount(at, residual.reshape(channels, -1).mean(axis=0), 20) / count
    return _Fitted(e, u, rest)


def _levels(columns: Floats, wanted: Floats, held: Floats, toward: Floats) -> Floats:
    """Least-squares levels (m,), by normal equations: the held rows keep them solvable."""
    normal = columns.T @ columns + held.T @ held
    normal[np.diag_indices_from(normal)] += 1e-9 * len(columns)
    return np.asarray(np.linalg.solve(normal, columns.T @ wanted + held.T @ toward))


def _held(
    columns: int, channels: int, optics: _Optics, noise: float
) -> tuple[Floats, Floats]:
    """Rows and values that hold what a narrow wall or a bright face leaves open."""
    rows: list[Floats] = []
    values: list[float] = []

    def hold(column: int, value: float, sd: float) -> None:
        row = np.zeros(columns)
        row[column] = noise / sd
        rows.append(row)
        values.append(value * noise / sd)

    own = (columns - 1) // channels
    if own == 2:
        for c in range(channels):
            hold(c * own + 1, *_WALL)
    hold(channels * own, 0.4, _SHADE_SD)
    return np.array(rows), np.array(values)


