"""Measuring beside the window: one worker process, newest frame first, never in this process."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, Qt, QTimer, Signal, Slot

from app.window import measure_process as process
from app.window.frame import Frame, Still
from app.window.frame_pixels import FrameSender, receive_pixels
from app.window.measure_mail import Mail
from measure.errors import MeasureError

if TYPE_CHECKING:
    from measure.camera_meters import CameraHelp
    from measure.results import PictureReading
    from measure.settings import Settings

_GRACE_S: Final = 1.0
"""For a process told to end, before it is killed."""
_STOP_WITHIN_S: Final = 2.0
_FIRST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 10.0
_LIVED_S: Final = 10.0
"""A process that lived so long did not die of the same as the one before."""
_KEEP_MEMORY: Final = {
    "MALLOC_TRIM_THRESHOLD_": str(256 << 20),
    "MALLOC_MMAP_THRESHOLD_": str(32 << 20),
}
"""glibc keeps what one frame needed for the next, which spares some thousand page faults a second;
other systems do not know these."""
_STOPPED_TEXT: Final = "Measuring stopped without a warning and is being started again."


@dataclass(frozen=True, eq=False)
class Measured:
    """A frame and what was read in it."""

    frame: Frame
    reading: PictureReading
    help: CameraHelp | None
    took_s: float
    """What measuring took in the worker, the way there and back left out."""
    took_cpu_s: float
    """The same in processor time."""

    @property
    def number(self) -> int:
        """The frame's number in its source."""
        return self.frame.number

    @property
    def time_s(self) -> float:
        """When the frame was taken, on the clock of `time.monotonic`."""
        return self.frame.time_s


@dataclass(frozen=True, eq=False)
class OpenedStill:
    """A still that could be read, before it is measured.

    A place (x, y) of the picture is at ((x + 0.5) * factor - 0.5, (y + 0.5) * factor - 0.5) of the
    preview.
    """

    still: Still
    preview: NDArray[np.uint8]
    """(rows, columns, 3) RGB, at most 3200 pixels on its longer side."""
    factor: float
    """Preview pixels per pixel of the picture, 1 or less."""
    width_px: int
    height_px: int


@dataclass(frozen=True, eq=False)
class MeasuredStill:
    """A still and what was read in it, or why it could not be read."""

    still: Still
    reading: PictureReading | MeasureError
    preview: NDArray[np.uint8] | None
    """As in OpenedStill; None when the picture could not be read."""
    factor: float


_Answer = Measured | OpenedStill | MeasuredStill | str


class Measurer(QObject):
    """Has frames and stills measured in a process of its own, and tells when it is done.

    Lives in the UI thread and never keeps it waiting. Begins by itself once the event loop runs.
    Of the frames offered only the newest that was not sent yet is kept; where the next is due soon,
    that is waited for. Stills are all measured, in order, before any frame. When the process dies
    it is started again; a still that it died of comes back as an error and is not tried again.
    """

    measured = Signal(object)
    """Measured."""
    still_opened = Signal(object)
    """OpenedStill: there is something to show, while it is measured."""
    still_measured = Signal(object)
    """MeasuredStill."""
    died = Signal(str)
    """A sentence: the process ended by itself. It is started again without being asked."""
    ready = Signal()
    """The process is up."""
    _answered = Signal(object)

    def __init__(self, settings: Settings | None = None, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._link: _Link | None = None
        self._stopped = False
        self._mail = Mail(settings)
        self.rests = threading.Event()
        """Set while nothing is measured, for threads that would rather work then."""
        self.rests.set()
        self._answered.connect(self._deliver, Qt.ConnectionType.QueuedConnection)
        QTimer.singleShot(0, self, self.start)

    @Slot()
    def start(self) -> None:
        """Start the process; returns at once and does nothing when it runs or was stopped."""
        if self._link is None and not self._stopped:
            self._link = _Link(self._mail, self._answered.emit, self.rests)
            self._link.start()

    def stop(self) -> None:
        """End the process and the thread that talks to it, at once; nothing is emitted after."""
        self._stopped = True
        if self._link is not None:
            self._link.stop()
            self._link = None

    def offer(self, frame: Frame) -> None:
        """Measure this frame next, in place of any that was not begun yet."""
        self._mail.put_frame(frame)
        if self._link is not None and self._link.hungry:
            self._link.wake()

    def measure_still(self, still: Still) -> None:
        """Measure this picture after the stills that were asked for before."""
        self._mail.put_still(still)
        if self._link is not None:
            self._link.wake()

    def set_settings(self, settings: Settings) -> None:
        """Measure so from now on, whatever waits included."""
        self._mail.put_settings(settings)

    def set_aim(self, strand_mm: float | None) -> None:
        """The strand aimed at, for which the camera's help is given when none is there."""
        self._mail.put_aim(strand_mm)

    def set_twist(self, wanted: bool) -> None:
        """Whether twist is looked for in some of the frames; in stills it always is."""
        self._mail.put_twist(wanted)

    def begin_source(self) -> None:
        """Forget the frames of the source before; none of them is answered any more."""
        self._mail.begin_source()

    @property
    def stills_waiting(self) -> int:
        """How many stills are not measured yet, the one in hand included."""
        return self._mail.stills_waiting

    @Slot(object)
    def _deliver(self, answer: tuple[int, _Answer | None]) -> None:
        source, what = answer
        if self._stopped:
            return
        if what is None:
            self.ready.emit()
        elif isinstance(what, Measured):
            if source == self._mail.source:
                self.measured.emit(what)
        elif isinstance(what, OpenedStill):
            self.still_opened.emit(what)
        elif isinstance(what, MeasuredStill):
            self._mail.still_done()
            self.still_measured.emit(what)
        else:
            self.died.emit(what)


class _Link(threading.Thread):
    """Keeps the process running and talks to it: one job, its answer, the next job."""

    def __init__(self, mail: Mail, tell: Any, rests: threading.Event) -> None:
        super().__init__(name="measurer", daemon=True)
        self._mail = mail
        self._tell = tell
        self._rests = rests
        self._context = multiprocessing.get_context("spawn")
        self._bell, self._button = self._context.Pipe(duplex=False)
        self._rung = False
        self._lock = threading.Lock()
        self._stopping = False
        self._process: BaseProcess | None = None
        self.hungry = False
        """Whether the process has nothing to do, so that a frame is worth waking for."""

    def wake(self) -> None:
        """There is something in the mail."""
        with self._lock:
            if not self._rung and not self._button.closed:
                self._rung = True
                self._button.send_bytes(b"!")

    def stop(self) -> None:
        """End process and thread; waits for both, a fraction of a second."""
        self._stopping = True
        self.wake()
        self.join(_STOP_WITHIN_S)
        if self.is_alive() and self._process is not None:
            # Stuck in the pipe, as the process stands still: that ends both.
            self._process.kill()
            self.join(_STOP_WITHIN_S)

    def run(self) -> None:
        """Start the process, and again whenever it dies, until `stop`."""
        if hasattr(signal, "pthread_sigmask"):
            # The process inherits this, so that Ctrl-C never reaches it; this thread gets none.
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        pause_s = _FIRST_PAUSE_S
        while not self._stopping:
            began_s = time.monotonic()
            with suppress(OSError, EOFError):
                self._run_process()
            if self._stopping:
                break
            self._tell((self._mail.source, _STOPPED_TEXT))
            if time.monotonic() - began_s > _LIVED_S:
                pause_s = _FIRST_PAUSE_S
            self._rest(pause_s)
            pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)
        with self._lock:
            self._bell.close()
            self._button.close()

    def _rest(self, pause_s: float) -> None:
        until_s = time.monotonic() + pause_s
        while not self._stopping and (left_s := until_s - time.monotonic()) > 0:
            self._hear(wait([self._bell], left_s))

    def _run_process(self) -> None:
        """Serve one process until it dies or `stop` is called."""
        ours, theirs = self._context.Pipe()
        worker = self._context.Process(
            target=process.work, args=(theirs,), name="measuring", daemon=True
        )
        try:
            try:
                with _environment(_KEEP_MEMORY):
                    worker.start()
            finally:
                theirs.close()
            self._process = worker
            self._mail.begin_process()
            self._serve(ours, FrameSender(ours, worker.pid or 0))
        finally:
            ours.close()
            self._process = None
            if worker.pid is not None:
                _end(worker)
                worker.close()

    def _serve(self, pipe: Connection, pixels: FrameSender) -> None:
        ready = False
        job: tuple[int, Still | Frame, object] | None = None
        opened: OpenedStill | None = None
        try:
            while not self._stopping:
                pause_s: float | None = None
                # Before the mail is looked through, so that no frame comes in between unseen.
                self.hungry = ready and job is None
                if self.hungry:
                    pause_s = self._mail.fresher_in_s(time.monotonic()) or None
                    if pause_s is None and (job := self._mail.take()) is not None:
                        self.hungry = False
                        self._rests.clear()
                        self._send(pipe, pixels, job)
                came = wait([pipe, self._bell], pause_s)
                self._hear(came)
                if pipe not in came:
                    continue
                answer = pipe.recv()
                if isinstance(answer, process.Ready):
                    ready = True
                    self._tell((0, None))
                elif isinstance(answer, process.StillOpened) and job is not None:
                    opened = self._opened(pipe, job[1], answer)
                    self._tell((job[0], opened))
                elif job is not None:
                    self._rests.set()
                    self._tell((job[0], _result(job[1], answer, opened)))
                    job = opened = None
        finally:
            self._rests.set()
            if job is not None and isinstance(job[1], Still) and not self._stopping:
                self._tell((job[0], _result(job[1], _DIED, opened)))

    def _send(
        self, pipe: Connection, pixels: FrameSender, job: tuple[int, Still | Frame, object]
    ) -> None:
        if isinstance(job[1], Frame):
            pixels.send(job[2], job[1].pixels)
        else:
            pipe.send(job[2])

    def _opened(self, pipe: Connection, still: Any, answer: process.StillOpened) -> OpenedStill:
        preview = np.empty(answer.shape, np.uint8)
        receive_pixels(pipe, preview)
        return OpenedStill(still, preview, answer.factor, answer.width_px, answer.height_px)

    def _hear(self, came: list[Any]) -> None:
        if self._bell in came:
            with self._lock:
                self._bell.recv_bytes()
                self._rung = False


_DIED: Final = process.StillDone(
    None,
    (
        "measuring_stopped",
        "Measuring stopped while this picture was being measured.",
        "Try it again; if it happens again, make the picture smaller.",
    ),
)


def _result(
    asked: Still | Frame,
    answer: process.FrameDone | process.StillDone,
    opened: OpenedStill | None,
) -> Measured | MeasuredStill:
    if isinstance(asked, Frame):
        assert isinstance(answer, process.FrameDone)
        return Measured(asked, answer.reading, answer.help, answer.took_s, answer.took_cpu_s)
    assert isinstance(answer, process.StillDone)
    reading = answer.reading if answer.failure is None else MeasureError(*answer.failure)
    assert reading is not None
    preview, factor = (opened.preview, opened.factor) if opened else (None, 1.0)
    return MeasuredStill(asked, reading, preview, factor)


@contextmanager
def _environment(changed: dict[str, str]) -> Iterator[None]:
    """Environment variables for a process begun in between; those a person set stay."""
    added = {name: value for name, value in changed.items() if name not in os.environ}
    os.environ.update(added)
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)


def _end(worker: BaseProcess) -> None:
    """End the process at once: it keeps nothing that could be lost."""
    worker.terminate()
    worker.join(_GRACE_S)
    if worker.exitcode is None:
        worker.kill()
        worker.join()
