"""Where the yarn wanted is said: class or wraps, plies, fibre, amounts, twist, wheel."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, cast

from PySide6.QtCore import QLocale, Signal
from PySide6.QtWidgets import (
    QAbstractSpinBox,
    QComboBox,
    QDoubleSpinBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QWidget,
)

from app.bobbin_sources import one_line
from app.notebook.records import Spin
from app.plan import DRAFT_MM, Wheel
from app.window.panel import field_label, number_field
from measure.band import Band
from measure.bloom import Method
from measure.plan import (
    BOBBIN_G,
    CHAIN_PLIES,
    MOST_PLIES,
    PLY_ANGLE_DEG,
    SINGLE_ANGLE_DEG,
    Wish,
)
from measure.weight_class import ClassRange, WeightChart, chart_named

_BY_WRAPS: Final = "by its wraps"
_NOT_SAID: Final = "not said"
_WAYS: Final[tuple[tuple[str, Method, int], ...]] = (
    *((f"{n}-ply", "plied", n) for n in range(2, MOST_PLIES + 1)),
    ("chain-plied", "chain-plied", CHAIN_PLIES),
    ("left a single", "single", 1),
)


class PlanForm(QWidget):
    """The wish, as far as it was said; `changed` when a person changed any of it."""

    changed = Signal()
    spin_chosen = Signal(str)

    def __init__(self, chart: str, wrap_factor: float, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._chart: WeightChart = chart_named(chart)
        self._wrap = wrap_factor
        self._spins: tuple[Spin, ...] = ()
        self._build()

    def _build(self) -> None:
        self.spin = _choice("The spin that the plan is for: its aim is set with the band")
        self.classes = _choice("")
        self.classes.setAccessibleName("Weight class wanted")
        self._fill_classes()
        self.low, self.high = _number(0.5, 200, 1), _number(0.5, 200, 1)
        for field, name in ((self.low, "Fewest wraps wanted"), (self.high, "Most wraps wanted")):
            field.setAccessibleName(name)
            field.setToolTip(f"{name} of the finished yarn, per inch")
        self.way = _choice("How it is plied")
        for words, method, plies in _WAYS:
            self.way.addItem(words, (method, plies))
        self.fibre = QLineEdit()
        self.fibre.setPlaceholderText("as in your notebook")
        self.fibre.setToolTip("Skeins of a fibre with the same words count most")
        self.fibre_g = _number(0, 100_000, 0, " g", _NOT_SAID)
        self.fibre_g.setToolTip("Weight of what there is to spin: says how long a yarn it makes")
        self.length_m = _number(0, 100_000, 0, " m", _NOT_SAID)
        self.length_m.setToolTip("Of the finished yarn: says how much fibre it takes")
        self.angle = _number(5, 44, 0, "°")
        self.angle.setToolTip("20° is soft, 30° firm; of a single, the angle of its fibres")
        self.ratio = _number(0, 100, 1, " : 1", _NOT_SAID)
        self.ratio.setToolTip("Turns of the flyer to one of the wheel")
        self.motor = _number(0, 10_000, 0, " / min", _NOT_SAID)
        self.motor.setToolTip(
            "Turns a minute of a motor wheel: count them for some seconds from where you sit"
        )
        self.draft = _number(10, 3000, 0, " mm")
        self.draft.setValue(DRAFT_MM)
        self.draft.setToolTip("Length of one draft")
        self.bobbin_g = _number(1, 10_000, 0, " g")
        self.bobbin_g.setValue(BOBBIN_G)
        self.bobbin_g.setToolTip("Weight of yarn that fits on one of your bobbins")
        self.units = _choice("Units of lengths and weights")
        self.units.addItem("mm, m", "mm")
        self.units.addItem("in, yd", "inch")
        imperial = QLocale.system().measurementSystem() != QLocale.MeasurementSystem.MetricSystem
        self.units.setCurrentIndex(int(imperial))
        form = QFormLayout(self)
        form.setContentsMargins(0, 0, 0, 0)
        form.setVerticalSpacing(7)
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        wraps = QWidget()
        row = QHBoxLayout(wraps)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.low, 1)
        row.addWidget(QLabel("to"))
        row.addWidget(self.high, 1)
        rows: tuple[tuple[str, QWidget, QWidget], ...] = (
            ("&Spin", self.spin, self.spin),
            ("&Yarn wanted", self.classes, self.classes),
            ("&WPI, finished", wraps, self.low),
            ("&Plied", self.way, self.way),
            ("&Fibre", self.fibre, self.fibre),
            ("Fibre in &hand", self.fibre_g, self.fibre_g),
            ("&Length needed", self.length_m, self.length_m),
            ("Ply &angle", self.angle, self.angle),
            ("Wheel &ratio", self.ratio, self.ratio),
            ("or &motor", self.motor, self.motor),
            ("A &draft", self.draft, self.draft),
            ("A bobbin h&olds", self.bobbin_g, self.bobbin_g),
            ("&Units", self.units, self.units),
        )
        for title, widget, buddy in rows:
            form.addRow(field_label(title, buddy), widget)
            if not buddy.accessibleName():
                buddy.setAccessibleName(title.replace("&", ""))
        self._connect()
        self.classes.setCurrentIndex(self._first_class())
        self._class_picked()
        self._way_picked()

    def _connect(self) -> None:
        self.spin.activated.connect(lambda: self.spin_chosen.emit(self.spin.currentData() or ""))
        self.classes.activated.connect(self._class_picked)
        self.way.activated.connect(self._way_picked)
        for end in (self.low, self.high):
            end.valueChanged.connect(self._wraps_typed)
        self.fibre.editingFinished.connect(self.changed)
        for field in self._numbers():
            field.valueChanged.connect(self.changed)
        self.units.activated.connect(self.changed)

    def _numbers(self) -> Iterable[QDoubleSpinBox]:
        return (
            self.fibre_g, self.length_m, self.angle, self.ratio, self.motor, self.draft,
            self.bobbin_g,
        )  # fmt: skip

    # --- classes and wraps

    def _fill_classes(self) -> None:
        self.classes.clear()
        self.classes.setToolTip(f"A class of the chart: {self._chart.source}")
        self.classes.addItem(_BY_WRAPS, None)
        for one in self._chart.classes:
            self.classes.addItem(f"{one.number} {one.name}", one)

    def _first_class(self) -> int:
        """The one to begin with: the middle of the chart."""
        return 1 + len(self._chart.classes) // 2

    @property
    def weight_class(self) -> ClassRange | None:
        """The class that was picked; None: wraps were."""
        return cast("ClassRange | None", self.classes.currentData())

    def _class_picked(self) -> None:
        one = self.weight_class
        if one is not None:
            self._show_band(Band.from_class(one, self._wrap))
        self.changed.emit()

    def _show_band(self, band: Band) -> None:
        for field, value in (
            (self.low, band.low_wpi(self._wrap)),
            (self.high, band.high_wpi(self._wrap)),
        ):
            field.blockSignals(True)
            field.setValue(value)
            field.blockSignals(False)

    def _wraps_typed(self) -> None:
        self.classes.setCurrentIndex(0)
        self.changed.emit()

    def _way_picked(self) -> None:
        usual = SINGLE_ANGLE_DEG if self.method == "single" else PLY_ANGLE_DEG
        if self.angle.value() in (self.angle.minimum(), PLY_ANGLE_DEG, SINGLE_ANGLE_DEG):
            self.angle.blockSignals(True)
            self.angle.setValue(usual)
            self.angle.blockSignals(False)
        self.changed.emit()

    # --- what the page gives and takes

    @property
    def method(self) -> Method:
        """How it is plied."""
        method: Method = self.way.currentData()[0]
        return method

    @property
    def plies(self) -> int:
        """Of how many strands."""
        return int(self.way.currentData()[1])

    @property
    def chart(self) -> WeightChart:
        """The chart that classes are picked from."""
        return self._chart

    @property
    def chosen_spin(self) -> Spin | None:
        """The spin that the plan is for."""
        wanted = self.spin.currentData()
        return next((s for s in self._spins if s.id == wanted), None)

    def set_chart(self, name: str, wrap_factor: float) -> None:
        """Offer this chart's classes, and count wraps so; what was wanted stays."""
        if (name, wrap_factor) == (self._chart.name, self._wrap):
            return
        chosen = self.weight_class
        self._chart, self._wrap = chart_named(name), wrap_factor
        self._fill_classes()
        if chosen is not None:
            self._pick_class(chosen.name)
        self._class_picked()

    def _pick_class(self, name: str) -> None:
        for place in range(1, self.classes.count()):
            if self.classes.itemData(place).name.casefold() == name.strip().casefold():
                self.classes.setCurrentIndex(place)
                return

    def set_spins(self, spins: tuple[Spin, ...], chosen: str) -> None:
        """Offer these spins; what was said of the yarn stays."""
        self._spins = spins
        self.spin.clear()
        self.spin.addItem("none", "")
        for spin in spins:
            self.spin.addItem(one_line(spin.name) or "spin", spin.id)
        self.spin.setCurrentIndex(max(self.spin.findData(chosen), 0))

    def follow_spin(self, spin: Spin) -> None:
        """Take over what the spin says of its fibre and its aim."""
        self.fibre.setText(one_line(spin.fibre))
        self.fibre_g.setValue(spin.prepared_g or 0)
        plies = spin.aim.plies
        if plies is not None and plies != self.plies:
            for place, (_, _, strands) in enumerate(_WAYS):
                if strands == plies:
                    self.way.setCurrentIndex(place)
                    break
        self._pick_class(spin.aim.class_name)
        self._class_picked()
        self._way_picked()

    def wish(self) -> Wish:
        """What was said; ValueError in a sentence where it makes no sense."""
        one = self.weight_class
        band = (
            Band.from_class(one, self._wrap)
            if one is not None
            else Band.from_wpi(self.low.value(), self.high.value(), self._wrap)
        )
        return Wish(
            band,
            self.plies,
            self.method,
            fibre=self.fibre.text(),
            fibre_g=self.fibre_g.value() or None,
            length_m=self.length_m.value() or None,
            angle_deg=self.angle.value(),
            bobbin_g=self.bobbin_g.value(),
        )

    def wheel(self) -> Wheel:
        """The wheel, as far as it was said."""
        return Wheel(
            self.ratio.value() or None, self.motor.value() or None, draft_mm=self.draft.value()
        )


def _choice(tip: str) -> QComboBox:
    box = QComboBox()
    box.setToolTip(tip)
    box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    box.setMinimumContentsLength(12)
    return box


def _number(
    low: float, high: float, decimals: int, suffix: str = "", nothing: str = ""
) -> QDoubleSpinBox:
    box = number_field(QDoubleSpinBox)
    box.setRange(low, high)
    box.setDecimals(decimals)
    box.setSuffix(suffix)
    box.setSpecialValueText(nothing)
    box.setKeyboardTracking(False)
    box.setStepType(QAbstractSpinBox.StepType.AdaptiveDecimalStepType)
    return box
