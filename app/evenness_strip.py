"""A small picture of how even a skein is: its own readings drawn as a ribbon, one after the other.

The ribbon is as wide as the yarn at each millimetre, all of it on one scale; a gap stands between
sections. Nothing is smoothed or invented: where nothing was measured nothing is drawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from measure.results import Floats

if TYPE_CHECKING:
    from PySide6.QtCore import QRectF
    from PySide6.QtGui import QColor, QPainter

_FILLS: Final = 0.96
"""Of the height is taken by the thickest place."""
_MOST_STEPS: Final = 1200


def runs_of(strip_mm: Floats) -> list[NDArray[np.intp]]:
    """The places of each stretch between gaps."""
    seen = np.isfinite(strip_mm)
    ends = np.flatnonzero(np.diff(seen.astype(np.int8))) + 1
    return [run for run in np.split(np.arange(len(strip_mm)), ends) if len(run) and seen[run[0]]]


def thinned(strip_mm: Floats, most: int = _MOST_STEPS) -> Floats:
    """At most so many places, each the mean of those it stands for; gaps stay gaps."""
    step = -(-len(strip_mm) // most)
    if step <= 1:
        return strip_mm
    padded = np.append(strip_mm, np.full(-len(strip_mm) % step, np.nan)).reshape(-1, step)
    seen = np.isfinite(padded)
    total = np.where(seen, padded, 0.0).sum(axis=1)
    count = seen.sum(axis=1)
    means: Floats = np.divide(total, count, out=np.full(len(total), np.nan), where=seen.all(axis=1))
    return means


def paint_strip(painter: QPainter, area: QRectF, strip_mm: Floats, ink: QColor) -> None:
    """Fill the ribbon into the area, the first section at the left."""
    from PySide6.QtCore import QPointF, Qt
    from PySide6.QtGui import QPolygonF

    values = thinned(strip_mm)
    if not np.isfinite(values).any():
        return
    widest = float(np.nanmax(values))
    per_mm = _FILLS * area.height() / widest
    step = area.width() / len(values)
    middle = area.center().y()
    painter.save()
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(ink)
    for run in runs_of(values):
        halves = values[run] * per_mm / 2
        xs = area.left() + step * (run + 0.5)
        xs[0], xs[-1] = xs[0] - step / 2, xs[-1] + step / 2
        top = [QPointF(x, middle - h) for x, h in zip(xs.tolist(), halves.tolist(), strict=True)]
        under = [QPointF(x, middle + h) for x, h in zip(xs.tolist(), halves.tolist(), strict=True)]
        painter.drawPolygon(QPolygonF(top + under[::-1]))
    painter.restore()
