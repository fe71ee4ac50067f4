"""What the window, its threads and the process that measures have to work on."""

from __future__ import annotations

import os
import sys


def one_core() -> bool:
    """Whether all of them share one core."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0)) == 1
    return os.cpu_count() == 1
