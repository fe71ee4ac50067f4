"""What the window does beside its own work, once it is drawn: modules loaded, pages laid out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from threading import Thread
from typing import Final

from PySide6.QtCore import QCoreApplication, QObject, QRect, QSize, Qt, QTimer
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QWidget
from shiboken6 import isValid

_BREATH_MS: Final = 1
_PIECE_S: Final = 0.004

OF_THE_GAUGE: Final = (
    "app.window.drift_plot",
    "app.window.profile_curves",
    "app.printed_cards",
    "app.lenses",
    "measure.drift",
)
"""What takes long to import and is not needed to draw the window."""


def soon(context: QObject, call: Callable[[], None]) -> None:
    """Call in the thread of `context`, after whatever else waits: keys, frames, painting.

    After 0 ms Qt would do it before it looks for any of these.
    """
    QTimer.singleShot(_BREATH_MS, context, call)


def paint_soon(widget: QWidget) -> None:
    """Paint what changes in a widget now in an event of its own, after it is laid out anew.

    Both together, for a whole page, could keep a frame waiting.
    """
    if widget.isVisible() and widget.updatesEnabled():
        widget.setUpdatesEnabled(False)
        soon(widget, lambda: widget.setUpdatesEnabled(True))


def some_of(steps: Iterator[None]) -> bool:
    """Run small steps together until they have taken some milliseconds of processor time.

    Whether there may be more.
    """
    until_s = time.thread_time() + _PIECE_S
    return any(time.thread_time() >= until_s for _ in steps)


def laid_out(widget: QWidget) -> Iterator[None]:
    """Do ahead, in steps, what would all be done at once as a widget is shown.

    Styles, then sizes from the inside outwards, then places from the outside inwards.
    """
    for part in filter(isValid, widget.findChildren(QWidget)):
        part.ensurePolished()
        yield
    for part in _shown_in(widget, widget.findChildren(QWidget)[::-1]):
        part.sizeHint()  # words and layouts remember it
        yield
    for part in _shown_in(widget, [widget, *widget.findChildren(QWidget)]):
        layout = part.layout()
        if layout is not None:
            layout.activate()
        if part.testAttribute(Qt.WidgetAttribute.WA_PendingResizeEvent):
            part.setAttribute(Qt.WidgetAttribute.WA_PendingResizeEvent, False)
            QCoreApplication.sendEvent(part, QResizeEvent(part.size(), QSize()))
        yield
    # What is left, if anything.
    widget.grab(QRect(0, 0, 1, 1))


def _shown_in(widget: QWidget, parts: Sequence[QWidget]) -> Iterator[QWidget]:
    """Those that will be seen when the widget is, and are still there."""
    return (p for p in parts if isValid(p) and (p is widget or p.isVisibleTo(widget)))


class Loading(Thread):
    """Imports modules in a thread that it begins, then calls `done` there.

    Those of a page take about a tenth of a second, the plots half a second, which nobody should
    wait for. Whoever needs something of them sooner waits for it by itself.
    """

    def __init__(self, modules: Sequence[str], done: Callable[[], None]) -> None:
        super().__init__(name="load")
        self._modules = modules
        self._done = done
        self._stopped = False
        self.start()

    def run(self) -> None:
        """One after the other."""
        for name in self._modules:
            if self._stopped:
                return
            import_module(name)
        if not self._stopped:
            self._done()

    def stop(self) -> None:
        """Begin no further module, and wait for the one in hand."""
        self._stopped = True
        self.join()
