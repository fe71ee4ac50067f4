"""The skeins that a plan was learned from: what each said, and whether it counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from app.pairs import KnownSkein
from app.plan import percent_text
from measure.bloom import Lesson, lesson_of

_HEADS: Final = (
    ("Skein", "Ticked: the plan learns from it"),
    ("How", "Plies, and how they were plied"),
    ("Fibre", "In the notebook's words"),
    ("Plied", "Plied width over what geometry makes of its singles"),
    ("Wash", "Washed over plied"),
    ("Finished", "Washed over what geometry makes of its singles"),
    ("Pull", "How much thicker it makes the yarn that the plan expects"),
)
_ID: Final = Qt.ItemDataRole.UserRole
_WORDS: Final = 2
"""The last column that holds words: figures follow."""
_LEFT: Final = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_RIGHT: Final = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


class LessonTable(QTableWidget):
    """A line for each skein, with a box to leave it out."""

    ticked = Signal(str, bool)
    """Id of a skein, and whether it counts from now on."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(0, len(_HEADS), parent)
        self.setAccessibleName("Skeins the plan learns from")
        self.setToolTip("Untick a skein to leave it out of the plan")
        for place, (title, tip) in enumerate(_HEADS):
            item = QTableWidgetItem(title)
            item.setToolTip(tip)
            item.setTextAlignment(_RIGHT if place > _WORDS else _LEFT)
            self.setHorizontalHeaderItem(place, item)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(round(1.7 * self.fontMetrics().height()))
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(_WORDS, QHeaderView.ResizeMode.Stretch)
        header.setMinimumSectionSize(6 * self.fontMetrics().averageCharWidth())
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.itemChanged.connect(self._changed)

    def show_skeins(
        self, skeins: Sequence[KnownSkein], left_out: set[str], lessons: Sequence[Lesson]
    ) -> None:
        """Show these skeins; `lessons` are of those that count, in their order."""
        told = {id(lesson.pair): lesson for lesson in lessons}
        self.blockSignals(True)
        chosen = self.currentRow()
        self.setRowCount(len(skeins))
        for row, skein in enumerate(skeins):
            counts = skein.id not in left_out
            lesson = told.get(id(skein.pair)) or lesson_of(skein.pair)
            self._put(row, skein, lesson, counts)
        if 0 <= chosen < len(skeins):
            self.setCurrentCell(chosen, 0)
        self.blockSignals(False)

    def _put(self, row: int, skein: KnownSkein, lesson: Lesson, counts: bool) -> None:
        pair = skein.pair
        how = f"{pair.plies}-ply" if pair.method == "plied" else pair.method
        pull = percent_text(lesson.pull_percent, decimals=1) if counts else "left out"
        cells = (
            pair.name,
            how,
            pair.fibre,
            percent_text(lesson.ply_percent),
            percent_text(lesson.wash_percent),
            percent_text(lesson.finished_percent),
            pull,
        )
        for place, text in enumerate(cells):
            item = QTableWidgetItem(text)
            flags = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
            if place == 0:
                flags |= Qt.ItemFlag.ItemIsUserCheckable
                item.setCheckState(Qt.CheckState.Checked if counts else Qt.CheckState.Unchecked)
                item.setData(_ID, skein.id)
                item.setToolTip(f"{text}. {pair.fibre}" if pair.fibre else text)
                if lesson.stands_apart:
                    item.setText(f"{text} (stands apart)")
                    item.setToolTip(
                        f"{text}: unlikely, given all the others. Was a stage read wrongly?"
                    )
            elif place > 2:
                item.setTextAlignment(_RIGHT)
            item.setFlags(flags)
            self.setItem(row, place, item)

    def _changed(self, item: QTableWidgetItem) -> None:
        skein = item.data(_ID)
        if skein is not None:
            self.ticked.emit(skein, item.checkState() == Qt.CheckState.Checked)

    def sizeHint(self) -> QSize:
        """Room for some skeins."""
        line = self.fontMetrics().height()
        return QSize(30 * line, 8 * line)

    def minimumSizeHint(self) -> QSize:
        """Room for the heads and two skeins."""
        line = self.fontMetrics().height()
        return QSize(14 * line, 6 * line)
