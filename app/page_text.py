"""Words laid out on a page with Qt: the font, what can be printed, lines that wrap."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PySide6.QtGui import QFont


def plain_font(size: float, bold: bool) -> QFont:
    """A plain face whose em is `size` units of the layout."""
    from PySide6.QtGui import QFont

    font = QFont(_family())
    font.setPixelSize(max(1, round(size)))
    font.setBold(bold)
    font.setHintingPreference(QFont.HintingPreference.PreferNoHinting)
    # A ligature would be read back, and searched for, as one odd letter.
    font.setFeature(QFont.Tag("liga"), 0)
    return font


def printable(text: str) -> str:
    """Line breaks as Qt's, no other controls, no halves of characters."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    kept = (
        "".join(" " if unicodedata.category(c) in ("Cc", "Cs") else c for c in line)
        for line in lines
    )
    return "\N{LINE SEPARATOR}".join(kept)


def _family() -> str:
    """A plain face of the system's, or Pillow's where the machine has no font at all."""
    from PySide6.QtCore import QByteArray
    from PySide6.QtGui import QFontDatabase

    if not QFontDatabase.families():
        from app.card_sheet import font_bytes

        QFontDatabase.addApplicationFontFromData(QByteArray(font_bytes()))
        return QFontDatabase.families()[0]
    general = QFontDatabase.systemFont(QFontDatabase.SystemFont.GeneralFont).family()
    return general or QFontDatabase.families()[0]
