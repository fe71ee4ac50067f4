"""What the skeins page is made of, and where it all lies."""

from __future__ import annotations

from collections.abc import Iterator

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QPushButton,
    QSplitter,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from app.window.label_panel import LabelPanel
from app.window.panel import TallArea, headed_panel, scrolled_panel
from app.window.preferences import Preferences
from app.window.section_panel import SectionPanel
from app.window.skein_fields import SkeinFields, amount_fields, finish_fields
from app.window.skein_plot import SkeinPlot
from app.window.skein_words import SkeinWords


class SkeinParts(QWidget):
    """Skein chosen, tabs, plot and words; decides nothing itself."""

    def __init__(self, preferences: Preferences, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._splits = preferences

    def make_parts(self) -> Iterator[None]:
        """Make them all, in steps."""
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 12, 12, 12)
        layout.setSpacing(8)
        layout.addLayout(self._top_row())
        self.split = QSplitter(Qt.Orientation.Horizontal)
        self.split.setChildrenCollapsible(False)
        layout.addWidget(self.split, 1)
        yield
        self.tabs = QTabWidget()
        # All of them are to be read at any size of letters.
        self.tabs.setUsesScrollButtons(False)
        self.tabs.tabBar().setAccessibleName("What is written down of the skein")
        self.split.addWidget(self.tabs)
        yield
        self.sections = SectionPanel()
        yield
        self.tabs.addTab(self.sections, "&1 Sections")
        yield
        self.amounts = amount_fields()
        yield
        self._add_fields("2 Length", self.amounts)
        yield
        self.finish = finish_fields()
        yield
        self._add_fields("3 Finish", self.finish)
        yield
        self.label = LabelPanel()
        yield
        self.tabs.addTab(self.label, "&4 Label")
        yield
        right = QSplitter(Qt.Orientation.Vertical)
        right.setChildrenCollapsible(False)
        self.split.addWidget(right)
        self.plot = SkeinPlot()
        right.addWidget(headed_panel("Thickness and evenness", self.plot, stretch=self.plot))
        yield
        self.words = SkeinWords()
        right.addWidget(scrolled_panel("What it says", self.words))
        yield
        right.setSizes([4500, 5500])
        self.split.setStretchFactor(0, 2)
        self.split.setStretchFactor(1, 3)
        if not self.split.restoreState(self._splits.split("skeins")):
            self.split.setSizes([4200, 5800])

    def _add_fields(self, title: str, fields: SkeinFields) -> None:
        area = TallArea(fields)
        area.setAccessibleName(title[2:])
        # A scroll area fills itself with the window's colour: the tab's own shows through.
        fields.setAutoFillBackground(False)
        area.viewport().setAutoFillBackground(False)
        self.tabs.addTab(area, f"&{title}")

    def _top_row(self) -> QHBoxLayout:
        self.skeins = QComboBox()
        self.skeins.setAccessibleName("Skein")
        self.skeins.setToolTip("The skein that is shown and written down")
        self.skeins.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self.skeins.setMinimumContentsLength(24)
        self.new = QPushButton("&New skein…")
        self.new.setToolTip("Begin a skein plied from bobbins of a spin")
        self.undo = QPushButton("&Undo")
        self.redo = QPushButton("&Redo")
        for button, word in ((self.undo, "undo"), (self.redo, "redo")):
            button.setEnabled(False)
            button.setToolTip(f"Nothing to {word}")
        self.delete = QPushButton("&Delete")
        self.delete.setToolTip("Put the skein away; Undo, or Deleted on the Spins page, brings it")
        top = QHBoxLayout()
        top.setSpacing(8)
        top.addWidget(self.skeins, 1)
        for widget in (self.new, self.delete, self.undo, self.redo):
            top.addWidget(widget)
        return top
