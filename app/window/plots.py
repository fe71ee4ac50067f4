"""What the window's two plots have in common: a scale of thickness, calm zooming, theme and keys.

Only the plots import this module: pyqtgraph takes about half a second to load, and the window
opens without it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QKeyEvent, QPainter, QPen
from PySide6.QtWidgets import QFrame, QSizePolicy

from app.format import MM_PER_INCH
from app.window.preferences import Unit
from app.window.theme import Theme

Range = tuple[float, float]

_WHEEL_STEP: Final = 1.2
"""One notch of the wheel, or one press of a key, makes things this much larger."""
_LINES_APART: Final = 1.9
"""How far apart numbers stand on the axis, in lines of words."""
_LINES_APART_AT_LEAST: Final = 1.1
_WIDE: Final = 1.7
"""A scale that runs over more than this factor has finer steps at its smaller numbers."""
_SIDES: Final = {"top": (0, 1), "left": (1, 0), "right": (1, 2), "bottom": (2, 1)}
"""Row and column of each axis around the plot."""
_WIDEST: Final = 1.5
"""Zooming out ends at this many times what there is to see."""


def inked(colour: str, alpha: float = 1.0) -> QColor:
    """A theme's colour, let through by `alpha`."""
    ink = QColor(colour)
    ink.setAlphaF(alpha)
    return ink


def pen(colour: str, width: float = 1.0, alpha: float = 1.0, dashes: Sequence[float] = ()) -> QPen:
    """A pen of the theme's colour; `dashes` are lengths of strokes and gaps in widths."""
    made = QPen(inked(colour, alpha), width)
    if dashes:
        made.setDashPattern(dashes)
    return made


def round_step(rough: float) -> float:
    """The smallest of 1, 2, 5, 10, ... that is not below `rough`."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= rough * (1 - 1e-9))


def steps_between(low: float, high: float, step: float) -> list[float]:
    """Multiples of `step` from `low` to `high`."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def decimals_of(step: float) -> int:
    """Decimals that tell multiples of a round step apart."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


def unit_value(height: float, unit: Unit, wrap: float) -> float:
    """Thickness in the unit at a height, which is the logarithm of the diameter in mm."""
    diameter_mm = math.exp(height)
    return diameter_mm if unit == "mm" else MM_PER_INCH / (diameter_mm * wrap)


def height_of(value: float, unit: Unit, wrap: float) -> float:
    """The height where thickness has this value in the unit."""
    return math.log(value if unit == "mm" else MM_PER_INCH / (value * wrap))


class PlainAxis(pg.AxisItem):  # type: ignore[misc]
    """An axis whose words take the window's font and the theme's colours."""

    def __init__(self, orientation: str) -> None:
        super().__init__(orientation, maxTickLength=-4)
        self.enableAutoSIPrefix(False)
        self.metrics = QFontMetricsF(pg.mkQApp().font())

    def dress(self, theme: Theme, font: QFont) -> None:
        """Take on theme and font."""
        self.metrics = QFontMetricsF(font)
        self.setTickFont(font)
        self.label.setFont(font)
        self.setPen(pen(theme.line))
        self.setTickPen(pen(theme.line))
        self.setTextPen(theme.quiet_ink)
        self.picture = None
        self.update()


class ThicknessAxis(PlainAxis):
    """Thickness in the chosen unit; the plot's height is the logarithm of the diameter in mm."""

    def __init__(self, orientation: str) -> None:
        super().__init__(orientation)
        self.unit: Unit = "wpi"
        self.wrap = 1.0
        self._decimals = 0

    def set_unit(self, unit: Unit, wrap: float) -> None:
        """Label in this unit from now on."""
        if (unit, wrap) != (self.unit, self.wrap):
            self.unit, self.wrap = unit, wrap
            self._write_label()

    def _write_label(self) -> None:
        """The unit, and which way is thicker where there is room to say it."""
        name = "WPI" if self.unit == "wpi" else "mm"
        words = f"{name} (thicker is up)"
        if self.metrics.horizontalAdvance(words) > self.size().height():
            words = name
        if words != self.labelText:
            self.setLabel(words)
        self.picture = None
        self.update()

    def dress(self, theme: Theme, font: QFont) -> None:
        """Take on theme and font."""
        super().dress(theme, font)
        self._write_label()

    def resizeEvent(self, event: Any = None) -> None:
        """Say no more than there is room for."""
        if hasattr(self, "unit"):
            self._write_label()
        super().resizeEvent(event)

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[Any]:
        """Round numbers of the unit, far enough apart to be read."""
        if not maxVal > minVal:
            return []
        ends = [unit_value(h, self.unit, self.wrap) for h in (minVal, maxVal)]
        low, high = min(ends), max(ends)
        per_px = (maxVal - minVal) / max(size, 1.0)
        for lines in (_LINES_APART, _LINES_APART_AT_LEAST):
            values, step = _round_values(low, high, lines * self.metrics.height() * per_px)
            if len(values) > 2:
                break
        self._decimals = decimals_of(step)
        return [(step, [height_of(v, self.unit, self.wrap) for v in values])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """The numbers as text, all with the same decimals."""
        return [f"{unit_value(v, self.unit, self.wrap):.{self._decimals}f}" for v in values]


def _round_values(low: float, high: float, apart: float) -> tuple[list[float], float]:
    """Round numbers between two ends whose logarithms are `apart` or more, and their step."""
    # They crowd at the larger numbers.
    step = round_step(max(high * -math.expm1(-apart), high * 1e-6))
    values = [v for v in steps_between(low, high, step) if v > 0]
    if high > _WIDE * low:
        return _thinning_steps(low, values[-1] if values else high, apart)
    return values, step


def _thinning_steps(low: float, high: float, apart: float) -> tuple[list[float], float]:
    """Round numbers from `high` down, in smaller steps further down, and the smallest step."""
    values, step = [high], high
    while True:
        step = round_step(values[-1] * -math.expm1(-apart))
        following = math.floor((values[-1] - step) / step + 1e-9) * step
        if following < low or following <= 0:
            return values, step
        values.append(following)


class EdgeAxis(PlainAxis):
    """At the right: the two edges of the band, in words and figures."""

    def __init__(self) -> None:
        super().__init__("right")
        self._edges: list[tuple[float, str]] = []

    def set_edges(self, edges: list[tuple[float, str]]) -> None:
        """(height, words) of each edge, the thin one first; none without a band."""
        if edges != self._edges:
            self._edges = edges
            self._make_room()

    def _make_room(self) -> None:
        widest = max((self.metrics.horizontalAdvance(w) for _, w in self._edges), default=0.0)
        self.setWidth(widest + self.metrics.height() if self._edges else self.metrics.height())
        self.picture = None
        self.update()

    def dress(self, theme: Theme, font: QFont) -> None:
        """Take on theme and font; the words have the band's colour."""
        super().dress(theme, font)
        self.setTextPen(theme.in_band)
        self._make_room()

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[Any]:
        """The edges, or the thin one alone where both would be written on one another."""
        heights = [h for h, _ in self._edges]
        if len(heights) == 2:
            apart = (heights[1] - heights[0]) / max(maxVal - minVal, 1e-9) * size
            if apart < self.metrics.height() * 0.9:
                heights = heights[:1]
        return [(1.0, heights)]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """The words of each edge."""
        words = dict(self._edges)
        return [words[v] for v in values]


class CalmView(pg.ViewBox):  # type: ignore[misc]
    """A plot area whose wheel zooms along the bottom axis; with Ctrl held, the thickness."""

    def __init__(self) -> None:
        super().__init__(enableMenu=False, defaultPadding=0.0)
        self.disableAutoRange()

    def wheelEvent(self, event: Any, axis: int | None = None) -> None:
        """Zoom about the pointer."""
        if axis is None:
            axis = 1 if event.modifiers() & Qt.KeyboardModifier.ControlModifier else 0
        factor = _WHEEL_STEP ** (-event.delta() / 120)
        centre = self.mapToView(event.pos())
        self.zoom(factor, axis, centre)
        event.accept()

    def zoom(self, factor: float, axis: int, centre: QPointF | None = None) -> None:
        """Show `factor` times as much along an axis, 0 across or 1 up, about a place."""
        scale: list[float | None] = [None, None]
        scale[axis] = factor
        self.scaleBy(scale, center=centre)
        mask = [axis == 0, axis == 1]
        self.sigRangeChangedManually.emit(mask)


class ThicknessPlot(pg.GraphicsView):  # type: ignore[misc]
    """A plot with thickness upwards, which is zoomed by wheel, drag and keys, and reset by any."""

    zoomed = Signal(bool)
    """True once a person zoomed or moved it; False when it shows all again."""

    def __init__(self, bottom: PlainAxis, top: PlainAxis | None = None) -> None:
        self.view = CalmView()
        self.left = ThicknessAxis("left")
        self.right = EdgeAxis()
        self.bottom = bottom
        self.axes: dict[str, PlainAxis] = {
            "left": self.left, "right": self.right, "bottom": bottom
        }  # fmt: skip
        if top is not None:
            self.axes["top"] = top
        super().__init__()
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self._lay_out()
        self.band_zone = pg.LinearRegionItem(orientation="horizontal", movable=False)
        self.band_zone.setZValue(-20)
        self.band_zone.hide()
        self.addItem(self.band_zone)
        self._whole: tuple[Range, Range] = ((0.0, 1.0), (-0.1, 0.1))
        self._dressed: tuple[Theme, QFont] | None = None
        self._ratio = 1.0
        self.is_zoomed = False
        self.view.sigRangeChangedManually.connect(lambda _: self._set_zoomed(True))

    def _lay_out(self) -> None:
        """The plot area and its axes around it; pyqtgraph's own way makes menus for it as well."""
        grid = self.centralLayout
        grid.setContentsMargins(1, 1, 1, 1)
        grid.setSpacing(0)
        grid.addItem(self.view, 1, 1)
        grid.setRowStretchFactor(1, 100)
        grid.setColumnStretchFactor(1, 100)
        for name, axis in self.axes.items():
            axis.linkToView(self.view)
            grid.addItem(axis, *_SIDES[name])

    def addItem(self, item: Any) -> None:
        """Draw this in the plot area."""
        self.view.addItem(item)

    def furnish(self) -> Iterator[None]:
        """Add what is drawn in it; to be run to its end before anything else, in steps or at once.

        A plot takes some hundredths of a second to make, which is longer than a window may stand
        still.
        """
        raise NotImplementedError

    def _set_zoomed(self, zoomed: bool) -> None:
        if zoomed != self.is_zoomed:
            self.is_zoomed = zoomed
            self.zoomed.emit(zoomed)

    def dress(self, theme: Theme, font: QFont, ratio: float | None = None) -> None:
        """Take on theme and font, for a device of `ratio` of its own pixels to one of ours."""
        self._dressed = (theme, font)
        self._ratio = self.devicePixelRatioF() if ratio is None else ratio
        self.setBackground(theme.panel)
        for axis in self.axes.values():
            axis.dress(theme, font)
            axis.setZValue(-30)
        self.left.setGrid(110)
        self.band_zone.setBrush(inked(theme.in_band, 0.13))
        for line in self.band_zone.lines:
            line.setPen(self.stroke(theme.in_band, 1.0, 0.7))

    def stroke(
        self, colour: str, width: float = 1.0, alpha: float = 1.0, dashes: Sequence[float] = ()
    ) -> QPen:
        """A pen that stays as wide at any zoom; Qt counts such widths in the device's pixels."""
        made = pen(colour, width * self._ratio, alpha, dashes)
        made.setCosmetic(True)
        return made

    def event(self, event: QEvent) -> bool:
        """Follow the window to a screen with finer pixels."""
        if event.type() == QEvent.Type.DevicePixelRatioChange and self._dressed is not None:
            self.dress(*self._dressed)
        return bool(super().event(event))

    def set_unit(self, unit: Unit, wrap: float) -> None:
        """Label thickness in this unit."""
        self.left.set_unit(unit, wrap)

    def show_band(self, ends: Range | None, words: tuple[str, str] = ("", "")) -> None:
        """Shade between two heights and name the edges at the right: the thin one, the thick."""
        self.band_zone.setVisible(ends is not None)
        if ends is not None:
            self.band_zone.setRegion(ends)
        self.right.set_edges([] if ends is None else list(zip(ends, words, strict=True)))

    def set_whole(self, x: Range, y: Range) -> None:
        """What there is to see; it is shown, unless a person zoomed into something."""
        self._whole = (x, y)
        for axis, (low, high) in zip("xy", (x, y), strict=True):
            room = (_WIDEST - 1.0) / 2 * (high - low)
            self.view.setLimits(
                **{
                    f"{axis}Min": low - room,
                    f"{axis}Max": high + room,
                    f"max{axis.upper()}Range": (high - low) * _WIDEST,
                }
            )
        if not self.is_zoomed:
            self.show_all()

    def show_all(self) -> None:
        """All there is to see."""
        x, y = self._whole
        # Axes draw themselves anew with every range that they are given, the same one included.
        if self.view.viewRange() != [list(x), list(y)]:
            self.view.setRange(xRange=x, yRange=y, padding=0.0)
        self._set_zoomed(False)

    def px_of(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points of the plot are in the widget, in its pixels, (n, 2)."""
        area = self.view.sceneBoundingRect()
        (x0, x1), (y0, y1) = self.view.viewRange()
        across = area.left() + (x - x0) / (x1 - x0) * area.width()
        down = area.bottom() - (y - y0) / (y1 - y0) * area.height()
        return np.column_stack([across, down])

    def wheelEvent(self, event: Any) -> None:
        """Zoom, and never scroll what the plot stands in."""
        super().wheelEvent(event)
        event.accept()

    def mouseDoubleClickEvent(self, event: Any) -> None:
        """Show all."""
        super().mouseDoubleClickEvent(event)
        if event.button() == Qt.MouseButton.LeftButton:
            self.show_all()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Plus and minus zoom (with Ctrl the thickness), page keys move along, 0 shows all."""
        key = event.key()
        axis = 1 if event.modifiers() & Qt.KeyboardModifier.ControlModifier else 0
        if key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.view.zoom(1 / _WHEEL_STEP**2, axis)
        elif key == Qt.Key.Key_Minus:
            self.view.zoom(_WHEEL_STEP**2, axis)
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown):
            low, high = self.view.viewRange()[0]
            side = 1 if key == Qt.Key.Key_PageDown else -1
            self.view.translateBy(x=side * 0.8 * (high - low))
            self._set_zoomed(True)
        elif key == Qt.Key.Key_0:
            self.show_all()
        else:
            # Space, Z and the letters belong to the window.
            event.ignore()
            return
        event.accept()

    # --- on paper

    def paint_on(self, painter: QPainter, area: QRectF) -> None:
        """Draw the whole plot into part of a sheet, in strokes and words rather than pixels.

        For a plot that is not on the screen: it takes the size of that part.
        """
        x, y = self.view.viewRange()
        self.resize(round(area.width()), round(area.height()))
        # Axes learn how wide their words are while they draw, and make room the next time.
        for _ in range(3):
            self.grab()
        self.view.setRange(xRange=x, yRange=y, padding=0.0)
        self.grab()
        for item in self.scene().items():
            if isinstance(item, pg.GraphicsItem):
                item.setExportMode(True, {"antialias": True, "painter": painter})
        self.render(painter, area, self.rect())
        self.close()
        self.deleteLater()
