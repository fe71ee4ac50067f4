"""What stands around the plots: the panel with its ring, the words beside a point."""

from __future__ import annotations

from typing import Any, Final

from PySide6.QtCore import QEvent, QPoint, QRect, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen
from PySide6.QtWidgets import QLabel, QWidget

from app.window.theme import Theme

_AWAY_PX: Final = 14


class Ringed(QWidget):
    """Something in a panel of the theme, with a ring around it while it has the keyboard."""

    _RING_PX: Final = 2

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._back, self._edge, self._ring = QColor(), QColor(), QColor()

    def dress(self, theme: Theme) -> None:
        """Take on the theme."""
        self._back, self._edge = QColor(theme.panel), QColor(theme.line)
        self._ring = QColor(theme.accent)
        self.update()

    def watch(self, inner: QWidget) -> None:
        """Draw the ring while `inner` has the keyboard."""
        inner.installEventFilter(self)

    def eventFilter(self, watched: Any, event: QEvent) -> bool:
        """Notice the keyboard coming and going."""
        if event.type() in (QEvent.Type.FocusIn, QEvent.Type.FocusOut):
            self.update()
        return False

    def paintEvent(self, event: Any) -> None:
        """The panel and its ring."""
        focus = self.focusWidget()
        on = focus is not None and focus.hasFocus()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        width = self._RING_PX if on else 1
        painter.setPen(QPen(self._ring if on else self._edge, width))
        painter.setBrush(self._back)
        room = width / 2
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(room, room, -room, -room), 8, 8)
        painter.end()


def details_label(parent: QWidget) -> QLabel:
    """A hidden label for the words beside a point; what they say is never read as markup."""
    label = QLabel(parent)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
    label.setMargin(6)
    label.setWordWrap(True)
    label.setAutoFillBackground(True)
    label.hide()
    return label


def dress_label(label: QLabel, theme: Theme) -> None:
    """Let the label stand out from the plot in this theme."""
    label.setStyleSheet(
        f"background: {theme.back}; color: {theme.ink}; "
        f"border: 1px solid {theme.quiet_ink}; border-radius: 4px;"
    )


def place_beside(label: QLabel, words: str, at: QPoint, inside: QRect) -> None:
    """Show the words beside a place, on the side where there is more room, never over it."""
    label.setText(words)
    metrics = label.fontMetrics()
    widest = max(metrics.horizontalAdvance(line) for line in words.splitlines())
    width = min(widest + 2 * metrics.height(), max(inside.width() // 2, 8 * metrics.height()))
    label.setFixedWidth(width)
    label.setFixedHeight(label.heightForWidth(width))
    right = at.x() < inside.center().x()
    x = at.x() + _AWAY_PX if right else at.x() - _AWAY_PX - width
    y = at.y() - label.height() // 2
    x = min(max(x, inside.left()), max(inside.right() - width, inside.left()))
    y = min(max(y, inside.top()), max(inside.bottom() - label.height(), inside.top()))
    label.move(x, y)
    label.show()
    label.raise_()
