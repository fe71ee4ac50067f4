"""The frame of markers printed round a pocket card's cut line, to check the printer by.

A bank card laid on the pocket card's outline hides the card and all its markers; these, outside
the cut line, show the plane then. Coordinates are the pocket card's own millimetres, so most of
them lie outside its 85.60 x 53.98 mm. They are thrown away with the rest of the sheet and belong
to no edition of a card. `app.sheet` draws them; `measure.printer_check` looks for them.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from measure.card import ID1_SIZE_MM, MARKER_MODULES, Marker, marker_modules
from measure.printed_edges import PrintedEdges
from measure.results import Floats

FIRST_NUMBER: Final = 512
"""Marker numbers 512 to 575 are for what is printed round cards; cards count up from 0."""

SIDE_MM: Final = 8.0

CLEAR_MM: Final = 7.0
"""Bare paper between cut line and markers: a bank card reaches 2.7 mm over an outline that came
out 6 % small, and nobody lays it down quite straight."""

ID1_CORNER_MM: Final = 3.18
"""Corner radius of an ID-1 card: the middle of 2.88 to 3.48 mm, ISO/IEC 7810."""

CUT_DASH_MM: Final = (4.0, 6.0)
"""Dash and gap of the cut line, counted clockwise from the end of the top left corner's bow.

Between the dashes a bank card's edge is seen against bare paper even where it lies on the line.
"""

CUT_STROKE_MM: Final = 0.1

_COLUMNS: Final = 9
_ROWS: Final = 7


def _frame() -> tuple[Marker, ...]:
    """Markers clockwise from the top left corner, in even steps along each side."""
    width, height = ID1_SIZE_MM
    far = CLEAR_MM + SIDE_MM
    xs = np.linspace(-far, width + CLEAR_MM, _COLUMNS).round(3)
    ys = np.linspace(-far, height + CLEAR_MM, _ROWS).round(3)
    places = [
        *((x, ys[0]) for x in xs),
        *((xs[-1], y) for y in ys[1:]),
        *((x, ys[-1]) for x in xs[-2::-1]),
        *((xs[0], y) for y in ys[-2:0:-1]),
    ]
    return tuple(
        Marker(FIRST_NUMBER + i, float(x), float(y), SIDE_MM) for i, (x, y) in enumerate(places)
    )


FRAME_MARKERS: Final = _frame()


def frame_ink_mm() -> Floats:
    """The frame's inked rectangles (n, 4) as x, y, width, height."""
    rects = []
    module = SIDE_MM / MARKER_MODULES
    for marker in FRAME_MARKERS:
        for row, inked in enumerate(marker_modules(marker.number)):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], inked, [0]]).astype(int)))
            rects += [
                (
                    marker.x_mm + start * module,
                    marker.y_mm + row * module,
                    (stop - start) * module,
                    module,
                )
                for start, stop in edges.reshape(-1, 2)
            ]
    return np.array(rects)


def cut_dashes_mm() -> Floats:
    """The cut line's dashes along its straight sides (n, 4); those round the corners left out."""
    (width, height), radius = ID1_SIZE_MM, ID1_CORNER_MM
    bow = math.pi * radius / 2
    dash, gap = CUT_DASH_MM
    half = CUT_STROKE_MM / 2
    rects: list[tuple[float, float, float, float]] = []
    done = 0.0
    for side, length in enumerate((width, height, width, height)):
        straight = length - 2 * radius
        first = math.floor(done / (dash + gap))
        for k in range(first, first + math.ceil(straight / (dash + gap)) + 2):
            a = max(k * (dash + gap) - done, 0.0)
            b = min(k * (dash + gap) + dash - done, straight)
            if b <= a:
                continue
            rects.append(
                (
                    (radius + a, -half, b - a, 2 * half),
                    (width - half, radius + a, 2 * half, b - a),
                    (width - radius - b, height - half, b - a, 2 * half),
                    (-half, height - radius - b, 2 * half, b - a),
                )[side]
            )
        done += straight + bow
    return np.array(rects)


_OUTWARD: Final = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])


def frame_edges(markers: tuple[Marker, ...], factors: Floats) -> PrintedEdges:
    """The four outer borders of each of these markers: top, right, bottom, left.

    `factors` (2,) are the printer's.
    """
    corners = np.array([m.corners_mm() for m in markers]) * factors
    modules = [~marker_modules(m.number) for m in markers]
    white = np.array([(w[1], w[:, -2], w[-2, ::-1], w[::-1, 1]) for w in modules], float)
    count = 4 * len(markers)
    outward = np.tile(_OUTWARD, (len(markers), 1))
    module = SIDE_MM / MARKER_MODULES * (np.abs(outward) @ factors)
    return PrintedEdges(
        start_mm=corners.reshape(-1, 2),
        end_mm=np.roll(corners, -1, axis=1).reshape(-1, 2),
        outward=outward,
        ink_mm=module,
        white_behind=white.reshape(-1, MARKER_MODULES),
        paper_mm=2.0 * module,
        ink_before=np.zeros(count),
    )
