"""A video file as a source, played at its own pace."""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

# Read when OpenCV opens its first file: what it would print about a broken one is said in words.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

import cv2
import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject

from app.window.cores import one_core
from app.window.frame import SourceState
from app.window.sources.source import ThreadedSource

VIDEO_SUFFIXES = (".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".mpg", ".mpeg", ".mts", ".3gp")
"""Endings by which a dropped or listed file is taken for a video, in any case."""

_USUAL_RATE = 25.0
_LATE_S = 0.04
_STALL_S = 0.5
_SHOW_EVERY_S = 0.2
_LONGEST_GAP_S = 2.0
_LOOK_EVERY_S = 1.0
_AHEAD = 8
_AHEAD_BYTES = 64 << 20
"""Frames decoded before they are due, at most, and their pixels: but always two."""
_DECODING_NICENESS = 8
"""On one core the window comes first, then the frames it is to show next, then measuring."""
_ASK_EVERY_S = 0.1
_REST_S = 0.02
"""Frames decoded ahead that suffice for now wait for measuring to rest, so long at a time."""
_MEASURED_EVERY_S = 0.25
"""Where decoding never gets ahead, a frame so often is to be measured nevertheless."""


class VideoSource(ThreadedSource):
    """Plays a video file: each frame when it is due, late ones left out.

    Frames carry the time they are due on the clock of `time.monotonic`. With `endless` the video
    begins again at its end; without, the state becomes `ended`. A file that is not there is
    waited for.
    """

    def __init__(
        self,
        path: Path,
        name: str | None = None,
        *,
        endless: bool = False,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(name or path.name, parent)
        self._path = path
        self._endless = endless

    def _work(self, stopping: threading.Event) -> None:
        clock = _Clock()
        while not stopping.is_set():
            if not _is_there(self._path):
                self._hand(
                    SourceState(
                        "waiting",
                        f"{self.name} is not there.",
                        "Connect the drive it is on, or choose another source.",
                    )
                )
                stopping.wait(_LOOK_EVERY_S)
                continue
            shown = self._play(clock, stopping)
            if stopping.is_set() or not _is_there(self._path):
                continue
            if not shown:
                self._hand(
                    SourceState(
                        "failed",
                        f"{self.name} is not a video that can be read.",
                        "Copy it again, or save it as an MP4 file.",
                    )
                )
                return
            if not self._endless:
                self._hand(
                    SourceState("ended", "The video has ended.", "Choose it again to see it again.")
                )
                return

    def _play(self, clock: _Clock, stopping: threading.Event) -> bool:
        """Hand over the frames from the first to the last; False when there was none."""
        rests = self.measuring_rests if one_core() else None
        frames = _FramesAhead(self._path, self.name, self._endless, rests)
        try:
            shown_at = in_time_at = -np.inf
            shown, turn = False, -1
            while not stopping.is_set() and (frame := frames.take(stopping)) is not None:
                now = time.monotonic()
                if frame.turn != turn:
                    turn = frame.turn
                    clock.begin()
                due = clock.due(frame.time_s, now)
                if now - due > _LATE_S and now - shown_at < _SHOW_EVERY_S:
                    frames.skip_to(frame.turn, frame.time_s + now - due)
                    continue
                if stopping.wait(max(0.0, due - time.monotonic())):
                    return shown
                if not shown:
                    height, width = frame.pixels.shape[:2]
                    self._hand(SourceState("running", detail=f"{width} x {height}{frame.rate}"))
                shown, shown_at = True, time.monotonic()
                in_time = frames.enough or shown_at - in_time_at > _MEASURED_EVERY_S
                if in_time:
                    in_time_at = shown_at
                self._hand_frame(frame.pixels, due, in_time)
            return shown
        finally:
            frames.close()


@dataclass
class _Clock:
    """When frames are due, from their times in the file."""

    first_due_s: float | None = None
    """Due time of the file's time 0."""
    last_s: float = 0.0
    """File time of the frame before."""
    last_due_s: float = -np.inf

    def begin(self) -> None:
        """Begin the file anew: its first frame follows at once."""
        self.first_due_s = None

    def due(self, time_s: float, now_s: float) -> float:
        """When the frame at file time `time_s` is to be shown.

        Frames that come too late for long (a slow disk) and holes in the file's times move all
        that follows, so that the video neither races nor stops.
        """
        if self.first_due_s is None:
            self.first_due_s = max(now_s, self.last_due_s + 1.0 / _USUAL_RATE) - time_s
        elif time_s - self.last_s > _LONGEST_GAP_S:
            self.first_due_s -= time_s - self.last_s - 1.0 / _USUAL_RATE
        elif now_s - (self.first_due_s + time_s) > _STALL_S:
            self.first_due_s = now_s - time_s
        self.last_s = time_s
        self.last_due_s = self.first_due_s + time_s
        return self.last_due_s


@dataclass(frozen=True, eq=False)
class _Decoded:
    """A frame that waits until it is due."""

    pixels: NDArray[np.uint8]
    time_s: float
    """In the file."""
    rate: str
    """What to say of the file's rate."""
    turn: int
    """How often the file had been played before."""


class _FramesAhead:
    """The frames of one file, over and over where it is endless, decoded a few ahead in a thread of
    their own.

    So a frame is there when it is due, although others may keep the core busy for longer than one
    is shown. While half of them are ready, decoding stands back until `rests` is set.
    """

    def __init__(
        self, path: Path, name: str, endless: bool, rests: threading.Event | None = None
    ) -> None:
        self._path = path
        self._endless = endless
        self._rests = rests
        self._ready: queue.Queue[_Decoded | Exception | None] = queue.Queue(_AHEAD)
        self._closing = threading.Event()
        self._ended = threading.Event()
        self._wanted_from = (0, -np.inf)
        self._thread = threading.Thread(target=self._run, name=f"frames of {name}", daemon=True)
        self._thread.start()

    @property
    def enough(self) -> bool:
        """Whether as many are ready as may be, but for the one taken last, or all there are.

        Half of them would do to show the film; that decoding makes up for the rest first leaves
        fewer frames measured, each sooner.
        """
        return self._ended.is_set() or self._ready.qsize() >= self._ready.maxsize - 1

    def take(self, stopping: threading.Event) -> _Decoded | None:
        """The next frame; None at the end, when there is none, or when it is to stop.

        Raises whatever reading the file raised.
        """
        while not stopping.is_set():
            try:
                frame = self._ready.get(timeout=_ASK_EVERY_S)
            except queue.Empty:
                continue
            if isinstance(frame, Exception):
                raise frame
            return frame
        return None

    def skip_to(self, turn: int, time_s: float) -> None:
        """Frames before that time of that turn come too late: they need no colours."""
        self._wanted_from = turn, time_s

    def close(self) -> None:
        """Give the file back."""
        self._closing.set()
        self._thread.join()

    def _run(self) -> None:
        # Before the file is opened: the decoder's own threads inherit it.
        if sys.platform == "linux":  # elsewhere a process has one niceness for all its threads
            with suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _DECODING_NICENESS)
        last: Exception | None = None
        try:
            turn = 0
            while self._decode(turn) and self._endless and not self._closing.is_set():
                turn += 1
        except Exception as error:  # noqa: BLE001  raised again where frames are taken
            last = error
        self._ended.set()
        self._put(last)

    def _decode(self, turn: int) -> bool:
        """Once through the file; False when there was nothing to see."""
        reader = _Reader(self._path)
        seen = False
        try:
            while not self._closing.is_set() and reader.next():
                self._stand_back()
                if seen and (turn, reader.time_s) < self._wanted_from:
                    continue
                pixels = reader.pixels()
                if pixels is not None:
                    if not seen:
                        most = _AHEAD_BYTES // max(pixels.nbytes, 1)
                        self._ready.maxsize = int(np.clip(most, 2, _AHEAD))
                    seen = True
                    self._put(_Decoded(pixels, reader.time_s, reader.rate, turn))
            return seen
        finally:
            reader.close()

    def _stand_back(self) -> None:
        """Wait for measuring to rest, as long as there are frames to show meanwhile."""
        while self._rests is not None and 2 * self._ready.qsize() >= self._ready.maxsize:
            if self._closing.is_set() or self._rests.wait(_REST_S):
                return

    def _put(self, frame: _Decoded | Exception | None) -> None:
        while not self._closing.is_set():
            try:
                self._ready.put(frame, timeout=_ASK_EVERY_S)
            except queue.Full:
                continue
            return


class _Reader:
    """The frames of one file, decoded one after the other, given colours when asked for."""

    def __init__(self, path: Path) -> None:
        # What it has to say of a broken file goes into the state, not to the terminal.
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        # FFmpeg by name: other backends take names like "a_%02d.png" for a series of pictures.
        self._capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
        rate = self._capture.get(cv2.CAP_PROP_FPS) if self._capture.isOpened() else 0.0
        self._rate = rate if 1.0 <= rate <= 1000.0 else 0.0
        self.time_s = -np.inf
        """The present frame's time in the file."""

    @property
    def rate(self) -> str:
        """What to say of the rate, with the comma before it."""
        return f", {self._rate:.0f} a second" if self._rate else ""

    def next(self) -> bool:
        """Go to the next frame; False at the end or when there is none."""
        if not self._capture.isOpened() or not self._capture.grab():
            return False
        stated = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
        if self.time_s == -np.inf or stated > self.time_s:
            self.time_s = stated
        else:  # some files give no times, or the same one twice
            self.time_s += 1.0 / (self._rate or _USUAL_RATE)
        return True

    def pixels(self) -> NDArray[np.uint8] | None:
        """The present frame, (rows, columns, 3) RGB; None when there is nothing to see in it."""
        sound, decoded = self._capture.retrieve()
        if not sound or decoded is None:
            return None
        if decoded.ndim == 2:
            decoded = cv2.cvtColor(decoded, cv2.COLOR_GRAY2BGR)
        return np.asarray(decoded, np.uint8)[:, :, ::-1]

    def close(self) -> None:
        """Give the file back."""
        self._capture.release()


def is_video(path: Path) -> bool:
    """True when the name ends like a video's."""
    return path.suffix.lower() in VIDEO_SUFFIXES


def _is_there(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:
        return False
