"""The keyboard for a window, on a display without a window manager."""

from __future__ import annotations

from PySide6.QtWidgets import QWidget
from pytestqt.qtbot import QtBot


def give_keyboard(qtbot: QtBot, window: QWidget) -> None:
    """As a window manager would; a bare display may miss a request, so it is asked again."""

    def has_it() -> bool:
        if not window.isActiveWindow():
            window.raise_()
            window.activateWindow()
        return window.isActiveWindow()

    qtbot.waitUntil(has_it)


def wait_for_focus(qtbot: QtBot, widget: QWidget) -> None:
    """Until the keys go to this widget; its window asks for the keyboard again when it loses it."""

    def has_it() -> bool:
        if not widget.isActiveWindow():
            widget.window().raise_()
            widget.activateWindow()
        return widget.hasFocus()

    qtbot.waitUntil(has_it)
