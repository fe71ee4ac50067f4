"""The real process that measures, fed through its real pipe."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pytestqt.qtbot import QtBot

from app.window.frame import Frame, Still
from app.window.measure_mail import Mail
from app.window.measure_process import preview_of
from app.window.measurer import Measured, MeasuredStill, Measurer, OpenedStill
from measure.errors import MeasureError
from measure.picture import Picture, read_picture
from measure.results import PictureReading
from measure.settings import Settings

LONG_MS = 60_000
ROOT = Path(__file__).parents[3]


class Heard:
    """Everything a Measurer emits."""

    def __init__(self, qtbot: QtBot, measurer: Measurer) -> None:
        # It begins by itself as soon as events are looked at.
        self.before = threads_now(), processes_now()
        self.qtbot = qtbot
        self.measurer = measurer
        self.everything: list[Any] = []
        for told in (
            measurer.measured,
            measurer.still_opened,
            measurer.still_measured,
            measurer.died,
        ):
            told.connect(self.everything.append)

    def all(self, kind: type) -> list[Any]:
        return [what for what in self.everything if isinstance(what, kind)]

    def wait_for(self, kind: type, count: int = 1) -> list[Any]:
        self.qtbot.waitUntil(lambda: len(self.all(kind)) >= count, timeout=LONG_MS)
        return self.all(kind)

    def nothing_is_left(self) -> bool:
        return (threads_now(), processes_now()) == self.before

    def wait_until(self, done: Callable[[], bool]) -> None:
        self.qtbot.waitUntil(done, timeout=LONG_MS)


@pytest.fixture(scope="module")
def shared() -> Iterator[Measurer]:
    """One process for all tests that do it no harm: starting one takes a second or two."""
    measurer = Measurer()
    measurer.start()
    yield measurer
    measurer.stop()


@pytest.fixture
def heard(qtbot: QtBot, shared: Measurer) -> Heard:
    shared.begin_source()
    shared.set_settings(Settings())
    return Heard(qtbot, shared)


@pytest.fixture
def own(qtbot: QtBot) -> Iterator[Heard]:
    """A process of the test's own, to be ill-treated; nothing of it is left behind."""
    heard = Heard(qtbot, Measurer())
    yield heard
    heard.measurer.stop()
    assert heard.nothing_is_left()


def threads_now() -> set[threading.Thread]:
    return {thread for thread in threading.enumerate() if thread.name == "measurer"}


def processes_now() -> set[int]:
    children = multiprocessing.active_children()
    return {child.pid for child in children if child.name == "measuring" and child.pid}


def start(own: Heard) -> int:
    """Start the process, wait until it is up, and say its number."""
    with own.qtbot.waitSignal(own.measurer.ready, timeout=LONG_MS):
        own.measurer.start()
    (pid,) = processes_now() - own.before[1]
    return pid


@pytest.fixture(scope="session")
def drawn_pixels(drawn: Path) -> np.ndarray[Any, np.dtype[np.uint8]]:
    pixels = read_picture(drawn).pixels
    assert pixels.dtype == np.uint8
    return np.ascontiguousarray(pixels, np.uint8)


GREY = np.full((120, 160, 3), 128, np.uint8)


def test_frames_are_read_as_true_as_pictures_are(
    heard: Heard, drawn_pixels: Any, drawn_mm: tuple[float, ...]
) -> None:
    for number in (1, 2, 3):
        heard.measurer.offer(Frame(drawn_pixels, 100.0 + number, number))
        measured = heard.wait_for(Measured, number)[-1]
        assert (measured.number, measured.time_s) == (number, 100.0 + number)
        assert measured.frame.pixels is drawn_pixels
        assert measured.took_s > 0
        # Truth: the widths the picture was drawn with, from closed forms.
        strands = measured.reading.strands
        assert len(strands) == len(drawn_mm)
        for strand, true_mm in zip(strands, drawn_mm, strict=True):
            low, high = strand.diameter_interval_mm
            assert low <= true_mm <= high


def test_a_frame_is_waited_for_when_it_is_due_and_the_one_there_is_old() -> None:
    """Frames 40 ms apart: from 10 ms on the next is waited for, until it is 10 ms late."""
    mail = Mail(None)
    assert mail.fresher_in_s(0.0) == 0.0
    mail.put_frame(Frame(GREY, 7.00, 1))
    assert mail.fresher_in_s(7.03) == 0.0  # how far they are apart is not known yet
    mail.put_frame(Frame(GREY, 7.04, 2))
    assert mail.fresher_in_s(7.045) == 0.0
    assert mail.fresher_in_s(7.07) == pytest.approx(0.02)
    assert mail.fresher_in_s(7.085) == 0.0
    mail.put_still(Still(b"", "one"))
    assert mail.fresher_in_s(7.07) == 0.0
    assert isinstance(mail.take(), tuple)
    mail.begin_source()
    mail.put_frame(Frame(GREY, 9.0, 1))
    assert mail.fresher_in_s(9.03) == 0.0


def test_a_frame_whose_source_is_behind_takes_no_empty_place() -> None:
    mail = Mail(None)

    def taken() -> int | None:
        job = mail.take()
        return job[1].number if job is not None and isinstance(job[1], Frame) else None

    mail.put_frame(Frame(GREY, 7.00, 1, in_time=False))
    assert taken() is None
    # Where one waits already that is to be measured, the newest is.
    mail.put_frame(Frame(GREY, 7.04, 2))
    assert mail.fresher_in_s(7.06) > 0.0
    mail.put_frame(Frame(GREY, 7.08, 3, in_time=False))
    assert mail.fresher_in_s(7.10) > 0.0
    mail.put_frame(Frame(GREY, 7.12, 4, in_time=False))
    assert taken() == 4
    mail.put_frame(Frame(GREY, 7.16, 5, in_time=False))
    assert taken() is None


def test_a_frame_that_is_part_of_a_larger_array_arrives_as_it_is(heard: Heard) -> None:
    # Its lines are not next to each other in memory.
    part = np.full((200, 300, 3), 128, np.uint8)[20:140, 30:190]
    heard.measurer.offer(Frame(part, 0.0, 1))
    reading = heard.wait_for(Measured)[0].reading
    assert (reading.width_px, reading.height_px) == (160, 120)
    assert [refusal.code for refusal in reading.refusals] == ["no_card"]


def test_of_many_frames_the_newest_is_measured_and_none_queues_up(heard: Heard) -> None:
    for number in range(1, 51):
        heard.measurer.offer(Frame(GREY, float(number), number))
    heard.wait_until(lambda: any(m.number == 50 for m in heard.all(Measured)))
    heard.qtbot.wait(100)
    numbers = [m.number for m in heard.all(Measured)]
    assert numbers[-1] == 50
    assert numbers == sorted(set(numbers))
    # Had they queued up, all fifty would have been measured; how few are is the machine's affair.
    assert len(numbers) < 25


def test_frames_of_the_source_before_are_not_answered_any_more(heard: Heard) -> None:
    heard.measurer.offer(Frame(GREY, 0.0, 7))
    heard.measurer.begin_source()
    heard.measurer.offer(Frame(GREY, 1.0, 1))
    heard.wait_for(Measured)
    heard.qtbot.wait(100)
    assert [m.number for m in heard.all(Measured)] == [1]


def test_settings_hold_from_the_next_frame_on(heard: Heard, drawn_pixels: Any) -> None:
    heard.measurer.offer(Frame(drawn_pixels, 0.0, 1))
    plain = heard.wait_for(Measured)[-1].reading.strands[0]
    heard.measurer.set_settings(Settings(wrap_factor=1.25))
    heard.measurer.offer(Frame(drawn_pixels, 1.0, 2))
    wide = heard.wait_for(Measured, 2)[-1].reading.strands[0]
    # docs/definitions.md: WPI = 25.4 mm / (diameter x wrap factor).
    assert wide.wpi * wide.diameter_mm * 1.25 == pytest.approx(25.4)
    assert plain.wpi * plain.diameter_mm == pytest.approx(25.4)


def test_a_still_is_shown_then_measured(
    heard: Heard, drawn: Path, drawn_mm: tuple[float, ...]
) -> None:
    still = Still(drawn, drawn.name)
    heard.measurer.measure_still(still)
    assert heard.measurer.stills_waiting == 1
    heard.wait_for(MeasuredStill)
    opened, measured = heard.everything
    assert isinstance(opened, OpenedStill)
    assert opened.still is measured.still is still
    picture = read_picture(drawn)
    np.testing.assert_array_equal(opened.preview, picture.pixels)
    assert measured.preview is opened.preview
    assert measured.factor == opened.factor == 1.0
    assert (opened.width_px, opened.height_px) == picture.pixels.shape[1::-1]
    assert isinstance(measured.reading, PictureReading)
    for strand, true_mm in zip(measured.reading.strands, drawn_mm, strict=True):
        assert abs(strand.diameter_mm - true_mm) < 3 * strand.u_diameter_mm
    assert heard.measurer.stills_waiting == 0


def test_stills_come_in_order_each_with_its_outcome(heard: Heard, tmp_path: Path) -> None:
    Image.fromarray(np.full((90, 120), 200, np.uint8)).save(tmp_path / "grey.png")
    data = (tmp_path / "grey.png").read_bytes()
    (tmp_path / "words.jpg").write_text("sixteen wraps")
    stills = [
        Still(tmp_path / "words.jpg", "words.jpg"),
        Still(data, "pasted picture"),
        Still(tmp_path / "gone.jpg", "gone.jpg"),
        Still(tmp_path / "grey.png", "grey.png"),
    ]
    for still in stills:
        heard.measurer.measure_still(still)
    done = heard.wait_for(MeasuredStill, 4)
    assert [measured.still for measured in done] == stills
    errors = [m.reading.code if isinstance(m.reading, MeasureError) else None for m in done]
    assert errors == ["not_a_picture", None, "unreadable_file", None]
    assert [m.preview is None for m in done] == [True, False, True, False]
    assert all(m.reading.advice for m in done if isinstance(m.reading, MeasureError))


def test_stills_go_before_frames_and_frames_go_on_after(heard: Heard, tmp_path: Path) -> None:
    Image.fromarray(np.full((90, 120), 200, np.uint8)).save(tmp_path / "grey.png")
    for _ in range(2):
        heard.measurer.measure_still(Still(tmp_path / "grey.png", "grey.png"))
    heard.measurer.offer(Frame(GREY, 0.0, 1))
    heard.wait_for(Measured)
    assert len(heard.all(MeasuredStill)) == 2


@pytest.mark.parametrize(
    ("shape", "kind"),
    [
        ((100, 4000), np.uint8),
        ((7000, 90), np.uint16),
        ((4000, 3300, 3), np.uint8),
        ((80, 70, 3), np.uint16),
    ],
)
def test_a_preview_fits_a_screen_and_keeps_places(shape: tuple[int, ...], kind: type) -> None:
    top = np.iinfo(kind).max
    pixels = np.zeros(shape, kind)
    height, width = shape[:2]
    rows, columns = slice(height // 4, height // 2), slice(width // 2, 3 * width // 4)
    pixels[rows, columns] = top
    picture = Picture(pixels, None, None, False, "drawn")
    opened, preview = preview_of(picture)
    assert preview.dtype == np.uint8
    assert preview.shape == opened.shape
    assert preview.ndim == 3
    assert max(preview.shape) <= 3200
    assert (opened.width_px, opened.height_px) == (width, height)
    bright = np.argwhere(preview[..., 1] > 127)
    for axis, place in ((0, rows), (1, columns)):
        # The edges of the block, half a pixel before its first and after its last.
        low = (place.start) * opened.factor - 0.5
        high = (place.stop) * opened.factor - 0.5
        assert bright[:, axis].min() - 0.5 == pytest.approx(low, abs=1.0)
        assert bright[:, axis].max() + 0.5 == pytest.approx(high, abs=1.0)
    assert preview.max() == 255


def test_a_process_that_is_killed_is_started_again_and_a_still_comes_back_as_an_error(
    own: Heard, drawn: Path, drawn_pixels: Any
) -> None:
    pid = start(own)
    assert own.measurer.rests.is_set()
    # As soon as it is read, so that it dies of being measured.
    own.measurer.still_opened.connect(lambda _: os.kill(pid, signal.SIGKILL))
    own.measurer.measure_still(Still(drawn, "fatal"))
    (measured,) = own.wait_for(MeasuredStill)
    assert isinstance(measured.reading, MeasureError)
    assert measured.reading.code == "measuring_stopped"
    assert measured.preview is not None
    (sentence,) = own.wait_for(str)
    assert sentence.endswith(".")
    assert own.measurer.rests.is_set(), "or decoding would stand back for nobody"

    own.measurer.offer(Frame(drawn_pixels, 1.0, 5))
    assert own.wait_for(Measured)[0].reading.strands
    assert pid not in processes_now()
    assert len(own.all(MeasuredStill)) == 1


def test_stopping_ends_process_and_thread_even_while_measuring(
    own: Heard, drawn_pixels: Any
) -> None:
    pid = start(own)
    assert not own.nothing_is_left()
    assert own.measurer.rests.is_set()
    own.measurer.offer(Frame(drawn_pixels, 0.0, 1))
    own.wait_until(lambda: not own.measurer.rests.is_set())
    own.measurer.stop()
    assert own.measurer.rests.is_set()
    assert own.nothing_is_left()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    # What comes later falls on deaf ears.
    own.measurer.offer(Frame(drawn_pixels, 1.0, 2))
    own.measurer.start()
    own.qtbot.wait(50)
    assert own.everything == []


def test_stopping_before_the_process_is_up_is_clean(own: Heard) -> None:
    own.measurer.offer(Frame(GREY, 0.0, 1))
    own.measurer.start()
    own.measurer.stop()
    assert own.nothing_is_left()


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are POSIX's")
def test_a_process_that_stands_still_can_be_stopped(own: Heard) -> None:
    os.kill(start(own), signal.SIGSTOP)
    # More than a pipe holds: whoever sends it waits for ever.
    own.measurer.offer(Frame(np.zeros((1080, 1920, 3), np.uint8), 0.0, 1))
    own.qtbot.wait(100)
    own.measurer.stop()


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_the_process_loads_no_qt_and_ctrl_c_is_not_for_it(heard: Heard) -> None:
    heard.measurer.offer(Frame(GREY, 0.0, 1))
    heard.wait_for(Measured)
    (pid,) = processes_now()
    os.kill(pid, signal.SIGINT)
    loaded = Path(f"/proc/{pid}/maps").read_text()
    assert "numpy" in loaded
    assert "libQt6" not in loaded
    heard.measurer.offer(Frame(GREY, 0.0, 2))
    heard.wait_for(Measured, 2)


PARENT = """
import sys, time
from PySide6.QtCore import QCoreApplication, QTimer

def main():
    import multiprocessing
    from app.window.measurer import Measurer
    application = QCoreApplication([])
    measurer = Measurer()

    def tell():
        print(multiprocessing.active_children()[0].pid, flush=True)

    measurer.ready.connect(tell)
    application.exec()

if __name__ == "__main__":
    main()
"""


@pytest.mark.skipif(os.name == "nt", reason="there is no SIGKILL")
def test_the_process_ends_when_the_window_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(PARENT)
    parent = subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert parent.stdout is not None
    assert parent.stderr is not None
    worker = int(parent.stdout.readline())
    os.kill(worker, 0)
    parent.kill()
    parent.wait()
    until = time.monotonic() + 20.0
    while time.monotonic() < until and is_running(worker):
        time.sleep(0.02)
    assert not is_running(worker)
    assert parent.stderr.read() == b""
    parent.stdout.close()
    parent.stderr.close()


def is_running(pid: int) -> bool:
    """False as well for one that has ended and that nobody has asked about yet."""
    if sys.platform == "linux":
        try:
            return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
        except FileNotFoundError:
            return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
