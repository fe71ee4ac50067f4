"""The drift chart: every reading of a bobbin with its interval, the band, and the running mean.

Thicker is up, in WPI as in mm: heights go by the logarithm of the diameter, so that a tenth more
is as far everywhere, and labels say the unit that was chosen. The plot itself is loaded with the
first reading that there is to show (`app.window.plots` says why).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent, QPainter
from PySide6.QtWidgets import QWidget

from app.notebook.records import LoggedReading
from app.window.chart_frame import place_beside
from app.window.chart_panel import ChartPanel
from app.window.drift_points import Along, Points, arrange, details, edge_words, summary
from app.window.later import paint_soon
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme
from measure.band import Band

if TYPE_CHECKING:
    from app.window.drift_plot import DriftPlot
    from measure.drift import Drift

_EMPTY: Final = "No readings on this bobbin yet. Hold a strand to the card, or press Space."
_NO_GRAMS: Final = "No reading here says how much fibre was spun by then."
_LEGEND_FROM_LINES: Final = 15
"""A chart that is not as high as so many lines of words has no room for its legend."""
_FEWEST_ACROSS: Final = 8
"""Numbers shown across at least, so that the second reading does not halve the chart."""


class DriftChart(ChartPanel["DriftPlot"]):
    """Readings of one bobbin. Click one, or walk to it and press Enter, to have it chosen.

    Arrow keys, Home and End walk; plus and minus zoom, with Ctrl the thickness; 0 or a double
    click shows all; the wheel zooms where the pointer is, dragging moves along.
    """

    chosen = Signal(str)
    """Id of a reading."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__("Drift chart", _EMPTY, parent)
        self._readings: list[LoggedReading] = []
        self._along: Along = "number"
        self._trend: Drift | None = None
        self._points = Points()
        self._pointed: int | None = None
        self._marked = ""
        self._head.setTextFormat(Qt.TextFormat.RichText)
        self._write_legend()

    # --- what is shown

    def set_readings(self, readings: Sequence[LoggedReading]) -> None:
        """Show these, in the order they were taken; the trend goes until it is set again."""
        self._readings = list(readings)
        self._trend = None
        self._marked = ""
        self._point(None)
        if self._plot is not None:
            self._plot.is_zoomed = False
        self._draw()

    def add(self, reading: LoggedReading) -> None:
        """Show one more: the newest, or one that is put back, which goes where it was."""
        at = len(self._readings)
        while at and self._readings[at - 1].number > reading.number:
            at -= 1
        if at < len(self._readings):
            self._trend = None
        self._readings.insert(at, reading)
        self._point(None)
        self._draw()

    def remove(self, reading_id: str) -> None:
        """Show one less; an id that is not there changes nothing."""
        kept = [r for r in self._readings if r.id != reading_id]
        if len(kept) == len(self._readings):
            return
        self._readings, self._trend = kept, None
        self._point(None)
        self._draw()

    def set_band(self, band: Band | None) -> None:
        """Shade this band and tell readings in it from those beyond."""
        if band != self._band:
            self._band = band
            self._draw()

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Label thickness in WPI, turns `wrap_factor` diameters apart, or in mm."""
        self._unit, self._wrap = unit, wrap_factor
        self._draw()

    def set_x(self, along: Along) -> None:
        """Lay readings out by their number, by time spun, or by grams of fibre spun."""
        if along != self._along:
            self._along = along
            self._point(None)
            if self._plot is not None:
                self._plot.is_zoomed = False
            self._draw()

    def set_trend(self, trend: Drift | None) -> None:
        """Draw the running mean, its centre and its limits: one entry for each reading shown."""
        self._trend = trend
        self._draw_trend()
        self._write_legend()

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        super().set_theme(theme)
        self._write_legend()

    def mark(self, reading_id: str | None) -> None:
        """Frame the reading that is shown elsewhere, or none."""
        self._marked = reading_id or ""
        if self._plot is not None:
            self._plot.mark(self._entry_of(self._marked))

    @property
    def points(self) -> Points:
        """What is plotted."""
        return self._points

    def summary(self) -> str:
        """All of it in words, as the file that is exported says under it."""
        return summary(self._points, self._unit, self._wrap)

    # --- drawing

    def _make_plot(self) -> DriftPlot:
        from app.window.drift_plot import DriftPlot

        return DriftPlot()

    def _hang(self, plot: DriftPlot) -> None:
        super()._hang(plot)
        plot.installEventFilter(self)
        plot.scene().sigMouseClicked.connect(self._clicked)
        plot.view.sigRangeChanged.connect(lambda *_: self._point(None))

    def _draw(self) -> None:
        self._points = points = arrange(self._readings, self._along, self._band)
        if len(points.x):
            plot = self._ready_plot()
            paint_soon(plot)
            plot.set_unit(self._unit, self._wrap)
            plot.draw_points(points)
            self._draw_band(plot, self._band)
            self._draw_trend()
            self._fit(plot, points, self._band)
            plot.mark(self._entry_of(self._marked))
            self._stack.setCurrentWidget(plot)
            plot.setAccessibleDescription(self.summary())
        else:
            self._empty.setText(_NO_GRAMS if self._readings else _EMPTY)
            self._stack.setCurrentWidget(self._empty)
        some = self._along == "grams" and len(points.x) > 0 and points.left_out > 0
        if some:
            n = points.left_out
            self._foot.setText(
                f"{n} reading{'s' if n > 1 else ''} without a weight of fibre "
                f"{'are' if n > 1 else 'is'} not shown."
            )
        self._foot.setVisible(some)
        self._write_legend()

    def _draw_band(self, plot: DriftPlot, band: Band | None) -> None:
        if band is None:
            plot.show_band(None)
            return
        ends = edge_words(band, self._unit, self._wrap)
        plot.show_band((float(np.log(band.low_mm)), float(np.log(band.high_mm))), ends)

    def _draw_trend(self) -> None:
        if self._plot is None:
            return
        paint_soon(self._plot)
        self._plot.draw_trend(self._trend)

    def _fit(self, plot: DriftPlot, points: Points, band: Band | None) -> None:
        """Let all readings with their intervals be in view, and the band."""
        low, high = float(points.low.min()), float(points.high.max())
        if band is not None:
            low, high = min(low, np.log(band.low_mm)), max(high, np.log(band.high_mm))
        room = max(0.06 * (high - low), 0.01)
        first, last = float(points.x.min()), float(points.x.max())
        if self._along == "number":
            across = (first - 0.7, max(last, first + _FEWEST_ACROSS) + 0.7)
        else:
            side = max(0.02 * (last - first), 0.5)
            across = (first - side, last + side)
        plot.set_whole(across, (low - room, high + room))

    def _write_legend(self) -> None:
        theme = self._theme
        signs = []
        if self._band is not None:
            signs += [
                f'<span style="color:{theme.in_band}">●</span> in the band',
                f'<span style="color:{theme.thicker}">▲</span> thicker',
                f'<span style="color:{theme.thinner}">▼</span> thinner',
                "hollow: its interval crosses an edge",
            ]
        if self._trend is not None:
            signs.append(
                f'<span style="color:{theme.accent}"><b>—</b></span> running mean, '
                "dashed: its limits"
            )
        self._head.setText("&nbsp;&nbsp; ".join(signs))
        self._show_legend()

    def _show_legend(self) -> None:
        room = self.height() >= _LEGEND_FROM_LINES * self.fontMetrics().height()
        self._head.setVisible(room and bool(self._head.text()) and len(self._points.x) > 0)

    # --- pointing and choosing

    def _entry_of(self, reading_id: str) -> int | None:
        for entry, reading in enumerate(self._points.readings):
            if reading.id == reading_id:
                return entry
        return None

    def _point(self, entry: int | None) -> None:
        """Ring a point and say what it is, or stop doing so."""
        self._pointed = entry
        plot = self._plot
        if plot is None:
            return
        plot.point_at(entry)
        if entry is None:
            self._details.hide()
            return
        words = details(self._points, entry, self._unit, self._wrap)
        at = plot.mapTo(self, plot.place_of(entry).toPoint())
        place_beside(self._details, words, at, self.rect())
        plot.setAccessibleDescription(words)

    def _choose(self, entry: int) -> None:
        reading_id = self._points.readings[entry].id
        self.mark(reading_id)
        self.chosen.emit(reading_id)

    def _clicked(self, event: object) -> None:
        plot = self._plot
        if plot is None or event.button() != Qt.MouseButton.LeftButton:  # type: ignore[attr-defined]
            return
        entry = plot.nearest(plot.mapFromScene(event.scenePos()).toPointF())  # type: ignore[attr-defined]
        if entry is not None:
            self._choose(entry)

    def eventFilter(self, watched: object, event: QEvent) -> bool:
        """Hovering, leaving and the keys that walk the points."""
        plot = self._plot
        if plot is None:
            return False
        kind = event.type()
        if kind == QEvent.Type.MouseMove and watched is plot.viewport():
            entry = plot.nearest(QPointF(event.position()))  # type: ignore[attr-defined]
            if entry != self._pointed:
                self._point(entry)
        elif (kind, watched) in (
            (QEvent.Type.Leave, plot.viewport()),
            (QEvent.Type.FocusOut, plot),
        ):
            self._point(None)
        elif kind == QEvent.Type.KeyPress and watched is plot:
            return self._walk(event)  # type: ignore[arg-type]
        return False

    def _walk(self, event: QKeyEvent) -> bool:
        last = len(self._points.x) - 1
        at = self._pointed
        if at is None:
            at = self._entry_of(self._marked)
        key = event.key()
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            # From nowhere both go to the newest: that is what is asked about most.
            step = 1 if key == Qt.Key.Key_Right else -1
            to = last if at is None else min(max(at + step, 0), last)
        elif key == Qt.Key.Key_Home:
            to = 0
        elif key == Qt.Key.Key_End:
            to = last
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self._pointed is not None:
            self._choose(self._pointed)
            return True
        elif key == Qt.Key.Key_Escape and self._pointed is not None:
            self._point(None)
            return True
        else:
            return False
        if self._plot is not None:
            self._plot.bring_into_view(to)
        self._point(to)
        return True

    # --- the widget

    def sizeHint(self) -> QSize:
        """Wide and rather low."""
        line = self.fontMetrics().height()
        return QSize(40 * line, 18 * line)

    def resizeEvent(self, event: object) -> None:
        """Make room by leaving the legend out."""
        self._point(None)
        self._show_legend()

    def paint_on(self, painter: QPainter, area: QRectF) -> Iterator[None]:
        """Draw the chart as it is zoomed now, light and without pointer, into part of a sheet.

        In steps of some milliseconds, between which it may be given other readings.
        """
        from app.window.drift_plot import DriftPlot

        if self._plot is None or not len(self._points.x):
            raise ValueError("there are no readings to draw")
        points, trend, band = self._points, self._trend, self._band
        x, y = self._plot.view.viewRange()
        copy = DriftPlot()
        yield
        yield from copy.furnish()
        copy.dress(LIGHT, self.font(), painter.device().devicePixelRatioF())
        copy.set_unit(self._unit, self._wrap)
        copy.draw_points(points)
        self._draw_band(copy, band)
        copy.draw_trend(trend)
        self._fit(copy, points, band)
        copy.view.setRange(xRange=x, yRange=y, padding=0.0)
        yield
        yield from copy.paint_on(painter, area)
