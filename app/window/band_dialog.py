"""The dialog that asks for the bands: of thickness, and of ply twist."""

from __future__ import annotations

from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QVBoxLayout, QWidget

from app.window.band_editor import BandEditor
from app.window.preferences import Preferences
from app.window.theme import Theme
from app.window.twist_band_editor import TwistBandEditor
from measure.band import Band


class BandDialog(QDialog):
    """Asks for the bands; no band is an answer too."""

    def __init__(self, preferences: Preferences, theme: Theme, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Band")
        self.band = preferences.band
        self.twist_band = preferences.twist_band
        self._theme = theme
        self._editor = BandEditor()
        self._editor.set_theme(theme)
        self._editor.set_unit(preferences.unit, preferences.wrap_factor)
        self._editor.set_chart(preferences.chart)
        self._editor.set_band(preferences.band)
        self._editor.changed.connect(self._changed)
        self._twist = TwistBandEditor()
        self._twist.set_thickness(preferences.band)
        self._twist.set_band(preferences.twist_band)
        self._twist.changed.connect(self._twist_changed)
        self._whole = True
        buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel
        )
        none = buttons.addButton("No band", QDialogButtonBox.ButtonRole.DestructiveRole)
        none.setToolTip("Judge neither thickness nor twist")
        none.clicked.connect(self._no_band)
        self._ok = buttons.button(QDialogButtonBox.StandardButton.Ok)
        self._ok.setProperty("main", True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(self._editor)
        layout.addWidget(self._twist)
        layout.addWidget(buttons)

    def showEvent(self, event: QShowEvent) -> None:
        """A dialog takes the application's palette when it is shown; its hint has its own."""
        super().showEvent(event)
        self._editor.set_theme(self._theme)

    def _changed(self, band: Band | None) -> None:
        self.band = band
        self._whole = band is not None
        self._twist.set_thickness(band)
        self._twist_changed()

    def _twist_changed(self) -> None:
        self.twist_band = self._twist.band
        self._ok.setEnabled(self._whole and self._twist.usable)

    def _no_band(self) -> None:
        self.band = self.twist_band = None
        self.accept()
