"""The controls above the gauge: what is looked at, and what a reading is logged under."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.notebook.records import Posture
from app.window.big_reading import UNIT_NAMES
from app.window.flow_row import FlowRow
from app.window.panel import number_field
from app.window.preferences import Sound, Unit
from measure.band import Band

POSTURE_NAMES: Final[dict[Posture, str]] = {
    "tension": "single at the wheel",
    "relaxed": "single, relaxed",
    "plied": "plied",
    "washed": "plied and washed",
}
SOUND_NAMES: Final[dict[Sound, str]] = {
    "off": "Sound off",
    "quiet": "Sound quiet",
    "on": "Sound on",
}
_NEW: Final = "\0new"
_OPEN, _FOLDER = "\0open", "\0folder"


@dataclass(frozen=True)
class BobbinChoice:
    """One entry of the list of bobbins."""

    bobbin_id: str
    name: str


class BenchBar(QWidget):
    """Source, band, unit, hands-free, sound; then bobbin, fibre spun, posture."""

    source_chosen = Signal(str)
    """Key of a source; empty: none."""
    open_wanted = Signal()
    folder_wanted = Signal()
    band_wanted = Signal()
    unit_chosen = Signal(str)
    bobbin_chosen = Signal(str)
    """Id of a bobbin; empty: a new one."""
    spun_changed = Signal(object)
    """Grams as float, or None."""
    posture_chosen = Signal(str)
    hands_free_changed = Signal(bool)
    sound_chosen = Signal(str)
    skein_ended = Signal()
    """What is read is to be logged on the bobbin again."""

    def __init__(self) -> None:
        super().__init__()
        self._source = QComboBox()
        self._source.setAccessibleName("Source")
        self._source.setToolTip("Camera, video or folder that is looked at")
        self._source.setMinimumContentsLength(24)
        self._source.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._source.activated.connect(self._source_activated)
        self._band = self._button("Set band…", "The range you want to hit (B)")
        self._band.clicked.connect(self.band_wanted)
        self._units = QButtonGroup(self)
        self._unit_buttons: dict[Unit, QPushButton] = {}
        for unit, name in UNIT_NAMES.items():
            button = self._button(name, f"Show thickness in {name} (U)")
            button.setCheckable(True)
            button.setAccessibleName(f"Thickness in {name}")
            button.clicked.connect(lambda _=False, u=unit: self.unit_chosen.emit(u))
            self._units.addButton(button)
            self._unit_buttons[unit] = button

        self._bobbin = QComboBox()
        self._bobbin.setToolTip("The bobbin that readings are logged under")
        self._bobbin.setMinimumContentsLength(18)
        self._bobbin.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._bobbin.activated.connect(self._bobbin_activated)
        self._spun = number_field(QDoubleSpinBox)
        self._spun.setToolTip("Fibre on this bobbin by now; logged with each reading")
        self._spun.setRange(-0.1, 9999.0)
        self._spun.setDecimals(1)
        self._spun.setSuffix(" g")
        self._spun.setSpecialValueText("not said")
        self._spun.setValue(-0.1)
        self._spun.valueChanged.connect(
            lambda value: self.spun_changed.emit(value if value >= 0 else None)
        )
        self._posture = QComboBox()
        self._posture.setAccessibleName("How the strand is presented")
        self._posture.setToolTip("How the strand lies while it is measured")
        for posture, name in POSTURE_NAMES.items():
            self._posture.addItem(name, posture)
        self._posture.activated.connect(
            lambda _: self.posture_chosen.emit(str(self._posture.currentData()))
        )
        self._hands_free = self._button(
            "Hands-free", "Log a strand by itself when it is held steady (H)"
        )
        self._hands_free.setCheckable(True)
        self._hands_free.toggled.connect(self.hands_free_changed)
        self._sound = QComboBox()
        self._sound.setAccessibleName("Sound")
        self._sound.setToolTip("Hear whether the strand is thick or thin (S)")
        for sound, name in SOUND_NAMES.items():
            self._sound.addItem(name, sound)
        self._sound.activated.connect(
            lambda _: self.sound_chosen.emit(str(self._sound.currentData()))
        )
        for box in (self._source, self._bobbin, self._posture, self._sound):
            # A foot switch types a space: it must never land in a list last clicked on.
            box.setFocusPolicy(Qt.FocusPolicy.TabFocus)

        units = QWidget()
        pair = QHBoxLayout(units)
        pair.setContentsMargins(0, 0, 0, 0)
        pair.setSpacing(4)
        for button in self._unit_buttons.values():
            pair.addWidget(button)
        looked = FlowRow()
        for control in (self._source, self._band, units, self._hands_free, self._sound):
            looked.add("", control)
        self._skein = self._button("", "Log on the bobbin again")
        self._skein.clicked.connect(self.skein_ended)
        logged = self._logged = FlowRow()
        logged.add("&Bobbin", self._bobbin)
        logged.add("Spu&n", self._spun)
        logged.add("", self._posture)
        logged.add("", self._skein)
        self.show_skein("")
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(6)
        whole.addWidget(looked)
        whole.addWidget(logged)

    def _button(self, text: str, tip: str) -> QPushButton:
        button = QPushButton(text)
        button.setToolTip(tip)
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        return button

    # --- what is shown, without telling anyone

    def show_sources(self, entries: list[tuple[str, str]], chosen: str) -> None:
        """(key, name) of what can be looked at now."""
        self._source.clear()
        self._source.addItem("No source", "")
        for key, name in entries:
            self._source.addItem(name, key)
        self._source.insertSeparator(self._source.count())
        self._source.addItem("Open a picture or video…", _OPEN)
        self._source.addItem("Watch a folder…", _FOLDER)
        self._source.setCurrentIndex(max(self._source.findData(chosen), 0))

    def _source_activated(self, index: int) -> None:
        key = str(self._source.itemData(index))
        if key == _OPEN:
            self.open_wanted.emit()
        elif key == _FOLDER:
            self.folder_wanted.emit()
        else:
            self.source_chosen.emit(key)

    def show_bobbins(self, entries: list[BobbinChoice], chosen: str) -> None:
        """The bobbins there are, and a way to a new one."""
        self._bobbin.clear()
        for entry in entries:
            self._bobbin.addItem(entry.name, entry.bobbin_id)
        self._bobbin.addItem("New bobbin…", _NEW)
        at = self._bobbin.findData(chosen)
        if at < 0:
            self._bobbin.setPlaceholderText("made by the first reading")
        self._bobbin.setCurrentIndex(at)

    @property
    def bobbin_name(self) -> str:
        """What the chosen bobbin is called; empty when none is."""
        return self._bobbin.currentText()

    def _bobbin_activated(self, index: int) -> None:
        key = str(self._bobbin.itemData(index))
        self.bobbin_chosen.emit("" if key == _NEW else key)

    def show_band(self, band: Band | None, unit: Unit, wrap_factor: float) -> None:
        """The band in words on its button."""
        self._band.setText(
            "Set band…" if band is None else f"Band {band_text(band, unit, wrap_factor)}"
        )

    def show_unit(self, unit: Unit) -> None:
        """Which of the two is pressed."""
        self._unit_buttons[unit].setChecked(True)

    def show_posture(self, posture: Posture) -> None:
        """Which way of presenting is chosen."""
        self._posture.setCurrentIndex(self._posture.findData(posture))

    def show_hands_free(self, on: bool) -> None:
        """Pressed or not."""
        self._hands_free.setChecked(on)

    def show_skein(self, name: str) -> None:
        """Which skein takes what is read, in place of the bobbin; empty: none does."""
        self._skein.setText(f"Readings go to {name} as sections: stop".replace("&", "&&"))
        for control in (self._bobbin, self._spun, self._posture):
            self._logged.show_control(control, not name)
        self._logged.show_control(self._skein, bool(name))

    def show_sound(self, sound: Sound) -> None:
        """How loud."""
        self._sound.setCurrentIndex(self._sound.findData(sound))

    def show_spun(self, grams: float | None) -> None:
        """Grams on the bobbin."""
        blocked = self._spun.blockSignals(True)
        self._spun.setValue(-0.1 if grams is None else grams)
        self._spun.blockSignals(blocked)


def band_text(band: Band, unit: Unit, wrap_factor: float = 1.0) -> str:
    """The band's two ends, as '20 to 24 WPI' or '1.06 to 1.27 mm'."""
    if unit == "mm":
        return f"{band.low_mm:.2f} to {band.high_mm:.2f} mm"
    low, high = band.low_wpi(wrap_factor), band.high_wpi(wrap_factor)
    digits = 1 if high - low < 3 else 0
    return f"{low:.{digits}f} to {high:.{digits}f} WPI"
