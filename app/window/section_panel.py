"""Taking sections: the next place, from the gauge or from pictures, and the list of them."""

from __future__ import annotations

from typing import Final, cast

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QComboBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QProgressBar,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.format import interval_text
from app.notebook.skein_records import LAYERS, Layer, Section
from app.skein import LookedAt
from app.window.flow_row import FlowRow
from measure.yarn import wpi_from_diameter, wpi_interval_from_diameter

_COLUMNS: Final = ("No.", "WPI (95 %)", "Yarn", "Where", "Twist")


class SectionPanel(QWidget):
    """The sections of a skein."""

    gauge_wanted = Signal()
    pictures_wanted = Signal()
    cancelled = Signal()
    taken_back = Signal(str)
    """Id of the section to take back."""

    def __init__(self) -> None:
        super().__init__()
        self.prompt = QLabel()
        self.prompt.setAccessibleName("Where the next section is taken")
        self.prompt.setWordWrap(True)
        self.prompt.setTextFormat(Qt.TextFormat.PlainText)
        self.state = QComboBox()
        self.state.addItem("not washed", False)
        self.state.addItem("washed", True)
        self.state.setToolTip("Whether the next section is read before or after the wash")
        self.layer = QComboBox()
        self.layer.setToolTip("How deep in the skein the next section lies")
        for layer in LAYERS:
            self.layer.addItem(layer, layer)
        self.layer.addItem("not said", None)
        self.hour = QComboBox()
        self.hour.setToolTip("Where round the skein the next section is, as on a clock's face")
        for hour in range(1, 13):
            self.hour.addItem(f"{hour} o'clock", hour)
        self.hour.addItem("not said", None)
        where = FlowRow()
        where.add("&Yarn is", self.state)
        where.add("fr&om the", self.layer)
        where.add("a&t", self.hour)
        self.from_gauge = QPushButton("Ta&ke from the gauge")
        self.from_gauge.setProperty("main", True)
        self.from_gauge.setToolTip("Keep what the Gauge page reads now as a section of this skein")
        self.from_pictures = QPushButton("From p&ictures…")
        self.from_pictures.setToolTip("Each strand read in a picture becomes a section")
        self.bar = QProgressBar()
        self.bar.setAccessibleName("Pictures measured")
        self.cancel = QPushButton("Stop")
        self.cancel.setToolTip("Measure no more pictures; what was read stays")
        self.busy = QWidget()
        row = QHBoxLayout(self.busy)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.bar, 1)
        row.addWidget(self.cancel)
        self.busy.hide()
        buttons = FlowRow()
        buttons.add("", self.from_gauge)
        buttons.add("", self.from_pictures)
        self.lend = QCheckBox("Gauge readings be&come sections")
        self.lend.setToolTip(
            "What the Gauge page takes, by space or hands-free, becomes a section of this skein; "
            "nothing is logged on the bobbin meanwhile"
        )
        self.table = QTableWidget(0, len(_COLUMNS))
        self.table.setHorizontalHeaderLabels(list(_COLUMNS))
        self.table.setAccessibleName("Sections")
        self.table.setToolTip("The sections read so far; choose one to take it back")
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setTabKeyNavigation(False)
        self.table.setShowGrid(False)
        rows = self.table.verticalHeader()
        rows.hide()
        rows.setDefaultSectionSize(round(1.7 * self.fontMetrics().height()))
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setHighlightSections(False)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.back = QPushButton("Take the section &back")
        self.back.setToolTip("It goes out of all figures; Undo brings it back")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 10, 10, 10)
        for part in (self.prompt, where, buttons, self.lend, self.busy):
            layout.addWidget(part)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.back, 0, Qt.AlignmentFlag.AlignLeft)
        self.from_gauge.clicked.connect(self.gauge_wanted)
        self.from_pictures.clicked.connect(self.pictures_wanted)
        self.cancel.clicked.connect(self.cancelled)
        self.back.clicked.connect(self._take_back)
        self.table.itemSelectionChanged.connect(self._enable)
        self._sections: tuple[Section, ...] = ()
        self._wrap = 1.0
        self._skein = ""

    @property
    def washed(self) -> bool:
        """Whether the next section is of washed yarn."""
        return bool(self.state.currentData())

    @property
    def place(self) -> tuple[Layer | None, int | None]:
        """Where the next section is from."""
        return cast("Layer | None", self.layer.currentData()), self.hour.currentData()

    def show_skein(self, looked: LookedAt | None) -> None:
        """List the sections and prompt the next."""
        self.setEnabled(looked is not None)
        self._sections = looked.sections if looked else ()
        if looked is None:
            self.table.setRowCount(0)
            self.prompt.setText("")
            self._skein = ""
            return
        self._wrap = looked.wrap_factor
        plan = looked.plan
        self.prompt.setText(
            f"{plan[:1].upper()}{plan[1:]}. Take the next {looked.next_place.words}."
        )
        if self._skein != looked.skein.id or looked.is_washed:
            self.state.setCurrentIndex(int(looked.is_washed))
        self._skein = looked.skein.id
        self.layer.setCurrentIndex(self.layer.findData(looked.next_place.layer))
        self.hour.setCurrentIndex(self.hour.findData(looked.next_place.hour))
        chosen = self.table.currentRow()
        self.table.setRowCount(len(self._sections))
        for row, section in enumerate(self._sections):
            for column, text in enumerate(self._cells(section)):
                self.table.setItem(row, column, QTableWidgetItem(text))
        if 0 <= chosen < len(self._sections):
            self.table.selectRow(chosen)
        self._enable()

    def _cells(self, section: Section) -> tuple[str, ...]:
        wpi = wpi_from_diameter(section.diameter_mm, self._wrap)
        ends = wpi_interval_from_diameter(section.interval_mm, self._wrap)
        where = [section.layer or "", f"{section.hour} o'clock" if section.hour else ""]
        twist = ""
        if section.turns_per_inch is not None:
            twist = f"{section.turns_per_inch:.1f} TPI {section.twist or ''}".rstrip()
        return (
            str(section.number),
            interval_text(wpi, ends),
            "washed" if section.washed else "not washed",
            ", ".join(part for part in where if part),
            twist,
        )

    def show_progress(self, done: int, of: int) -> None:
        """Pictures measured so far; `of` 0 hides it."""
        self.busy.setVisible(of > 0)
        self.from_pictures.setEnabled(of == 0)
        self.bar.setMaximum(max(of, 1))
        self.bar.setValue(done)

    def _enable(self) -> None:
        self.back.setEnabled(bool(self.table.selectedItems()))

    def _take_back(self) -> None:
        row = self.table.currentRow()
        if 0 <= row < len(self._sections):
            self.taken_back.emit(self._sections[row].id)
