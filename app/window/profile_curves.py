"""The drawing inside the profile plot: diameter along one strand, and what lay behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QBrush, QFont, QPainter, QPen

from app.drawing import merged_places, runs
from app.window.plot_axes import PlainAxis, decimals_of, round_step, steps_between
from app.window.plot_pens import inked, pen
from app.window.plots import Range, ThicknessPlot
from app.window.theme import Theme
from measure.evenness import CUT_MM
from measure.results import Along, Floats, StrandReading, UnevenPlace
from measure.yarn import MM_PER_INCH

_MARK_PX: Final = 13.0
_STRIP_SHARE: Final = 0.55
"""Height of the strip of grounds, of a line of words."""
_FULLEST: Final = 0.5
"""A cut's mean is drawn when at least this share of it was measured."""


@dataclass(frozen=True)
class Ground:
    """A stretch of the strand with one ground behind it."""

    kind: str
    from_mm: float
    to_mm: float


def cut_means(along: Along) -> tuple[Floats, Floats]:
    """Left ends (m,) and mean diameters (m,), both in mm, of the cuts that were measured."""
    if not len(along.position_mm):
        return np.zeros(0), np.zeros(0)
    cut = np.floor(along.position_mm / CUT_MM).astype(np.intp)
    good = np.isfinite(along.diameter_mm)
    number = int(cut.max()) + 1
    asked = np.bincount(cut, minlength=number)
    counts = np.bincount(cut[good], minlength=number)
    sums = np.bincount(cut[good], along.diameter_mm[good], minlength=number)
    kept = np.flatnonzero((counts > 0) & (counts >= _FULLEST * asked.max()))
    means: Floats = sums[kept] / counts[kept]
    return kept.astype(np.float64) * CUT_MM, means


def grounds_of(along: Along) -> list[Ground]:
    """What lay behind the strand, stretch by stretch; gaps where nothing was measured."""
    out: list[Ground] = []
    for run in runs(along.diameter_mm, along.position_mm):
        kinds, position = along.ground[run], along.position_mm[run]
        breaks = np.flatnonzero(kinds[1:] != kinds[:-1]) + 1
        for part in np.split(np.arange(len(run)), breaks):
            ends = float(position[part[0]]), float(position[part[-1]])
            out.append(Ground(str(kinds[part[0]]), *ends))
    return out


class LengthAxis(PlainAxis):
    """Distance along the strand, and a strip that shows the grounds it was seen against."""

    def __init__(self) -> None:
        super().__init__("bottom")
        self._grounds: Sequence[Ground] = ()
        self._inch = False
        self._decimals = 0
        self._inks: dict[str, tuple[QPen, QBrush]] = {}

    def set_inch(self, inch: bool) -> None:
        """Label in inches, or in millimetres."""
        if inch == self._inch and self.labelText:
            return
        self._inch = inch
        self.setLabel(f"{'inches' if inch else 'mm'} along the strand")
        self.picture = None
        self.update()

    def set_grounds(self, grounds: Sequence[Ground]) -> None:
        """Draw these in the strip."""
        if list(grounds) != list(self._grounds):
            self._grounds = tuple(grounds)
            self.picture = None
            self.update()

    def dress(self, theme: Theme, font: QFont) -> None:
        """Take on theme and font; room for the strip above the numbers."""
        super().dress(theme, font)
        self._strip = self.metrics.height() * _STRIP_SHARE
        self.setStyle(tickTextOffset=round(self._strip) + 4)
        # The lane's own colours: ink and paper; the cut-out lane is neither.
        edge = pen(theme.quiet_ink, 1.0)
        self._inks = {
            "dark": (edge, QBrush(inked("#22211e"))),
            "light": (edge, QBrush(inked("#ffffff"))),
            "open": (edge, QBrush(inked(theme.quiet_ink), Qt.BrushStyle.BDiagPattern)),
        }

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[Any]:
        """Round lengths, far enough apart to be read."""
        if not maxVal > minVal:
            return []
        per = MM_PER_INCH if self._inch else 1.0
        apart = self.metrics.horizontalAdvance("00.0") * 2.2 * (maxVal - minVal) / max(size, 1.0)
        step = round_step(apart / per)
        self._decimals = decimals_of(step)
        return [(step * per, [v * per for v in steps_between(minVal / per, maxVal / per, step)])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Lengths in the unit."""
        per = MM_PER_INCH if self._inch else 1.0
        return [f"{v / per:.{self._decimals}f}" for v in values]

    def drawPicture(self, p: QPainter, axisSpec: Any, tickSpecs: Any, textSpecs: Any) -> None:
        """The strip, then the axis as usual."""
        area = self.mapRectFromParent(self.geometry())
        low, high = self.range
        per_mm = area.width() / max(high - low, 1e-9)
        p.save()
        p.setClipRect(area)
        for ground in self._grounds:
            line, fill = self._inks.get(ground.kind, self._inks["open"])
            p.setPen(line)
            p.setBrush(fill)
            left = area.left() + (ground.from_mm - low) * per_mm
            width = (ground.to_mm - ground.from_mm) * per_mm
            p.drawRect(QRectF(left, area.top() + 3.0, width, self._strip))
        p.restore()
        super().drawPicture(p, axisSpec, tickSpecs, textSpecs)


class ProfileCurves(ThicknessPlot):
    """Diameter along one strand in a plot."""

    def __init__(self) -> None:
        self.lengths = LengthAxis()
        super().__init__(self.lengths)

    def furnish(self) -> Iterator[None]:
        """Lines and bars, then the marks of uneven places."""
        yield from super().furnish()
        self.curve = pg.PlotCurveItem()
        self.cuts = pg.PlotCurveItem(connect="pairs")
        self.middle = pg.InfiniteLine(angle=0, movable=False)
        self.spans = pg.PlotCurveItem(connect="pairs")
        yield
        self.marks = {
            kind: pg.ScatterPlotItem(symbol=symbol, size=_MARK_PX)
            for kind, symbol in (("thick", "t1"), ("thin", "t"))
        }
        for z, item in enumerate(
            (self.middle, self.curve, self.spans, self.cuts, *self.marks.values())
        ):
            item.setZValue(z)
            self.addItem(item)
            yield

    def dress(self, theme: Theme, font: QFont, ratio: float | None = None) -> None:
        """Take on theme and font."""
        super().dress(theme, font, ratio)
        self.curve.setPen(self.stroke(theme.quiet_ink, 1.0, 0.7))
        self.cuts.setPen(self.stroke(theme.accent, 3.0))
        self.middle.setPen(self.stroke(theme.accent, 1.0, 0.8, (5.0, 4.0)))
        self.spans.setPen(self.stroke(theme.caution, 2.0))
        for kind, colour in (("thick", theme.thicker), ("thin", theme.thinner)):
            self.marks[kind].setBrush(inked(colour))
            self.marks[kind].setPen(self.stroke(theme.panel, 1.0))

    def draw_strand(self, strand: StrandReading) -> None:
        """Draw this strand; the range that is shown is set apart."""
        along = strand.along
        height = np.log(along.diameter_mm)
        self.curve.setData(
            along.position_mm, height, connect=_joined(along.diameter_mm, along.position_mm)
        )
        start, mean = cut_means(along)
        across = np.column_stack([start, start + CUT_MM]).ravel()
        self.cuts.setData(across, np.repeat(np.log(mean), 2))
        self.middle.setValue(float(np.log(strand.diameter_mm)))
        self.lengths.set_grounds(grounds_of(along))
        places = merged_places(strand)
        levels = {p: self._level(strand, p) for p in places}
        for kind, item in self.marks.items():
            here = [p for p in places if p.kind == kind]
            item.setData([(p.from_mm + p.to_mm) / 2 for p in here], [levels[p] for p in here])
        ends = np.array([(p.from_mm, p.to_mm) for p in places]).ravel()
        self.spans.setData(ends, np.repeat([levels[p] for p in places], 2))

    def _level(self, strand: StrandReading, place: UnevenPlace) -> float:
        """Height of a place's mark: its extreme."""
        share = max(1 + place.extreme_percent / 100, 0.05)
        return float(np.log(strand.diameter_mm * share))

    def wanted(self, strand: StrandReading, band: Range | None) -> tuple[Range, Range]:
        """What of length and height must be in view for this strand."""
        along = strand.along
        inside = np.log(along.diameter_mm[np.isfinite(along.diameter_mm)])
        middle = float(np.log(strand.diameter_mm))
        ends = [middle]
        if len(inside):
            ends += np.percentile(inside, [1.0, 99.0]).tolist()
        ends += [self._level(strand, p) for p in merged_places(strand)]
        ends += list(band or ())
        last = float(along.position_mm.max(initial=CUT_MM))
        return (0.0, last), (min(ends), max(ends))


def _joined(diameter_mm: Floats, position_mm: Floats) -> NDArray[np.int32]:
    """Which entries of the profile are joined with the next: those of one stretch."""
    joined = np.zeros(len(diameter_mm), np.int32)
    for run in runs(diameter_mm, position_mm):
        joined[run[:-1]] = 1
    return joined
