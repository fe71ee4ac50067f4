"""Frames' pixels on their way to the process that measures.

Where the system has memory without a name (Linux), both processes see the same piece of it: one
copy in, none out, and it goes with the two of them however they end. Elsewhere, and when there is
none to be had, the bytes go through the pipe.
"""

from __future__ import annotations

import mmap
import os
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any, Final

from app.window.frame import as_stored

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_PIECE_BYTES: Final = 1 << 30


@dataclass(frozen=True)
class Memory:
    """Memory for frames' pixels follows; there is no answer."""

    size: int
    """Bytes."""


class FrameSender:
    """The window's end."""

    def __init__(self, pipe: Connection, pid: int) -> None:
        self._pipe = pipe
        self._pid = pid
        self._memory: mmap.mmap | None = None

    def send(self, job: object, pixels: NDArray[np.uint8]) -> None:
        """Send a job and a frame's pixels, C order."""
        import numpy as np

        if not _fits(self._memory, pixels.nbytes):
            self._share(pixels.nbytes)
        if self._memory is None or not _fits(self._memory, pixels.nbytes):
            self._pipe.send(job)
            send_pixels(self._pipe, _copied(pixels, np.empty(pixels.shape, np.uint8)))
            return
        shared = np.frombuffer(self._memory, np.uint8, pixels.size).reshape(pixels.shape)
        _copied(pixels, shared)
        self._pipe.send(job)

    def _share(self, size: int) -> None:
        """Have memory for so many bytes and hand it to the other end, where there is any."""
        from multiprocessing.reduction import send_handle

        if not hasattr(os, "memfd_create"):
            return
        try:
            descriptor = os.memfd_create("frame")
        except OSError:
            return
        try:
            os.ftruncate(descriptor, size)
            memory = mmap.mmap(descriptor, size)
        except (OSError, ValueError):
            os.close(descriptor)
            return
        try:
            self._pipe.send(Memory(size))
            send_handle(self._pipe, descriptor, self._pid)
        finally:
            os.close(descriptor)
        self._memory = memory


class FrameReceiver:
    """The end in the process that measures."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._memory: mmap.mmap | None = None
        self._own: NDArray[np.uint8] | None = None

    def take_memory(self, size: int) -> None:
        """Take the memory of so many bytes that the other end hands over now."""
        from multiprocessing.reduction import recv_handle

        descriptor = recv_handle(self._pipe)
        try:
            self._memory = mmap.mmap(descriptor, size)
        finally:
            os.close(descriptor)

    def receive(self, shape: tuple[int, ...]) -> NDArray[np.uint8]:
        """The next frame's pixels, good until the one after."""
        import numpy as np

        size = int(np.prod(shape))
        if self._memory is not None and _fits(self._memory, size):
            return np.frombuffer(self._memory, np.uint8, size).reshape(shape)
        if self._own is None or self._own.shape != shape:
            self._own = np.empty(shape, np.uint8)
        receive_pixels(self._pipe, self._own)
        return self._own


def send_pixels(pipe: Connection, pixels: NDArray[np.uint8]) -> None:
    """Send an array's bytes through the pipe, C order, neither pickled nor copied."""
    view: Any = pixels.data.cast("B")
    if os.name == "nt":
        pipe.send_bytes(view)
        return
    sent = 0
    while sent < len(view):
        sent += os.write(pipe.fileno(), view[sent : sent + _PIECE_BYTES])


def receive_pixels(pipe: Connection, into: NDArray[np.uint8]) -> None:
    """Receive what `send_pixels` sent into an array of the same shape.

    `recv_bytes` would gather many small pieces and take four times as long.
    """
    view: Any = into.data.cast("B")
    if os.name == "nt":
        pipe.recv_bytes_into(view)
        return
    got = 0
    while got < len(view):
        more = os.readv(pipe.fileno(), [view[got : got + _PIECE_BYTES]])
        if not more:
            raise EOFError
        got += more


def _copied(pixels: NDArray[np.uint8], into: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """`into`, filled with these pixels: red first and row after row."""
    import cv2
    import numpy as np

    stored, blue_first = as_stored(pixels)
    if blue_first:
        cv2.cvtColor(stored, cv2.COLOR_BGR2RGB, dst=into)
    else:
        np.copyto(into, pixels)
    return into


def _fits(memory: mmap.mmap | None, size: int) -> bool:
    """Whether a frame goes by this memory: both ends decide alike."""
    return memory is not None and size <= len(memory)
