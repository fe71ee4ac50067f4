"""Pixels come out at the other end as they went in, by memory and by the pipe."""

from __future__ import annotations

import os
import threading
from multiprocessing import Pipe
from queue import Queue

import numpy as np
import pytest
from numpy.typing import NDArray

from app.window.frame_pixels import FrameReceiver, FrameSender, Memory

SHAPES = ((48, 64, 3), (400, 300, 3), (7, 5, 3), (300, 400, 3))
"""Small, larger than all before, small again, as large turned round; the second fills no pipe."""


@pytest.mark.parametrize("shared", [True, False])
def test_pixels_arrive_as_they_were_sent(shared: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if shared and not hasattr(os, "memfd_create"):
        pytest.skip("this system has no such memory")
    if not shared:
        monkeypatch.delattr(os, "memfd_create", raising=False)
    ours, theirs = Pipe()
    sender, receiver = FrameSender(ours, os.getpid()), FrameReceiver(theirs)
    memories: list[int] = []
    came: Queue[NDArray[np.uint8]] = Queue()

    def receive() -> None:
        while (job := theirs.recv()) is not None:
            if isinstance(job, Memory):
                memories.append(job.size)
                receiver.take_memory(job.size)
            else:
                came.put(receiver.receive(job).copy())

    thread = threading.Thread(target=receive)
    thread.start()
    drawn = np.random.default_rng(4)
    for shape in SHAPES:
        frame = drawn.integers(0, 255, shape, np.uint8)
        sender.send(shape, frame)
        np.testing.assert_array_equal(came.get(timeout=30), frame)
    # As a source may hand over part of a larger picture.
    part = drawn.integers(0, 255, (40, 60, 3), np.uint8)[::2, ::3]
    sender.send(part.shape, part)
    np.testing.assert_array_equal(came.get(timeout=30), part)
    # As films are decoded: blue comes first in memory.
    turned = drawn.integers(0, 255, (20, 20, 3), np.uint8)[:, :, ::-1]
    sender.send(turned.shape, turned)
    np.testing.assert_array_equal(came.get(timeout=30), turned)
    ours.send(None)
    thread.join()
    ours.close()
    theirs.close()
    assert memories == ([48 * 64 * 3, 400 * 300 * 3] if shared else [])
