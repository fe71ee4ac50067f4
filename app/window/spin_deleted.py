"""Spins and bobbins that were deleted: what is asked before, and where they are brought back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.bobbin_sources import one_line
from app.notebook.records import Bobbin, Spin
from app.window.tips import tip_of


@dataclass(frozen=True)
class Gone:
    """Something that was deleted."""

    thing: Spin | Bobbin
    line: str
    """What it is and when it was deleted."""
    along: str
    """What comes back with it."""


class DeletedDialog(QDialog):
    """What was deleted, to be brought back piece by piece."""

    wanted = Signal(object)
    """The spin or bobbin to bring back."""

    def __init__(self, gone: Sequence[Gone], parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Deleted spins and bobbins")
        self._gone: tuple[Gone, ...] = ()
        self.list = QListWidget()
        self.list.setAccessibleName("Deleted spins and bobbins")
        self.list.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(self._show_current)
        self.list.itemDoubleClicked.connect(self._want)
        self._words = QLabel()
        self._words.setTextFormat(Qt.TextFormat.PlainText)
        self._words.setWordWrap(True)
        self._words.setAccessibleName("What comes back with it")
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        self.back = buttons.addButton("Bring back", QDialogButtonBox.ButtonRole.ActionRole)
        self.back.setProperty("main", True)
        self.back.setDefault(True)
        self.back.setToolTip("Put it back where it was, with all that went along (Enter)")
        self.back.clicked.connect(self._want)
        buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(self.list, 1)
        layout.addWidget(self._words)
        layout.addWidget(buttons)
        self.resize(QSize(60, 26) * self.fontMetrics().averageCharWidth())
        self.show_gone(gone)

    def show_gone(self, gone: Sequence[Gone]) -> None:
        """Show these."""
        at = self.list.currentRow()
        self._gone = tuple(gone)
        self.list.clear()
        for one in gone:
            item = QListWidgetItem(one.line)
            item.setToolTip(tip_of(one.thing.name))
            self.list.addItem(item)
        self.list.setCurrentRow(min(max(at, 0), len(gone) - 1))
        self.back.setEnabled(bool(gone))
        self._show_current(self.list.currentRow())

    def say(self, text: str) -> None:
        """Show a sentence below the list."""
        self._words.setText(text)

    def _show_current(self, row: int) -> None:
        self.say(self._gone[row].along if 0 <= row < len(self._gone) else "Nothing is deleted.")

    def _want(self) -> None:
        row = self.list.currentRow()
        if 0 <= row < len(self._gone):
            self.wanted.emit(self._gone[row].thing)


def gone_line(thing: Spin | Bobbin, of: Spin | None, when: Callable[[Any], str]) -> str:
    """'Bobbin "B2" of "Grey sock", deleted today 18:05'."""
    kind = "Spin" if isinstance(thing, Spin) else "Bobbin"
    whose = f' of "{one_line(of.name)}"' if of is not None else ""
    at = f", deleted {when(thing.deleted_at)}" if thing.deleted_at else ""
    return f'{kind} "{one_line(thing.name)}"{whose}{at}'


def question_of(text: str, along: str) -> str:
    """What is asked before something is deleted."""
    return f"{text}\n\n{along}\n\nUndo, or Deleted on this page, brings it back."
