"""The dialog that asks for the band."""

from __future__ import annotations

from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QVBoxLayout, QWidget

from app.window.band_editor import BandEditor
from app.window.preferences import Preferences
from app.window.theme import Theme
from measure.band import Band


class BandDialog(QDialog):
    """Asks for the band; no band is an answer too."""

    def __init__(self, preferences: Preferences, theme: Theme, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Band")
        self.band = preferences.band
        self._theme = theme
        self._editor = BandEditor()
        self._editor.set_theme(theme)
        self._editor.set_unit(preferences.unit, preferences.wrap_factor)
        self._editor.set_chart(preferences.chart)
        self._editor.set_band(preferences.band)
        self._editor.changed.connect(self._changed)
        buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel
        )
        none = buttons.addButton("No band", QDialogButtonBox.ButtonRole.DestructiveRole)
        none.clicked.connect(self._no_band)
        self._ok = buttons.button(QDialogButtonBox.StandardButton.Ok)
        self._ok.setProperty("main", True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(self._editor)
        layout.addWidget(buttons)

    def showEvent(self, event: QShowEvent) -> None:
        """A dialog takes the application's palette when it is shown; its hint has its own."""
        super().showEvent(event)
        self._editor.set_theme(self._theme)

    def _changed(self, band: Band | None) -> None:
        self.band = band
        self._ok.setEnabled(band is not None)

    def _no_band(self) -> None:
        self.band = None
        self.accept()
