"""The profile plot: diameter along one strand, as it is held now or as it was logged.

Thin: every place measured; bars: means of 1 mm, the length that evenness is judged by; the strip
below: the ground behind. Thicker is up, as in the drift chart.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRectF, QSize
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import QWidget

from app.drawing import merged_places
from app.format import length_text
from app.window.chart_frame import place_beside
from app.window.chart_panel import ChartPanel
from app.window.drift_points import edge_words, thickness_text
from app.window.later import paint_soon
from app.window.preferences import Unit
from app.window.theme import LIGHT
from measure.band import Band
from measure.results import StrandReading

if TYPE_CHECKING:
    from app.window.profile_curves import ProfileCurves

_EMPTY: Final = "The strand's own profile shows here: how thick it is along its length."
_TITLE_FROM_LINES: Final = 11
_STEADY: Final = 0.55
"""The range of a live profile shrinks only when less than this of it is in use."""
_LEAST_HEIGHT: Final = 0.24
"""Least range of heights: the noise of an even strand must not fill the plot."""
_LEAST_LENGTH_MM: Final = 20.0


class ProfilePlot(ChartPanel["ProfileCurves"]):
    """Diameter along one strand. Wheel, drag, plus, minus and 0 zoom as in the drift chart."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__("Profile along the strand", _EMPTY, parent)
        self._strand: StrandReading | None = None
        self._inch = False
        self._range: tuple[tuple[float, float], tuple[float, float]] | None = None
        self._show_title()

    # --- what is shown

    def set_strand(self, strand: StrandReading | None) -> None:
        """Show this strand; None empties the plot. Quick enough to be called with every frame."""
        if strand is self._strand:
            return
        if strand is None:
            self._range = None
        self._strand = strand
        self._draw()

    def set_band(self, band: Band | None) -> None:
        """Shade this band."""
        if band != self._band:
            self._band = band
            self._range = None
            self._draw()

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Label thickness in WPI, turns `wrap_factor` diameters apart, or in mm."""
        self._unit, self._wrap = unit, wrap_factor
        self._draw()

    def set_inch(self, inch: bool) -> None:
        """Label lengths in inches, or in millimetres."""
        self._inch = inch
        self._draw()

    def summary(self) -> str:
        """The strand in words, as the file that is exported says under it."""
        strand = self._strand
        if strand is None:
            return "No strand."
        text = thickness_text(
            strand.diameter_mm, strand.diameter_interval_mm, self._unit, self._wrap
        )
        said = [text, length_text(strand.length_mm, "inch" if self._inch else "mm")]
        if strand.cv_percent is not None:
            said.append(f"CV {strand.cv_percent:.1f} %")
        places = merged_places(strand)
        for kind in ("thick", "thin"):
            n = sum(p.kind == kind for p in places)
            if n:
                said.append(f"{n} {kind} place{'s' if n > 1 else ''}")
        return " · ".join(said)

    # --- drawing

    def _make_plot(self) -> ProfileCurves:
        from app.window.profile_curves import ProfileCurves

        return ProfileCurves()

    def _draw(self) -> None:
        strand = self._strand
        self._details.hide()
        if strand is None:
            self._stack.setCurrentWidget(self._empty)
        else:
            plot = self._ready_plot()
            paint_soon(plot)
            self._draw_in(plot, strand)
            self._range = self._steadied(*plot.wanted(strand, self._band_heights()))
            plot.set_whole(*self._range)
            plot.setAccessibleDescription(self.summary())
            self._stack.setCurrentWidget(plot)
        self._show_title()

    def _draw_in(self, plot: ProfileCurves, strand: StrandReading) -> None:
        plot.set_unit(self._unit, self._wrap)
        plot.lengths.set_inch(self._inch)
        plot.show_band(self._band_heights(), self._band_words())
        plot.draw_strand(strand)

    def _band_heights(self) -> tuple[float, float] | None:
        if self._band is None:
            return None
        return float(np.log(self._band.low_mm)), float(np.log(self._band.high_mm))

    def _band_words(self) -> tuple[str, str]:
        return ("", "") if self._band is None else edge_words(self._band, self._unit, self._wrap)

    def _steadied(
        self, x: tuple[float, float], y: tuple[float, float]
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """The range to show: it grows at once, and shrinks only when much of it stands empty.

        A live profile comes some ten times a second; a scale that follows each of them cannot be
        read.
        """
        length = max(x[1], _LEAST_LENGTH_MM)
        middle, half = (y[0] + y[1]) / 2, max(y[1] - y[0], _LEAST_HEIGHT) / 2
        low, high = middle - 1.15 * half, middle + 1.15 * half
        if self._range is None:
            return (0.0, length), (low, high)
        (_, end), (bottom, top) = self._range
        if not _STEADY * end < length <= end:
            end = length
        if y[0] < bottom or y[1] > top:
            bottom, top = min(low, bottom), max(high, top)
        if high - low < _STEADY * (top - bottom):
            bottom, top = low, high
        return (0.0, end), (bottom, top)

    def _show_title(self) -> None:
        self._head.setText(self.summary() if self._strand is not None else "")
        room = self.height() >= _TITLE_FROM_LINES * self.fontMetrics().height()
        self._head.setVisible(self._strand is not None and room)

    # --- pointing

    def eventFilter(self, watched: object, event: QEvent) -> bool:
        """Say how thick it is where the pointer is."""
        plot = self._plot
        if plot is None or watched is not plot.viewport():
            return False
        if event.type() == QEvent.Type.MouseMove:
            self._say_at(plot, QPointF(event.position()))  # type: ignore[attr-defined]
        elif event.type() == QEvent.Type.Leave:
            self._details.hide()
        return False

    def _say_at(self, plot: ProfileCurves, at: QPointF) -> None:
        strand = self._strand
        if strand is None or not plot.view.sceneBoundingRect().contains(at):
            self._details.hide()
            return
        along = strand.along
        place_mm = plot.view.mapSceneToView(at).x()
        entry = (
            int(np.argmin(np.abs(along.position_mm - place_mm))) if len(along.position_mm) else 0
        )
        if not len(along.position_mm) or not np.isfinite(along.diameter_mm[entry]):
            self._details.hide()
            return
        diameter = float(along.diameter_mm[entry])
        reach = 1.96 * float(along.u_diameter_mm[entry])
        lines = [
            f"at {length_text(float(along.position_mm[entry]), 'inch' if self._inch else 'mm')}",
            thickness_text(diameter, (diameter - reach, diameter + reach), self._unit, self._wrap),
            f"{along.ground[entry]} ground",
        ]
        lines += [
            f"{p.kind} place, {p.extreme_percent:+.0f} % of the mean"
            for p in merged_places(strand)
            if p.from_mm <= along.position_mm[entry] <= p.to_mm
        ]
        where = plot.px_of(np.array([along.position_mm[entry]]), np.array([np.log(diameter)]))[0]
        spot = plot.mapTo(self, QPointF(float(where[0]), float(where[1])).toPoint())
        place_beside(self._details, "\n".join(lines), spot, self.rect())

    # --- the widget

    def sizeHint(self) -> QSize:
        """Wide and low."""
        line = self.fontMetrics().height()
        return QSize(40 * line, 12 * line)

    def resizeEvent(self, event: object) -> None:
        """Make room by leaving the title out."""
        self._details.hide()
        self._show_title()

    def paint_on(self, painter: QPainter, area: QRectF) -> Iterator[None]:
        """Draw the profile as it is zoomed now, light, into part of a sheet; in steps."""
        from app.window.profile_curves import ProfileCurves

        if self._plot is None or self._strand is None or self._range is None:
            raise ValueError("there is no strand to draw")
        strand, whole = self._strand, self._range
        x, y = self._plot.view.viewRange()
        copy = ProfileCurves()
        yield
        yield from copy.furnish()
        copy.dress(LIGHT, self.font(), painter.device().devicePixelRatioF())
        self._draw_in(copy, strand)
        copy.set_whole(*whole)
        copy.view.setRange(xRange=x, yRange=y, padding=0.0)
        yield
        yield from copy.paint_on(painter, area)
