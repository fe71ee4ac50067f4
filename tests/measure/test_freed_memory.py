"""Freed memory that the C library keeps, counted in pages the system had to hand out anew."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

WORK = """
import resource
import numpy as np
from measure.freed_memory import keep_freed_memory

def pages():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    blocks = [np.ones(3 << 20, np.uint8) for _ in range(5)]
    del blocks
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

pages()
before = pages()
keep_freed_memory()
pages()
print(before, pages())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="GNU C library alone learns so")
def test_memory_freed_by_one_step_is_there_for_the_next() -> None:
    # In a process of its own, in which nothing large was freed before.
    done = subprocess.run([sys.executable, "-c", WORK], capture_output=True, text=True, check=True)
    before, after = map(int, done.stdout.split())
    # Fifteen megabytes are 3840 pages.
    assert before > 1000
    assert after < 100
