"""Which units lengths are told in where nobody chose."""

from __future__ import annotations

from PySide6.QtCore import QLocale


def inches_here() -> bool:
    """Whether this system measures in inches."""
    return QLocale().measurementSystem() == QLocale.MeasurementSystem.ImperialUSSystem
