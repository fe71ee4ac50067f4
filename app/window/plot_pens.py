"""Pens of a theme's colours, for plots."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtGui import QColor, QPen


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
