"""The drawing inside the forecast: two ways to ply, from the first of the yarn to its last.

A line for the mean along the yarn, whole for plying together and dashed for chain plying, each in
the shade of what 95 % of its sections lie between.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QSize
from PySide6.QtGui import QFont

from app.window.plot_axes import PlainAxis
from app.window.plot_pens import inked
from app.window.plots import ThicknessPlot
from app.window.theme import Theme
from measure.results import Floats

_BINS: Final = 40
_FEWEST: Final = 8
"""Sections that a bin's shade needs at least."""
_LEAST_HEIGHT: Final = 0.16


class ForecastPlot(ThicknessPlot):
    """Thickness of the forecast yarn along it, in two ways."""

    def __init__(self) -> None:
        bottom = PlainAxis("bottom")
        super().__init__(bottom)
        bottom.setLabel("along the yarn, %")

    def furnish(self) -> Iterator[None]:
        """The lines and the shade of each way."""
        yield from super().furnish()
        self._curves: list[tuple[pg.PlotCurveItem, pg.PlotCurveItem, pg.PlotCurveItem]] = []
        self._shades: list[pg.FillBetweenItem] = []
        for _ in range(2):
            low, mean, high = (pg.PlotCurveItem() for _ in range(3))
            shade = pg.FillBetweenItem(low, high)
            for item in (shade, low, high, mean):
                self.addItem(item)
            self._curves.append((low, mean, high))
            self._shades.append(shade)
            yield

    def dress(self, theme: Theme, font: QFont, ratio: float | None = None) -> None:
        """Take on theme and font."""
        super().dress(theme, font, ratio)
        for (low, mean, high), shade, colour, dashes in zip(
            self._curves, self._shades, (theme.accent, theme.thicker), ((), (5, 3)), strict=True
        ):
            edge = self.stroke(colour, 1.0, 0.5)
            low.setPen(edge)
            high.setPen(edge)
            mean.setPen(self.stroke(colour, 2.5, dashes=dashes))
            shade.setBrush(inked(colour, 0.14))

    def sizeHint(self) -> QSize:
        """No larger than it must be: what stands around it says how large that is."""
        return QSize(10, 10)

    def show_ways(self, plied_mm: Floats, chained_mm: Floats | None) -> None:
        """Sections in order from the first of the yarn: plied together, and chain-plied."""
        ends = []
        for curves, shade, sections in zip(
            self._curves, self._shades, (plied_mm, chained_mm), strict=True
        ):
            seen = sections is not None
            shade.setVisible(seen)
            for curve in curves:
                curve.setVisible(seen)
            if sections is None:
                continue
            at, drawn = _along(sections)
            for curve, heights in zip(curves, drawn, strict=True):
                curve.setData(at, heights)
            ends += [float(drawn.min()), float(drawn.max())]
        low, high = min(ends), max(ends)
        room = max(0.06 * (high - low), (_LEAST_HEIGHT - (high - low)) / 2)
        self.set_whole((0.0, 100.0), (low - room, high + room))


def _along(sections_mm: Floats) -> tuple[Floats, Floats]:
    """Places in per cent (n,), and heights of the 2.5 %, the mean and the 97.5 % there (3, n)."""
    bins = min(max(len(sections_mm) // _FEWEST, 2), _BINS)
    parts = np.array_split(np.log(sections_mm), bins)
    heights = np.array(
        [
            (np.quantile(p, 0.025), math.log(float(np.exp(p).mean())), np.quantile(p, 0.975))
            for p in parts
            if len(p)
        ]
    ).T
    return 100 * (np.arange(heights.shape[1]) + 0.5) / heights.shape[1], heights
