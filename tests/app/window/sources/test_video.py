from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from pytestqt.qtbot import QtBot

from app.window.frame import Frame, SourceState
from app.window.sources.source import Source
from app.window.sources.video import VideoSource, _Clock, _FramesAhead, _Reader, is_video

RATE = 20
COUNT = 12
Play = Callable[[Source], tuple[list[Frame], list[SourceState]]]


def level(number: int) -> int:
    """What the frame of that number is painted with."""
    return 40 + 14 * number


def write(path: Path, pictures: list[NDArray[np.uint8]], code: str = "mp4v") -> Path:
    height, width = pictures[0].shape[:2]
    writer = cv2.VideoWriter(
        str(path), cv2.CAP_FFMPEG, cv2.VideoWriter_fourcc(*code), RATE, (width, height)
    )
    assert writer.isOpened()
    for picture in pictures:
        writer.write(picture)
    writer.release()
    return path


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """COUNT frames of 160 x 96, each of one grey, with an umlaut in the name."""
    greys = [np.full((96, 160, 3), level(i), np.uint8) for i in range(COUNT)]
    # A per cent sign: some readers take such a name for a series of pictures.
    return write(tmp_path_factory.mktemp("film") / "spinning ü %02d.mp4", greys)


@pytest.fixture
def play(qtbot: QtBot) -> Iterator[Play]:
    opened: list[Source] = []

    def begin(source: Source) -> tuple[list[Frame], list[SourceState]]:
        frames: list[Frame] = []
        states: list[SourceState] = []
        source.frame.connect(frames.append)
        source.state.connect(states.append)
        opened.append(source)
        source.start()
        return frames, states

    yield begin
    for source in opened:
        source.stop()


def test_frames_come_in_order_at_the_files_own_times(qtbot: QtBot, play: Play, film: Path) -> None:
    before = time.monotonic()
    source = VideoSource(film)
    frames, states = play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "ended", timeout=30_000)

    assert source.name == film.name
    greys = [int(frame.pixels[48, 80, 1]) for frame in frames]
    order = [round((grey - 40) / 14) for grey in greys]
    assert order == sorted(set(order))
    # A busy computer may lose some, never the greater part.
    assert len(order) > COUNT / 2
    np.testing.assert_allclose(greys, [level(i) for i in order], atol=4)
    times = np.array([frame.time_s for frame in frames])
    np.testing.assert_allclose(times - times[0], (np.array(order) - order[0]) / RATE, atol=1e-3)
    assert before <= times[0]
    assert times[-1] <= time.monotonic()
    assert [state.kind for state in states] == ["starting", "running", "ended"]
    assert states[1].detail == f"160 x 96, {RATE} a second"


def test_a_frame_is_rgb_and_nobody_elses(qtbot: QtBot, play: Play, tmp_path: Path) -> None:
    # Without loss (FFV1), so that the colours written are those read, OpenCV's order undone.
    pictures = [np.full((64, 80, 3), (10 + i, 90, 200), np.uint8) for i in range(6)]
    source = VideoSource(write(tmp_path / "red.avi", pictures, "FFV1"))
    frames, _ = play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "ended", timeout=30_000)
    assert len(frames) > 2
    for frame in frames:
        # Its blue says when it was drawn: no later frame was drawn over it.
        assert frame.pixels[..., 0].min() == frame.pixels[..., 0].max() == 200
        assert frame.pixels[0, 0, 1] == 90
        assert frame.pixels.shape == (64, 80, 3)
    blues = [int(frame.pixels[0, 0, 2]) for frame in frames]
    assert len(set(blues)) == len(blues)


def test_an_endless_video_begins_again_and_time_goes_on(
    qtbot: QtBot, play: Play, film: Path
) -> None:
    source = VideoSource(film, "Sample video", endless=True)
    frames, _ = play(source)

    def turns() -> int:
        return sum(a.pixels[0, 0, 0] > b.pixels[0, 0, 0] for a, b in pairwise(frames))

    qtbot.waitUntil(lambda: turns() >= 2, timeout=30_000)
    assert source.name == "Sample video"
    assert source.current_state.kind == "running"
    times = [frame.time_s for frame in frames]
    numbers = [frame.number for frame in frames]
    assert (np.diff(times) > 0).all()
    assert (np.diff(numbers) > 0).all()


def test_a_window_that_was_busy_gets_the_newest_frame_only(
    qtbot: QtBot, play: Play, film: Path
) -> None:
    source = VideoSource(film, endless=True)
    frames, _ = play(source)
    qtbot.waitUntil(lambda: len(frames) >= 2, timeout=30_000)
    before = len(frames)
    time.sleep(6 / RATE)
    qtbot.waitUntil(lambda: len(frames) > before, timeout=30_000)
    assert frames[before].number >= frames[before - 1].number + 3


@pytest.fixture
def decode(film: Path) -> Iterator[Callable[..., _FramesAhead]]:
    """Begins to decode the film ahead; closed after the test."""
    begun: list[_FramesAhead] = []

    def begin(rests: threading.Event | None = None) -> _FramesAhead:
        begun.append(_FramesAhead(film, film.name, endless=False, rests=rests))
        return begun[-1]

    yield begin
    for frames in begun:
        frames.close()


def times_of_rest(frames: _FramesAhead) -> list[float]:
    """The times of all frames that are still to come."""
    times = []
    while (frame := frames.take(threading.Event())) is not None:
        times.append(frame.time_s)
    return times


def test_decoding_goes_on_ahead_and_no_farther(
    qtbot: QtBot, decode: Callable[..., _FramesAhead]
) -> None:
    frames = decode()
    first = frames.take(threading.Event())
    assert first is not None
    assert first.time_s == 0.0
    qtbot.waitUntil(lambda: frames.enough, timeout=30_000)
    # One in hand beside those that wait; had it gone on, the film would be at its end.
    time.sleep(0.2)
    assert not frames._ended.is_set()
    times = [first.time_s, *times_of_rest(frames)]
    np.testing.assert_allclose(times, np.arange(COUNT) / RATE, atol=1e-3)
    # At the end there is nothing to wait for.
    assert frames.enough


def test_decoding_stands_back_while_others_measure_and_enough_is_there(
    qtbot: QtBot, decode: Callable[..., _FramesAhead]
) -> None:
    rests = threading.Event()
    frames = decode(rests)
    half = frames._ready.maxsize // 2
    qtbot.waitUntil(lambda: frames._ready.qsize() == half, timeout=30_000)
    time.sleep(0.2)
    assert frames._ready.qsize() == half
    # What is shown meanwhile is made up for, no more.
    for number in range(3):
        frame = frames.take(threading.Event())
        assert frame is not None
        assert frame.time_s == pytest.approx(number / RATE, abs=1e-3)
        qtbot.waitUntil(lambda: frames._ready.qsize() == half, timeout=30_000)
    rests.set()
    qtbot.waitUntil(lambda: frames.enough, timeout=30_000)
    assert len(times_of_rest(frames)) == COUNT - 3


def test_of_large_frames_fewer_are_decoded_ahead(
    qtbot: QtBot, decode: Callable[..., _FramesAhead], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.window.sources.video._AHEAD_BYTES", 3 * 96 * 160 * 3)
    frames = decode()
    assert frames.take(threading.Event()) is not None
    qtbot.waitUntil(lambda: frames._ready.qsize() >= 3, timeout=30_000)
    time.sleep(0.1)
    assert frames._ready.qsize() == 3
    assert frames.enough


def test_frames_that_come_too_late_are_passed_over(
    decode: Callable[..., _FramesAhead], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.window.sources.video._AHEAD", 2)
    frames = decode()
    assert frames.take(threading.Event()) is not None
    frames.skip_to(0, (COUNT - 1.5) / RATE)
    times = times_of_rest(frames)
    # What had been decoded by then comes all the same.
    assert times == sorted(times)
    assert times[-1] == pytest.approx((COUNT - 1) / RATE, abs=1e-3)
    assert len(times) < COUNT / 2


def test_a_film_that_is_decoded_too_slowly_is_shown_and_seldom_measured(
    qtbot: QtBot, play: Play, film: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    grab = _Reader.next

    def slowly(reader: _Reader) -> bool:
        time.sleep(1.2 / RATE)
        return grab(reader)

    monkeypatch.setattr(_Reader, "next", slowly)
    source = VideoSource(film)
    frames, _ = play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "ended", timeout=30_000)
    measured = [frame.in_time for frame in frames]
    # The first of all, then one in a quarter of a second: the film takes three times that.
    assert measured[0]
    assert not measured[1]
    assert sum(measured) < len(measured)


def test_a_film_on_one_core_plays_on_while_measuring_never_rests(
    qtbot: QtBot, play: Play, film: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.window.sources.video.one_core", lambda: True)
    source = VideoSource(film)
    source.measuring_rests = threading.Event()
    frames, _ = play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "ended", timeout=30_000)
    assert len(frames) > COUNT / 2
    again = VideoSource(film, endless=True)
    again.measuring_rests = threading.Event()
    frames, _ = play(again)
    qtbot.waitUntil(lambda: bool(frames), timeout=30_000)
    again.stop()
    assert not any(t.name.startswith(("source", "frames of")) for t in threading.enumerate())


def test_stopping_is_at_once_and_final(qtbot: QtBot, play: Play, film: Path) -> None:
    source = VideoSource(film, endless=True)
    frames, _ = play(source)
    qtbot.waitUntil(lambda: bool(frames), timeout=30_000)
    source.stop()
    assert not any(t.name.startswith(("source", "frames of")) for t in threading.enumerate())
    count = len(frames)
    qtbot.wait(150)
    assert len(frames) == count


@pytest.mark.parametrize("content", [b"not a video at all, only words", b""])
def test_what_is_no_video_is_said_to_be_none(
    qtbot: QtBot,
    play: Play,
    tmp_path: Path,
    content: bytes,
    capfd: pytest.CaptureFixture[str],
) -> None:
    file = tmp_path / "notes.mp4"
    file.write_bytes(content)
    source = VideoSource(file)
    play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "failed", timeout=30_000)
    assert source.current_state.text == "notes.mp4 is not a video that can be read."
    assert source.current_state.advice
    source.stop()
    assert capfd.readouterr().err == ""


def test_a_video_cut_short_at_its_copying_is_said_to_be_unreadable(
    qtbot: QtBot, play: Play, film: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    # The index of an MP4 comes last: without it nothing can be shown.
    file = tmp_path / "half.mp4"
    file.write_bytes(film.read_bytes()[: film.stat().st_size // 2])
    source = VideoSource(file)
    play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "failed", timeout=30_000)
    source.stop()
    assert capfd.readouterr().err == ""


def test_a_video_that_is_not_there_is_waited_for(
    qtbot: QtBot, play: Play, film: Path, tmp_path: Path
) -> None:
    file = tmp_path / "later.mp4"
    source = VideoSource(file)
    frames, _ = play(source)
    qtbot.waitUntil(lambda: source.current_state.kind == "waiting", timeout=30_000)
    assert source.current_state.text == "later.mp4 is not there."
    shutil.copy(film, tmp_path / "copy")
    (tmp_path / "copy").rename(file)
    qtbot.waitUntil(lambda: bool(frames), timeout=30_000)


def test_a_hole_in_the_files_times_does_not_stop_the_picture() -> None:
    clock = _Clock()
    assert clock.due(0.0, 100.0) == 100.0
    assert clock.due(0.1, 100.05) == pytest.approx(100.1)
    # The next frame is stamped an hour later: it is shown a frame later.
    after = clock.due(3600.0, 100.1)
    assert after == pytest.approx(100.14)
    assert clock.due(3600.1, 100.1) == pytest.approx(after + 0.1)


def test_after_a_stall_the_video_goes_on_instead_of_racing() -> None:
    clock = _Clock()
    clock.due(0.0, 100.0)
    assert clock.due(0.04, 103.0) == pytest.approx(103.0)
    assert clock.due(0.08, 103.0) == pytest.approx(103.04)
    # A short one is made up for.
    assert clock.due(0.12, 103.3) == pytest.approx(103.08)


def test_the_ending_tells_a_video_in_any_case() -> None:
    assert is_video(Path("a.MP4"))
    assert is_video(Path("b.mov"))
    assert not is_video(Path("c.jpg"))
    assert not is_video(Path("mp4"))
