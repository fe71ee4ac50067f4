"""What stands in the picture's place while there is none."""

from __future__ import annotations

from PySide6.QtCore import QRect, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from app.window.theme import Theme


def draw_invitation(painter: QPainter, room: QRect, words: str, theme: Theme) -> None:
    """Fill the room with a dashed frame and words that say what to do, in the painter's font."""
    painter.fillRect(room, QColor(theme.picture_back))
    font = painter.font()
    font.setPointSizeF(font.pointSizeF() * 1.25)
    painter.setFont(font)
    margin = 0.06 * min(room.width(), room.height())
    inside = QRectF(room).adjusted(margin, margin, -margin, -margin)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    edge = _mixed(theme.quiet_ink, theme.picture_back)
    painter.setPen(QPen(edge, 1.5, Qt.PenStyle.DashLine))
    painter.drawRoundedRect(inside, margin, margin)
    painter.setPen(QColor(theme.quiet_ink))
    inside = inside.adjusted(margin, margin, -margin, -margin)
    flags = int(Qt.AlignmentFlag.AlignCenter.value) | int(Qt.TextFlag.TextWordWrap.value)
    painter.drawText(inside, flags, words)


def _mixed(one: str, other: str) -> QColor:
    a, b = QColor(one), QColor(other)
    return QColor(
        (a.red() + b.red()) // 2, (a.green() + b.green()) // 2, (a.blue() + b.blue()) // 2
    )
