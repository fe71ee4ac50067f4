"""Where the band is set: one band, three ways to say it, each of which follows the others."""

from __future__ import annotations

import math
import re
from typing import Final

from PySide6.QtCore import QSize, QTimer, Signal
from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.format import rounded
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme
from measure.band import Band
from measure.weight_class import CRAFT_YARN_COUNCIL, ClassRange, WeightChart, chart_named
from measure.yarn import diameter_mm_from_wpi

_FINEST_MM: Final = 0.02
_COARSEST_MM: Final = 30.0
"""Nothing beyond these is spun; a number past them is a slip of the finger."""
_NARROWEST: Final = 1.002
_BEGUN: Final = re.compile(r"0*[.,]?0*")
"""Nothing, or the beginning of a number below one."""
_PATIENCE_MS: Final = 500
"""A slip is named once the typing has stopped: half a number is no slip."""
_NO_CLASS: Final = "none of the chart's"
_UNITS: Final[dict[Unit, str]] = {"wpi": "WPI", "mm": "mm"}


class _SlipError(Exception):
    """What is wrong with what was typed, in one sentence."""


class BandEditor(QWidget):
    """Low and high, middle and per cent, or a weight class, in WPI or mm."""

    changed = Signal(object)
    """Band, or None while what is typed is none; only when a person changed it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = LIGHT
        self._band: Band | None = None
        self._unit: Unit = "wpi"
        self._wrap_factor = 1.0
        self._chart: WeightChart = CRAFT_YARN_COUNCIL

        self._units = QComboBox()
        for unit, name in _UNITS.items():
            self._units.addItem(name, unit)
        self._low, self._high = _field("Low end"), _field("High end")
        self._middle, self._percent = _field("Middle"), _field("Per cent either way")
        self._classes = QComboBox()
        self._classes.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._classes.setMinimumContentsLength(18)
        self._means = _line("The band in the other unit")
        self._wrong = _line("What is wrong")
        self._patience = QTimer(self)
        self._patience.setSingleShot(True)
        self._patience.setInterval(_PATIENCE_MS)
        self._slip = ""
        self._lay_out()

        self._patience.timeout.connect(lambda: _say(self._wrong, self._slip))
        self._units.activated.connect(self._unit_picked)
        for edit in (self._low, self._high):
            edit.textEdited.connect(self._ends_typed)
        for edit in (self._middle, self._percent):
            edit.textEdited.connect(self._middle_typed)
        self._classes.activated.connect(self._class_picked)
        self.set_theme(LIGHT)
        self.set_chart(self._chart.name)

    def _lay_out(self) -> None:
        grid = QGridLayout()
        grid.setHorizontalSpacing(8)
        grid.setVerticalSpacing(8)
        rows: tuple[tuple[str, str, QWidget, str, QWidget | None, str], ...] = (
            (
                "&Unit",
                "Say thickness in wraps per inch or in millimetres",
                self._units,
                "",
                None,
                "",
            ),
            ("&Low and high", "The two ends", self._low, "to", self._high, ""),
            (
                "&Middle",
                "The middle, and how far either way",
                self._middle,
                "±",
                self._percent,
                "%",
            ),
            ("Weight &class", "A class of the chart in use", self._classes, "", None, ""),
        )
        for row, (text, tip, first, between, second, after) in enumerate(rows):
            label = QLabel(text)
            label.setBuddy(first)
            grid.addWidget(label, row, 0)
            wide = 3 if second is None and first is self._classes else 1
            grid.addWidget(first, row, 1, 1, wide)
            for widget in (first, second):
                if widget is not None:
                    widget.setToolTip(tip)
            if second is not None:
                grid.addWidget(QLabel(between), row, 2)
                grid.addWidget(second, row, 3)
                grid.addWidget(QLabel(after), row, 4)
        self._units.setAccessibleName("Unit")
        self._classes.setAccessibleName("Weight class")
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(3, 1)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addLayout(grid)
        whole.addWidget(self._wrong)
        whole.addWidget(self._means)
        whole.addStretch(1)

    def sizeHint(self) -> QSize:
        """Wide enough for the sentences to need two lines at most."""
        return QSize(max(380, super().sizeHint().width()), super().sizeHint().height())

    # --- given ----------------------------------------------------------------------------

    def set_theme(self, theme: Theme) -> None:
        """Take the colours of a theme."""
        self._theme = theme
        for line, colour in ((self._means, theme.quiet_ink), (self._wrong, theme.caution)):
            palette = line.palette()
            palette.setColor(QPalette.ColorRole.WindowText, QColor(colour))
            line.setPalette(palette)

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Say thickness in this unit; the band itself stays."""
        self._unit, self._wrap_factor = unit, wrap_factor
        self._units.setCurrentIndex(self._units.findData(unit))
        self._fill_classes()
        self._fill()

    def set_chart(self, name: str) -> None:
        """Offer the classes of this chart; ValueError when there is none of that name."""
        self._chart = chart_named(name)
        self._classes.setToolTip(f"A class of the chart: {self._chart.source}")
        self._fill_classes()
        self._fill()

    def set_band(self, band: Band | None) -> None:
        """Show a band; None: empty fields."""
        self._band = band
        self._fill()

    @property
    def band(self) -> Band | None:
        """The band as it is set now."""
        return self._band

    # --- typed and picked -----------------------------------------------------------------

    def _unit_picked(self) -> None:
        unit: Unit = self._units.currentData()
        self.set_unit(unit, self._wrap_factor)

    def _ends_typed(self) -> None:
        try:
            low, high = self._typed(self._low), self._typed(self._high)
            if low is None or high is None:
                self._take(None, "", "ends")
                return
            for value in (low, high):
                self._check_thickness(value)
            if low >= high:
                raise _SlipError("The low end must be below the high end.")
            self._take(self._band_between(low, high), "", "ends")
        except _SlipError as slip:
            self._take(None, str(slip), "ends")

    def _middle_typed(self) -> None:
        try:
            middle, percent = self._typed(self._middle), self._typed(self._percent)
            if middle is None or percent is None:
                self._take(None, "", "middle")
                return
            self._check_thickness(middle)
            if not 0 < percent < 100:
                raise _SlipError("The per cent must be more than 0 and less than 100.")
            ends = middle * (1 - percent / 100), middle * (1 + percent / 100)
            self._take(self._band_between(*ends), "", "middle")
        except _SlipError as slip:
            self._take(None, str(slip), "middle")

    def _class_picked(self) -> None:
        chosen = self._classes.currentData()
        if chosen is not None:
            self._take(Band.from_class(chosen, self._wrap_factor), "", "class")

    def _typed(self, edit: QLineEdit) -> float | None:
        """What a field holds, None when it is empty or begun; a comma serves as decimal point."""
        text = edit.text().strip()
        for ending in ("%", "wpi", "mm"):
            text = text.removesuffix(ending).removesuffix(ending.upper()).strip()
        if _BEGUN.fullmatch(text):
            return None
        try:
            value = float(text.replace(",", ".")) if text.count(",") <= 1 else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or value <= 0:
            raise _SlipError(f"“{text}” cannot be understood: type a number such as 24 or 0.85.")
        return value

    def _check_thickness(self, value: float) -> None:
        diameter_mm = value
        if self._unit == "wpi":
            diameter_mm = diameter_mm_from_wpi(value, self._wrap_factor)
        if not _FINEST_MM <= diameter_mm <= _COARSEST_MM:
            raise _SlipError(
                f"{value:g} {_UNITS[self._unit]} is {diameter_mm:.3g} mm thick: "
                f"yarn lies between {_FINEST_MM:g} and {_COARSEST_MM:g} mm."
            )

    def _band_between(self, low: float, high: float) -> Band:
        if high / low < _NARROWEST:
            raise _SlipError("The ends are too close together to spin between them.")
        if self._unit == "mm":
            return Band(low, high)
        return Band.from_wpi(low, high, self._wrap_factor)

    def _take(self, band: Band | None, wrong: str, by: str) -> None:
        changed = band != self._band
        self._band = band
        self._fill(by, wrong)
        if changed:
            self.changed.emit(band)

    # --- shown ----------------------------------------------------------------------------

    def _fill(self, but: str = "", wrong: str = "") -> None:
        """Write the band into every way of saying it, but not into the one just typed."""
        band = self._band
        ends = self._ends(band, self._unit) if band else None
        if but != "ends":
            self._low.setText(f"{ends[0]:.4g}" if ends else "")
            self._high.setText(f"{ends[1]:.4g}" if ends else "")
        if but != "middle":
            middle = (ends[0] + ends[1]) / 2 if ends else 1.0
            self._middle.setText(f"{middle:.4g}" if ends else "")
            half = (ends[1] - ends[0]) / 2 if ends else 0.0
            self._percent.setText(f"{100 * half / middle:.3g}" if ends else "")
        chosen = self._class_of(band)
        self._classes.setCurrentIndex(0 if chosen is None else self._class_index(chosen))
        self._slip = wrong
        if wrong:
            self._patience.start()
        else:
            self._patience.stop()
            _say(self._wrong, "")
        _say(self._means, self._meaning(band, chosen))

    def _ends(self, band: Band, unit: Unit) -> tuple[float, float]:
        if unit == "mm":
            return band.low_mm, band.high_mm
        return band.low_wpi(self._wrap_factor), band.high_wpi(self._wrap_factor)

    def _meaning(self, band: Band | None, chosen: ClassRange | None) -> str:
        if band is None:
            return "" if self._slip else "Type two numbers above 0, or pick a weight class."
        other: Unit = "mm" if self._unit == "wpi" else "wpi"
        low, high = self._ends(band, other)
        decimals = max(0, 2 - math.floor(math.log10(low)))
        text = f"That is {rounded(low, decimals)} to {rounded(high, decimals)} {_UNITS[other]}."
        if chosen is not None and (chosen.wpi_low is None or chosen.wpi_high is None):
            end = "finest" if chosen.wpi_high is None else "coarsest"
            wpi = (
                band.high_wpi(self._wrap_factor)
                if chosen.wpi_high is None
                else band.low_wpi(self._wrap_factor)
            )
            text += f" The chart sets no {end} end; {wpi:.3g} WPI is taken."
        return text

    def _fill_classes(self) -> None:
        self._classes.clear()
        self._classes.addItem(_NO_CLASS, None)
        for weight_class in self._chart.classes:
            self._classes.addItem(self._class_text(weight_class), weight_class)

    def _class_text(self, weight_class: ClassRange) -> str:
        low, high = weight_class.wpi_low, weight_class.wpi_high
        if self._unit == "mm":
            thin = diameter_mm_from_wpi(high, self._wrap_factor) if high else None
            thick = diameter_mm_from_wpi(low, self._wrap_factor) if low else None
            low, high = thin, thick
        unit = _UNITS[self._unit]
        if low is None:
            return f"{weight_class.name}: {high:.3g} {unit} or less"
        if high is None:
            return f"{weight_class.name}: {low:.3g} {unit} or more"
        return f"{weight_class.name}: {low:.3g} to {high:.3g} {unit}"

    def _class_of(self, band: Band | None) -> ClassRange | None:
        """The class whose band this is."""
        if band is None:
            return None
        for weight_class in self._chart.classes:
            its = Band.from_class(weight_class, self._wrap_factor)
            pairs = ((its.low_mm, band.low_mm), (its.high_mm, band.high_mm))
            if all(math.isclose(a, b, rel_tol=1e-6) for a, b in pairs):
                return weight_class
        return None

    def _class_index(self, weight_class: ClassRange) -> int:
        return 1 + self._chart.classes.index(weight_class)


def _field(name: str) -> QLineEdit:
    edit = QLineEdit()
    edit.setAccessibleName(name)
    edit.setMinimumWidth(edit.fontMetrics().horizontalAdvance("00000.00"))
    return edit


def _line(name: str) -> QLabel:
    label = QLabel()
    label.setAccessibleName(name)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label


def _say(label: QLabel, text: str) -> None:
    label.setText(text)
    label.setVisible(bool(text))
