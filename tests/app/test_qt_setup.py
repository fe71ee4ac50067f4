from __future__ import annotations

import os
import subprocess
import sys

import pytest

from app import qt_setup


def test_what_opencv_sets_is_forgotten() -> None:
    """In a process of its own: whatever importing cv2 puts there is gone afterwards."""
    code = (
        "import cv2, os\n"
        "from app.qt_setup import forget_opencv_plugins\n"
        "forget_opencv_plugins()\n"
        "print([n for n in os.environ if n.startswith('QT_QPA') and 'cv2' in os.environ[n]])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="displays are Linux's affair")
def test_no_display_is_said_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(variable, raising=False)
    assert "no display" in (qt_setup.why_no_window() or "")


def test_offscreen_needs_no_display(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert qt_setup.why_no_window() is None


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a library of X11")
def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(qt_setup, "_WINDOW_LIBRARY", "libnot-there.so.9")
    monkeypatch.setenv("DISPLAY", os.environ.get("DISPLAY", ":0"))
    for variable in ("WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(variable, raising=False)
    assert "libnot-there.so.9" in (qt_setup.why_no_window() or "")
