"""Plying at the wheel: the whole window before a plied strand drawn from closed forms."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from analytic_types import Camera
from numpy.typing import NDArray
from plied import PliedStrand, draw_plied
from PySide6.QtCore import QTimer
from pytestqt.qtbot import QtBot

from app.notebook.store import Notebook
from app.window.band_dialog import BandDialog
from app.window.big_reading import BigReading
from app.window.main_window import MainWindow
from app.window.measurer import Measured
from app.window.preferences import Preferences
from app.window.sources.source import Source
from app.window.theme import LIGHT
from measure.band import Band
from measure.card import newest_card
from measure.live import LiveState
from measure.results import Caution, Twist
from measure.twist_band import TwistBand

STRAND = PliedStrand(2, 0.55, 6.0, "S", streaks=0.15)
BALANCE = TwistBand(4.0, 5.0, balanced=True)


class Held(Source):
    """The same strand, held still, ten times a second."""

    def __init__(self, pixels: NDArray[np.uint8]) -> None:
        super().__init__("drawn")
        self._pixels = pixels
        self._timer = QTimer(self)
        self._timer.setInterval(100)
        self._timer.timeout.connect(lambda: self._hand_frame(self._pixels, time.monotonic()))

    def _begin(self) -> None:
        self._timer.start()

    def _end(self) -> None:
        self._timer.stop()


@pytest.fixture
def preferences(tmp_path: Path) -> Preferences:
    kept = Preferences(tmp_path / "window.ini")
    kept.posture = "plied"
    kept.band = Band.around_mm(0.9, 20)
    kept.twist_band = BALANCE
    return kept


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path, preferences: Preferences) -> Iterator[MainWindow]:
    window = MainWindow(preferences, source=None, notebook=tmp_path / "notebook.sqlite")
    yield window
    window.close()


def test_twist_stands_beside_thickness_and_is_logged_with_it(
    window: MainWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    page = window.gauge
    logged: list[Any] = []
    measured: list[Measured] = []
    page.session.logged.connect(logged.append)
    page.session.live_changed.connect(lambda _, what: what and measured.append(what))
    window.show()
    camera = Camera(px_per_mm=16.0, blur_px=0.7)
    page.session.set_source(Held(draw_plied(newest_card("pocket"), (STRAND,), camera, 3)[0]))
    qtbot.waitUntil(lambda: bool(logged))

    assert logged[0].turns_per_inch == pytest.approx(STRAND.turns_per_inch, rel=0.03)
    assert logged[0].twist == "S"
    with Notebook.open(tmp_path / "notebook.sqlite") as notebook:
        (kept,) = notebook.readings(logged[0].bobbin_id)
    assert kept.turns_per_inch == logged[0].turns_per_inch
    spoken = page.reading.spoken()
    assert "WPI" in spoken
    assert "TPI S" in spoken
    assert "more twist. over-plied: balance is 4 to 5" in spoken
    # Now and again, not in every frame.
    told = [m.reading.strands[0].twist_detail is not None for m in measured if m.reading.strands]
    assert 0 < sum(told) < len(told)

    # Of singles nothing is said, nothing looked for.
    page.bar.show_posture("tension")
    page.bar.posture_chosen.emit("tension")
    assert "TPI" not in page.reading.spoken()
    before = len(measured) + 2  # the one in hand was begun before
    qtbot.waitUntil(lambda: len(measured) >= before + 3)
    assert all(s.twist_detail is None for m in measured[before:] for s in m.reading.strands)


def state(turns: float, half: float, **more: Any) -> LiveState:
    twist = Twist(2, turns, (turns - half, turns + half), twist="Z")
    return LiveState(
        diameter_mm=0.9,
        interval_mm=(0.88, 0.92),
        wpi=28.2,
        wpi_interval=(27.6, 28.9),
        settled=True,
        twist=replace(twist, **more),
    )


@pytest.fixture
def panel(qtbot: QtBot) -> BigReading:
    widget = BigReading()
    qtbot.addWidget(widget)
    widget.resize(430, 300)
    widget.set_plied(True)
    return widget


@pytest.mark.parametrize(
    ("turns", "half", "words"),
    [
        (5.0, 0.3, "5.0, TPI Z, 4.7 to 5.3. in the band. 2-ply"),
        (6.4, 0.3, "6.4, TPI Z, 6.1 to 6.7. more twist. 2-ply"),
        (3.9, 0.3, "3.9, TPI Z, 3.6 to 4.2. less twist, perhaps. 2-ply"),
    ],
)
def test_twist_is_said_against_its_own_band(
    panel: BigReading, turns: float, half: float, words: str
) -> None:
    panel.set_twist_band(TwistBand(4.0, 6.0))
    panel.set_state(state(turns, half))
    assert panel.spoken().endswith(words)


def test_an_interval_finer_than_its_digits_is_widened_not_hidden(panel: BigReading) -> None:
    panel.set_state(state(6.01, 0.02))
    assert "6.0, TPI Z, 5.9 to 6.1" in panel.spoken()


def test_what_is_not_known_of_the_twist_is_not_said(panel: BigReading) -> None:
    panel.set_state(state(5.0, 0.3, twist=None))
    assert panel.spoken().endswith("5.0, TPI, 4.7 to 5.3. 2-ply · S or Z not seen")
    why = Caution("too_few_turns", "Too few turns are in view.")
    none = {"turns_per_inch": None, "turns_per_inch_interval": None}
    panel.set_state(state(5.0, 0.3, reason=why, **none))
    assert panel.spoken().endswith("Too few turns are in view")
    panel.set_state(replace(state(5.0, 0.3), twist=None))
    assert panel.spoken().endswith("Looking for its twist")
    panel.set_plied(False)
    assert "twist" not in panel.spoken()


def test_more_and_less_twist_are_told_apart_without_any_colour(panel: BigReading) -> None:
    panel.set_theme(replace(LIGHT, in_band="#444444", thicker="#444444", thinner="#444444"))
    panel.set_twist_band(TwistBand(4.0, 6.0))
    grabs = []
    for turns in (5.0, 8.0, 3.0):
        panel.set_state(state(turns, 0.1))
        image = panel.grab().toImage().copy(215, 0, 215, 60)  # the word and the shape only
        grabs.append(np.frombuffer(image.constBits(), np.uint8).astype(int))
    for i, one in enumerate(grabs):
        for other in grabs[i + 1 :]:
            assert np.count_nonzero(np.abs(one - other) > 60) > 300


def test_the_dialog_asks_for_it_and_it_is_remembered(
    qtbot: QtBot, preferences: Preferences, tmp_path: Path, panel: BigReading
) -> None:
    dialog = BandDialog(preferences, LIGHT, panel)
    qtbot.addWidget(dialog)
    twist = dialog._twist
    assert dialog.twist_band == BALANCE
    twist.high.setValue(3.0)
    assert not dialog._ok.isEnabled()
    twist.high.setValue(7.0)
    assert dialog._ok.isEnabled()
    assert dialog.twist_band == TwistBand(4.0, 7.0)  # a person's own, which balances nothing
    twist.single.setValue(10.0)
    twist.balance.click()
    band = preferences.band
    assert band is not None
    assert dialog.twist_band == TwistBand.balancing(10.0, band.middle_mm, 2)
    preferences.twist_band = dialog.twist_band
    preferences.save()
    assert Preferences(tmp_path / "window.ini").twist_band == dialog.twist_band
    twist.low.setValue(0.0)
    twist.high.setValue(0.0)
    assert dialog.twist_band is None
    assert dialog._ok.isEnabled()
