from __future__ import annotations

import os

import cv2  # first on purpose: it sets variables that would keep Qt from starting

from app.qt_setup import forget_opencv_plugins

assert cv2.__version__
if not os.environ.get("DISPLAY"):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
forget_opencv_plugins()
