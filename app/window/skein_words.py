"""The facts of a skein and what is to be said of it, to be read and copied."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QVBoxLayout, QWidget

from app.skein_report import Fact
from app.window.panel import heading_font, quiet_label, words_label


class SkeinWords(QWidget):
    """A heading, the verdict, what to do, and a table of facts."""

    def __init__(self) -> None:
        super().__init__()
        self.heading = words_label("Skein")
        self.heading.setFont(heading_font(self.heading, 1.1))
        self.suit = words_label("Whether it suits")
        self.todo = words_label("What to do next")
        self.todo.setObjectName("caution")
        self._grid = QGridLayout()
        self._grid.setColumnStretch(1, 1)
        self._grid.setHorizontalSpacing(14)
        self._grid.setVerticalSpacing(3)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        for part in (self.heading, self.suit, self.todo):
            layout.addWidget(part)
        layout.addLayout(self._grid)

    def say(
        self,
        heading: str,
        facts: Sequence[Fact],
        suit: Iterable[str],
        todo: Iterable[str],
    ) -> None:
        """Show these."""
        for label, text in (
            (self.heading, heading),
            (self.suit, "\n".join(suit)),
            (self.todo, "\n".join(todo)),
        ):
            label.setText(text.replace(" %", "\N{NO-BREAK SPACE}%"))
            label.setVisible(bool(text))
        while self._grid.count():
            item = self._grid.takeAt(0)
            widget = item.widget() if item else None
            if widget is not None:
                widget.deleteLater()
        for row, fact in enumerate(facts):
            name = quiet_label(text=fact.name)
            name.setWordWrap(False)
            told = words_label(fact.name.strip())
            told.setText(fact.text.replace(" %", "\N{NO-BREAK SPACE}%"))
            self._grid.addWidget(name, row, 0, Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(told, row, 1)
