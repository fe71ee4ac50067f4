"""The drawing inside the drift chart: points, intervals, trend, and the sittings they belong to."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFont

from app.window.drift_points import Along, Points, day_text
from app.window.plot_axes import PlainAxis, decimals_of, round_step, steps_between
from app.window.plot_pens import inked, pen
from app.window.plots import ThicknessPlot
from app.window.theme import Theme
from measure.results import Floats

if TYPE_CHECKING:
    from measure.drift import Drift

SYMBOLS: Final = {"in": "o", "thicker": "t1", "thinner": "t", "none": "o"}
"""A disc in the band, a triangle pointing the way a reading is out of it."""
_SIZES_PX: Final = {"in": 9.0, "thicker": 11.0, "thinner": 11.0, "none": 9.0}
_REACH_PX: Final = 16.0
"""How near a point the pointer must be."""
_ALL_DRAWN: Final = 2500
"""Lines of more points than this are thinned to what pixels can show."""
_MEAN_DRAWN: Final = 500
"""Points of the running mean and its limits: it is smooth, and Qt's time to stroke long dashed
lines grows with the square of their length."""
_SITTINGS_APART_PX: Final = 24.0
_MINUTE_STEPS: Final = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480)
_WORDS: Final[dict[Along, str]] = {
    "number": "reading",
    "time": "time of day",
    "grams": "grams of fibre spun",
}


class ReadingAxis(PlainAxis):
    """Number of the reading, time of day, or grams spun."""

    def __init__(self) -> None:
        super().__init__("bottom")
        self._points = Points()
        self._decimals = 0

    def set_points(self, points: Points) -> None:
        """Label these points' axis."""
        self._points = points
        self.setLabel(_WORDS[points.along])
        self.picture = None
        self.update()

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[Any]:
        """Whole readings, whole minutes or round weights, far enough apart to be read."""
        if not maxVal > minVal:
            return []
        apart = self.metrics.horizontalAdvance("00:00") * 1.7 * (maxVal - minVal) / max(size, 1.0)
        if self._points.along == "time":
            return [(1.0, self._whole_minutes(minVal, maxVal, apart))]
        step = round_step(apart)
        if self._points.along == "number":
            step = max(step, 1.0)
        self._decimals = decimals_of(step)
        return [(step, steps_between(minVal, maxVal, step))]

    def _whole_minutes(self, low: float, high: float, apart: float) -> list[float]:
        step = next((m for m in _MINUTE_STEPS if m >= apart), _MINUTE_STEPS[-1])
        out: list[float] = []
        for sitting in self._points.sittings:
            first, last = (float(self._points.x[k]) for k in (sitting.first, sitting.stop - 1))
            if last < low or first > high:
                continue
            start = sitting.begun_at
            day = start.replace(hour=0, minute=0, second=0, microsecond=0)
            since = (start - day).total_seconds() / 60
            for minute in steps_between(since, since + last - first, step):
                at = first + minute - since
                if low <= at <= high and (not out or at - out[-1] >= apart):
                    out.append(at)
        return out

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Numbers, or times of day."""
        if self._points.along == "time":
            return [f"{self._clock(v):%H:%M}" for v in values]
        return [f"{v:.{self._decimals}f}" for v in values]

    def _clock(self, at: float) -> datetime:
        starts = [float(self._points.x[s.first]) for s in self._points.sittings]
        k = max(int(np.searchsorted(starts, at + 1e-6, "right")) - 1, 0)
        return self._points.sittings[k].begun_at + timedelta(minutes=at - starts[k] + 1e-6)


class SittingAxis(PlainAxis):
    """Along the top: the day of each sitting, and a line down where one sitting follows another."""

    def __init__(self) -> None:
        super().__init__("top")
        self._points = Points()

    def set_points(self, points: Points) -> None:
        """Name these points' sittings."""
        self._points = points
        self.picture = None
        self.update()

    def dress(self, theme: Theme, font: QFont) -> None:
        """Take on theme and font; as high as one line of words."""
        super().dress(theme, font)
        self.setHeight(self.metrics.height() * 1.25)
        # A grid makes the item as high as the plot, so that it may draw into it.
        self.setGrid(255)
        self._line = pen(theme.quiet_ink, 1.0, 0.55, (3.0, 4.0))
        self._none = pen(theme.panel, 1.0, 0.0)

    def generateDrawSpecs(self, p: Any) -> Any:
        """Where lines and words go: each sitting's words at the left of what is seen of it."""
        p.setFont(self.style["tickFont"])
        bounds = self.mapRectFromParent(self.geometry())
        view = self.linkedView()
        plot = view.mapRectToItem(self, view.boundingRect())
        low, high = self.range
        per_px = (high - low) / max(plot.width(), 1.0)
        lines, words = [], []
        sittings = self._points.sittings
        free_from = plot.left()
        last_line = -_SITTINGS_APART_PX
        for k, sitting in enumerate(sittings):
            at = plot.left() + (sitting.from_x - low) / per_px
            ends = (
                plot.left() + (sittings[k + 1].from_x - low) / per_px
                if k + 1 < len(sittings)
                else plot.right()
            )
            if ends < plot.left() or at > plot.right():
                continue
            if k and at >= plot.left() and at - last_line >= _SITTINGS_APART_PX:
                last_line = at
                lines.append((self._line, QPointF(at, bounds.top()), QPointF(at, plot.bottom())))
            start = max(at, free_from) + 4.0
            text = self._fitting(sitting.begun_at, min(ends, plot.right()) - start - 4.0)
            if text:
                width = self.metrics.horizontalAdvance(text)
                where = QRectF(start, bounds.top(), width + 2.0, bounds.height())
                words.append(
                    (where, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, text)
                )
                free_from = start + width
        nothing = (self._none, plot.topLeft(), plot.topLeft())
        return nothing, lines, words

    def _fitting(self, at: datetime, room: float) -> str:
        """As much of the date as there is room for."""
        for text in (f"{day_text(at, True)}, {at:%H:%M}", day_text(at), str(at.day)):
            if self.metrics.horizontalAdvance(text) <= room:
                return text
        return ""


class DriftPlot(ThicknessPlot):
    """Points of the drift chart in a plot."""

    def __init__(self) -> None:
        self._numbers = ReadingAxis()
        self._days = SittingAxis()
        super().__init__(self._numbers, self._days)
        self.points = Points()
        self._trend: Drift | None = None
        self.view.sigXRangeChanged.connect(lambda *_: self._follow_view())

    def furnish(self) -> Iterator[None]:
        """Lines, then the points of each kind, then what frames one of them."""
        yield from super().furnish()
        self.intervals = self._curve(-10, connect="pairs")
        # Line by line also on paper: one path of thousands of lines takes Qt seconds.
        self.intervals.setSegmentedLineMode("on")
        self.limits = self._curve(-6)
        self.centre = self._curve(-7)
        self.mean = self._curve(10)
        self.alarms = self._scatter(12, "d", 10.0)
        yield
        self.clouds: dict[tuple[str, bool], Any] = {}
        for place, symbol in SYMBOLS.items():
            for sure in (True, False):
                self.clouds[place, sure] = self._scatter(5, symbol, _SIZES_PX[place])
            yield
        self.pointed = self._scatter(20, "o", 18.0)
        self.marked = self._scatter(19, "s", 20.0)
        yield

    def _curve(self, z: float, connect: str = "all") -> Any:
        item = pg.PlotCurveItem(connect=connect, skipFiniteCheck=connect == "pairs")
        item.setZValue(z)
        self.addItem(item)
        return item

    def _scatter(self, z: float, symbol: str, size: float) -> Any:
        item = pg.ScatterPlotItem(symbol=symbol, size=size, antialias=True)
        item.setZValue(z)
        self.addItem(item)
        return item

    def dress(self, theme: Theme, font: QFont, ratio: float | None = None) -> None:
        """Take on theme and font."""
        super().dress(theme, font, ratio)
        self.intervals.setPen(self.stroke(theme.quiet_ink, 1.0, 0.75))
        self.mean.setPen(self.stroke(theme.accent, 2.5))
        self.limits.setPen(self.stroke(theme.accent, 1.2, 0.9, (5.0, 4.0)))
        self.centre.setPen(self.stroke(theme.accent, 1.0, 0.8, (1.0, 3.0)))
        self.alarms.setPen(self.stroke(theme.panel, 1.0))
        self.alarms.setBrush(inked(theme.caution))
        colours = {
            "in": theme.in_band,
            "thicker": theme.thicker,
            "thinner": theme.thinner,
            "none": theme.accent,
        }
        for (place, sure), cloud in self.clouds.items():
            colour = colours[place]
            cloud.setPen(self.stroke(theme.panel if sure else colour, 0.8 if sure else 1.8))
            cloud.setBrush(inked(colour if sure else theme.panel))
        self.pointed.setBrush(None)
        self.pointed.setPen(self.stroke(theme.ink, 2.0))
        self.marked.setBrush(None)
        self.marked.setPen(self.stroke(theme.accent, 2.0))

    # --- what is drawn

    def draw_points(self, points: Points) -> None:
        """Draw these points; the trend is drawn apart."""
        self.points = points
        self._trend = None
        self._numbers.set_points(points)
        self._days.set_points(points)
        for (place, sure), cloud in self.clouds.items():
            which = (points.place == place) & (points.sure == sure)
            cloud.setData(points.x[which], points.y[which])
        self.pointed.clear()
        self._draw_lines()

    def draw_trend(self, trend: Drift | None) -> None:
        """Draw running mean, centre and limits, broken between sittings; None: nothing.

        Entries beyond the readings that `trend` was made of are left without.
        """
        self._trend = trend
        self._draw_lines()

    def _draw_lines(self) -> None:
        """What consists of lines; of very many points, as much as pixels can show of those in view.

        A line to each of ten thousand readings takes longer to draw than the eye waits.
        """
        x = self.points.x
        seen = np.arange(len(x))
        if len(x) > _MEAN_DRAWN:
            low, high = self.view.viewRange()[0]
            seen = np.flatnonzero((x >= low) & (x <= high))
        step = -(-len(seen) // _ALL_DRAWN)
        smooth = len(seen) <= _ALL_DRAWN
        for item in (self.intervals, self.mean, self.limits, self.centre):
            item.opts["antialias"] = smooth
        self._draw_intervals(seen, step)
        self._draw_mean(seen)

    def _follow_view(self) -> None:
        if len(self.points.x) > _MEAN_DRAWN:
            self._draw_lines()

    def _draw_intervals(self, seen: NDArray[np.intp], step: int) -> None:
        """Each interval, or the reach of every `step` neighbours together."""
        points = self.points
        if not len(seen):
            self.intervals.clear()
            return
        first = np.arange(0, len(seen), step)
        low = np.minimum.reduceat(points.low[seen], first)
        high = np.maximum.reduceat(points.high[seen], first)
        middle = points.x[seen[first]]
        self.intervals.setData(np.repeat(middle, 2), np.column_stack([low, high]).ravel())

    def _draw_mean(self, seen: NDArray[np.intp]) -> None:
        points, trend = self.points, self._trend
        lines = (self.mean, self.limits, self.centre, self.alarms)
        if trend is not None:
            seen = seen[points.order[seen] < len(trend.ewma_mm)]
        if trend is None or not len(seen):
            for item in lines:
                item.clear()
            return
        alarms = seen[np.isin(points.order[seen], np.array(trend.alarms, dtype=np.intp))]
        self.alarms.setData(points.x[alarms], np.log(trend.ewma_mm[points.order[alarms]]))
        seen = seen[:: -(-len(seen) // _MEAN_DRAWN)]
        x, order = points.x[seen], points.order[seen]
        mean, lower, upper, centre = (
            np.log(values[order])
            for values in (trend.ewma_mm, trend.lower_mm, trend.upper_mm, trend.centre_mm)
        )
        sitting = np.searchsorted([s.first for s in points.sittings], seen, "right")
        goes_on = np.append(sitting[:-1] == sitting[1:], False)
        self.mean.setData(x, mean, connect=_joined(mean, goes_on))
        self.centre.setData(x, centre, connect=_joined(centre, goes_on))
        both = np.concatenate([lower, upper])
        self.limits.setData(
            np.concatenate([x, x]), both, connect=_joined(both, np.concatenate([goes_on, goes_on]))
        )

    # --- what is pointed at

    def nearest(self, at: QPointF) -> int | None:
        """Entry of the point under a place of the widget, or None when there is none near."""
        points = self.points
        if not len(points.x) or not self.view.sceneBoundingRect().contains(at):
            return None
        places = self.px_of(points.x, points.y)
        away = np.hypot(places[:, 0] - at.x(), places[:, 1] - at.y())
        entry = int(np.argmin(away))
        return entry if away[entry] <= _REACH_PX else None

    def place_of(self, entry: int) -> QPointF:
        """Where a point is in the widget."""
        at = self.px_of(self.points.x[[entry]], self.points.y[[entry]])[0]
        return QPointF(float(at[0]), float(at[1]))

    def point_at(self, entry: int | None) -> None:
        """Put the ring of the pointer or the keyboard around a point, or take it away."""
        self._ring(self.pointed, entry)

    def mark(self, entry: int | None) -> None:
        """Frame the point that is shown elsewhere, or none."""
        self._ring(self.marked, entry)

    def _ring(self, item: Any, entry: int | None) -> None:
        if entry is None:
            item.clear()
        else:
            item.setData(self.points.x[[entry]], self.points.y[[entry]])

    def bring_into_view(self, entry: int) -> None:
        """Move along as little as is needed to see a point."""
        for axis, at in enumerate((self.points.x[entry], self.points.y[entry])):
            low, high = self.view.viewRange()[axis]
            room = 0.04 * (high - low)
            by = min(at - room - low, 0.0) + max(at + room - high, 0.0)
            if abs(by) > 1e-12 and self.is_zoomed:
                self.view.translateBy(**{"xy"[axis]: float(by)})


def _joined(heights: Floats, goes_on: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Which points are joined with the next: both there, and in one sitting."""
    good = np.isfinite(heights)
    joined = good & goes_on
    joined[:-1] &= good[1:]
    return joined.astype(np.int32)
