"""The label: the maker's words, a preview at its proportions, and where it is saved or copied."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QLabel,
    QPushButton,
    QSizePolicy,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from app import UseError
from app.bobbin_sources import one_line
from app.label_files import file_stem, write_labels
from app.label_sheet import LABEL_MM, UNIT, SetLabel, paint_side, set_label
from app.skein import LookedAt
from app.skein_label import Label, label_of, listing_of
from app.window.flow_row import FlowRow
from app.window.panel import number_field
from app.window.skein_fields import SkeinFields
from app.window.theme import LIGHT, Theme

_GAP = 10.0


class LabelPreview(QWidget):
    """Both sides of a label on a table."""

    def __init__(self) -> None:
        super().__init__()
        self._theme = LIGHT
        self._label: SetLabel | None = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Label as it will be printed")

    def sizeHint(self) -> QSize:
        """Large enough to be read."""
        return QSize(300, 330)

    def minimumSizeHint(self) -> QSize:
        """A picture of it, at least."""
        return QSize(160, 200)

    def set_theme(self, theme: Theme) -> None:
        """The table's colour; a label is always ink on white."""
        self._theme = theme
        self.update()

    def show_label(self, label: SetLabel | None, words: str = "") -> None:
        """Show this; `words` tell a screen reader what stands on it."""
        self._label = label
        self.setAccessibleDescription(words)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw all sides beside each other."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        painter.fillRect(self.rect(), QColor(self._theme.picture_back))
        if self._label is not None:
            self._paint_sides(painter, self._label)
        painter.end()

    def _paint_sides(self, painter: QPainter, label: SetLabel) -> None:
        many = len(label.sides)
        width, height = self.width() - _GAP * (many + 1), self.height() - 2 * _GAP
        per_mm = min(width / many / LABEL_MM[0], height / LABEL_MM[1])
        if per_mm <= 0:
            return
        left = (self.width() - many * LABEL_MM[0] * per_mm - (many - 1) * _GAP) / 2
        top = (self.height() - LABEL_MM[1] * per_mm) / 2
        for number in range(many):
            painter.save()
            painter.translate(left + number * (LABEL_MM[0] * per_mm + _GAP), top)
            painter.fillRect(
                QRectF(0, 0, LABEL_MM[0] * per_mm, LABEL_MM[1] * per_mm), QColor("white")
            )
            painter.scale(per_mm / UNIT, per_mm / UNIT)
            paint_side(painter, label, number)
            painter.restore()


class LabelPanel(QWidget):
    """The tab of the label."""

    said = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.fields = SkeinFields(
            "Label", "Your own words for the label; fibre and colourway are the spin's otherwise."
        )
        self.fibre = self.fields.add_line(
            "&Fibre", "fibre", lambda s: s.label.fibre, tip="What the yarn is made of"
        )
        self.colourway = self.fields.add_line(
            "&Colourway",
            "colourway",
            lambda s: s.label.colourway,
            tip="What its colours are called",
        )
        self.fields.add_line(
            "C&are", "care", lambda s: s.label.care_line, "Hand wash, dry flat", "How to wash it"
        )
        self.fields.add_text(
            "Te&xt", "text", lambda s: s.label.label_text, "Whatever else is to stand on the label"
        )
        self.preview = LabelPreview()
        self.trouble = QLabel()
        self.trouble.setObjectName("caution")
        self.trouble.setAccessibleName("What is wrong with the label")
        self.trouble.setTextFormat(Qt.TextFormat.PlainText)
        self.trouble.setWordWrap(True)
        self.paper = QComboBox()
        for words, value in (("one", None), ("nine on A4", "a4"), ("nine on Letter", "letter")):
            self.paper.addItem(words, value)
        self.paper.setToolTip("One label a page, of its own size, or a sheet of nine to cut apart")
        self.copies = number_field(QSpinBox)
        self.copies.setToolTip("How many labels to put on the pages")
        self.copies.setRange(1, 500)
        self.save = QPushButton("&Save label…")
        self.save.setProperty("main", True)
        self.save.setToolTip("Save the label as PDF to print, or as PNG")
        self.copy = QPushButton("C&opy for a listing")
        self.copy.setToolTip("Copy what the label says as text, to paste elsewhere")
        row = FlowRow()
        row.add("&Page", self.paper)
        row.add("Co&pies", self.copies)
        row.add("", self.save)
        row.add("", self.copy)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 6)
        row.setContentsMargins(10, 0, 10, 0)
        layout.addWidget(self.fields)
        layout.addWidget(self.trouble)
        layout.addWidget(self.preview, 1)
        layout.addWidget(row)
        self.save.clicked.connect(self._ask)
        self.copy.clicked.connect(self.copy_listing)
        self.paper.activated.connect(self._suggest_copies)
        self._label: Label | None = None

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self.preview.set_theme(theme)

    def show_skein(self, looked: LookedAt | None, units: str) -> None:
        """Show the label of this skein."""
        self.fields.setEnabled(looked is not None)
        self._label, done, trouble = None, None, ""
        if looked is not None:
            self.fields.show_skein(looked.skein)
            self.fibre.setPlaceholderText(one_line(looked.fibre))
            self.colourway.setPlaceholderText(one_line(looked.colourway))
            try:
                self._label = label_of(looked, units)
                done = set_label(self._label)
                if done.missing:
                    trouble = (
                        f"No font of this system has {' '.join(done.missing[:12])}: they are empty "
                        "boxes on the label."
                    )
            except UseError as error:
                text = str(error)
                trouble = f"{text[:1].upper()}{text[1:]}"
        self.trouble.setText(trouble)
        self.trouble.setVisible(bool(trouble))
        self.preview.show_label(done, listing_of(self._label) if self._label else "")
        self.save.setEnabled(done is not None)
        self.copy.setEnabled(self._label is not None)

    def _suggest_copies(self) -> None:
        self.copies.setValue(9 if self.paper.currentData() else 1)

    def _ask(self) -> None:
        if self._label is None:
            return
        name, _ = QFileDialog.getSaveFileName(
            self, "Save label", f"{file_stem(self._label)}.pdf", "PDF (*.pdf);;PNG (*.png)"
        )
        if name:
            file = Path(name)
            self.save_to(file if file.suffix else file.with_suffix(".pdf"))

    def save_to(self, file: Path) -> None:
        """Write the label, as many and on what the controls say."""
        if self._label is None:
            return
        try:
            lines = write_labels(
                [self._label], file, self.paper.currentData(), copies=self.copies.value()
            )
        except UseError as error:
            text = str(error)
            self.said.emit(f"{text[:1].upper()}{text[1:]}")
            return
        self.said.emit(" ".join(lines))

    def copy_listing(self) -> None:
        """Put the text for a listing on the clipboard."""
        if self._label is not None:
            QGuiApplication.clipboard().setText(listing_of(self._label))
            self.said.emit("Copied: paste it into the listing.")
