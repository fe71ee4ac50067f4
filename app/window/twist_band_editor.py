"""Where the band of ply twist is set: two ends, or what balances singles of a known twist."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QWidget,
)

from app.window.panel import number_field
from measure.band import Band
from measure.twist_band import TwistBand

_MOST_TPI = 60.0


class TwistBandEditor(QWidget):
    """Turns per inch from and to, "none" at zero."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._thickness: Band | None = None
        self._balance: TwistBand | None = None
        self.low = _turns("Fewest turns per inch", "none")
        self.high = _turns("Most turns per inch", "none")
        self.single = _turns("Turns per inch of the singles", "unknown")
        self.plies = QComboBox()
        self.plies.setAccessibleName("Plies")
        self.plies.setToolTip("How many singles the yarn is plied of")
        for count in (2, 3, 4):
            self.plies.addItem(f"{count} plies", count)
        self.balance = QPushButton("Balan&ced")
        self.balance.setToolTip(
            "Take the twist that balances such singles in a yarn as thick as the band's middle"
        )
        self._says = QLabel()
        self._says.setAccessibleName("What the ply twist means")
        self._says.setWordWrap(True)
        self._lay_out()
        for edit in (self.low, self.high):
            edit.valueChanged.connect(self._typed)
        self.single.valueChanged.connect(self._offer)
        self.balance.clicked.connect(self._take_balance)
        self._offer()

    def _lay_out(self) -> None:
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(8)
        ends, singles = QLabel("Ply &twist"), QLabel("Si&ngles")
        ends.setBuddy(self.low)
        singles.setBuddy(self.single)
        for row, (label, parts) in enumerate(
            (
                (ends, (self.low, QLabel("to"), self.high, QLabel("TPI"))),
                (singles, (self.single, QLabel("TPI"), self.plies, self.balance)),
            )
        ):
            line = QHBoxLayout()
            line.setSpacing(8)
            for part in parts:
                line.addWidget(part, 0 if isinstance(part, QLabel) else 1)
            grid.addWidget(label, row, 0)
            grid.addLayout(line, row, 1)
        grid.addWidget(self._says, 2, 0, 1, 2)
        grid.setColumnStretch(1, 1)

    def set_band(self, band: TwistBand | None) -> None:
        """Show a band; None: none."""
        self._balance = band if band is not None and band.balanced else None
        self._show(band)

    def set_thickness(self, band: Band | None) -> None:
        """The band of the plied yarn's thickness, which its balance depends on."""
        self._thickness = band
        self._offer()

    @property
    def band(self) -> TwistBand | None:
        """The band as it is set now; None for none, and while what is set is none."""
        low, high = self.low.value(), self.high.value()
        if not 0 < low < high:
            return None
        balance = self._balance
        if balance is not None and self._rounded(balance) == (low, high):
            return balance
        return TwistBand(low, high)

    @property
    def usable(self) -> bool:
        """False while the two ends make no band."""
        return self.band is not None or self.low.value() == self.high.value() == 0

    def _rounded(self, band: TwistBand) -> tuple[float, float]:
        decimals = self.low.decimals()
        return round(band.low, decimals), round(band.high, decimals)

    def _show(self, band: TwistBand | None) -> None:
        low, high = (0.0, 0.0) if band is None else self._rounded(band)
        for edit, value in ((self.low, low), (self.high, high)):
            edit.blockSignals(True)
            edit.setValue(value)
            edit.blockSignals(False)
        self._typed()

    def _typed(self) -> None:
        band = self.band
        words = ""
        if not self.usable:
            words = "The ply twist's low end must be above none and below its high end."
        elif band is not None and band.balanced:
            words = "That balances the singles: more is over-plied, less under-plied."
        self._says.setText(words)
        self._says.setVisible(bool(words))
        self.changed.emit()

    def _offer(self) -> None:
        self.balance.setEnabled(self._thickness is not None and self.single.value() > 0)

    def _take_balance(self) -> None:
        if self._thickness is None:
            return
        count = int(self.plies.currentData())
        self.set_band(TwistBand.balancing(self.single.value(), self._thickness.middle_mm, count))


def _turns(name: str, nothing: str) -> QDoubleSpinBox:
    edit = number_field(QDoubleSpinBox)
    edit.setAccessibleName(name)
    edit.setToolTip(f"{name}; 0 for {nothing}")
    edit.setRange(0.0, _MOST_TPI)
    edit.setDecimals(1)
    edit.setSingleStep(0.5)
    edit.setSpecialValueText(nothing)
    return edit
