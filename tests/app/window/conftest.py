from __future__ import annotations

import os
from pathlib import Path

import cv2  # first on purpose: it sets variables that would keep Qt from starting
import pytest

from app.qt_setup import forget_opencv_plugins

assert cv2.__version__
if not os.environ.get("DISPLAY"):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
forget_opencv_plugins()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Windows share one keyboard and one clipboard: one process runs all of their tests."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("window"))
