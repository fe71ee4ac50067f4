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
from PySide6.QtCore import QSize
from PySide6.QtWidgets import QWidget

from app.window.chart_panel import ChartPanel
from app.window.drift_points import edge_words
from app.window.preferences import Unit
from measure.band import Band
from measure.results import Floats

if TYPE_CHECKING:
    from app.compare import BobbinFigures
    from app.window.bobbin_strips_plot import StripsPlot

KEY: Final = (
    "Discs: readings, first spun at the left. Line: the drift in them. Box: the middle half, with "
    "lines to 5 and 95 %. Diamond: the mean and its 95 % interval."
)


class BobbinStrips(ChartPanel["StripsPlot"]):
    """The strips. Wheel, drag, plus, minus and 0 zoom as in the drift chart."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__("Readings of each bobbin", "", parent)
        self._figures: Sequence[BobbinFigures] = ()
        self._drifts_mm: Mapping[str, Floats] = {}
        self._head.hide()

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

    def set_empty_text(self, text: str) -> None:
        """What is said while there is no reading to show."""
        self._empty.setText(text)

    def minimumSizeHint(self) -> QSize:
        """Room for the scale and a few strips."""
        line = self.fontMetrics().height()
        return QSize(16 * line, 9 * line)

    def _draw(self) -> None:
        shown = [f for f in self._figures if f.bobbin.points]
        self.setAccessibleDescription(
            " ".join(f"{f.bobbin.name}: {f.drift.sentence}." for f in shown)
        )
        if not shown:
            self._stack.setCurrentWidget(self._empty)
            return
        from app.window.bobbin_strips_plot import Strip

        plot = self._ready_plot()
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

    def _make_plot(self) -> StripsPlot:
        from app.window.bobbin_strips_plot import StripsPlot

        return StripsPlot()

    def _hang(self, plot: StripsPlot) -> None:
        super()._hang(plot)
        plot.setAccessibleName("Strips of readings, one a bobbin")
        plot.setToolTip(KEY)
