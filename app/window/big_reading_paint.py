"""How the big reading is painted: where everything goes, and the shapes that stand for words."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF

from app.window.big_reading_shown import WORDS, Shown
from app.window.filling_text import draw_filling, filling_height
from app.window.theme import Theme
from measure.band import Judgement, Place
from measure.twist_band import TwistJudgement, TwistPlace

_TRACK_SPAN: Final = 2.2
"""Positions that the track shows, in half bands to either side of the middle."""
_CENTRE: Final = Qt.AlignmentFlag.AlignCenter
_LEFT: Final = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_RIGHT: Final = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


class Painting:
    """One painting of the panel: where everything goes and how it looks."""

    def __init__(
        self, painter: QPainter, font: QFont, theme: Theme, shown: Shown, box: QRectF
    ) -> None:
        self.painter, self.font, self.theme, self.shown = painter, font, theme, shown
        self.line = QFontMetricsF(font).height()
        self.outer = box
        pad = max(0.6 * self.line, 0.035 * min(box.width(), box.height()))
        self.box = box.adjusted(pad, pad, -pad, -pad)
        self.gap = 0.6 * pad
        self.text = max(self.line, 0.062 * self.box.height(), 0.04 * self.box.width())
        """Height of a line of the smaller texts: grows with the panel."""
        # What stands round the figure takes some seven lines: the figure keeps a quarter and more.
        self.text = min(self.text, 0.085 * self.box.width(), 0.066 * self.box.height())
        # A low panel with large letters: the figure gives way before words get too small to read.
        self.text = max(self.text, min(0.75 * self.line, 0.085 * self.box.height()))

    def paint(self) -> None:
        """Paint everything, side by side in a wide panel and one below the other else."""
        if self.shown.turns is not None and self.shown.figure:
            self._thickness_and_twist(self.shown.turns)
        elif self.box.width() > 2.1 * self.box.height():
            left, right = self._halves()
            self._figure_or_advice(left)
            self._judged(right)
        else:
            foot = self._bottom(self.box, self.text * 1.3)
            rest = self._above(self.box, foot)
            if self.shown.band_thin:
                track = self._bottom(rest, 3.4 * self.text)
                rest = self._above(rest, track)
                self._track(track)
                if self.shown.judged is not None and not self.shown.faded:
                    status = QRectF(rest)
                    status.setHeight(min(0.2 * self.box.height(), 0.2 * self.box.width()))
                    rest.setTop(status.bottom() + self.gap)
                    self._status(status)
            self._figure_or_advice(rest)
            self._foot(foot)

    def _thickness_and_twist(self, turns: Shown) -> None:
        """Two of these with a line between: side by side, in a narrow panel one below the other."""
        one, other = QRectF(self.outer), QRectF(self.outer)
        middle = self.outer.center()
        if self.outer.height() > 1.25 * self.outer.width():
            one.setBottom(middle.y())
            other.setTop(middle.y())
            ends = QPointF(self.box.left(), middle.y()), QPointF(self.box.right(), middle.y())
        else:
            one.setRight(middle.x())
            other.setLeft(middle.x())
            ends = QPointF(middle.x(), self.box.top()), QPointF(middle.x(), self.box.bottom())
        self.painter.setPen(QPen(QColor(self.theme.line), 1.5))
        self.painter.drawLine(*ends)
        thickness = replace(self.shown, turns=None, beside=turns.figure)
        turns = replace(turns, beside=self.shown.figure)
        for box, shown in ((one, thickness), (other, turns)):
            Painting(self.painter, self.font, self.theme, shown, box).paint()

    def _halves(self) -> tuple[QRectF, QRectF]:
        left, right = QRectF(self.box), QRectF(self.box)
        left.setWidth(self.box.width() * 0.48 - self.gap)
        right.setLeft(left.right() + 3 * self.gap)
        return left, right

    def _judged(self, box: QRectF) -> None:
        foot = self._bottom(box, self.text * 1.3)
        rest = self._above(box, foot)
        if self.shown.band_thin:
            track = self._bottom(rest, min(3.4 * self.text, 0.5 * rest.height()))
            self._status(self._above(rest, track))
            self._track(track)
        self._foot(foot)

    def _bottom(self, box: QRectF, height: float) -> QRectF:
        return QRectF(box.left(), box.bottom() - height, box.width(), height)

    def _above(self, box: QRectF, lower: QRectF) -> QRectF:
        return QRectF(box.left(), box.top(), box.width(), lower.top() - box.top() - self.gap)

    def _colour(self) -> QColor:
        judged, theme = self.shown.judged, self.theme
        if judged is None:
            return QColor(theme.quiet_ink)
        if judged.place == "in":
            return QColor(theme.in_band)
        return QColor(theme.thicker if judged.beyond_percent > 0 else theme.thinner)

    # The figure, or what to do.

    def _figure_or_advice(self, box: QRectF) -> None:
        shown = self.shown
        if not shown.figure:
            self._sentences(box)
            return
        advised = shown.faded and bool(shown.advice)
        below_height = (3.2 if advised else 2.3) * self.text
        space = 0.35 * self.text
        room = QRectF(box.left(), box.top(), box.width(), box.height() - below_height - space)
        room.adjust(self.gap, 0, -self.gap, 0)
        # Two figures side by side are of one size.
        widest = max(shown.figure, shown.beside, key=len)
        high = filling_height(room, widest, self.font)
        top = box.top() + (room.height() - high) / 2
        figure = QRectF(box.left(), top, box.width(), high)
        below = QRectF(box.left(), figure.bottom() + space, box.width(), below_height)
        ink = QColor(self.theme.ink)
        if shown.faded:
            ink = _mixed(ink, QColor(self.theme.panel), 0.62)
        self.painter.setPen(ink)
        draw_filling(self.painter, room, figure.center(), shown.figure, widest, self.font)
        if advised:
            self._fit(below, shown.advice, self.theme.ink, wrap=True)
            return
        first = QRectF(below.left(), below.top(), below.width(), below_height * 0.55)
        second = QRectF(below.left(), first.bottom(), below.width(), below_height * 0.45)
        self._fit(first, shown.interval, ink.name(), bold=True)
        self._fit(second, shown.classes, self.theme.quiet_ink)

    def _sentences(self, box: QRectF) -> None:
        """Why there is no reading, quietly, and below it what to do."""
        shown = self.shown
        if not shown.cause:
            self._fit(box, shown.advice, self.theme.quiet_ink, wrap=True, tallest=2.0)
            return
        cause = QRectF(box.left(), box.top(), box.width(), box.height() * 0.38)
        advice = QRectF(box.left(), cause.bottom() + self.gap, box.width(), 0.0)
        advice.setBottom(box.bottom())
        self._fit(cause, shown.cause, self.theme.quiet_ink, wrap=True, tallest=1.2)
        self._fit(advice, shown.advice, self.theme.ink, wrap=True, bold=True, tallest=2.0)

    # In the band, thicker, thinner.

    def _status(self, box: QRectF) -> None:
        """The word and its shape: on the colour when sure, framed by it when not."""
        judged, painter = self.shown.judged, self.painter
        if judged is None or self.shown.faded:
            return
        colour = self._colour()
        rim = max(2.0, box.height() * 0.05)
        body = box.adjusted(rim / 2, rim / 2, -rim / 2, -rim / 2)
        painter.setPen(QPen(colour, rim))
        painter.setBrush(colour if judged.sure else Qt.BrushStyle.NoBrush)
        painter.drawRoundedRect(body, 0.18 * box.height(), 0.18 * box.height())
        on_it = QColor(self.theme.panel) if judged.sure else colour
        inner = body.adjusted(0.5 * rim, 0.12 * box.height(), -0.5 * rim, -0.12 * box.height())
        side = min(inner.height(), 0.24 * inner.width())
        shape = QRectF(inner.left() + 0.2 * side, inner.center().y() - side / 2, side, side)
        self._shape(shape, judged.place, on_it)
        words = QRectF(inner)
        words.setLeft(shape.right() + 0.3 * side)
        words.setRight(inner.right() - 0.2 * side)
        detail = _detail(judged)
        word_box = QRectF(words)
        if detail:
            word_box.setHeight(words.height() * 0.6)
            rest = QRectF(words.left(), word_box.bottom(), words.width(), words.height() * 0.4)
            self._fit(rest, detail, on_it.name(), align=_LEFT, tallest=9.0)
        self._fit(word_box, WORDS[judged.place], on_it.name(), bold=True, align=_LEFT, tallest=9.0)

    def _shape(self, box: QRectF, place: Place | TwistPlace, colour: QColor) -> None:
        """Two lines, the band's edges, and the strand over them, between them or below them."""
        painter = self.painter
        painter.setBrush(colour)
        painter.setPen(Qt.PenStyle.NoPen)
        if place == "more" or place == "less":
            self._turned(box, 5 if place == "more" else 2)
            return
        unit = box.height() / 10
        middle = box.center().y()
        weight, centre = {"thicker": (3.4, -3.3), "in": (1.9, 0.0), "thinner": (1.2, 3.6)}[place]
        lines = {"thicker": (-0.4, 3.8), "in": (-3.2, 3.2), "thinner": (-3.8, 0.9)}[place]
        for y in lines:
            painter.drawRect(QRectF(box.left(), middle + (y - 0.4) * unit, box.width(), 0.8 * unit))
        bar = QRectF(box.left(), middle + (centre - weight / 2) * unit, box.width(), weight * unit)
        painter.drawRoundedRect(bar, weight * unit / 2, weight * unit / 2)

    def _turned(self, box: QRectF, times: int) -> None:
        """A strand with many or few turns."""
        high, pitch = 0.6 * box.height(), box.width() / times
        top, wide = box.center().y() - high / 2, box.height() / 10
        for i in range(times):
            at = box.left() + (i + 0.5) * pitch
            lean = min(0.3 * high, 0.5 * pitch)
            corners = [
                (lean - wide, 0),
                (lean + wide, 0),
                (wide - lean, high),
                (-wide - lean, high),
            ]
            self.painter.drawPolygon(QPolygonF([QPointF(at + x, top + y) for x, y in corners]))

    # The track.

    def _track(self, box: QRectF) -> None:
        """The band as a block between two posts, the reading as a pin on its interval."""
        painter, theme, shown = self.painter, self.theme, self.shown
        labels = self._bottom(box, self.text * 1.15)
        lane = QRectF(box.left(), box.top(), box.width(), box.height() - labels.height())
        middle, half = lane.center().y(), 0.20 * lane.height()

        def x(position: float) -> float:
            clamped = min(max(position, -_TRACK_SPAN), _TRACK_SPAN)
            return lane.center().x() + clamped / _TRACK_SPAN * lane.width() / 2

        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(theme.line))
        painter.drawRoundedRect(
            QRectF(lane.left(), middle - half / 3, lane.width(), half * 2 / 3), half / 3, half / 3
        )
        block = QRectF(x(-1), middle - half, x(1) - x(-1), 2 * half)
        painter.setBrush(_mixed(QColor(theme.in_band), QColor(theme.panel), 0.72))
        painter.drawRect(block)
        painter.setBrush(QColor(theme.in_band))
        post = max(2.0, 0.05 * lane.height())
        for at in (-1, 1):
            painter.drawRect(QRectF(x(at) - post / 2, middle - 1.75 * half, post, 3.5 * half))
        self._track_labels(labels, x(-1), x(1))
        if shown.judged is None or shown.faded:
            return
        colour = self._colour()
        painter.setBrush(colour)
        painter.setPen(QPen(QColor(theme.panel), max(1.0, 0.03 * lane.height())))
        low, high = x(shown.position_low), x(shown.position_high)
        thick = 0.26 * lane.height()
        if high - low >= 1:
            bar = QRectF(low, middle - thick / 2, high - low, thick)
            painter.drawRoundedRect(bar, thick / 3, thick / 3)
        self._pin(QPointF(x(shown.position), middle), 0.46 * lane.height(), shown.position, lane)

    def _pin(self, at: QPointF, size: float, position: float, lane: QRectF) -> None:
        """A diamond at the reading; an arrow at the track's end when it lies beyond."""
        painter = self.painter
        w = 0.45 * size
        if abs(position) <= _TRACK_SPAN:
            corners = [(0.0, -size), (w, 0.0), (0.0, size), (-w, 0.0)]
        else:
            way = math.copysign(1.0, position)
            at = QPointF(lane.right() if way > 0 else lane.left(), at.y())
            corners = [(0.0, 0.0), (-2.2 * w * way, -size), (-2.2 * w * way, size)]
        painter.setBrush(QColor(self.theme.ink))
        painter.drawPolygon(QPolygonF([QPointF(at.x() + dx, at.y() + dy) for dx, dy in corners]))

    def _track_labels(self, box: QRectF, thin_x: float, thick_x: float) -> None:
        """The band's ends below its posts; which way is which at the ends where there is room."""
        wide = (thick_x - thin_x) * 0.9
        for at, text in ((thin_x, self.shown.band_thin), (thick_x, self.shown.band_thick)):
            place = QRectF(at - wide / 2, box.top(), wide, box.height())
            self._fit(place, text, self.theme.ink, tallest=1.0)
        room = thin_x - box.left() - 0.28 * wide
        left = QRectF(box.left(), box.top(), room, box.height())
        right = QRectF(box.right() - room, box.top(), room, box.height())
        less, more = self.shown.ways
        tallest = min(self._tallest(left, less), self._tallest(right, more))
        self._fit(left, less, self.theme.quiet_ink, align=_LEFT, tallest=tallest)
        self._fit(right, more, self.theme.quiet_ink, align=_RIGHT, tallest=tallest)

    def _tallest(self, box: QRectF, text: str) -> float:
        """The size in which the text fits the box, of one line of the smaller texts at most."""
        font = QFont(self.font)
        font.setPixelSize(max(1, round(0.82 * self.text)))
        return min(1.0, box.width() / max(1.0, QFontMetricsF(font).horizontalAdvance(text)))

    # Held, taken, logged.

    def _foot(self, box: QRectF) -> None:
        """How long it was held, or that it was taken, or logged."""
        shown, painter, theme = self.shown, self.painter, self.theme
        ring = QRectF(box.left(), box.top(), box.height(), box.height()).adjusted(2, 2, -2, -2)
        words = QRectF(box)
        words.setLeft(ring.right() + 0.5 * ring.width())
        pen = max(2.0, ring.width() * 0.14)
        if shown.armed and not shown.logged:
            if not shown.figure or shown.faded or not shown.live:
                return
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(QColor(theme.line), pen))
            painter.drawEllipse(ring)
            painter.setPen(QPen(QColor(theme.accent), pen, c=Qt.PenCapStyle.FlatCap))
            painter.drawArc(ring, 90 * 16, -round(shown.hold * 360 * 16))
            self._fit(words, "Hold still", theme.quiet_ink, align=_LEFT, tallest=1.0)
            return
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(theme.accent))
        painter.drawEllipse(ring)
        painter.setPen(
            QPen(
                QColor(theme.on_accent),
                pen,
                c=Qt.PenCapStyle.RoundCap,
                j=Qt.PenJoinStyle.RoundJoin,
            )
        )
        tick = [(0.28, 0.53), (0.44, 0.69), (0.73, 0.36)]
        painter.drawPolyline(
            QPolygonF(
                [
                    QPointF(ring.left() + a * ring.width(), ring.top() + b * ring.height())
                    for a, b in tick
                ]
            )
        )
        self._fit(words, shown.logged or "Taken", theme.ink, bold=True, align=_LEFT, tallest=1.0)

    def _fit(
        self,
        box: QRectF,
        text: str,
        colour: str,
        *,
        bold: bool = False,
        wrap: bool = False,
        align: Qt.AlignmentFlag = _CENTRE,
        tallest: float = 1.25,
    ) -> None:
        """Text in the box as large as it fits, at most `tallest` lines of the smaller texts."""
        if not text or box.height() < 1 or box.width() < 1:
            return
        font = QFont(self.font)
        font.setBold(bold)
        flags = int(align.value) | (int(Qt.TextFlag.TextWordWrap.value) if wrap else 0)
        size = min(tallest * self.text, box.height()) * 0.82
        limit = QRectF(0, 0, box.width(), 1e5 if wrap else box.height())
        while True:
            font.setPixelSize(max(1, round(size)))
            need = QFontMetricsF(font).boundingRect(limit, flags, text)
            if (need.width() <= box.width() and need.height() <= box.height() * 1.02) or size <= 7:
                break
            size *= 0.92
        self.painter.setFont(font)
        self.painter.setPen(QColor(colour))
        self.painter.drawText(box, flags, text)


def _detail(judged: Judgement | TwistJudgement) -> str:
    """What there is to add to the word."""
    beyond = f"by {abs(judged.beyond_percent):.0f} %" if judged.place != "in" else ""
    if judged.sure:
        return beyond
    return f"{beyond}, perhaps in" if beyond else "perhaps not: near the edge"


def _mixed(one: QColor, other: QColor, share: float) -> QColor:
    """`one` with that share of `other` in it."""
    return QColor.fromRgbF(
        one.redF() * (1 - share) + other.redF() * share,
        one.greenF() * (1 - share) + other.greenF() * share,
        one.blueF() * (1 - share) + other.blueF() * share,
    )
