"""The sample video through the real window: readings, log and chart against its truth."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pytestqt.qtbot import QtBot

from app.samples import sample_video
from app.window.main_window import MainWindow
from app.window.measurer import Measured
from app.window.preferences import Preferences
from measure.band import Band
from measure.live import LiveState

LOOP_MS = 180_000


@pytest.fixture
def truth() -> dict[str, Any]:
    video = sample_video()
    assert video is not None
    told: dict[str, Any] = json.loads(video.with_suffix(".json").read_text(encoding="utf-8"))
    return told


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path, truth: dict[str, Any]) -> Iterator[MainWindow]:
    preferences = Preferences(tmp_path / "window.ini")
    preferences.band = Band.from_wpi(*truth["band_wpi"])
    window = MainWindow(preferences, source="sample", notebook=tmp_path / "notebook.sqlite")
    yield window
    window.close()


def test_each_strand_held_is_logged_once_by_itself(
    window: MainWindow, qtbot: QtBot, truth: dict[str, Any]
) -> None:
    """Five held stretches, five readings: each its own core, judged as its own width is.

    Source: the rendered geometry, whose core widths the truth file gives (sample_images/video.py).
    """
    held = [s["strand"]["core_mean_mm"] for s in truth["stretches"] if s["state"] == "held"]
    page = window.gauge
    shown: list[tuple[LiveState, Measured | None]] = []
    logged: list[Any] = []
    page.session.live_changed.connect(lambda *what: shown.append(what))
    page.session.logged.connect(logged.append)
    window.show()
    qtbot.waitUntil(lambda: len(logged) >= len(held), timeout=LOOP_MS)
    source, measurer = page.session._source, page.session._measurer
    assert source is not None
    assert source.measuring_rests is measurer.rests

    # The video runs round and round; a slow machine may miss a stretch, and takes it next time.
    for reading in logged:
        low_mm, high_mm = reading.interval_mm
        assert any(low_mm <= mm <= high_mm for mm in held)
        assert reading.has_picture
        assert reading.posture == "tension"
    band = window.preferences.band
    assert band is not None
    places = [band.judge(r.diameter_mm, r.interval_mm).place for r in logged]
    true_places = [
        {band.judge(mm, (mm, mm)).place for mm in held if low_mm <= mm <= high_mm}
        for low_mm, high_mm in (r.interval_mm for r in logged)
    ]
    assert all(place in true for place, true in zip(places, true_places, strict=True))

    points = page.chart.points
    assert [r.id for r in points.readings] == [r.id for r in logged]
    assert points.y.tolist() == pytest.approx([math.log(r.diameter_mm) for r in logged])
    assert list(points.place) == places

    settled = [state for state, _ in shown if state.settled]
    assert settled
    bare = [state for state, what in shown if what is not None and not what.reading.strands]
    assert any(state.advice for state in bare)
    # Words that are taken in at a glance, and nothing of scans and rulers at the wheel.
    assert all(len(state.advice) <= 80 for state, _ in shown)
    assert not any(word in s.advice for s, _ in shown for word in ("ruler", "scan", "dpi"))


def test_by_hand_nothing_is_logged_by_itself(window: MainWindow, qtbot: QtBot) -> None:
    page = window.gauge
    page.session.hands_free = False
    taken: list[LiveState] = []
    logged: list[Any] = []
    page.session.live_changed.connect(lambda state, _: taken.append(state))
    page.session.logged.connect(logged.append)
    window.show()
    qtbot.waitUntil(lambda: any(s.take is not None for s in taken), timeout=LOOP_MS)
    assert logged == []
    with qtbot.waitSignal(page.session.logged, timeout=LOOP_MS):
        page.session.take_now()
    assert len(logged) == 1
