"""Where a spin or a bobbin is written down.

What a person did not touch is handed on as it was, to the last bit and line break.
"""

from __future__ import annotations

import math
from typing import Any, Final

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from app.notebook.errors import NotebookError
from app.notebook.records import Aim, Bobbin, Spin
from app.window.band_editor import BandEditor
from app.window.panel import field_label, number_field
from app.window.preferences import Preferences
from app.window.spin_shelf import band_of
from app.window.theme import Theme
from measure.weight_class import chart_named

_MOST_LETTERS: Final = 1_000_000
_MOST_PLIES: Final = 1000
_BEFORE: Final = "before"
"""Property of a line: what stood in it, as the line shows it."""
_NO_NAME: Final = "A name needs at least one letter."


class _SlipError(Exception):
    """What is wrong with what was typed, in one sentence."""


class _Form(QDialog):
    """Fields over OK and Cancel; stays open with what was typed until the notebook has it."""

    wanted = Signal(object)
    """What changed, by field name: the notebook is to be asked, then `accept` or `refuse`."""

    def __init__(self, title: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self._name = _line_edit("Name")
        self._fields = QWidget()
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setFrameShape(QFrame.Shape.NoFrame)
        area.setWidget(self._fields)
        self._area = area
        self._wrong = QLabel()
        self._wrong.setObjectName("error")
        self._wrong.setAccessibleName("What is wrong")
        self._wrong.setTextFormat(Qt.TextFormat.PlainText)
        self._wrong.setWordWrap(True)
        self._wrong.hide()
        standard = QDialogButtonBox.StandardButton
        self._buttons = QDialogButtonBox(standard.Ok | standard.Cancel)
        self._buttons.button(standard.Ok).setProperty("main", True)
        self._buttons.accepted.connect(self._confirm)
        self._buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(area, 1)
        layout.addWidget(self._wrong)
        layout.addWidget(self._buttons)

    def changes(self) -> dict[str, Any]:
        """What was changed, by field name; _SlipError when something cannot be understood."""
        raise NotImplementedError

    def fit(self) -> None:
        """As large as the fields need, and no larger than its window leaves room for."""
        inside = self._fields.sizeHint() + QSize(
            self._area.verticalScrollBar().sizeHint().width() + 4, 4
        )
        whole = inside + QSize(24, 3 * self._buttons.sizeHint().height())
        parent = self.parentWidget()
        room = parent.window().size() if parent else whole
        self.resize(whole.boundedTo(room))
        self._name.setFocus()
        self._name.selectAll()

    def _confirm(self) -> None:
        try:
            changes = self.changes()
        except _SlipError as slip:
            self._say(str(slip))
            return
        self._say("")
        self._buttons.setEnabled(False)
        self.wanted.emit(changes)

    def refuse(self, error: NotebookError) -> None:
        """The notebook did not take it: say why and let the person go on."""
        self._buttons.setEnabled(True)
        self._say(f"{error.text} {error.advice}")

    def _say(self, text: str) -> None:
        self._wrong.setText(text)
        self._wrong.setVisible(bool(text))

    def _changed_name(self, before: str | None) -> dict[str, Any]:
        name = before
        if before is None or _changed_line(self._name):
            name = self._name.text()
        if not name or not name.strip():
            raise _SlipError(_NO_NAME)
        return {} if name == before else {"name": name}


class SpinDialog(_Form):
    """Makes a spin, or changes one."""

    def __init__(
        self, spin: Spin | None, preferences: Preferences, theme: Theme, parent: QWidget
    ) -> None:
        super().__init__("New spin" if spin is None else "Spin", parent)
        self._spin = spin
        aim = spin.aim if spin else Aim()
        _put(self._name, spin.name if spin else "")
        self._fibre, self._colour = _line_edit("Fibre"), _line_edit("Colour or dye lot")
        self._prepared = _line_edit("Prepared weight in grams")
        self._note = _note_edit("Note")
        _put(self._fibre, spin.fibre if spin else "")
        _put(self._colour, spin.colour_note if spin else "")
        _put(self._prepared, _amount(spin.prepared_g if spin else None))
        _put_note(self._note, spin.note if spin else "")
        self._band_before = band_of(aim)
        self._theme = theme
        self.band = BandEditor()
        self.band.set_unit(preferences.unit, preferences.wrap_factor)
        self.band.set_chart(preferences.chart)
        self.band.set_band(self._band_before)
        no_band = QPushButton("No band")
        no_band.setAutoDefault(False)
        no_band.setToolTip("Spin this without a band to hit")
        no_band.clicked.connect(lambda: self.band.set_band(None))
        self._plies = number_field(QSpinBox)
        self._plies.setRange(0, _MOST_PLIES)
        self._plies.setSpecialValueText("not said")
        self._plies.setAccessibleName("Plies")
        self._plies.setValue(aim.plies or 0)
        self._class = QComboBox()
        self._class.setEditable(True)
        self._class.setAccessibleName("Weight class of the yarn")
        self._class.addItems([c.name for c in chart_named(preferences.chart).classes])
        self._class.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._class.setMinimumContentsLength(12)
        class_edit = self._class.lineEdit()
        assert class_edit is not None, "it is editable"
        self._class_edit = class_edit
        self._class_edit.setMaxLength(_MOST_LETTERS)
        _put(self._class_edit, aim.class_name)
        self._aim_note = _line_edit("Note on the aim")
        _put(self._aim_note, aim.note)

        left, right = QFormLayout(), QFormLayout()
        for form in (left, right):
            form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
            form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
            form.setSpacing(8)
        for text, tip, edit in (
            ("&Name", "What you call it", self._name),
            ("&Fibre", "Breed or blend, and how it was prepared", self._fibre),
            ("C&olour or lot", "Colour or dye lot, to find the same again", self._colour),
            ("&Prepared, g", "Weight of all the fibre made ready for it", self._prepared),
            ("No&te", "Anything else", self._note),
        ):
            edit.setToolTip(tip)
            left.addRow(field_label(text, edit), edit)
        band_box = QVBoxLayout()
        band_box.setSpacing(8)
        heading = QLabel("Aim: the band of the single")
        heading.setObjectName("quiet")
        band_box.addWidget(heading)
        band_box.addWidget(self.band)
        band_box.addWidget(no_band, 0, Qt.AlignmentFlag.AlignLeft)
        right.addRow(band_box)
        self._plies.setToolTip("How many singles are to be plied")
        self._class.setToolTip("The class that the yarn is to have, chosen or in your own words")
        self._aim_note.setToolTip("Pattern, twist, or what else it is to become")
        for text, field in (
            ("Pl&ies", self._plies), ("Yarn cl&ass", self._class), ("Aim n&ote", self._aim_note)
        ):  # fmt: skip
            right.addRow(field_label(text, field), field)
        columns = QHBoxLayout(self._fields)
        columns.setSpacing(24)
        columns.addLayout(left, 1)
        columns.addLayout(right, 1)

    def showEvent(self, event: QShowEvent) -> None:
        """Colours that are set before the window has its style are lost when it gets it."""
        super().showEvent(event)
        self.band.set_theme(self._theme)

    def changes(self) -> dict[str, Any]:
        """What was changed, by the names that `Notebook.add_spin` has; `aim` is a dict of its."""
        out = self._changed_name(self._spin.name if self._spin else None)
        for key, edit in (("fibre", self._fibre), ("colour_note", self._colour)):
            if _changed_line(edit):
                out[key] = edit.text()
        if _changed_line(self._prepared):
            out["prepared_g"] = _typed_amount(self._prepared, "prepared weight")
        if self._note.document().isModified():
            out["note"] = self._note.toPlainText()
        aim: dict[str, Any] = {}
        band = self.band.band
        if band is None and any(e.text().strip() for e in self.band.findChildren(QLineEdit)):
            raise _SlipError("The band cannot be understood: correct it, or press No band.")
        if band != self._band_before:
            aim["band_low_mm"] = band.low_mm if band else None
            aim["band_high_mm"] = band.high_mm if band else None
        if self._plies.value() != ((self._spin.aim.plies if self._spin else None) or 0):
            aim["plies"] = self._plies.value() or None
        for key, edit in (("class_name", self._class_edit), ("note", self._aim_note)):
            if _changed_line(edit):
                aim[key] = edit.text()
        return out | ({"aim": aim} if aim else {})


class BobbinDialog(_Form):
    """Makes a bobbin, or changes one."""

    def __init__(self, bobbin: Bobbin | None, suggested: str, parent: QWidget) -> None:
        super().__init__("New bobbin" if bobbin is None else "Bobbin", parent)
        self._bobbin = bobbin
        _put(self._name, bobbin.name if bobbin else suggested)
        self._empty = _line_edit("Weight of the empty bobbin in grams")
        self._full = _line_edit("Weight of the full bobbin in grams")
        self._note = _note_edit("Note")
        _put(self._empty, _amount(bobbin.empty_g if bobbin else None))
        _put(self._full, _amount(bobbin.full_g if bobbin else None))
        _put_note(self._note, bobbin.note if bobbin else "")
        form = QFormLayout(self._fields)
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        for text, tip, edit in (
            ("&Name", "What is written on it", self._name),
            ("&Empty, g", "Weight of the bobbin before anything is spun on it", self._empty),
            ("&Full, g", "Weight of the bobbin with the yarn on it", self._full),
            ("No&te", "Anything else", self._note),
        ):
            edit.setToolTip(tip)
            form.addRow(field_label(text, edit), edit)

    def changes(self) -> dict[str, Any]:
        """What was changed, by the names that `Notebook.add_bobbin` has."""
        out = self._changed_name(self._bobbin.name if self._bobbin else None)
        for key, edit, what in (
            ("empty_g", self._empty, "weight of the empty bobbin"),
            ("full_g", self._full, "weight of the full bobbin"),
        ):
            if _changed_line(edit):
                out[key] = _typed_amount(edit, what)
        if self._note.document().isModified():
            out["note"] = self._note.toPlainText()
        return out


def _line_edit(name: str) -> QLineEdit:
    edit = QLineEdit()
    edit.setAccessibleName(name)
    edit.setMaxLength(_MOST_LETTERS)
    edit.setMinimumWidth(edit.fontMetrics().averageCharWidth() * 18)
    return edit


def _note_edit(name: str) -> QPlainTextEdit:
    edit = QPlainTextEdit()
    edit.setAccessibleName(name)
    edit.setTabChangesFocus(True)
    edit.setMinimumHeight(4 * edit.fontMetrics().lineSpacing())
    edit.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
    return edit


def _put(edit: QLineEdit, text: str) -> None:
    edit.setText(text)
    edit.setCursorPosition(0)
    edit.setProperty(_BEFORE, edit.text())


def _put_note(edit: QPlainTextEdit, text: str) -> None:
    edit.setPlainText(text)
    edit.document().setModified(False)


def _changed_line(edit: QLineEdit) -> bool:
    return bool(edit.text() != edit.property(_BEFORE))


def _amount(grams: float | None) -> str:
    return "" if grams is None else f"{grams:.10g}"


def _typed_amount(edit: QLineEdit, what: str) -> float | None:
    """Grams as typed, a comma serving as decimal point; None when nothing was."""
    text = edit.text().strip().removesuffix("g").strip()
    if not text:
        return None
    try:
        value = float(text.replace(",", ".")) if text.count(",") <= 1 else math.nan
    except ValueError:
        value = math.nan
    if not 0 <= value < math.inf:
        raise _SlipError(f"The {what} must be a number of grams, 0 or more, such as 85.5.")
    return value
