"""Bobbins side by side: readings in the order spun, how they spread, and the mean of each.

Discs: readings, the first spun at the left of its strip; line: the drift in them, freed of their
scatter; box: the middle half of the readings, with lines to the 5th and the 95th of a hundred;
diamond: the mean, with its 95 % interval. Thicker is up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from PySide6.QtCore import QEvent, QSize, Qt
from PySide6.QtWidgets import QLabel, QSizePolicy, QStackedLayout, QVBoxLayout, QWidget

from app.window.chart_frame import Ringed
from app.window.drift_points import edge_words
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme
from measure.band import Band
from measure.results import Floats

if TYPE_CHECKING:
    from app.compare import BobbinFigures
    from app.window.bobbin_strips_plot import StripsPlot

KEY: Final = (
    "Discs: readings, first spun at the left. Line: the drift in them. Box: the middle half, with "
    "lines to 5 and 95 %. Diamond: the mean and its 95 % interval."
)


class BobbinStrips(QWidget):
    """The strips. Wheel, drag, plus, minus and 0 zoom as in the drift chart."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._figures: Sequence[BobbinFigures] = ()
        self._drifts_mm: Mapping[str, Floats] = {}
        self._band: Band | None = None
        self._unit: Unit = "wpi"
        self._wrap = 1.0
        self._theme: Theme = LIGHT
        self._plot: StripsPlot | None = None
        self._frame = Ringed()
        self._empty = QLabel()
        self._empty.setObjectName("quiet")
        self._empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._empty.setTextFormat(Qt.TextFormat.PlainText)
        self._empty.setWordWrap(True)
        self._empty.setMargin(16)
        self._stack = QStackedLayout()
        self._stack.addWidget(self._empty)
        inside = QVBoxLayout(self._frame)
        inside.setContentsMargins(5, 5, 5, 5)
        inside.addLayout(self._stack)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._frame)
        self.setAccessibleName("Readings of each bobbin")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.set_theme(LIGHT)

    def set_bobbins(
        self,
        figures: Sequence[BobbinFigures],
        drifts_mm: Mapping[str, Floats],
        band: Band | None = None,
    ) -> None:
        """Show these bobbins, each one's drift by its name, and the band they were spun for."""
        self._figures, self._drifts_mm, self._band = figures, drifts_mm, band
        self._draw()

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Label thickness in WPI, turns `wrap_factor` diameters apart, or in mm."""
        self._unit, self._wrap = unit, wrap_factor
        self._draw()

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._theme = theme
        self._frame.dress(theme)
        if self._plot is not None:
            self._plot.dress(theme, self.font())

    def set_empty_text(self, text: str) -> None:
        """What is said while there is no reading to show."""
        self._empty.setText(text)

    @property
    def plot(self) -> StripsPlot | None:
        """The plot, once there was something to show."""
        return self._plot

    def minimumSizeHint(self) -> QSize:
        """Room for the scale and a few strips."""
        line = self.fontMetrics().height()
        return QSize(16 * line, 9 * line)

    def changeEvent(self, event: QEvent) -> None:
        """Follow the window's font."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.FontChange and self._plot is not None:
            self._plot.dress(self._theme, self.font())

    def _draw(self) -> None:
        shown = [f for f in self._figures if f.bobbin.points]
        self.setAccessibleDescription(
            " ".join(f"{f.bobbin.name}: {f.drift.sentence}." for f in shown)
        )
        if not shown:
            self._stack.setCurrentWidget(self._empty)
            return
        from app.window.bobbin_strips_plot import Strip

        plot = self._made_plot()
        band = self._band
        ends = (math.log(band.low_mm), math.log(band.high_mm)) if band else None
        plot.set_unit(self._unit, self._wrap)
        words = edge_words(band, self._unit, self._wrap) if band else ("", "")
        plot.show_band(ends, words)
        strips = []
        for figures in shown:
            found = figures.precision
            low, high = found.mean_interval_mm if found else (0.0, 0.0)
            strips.append(
                Strip(
                    name=figures.bobbin.name,
                    readings=np.log([p.diameter_mm for p in figures.bobbin.points]),
                    drift=np.log(self._drifts_mm.get(figures.bobbin.name, np.empty(0))),
                    mean=math.log(found.mean_mm) if found else None,
                    mean_ends=(math.log(low), math.log(high)) if found else None,
                )
            )
        plot.set_strips(strips, ends)
        self._stack.setCurrentWidget(plot)

    def _made_plot(self) -> StripsPlot:
        if self._plot is None:
            from app.window.bobbin_strips_plot import StripsPlot

            self._plot = StripsPlot()
            self._plot.setAccessibleName("Strips of readings, one a bobbin")
            self._plot.setToolTip(KEY)
            self._plot.dress(self._theme, self.font())
            self._stack.addWidget(self._plot)
            self._frame.watch(self._plot)
        return self._plot
