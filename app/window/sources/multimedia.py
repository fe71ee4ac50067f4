"""Qt's cameras, where this computer has what they need."""

from __future__ import annotations

import importlib
from functools import cache
from types import ModuleType


@cache
def multimedia() -> ModuleType | None:
    """PySide6.QtMultimedia; None where a system library it needs is missing.

    On Linux that is libpulse; everything but the cameras and the sound works without it.
    """
    try:
        return importlib.import_module("PySide6.QtMultimedia")
    except ImportError:
        return None
