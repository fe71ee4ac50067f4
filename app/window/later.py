"""What the window loads beside its own work, once it is drawn."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from threading import Thread
from typing import Final

_MODULES: Final = (
    "app.window.drift_plot",
    "app.window.profile_curves",
    "app.printed_cards",
    "app.lenses",
    "measure.drift",
)
"""What takes long to import and is not needed to draw the window."""


def load_later(done: Callable[[], None]) -> Thread:
    """Import all of it in a thread, which is given, and call `done` there.

    It takes about half a second, which nobody should wait for at the first reading. Whoever needs
    something of it sooner waits for it by itself.
    """

    def load() -> None:
        for name in _MODULES:
            import_module(name)
        done()

    thread = Thread(target=load, name="load")
    thread.start()
    return thread
