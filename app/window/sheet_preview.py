"""A small picture of the sheet as it will be printed, from the same shapes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Final, Literal

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, QTimer
from PySide6.QtGui import (
    QColor,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QPolygonF,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.card_sheet import paint_shapes, paint_words
from app.sheet import Bar, Paper, Sheet, Words, lay_out
from app.window.theme import LIGHT, Theme
from measure.card import ID1_SIZE_MM, CardKind, newest_card
from measure.check_frame import ID1_CORNER_MM

Pointing = Literal["nothing", "bars", "bank card"]

_UNIT: Final = 20.0
"""Painter units to the mm: fonts have whole sizes, so they are laid out large and shrunk."""

_MARGIN_PX: Final = 6
_LINES_AT_ONCE: Final = 8


@cache
def _laid_out(kind: CardKind, paper: Paper) -> Sheet:
    return lay_out(newest_card(kind), paper)


class SheetPreview(QWidget):
    """The sheet on a table, with what is to be looked at on it pointed out."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = LIGHT
        self._sheet: Sheet = _laid_out("desk", "a4")
        self._pointing: Pointing = "nothing"
        self._drawn: QPixmap | None = None
        # The words take twice as long as all else: they follow in events of their own.
        self._unwritten: Sequence[Words] = ()
        self._words = QTimer(self)
        self._words.setSingleShot(True)
        self._words.timeout.connect(self._add_words)
        self._ahead = QTimer(self)
        self._ahead.setSingleShot(True)
        self._ahead.timeout.connect(self._ready)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self._name()

    def sizeHint(self) -> QSize:
        """Little: it takes what room is left."""
        return QSize(200, 150)

    def minimumSizeHint(self) -> QSize:
        """Small enough for the smallest window."""
        return QSize(150, 150)

    @property
    def sheet(self) -> Sheet:
        """What is shown."""
        return self._sheet

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self._theme = theme
        self.update()

    def show_sheet(self, kind: CardKind, paper: Paper, pointing: Pointing = "nothing") -> None:
        """Show the newest card of a kind on that paper, and point out what to look at."""
        if (kind, paper) != (self._sheet.card.kind, self._sheet.paper):
            self._sheet = _laid_out(kind, paper)
        self._drawn = None
        self._pointing = pointing
        self._name()
        self.update()

    def _name(self) -> None:
        paper = {"a4": "A4", "letter": "Letter"}[self._sheet.paper]
        what = f"Sheet with the {self._sheet.card.kind} card on {paper} paper"
        self.setAccessibleName(what)
        self.setAccessibleDescription(
            {
                "nothing": "",
                "bars": "The four check bars are pointed out: two across the page, two down it.",
                "bank card": "The place where the bank card is to lie is pointed out.",
            }[self._pointing]
        )

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Draw anew at the new size: now, or before it is shown."""
        self._drawn = None
        if not self.isVisible():
            self._ahead.start(1)
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """The page, its edge, and what is pointed out."""
        view, part, scale, size = self._view(), self._part(), self._scale(), self._size()
        left = view.x() + (view.width() - size.width()) / 2
        top = view.y()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.drawPixmap(QPointF(left, top), self._ready())
        painter.setPen(QPen(QColor(self._theme.line), 1))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(left - 0.5, top - 0.5, size.width() + 1, size.height() + 1))
        painter.translate(left, top)
        painter.scale(scale, scale)
        painter.translate(-part.x(), -part.y())
        if self._pointing == "bars":
            for bar in self._sheet.bars:
                self._point_at_bar(painter, bar, 1 / scale)
        elif self._pointing == "bank card":
            self._lay_bank_card(painter, 1 / scale)
        painter.end()

    def _view(self) -> QRectF:
        return QRectF(self.rect()).adjusted(_MARGIN_PX, _MARGIN_PX, -_MARGIN_PX, -_MARGIN_PX)

    def _scale(self) -> float:
        """Pixels of the screen to the mm."""
        view, part = self._view(), self._part()
        return min(view.width() / part.width(), view.height() / part.height())

    def _size(self) -> QSize:
        """Of what is shown, in pixels of the screen."""
        part, scale = self._part(), self._scale()
        return QSize(max(1, round(part.width() * scale)), max(1, round(part.height() * scale)))

    def _part(self) -> QRectF:
        """What of the page is shown, mm: all of it, or what is round the card."""
        sheet = self._sheet
        if self._pointing == "nothing":
            return QRectF(0, 0, sheet.width_mm, sheet.height_mm)
        top = min(bar.y_mm for bar in sheet.bars) - 8
        bottom = max(bar.y_mm + bar.height_mm for bar in sheet.bars) + 6
        if self._pointing == "bank card":
            card = sheet.card
            half = (card.height_mm / 2 + 20) if card.kind == "pocket" else card.height_mm / 2 + 6
            middle = sheet.height_mm / 2
            wide = card.width_mm / 2 + (20 if card.kind == "pocket" else 6)
            return QRectF(sheet.width_mm / 2 - wide, middle - half, 2 * wide, 2 * half)
        return QRectF(0, top, sheet.width_mm, bottom - top)

    def _ready(self) -> QPixmap:
        """The sheet drawn for this size and screen."""
        ratio = self.devicePixelRatioF()
        if self._drawn is None or self._drawn.devicePixelRatioF() != ratio:
            self._drawn = self._draw(ratio)
        return self._drawn

    def _draw(self, ratio: float) -> QPixmap:
        pixmap = QPixmap(self._size() * ratio)
        pixmap.setDevicePixelRatio(ratio)
        pixmap.fill(QColor("white"))
        painter = self._painter_on(pixmap, self._part(), self._scale())
        paint_shapes(painter, self._sheet, _UNIT)
        painter.end()
        self._unwritten = self._sheet.words
        self._words.start(1)
        return pixmap

    def _add_words(self) -> None:
        if self._drawn is not None:
            painter = self._painter_on(self._drawn, self._part(), self._scale())
            paint_words(painter, self._unwritten[:_LINES_AT_ONCE], _UNIT)
            painter.end()
            self._unwritten = self._unwritten[_LINES_AT_ONCE:]
            self.update()
            if self._unwritten:
                self._words.start(1)

    @staticmethod
    def _painter_on(pixmap: QPixmap, part: QRectF, scale: float) -> QPainter:
        painter = QPainter(pixmap)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.scale(scale / _UNIT, scale / _UNIT)
        painter.translate(-part.x() * _UNIT, -part.y() * _UNIT)
        return painter

    def _point_at_bar(self, painter: QPainter, bar: Bar, px: float) -> None:
        """The bar in the accent colour, with an arrowhead at both its ends."""
        # On white paper in either theme, so the light theme's colour always.
        colour = QColor(LIGHT.thicker)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        grown = 0.6
        painter.drawRect(
            QRectF(bar.x_mm, bar.y_mm, bar.width_mm, bar.height_mm).adjusted(
                *((0, -grown, 0, grown) if bar.width_mm > bar.height_mm else (-grown, 0, grown, 0))
            )
        )
        middle = QRectF(bar.x_mm, bar.y_mm, bar.width_mm, bar.height_mm).center()
        tip = max(3.0, 7 * px)
        painter.setPen(QPen(colour, max(0.5, 1.2 * px)))
        if bar.width_mm > bar.height_mm:
            ends = ((bar.x_mm, middle.y(), 1, 0), (bar.x_mm + bar.width_mm, middle.y(), -1, 0))
        else:
            ends = ((middle.x(), bar.y_mm, 0, 1), (middle.x(), bar.y_mm + bar.height_mm, 0, -1))
        for x, y, dx, dy in ends:
            side = 0.45 * tip
            painter.drawPolygon(
                QPolygonF(
                    [
                        QPointF(x, y),
                        QPointF(x + dx * tip - dy * side, y + dy * tip - dx * side),
                        QPointF(x + dx * tip + dy * side, y + dy * tip + dx * side),
                    ]
                )
            )

    def _lay_bank_card(self, painter: QPainter, px: float) -> None:
        """A bank card where it is to lie, its back up."""
        width, height = ID1_SIZE_MM
        box = QRectF(0, 0, width, height)
        box.moveCenter(QPointF(self._sheet.width_mm / 2, self._sheet.height_mm / 2))
        painter.setPen(QPen(QColor(LIGHT.accent).darker(130), 1.5 * px))
        painter.setBrush(QColor(LIGHT.accent))
        painter.drawRoundedRect(box, ID1_CORNER_MM, ID1_CORNER_MM)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(LIGHT.accent).darker(220))
        painter.drawRect(QRectF(box.x(), box.y() + 4.5, width, 10))
        painter.setPen(QColor(LIGHT.on_accent))
        font = painter.font()
        font.setPixelSize(40)
        painter.save()
        painter.translate(box.center() + QPointF(0, 8))
        painter.scale(0.15, 0.15)
        painter.setFont(font)
        painter.drawText(
            QRectF(-260, -60, 520, 120), Qt.AlignmentFlag.AlignCenter, "bank card, numbers down"
        )
        painter.restore()
