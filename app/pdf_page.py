"""A PDF of pages of one size, painted with Qt."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from app.qt_setup import drawing_application
from measure.yarn import MM_PER_INCH

if TYPE_CHECKING:
    from PySide6.QtGui import QPainter, QPdfWriter

_DPI: Final = 1200
OWN_UNITS_PER_MM: Final = _DPI / MM_PER_INCH
"""The file's own units, which nothing is scaled to."""


def pdf_of(
    title: str,
    size_mm: tuple[float, float],
    name: str,
    units_per_mm: float,
    paint: Callable[[QPainter, QPdfWriter], None],
) -> bytes:
    """The PDF that `paint` fills, in units of so many to the mm from the page's top left corner.

    `name` is what the size is called. `paint` asks the writer for each page after the first.
    """
    application = drawing_application()
    from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QMarginsF, QSizeF
    from PySide6.QtGui import QPageSize, QPainter, QPdfWriter

    assert application is not None
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(buffer)
    writer.setTitle(title)
    writer.setCreator("Slubwise")
    # Qt's named sizes are rounded to whole points, and so is the page of any other; what is drawn
    # on it keeps its size in millimetres.
    writer.setPageSize(
        QPageSize(
            QSizeF(*size_mm),
            QPageSize.Unit.Millimeter,
            name,
            QPageSize.SizeMatchPolicy.ExactMatch,
        )
    )
    writer.setPageMargins(QMarginsF(0, 0, 0, 0))
    writer.setResolution(_DPI)
    painter = QPainter(writer)
    try:
        scale = OWN_UNITS_PER_MM / units_per_mm
        painter.scale(scale, scale)
        paint(painter, writer)
    finally:
        painter.end()
    buffer.close()
    return bytes(data.data())
