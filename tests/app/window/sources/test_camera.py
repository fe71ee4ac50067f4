"""The camera source as far as a computer without a camera has it: its sink takes real frames."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
from PySide6.QtCore import QSize
from PySide6.QtMultimedia import QMediaDevices, QVideoFrame, QVideoFrameFormat
from pytestqt.qtbot import QtBot

from app.window.frame import Frame, SourceState
from app.window.sources.camera import CameraSource, best_format
from app.window.sources.camera_watch import CameraId

GONE = CameraId("A camera nobody has", "00")


def nv12(level: int, width: int = 64, height: int = 48) -> QVideoFrame:
    form = QVideoFrameFormat(QSize(width, height), QVideoFrameFormat.PixelFormat.Format_NV12)
    frame = QVideoFrame(form)
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    np.frombuffer(frame.bits(0), np.uint8)[:] = level
    np.frombuffer(frame.bits(1), np.uint8)[:] = 128
    frame.unmap()
    return frame


@pytest.fixture
def camera(qtbot: QtBot) -> object:
    source = CameraSource(GONE)
    yield source
    source.stop()


def test_a_camera_that_is_not_connected_is_waited_for(qtbot: QtBot, camera: CameraSource) -> None:
    states: list[SourceState] = []
    camera.state.connect(states.append)
    camera.start()
    assert [state.kind for state in states] == ["starting", "waiting"]
    assert camera.name == GONE.name
    assert states[-1].text == "A camera nobody has is not connected."


def test_what_comes_into_the_sink_goes_out_as_frames(qtbot: QtBot, camera: CameraSource) -> None:
    frames: list[Frame] = []
    camera.frame.connect(frames.append)
    camera.start()
    for number, level in enumerate((16, 126, 235), 1):
        before = time.monotonic()
        camera._sink.setVideoFrame(nv12(level))
        qtbot.waitUntil(lambda number=number: len(frames) == number, timeout=30_000)
        assert before <= frames[-1].time_s <= time.monotonic()
    # ITU-R BT.601-7: black, the middle, white.
    assert [int(frame.pixels[20, 30, 1]) for frame in frames] == [0, 128, 255]
    assert [frame.number for frame in frames] == [1, 2, 3]


def test_frames_may_come_in_any_thread_and_only_the_newest_is_kept(
    qtbot: QtBot, camera: CameraSource
) -> None:
    frames: list[Frame] = []
    camera.frame.connect(frames.append)
    camera.start()

    def shower() -> None:
        for level in range(16, 236):
            camera._sink.setVideoFrame(nv12(level))

    thread = threading.Thread(target=shower)
    thread.start()
    thread.join()
    # BT.601-7: 235 is white.
    qtbot.waitUntil(lambda: bool(frames) and frames[-1].pixels[0, 0, 0] == 255, timeout=30_000)
    # The window stood still for all of it: the one that waited, the one at work, the newest.
    assert len(frames) <= 3


def test_after_the_stop_no_frame_comes_and_it_starts_again(
    qtbot: QtBot, camera: CameraSource
) -> None:
    frames: list[Frame] = []
    camera.frame.connect(frames.append)
    camera.start()
    camera._sink.setVideoFrame(nv12(100))
    camera.stop()
    camera._sink.setVideoFrame(nv12(100))
    qtbot.wait(50)
    assert frames == []
    camera.start()
    camera._sink.setVideoFrame(nv12(200))
    qtbot.waitUntil(lambda: len(frames) >= 1, timeout=30_000)


def test_every_camera_of_this_computer_gets_a_format_it_has(qtbot: QtBot) -> None:
    assert best_format([]) is None
    for device in QMediaDevices.videoInputs():
        formats = device.videoFormats()
        assert best_format(formats) in formats
