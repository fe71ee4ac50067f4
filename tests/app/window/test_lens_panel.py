"""The lens panel on drawn views of the card, whose focal length is known exactly (`analytic`)."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from analytic import Camera, Light, draw
from numpy.typing import NDArray
from PySide6.QtCore import QTimer
from pytestqt.qtbot import QtBot

from app.lenses import Lenses
from app.window.card_page import CardPage
from app.window.lens_panel import LensPanel
from app.window.main_window import MainWindow
from app.window.measurer import Measured
from app.window.preferences import Preferences
from app.window.sources.source import Source
from measure.card import newest_card

CAMERA = Camera(
    px_per_mm=10.0, distance_mm=115, k1=-0.1, width_px=960, height_px=540, noise=0.006, blur_px=0.9
)
FOCAL_PX = 1150.0
"""10 px/mm at 115 mm."""
TILTS = ((0, 0), (16, 0), (16, 90), (16, 180), (16, 270))


@lru_cache(maxsize=8)
def frame(number: int) -> NDArray[np.uint8]:
    tilt, azimuth = TILTS[number]
    camera = replace(CAMERA, tilt_deg=tilt, tilt_azimuth_deg=azimuth, roll_deg=2.0 * number)
    return draw(newest_card("pocket"), (), Light(), camera, number)[0]


@pytest.fixture
def panel(qtbot: QtBot, tmp_path: Path) -> LensPanel:
    panel = LensPanel(tmp_path / "lenses.json")
    qtbot.addWidget(panel, before_close_func=lambda widget: widget.stop())
    panel.set_camera("Bench camera")
    panel.show()
    return panel


def give(qtbot: QtBot, panel: LensPanel, pixels: NDArray[np.uint8]) -> None:
    with qtbot.waitSignal(panel._looked, timeout=30000):
        panel.give_frame(pixels)


def take(qtbot: QtBot, panel: LensPanel, pixels: NDArray[np.uint8]) -> None:
    with qtbot.waitSignal(panel.frame_wanted, timeout=30_000):
        panel.take.click()
    give(qtbot, panel, pixels)


def test_views_until_the_lens_is_known_and_kept(qtbot: QtBot, panel: LensPanel) -> None:
    for number in range(4):
        take(qtbot, panel, frame(number))
    assert panel.count.text() == "4 views taken."
    # The fifth view brings the upper side nearer: azimuth 270 is -y, the card's upper side.
    assert "upper side nearer" in panel.missing.text()
    assert panel.lens is None
    with qtbot.waitSignal(panel.lens_changed, timeout=30000) as changed:
        take(qtbot, panel, frame(4))
    assert changed.args is not None
    lens = changed.args[0]
    assert abs(lens.focal_px / FOCAL_PX - 1) < 3 * lens.u_focal_relative
    assert "5 views" in panel.words.text()
    assert "pixels" in panel.words.text()
    assert panel.missing.text() == ""
    # Kept with the camera and the picture's size, and with no other.
    again = Lenses(panel.lenses.file.path)
    known = again.find("Bench camera", 960, 540)
    assert known is not None
    assert known.lens == lens
    assert again.find("Bench camera", 1280, 720) is None
    assert again.find("Other camera", 960, 540) is None
    # Forgotten, and brought back.
    panel.forget.click()
    assert panel.lens is None
    assert Lenses(panel.lenses.file.path).lenses() == ()
    panel.forget.click()
    assert panel.lens == lens


class Bench(Source):
    """A camera before which somebody turns the card."""

    def __init__(self) -> None:
        super().__init__("Bench camera")
        self.pixels = frame(0)
        self._timer = QTimer(self)
        self._timer.setInterval(100)
        self._timer.timeout.connect(lambda: self._hand_frame(self.pixels, time.monotonic()))

    def _begin(self) -> None:
        self._timer.start()

    def _end(self) -> None:
        self._timer.stop()


def test_from_the_first_view_to_the_next_reading_in_the_window(
    qtbot: QtBot, tmp_path: Path
) -> None:
    """On the Card page with a running camera: the lens is kept, told, and measured with.

    The same view of the card is known better with the lens than it was without.
    """
    window = MainWindow(
        Preferences(tmp_path / "window.ini"), notebook=tmp_path / "notebook.slubwise"
    )
    qtbot.addWidget(window)
    window.show()
    session, bench = window.gauge.session, Bench()
    measured: list[Measured] = []
    session.live_changed.connect(lambda _, what: what and measured.append(what))
    session.set_source(bench)
    window.show_page("card")
    card = window.page("card")
    assert isinstance(card, CardPage)
    card.check.tabs.setCurrentWidget(card.lens)

    def seen(number: int) -> list[Measured]:
        return [m for m in measured if m.frame.pixels is frame(number)]

    for number in (0, 2, 3, 4, 1):
        bench.pixels = frame(number)
        qtbot.waitUntil(lambda n=number: bool(seen(n)))  # type: ignore[misc]
        with qtbot.waitSignal(card.lens._looked):
            card.lens.take.click()
    before, lens = seen(1)[0], window.gauge.measuring.lens
    assert lens is not None
    known = Lenses(tmp_path / "lenses.json").find("Bench camera", 960, 540)
    assert known is not None
    assert known.lens == lens
    assert f"fits to {lens.residual_px:.2f} pixels" in card.lens.words.text()
    # The one in hand was begun before.
    end = len(measured) + 2
    qtbot.waitUntil(lambda: len(measured) > end)
    after = measured[-1]
    window.close()
    assert before.reading.scale is not None
    assert after.reading.scale is not None
    assert after.reading.scale.u_relative < before.reading.scale.u_relative


def test_by_itself_only_still_cards_in_new_poses(qtbot: QtBot, panel: LensPanel) -> None:
    give(qtbot, panel, frame(0))
    assert panel.views == ()  # it may be moving
    give(qtbot, panel, frame(0))
    assert len(panel.views) == 1
    give(qtbot, panel, frame(0))
    assert len(panel.views) == 1  # seen already
    give(qtbot, panel, frame(1))
    assert len(panel.views) == 1  # on the move
    give(qtbot, panel, frame(1))
    assert len(panel.views) == 2
    panel.by_itself.setChecked(True)
    with qtbot.waitSignal(panel.frame_wanted, timeout=30_000):
        pass
    panel.hide()
    assert not panel.by_itself.isChecked()


def test_another_size_starts_again(qtbot: QtBot, panel: LensPanel) -> None:
    take(qtbot, panel, frame(0))
    assert len(panel.views) == 1
    take(qtbot, panel, np.ascontiguousarray(frame(0)[10:, 10:]))
    assert len(panel.views) == 1
    assert panel.views[0].width_px == 950


def test_what_gives_no_view_is_said(qtbot: QtBot, panel: LensPanel) -> None:
    take(qtbot, panel, np.full((240, 320, 3), 128, np.uint8))
    assert "No printed card" in panel.words.text()
    panel.take.click()
    panel.give_frame(None)
    assert "No camera is running" in panel.words.text()


def test_stopping_during_work_leaves_no_thread(qtbot: QtBot, tmp_path: Path) -> None:
    panel = LensPanel(tmp_path / "lenses.json")
    qtbot.addWidget(panel)
    panel.set_camera("Bench camera")
    panel.give_frame(frame(0))
    panel.stop()
    assert not [t for t in threading.enumerate() if t.name.startswith("lens")]


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"version": 2}', '{"version": 1, "lenses": [{}]}', '{"version":1,"lenses":3}'],
)
def test_a_damaged_list_is_kept_aside(tmp_path: Path, text: str) -> None:
    path = tmp_path / "lenses.json"
    path.write_text(text, "utf-8")
    lenses = Lenses(path)
    assert lenses.lenses() == ()
    assert "lenses-damaged.json" in lenses.file.trouble
    assert (tmp_path / "lenses-damaged.json").read_text("utf-8") == text
