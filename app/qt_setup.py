"""What must be put right before Qt starts. Imports no Qt."""

from __future__ import annotations

import ctypes
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PySide6.QtCore import QCoreApplication

_OPENCV_SETS = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR")
_WINDOW_LIBRARY = "libxcb-cursor.so.0"


def forget_opencv_plugins() -> None:
    """Undo what importing cv2 sets: the way to its own copy of Qt's plugins and fonts.

    PySide6 cannot use those and ends the program when it tries.
    """
    for variable in _OPENCV_SETS:
        os.environ.pop(variable, None)


def why_no_window() -> str | None:
    """A sentence when no window can be opened here, None when nothing speaks against it.

    Qt itself would end the whole program.
    """
    if not sys.platform.startswith("linux"):
        return None
    platform = os.environ.get("QT_QPA_PLATFORM", "")
    if platform and not platform.startswith("xcb"):
        return None
    if not (platform or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return (
            "there is no display here to open a window on. Start it where you see a desktop, or "
            "see slubwise --help for what works without one."
        )
    if os.environ.get("WAYLAND_DISPLAY") and not platform:
        return None
    try:
        ctypes.CDLL(_WINDOW_LIBRARY)
    except OSError:
        return (
            f"the system library {_WINDOW_LIBRARY} is missing, without which no window opens. "
            "Install it (Debian, Ubuntu: apt install libxcb-cursor0)."
        )
    return None


def drawing_application() -> QCoreApplication:
    """The application that drawing with Qt needs, made where there is none; keep it while drawing.

    No window is shown, so none of the platform's own is needed: it works on a bare server.
    """
    forget_opencv_plugins()
    from PySide6.QtGui import QGuiApplication

    running = QGuiApplication.instance()
    if running is None:
        running = QGuiApplication(["slubwise", "-platform", "offscreen"])
    return running
