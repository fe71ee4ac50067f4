from __future__ import annotations

import os
import threading
from collections.abc import Iterator

import pytest

# What Qt finds missing on a computer without sound and video hardware is no one's concern here.
os.environ.setdefault("QT_LOGGING_RULES", "qt.multimedia.*=false")


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    assert set(threading.enumerate()) <= before
