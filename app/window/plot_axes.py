"""The axes of the window's plots, and the round numbers that stand on them.

Only the plots import this module, as it loads pyqtgraph.
"""

from __future__ import annotations

import math
from typing import Any, Final

import pyqtgraph as pg
from PySide6.QtGui import QFont, QFontMetricsF

from app.format import MM_PER_INCH
from app.window.plot_pens import pen
from app.window.preferences import Unit
from app.window.theme import Theme

_LINES_APART: Final = 1.9
"""How far apart numbers stand on the axis, in lines of words."""
_LINES_APART_AT_LEAST: Final = 1.1
_WIDE: Final = 1.7
"""A scale that runs over more than this factor has finer steps at its smaller numbers."""


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

    _brief = False

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

    def set_brief(self, brief: bool) -> None:
        """Leave out its name, where the plot needs the room more."""
        if brief != self._brief:
            self._brief = brief
            self.showLabel(bool(self.labelText))

    def showLabel(self, show: bool = True) -> None:
        """Show its name, where there is room for it."""
        super().showLabel(show and not self._brief)


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
