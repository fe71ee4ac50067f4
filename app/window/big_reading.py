"""The reading to be seen from the wheel: a big figure, where it lies in the band, what to do.

Letters should be a two-hundredth of the distance high or more (common practice, no source): 10 mm
at two metres. The figure fills its box and is some 25 mm at the size the window opens with. That
a strand is thicker, thinner or in the band is said by a word, by a shape, by a place on the track
and by colour, so that any one of them may fail. Of plied yarn its twist stands beside, said in the
same ways against a band of its own.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.window.big_reading_figures import ends_shown, glanced, twist_shown
from app.window.big_reading_paint import Painting
from app.window.big_reading_shown import Shown
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme
from measure.band import Band
from measure.live import LiveState
from measure.results import StrandReading
from measure.twist_band import TwistBand

_IDLE: Final = "Lay a strand across the card."
UNIT_NAMES: Final[dict[Unit, str]] = {"wpi": "WPI", "mm": "mm"}


class BigReading(QWidget):
    """Paints a `LiveState` against a band, in the unit chosen; decides nothing itself."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = LIGHT
        self._unit: Unit = "wpi"
        self._wrap_factor = 1.0
        self._band: Band | None = None
        self._plied = False
        self._twist_band: TwistBand | None = None
        self._state = LiveState()
        self._live = True
        self._logged = ""
        self._shown = Shown()
        self.setAccessibleName("Reading")
        self.setToolTip(
            "The strand before the camera: its thickness, and where it lies in the band"
        )
        self.setMinimumSize(300, 220)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self._refresh()

    def sizeHint(self) -> QSize:
        """Room for a figure 25 mm high on a screen of 96 dots per inch."""
        return QSize(460, 480)

    def set_theme(self, theme: Theme) -> None:
        """Take the colours of a theme."""
        self._theme = theme
        self.update()

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Show thickness as WPI, by this wrap factor, or in mm."""
        self._unit, self._wrap_factor = unit, wrap_factor
        self._refresh()

    def set_band(self, band: Band | None) -> None:
        """Judge against this band, or not at all."""
        self._band = band
        self._refresh()

    def set_plied(self, plied: bool) -> None:
        """Whether ply twist is shown beside thickness."""
        self._plied = plied
        self._refresh()

    def set_twist_band(self, band: TwistBand | None) -> None:
        """Judge ply twist against this band, or not at all."""
        self._twist_band = band
        self._refresh()

    def set_state(self, state: LiveState) -> None:
        """Show what the live gauge says."""
        self._state, self._live = state, True
        if state.armed:
            self._logged = ""
        self._refresh()

    def set_strand(self, strand: StrandReading | None, advice: str = "") -> None:
        """Show a strand of a picture that stands still, or what to do when there is none."""
        self._live = False
        if strand is None:
            self._state = LiveState(advice=advice)
        else:
            self._state = LiveState(
                strand=strand,
                diameter_mm=strand.diameter_mm,
                interval_mm=strand.diameter_interval_mm,
                wpi=strand.wpi,
                wpi_interval=strand.wpi_interval,
                weight_classes=strand.weight_classes,
                settled=True,
                twist=strand.twist_detail,
            )
        self._logged = ""
        self._refresh()

    def set_logged(self, text: str) -> None:
        """Say in a few words that a reading was logged; it stays until the strand moves on."""
        self._logged = text
        self._refresh()

    def spoken(self) -> str:
        """What is shown, as a sentence."""
        return self._shown.words()

    def _refresh(self) -> None:
        shown = self._compose()
        if shown == self._shown:
            return
        self._shown = shown
        self.setAccessibleDescription(shown.words())
        self.update()

    def _compose(self) -> Shown:
        state, band = self._state, self._band
        shown = Shown(
            faded=state.faded,
            cause=state.refusal.text if state.refusal else "",
            advice=state.advice,
            hold=round(state.hold, 2),
            armed=state.armed,
            live=self._live,
            logged=self._logged,
        )
        if band is not None:
            thin, thick = self._band_ends(band)
            shown = replace(shown, band_thin=thin, band_thick=thick)
        if state.diameter_mm is None or state.interval_mm is None:
            return shown if shown.advice else replace(shown, advice=_IDLE)
        value, interval = state.diameter_mm, state.interval_mm
        if self._unit == "wpi" and state.wpi is not None and state.wpi_interval is not None:
            value, interval = state.wpi, state.wpi_interval
        figure, low, high = glanced(value, interval)
        shown = replace(
            shown,
            figure=figure,
            interval=f"{UNIT_NAMES[self._unit]}, {low} to {high}",
            classes=" · ".join(c.name for c in state.weight_classes),
            turns=twist_shown(state, self._twist_band) if self._plied else None,
        )
        if band is None:
            return shown
        low_mm, high_mm = state.interval_mm
        return replace(
            shown,
            judged=band.judge(state.diameter_mm, state.interval_mm),
            position=band.position(state.diameter_mm),
            position_low=band.position(low_mm),
            position_high=band.position(high_mm),
        )

    def _band_ends(self, band: Band) -> tuple[str, str]:
        if self._unit == "mm":
            ends = (band.low_mm, band.high_mm)
        else:
            ends = (band.high_wpi(self._wrap_factor), band.low_wpi(self._wrap_factor))
        return ends_shown(ends)

    # --- painting -------------------------------------------------------------------------

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint the panel."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(self._theme.panel))
        Painting(painter, self.font(), self._theme, self._shown, QRectF(self.rect())).paint()
        painter.end()
