"""What the gauge page is made of, and where it all lies."""

from __future__ import annotations

from typing import Final, Literal

from PySide6.QtCore import Qt
from PySide6.QtGui import QPixmap
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSplitter, QVBoxLayout, QWidget

from app.window.bench_bar import BenchBar
from app.window.big_reading import BigReading
from app.window.camera_meters import CameraMeters
from app.window.drift_chart import DriftChart
from app.window.panel import panel, quiet_label
from app.window.picture_view import PictureView
from app.window.preferences import Preferences, Unit
from app.window.profile_plot import ProfilePlot
from app.window.theme import Theme
from app.window.units import inches_here
from measure.band import Band

_AXES: Final[tuple[tuple[Literal["number", "time", "grams"], str, str], ...]] = (
    ("number", "by number", "Readings one beside the other"),
    ("time", "by time", "By the time spent spinning"),
    ("grams", "by grams", "By the fibre spun so far"),
)
_INSET_PX: Final = 90


class GaugeParts(QWidget):
    """Bar, picture, figure, drift and profile; decides nothing itself."""

    def __init__(self) -> None:
        super().__init__()
        self.bar = BenchBar()
        self.picture = PictureView()
        self.meters = CameraMeters()
        self.reading = BigReading()
        self.chart = DriftChart()
        self.profile = ProfilePlot()
        self.profile.set_inch(inches_here())
        self._drift = quiet_label("Drift")
        self._logged = quiet_label("Strand shown")
        self._logged.hide()
        self._inset = QLabel()
        self._inset.setAccessibleName("Picture of the reading")
        self._inset.hide()

        self._top, self._low = QSplitter(), QSplitter()
        self._both = QSplitter(Qt.Orientation.Vertical)
        self._seen = self._seen_part()
        figure, inside = panel(4)
        inside.addWidget(self.reading)
        for splitter, parts, sizes in (
            (self._top, (self._seen, figure), (620, 460)),
            (self._low, (self._drift_panel(), self._profile_panel()), (620, 460)),
            (self._both, (self._top, self._low), (430, 260)),
        ):
            splitter.setHandleWidth(10)
            splitter.setChildrenCollapsible(False)
            for part in parts:
                splitter.addWidget(part)
            splitter.setSizes(list(sizes))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 10, 12, 6)
        layout.setSpacing(8)
        layout.addWidget(self.bar)
        layout.addWidget(self._both, 1)
        # Keys are for the gauge until something else is reached with Tab.
        self.setFocusProxy(self.picture)

    def _seen_part(self) -> QWidget:
        seen = QWidget()
        column = QVBoxLayout(seen)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addWidget(self.picture, 1)
        column.addWidget(self.meters)
        return seen

    def _drift_panel(self) -> QWidget:
        along = QComboBox()
        along.setAccessibleName("What the chart runs along")
        along.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        for axis, text, tip in _AXES:
            along.addItem(text, axis)
            along.setItemData(along.count() - 1, tip, Qt.ItemDataRole.ToolTipRole)
        along.setToolTip("Lay the readings out by their number, by time or by fibre spun")
        along.activated.connect(lambda _: self.chart.set_x(along.currentData()))
        head = QHBoxLayout()
        head.setSpacing(8)
        head.addWidget(self._drift, 1)
        head.addWidget(along)
        drift, inside = panel()
        inside.addLayout(head)
        inside.addWidget(self.chart, 1)
        return drift

    def _profile_panel(self) -> QWidget:
        profile, inside = panel()
        inside.addWidget(self._logged)
        inside.addWidget(self._inset)
        inside.addWidget(self.profile, 1)
        return profile

    # --- how it is shown

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        for part in (self.picture, self.reading, self.chart, self.profile, self.meters):
            part.set_theme(theme)

    def show_unit(self, unit: Unit, wrap_factor: float) -> None:
        """Say thickness in WPI, turns `wrap_factor` diameters apart, or in mm."""
        self.bar.show_unit(unit)
        for part in (self.reading, self.picture, self.chart, self.profile):
            part.set_unit(unit, wrap_factor)

    def show_band(self, band: Band | None) -> None:
        """Judge by this band."""
        for part in (self.reading, self.chart, self.profile):
            part.set_band(band)

    def say_drift(self, sentence: str) -> None:
        """What is said above the chart."""
        self._drift.setText(sentence)
        self._drift.setToolTip(sentence)

    def show_logged(self, words: str, jpeg: bytes | None) -> None:
        """Words and picture of the logged reading whose profile is shown; empty: none is."""
        self._logged.setText(words)
        self._logged.setVisible(bool(words))
        pixmap = QPixmap()
        if jpeg is not None and pixmap.loadFromData(jpeg):
            self._inset.setPixmap(
                pixmap.scaled(
                    self.profile.width(),
                    _INSET_PX,
                    Qt.AspectRatioMode.KeepAspectRatio,
                    Qt.TransformationMode.SmoothTransformation,
                )
            )
        self._inset.setVisible(not pixmap.isNull())

    @property
    def is_far(self) -> bool:
        """Whether the figure stands alone."""
        return self.bar.isHidden()

    def set_far(self, far: bool) -> None:
        """The figure alone, to be read from far away, or everything."""
        for part in (self.bar, self._low, self._seen):
            part.setVisible(not far)

    # --- how it is laid out

    def restore_layout(self, preferences: Preferences) -> None:
        """Divide the room as it was divided last."""
        for name, splitter in self._splits():
            splitter.restoreState(preferences.split(name))

    def keep_layout(self, preferences: Preferences) -> None:
        """Remember how the room is divided."""
        for name, splitter in self._splits():
            preferences.set_split(name, splitter.saveState())

    def _splits(self) -> tuple[tuple[str, QSplitter], ...]:
        return (("top", self._top), ("low", self._low), ("both", self._both))
