"""What is drawn over a picture: outlines of what was read, of what was not and why, plates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFontMetricsF,
    QPainter,
    QPen,
    QPolygonF,
    QTransform,
)

from app.drawing import PAPER, STRAND_COLOURS, runs
from app.format import interval_decimals, rounded
from app.window.preferences import Unit
from app.window.theme import Theme
from measure.results import Floats, Outline, PictureReading, Refusal, StrandReading

_MOST_POINTS: Final = 100
"""Points drawn of one edge: a strand is smooth, and each frame draws anew."""
_RIM_ALPHA: Final = 190
_LINE_REACH: Final = 5.0
"""Farther than that no line and no rim reaches from the edge that it is drawn along."""
_MOST_CHIPS: Final = 3


@dataclass(frozen=True, eq=False)
class EdgeLines:
    """The two edges of a strand as lines, and the way out from each."""

    left: tuple[QPolygonF, ...]
    right: tuple[QPolygonF, ...]
    outward: QPointF
    """Unit vector from the strand's middle across to the left edge."""


@dataclass(frozen=True, eq=False)
class StrandMarks:
    """A strand's outline ready to be drawn, in picture pixels."""

    number: int
    lines: EdgeLines
    centre: Floats
    """(n, 2), finite."""
    width_px: float
    text: str
    """For its plate."""


@dataclass(frozen=True, eq=False)
class PictureMarks:
    """All marks of one reading."""

    strands: tuple[StrandMarks, ...] = ()
    unread: tuple[EdgeLines, ...] = ()
    chips: tuple[str, ...] = ()
    """Why something was not read, one sentence or two each."""


def marks_of(
    reading: PictureReading,
    reasons: Sequence[Refusal],
    *,
    scale: float,
    unit: Unit,
    wrap_factor: float,
    in_full: bool,
) -> PictureMarks:
    """The marks of a reading on a picture `scale` times the size of the one it was made from.

    `in_full` puts the figure on each plate and the advice into each chip, as for a picture that
    stands still; else plates carry the strand's number, and only where there are several.
    """
    strands = []
    for strand in reading.strands:
        text = ""
        if in_full:
            text = f"{strand.number}: {_figure(strand, unit, wrap_factor)}"
        elif len(reading.strands) > 1:
            text = str(strand.number)
        strands.append(_strand_marks(strand, scale, text))
    unread = []
    for refusal in reading.refusals:
        outline: Outline | None = getattr(refusal, "outline", None)
        if outline is not None:
            along = np.arange(len(outline.centre_px), dtype=np.float64)
            unread.append(_edge_lines(outline, along, scale))
    chips: list[str] = []
    for refusal in reasons:
        who = f"{refusal.strand}: " if refusal.strand is not None and in_full else ""
        text = f"{who}{refusal.text}" + (f" {refusal.advice}" if in_full else "")
        if text not in chips:
            chips.append(text)
    return PictureMarks(tuple(strands), tuple(unread), tuple(chips[:_MOST_CHIPS]))


def _figure(strand: StrandReading, unit: Unit, wrap_factor: float) -> str:
    if unit == "mm":
        interval = strand.diameter_interval_mm
        return f"{rounded(strand.diameter_mm, interval_decimals(strand.diameter_mm, interval))} mm"
    thin, thick = strand.diameter_interval_mm
    wraps = 25.4 / wrap_factor
    wpi = wraps / strand.diameter_mm
    decimals = interval_decimals(wpi, (wraps / thick, wraps / thin if thin > 0 else np.inf))
    return f"{rounded(wpi, decimals)} WPI"


def _strand_marks(strand: StrandReading, scale: float, text: str) -> StrandMarks:
    centre = strand.outline.centre_px
    centre = (centre[np.isfinite(centre).all(axis=1)] + 0.5) * scale
    lines = _edge_lines(strand.outline, strand.along.position_mm, scale)
    return StrandMarks(strand.number, lines, centre, strand.width_px * scale, text)


def _edge_lines(outline: Outline, along: Floats, scale: float) -> EdgeLines:
    """Both edges, broken where nothing was measured. Pixel centres move to the half."""
    left, right = outline.left_px, outline.right_px
    if len(along) != len(left):
        along = np.arange(len(left), dtype=np.float64)
    across = left - right
    across = across[np.isfinite(across).all(axis=1)]
    way = across.mean(axis=0) if len(across) else np.array([0.0, -1.0])
    way = way / max(float(np.hypot(*way)), 1e-9)
    every = max(1, len(left) // _MOST_POINTS)
    lines: list[list[QPolygonF]] = [[], []]
    for run in runs(left + right, along):
        kept = run[::every]
        if kept[-1] != run[-1]:
            kept = np.append(kept, run[-1])
        for edge, into in zip((left, right), lines, strict=True):
            points = (edge[kept] + 0.5) * scale
            into.append(QPolygonF([QPointF(x, y) for x, y in points.tolist()]))
    return EdgeLines(tuple(lines[0]), tuple(lines[1]), QPointF(float(way[0]), float(way[1])))


def nearest_strand(marks: PictureMarks, at: QPointF, reach: float) -> int | None:
    """Number of the strand within `reach` picture pixels of a place, or of half its width."""
    best: tuple[float, int] | None = None
    for strand in marks.strands:
        if not len(strand.centre):
            continue
        away = float(np.hypot(*(strand.centre - np.array([at.x(), at.y()])).T).min())
        if away <= reach + strand.width_px / 2 and (best is None or away < best[0]):
            best = away, strand.number
    return best[1] if best else None


def draw_marks(
    painter: QPainter,
    marks: PictureMarks,
    to_view: QTransform,
    view: QRectF,
    theme: Theme,
    chosen: int | None,
) -> None:
    """Draw them: lines of even width at any zoom, each with a light rim to show on anything."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    for lines in marks.unread:
        _draw_edges(painter, lines, to_view, QColor(theme.caution), 1.0, dashed=True)
    for strand in marks.strands:
        meant = chosen is None or strand.number == chosen
        colour = QColor(*STRAND_COLOURS[(strand.number - 1) % len(STRAND_COLOURS)])
        _draw_edges(painter, strand.lines, to_view, colour, 2.0 if meant else 1.0)
    _plates(painter, marks, to_view, view, theme, chosen)
    _chips(painter, marks.chips, view, theme)


def marks_place(marks: PictureMarks, to_view: QTransform, view: QRectF) -> QRectF:
    """Where in the view `draw_marks` draws: around the outlines, and all over it for words."""
    if marks.chips or any(strand.text for strand in marks.strands):
        return view
    place = QRectF()
    for lines in (*marks.unread, *(strand.lines for strand in marks.strands)):
        for line in (*lines.left, *lines.right):
            place = place.united(to_view.mapRect(line.boundingRect()))
    return place.adjusted(-_LINE_REACH, -_LINE_REACH, _LINE_REACH, _LINE_REACH)


def _draw_edges(
    painter: QPainter,
    lines: EdgeLines,
    to_view: QTransform,
    colour: QColor,
    width: float,
    dashed: bool = False,
) -> None:
    """Each edge with its rim, just outside the strand so that nothing of it is hidden.

    A line of some pixels' width is drawn as so many of one: Qt strokes those ten times as fast.
    """
    ratio = painter.device().devicePixelRatio()
    rim = QColor(*PAPER)
    rim.setAlpha(_RIM_ALPHA)
    colour_pen, rim_pen = QPen(colour, 1.0 / ratio), QPen(rim, 1.0 / ratio)
    if dashed:
        colour_pen.setDashPattern([6.0 * ratio, 4.0 * ratio])
    steps = round(width * ratio)
    for edge, way in ((lines.left, lines.outward), (lines.right, -lines.outward)):
        shown = [to_view.map(line) for line in edge]
        for step in range(steps + max(1, round(ratio))):
            offset = way * ((step + 0.5) / ratio)
            painter.setPen(colour_pen if step < steps else rim_pen)
            for line in shown:
                painter.drawPolyline(line.translated(offset))


def _plates(
    painter: QPainter,
    marks: PictureMarks,
    to_view: QTransform,
    view: QRectF,
    theme: Theme,
    chosen: int | None,
) -> None:
    """A plate for each strand in sight, tied to it by a line, where it hides least."""
    named = [s for s in marks.strands if s.text and len(s.centre)]
    if not named:
        return
    metrics = QFontMetricsF(painter.font())
    pad = 0.3 * metrics.height()
    centres = [_in_view(strand, to_view) for strand in named]
    everything = np.concatenate([c[:: max(1, len(c) // 60)] for c in centres])
    taken: list[QRectF] = []
    for strand, centre in zip(named, centres, strict=True):
        width = metrics.horizontalAdvance(strand.text) + 3 * pad
        place = _Place(centre, strand.width_px * to_view.m11() / 2, view)
        found = place.freest(width, metrics.height() + pad, everything, taken)
        if found is None:
            continue
        plate, anchor = found
        taken.append(plate)
        meant = chosen is None or strand.number == chosen
        colour = QColor(*STRAND_COLOURS[(strand.number - 1) % len(STRAND_COLOURS)])
        painter.setPen(QPen(colour, 1.0))
        painter.drawLine(plate.center(), anchor)
        painter.setPen(QPen(colour, 2.0 if meant else 1.0))
        painter.setBrush(QColor(theme.panel))
        painter.drawRoundedRect(plate, pad, pad)
        painter.setPen(QColor(theme.ink))
        painter.drawText(plate, Qt.AlignmentFlag.AlignCenter, strand.text)


def _in_view(strand: StrandMarks, to_view: QTransform) -> Floats:
    shift = np.array([to_view.dx(), to_view.dy()])
    return np.asarray(strand.centre * to_view.m11() + shift, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Place:
    """Room for a plate beside a strand, all in the view's pixels."""

    centre: Floats
    half_width: float
    view: QRectF

    def freest(
        self, width: float, height: float, everything: Floats, taken: list[QRectF]
    ) -> tuple[QRectF, QPointF] | None:
        """The plate that hides least and where it is tied; None when the strand is out of sight."""
        best: tuple[float, QRectF, QPointF] | None = None
        seen = self.centre[_within(self.centre, self.view, 0.0)]
        for share in (0.04, 0.96, 0.5) if len(seen) else ():
            x, y = seen[min(int(share * len(seen)), len(seen) - 1)]
            anchor = QPointF(float(x), float(y))
            for side in (-1.0, 1.0):
                for away in (0.9, 2.4, 4.0):
                    plate = self._plate(anchor, side * away * height, width, height)
                    clashes = sum(plate.intersects(other) for other in taken)
                    hidden = int(np.count_nonzero(_within(everything, plate, 3.0)))
                    cost = 1000.0 * clashes + 10.0 * hidden + away + share
                    if best is None or cost < best[0]:
                        best = cost, plate, anchor
        return (best[1], best[2]) if best else None

    def _plate(self, anchor: QPointF, away: float, width: float, height: float) -> QRectF:
        down = away + (self.half_width if away > 0 else -self.half_width)
        plate = QRectF(anchor.x() - width / 2, anchor.y() + down - height / 2, width, height)
        view = self.view
        plate.moveLeft(min(max(plate.left(), view.left() + 4), view.right() - width - 4))
        plate.moveTop(min(max(plate.top(), view.top() + 4), view.bottom() - height - 4))
        return plate


def _within(points: Floats, box: QRectF, rim: float) -> NDArray[np.bool_]:
    """Which of the points (n, 2) lie in a box with a rim round it, (n,)."""
    x, y = points[:, 0], points[:, 1]
    return np.asarray(
        (x >= box.left() - rim)
        & (x <= box.right() + rim)
        & (y >= box.top() - rim)
        & (y <= box.bottom() + rim)
    )


def _chips(painter: QPainter, chips: Sequence[str], view: QRectF, theme: Theme) -> None:
    """Reasons, one above the other in the lower left corner, each with a warning sign."""
    metrics = QFontMetricsF(painter.font())
    pad = 0.5 * metrics.height()
    sign = 1.1 * metrics.height()
    widest = min(view.width() - 4 * pad, 46 * metrics.averageCharWidth() + sign + 3 * pad)
    if widest < sign + 6 * pad:
        return
    flags = int(Qt.TextFlag.TextWordWrap.value) | int(Qt.AlignmentFlag.AlignLeft.value)
    bottom = view.bottom() - pad
    for text in reversed(chips):
        room = QRectF(0, 0, widest - sign - 3 * pad, 1e5)
        need = metrics.boundingRect(room, flags, text)
        height = max(need.height(), sign) + 1.2 * pad
        chip = QRectF(view.left() + pad, bottom - height, need.width() + sign + 3 * pad, height)
        if chip.top() < view.top():
            return
        bottom = chip.top() - 0.5 * pad
        back = QColor(theme.panel)
        back.setAlpha(235)
        painter.setPen(QPen(QColor(theme.line), 1.0))
        painter.setBrush(back)
        painter.drawRoundedRect(chip, pad, pad)
        _warning(
            painter, QRectF(chip.left() + pad, chip.center().y() - sign / 2, sign, sign), theme
        )
        painter.setPen(QColor(theme.ink))
        words = QRectF(chip.left() + sign + 2 * pad, chip.top(), need.width() + 1, height)
        words.setTop(chip.center().y() - need.height() / 2)
        painter.drawText(words, flags, text)


def _warning(painter: QPainter, box: QRectF, theme: Theme) -> None:
    """A triangle with a stroke and a dot in it."""
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(theme.caution))
    painter.drawPolygon(
        QPolygonF(
            [
                QPointF(box.center().x(), box.top()),
                QPointF(box.right(), box.bottom() - 0.06 * box.height()),
                QPointF(box.left(), box.bottom() - 0.06 * box.height()),
            ]
        )
    )
    painter.setBrush(QColor(theme.panel))
    unit = box.height() / 10
    painter.drawRect(QRectF(box.center().x() - 0.5 * unit, box.top() + 3.4 * unit, unit, 3 * unit))
    painter.drawRect(
        QRectF(box.center().x() - 0.5 * unit, box.top() + 7.2 * unit, unit, 1.1 * unit)
    )
