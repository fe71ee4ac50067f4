"""The process that measures: what runs in it, and the messages between it and the window.

It is spawned, imports no Qt and loads the heavy libraries after it has begun. One job at a time:
the window sends the next only when the answer to the last has come. When the window's end of the
pipe closes, however the window ended, this process ends.
"""

from __future__ import annotations

import os
import signal
import time
import traceback
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from measure.picture import Picture
    from measure.pipeline import Settings
    from measure.results import PictureReading

PREVIEW_LONGEST_PX: Final = 3200
_PIECE_BYTES: Final = 1 << 30


@dataclass(frozen=True)
class FrameJob:
    """A frame to measure; its pixels follow as bare bytes."""

    shape: tuple[int, ...]
    settings: Settings | None
    afresh: bool
    """The frames before it are of no use: another source, or other settings."""


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
    help: None
    took_s: float


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


def send_pixels(pipe: Connection, pixels: NDArray[np.uint8]) -> None:
    """Send an array's bytes, C order, neither pickled nor copied."""
    view = pixels.data.cast("B")
    if os.name == "nt":
        pipe.send_bytes(view)
        return
    sent = 0
    while sent < len(view):
        sent += os.write(pipe.fileno(), view[sent : sent + _PIECE_BYTES])


def receive_pixels(pipe: Connection, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Receive an array that `send_pixels` sent.

    Into memory of its own: `recv_bytes` gathers small pieces and takes four times as long.
    """
    import numpy as np

    pixels = np.empty(shape, np.uint8)
    view = pixels.data.cast("B")
    if os.name == "nt":
        pipe.recv_bytes_into(view)
        return pixels
    got = 0
    while got < len(view):
        more = os.readv(pipe.fileno(), [view[got : got + _PIECE_BYTES]])
        if not more:
            raise EOFError
        got += more
    return pixels


def _settle() -> None:
    """One thread, set before numpy and OpenCV are loaded; Ctrl-C is for the window."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[variable] = "1"
    import cv2

    cv2.setNumThreads(1)


def _serve(pipe: Connection) -> None:
    import measure.pipeline  # now, not when the first frame waits  # noqa: F401

    pipe.send(Ready())
    while True:
        job = pipe.recv()
        if isinstance(job, FrameJob):
            pixels = receive_pixels(pipe, job.shape)
            pipe.send(_measure_frame(pixels, job))
        elif isinstance(job, StillJob):
            _measure_still(pipe, job)


def _measure_frame(pixels: NDArray[np.uint8], job: FrameJob) -> FrameDone:
    from measure.picture import read_picture
    from measure.pipeline import measure_picture

    began = time.perf_counter()
    try:
        reading = measure_picture(read_picture(pixels), settings=job.settings)
    except Exception as error:  # noqa: BLE001  a fault of ours in one frame must not end the rest
        reading = _refused(pixels, _fault(error))
    return FrameDone(reading, None, time.perf_counter() - began)


def _measure_still(pipe: Connection, job: StillJob) -> None:
    from measure.errors import MeasureError
    from measure.picture import read_picture
    from measure.pipeline import measure_picture

    try:
        picture = read_picture(job.content)
        opened, preview = preview_of(picture)
    except MeasureError as error:
        pipe.send(StillDone(None, (error.code, error.text, error.advice)))
        return
    except Exception as error:  # noqa: BLE001
        pipe.send(StillDone(None, _fault(error)))
        return
    pipe.send(opened)
    send_pixels(pipe, preview)
    try:
        done = StillDone(measure_picture(picture, settings=job.settings), None)
    except MeasureError as error:
        done = StillDone(None, (error.code, error.text, error.advice))
    except Exception as error:  # noqa: BLE001
        done = StillDone(None, _fault(error))
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


def _fault(error: Exception) -> tuple[str, str, str]:
    """What to say when the program itself is at fault."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "unknown"
    return (
        "program_fault",
        "The program failed on this picture.",
        f"Go on with another one, and report this: {type(error).__name__} at {place}.",
    )


def _refused(pixels: NDArray[np.uint8], fault: tuple[str, str, str]) -> PictureReading:
    from measure.results import PictureReading, Refusal

    height, width = pixels.shape[:2]
    return PictureReading(width, height, None, (), (Refusal(*fault),))
