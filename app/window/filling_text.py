"""Figures as large as the room for them."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QFont, QFontMetricsF, QPainter


def filling_height(box: QRectF, text: str, font: QFont) -> float:
    """Height in pixels of the digits of a figure that fills a box."""
    return _filling(box, text, font)[1].height()


def _filling(box: QRectF, text: str, font: QFont) -> tuple[QFont, QRectF]:
    """The font in which the figure fills the box, and what its ink takes up in it.

    All digits count as eights, so that the size does not change with the figure.
    """
    big = QFont(font)
    big.setWeight(QFont.Weight.DemiBold)
    big.setPixelSize(200)
    ink = _ink(big, text)
    if ink.width() <= 0 or ink.height() <= 0:
        return big, QRectF()
    grow = min(box.width() / ink.width(), box.height() / ink.height())
    big.setPixelSize(max(8, int(200 * grow)))
    return big, _ink(big, text)


def draw_filling(
    painter: QPainter, room: QRectF, middle: QPointF, text: str, like: str, font: QFont
) -> None:
    """Write a figure, its ink about a middle, as large as `like` would fill the room."""
    big, _ = _filling(room, like, font)
    painter.setFont(big)
    painter.drawText(middle - _ink(big, text).center(), text)


def _ink(big: QFont, text: str) -> QRectF:
    eights = "".join("8" if c.isdigit() else c for c in text)
    return QFontMetricsF(big).tightBoundingRect(eights)
