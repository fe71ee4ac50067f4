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


def sheet_of(theme: Theme) -> str:
    """Style sheet on top of the palette: quiet edges, and a focus ring that can be seen."""
    return f"""
QToolTip {{ color: {theme.ink}; background: {theme.panel}; border: 1px solid {theme.line}; }}
QFrame#panel {{ background: {theme.panel}; border: 1px solid {theme.line}; border-radius: 8px; }}
QScrollArea#panel {{ padding: 4px 2px 4px 0; }}
QWidget#rail {{ background: {theme.panel}; border-right: 1px solid {theme.line}; }}
QWidget#rail QToolButton {{
    border: none; border-left: 4px solid transparent; padding: 0.7em 0.9em; text-align: left;
    color: {theme.quiet_ink}; background: transparent; border-radius: 0;
}}
QWidget#rail QToolButton:hover {{ color: {theme.ink}; }}
QWidget#rail QToolButton:checked {{
    color: {theme.ink}; background: {theme.back}; border-left-color: {theme.accent};
    font-weight: 600;
}}
QWidget#rail QToolButton:focus {{ background: {theme.back}; color: {theme.ink}; }}
QLabel#quiet {{ color: {theme.quiet_ink}; }}
QLabel#caution {{ color: {theme.caution}; }}
QLabel#error {{ color: {theme.thicker}; font-weight: 600; }}
QPushButton, QToolButton {{
    padding: 0.35em 0.9em; border: 1px solid {theme.line}; border-radius: 6px;
    background: {theme.panel}; color: {theme.ink};
}}
QPushButton:hover, QToolButton:hover {{ border-color: {theme.accent}; }}
QPushButton:pressed, QToolButton:pressed, QPushButton:checked, QToolButton:checked {{
    background: {theme.accent}; color: {theme.on_accent}; border-color: {theme.accent};
}}
QPushButton:focus, QToolButton:focus, QLineEdit:focus {{ border: 2px solid {theme.accent}; }}
QPushButton:disabled, QToolButton:disabled {{ color: {theme.quiet_ink}; }}
QPushButton[main="true"] {{
    background: {theme.accent}; color: {theme.on_accent}; border-color: {theme.accent};
    font-weight: 600;
}}
QLineEdit {{
    padding: 0.3em 0.5em; border: 1px solid {theme.line}; border-radius: 6px;
    background: {theme.panel}; color: {theme.ink};
}}
QPushButton[main="true"]:disabled {{
    background: {theme.line}; color: {theme.quiet_ink}; border-color: {theme.line};
}}
QComboBox, QDoubleSpinBox, QSpinBox {{
    min-height: 1.7em; padding: 0 0.5em; border: 1px solid {theme.line}; border-radius: 6px;
    background: {theme.panel}; color: {theme.ink};
}}
QDoubleSpinBox, QSpinBox {{ padding: 0 0 0 0.4em; }}
QComboBox:hover, QDoubleSpinBox:hover, QSpinBox:hover {{ border-color: {theme.accent}; }}
QComboBox:focus, QDoubleSpinBox:focus, QSpinBox:focus {{ border: 2px solid {theme.accent}; }}
QComboBox:disabled, QDoubleSpinBox:disabled, QSpinBox:disabled {{ color: {theme.quiet_ink}; }}
QComboBox::drop-down {{ border: none; width: 1.6em; }}
QAbstractSpinBox::up-button, QAbstractSpinBox::down-button {{ border: none; width: 1.4em; }}
QComboBox::down-arrow, QAbstractSpinBox::up-arrow, QAbstractSpinBox::down-arrow {{
    width: 0; height: 0; border-left: 0.3em solid {theme.panel};
    border-right: 0.3em solid {theme.panel}; border-top: 0.35em solid {theme.quiet_ink};
}}
QAbstractSpinBox::up-arrow {{ border-top: none; border-bottom: 0.35em solid {theme.quiet_ink}; }}
QAbstractSpinBox::up-arrow:off {{ border-bottom-color: {theme.line}; }}
QAbstractSpinBox::down-arrow:off {{ border-top-color: {theme.line}; }}
QTabWidget::pane {{
    border: 1px solid {theme.line}; border-radius: 6px; top: -1px; background: {theme.panel};
}}
QTabBar::tab {{
    padding: 0.35em 0.9em; border: 1px solid transparent; border-bottom: none;
    border-top-left-radius: 6px; border-top-right-radius: 6px; color: {theme.quiet_ink};
}}
QTabBar::tab:selected {{
    border-color: {theme.line}; background: {theme.panel}; color: {theme.ink};
}}
QCheckBox::indicator:unchecked {{
    border: 1px solid {theme.quiet_ink}; border-radius: 3px; background: {theme.panel};
}}
QTabBar QToolButton {{ padding: 0; border-radius: 0; }}
QTabBar::tab:focus {{ border-color: {theme.accent}; }}
QPlainTextEdit[readOnly="false"] {{
    border: 1px solid {theme.line}; border-radius: 6px; background: {theme.panel};
}}
QPlainTextEdit[readOnly="false"]:focus {{ border: 2px solid {theme.accent}; }}
QListWidget::item {{ padding: 0.3em 0.4em; }}
QListView, QTableView {{ border: 1px solid {theme.line}; }}
QTableView::item {{ padding: 0 0.4em; }}
QHeaderView::section {{
    padding: 0.3em 0.6em; border: none; border-bottom: 1px solid {theme.line};
    background: {theme.panel}; color: {theme.quiet_ink};
}}
QSplitter::handle {{ background: {theme.back}; }}
QSplitter::handle:hover {{ background: {theme.line}; }}
QStatusBar {{ color: {theme.quiet_ink}; }}
QStatusBar::item {{ border: none; }}
"""
