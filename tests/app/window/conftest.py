from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2  # first on purpose: it sets variables that would keep Qt from starting
import pytest

from app.qt_setup import forget_opencv_plugins

assert cv2.__version__
if not os.environ.get("DISPLAY"):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
forget_opencv_plugins()

from PySide6.QtWidgets import QApplication  # noqa: E402
from pytestqt.qtbot import QtBot  # noqa: E402
from pytestqt.wait_signal import SignalBlocker  # noqa: E402

PATIENCE_MS = 60_000
"""Longer than anything takes on a slow machine that is busy with other tests as well."""


class PatientBot(QtBot):
    """Waits for what comes however long it takes; nothing here tests how soon it does."""

    def waitUntil(  # noqa: N802
        self, callback: Callable[[], bool | None], *, timeout: int = PATIENCE_MS
    ) -> None:
        """Until this is true."""
        super().waitUntil(callback, timeout=timeout)

    def waitSignal(  # noqa: N802
        self, signal: Any, *, timeout: int = PATIENCE_MS, **more: Any
    ) -> SignalBlocker:
        """Until this signal comes."""
        return super().waitSignal(signal, timeout=timeout, **more)


@pytest.fixture
def qtbot(qapp: QApplication, request: pytest.FixtureRequest) -> QtBot:
    """pytest-qt's own, with more patience."""
    return PatientBot(request)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Windows share one keyboard and one clipboard: one process runs all of their tests."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("window"))
