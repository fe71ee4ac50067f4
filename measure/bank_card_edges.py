"""The four straight edges of a bank card lying on a printed sheet, to hundredths of a pixel.

Each is cut into pieces where nothing is printed beside it; `measure.bank_card_step` places each
piece. The face lies the card's thickness nearer to the camera than the paper, so its outline is
seen a little outside of where it stands; where the view is from the side, the card's wall shows
between face and paper.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import cv2
import numpy as np

from measure.bank_card_line import (
    ALONG,
    OUTWARD,
    Line,
    coarse_line,
    foretold_line,
    reach_along,
)
from measure.bank_card_step import OUTER_MM, Fitted, Optics, Pixels, evidence, fit_piece
from measure.check_paper import Paper, linear_light
from measure.check_sheet import SheetView
from measure.errors import MeasureError
from measure.picture import Picture
from measure.results import Floats

SIDES: Final = ("upper", "right", "lower", "left")

_PIECE_MM: Final = 2.5
_FEWEST_PIECES: Final = 6
_MOST_OFF_MM: Final = 0.3

_SHADOW_REACH_MM: Final = 1.4
"""A card 0.76 mm thick throws a shadow this far under a lamp some 60 degrees off square."""


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
    shadow: float
    """Share of the paper's light that lamps' shadows take beside it."""

    def stretched(self, ratio: Floats) -> Edge:
        """The same edge in millimetres stretched by `ratio` (2,)."""
        pieces = (replace(piece, place_mm=piece.place_mm * ratio) for piece in self.pieces)
        return replace(self, pieces=tuple(pieces))


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
        lines_again = [_line_of(view, edge, height) for edge in before]
        again = [_read_side(picture, view, paper, line, height) for line in lines_again]
        return tuple(_or_hidden(edge, k) for k, edge in enumerate(again))
    lines = [coarse_line(picture, view, paper, side) for side in range(4)]
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


def _line_of(view: SheetView, edge: Edge, height: Height) -> Line:
    """The line of an edge found before, its face as high as it is now taken to be."""
    line = foretold_line(view, edge.side)
    t, d = line.local(np.array([piece.place_mm for piece in edge.pieces]))
    slope, offset = np.polyfit(t, d, 1)
    seen = max(float(np.mean([piece.lifted_mm for piece in edge.pieces])), 0.0)
    line = replace(line, offset_mm=float(offset), slope=float(slope))
    now = max(_optics(view, line, height).lifted_mm, 0.0)
    return replace(line, offset_mm=line.offset_mm + seen - now)


@dataclass(frozen=True, eq=False)
class _Strip:
    """The pixels along a side: (n,) or (n, channels)."""

    points_mm: Floats
    share: Floats
    """Their light over that of bare paper."""
    printed: Floats
    """The light that the sheet has there, bare paper 1, were nothing on it."""


def _read_side(
    picture: Picture, view: SheetView, paper: Paper, line: Line, height: Height
) -> Edge | None:
    """One side from its line known to some tenths of a millimetre; None if too little is seen."""
    strip, optics = _strip(picture, view, paper, line), _optics(view, line, height)
    pieces = _clear_pieces(view, line, optics.sigma_mm)
    found: list[tuple[float, Fitted]] = []
    for _round in range(2):
        fits = [fit_piece(pixels, optics) for pixels in _cut(strip, line, pieces)]
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
    if np.ptp(t) < 0.7 * reach_along(line.side):
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
        float(np.median([fit.shadow for _, fit in found])),
    )


def _optics(view: SheetView, line: Line, height: Height) -> Optics:
    middle = line.point(np.zeros(1), np.zeros(1))
    lift = height.sight_mm * float(_lean(view, middle, line.side)[0])
    return Optics(_sigma_mm(view, line), height.shade_mm, lift)


def _lean(view: SheetView, points_mm: Floats, side: int) -> Floats:
    """Tangent (n,) of how far sight falls outwards over a side, per height."""
    camera = view.camera_mm
    return np.asarray((points_mm - camera[:2]) @ OUTWARD[side] / camera[2])


def _sigma_mm(view: SheetView, line: Line) -> float:
    """Spread of a step across the side, mm."""
    ends = line.point(np.zeros(2), np.array([-0.5, 0.5]))
    jacobian = view.plane.jacobian(ends.mean(axis=0)[None])[0]
    # Distance from a line whose direction is seen along `along`: normal to it in the picture.
    along = jacobian @ ALONG[line.side]
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    return view.sigma_px / abs(float(normal @ jacobian @ OUTWARD[line.side]))


def _strip(picture: Picture, view: SheetView, paper: Paper, line: Line) -> _Strip:
    """All whole pixels from 3.5 mm inside to 3 mm outside of a side, its corners left out."""
    half = reach_along(line.side)
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
    picture: Picture, view: SheetView, paper: Paper, line: Line, height: Height
) -> Line | None:
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
        both = np.array([evidence(profiles, d_bins, optics, e) for e in tried])
        overall, left_over = np.median(both[:, 0], axis=1), both[:, 1]
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


def _refuse_shadow(profile: Floats, d_bins: Floats, e: float, optics: Optics, side: int) -> None:
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


def _clear_pieces(view: SheetView, line: Line, sigma_mm: float) -> list[tuple[float, float]]:
    """Stretches from t to t with nothing printed close by, each at most a piece long.

    What is printed further out is allowed for; beside the edge itself it would be mixed with it.
    """
    half = reach_along(line.side)
    t = np.arange(-half, half, 0.1)
    d = np.arange(-0.2, 0.3 + 2 * sigma_mm, 0.1)
    points = line.point(np.repeat(t[:, None], len(d), 1), np.repeat(d[None], len(t), 0))
    clear = view.clear_of_ink(points).min(axis=1) > 0.05 + sigma_mm
    far = line.point(t, np.full(len(t), OUTER_MM))
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
    strip: _Strip, line: Line, pieces: list[tuple[float, float]], bin_mm: float
) -> tuple[Floats, Floats]:
    """Middles of bins (b,) across a side and the pieces' mean light in them (p, b, channels)."""
    t, d = line.local(strip.points_mm)
    low = -3.4
    count = int((2.9 - low) / bin_mm)
    d_bins = np.asarray(low + bin_mm * np.arange(count), np.float64)
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


def _cut(strip: _Strip, line: Line, pieces: list[tuple[float, float]]) -> list[Pixels]:
    """The strip's pixels by piece."""
    t, d = line.local(strip.points_mm)
    order = np.argsort(t, kind="stable")
    sorted_t = t[order]
    out = []
    for start, stop in pieces:
        here = order[np.searchsorted(sorted_t, start) : np.searchsorted(sorted_t, stop)]
        here = np.sort(here[(d[here] > -2.0) & (d[here] < OUTER_MM + 0.4)])
        out.append(Pixels(d[here], strip.share[here], strip.printed[here]))
    return out
