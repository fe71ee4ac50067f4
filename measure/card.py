"""The printed scale: one description of its geometry, to draw from and to search for.

Coordinates are millimetres on the card, origin at the top left corner of the card, x to the
right along the lanes, y down. Strands lie along x. Nothing here knows about pictures taken of
the card; `measure.scale` looks for it and `app.card_sheet` puts it on paper.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Ground = Literal["light", "dark"]
LaneKind = Literal["banded", "open"]
CardKind = Literal["desk", "pocket"]

MARKER_FAMILY: Final = cv2.aruco.DICT_APRILTAG_36h11
"""AprilTag 36h11, an open marker family (Olson, ICRA 2011) that OpenCV reads."""

MARKER_MODULES: Final = 8
"""Modules along a marker's side, its black frame counted."""

ID1_SIZE_MM: Final = (85.60, 53.98)
"""Nominal size of an ID-1 card, ISO/IEC 7810."""


@dataclass(frozen=True)
class Band:
    """A stretch of one ground along a lane, in mm from the lane's left end."""

    ground: Ground
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Lane:
    """A blank strip where strands lie along x. An open lane is a window cut out of the card."""

    kind: LaneKind
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    bands: tuple[Band, ...]


@dataclass(frozen=True)
class Marker:
    """A square fiducial: family number, top left corner and side, in mm."""

    number: int
    x_mm: float
    y_mm: float
    side_mm: float

    def corners_mm(self) -> NDArray[np.float64]:
        """Corners (4, 2) in the order OpenCV reports them: clockwise from the top left."""
        x0, y0, s = self.x_mm, self.y_mm, self.side_mm
        return np.array([[x0, y0], [x0 + s, y0], [x0 + s, y0 + s], [x0, y0 + s]])


@dataclass(frozen=True)
class Tick:
    """A filled black bar of the ruler printed for people: top left corner and size, in mm."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class TickLabel:
    """A figure beside the ruler: centre and cap height in mm."""

    text: str
    x_mm: float
    y_mm: float
    height_mm: float


@dataclass(frozen=True)
class Card:
    """One edition of one kind of card."""

    edition: int
    kind: CardKind
    width_mm: float
    height_mm: float
    lanes: tuple[Lane, ...]
    markers: tuple[Marker, ...]
    ticks: tuple[Tick, ...]
    labels: tuple[TickLabel, ...]

    @cached_property
    def corners_mm(self) -> NDArray[np.float64]:
        """Corners (m, 4, 2) of all its markers."""
        corners = np.array([m.corners_mm() for m in self.markers])
        corners.setflags(write=False)
        return corners

    @cached_property
    def place_of(self) -> dict[int, int]:
        """Which of its markers has each number."""
        return {m.number: i for i, m in enumerate(self.markers)}

    def lane(self, kind: LaneKind) -> Lane:
        """The lane of that kind; every edition has one of each."""
        return next(lane for lane in self.lanes if lane.kind == kind)

    def geometry(self) -> dict[str, Any]:
        """The card as plain data (the JSON of `slubwise card --geometry`, see docs/formats.md)."""
        return {
            "edition": self.edition,
            "kind": self.kind,
            "size_mm": [self.width_mm, self.height_mm],
            "lanes": [
                {
                    "kind": lane.kind,
                    "x_mm": lane.x_mm,
                    "y_mm": lane.y_mm,
                    "width_mm": lane.width_mm,
                    "height_mm": lane.height_mm,
                    "bands": [
                        {"ground": b.ground, "from_mm": b.from_mm, "to_mm": b.to_mm}
                        for b in lane.bands
                    ],
                }
                for lane in self.lanes
            ],
            "markers": [
                {
                    "family": "apriltag 36h11",
                    "number": m.number,
                    "x_mm": m.x_mm,
                    "y_mm": m.y_mm,
                    "side_mm": m.side_mm,
                }
                for m in self.markers
            ],
        }


@dataclass(frozen=True)
class _Layout:
    """What tells one kind of card from another; everything else follows from it."""

    edition: int
    kind: CardKind
    first_marker: int
    size_mm: tuple[float, float]
    band_edges_mm: tuple[float, ...]
    marker_side_mm: float
    gap_mm: float
    lane_height_mm: float
    open_margin_mm: float
    ruler_mm: float


# Numbers below 64 belong to edition 1. A later edition takes the next free block of 64, so that
# a card printed today is still told apart by every later version.
_LAYOUTS: Final = (
    _Layout(
        edition=1,
        kind="desk",
        first_marker=0,
        size_mm=(182.0, 104.0),
        band_edges_mm=tuple(14.0 * i for i in range(14)),
        marker_side_mm=10.0,
        gap_mm=1.5,
        lane_height_mm=26.0,
        open_margin_mm=14.0,
        ruler_mm=6.0,
    ),
    _Layout(
        edition=1,
        kind="pocket",
        first_marker=40,
        size_mm=ID1_SIZE_MM,
        band_edges_mm=(0.0, 12.8, 24.8, 36.8, 48.8, 60.8, 72.8, 85.6),
        marker_side_mm=7.0,
        gap_mm=1.0,
        lane_height_mm=11.0,
        open_margin_mm=10.0,
        ruler_mm=3.0,
    ),
)


def _build(layout: _Layout) -> Card:
    width_mm, height_mm = layout.size_mm
    edges = layout.band_edges_mm
    side, gap, lane_h = layout.marker_side_mm, layout.gap_mm, layout.lane_height_mm
    stack_mm = 3 * side + 4 * gap + 2 * lane_h
    top = (height_mm - stack_mm) / 2
    rows_y = [round(top + i * (side + 2 * gap + lane_h), 3) for i in range(3)]
    banded_y = round(rows_y[0] + side + gap, 3)
    open_y = round(rows_y[1] + side + gap, 3)
    bands = tuple(
        Band("dark" if i % 2 == 0 else "light", round(a, 3), round(b, 3))
        for i, (a, b) in enumerate(pairwise(edges))
    )
    lanes = (
        Lane("banded", 0.0, banded_y, width_mm, lane_h, bands),
        Lane(
            "open",
            layout.open_margin_mm,
            open_y,
            round(width_mm - 2 * layout.open_margin_mm, 3),
            lane_h,
            (),
        ),
    )
    centres = [(a + b) / 2 for a, b in pairwise(edges)]
    markers = tuple(
        Marker(
            layout.first_marker + row * len(centres) + column,
            round(x - side / 2, 3),
            y,
            side,
        )
        for row, y in enumerate(rows_y)
        for column, x in enumerate(centres)
    )
    ticks, labels = _rulers(width_mm, height_mm, layout.ruler_mm)
    return Card(layout.edition, layout.kind, width_mm, height_mm, lanes, markers, ticks, labels)


def _rulers(
    width_mm: float, height_mm: float, room_mm: float
) -> tuple[tuple[Tick, ...], tuple[TickLabel, ...]]:
    """Millimetres along the top edge and eighths of an inch along the bottom, for people only."""
    stroke = 0.15
    label_mm = room_mm * 0.33
    ticks: list[Tick] = []
    labels: list[TickLabel] = []
    inset = 5.0
    for mm in range(int(width_mm - 2 * inset) + 1):
        length = room_mm * (0.52 if mm % 10 == 0 else 0.38 if mm % 5 == 0 else 0.24)
        ticks.append(Tick(round(inset + mm - stroke / 2, 3), 0.0, stroke, round(length, 3)))
        if mm % 10 == 0 and mm:
            labels.append(TickLabel(str(mm), inset + mm, room_mm * 0.78, label_mm))
    eighth = 25.4 / 8
    for i in range(int((width_mm - 2 * inset) / eighth) + 1):
        length = room_mm * (0.52 if i % 8 == 0 else 0.38 if i % 4 == 0 else 0.24)
        ticks.append(
            Tick(
                round(inset + i * eighth - stroke / 2, 4),
                round(height_mm - length, 3),
                stroke,
                round(length, 3),
            )
        )
        if i % 8 == 0 and i:
            labels.append(
                TickLabel(f"{i // 8} in", inset + i * eighth, height_mm - room_mm * 0.78, label_mm)
            )
    return tuple(ticks), tuple(labels)


CARDS: Final[tuple[Card, ...]] = tuple(_build(layout) for layout in _LAYOUTS)
"""Every edition ever issued; the newest of a kind is the one `newest_card` gives."""


def newest_card(kind: CardKind) -> Card:
    """The newest edition of a kind, the one to print."""
    return max((c for c in CARDS if c.kind == kind), key=lambda c: c.edition)


@lru_cache(maxsize=1)
def card_of_marker() -> dict[int, tuple[Card, Marker]]:
    """Marker number to the card and marker it belongs to, over all editions."""
    return {m.number: (card, m) for card in CARDS for m in card.markers}


def marker_modules(number: int) -> NDArray[np.bool_]:
    """Modules (8, 8) of a marker, True where ink is printed."""
    dictionary = cv2.aruco.getPredefinedDictionary(MARKER_FAMILY)
    image = cv2.aruco.generateImageMarker(dictionary, number, MARKER_MODULES)
    return np.asarray(image) < 128


def dark_rectangles_mm(card: Card) -> NDArray[np.float64]:
    """All inked rectangles (n, 4) as x, y, width, height in mm: bands, markers, ruler ticks.

    The cut line of the open lane and the ruler's figures are the only other things on a card.
    """
    rects: list[tuple[float, float, float, float]] = []
    for lane in card.lanes:
        rects.extend(
            (lane.x_mm + b.from_mm, lane.y_mm, b.to_mm - b.from_mm, lane.height_mm)
            for b in lane.bands
            if b.ground == "dark"
        )
    for marker in card.markers:
        module = marker.side_mm / MARKER_MODULES
        ink = marker_modules(marker.number)
        for row in range(MARKER_MODULES):
            column = 0
            while column < MARKER_MODULES:
                if not ink[row, column]:
                    column += 1
                    continue
                start = column
                while column < MARKER_MODULES and ink[row, column]:
                    column += 1
                rects.append(
                    (
                        marker.x_mm + start * module,
                        marker.y_mm + row * module,
                        (column - start) * module,
                        module,
                    )
                )
    rects.extend((t.x_mm, t.y_mm, t.width_mm, t.height_mm) for t in card.ticks)
    return np.array(rects)


def ink_coverage(card: Card, pixels_per_mm: float) -> NDArray[np.float64]:
    """Share of each pixel that is inked (rows, columns), area-exact, of the bare trimmed card.

    Rows and columns are the card's size times `pixels_per_mm`, rounded; a pixel that an edge
    cuts gets the exact share, so edges stay where they belong at any resolution. The cut line of
    the open lane and the ruler's figures are not in it.
    """
    rows = round(card.height_mm * pixels_per_mm)
    columns = round(card.width_mm * pixels_per_mm)
    ink = np.zeros((rows, columns))
    for x, y, w, h in dark_rectangles_mm(card):
        cx = _overlap(x * columns / card.width_mm, (x + w) * columns / card.width_mm, columns)
        cy = _overlap(y * rows / card.height_mm, (y + h) * rows / card.height_mm, rows)
        ys, xs = np.nonzero(cy)[0], np.nonzero(cx)[0]
        if len(ys) and len(xs):
            block = np.s_[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1]
            ink[block] += np.outer(cy[ys[0] : ys[-1] + 1], cx[xs[0] : xs[-1] + 1])
    return np.minimum(ink, 1.0)


def _overlap(start: float, stop: float, count: int) -> NDArray[np.float64]:
    """Length of [start, stop] inside each of `count` unit cells."""
    cells = np.arange(count)
    return np.asarray(np.clip(np.minimum(stop, cells + 1) - np.maximum(start, cells), 0.0, 1.0))
