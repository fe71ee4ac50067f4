"""When a camera is to be opened, closed and tried again, and what to say meanwhile. No Qt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

from app.window.frame import SourceState

_SILENT_AFTER_S: Final = 4.0
"""Slow cameras take two or three seconds to their first picture (common practice, no source)."""
_FIRST_PAUSE_S: Final = 1.0
_LONGEST_PAUSE_S: Final = 8.0
_FULL_HD_PX: Final = 1920 * 1080
_ENOUGH_PX: Final = 1280 * 720
_SMOOTH_RATE: Final = 25.0
_SLOWEST_RATE: Final = 5.0


@dataclass(frozen=True)
class CameraId:
    """A camera by its name and the system's id for it, which may change with the socket."""

    name: str
    id: str

    @property
    def key(self) -> str:
        """Both in one line."""
        return f"{self.id}:{self.name}"

    @classmethod
    def from_key(cls, key: str) -> Self:
        """Back from `key`."""
        id_, _, name = key.partition(":")
        return cls(name, id_)

    def among(self, cameras: Sequence[CameraId]) -> int | None:
        """Which of `cameras` this is; None when it is none of them.

        The same name at another socket is the same camera; another name at the same id is not.
        """
        if self in cameras:
            return list(cameras).index(self)
        named = [i for i, camera in enumerate(cameras) if camera.name == self.name]
        return named[0] if named else None


@dataclass(frozen=True)
class CameraOffer:
    """One way a camera can run."""

    width: int
    height: int
    rate: float
    """Most pictures a second."""
    effort: int
    """Rank of what its coding costs to undo, 0 for least."""


def best_offer(offers: Sequence[CameraOffer]) -> int | None:
    """Which offer to take, None when there is none.

    The most pixels up to 1920 x 1080 among those of 25 pictures a second and more; slower ones
    only where the quick ones are below 1280 x 720, as a strand needs pixels first. Larger ones
    only where there is nothing smaller. Of equals the one nearest 30 a second, then the one that
    is least effort.
    """
    if not offers:
        return None

    def rank(i: int) -> tuple[bool, bool, int, float, int]:
        offer = offers[i]
        pixels = offer.width * offer.height
        fits = pixels <= _FULL_HD_PX
        return (
            offer.rate >= _SLOWEST_RATE,
            fits,
            pixels if fits else -pixels,
            -abs(offer.rate - 30.0),
            -offer.effort,
        )

    everything = range(len(offers))
    smooth = [i for i in everything if offers[i].rate >= _SMOOTH_RATE and rank(i)[1]]
    best = max(smooth, key=rank, default=None)
    if best is None or offers[best].width * offers[best].height < _ENOUGH_PX:
        best = max(everything, key=rank)
    return best


@dataclass(frozen=True)
class Step:
    """What to do now."""

    open: bool = False
    close: bool = False
    state: SourceState | None = None


class CameraWatch:
    """Follows one camera; times are those of any clock that does not jump."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._open_since_s: float | None = None
        self._error = ""
        self._frame_s = -math.inf
        self._detail = ""
        self._try_at_s = -math.inf
        self._pause_s = _FIRST_PAUSE_S

    def saw_frame(self, now_s: float, detail: str) -> None:
        """A picture came; `detail` says its size and rate."""
        self._frame_s, self._detail, self._error = now_s, detail, ""
        self._pause_s = _FIRST_PAUSE_S

    def saw_error(self, text: str) -> None:
        """The system says that something is wrong with the camera."""
        self._error = text or "unknown error"

    def step(self, now_s: float, present: bool) -> Step:
        """What to do, `present` when the camera is plugged in; called some times a second."""
        opened = self._open_since_s is not None
        if not present:
            self._open_since_s, self._error = None, ""
            self._try_at_s, self._pause_s = -math.inf, _FIRST_PAUSE_S
            return Step(
                close=opened,
                state=SourceState(
                    "waiting",
                    f"{self._name} is not connected.",
                    "Plug it in, and the picture comes back by itself.",
                ),
            )
        if self._open_since_s is None:
            if now_s < self._try_at_s:
                return Step()
            self._open_since_s, self._frame_s, self._error = now_s, -math.inf, ""
            return Step(open=True)
        silent_s = now_s - max(self._open_since_s, self._frame_s)
        if not self._error and silent_s < _SILENT_AFTER_S:
            if self._frame_s < self._open_since_s:
                return Step()
            return Step(state=SourceState("running", detail=self._detail))
        self._open_since_s = None
        self._try_at_s = now_s + self._pause_s
        self._pause_s = min(2.0 * self._pause_s, _LONGEST_PAUSE_S)
        return Step(close=True, state=self._silence())

    def _silence(self) -> SourceState:
        told = f" ({self._error})" if self._error else ""
        return SourceState(
            "waiting",
            f"{self._name} gives no picture{told}.",
            "Close other programs that may be using it; it is tried again by itself.",
        )
