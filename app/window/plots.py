"""What the window's plots have in common: thickness upwards, calm zooming, theme and keys.

Only the plots import this module: pyqtgraph takes about half a second to load, and the window
opens without it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QFont, QKeyEvent, QPainter, QPen
from PySide6.QtWidgets import QFrame, QSizePolicy

from app.window.plot_axes import EdgeAxis, PlainAxis, ThicknessAxis
from app.window.plot_pens import inked, pen
from app.window.preferences import Unit
from app.window.theme import Theme

Range = tuple[float, float]

_WHEEL_STEP: Final = 1.2
"""One notch of the wheel, or one press of a key, makes things this much larger."""
_SIDES: Final = {"top": (0, 1), "left": (1, 0), "right": (1, 2), "bottom": (2, 1)}
"""Row and column of each axis around the plot."""
_NAMED_LINES: Final = 8.0
"""Lines of words that a plot is high at least to have its bottom axis named."""
_WIDEST: Final = 1.5
"""Zooming out ends at this many times what there is to see."""


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
        still. Here: the plot area, its axes and the band.
        """
        self._lay_out()
        yield
        self.band_zone = pg.LinearRegionItem(orientation="horizontal", movable=False)
        self.band_zone.setZValue(-20)
        self.band_zone.hide()
        self.addItem(self.band_zone)
        yield

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
        self._give_room()
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

    def resizeEvent(self, event: Any) -> None:
        """Leave to a low plot what room there is."""
        super().resizeEvent(event)
        self._give_room()

    def _give_room(self) -> None:
        self.bottom.set_brief(self.height() < _NAMED_LINES * self.bottom.metrics.height())

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

    def paint_on(self, painter: QPainter, area: QRectF) -> Iterator[None]:
        """Draw the whole plot into part of a sheet, in strokes and words rather than pixels.

        For a plot that is not on the screen: it takes the size of that part. In steps, the last of
        which draws.
        """
        x, y = self.view.viewRange()
        self.resize(round(area.width()), round(area.height()))
        # Axes learn how wide their words are while they draw, and make room the next time.
        for _ in range(3):
            self.grab()
            yield
        self.view.setRange(xRange=x, yRange=y, padding=0.0)
        self.grab()
        yield
        for item in self.scene().items():
            if isinstance(item, pg.GraphicsItem):
                item.setExportMode(True, {"antialias": True, "painter": painter})
        self.render(painter, area, self.rect())
        self.close()
        self.deleteLater()
