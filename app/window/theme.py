"""Colours and sizes of the window, light and dark, following the system.

The hues are those of Okabe and Ito's palette for colour vision of every kind (2008), darkened or
lightened until words in them stand out from their background by 4.5 to 1 or more (WCAG 2.1,
1.4.3). Colour is never the only signal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QGuiApplication, QPalette


@dataclass(frozen=True)
class Theme:
    """Colours by what they are for, as #rrggbb."""

    dark: bool
    back: str
    """Behind everything."""
    panel: str
    """Behind what belongs together."""
    line: str
    ink: str
    quiet_ink: str
    accent: str
    """What can be pressed, what is chosen."""
    on_accent: str
    in_band: str
    thicker: str
    thinner: str
    caution: str
    picture_back: str
    """Around a picture."""


LIGHT: Final = Theme(
    dark=False,
    back="#f6f4ef",
    panel="#fffdf9",
    line="#d9d4c8",
    ink="#22211e",
    quiet_ink="#67635a",
    accent="#3d5a80",
    on_accent="#ffffff",
    in_band="#00704f",
    thicker="#b34700",
    thinner="#0063a0",
    caution="#8a5a00",
    picture_back="#e4e0d6",
)
DARK: Final = Theme(
    dark=True,
    back="#1d1f21",
    panel="#27292c",
    line="#3d4145",
    ink="#eeebe4",
    quiet_ink="#aaa69c",
    accent="#98b9dd",
    on_accent="#16202b",
    in_band="#4fc9a0",
    thicker="#f39a5c",
    thinner="#6cbcf0",
    caution="#e8b94a",
    picture_back="#121314",
)


def system_theme() -> Theme:
    """The theme that the system asks for now."""
    scheme = QGuiApplication.styleHints().colorScheme()
    return DARK if scheme == Qt.ColorScheme.Dark else LIGHT


def palette_of(theme: Theme) -> QPalette:
    """Qt's palette in this theme's colours."""
    palette = QPalette()
    role = QPalette.ColorRole
    for which, colour in (
        (role.Window, theme.back),
        (role.WindowText, theme.ink),
        (role.Base, theme.panel),
        (role.AlternateBase, theme.back),
        (role.Text, theme.ink),
        (role.PlaceholderText, theme.quiet_ink),
        (role.Button, theme.panel),
        (role.ButtonText, theme.ink),
        (role.BrightText, theme.thicker),
        (role.ToolTipBase, theme.panel),
        (role.ToolTipText, theme.ink),
        (role.Highlight, theme.accent),
        (role.HighlightedText, theme.on_accent),
        (role.Link, theme.accent),
        (role.LinkVisited, theme.accent),
        (role.Mid, theme.line),
    ):
        palette.setColor(which, QColor(colour))
    off = QPalette.ColorGroup.Disabled
    for which in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(off, which, QColor(theme.quiet_ink))
    return palette
