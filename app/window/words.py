"""Words that others wrote: plain text, cut short or scrolled."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QLabel, QPlainTextEdit, QSizePolicy

from app.bobbin_sources import one_line
from app.window.tips import tip_of


class Words(QPlainTextEdit):
    """Sentences that take as many lines as they need up to a few, and scroll beyond."""

    def __init__(self, name: str, most_lines: int) -> None:
        super().__init__()
        self._most_lines = most_lines
        self.setReadOnly(True)
        self.setTabChangesFocus(True)
        self.setAccessibleName(name)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setBackgroundVisible(False)
        self.viewport().setAutoFillBackground(False)
        self.document().setDocumentMargin(0)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAsNeeded)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.document().documentLayout().documentSizeChanged.connect(self._fit)

    def say(self, text: str) -> None:
        """Show this; nothing takes no room."""
        if text != self.toPlainText():
            self.setPlainText(text)
        self.setVisible(bool(text))
        self._fit()

    def _fit(self) -> None:
        lines = min(max(round(self.document().size().height()), 1), self._most_lines)
        self.setFixedHeight(lines * self.fontMetrics().lineSpacing() + 4)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another width breaks the lines elsewhere."""
        super().resizeEvent(event)
        self._fit()


class ShortLabel(QLabel):
    """One line of plain text, cut short with dots where there is no room for all of it."""

    def __init__(self, name: str = "") -> None:
        super().__init__()
        self._whole = self._short = ""
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._name = name

    def say(self, text: str, tip: str = "", short: str = "") -> None:
        """Show this; where there is no room for all of it `short`, if that is given."""
        self._whole, self._short = one_line(text), one_line(short)
        self.setToolTip(tip_of(tip or text))
        self.setAccessibleName(f"{self._name}: {self._whole}" if self._name else self._whole)
        self._cut()

    def _cut(self) -> None:
        metrics, words = self.fontMetrics(), self._whole
        if self._short and metrics.horizontalAdvance(words) > self.width():
            words = self._short
        self.setText(metrics.elidedText(words, Qt.TextElideMode.ElideRight, self.width()))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """More or less of it fits."""
        super().resizeEvent(event)
        self._cut()
