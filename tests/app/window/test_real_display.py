"""The window on a real X display, in a process of its own that imported OpenCV first."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(
    not os.environ.get("DISPLAY"), reason="needs an X display, as .ci/run gives it one"
)

_INSIDE = """
import cv2
import json, sys
from pathlib import Path
from app.qt_setup import why_no_window
assert why_no_window() is None
from app.window.start import make_application
from app.window.main_window import MainWindow
from app.window.preferences import Preferences
from app.window.theme import system_theme
from PySide6.QtCore import QTimer

folder = Path(sys.argv[1])
application = make_application()
window = MainWindow(Preferences(folder / "window.ini"), notebook=folder / "notebook.sqlite")
window.set_theme(system_theme())
window.show()
said = {}

def look():
    image = window.grab().toImage()
    said["platform"] = application.platformName()
    said["exposed"] = window.windowHandle().isExposed()
    said["colours"] = len({image.pixel(x, y) for x in range(0, image.width(), 7)
                           for y in range(0, image.height(), 7)})
    window.close()

QTimer.singleShot(1500, look)
code = application.exec()
print(json.dumps(said))
sys.exit(code)
"""


def test_opens_on_x_with_opencv_imported_first(tmp_path: Path) -> None:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("QT_")}
    environment |= {"QT_QPA_PLATFORM": "xcb", "XDG_RUNTIME_DIR": str(tmp_path)}
    tmp_path.chmod(0o700)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", _INSIDE, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode == 0
    said = json.loads(done.stdout)
    assert said["platform"] == "xcb"
    assert said["exposed"]
    assert said["colours"] > 10
