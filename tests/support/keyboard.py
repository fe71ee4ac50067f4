"""The keyboard for a window, on a display without a window manager."""

from __future__ import annotations

from PySide6.QtWidgets import QWidget
from pytestqt.qtbot import QtBot


def give_keyboard(qtbot: QtBot, window: QWidget) -> None:
    """As a window manager would; a bare display may miss a request, so it is asked again."""
    qtbot.waitUntil(lambda: _has_keyboard(window))


def wait_for_focus(qtbot: QtBot, widget: QWidget) -> None:
    """Until the keys go to this widget; its window asks for the keyboard again when it loses it."""
    qtbot.waitUntil(lambda: _has_keyboard(widget.window()) and widget.hasFocus())


def _has_keyboard(window: QWidget) -> bool:
    """Whether it has; asked for where not."""
    if not window.isActiveWindow():
        window.raise_()
        window.activateWindow()
    return window.isActiveWindow()
