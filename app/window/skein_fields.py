"""What is written down of a skein: fields that hand on what was typed, and show what was kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QVBoxLayout,
    QWidget,
)

from app.bobbin_sources import one_line
from app.notebook.records import Skein
from app.skein_values import (
    amount_written,
    hang_written,
    wanted_wpi_written,
    wraps_written,
)
from app.window.panel import field_label, quiet_label
from measure.grist import ROUTE_WORDS, ROUTES
from measure.weight_class import CHARTS

_SHOWN: Final = "shown"
"""Property of a field: what it showed before anything was typed."""
_MOST_LETTERS: Final = 100_000


class SkeinFields(QWidget):
    """A column of fields; `wrote` tells what was changed in one of them."""

    wrote = Signal(object)
    """{name: text or bool}, named as `app.skein_values.with_written` takes it."""

    def __init__(self, name: str, words: str) -> None:
        super().__init__()
        self.setAccessibleName(name)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 10, 10, 10)
        layout.addWidget(quiet_label(text=words))
        self.form = QFormLayout()
        self.form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        self.form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        layout.addLayout(self.form)
        self._wrong = QLabel()
        self._wrong.setObjectName("error")
        self._wrong.setAccessibleName("What is wrong")
        self._wrong.setWordWrap(True)
        self._wrong.hide()
        layout.addWidget(self._wrong)
        self.below = QVBoxLayout()
        layout.addLayout(self.below)
        layout.addStretch(1)
        self._showers: list[Callable[[Skein], None]] = []

    def show_skein(self, skein: Skein) -> None:
        """Show what was kept."""
        self._wrong.hide()
        for show in self._showers:
            show(skein)

    def refuse(self, text: str) -> None:
        """Say what is wrong with what was typed; it stays to be corrected."""
        self._wrong.setText(text)
        self._wrong.show()

    def add_line(
        self, title: str, name: str, kept: Callable[[Skein], str], example: str = "", tip: str = ""
    ) -> QLineEdit:
        """A field of one line; `kept` tells what it shows of a skein."""
        field = QLineEdit()
        field.setMaxLength(_MOST_LETTERS)
        field.setPlaceholderText(example)
        field.setToolTip(tip)
        self._label(title, field)

        def show(skein: Skein) -> None:
            text = kept(skein)
            field.setProperty(_SHOWN, text)
            # A line shows no line breaks; what was not touched is never handed on.
            if not (field.hasFocus() and field.isModified()):
                field.setText(text)
                field.setCursorPosition(0)

        def done() -> None:
            if field.isModified() and field.text() != field.property(_SHOWN):
                self.wrote.emit({name: field.text()})
            field.setModified(False)

        field.editingFinished.connect(done)
        self._showers.append(show)
        return field

    def add_choice(
        self,
        title: str,
        name: str,
        choices: list[tuple[str, str]],
        kept: Callable[[Skein], str],
        tip: str,
    ) -> QComboBox:
        """A choice of (words, value)."""
        field = QComboBox()
        field.setToolTip(tip)
        field.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        field.setMinimumContentsLength(12)
        for words, value in choices:
            field.addItem(words, value)
        self._label(title, field)

        def show(skein: Skein) -> None:
            value = kept(skein)
            found = field.findData(value)
            if found < 0:
                field.addItem(one_line(value), value)
                found = field.count() - 1
            field.setCurrentIndex(found)

        field.activated.connect(lambda _: self.wrote.emit({name: field.currentData()}))
        self._showers.append(show)
        return field

    def add_check(
        self, title: str, name: str, kept: Callable[[Skein], bool], tip: str
    ) -> QCheckBox:
        """A box to tick."""
        field = QCheckBox(title)
        field.setToolTip(tip)
        self.form.addRow(field)
        self._showers.append(lambda skein: field.setChecked(kept(skein)))
        field.clicked.connect(lambda on: self.wrote.emit({name: on}))
        return field

    def add_text(
        self, title: str, name: str, kept: Callable[[Skein], str], tip: str
    ) -> QPlainTextEdit:
        """A field of several lines, handed on when it is left."""
        field = _Text()
        field.setToolTip(tip)
        self._label(title, field)

        def show(skein: Skein) -> None:
            text = kept(skein)
            field.setProperty(_SHOWN, text)
            if not (field.hasFocus() and field.document().isModified()):
                field.setPlainText(text)

        def done() -> None:
            if field.document().isModified() and field.toPlainText() != field.property(_SHOWN):
                self.wrote.emit({name: field.toPlainText()})
            field.document().setModified(False)

        field.left.connect(done)
        self._showers.append(show)
        return field

    def _label(self, title: str, field: QWidget) -> None:
        field.setAccessibleName(title.replace("&", ""))
        self.form.addRow(field_label(title, field), field)


class _Text(QPlainTextEdit):
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setTabChangesFocus(True)
        self.setFixedHeight(4 * self.fontMetrics().lineSpacing())

    def focusOutEvent(self, event: object) -> None:
        """What was typed is done."""
        super().focusOutEvent(event)  # type: ignore[arg-type]
        self.left.emit()


def amount_fields() -> SkeinFields:
    """Length and grist, by every way."""
    fields = SkeinFields(
        "Length and grist",
        "Measure the washed, dried skein itself. Any one way will do; with two, they check each "
        "other. After ± say what it may be off by.",
    )
    for title, name, example, tip in (
        ("&Weight", "weight", "101.5 g ± 0.5", "Of the whole skein: g, kg, oz or lb"),
        (
            "&Circumference", "circumference", "58.25 in ± 0.25",
            "Once round the skein as it lies, not what the reel is called",
        ),
        ("&Rounds", "rounds", "152", "How often the yarn goes round: count it at the tie"),
        ("Counted &length", "counted", "231 m ± 2 %", "As a counter or a tape gave it"),
        ("&Piece, length", "sample_length", "2 m ± 0.005", "A piece cut off, gently stretched"),
        ("Pi&ece, weight", "sample_weight", "0.91 g ± 0.005", "On a scale for such weights"),
        ("Known &grist", "grist", "1700 yd/lb ± 2 %", "Or m/100g, tex, Nm"),
    ):  # fmt: skip
        fields.add_line(title, name, _amount_shown(name), example, tip)
    choices = [("the first there is", "")]
    choices += [(ROUTE_WORDS[name], name) for name in ROUTES]
    fields.add_choice(
        "Told &on the label",
        "length_from",
        choices,
        lambda s: s.amounts.length_from,
        "By which way the length is told where there is more than one",
    )
    fields.add_line(
        "Wraps &by hand",
        "wraps",
        lambda s: wraps_written(s.amounts),
        "27 over 2 in",
        "Teaches how close you wrap; count between two marks",
    )
    return fields


def finish_fields() -> SkeinFields:
    """Washing, hang test, what was wanted."""
    fields = SkeinFields(
        "Wash and wanted",
        "The hang test: let the open skein hang from one hand and count the turns it twists.",
    )
    fields.add_line(
        "&Washed on", "washed_on", lambda s: s.finish.washed_on, "2026-11-20",
        "YYYY-MM-DD, when it was washed and its twist set",
    )  # fmt: skip
    fields.add_line(
        "&How", "finishing", lambda s: s.finish.finishing, "soaked, hung to dry",
        "How it was washed and dried",
    )  # fmt: skip
    fields.add_line(
        "Hang &test", "hang", lambda s: hang_written(s.finish), "0, or 2 Z",
        "0: hangs straight; otherwise turns, and S or Z as its sides wind round each other",
    )  # fmt: skip
    fields.add_line(
        "&Pattern", "pattern", lambda s: s.wanted.pattern, "what it is for",
        "What is to be made of it",
    )  # fmt: skip
    fields.add_choice(
        "&Chart",
        "chart",
        [("as the gauge", ""), *((name, name) for name in CHARTS)],
        lambda s: s.wanted.wanted_chart,
        "The chart whose words the class wanted is told in",
    )
    fields.add_line(
        "C&lass wanted", "want", lambda s: s.wanted.wanted_class, "Fine", "In the chart's words"
    )
    fields.add_line(
        "W&raps wanted", "want_wpi", lambda s: wanted_wpi_written(s.wanted), "14 to 16",
        "Wraps per inch of the yarn wanted",
    )  # fmt: skip
    fields.add_line(
        "&Grist wanted", "want_grist", _wanted_grist, "400 m/100g", "The pattern yarn's"
    )
    fields.add_line(
        "Plied, &method", "method", lambda s: s.method, "plied, chain-plied", "How it was plied"
    )
    fields.add_line(
        "Pl&ies", "plies", lambda s: "" if s.plies is None else str(s.plies), "as many as bobbins",
        "How many strands it is plied of",
    )  # fmt: skip
    fields.add_check(
        "&Next plans learn from this skein",
        "counts",
        lambda s: s.counts_for_learning,
        "How it bloomed and how it packs goes into the next plan; untick to leave it out",
    )
    return fields


def _amount_shown(name: str) -> Callable[[Skein], str]:
    return lambda skein: amount_written(skein.amounts, name)


def _wanted_grist(skein: Skein) -> str:
    tex = skein.wanted.wanted_tex
    return "" if tex is None else f"{1e5 / tex:.4g} m/100g"
