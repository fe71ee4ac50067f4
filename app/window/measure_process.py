"""The process that measures: what runs in it, and the messages between it and the window.

It is spawned, imports no Qt and loads the heavy libraries after it has begun. One job at a time:
the window sends the next only when the answer to the last has come. When the window's end of the
pipe closes, however the window ended, this process ends.
"""

from __future__ import annotations

import math
import os
import signal
import time
import traceback
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from app.window.cores import one_core
from app.window.frame_pixels import FrameReceiver, Memory, send_pixels

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from measure.camera_meters import CameraHelp
    from measure.picture import Picture
    from measure.pipeline import Seen
    from measure.results import PictureReading
    from measure.settings import Settings

PREVIEW_LONGEST_PX: Final = 3200
_NICENESS: Final = 5
"""Of a core that both want the window then has three quarters. More would leave measuring too
little beside other programs."""
_NICENESS_ON_ONE_CORE: Final = 10
"""Where there is no other the window has nine tenths, and decoding a film's next frames three
fifths."""
_FRAME_STEP: Final = 30.0
"""How coarsely the brightness of frames was coded, which neither camera nor film tells: as a JPEG
of quality 74, in the better half of what webcams send (ours)."""
_TWIST_PAUSES_S: Final = (0.5, 1.5)
"""Shortest and longest pause between two frames in which twist is looked for."""
_TWIST_PAUSE: Final = 5.0
"""That pause over what such a frame took."""


@dataclass(frozen=True)
class FrameJob:
    """A frame to measure; its pixels follow, as a `FrameSender` sends them."""

    shape: tuple[int, ...]
    settings: Settings | None
    afresh: bool
    """The frames before it are of no use: another source, or other settings."""
    strand_mm: float | None = None
    """The strand aimed at, for which the camera is set up."""
    twist: bool = False
    """Whether ply twist is wanted: it is then looked for now and again."""


@dataclass(frozen=True)
class StillJob:
    """A picture to read and measure."""

    content: Path | bytes
    settings: Settings | None


@dataclass(frozen=True)
class Ready:
    """The process is up and waits for a job."""


@dataclass(frozen=True)
class FrameDone:
    """The answer to a FrameJob."""

    reading: PictureReading
    help: CameraHelp | None
    """None after a fault."""
    took_s: float
    took_cpu_s: float


@dataclass(frozen=True)
class StillOpened:
    """The first answer to a StillJob that could be read; the preview's pixels follow."""

    shape: tuple[int, ...]
    width_px: int
    height_px: int
    factor: float
    """Preview pixels per pixel of the picture, 1 or less."""


@dataclass(frozen=True)
class StillDone:
    """The last answer to a StillJob."""

    reading: PictureReading | None
    failure: tuple[str, str, str] | None
    """Code, text and advice when there is no reading."""


def work(pipe: Connection) -> None:
    """Measure what comes through the pipe until its other end closes; runs in the process."""
    _settle()
    try:
        _serve(pipe)
    except (EOFError, OSError, KeyboardInterrupt):
        return  # the window is gone


def _settle() -> None:
    """One thread, set before numpy and OpenCV are loaded; Ctrl-C is for the window.

    Where both share a core the window comes first: it needs a third of it, but promptly.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(_NICENESS_ON_ONE_CORE if one_core() else _NICENESS)
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[variable] = "1"
    import cv2

    cv2.setNumThreads(1)


def _serve(pipe: Connection) -> None:
    pixels = FrameReceiver(pipe)
    frames = _Frames()
    pipe.send(Ready())
    while True:
        job = pipe.recv()
        if isinstance(job, FrameJob):
            pipe.send(frames.measure(pixels.receive(job.shape), job))
        elif isinstance(job, Memory):
            pixels.take_memory(job.size)
        elif isinstance(job, StillJob):
            _measure_still(pipe, job)


class _Frames:
    """Measures frame after frame, each from what the one before showed."""

    def __init__(self) -> None:
        # Now, not when the first frame waits.
        import measure.picture
        import measure.pipeline
        from measure.camera_help import camera_help

        self._help = camera_help
        self._follow = measure.pipeline.follow
        self._read = measure.picture.read_picture
        self._seen: Seen | None = None
        self._shape: tuple[int, ...] = ()
        self._twist_from_s = -math.inf

    def measure(self, pixels: NDArray[np.uint8], job: FrameJob) -> FrameDone:
        """Read a frame."""
        if self._shape != job.shape:
            self._shape, self._seen = job.shape, None
        if job.afresh:
            self._seen, self._twist_from_s = None, -math.inf
        began, began_cpu = time.perf_counter(), time.process_time()
        twist = job.twist and began >= self._twist_from_s
        try:
            # Cameras and films hand over colour at half the resolution of brightness.
            picture = replace(self._read(pixels), chroma_halved=True, coding_step=_FRAME_STEP)
            settings = _for_a_frame(job.settings, twist)
            reading, self._seen = self._follow(picture, settings=settings, before=self._seen)
            help_ = self._help(picture, reading, self._seen, job.strand_mm)
        except Exception as error:  # noqa: BLE001  a fault in one frame must not end the rest
            reading, self._seen, help_ = _refused(job.shape, error), None, None
        ended = time.perf_counter()
        if twist and (reading.strands or any(r.strand is not None for r in reading.refusals)):
            least_s, most_s = _TWIST_PAUSES_S
            pause_s = min(max(least_s, _TWIST_PAUSE * (ended - began)), most_s)
            self._twist_from_s = ended + pause_s
        took_cpu_s = time.process_time() - began_cpu
        return FrameDone(reading, help_, ended - began, took_cpu_s)


def _for_a_frame(settings: Settings | None, twist: bool) -> Settings:
    """As chosen, less what takes too long in every frame: searching for a ruler, and for twist."""
    from measure.settings import Settings

    settings = replace(settings or Settings(), twist=twist)
    return replace(settings, scale="card") if settings.scale == "auto" else settings


def _measure_still(pipe: Connection, job: StillJob) -> None:
    from measure.picture import read_picture
    from measure.pipeline import measure_picture

    try:
        picture = read_picture(job.content)
        opened, preview = preview_of(picture)
    except Exception as error:  # noqa: BLE001
        pipe.send(StillDone(None, _why(error)))
        return
    pipe.send(opened)
    send_pixels(pipe, preview)
    try:
        done = StillDone(measure_picture(picture, settings=job.settings), None)
    except Exception as error:  # noqa: BLE001
        done = StillDone(None, _why(error))
    pipe.send(done)


def preview_of(picture: Picture) -> tuple[StillOpened, NDArray[np.uint8]]:
    """The picture as RGB of 8 bits and a size that a screen can use."""
    import cv2
    import numpy as np

    pixels: Any = picture.pixels
    height, width = pixels.shape[:2]
    factor = min(1.0, PREVIEW_LONGEST_PX / max(width, height))
    if factor < 1.0:
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    if pixels.dtype == np.uint16:
        pixels = cv2.convertScaleAbs(pixels, alpha=1 / 257)
    if pixels.ndim == 2:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB)
    preview = np.ascontiguousarray(pixels, np.uint8)
    return StillOpened(preview.shape, width, height, factor), preview


def _why(error: Exception) -> tuple[str, str, str]:
    """Code, text and advice; a fault of the program's own says where it is."""
    from measure.errors import MeasureError

    if isinstance(error, MeasureError):
        return error.code, error.text, error.advice
    frames = traceback.extract_tb(error.__traceback__)
    place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "unknown"
    return (
        "program_fault",
        "The program failed on this picture.",
        f"Go on with another one, and report this: {type(error).__name__} at {place}.",
    )


def _refused(shape: tuple[int, ...], error: Exception) -> PictureReading:
    from measure.results import PictureReading, Refusal

    return PictureReading(shape[1], shape[0], None, (), (Refusal(*_why(error)),))
