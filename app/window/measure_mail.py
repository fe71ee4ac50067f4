"""What waits to be measured: the newest frame, the stills, and how all of it is to be done."""

from __future__ import annotations

import math
import threading
from collections import deque
from typing import TYPE_CHECKING, Final

from app.window import measure_process as process
from app.window.frame import Frame, Still

if TYPE_CHECKING:
    from measure.settings import Settings

_STALE: Final = 0.25
"""Of the time between two frames: one that is older is left for the next, if that is due yet.

Waiting costs little: the next one is shown meanwhile, which else would be done beside measuring.
"""
_PUNCTUAL: Final = 1.25
"""Times that same time: a next frame that is not there by then is not waited for."""


class Mail:
    """What waits to be measured; any thread."""

    def __init__(self, settings: Settings | None) -> None:
        self._lock = threading.Lock()
        self._frame: Frame | None = None
        self._stills: deque[Still] = deque()
        self._settings = settings
        self._afresh = True
        self._last_number = -1
        self._put_s = self._between_s = math.inf
        self._strand_mm: float | None = None
        self._twist = False
        self.source = 0
        """Counts up with each source."""
        self.stills_waiting = 0

    def put_frame(self, frame: Frame) -> None:
        """A frame in place of any that waits; one that is only to be shown takes no empty place."""
        with self._lock:
            if frame.in_time or self._frame is not None:
                self._frame = frame
            self._between_s, self._put_s = abs(frame.time_s - self._put_s), frame.time_s

    def put_still(self, still: Still) -> None:
        """A still after those that wait."""
        with self._lock:
            self._stills.append(still)
            self.stills_waiting += 1

    def still_done(self) -> None:
        """One still less."""
        with self._lock:
            self.stills_waiting -= 1

    def put_settings(self, settings: Settings) -> None:
        """How to measure from the next job on."""
        with self._lock:
            self._settings = settings
            self._afresh = True

    def put_aim(self, strand_mm: float | None) -> None:
        """The strand aimed at."""
        with self._lock:
            self._strand_mm = strand_mm

    def put_twist(self, wanted: bool) -> None:
        """Whether twist is looked for in frames."""
        with self._lock:
            self._afresh = self._afresh or wanted != self._twist
            self._twist = wanted

    def begin_source(self) -> None:
        """Forget the frame that waits, and what those before it showed."""
        with self._lock:
            self._frame = None
            self._afresh = True
            self._last_number = -1
            self._put_s = self._between_s = math.inf
            self.source += 1

    def begin_process(self) -> None:
        """A new process has seen no frame yet."""
        with self._lock:
            self._afresh = True

    def fresher_in_s(self, now_s: float) -> float:
        """How long to wait for a frame that is fresher than the one there; 0: measure that.

        The number for a frame that was old when it was begun is late by as much.
        """
        with self._lock:
            if self._stills or self._frame is None or not math.isfinite(self._between_s):
                return 0.0
            age_s = now_s - self._frame.time_s
            due = _STALE * self._between_s < age_s < self._between_s
            return _PUNCTUAL * self._between_s - age_s if due else 0.0

    def take(self) -> tuple[int, Still | Frame, process.StillJob | process.FrameJob] | None:
        """The next thing to measure, with the source it belongs to."""
        with self._lock:
            if self._stills:
                still = self._stills.popleft()
                return self.source, still, process.StillJob(still.content, self._settings)
            if self._frame is None:
                return None
            frame, self._frame = self._frame, None
            afresh = self._afresh or frame.number <= self._last_number
            self._afresh, self._last_number = False, frame.number
            job = process.FrameJob(
                frame.pixels.shape, self._settings, afresh, self._strand_mm, self._twist
            )
            return self.source, frame, job
