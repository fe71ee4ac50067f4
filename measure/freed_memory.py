"""Memory that measuring frees, kept by the process for what it asks for next."""

from __future__ import annotations

from typing import Final

import numpy as np

_KEPT_BYTES: Final = 31 << 20
"""Just below what the GNU C library takes for too much to learn from (mallopt(3), 32 MiB)."""


def keep_freed_memory() -> None:
    """Let the C library keep what is freed instead of handing it back to the system.

    It hands back what lies unused at the end of its heap beyond twice the largest block of its own
    that was ever freed (mallopt(3), M_MMAP_THRESHOLD). Measuring works with some ten megabytes,
    which would be got anew several times a picture, page by page, each zeroed: a tenth of its time.
    One large block, freed untouched, raises that limit to 62 MiB and costs microseconds. With other
    C libraries nothing comes of it.
    """
    np.empty(_KEPT_BYTES, np.uint8)
