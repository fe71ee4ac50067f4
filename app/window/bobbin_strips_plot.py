"""The drawing inside the bobbins' strips: each bobbin's readings in order, and how they spread."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFont, QPainter

from app.window.plot_axes import PlainAxis
from app.window.plot_pens import inked
from app.window.plots import ThicknessPlot
from app.window.theme import Theme
from measure.results import Floats

_READINGS: Final = (0.08, 0.70)
"""Where a bobbin's readings lie across its strip, of a width of 1: the first spun at the left."""
_BOX: Final = (0.77, 0.85)
_MEAN_AT: Final = 0.91
_POINT_PX: Final = 6.0
_MOST_POINTS: Final = 400
"""Of more readings than this every so many is drawn; the box is of all."""
_LEAST_HEIGHT: Final = 0.16


@dataclass(frozen=True)
class Strip:
    """One bobbin to draw; heights are natural logarithms of diameters in mm."""

    name: str
    readings: Floats
    """In the order taken, (n,)."""
    drift: Floats
    """The drift in them, at evenly spaced places along the bobbin, (m,)."""
    mean: float | None
    mean_ends: tuple[float, float] | None
    """Ends of the mean's 95 % interval."""


class NamesAxis(PlainAxis):
    """The bobbins' names, each under its strip, cut to what fits."""

    def __init__(self) -> None:
        super().__init__("bottom")
        self._names: list[str] = []

    def set_names(self, names: list[str]) -> None:
        """One name for each strip, from the left."""
        self._names = names
        self.picture = None
        self.update()

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[Any]:
        """The middles of the strips."""
        middles = [k + 0.5 for k in range(len(self._names)) if minVal <= k + 0.5 <= maxVal]
        self._room = size / max(maxVal - minVal, 1e-9)
        return [(1.0, middles)]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """The names."""
        width = max(self._room - self.metrics.averageCharWidth(), 1.0)
        elide = Qt.TextElideMode.ElideMiddle
        return [self.metrics.elidedText(self._names[int(v)], elide, width) for v in values]


class Boxes(pg.GraphicsObject):  # type: ignore[misc]
    """Boxes from quartile to quartile, whiskers from the 5th to the 95th of a hundred readings."""

    def __init__(self) -> None:
        super().__init__()
        self._boxes: list[tuple[float, Floats]] = []
        self.line = pg.mkPen("k")
        self.fill = pg.mkBrush("k")

    def set_boxes(self, boxes: list[tuple[float, Floats]]) -> None:
        """(left edge of the strip, heights at 5, 25, 50, 75 and 95 %) of each."""
        self.prepareGeometryChange()
        self._boxes = boxes
        self.update()

    def boundingRect(self) -> QRectF:
        """All of them."""
        if not self._boxes:
            return QRectF()
        low = min(float(q[0]) for _, q in self._boxes)
        high = max(float(q[-1]) for _, q in self._boxes)
        first, last = self._boxes[0][0], self._boxes[-1][0] + 1
        return QRectF(first, low, last - first, max(high - low, 1e-9))

    def paint(self, painter: QPainter, *_: Any) -> None:
        """Draw them."""
        painter.setPen(self.line)
        for x, (lowest, low, middle, high, highest) in self._boxes:
            left, right = x + _BOX[0], x + _BOX[1]
            centre = (left + right) / 2
            painter.setBrush(self.fill)
            painter.drawRect(QRectF(left, low, right - left, high - low))
            for a, b in (((centre, lowest), (centre, low)), ((centre, high), (centre, highest))):
                painter.drawLine(pg.Point(*a), pg.Point(*b))
            painter.drawLine(pg.Point(left, middle), pg.Point(right, middle))


class StripsPlot(ThicknessPlot):
    """Bobbins side by side on one scale of thickness."""

    def __init__(self) -> None:
        self.names = NamesAxis()
        super().__init__(self.names)
        self._strips: Sequence[Strip] = ()

    def furnish(self) -> Iterator[None]:
        """All kinds of signs."""
        yield from super().furnish()
        self.points = pg.ScatterPlotItem(size=_POINT_PX, pxMode=True)
        self.drift = pg.PlotCurveItem(connect="finite")
        self.means = pg.PlotCurveItem(connect="finite")
        self.middles = pg.ScatterPlotItem(size=_POINT_PX * 1.3, pxMode=True, symbol="d")
        self.boxes = Boxes()
        for item in (self.points, self.drift, self.boxes, self.means, self.middles):
            self.addItem(item)
            yield

    def dress(self, theme: Theme, font: QFont, ratio: float | None = None) -> None:
        """Take on theme and font."""
        super().dress(theme, font, ratio)
        self.points.setPen(None)
        self.points.setBrush(inked(theme.ink, 0.45))
        self.drift.setPen(self.stroke(theme.accent, 2.0))
        self.means.setPen(self.stroke(theme.ink, 2.0))
        self.middles.setPen(self.stroke(theme.panel, 1.0))
        self.middles.setBrush(inked(theme.ink))
        self.boxes.line = self.stroke(theme.quiet_ink, 1.5)
        self.boxes.fill = pg.mkBrush(inked(theme.quiet_ink, 0.18))
        self.boxes.update()

    def set_strips(self, strips: Sequence[Strip], band: tuple[float, float] | None) -> None:
        """Draw these; `band` is in heights and only widens what is shown.

        So do the means' intervals, by as much again at most: that of a few readings can be wider
        than everything else.
        """
        self._strips = strips
        self.names.set_names([strip.name for strip in strips])
        x, y, drift_x, drift_y = ([np.empty(0)] for _ in range(4))
        boxes, mean_x, mean_y, middles = [], [], [], []
        for k, strip in enumerate(strips):
            n = len(strip.readings)
            if n == 0:
                continue
            across, along = (_across(k, m) for m in (n, len(strip.drift)))
            every = -(-n // _MOST_POINTS)
            x.append(across[::every])
            y.append(strip.readings[::every])
            drift_x += [along, np.array([np.nan])]
            drift_y += [strip.drift, np.array([np.nan])]
            if n >= 2:
                boxes.append((float(k), np.quantile(strip.readings, (0.05, 0.25, 0.5, 0.75, 0.95))))
            if strip.mean is not None and strip.mean_ends is not None:
                mean_x += [k + _MEAN_AT, k + _MEAN_AT, np.nan]
                mean_y += [*strip.mean_ends, np.nan]
                middles.append((k + _MEAN_AT, strip.mean))
        self.points.setData(np.concatenate(x), np.concatenate(y))
        self.drift.setData(np.concatenate(drift_x), np.concatenate(drift_y))
        self.means.setData(np.array(mean_x), np.array(mean_y))
        self.middles.setData(pos=np.array(middles).reshape(-1, 2))
        self.boxes.set_boxes(boxes)
        seen = [np.concatenate(y), *([np.array(band)] if band else [])]
        heights = np.concatenate(seen) if len(strips) else np.zeros(1)
        low, high = (float(heights.min()), float(heights.max())) if len(heights) else (0.0, 0.0)
        ends = [end for strip in strips if strip.mean_ends for end in strip.mean_ends]
        most = max(high - low, _LEAST_HEIGHT)
        low = max(min([low, *ends]), low - most)
        high = min(max([high, *ends]), high + most)
        room = max(0.06 * (high - low), (_LEAST_HEIGHT - (high - low)) / 2)
        self.set_whole((0.0, float(max(len(strips), 1))), (low - room, high + room))


def _across(strip: int, n: int) -> Floats:
    """Places of n values side by side in a strip, (n,)."""
    left, right = _READINGS
    places: Floats = strip + left + (right - left) * (np.arange(n) + 0.5) / max(n, 1)
    return places
