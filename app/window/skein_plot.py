"""A skein's sections over the classes of a chart, and the yarn itself as a ribbon."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.evenness_strip import paint_strip
from app.skein import LookedAt
from app.skein_report import range_text
from app.window.theme import LIGHT, Theme
from measure.results import Interval
from measure.skein import SkeinFigures
from measure.weight_class import ClassRange

_Across = Callable[[float], float]

_MARGIN: Final = 12.0
_DOT: Final = 4.5
_GAP: Final = 6.0
"""Between the classes, with the bracket of what is wanted under them, and what follows."""
_OVER_DOTS: Final = 12.0
"""From the foot of the words down to the middle of a row of dots and its bar."""
_DOTS_NEED: Final = _OVER_DOTS + 15.0
"""Height of a row under its words: the dots, and the diamond below them."""
_LEAST_STRIP: Final = 24.0
"""A ribbon that is lower shows nothing."""
_ROOM: Final = 1.12
"""How much wider than what there is to see the scale runs, as a factor at each end."""


class SkeinPlot(QWidget):
    """Washed sections are filled dots, unwashed ones rings; the mean is a diamond."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = LIGHT
        self._looked: LookedAt | None = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Sections over weight classes")

    def sizeHint(self) -> QSize:
        """Room for two rows of dots, the classes and the ribbon."""
        return QSize(520, 260)

    def minimumSizeHint(self) -> QSize:
        """As small as can still be read."""
        return QSize(300, max(190, 12 * self.fontMetrics().height()))

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self._theme = theme
        self.update()

    def show_skein(self, looked: LookedAt | None) -> None:
        """Draw this skein; None: nothing."""
        self._looked = looked
        self.setAccessibleDescription(_described(looked))
        self.setToolTip(_described(looked))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw all of it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(self.font())
        area = QRectF(self.rect()).adjusted(_MARGIN, _MARGIN / 2, -_MARGIN, -_MARGIN / 2)
        self._paint_in(painter, area, self._looked)
        painter.end()

    def _paint_in(self, painter: QPainter, area: QRectF, looked: LookedAt | None) -> None:
        if looked is None or looked.figures is None:
            painter.setPen(QColor(self._theme.quiet_ink))
            painter.drawText(
                area,
                Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap,
                "No section was read yet. The dots will stand here, over the classes of the chart.",
            )
            return
        evenness = looked.figures.evenness
        line = QFontMetricsF(self.font(), self).height()
        strip = min(area.height() * 0.22, area.height() - self._classes_need(looked, line), 70.0)
        if evenness is not None and strip >= _LEAST_STRIP:
            ribbon = QRectF(area.left(), area.bottom() - strip, area.width(), strip)
            painter.setPen(QPen(QColor(self._theme.line), 1))
            paint_strip(painter, ribbon, evenness.strip_mm, QColor(self._theme.accent))
            area.setBottom(area.bottom() - strip - _MARGIN)
        self._paint_classes(painter, area, looked, looked.figures)

    def _paint_classes(
        self, painter: QPainter, area: QRectF, looked: LookedAt, figures: SkeinFigures
    ) -> None:
        theme = self._theme
        metrics = QFontMetricsF(self.font(), self)
        line = metrics.height()
        low, high = self._ends(looked)

        def x_of(wpi: float) -> float:
            share = math.log(wpi / low) / math.log(high / low)
            return area.left() + area.width() * min(max(share, 0.0), 1.0)

        rows = _rows([c for c in looked.chart.classes if _touches(c, low, high)])
        bands = QRectF(area.left(), area.top(), area.width(), (line + 7) * len(rows))
        touched = {c.name for c in figures.classes}
        for row, classes in enumerate(rows):
            for one in classes:
                left, right = x_of(one.wpi_low or low), x_of(one.wpi_high or high)
                top = bands.top() + row * (line + 7)
                box = QRectF(left, top, right - left, line + 4)
                colour = QColor(theme.in_band if one.name in touched else theme.quiet_ink)
                colour.setAlphaF(0.22 if one.name in touched else 0.10)
                painter.fillRect(box, colour)
                painter.setPen(QColor(theme.ink if one.name in touched else theme.quiet_ink))
                words = metrics.elidedText(
                    one.name, Qt.TextElideMode.ElideRight, max(box.width() - 6, 0.0)
                )
                painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)
        self._paint_wanted(painter, bands, looked, x_of)
        axis_y = area.bottom() - line
        self._paint_axis(painter, area, axis_y, (low, high), x_of)
        top = bands.bottom() + _GAP
        states = [(f, f is looked.washed) for f in (looked.unwashed, looked.washed) if f]
        each = (axis_y - _GAP - top) / max(len(states), 1)
        for place, (one_state, washed) in enumerate(states):
            # Words, dots and diamond stand in the middle of their share of the room.
            over = max((each - line - _DOTS_NEED) / 2, 0.0)
            y = top + each * place + over + metrics.ascent() + _OVER_DOTS
            self._paint_sections(painter, one_state, y, washed, x_of)

    def _classes_need(self, looked: LookedAt, line: float) -> float:
        """Height of all but the ribbon, when nothing in it is to touch."""
        low, high = self._ends(looked)
        rows = len(_rows([c for c in looked.chart.classes if _touches(c, low, high)]))
        states = sum(f is not None for f in (looked.unwashed, looked.washed))
        return (line + 7) * rows + 2 * _GAP + (line + _DOTS_NEED) * states + line + _MARGIN

    def _paint_wanted(
        self, painter: QPainter, bands: QRectF, looked: LookedAt, x_of: _Across
    ) -> None:
        wanted = looked.wanted
        if wanted is None or wanted.wpi == (None, None):
            return
        low, high = self._ends(looked)
        left, right = x_of(wanted.wpi[0] or low), x_of(wanted.wpi[1] or high)
        painter.setPen(QPen(QColor(self._theme.accent), 2))
        y = bands.bottom() + 1
        painter.drawLine(QPointF(left, y), QPointF(right, y))
        for x in (left, right):
            painter.drawLine(QPointF(x, y - 5), QPointF(x, y))

    def _paint_axis(
        self, painter: QPainter, area: QRectF, y: float, ends: Interval, x_of: _Across
    ) -> None:
        theme = self._theme
        painter.setPen(QPen(QColor(theme.line), 1))
        painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
        metrics = QFontMetricsF(self.font(), self)
        painter.setPen(QColor(theme.quiet_ink))
        last = -1e9
        for wpi in range(max(1, math.ceil(ends[0])), math.floor(ends[1]) + 1):
            x = x_of(wpi)
            words = str(wpi)
            half = metrics.horizontalAdvance(words) / 2
            fits = area.left() <= x - half and x + half <= area.right() - 40
            if fits and x - half > last + 8:
                painter.drawText(QPointF(x - half, area.bottom() - metrics.descent()), words)
                painter.drawLine(QPointF(x, y), QPointF(x, y + 3))
                last = x + half
        painter.drawText(
            QRectF(area.left(), y, area.width(), metrics.height()),
            Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
            "WPI",
        )

    def _paint_sections(
        self, painter: QPainter, figures: SkeinFigures, y: float, washed: bool, x_of: _Across
    ) -> None:
        theme = self._theme
        ink = QColor(theme.accent if washed else theme.quiet_ink)
        if figures.wpi_range90 is not None:
            bar = QColor(ink)
            bar.setAlphaF(0.18)
            left, right = (x_of(w) for w in figures.wpi_range90)
            painter.fillRect(QRectF(left, y - 9, right - left, 18), bar)
        painter.setPen(QPen(ink, 1.6))
        painter.setBrush(ink if washed else Qt.BrushStyle.NoBrush)
        for diameter in figures.diameters_mm.tolist():
            x = x_of(25.4 / diameter / figures.wrap_factor)
            painter.drawEllipse(QPointF(x, y - 3), _DOT, _DOT)
        mean = x_of(figures.wpi)
        left, right = (x_of(w) for w in figures.wpi_interval)
        painter.setPen(QPen(QColor(theme.ink), 2))
        painter.drawLine(QPointF(left, y + 9), QPointF(right, y + 9))
        painter.setBrush(QColor(theme.ink))
        painter.drawPolygon(
            QPolygonF(
                [QPointF(mean + dx, y + 9 + dy) for dx, dy in ((0, -5), (5, 0), (0, 5), (-5, 0))]
            )
        )
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QColor(theme.quiet_ink))
        painter.drawText(QPointF(x_of(1e-6), y - _OVER_DOTS), "washed" if washed else "not washed")

    def _ends(self, looked: LookedAt) -> tuple[float, float]:
        """The scale: everything drawn, and a little more."""
        values: list[float] = []
        for figures in (looked.unwashed, looked.washed):
            if figures is not None:
                values += [*figures.wpi_range, *(figures.wpi_range90 or ())]
                values += [w for w in figures.wpi_interval if math.isfinite(w) and w > 0]
        if looked.wanted is not None:
            values += [w for w in looked.wanted.wpi if w]
        middle = math.sqrt(min(values) * max(values))
        half = max(math.sqrt(max(values) / min(values)), 1.3) * _ROOM
        return middle / half, middle * half


def _touches(one: ClassRange, low: float, high: float) -> bool:
    return one.touches(low * 1.001, high * 0.999)


def _rows(classes: Sequence[ClassRange]) -> list[list[ClassRange]]:
    """Classes in as few rows as let none lie over another."""
    rows: list[list[ClassRange]] = []
    for one in sorted(classes, key=lambda c: c.wpi_low or 0.0):
        for row in rows:
            before = row[-1].wpi_high
            if before is not None and before <= (one.wpi_low or 0.0):
                row.append(one)
                break
        else:
            rows.append([one])
    return rows or [[]]


def _described(looked: LookedAt | None) -> str:
    if looked is None or looked.figures is None:
        return "No section was read yet."
    figures = looked.figures
    names = " or ".join(c.name for c in figures.classes)
    return (
        f"{figures.sections} sections, {range_text(figures.wpi_range)} WPI, mean "
        f"{figures.wpi:.1f}: {names}."
    )
