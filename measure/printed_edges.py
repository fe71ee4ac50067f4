"""The card's straight borders between ink and paper, with what is printed beside them."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.card import CARDS, MARKER_MODULES, Card, Marker, marker_modules
from measure.results import Floats


@dataclass(frozen=True)
class PrintedEdges:
    """Straight borders between ink and paper, mm on the card, and what is printed beside them."""

    start_mm: Floats
    """(n, 2)"""
    end_mm: Floats
    """(n, 2)"""
    outward: Floats
    """(n, 2) unit, from ink to paper."""
    ink_mm: Floats
    """(n,) depth of the ink behind the border."""
    white_behind: Floats
    """(n, 8) paper (1) or ink behind that depth, by eighths of the border from start to end."""
    paper_mm: Floats
    """(n,) depth of the paper before the border."""
    ink_before: Floats
    """(n,) 1 where the whole border has ink before that paper, else 0."""

    def middles_mm(self) -> Floats:
        """Middles (n, 2)."""
        return (self.start_mm + self.end_mm) / 2

    def taken(self, index: NDArray[np.intp] | slice) -> PrintedEdges:
        """Those of the given indices (m,) or of a slice."""
        return PrintedEdges(*(getattr(self, f.name)[index] for f in fields(PrintedEdges)))

    @staticmethod
    def joined(first: PrintedEdges, second: PrintedEdges) -> PrintedEdges:
        """Both sets, one behind the other."""
        return PrintedEdges(
            *(
                np.concatenate([getattr(first, f.name), getattr(second, f.name)])
                for f in fields(PrintedEdges)
            )
        )


_OUTWARD: Final = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
"""Outward directions of a rectangle's top, right, bottom and left border."""


def printed_edges(card: Card, markers: tuple[Marker, ...], factors: Floats) -> PrintedEdges:
    """The four outer borders of each of some markers, and after them those of the dark bands.

    In true mm by the printer's `factors` (2,); a marker's are top, right, bottom and left.
    """
    whole = _edges_of(card.kind, card.edition, float(factors[0]), float(factors[1]))
    own = np.array([card.place_of[m.number] for m in markers], np.intp)
    borders = (4 * own[:, None] + np.arange(4)).ravel()
    bands = np.arange(4 * len(card.markers), len(whole.ink_mm))
    return whole.taken(np.concatenate([borders, bands]))


@lru_cache(maxsize=8)
def _edges_of(kind: str, edition: int, factor_x: float, factor_y: float) -> PrintedEdges:
    card = next(c for c in CARDS if (c.kind, c.edition) == (kind, edition))
    factors = np.array([factor_x, factor_y])
    return PrintedEdges.joined(
        _marker_edges(card, card.markers, factors), _band_edges(card, factors)
    )


def _marker_edges(card: Card, markers: tuple[Marker, ...], factors: Floats) -> PrintedEdges:
    """The four outer borders of each marker, top, right, bottom, left."""
    corners = np.array([m.corners_mm() for m in markers])
    module = np.array([m.side_mm / MARKER_MODULES for m in markers])
    white = np.empty((len(markers), 4, MARKER_MODULES))
    paper = np.empty((len(markers), 4))
    ink_before = np.zeros((len(markers), 4))
    lane = card.lane("banded")
    for i, marker in enumerate(markers):
        paper_modules = ~marker_modules(marker.number)
        white[i] = (
            paper_modules[1],
            paper_modules[:, -2],
            paper_modules[-2, ::-1],
            paper_modules[::-1, 1],
        )
        # Nothing else is printed nearer than a module; across the gap to a lane a band may be.
        paper[i] = 1.1 * module[i]
        middle_x = marker.x_mm + marker.side_mm / 2 - lane.x_mm
        faces_ink = any(b.ground == "dark" and b.from_mm < middle_x < b.to_mm for b in lane.bands)
        gaps = (
            (0, marker.y_mm - (lane.y_mm + lane.height_mm)),
            (2, lane.y_mm - (marker.y_mm + marker.side_mm)),
        )
        for side, gap in gaps:
            if faces_ink and 0 < gap < 2 * module[i]:
                paper[i, side], ink_before[i, side] = gap, 1.0
    outward = np.tile(_OUTWARD, (len(markers), 1))
    across = np.abs(outward) @ factors
    corners = corners * factors
    return PrintedEdges(
        corners.reshape(-1, 2),
        np.roll(corners, -1, axis=1).reshape(-1, 2),
        outward,
        np.repeat(module, 4) * across,
        white.reshape(-1, MARKER_MODULES),
        paper.ravel() * across,
        ink_before.ravel(),
    )


def _band_edges(card: Card, factors: Floats) -> PrintedEdges:
    """The borders of the dark bands of the banded lane: across the strands and along them."""
    lane = card.lane("banded")
    gap = min(
        abs(gap)
        for m in card.markers
        for gap in (m.y_mm - lane.y_mm - lane.height_mm, lane.y_mm - m.y_mm - m.side_mm)
    )
    side = max(m.side_mm for m in card.markers)
    starts, ends, outward, ink, paper, ink_before = [], [], [], [], [], []
    for band in lane.bands:
        if band.ground != "dark":
            continue
        x0, x1 = lane.x_mm + band.from_mm, lane.x_mm + band.to_mm
        y0, y1 = lane.y_mm, lane.y_mm + lane.height_mm
        middle = (x0 + x1) / 2
        # Of the long borders only what faces a marker, so that what lies before it is known.
        left, right = middle - side / 2, middle + side / 2
        rectangle = (
            ((left, y0), (right, y0)),
            ((x1, y0), (x1, y1)),
            ((right, y1), (left, y1)),
            ((x0, y1), (x0, y0)),
        )
        for k, (start, end) in enumerate(rectangle):
            if start[0] == end[0] and not 0.0 < start[0] < card.width_mm:
                continue  # the card's own edge, not print
            starts.append(start)
            ends.append(end)
            outward.append(_OUTWARD[k])
            ink.append(lane.height_mm if k % 2 == 0 else x1 - x0)
            paper.append(gap if k % 2 == 0 else min(b.to_mm - b.from_mm for b in lane.bands))
            ink_before.append(1.0 if k % 2 == 0 else 0.0)
    across = np.abs(np.array(outward)) @ factors
    return PrintedEdges(
        np.array(starts) * factors,
        np.array(ends) * factors,
        np.array(outward),
        np.array(ink) * across,
        np.zeros((len(starts), MARKER_MODULES)),
        np.array(paper) * across,
        np.array(ink_before),
    )
