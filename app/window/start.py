"""Opens the window. The only place that makes a QApplication for one."""

from __future__ import annotations

import gc
import os
import signal
import sys
from pathlib import Path

from app.qt_setup import forget_opencv_plugins

forget_opencv_plugins()

from PySide6.QtCore import QCoreApplication, QTimer  # noqa: E402
from PySide6.QtWidgets import QApplication  # noqa: E402

from app import program_version  # noqa: E402
from app.window.main_window import MainWindow  # noqa: E402
from app.window.preferences import Preferences  # noqa: E402
from app.window.theme import system_theme  # noqa: E402


def open_window(
    source: str | None = None,
    notebook: Path | None = None,
    *,
    preferences: Path | None = None,
) -> int:
    """Show the window until it is closed; returns the exit code.

    `source` is a key or a file as `slubwise --source` takes it, None for the one used last;
    `notebook` and `preferences` are files, None for the usual ones.
    """
    application = make_application()
    window = MainWindow(Preferences(preferences), source=source, notebook=notebook)
    collect_little(window)
    window.set_theme(system_theme())
    application.styleHints().colorSchemeChanged.connect(
        lambda _scheme: window.set_theme(system_theme())
    )
    window.show()
    with_interrupt = _stop_on_interrupt(window)
    code = application.exec()
    with_interrupt.stop()
    return int(code)


def make_application() -> QApplication:
    """The one QApplication, with the names that the system shows."""
    existing = QCoreApplication.instance()
    if isinstance(existing, QApplication):
        return existing
    # The backends' chatter about missing hardware is not for a spinner's terminal.
    os.environ.setdefault("QT_LOGGING_RULES", "qt.multimedia.*=false;qt.speech.*=false")
    application = QApplication(sys.argv[:1])
    application.setApplicationName("slubwise")
    application.setApplicationDisplayName("Slubwise")
    application.setApplicationVersion(program_version())
    application.setDesktopFileName("slubwise")
    application.setStyle("Fusion")
    return application


def collect_little(window: MainWindow) -> None:
    """Keep Python's search for what can be thrown away from stopping the picture.

    It looks through all there is, which stops every thread for a tenth of a second once the
    libraries are loaded; what is there when the window is complete stays to the end anyway.
    """

    def leave_out() -> None:
        gc.freeze()
        gc.enable()

    gc.disable()
    window.pages.all_made.connect(leave_out)


def _stop_on_interrupt(window: MainWindow) -> QTimer:
    """Ctrl-C in the terminal closes the window as its own button does."""
    signal.signal(signal.SIGINT, lambda *_: window.close())
    # Python looks at signals between two of its own steps only: give it one now and then.
    timer = QTimer()
    timer.timeout.connect(lambda: None)
    timer.start(250)
    return timer
