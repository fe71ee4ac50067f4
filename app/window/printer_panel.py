"""Checking the printer that made a card: by ruler, or by a picture of a bank card on the sheet."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QMimeData, Qt, Signal
from PySide6.QtGui import QGuiApplication, QImage, QPalette
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from app.sheet import Paper
from app.window.flow_row import FlowRow
from app.window.sheet_preview import SheetPreview
from app.window.theme import Theme
from measure.card import CardKind
from measure.errors import MeasureError
from measure.lens import Lens
from measure.printer_check import (
    BarLength,
    PictureCheck,
    PrinterFactors,
    check_by_picture,
    factors_by_ruler,
)
from measure.yarn import MM_PER_INCH

PictureSource = NDArray[Any] | Path | bytes


_READ_TO: Final = (
    ("half a millimetre", 0.25),
    ("a millimetre", 0.5),
    ("1/32 inch", MM_PER_INCH / 64),
    ("a tenth (calliper)", 0.05),
)
"""How finely a ruler is read, and within how many mm the length lies then."""

_PICTURES: Final = (
    "Pictures (*.jpg *.jpeg *.png *.tif *.tiff *.heic *.heif *.webp *.bmp);;All files (*)"
)


@dataclass(frozen=True)
class _Field:
    """One bar's length to type in."""

    title: str
    nominal_mm: float
    unit: str
    per_mm: float


_ACROSS: Final = (
    _Field("100 mm across", 100.0, "mm", 1.0),
    _Field("4 in across", 101.6, "in", 1 / MM_PER_INCH),
)
_DOWN: Final = (
    _Field("100 mm down", 100.0, "mm", 1.0),
    _Field("4 in down", 101.6, "in", 1 / MM_PER_INCH),
)


def in_words(factors: PrinterFactors) -> str:
    """What a printer does to sizes, with the doubt: one sentence."""
    return f"Across the page it {_way(factors, 0)}, down the page it {_way(factors, 1)}."


def _way(factors: PrinterFactors, axis: int) -> str:
    value = (factors.x, factors.y)[axis]
    low, high = factors.interval(axis)
    percent, doubt = 100 * (value - 1), 100 * (high - low) / 2
    if low <= 1.0 <= high:
        return f"keeps its size ({percent:+.2f} %, give or take {doubt:.2f})"
    size = "large" if percent > 0 else "small"
    return f"prints {abs(percent):.2f} % too {size} (give or take {doubt:.2f})"


class PrinterPanel(QWidget):
    """Two ways to find a printer's factors; `found` carries what came of either."""

    found = Signal(object, str, object)
    """PrinterFactors, "ruler" or "picture", and the kind of card on the sheet or None."""
    picture_wanted = Signal()
    """The person wants the running camera's picture used: answer with `give_picture`."""
    _checked = Signal(int, object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._work = ThreadPoolExecutor(1, thread_name_prefix="printer-check")
        self._asked = 0
        self._busy = False
        self._open = True
        self._checked.connect(self._show_check, Qt.ConnectionType.QueuedConnection)
        self.drawing = SheetPreview()
        self.drawing.setMinimumHeight(self.fontMetrics().height() * 10)
        self._kind: CardKind = "desk"
        self._paper: Paper = "a4"
        self.tabs = QTabWidget()
        self.tabs.setAccessibleName("Ways to check the printer")
        self.tabs.tabBar().setAccessibleName("Ways to check the printer")
        self.tabs.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        self.tabs.addTab(self._ruler_tab(), "&Ruler")
        self.tabs.addTab(self._picture_tab(), "&Bank card")
        self.tabs.currentChanged.connect(self._point)
        self.result = QLabel()
        self.result.setTextFormat(Qt.TextFormat.PlainText)
        self.result.setWordWrap(True)
        self.result.setAccessibleName("Result of the printer check")
        self.result.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.result.hide()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(8)
        layout.addWidget(self.tabs, 0, Qt.AlignmentFlag.AlignTop)
        layout.addWidget(self.result)
        layout.addWidget(self.drawing, 1)
        self.setBackgroundRole(QPalette.ColorRole.Base)
        self.setAutoFillBackground(True)
        self._point()

    # --- what it is made of

    def _ruler_tab(self) -> QWidget:
        tab = QWidget()
        how = _words(
            "Lay a ruler on the marked bars, end to end. One bar across and one down will do; "
            "two are surer."
        )
        grid = QGridLayout()
        grid.setHorizontalSpacing(10)
        self._lengths: list[tuple[_Field, QLineEdit]] = []
        for row, field in enumerate((*_ACROSS, *_DOWN)):
            edit = QLineEdit()
            edit.setPlaceholderText("100.0" if field.unit == "mm" else "4.00")
            edit.setAccessibleName(f"Length of the bar {field.title}, {field.unit}")
            edit.setToolTip(f"What the ruler says of the bar “{field.title}”, in {field.unit}")
            edit.setMinimumWidth(edit.fontMetrics().averageCharWidth() * 10)
            edit.returnPressed.connect(self.use_ruler)
            label = QLabel(field.title)
            label.setBuddy(edit)
            grid.addWidget(label, row, 0)
            grid.addWidget(edit, row, 1)
            grid.addWidget(QLabel(field.unit), row, 2)
            self._lengths.append((field, edit))
        grid.setColumnStretch(3, 1)
        self._read_to = QComboBox()
        for title, limit_mm in _READ_TO:
            self._read_to.addItem(title, limit_mm)
        self._read_to.setToolTip("How finely you can read your ruler")
        self._use_ruler = QPushButton("&Use these lengths")
        self._use_ruler.setToolTip("Work out the printer's factors and keep them with the card")
        self._use_ruler.clicked.connect(self.use_ruler)
        row_ = FlowRow()
        row_.add("Read &to", self._read_to)
        row_.add("", self._use_ruler)
        layout = QVBoxLayout(tab)
        layout.addWidget(how)
        layout.addLayout(grid)
        layout.addWidget(row_)
        return tab

    def _picture_tab(self) -> QWidget:
        tab = QWidget()
        self._how = _words("")
        caution = _words("Number side down. The picture is looked at once and never kept.")
        caution.setObjectName("caution")
        self._open_picture = QPushButton("Open pict&ure…")
        self._open_picture.setToolTip("Choose a picture of the bank card on the sheet")
        self._open_picture.clicked.connect(self.open_picture)
        self._paste = QPushButton("Pas&te")
        self._paste.setToolTip("Use the picture on the clipboard")
        self._paste.clicked.connect(self.paste)
        self._camera = QPushButton("From the &camera")
        self._camera.setToolTip("Use what the running camera on the Gauge page sees now")
        self._camera.clicked.connect(self.picture_wanted)
        row = FlowRow()
        for button in (self._open_picture, self._paste, self._camera):
            row.add("", button)
        drop = QLabel("Or drop a picture anywhere on this page.")
        drop.setObjectName("quiet")
        drop.setWordWrap(True)
        layout = QVBoxLayout(tab)
        layout.addWidget(self._how)
        layout.addWidget(caution)
        layout.addWidget(row)
        layout.addWidget(drop)
        layout.addStretch(1)
        return tab

    # --- what the page asks of it

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self.drawing.set_theme(theme)

    def set_card(self, kind: CardKind, paper: Paper) -> None:
        """Draw and speak of this kind of sheet from now on."""
        self._kind, self._paper = kind, paper
        where = (
            "Lay any bank-size card on the outline of the pocket sheet, before it is cut"
            if kind == "pocket"
            else "Lay any bank-size card across the middle of the desk card, before its window is "
            "cut out"
        )
        self._how.setText(
            f"{where}. Take the picture from straight above, in soft light, with all the squares "
            "round it."
        )
        self._point()

    def say(self, text: str, kind: str = "") -> None:
        """Show a sentence in the result's place; `kind` "error" marks it as one."""
        self.result.setObjectName(kind)
        self.result.setText(text)
        self.result.setVisible(bool(text))
        self.result.style().unpolish(self.result)
        self.result.style().polish(self.result)

    def stop(self) -> None:
        """End all work; nothing is said any more."""
        self._open = False
        self._work.shutdown(wait=True, cancel_futures=True)

    @property
    def busy(self) -> bool:
        """Whether a picture is being looked at."""
        return self._busy

    # --- by ruler

    def use_ruler(self) -> None:
        """Work the factors out of what was typed in."""
        bars: dict[str, list[BarLength]] = {"across": [], "down": []}
        for field, edit in self._lengths:
            text = edit.text().strip()
            if not text:
                continue
            value = _number(text)
            if value is None:
                self.say(
                    f"“{text}” is no length. Type a number such as "
                    f"{edit.placeholderText()} for the bar {field.title}.",
                    "error",
                )
                edit.setFocus()
                edit.selectAll()
                return
            way = "across" if "across" in field.title else "down"
            bars[way].append(BarLength(field.nominal_mm, value / field.per_mm))
        try:
            factors = factors_by_ruler(
                bars["across"], bars["down"], float(self._read_to.currentData())
            )
        except MeasureError as error:
            self.say(f"{error.text} {error.advice}", "error")
            return
        self.say(in_words(factors))
        self.found.emit(factors, "ruler", None)

    # --- by picture

    def open_picture(self) -> None:
        """Let the person choose a picture file."""
        name, _ = QFileDialog.getOpenFileName(self, "Picture of the bank card", "", _PICTURES)
        if name:
            self.give_picture(Path(name))

    def paste(self) -> None:
        """Use the clipboard's picture."""
        source = picture_in(QGuiApplication.clipboard().mimeData())
        if source is None:
            self.say("There is no picture on the clipboard. Copy one first.", "error")
        else:
            self.give_picture(source)

    def give_picture(self, source: PictureSource | None, lens: Lens | None = None) -> None:
        """Look at a picture of a bank card on the sheet; None: there was none to give.

        `lens` is that of the camera it comes from, where it is known.
        """
        self.tabs.setCurrentIndex(1)
        if source is None:
            self.say(
                "No camera or video is running. Choose one on the Gauge page, then come back.",
                "error",
            )
            return
        if not self._open:
            return
        self._asked += 1
        self._set_busy(True)
        self.say("Looking at the picture …")
        # A camera's buffer may be written to again before the work begins.
        kept = source.copy() if isinstance(source, np.ndarray) else source
        number = self._asked
        self._work.submit(self._check, number, kept, lens)

    def _check(self, number: int, source: PictureSource, lens: Lens | None) -> None:
        """In the worker's thread: the answer goes back as a signal, the picture nowhere."""
        from measure.picture import read_picture

        answer: PictureCheck | MeasureError
        try:
            answer = check_by_picture(read_picture(source), lens)
        except MeasureError as error:
            answer = error.with_traceback(None)
        if self._open:
            self._checked.emit(number, answer)

    def _show_check(self, number: int, answer: PictureCheck | MeasureError) -> None:
        if number != self._asked:
            return
        self._set_busy(False)
        if isinstance(answer, MeasureError):
            self.say(f"{answer.text} {answer.advice}", "error")
            return
        self.say(in_words(answer.factors))
        self.found.emit(answer.factors, "picture", answer.kind)

    def _set_busy(self, busy: bool) -> None:
        self._busy = busy
        for button in (self._open_picture, self._paste, self._camera):
            button.setEnabled(not busy)

    def _point(self, _index: int = 0) -> None:
        index = self.tabs.currentIndex()
        self.drawing.setVisible(index < 2)
        self.result.setVisible(index < 2 and bool(self.result.text()))
        pointing = "bars" if index == 0 else "bank card"
        self.drawing.show_sheet(self._kind, self._paper, pointing)  # type: ignore[arg-type]


def picture_in(data: QMimeData | None) -> PictureSource | None:
    """The picture that was dropped or is on the clipboard, if there is one."""
    if data is None:  # an empty clipboard
        return None
    for url in data.urls():
        if url.isLocalFile():
            return Path(url.toLocalFile())
    if data.hasImage():
        image = data.imageData()
        if isinstance(image, QImage) and not image.isNull():
            content = QByteArray()
            buffer = QBuffer(content)
            buffer.open(QIODevice.OpenModeFlag.WriteOnly)
            image.save(buffer, "BMP")  # type: ignore[call-overload]
            return bytes(content.data())
    return None


def _number(text: str) -> float | None:
    """A length with a point or a comma; None for anything else."""
    if not re.fullmatch(r"\d{1,4}([.,]\d{0,4})?|[.,]\d{1,4}", text):
        return None
    return float(text.replace(",", "."))


def _words(text: str) -> QLabel:
    label = QLabel(text)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label
