"""What a source of pictures hands over, whichever kind it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of a running source: a camera or a video."""

    pixels: NDArray[np.uint8]
    """(rows, columns, 3) sRGB-coded red, green, blue; nobody writes into it.

    It may be a view of pixels that lie in memory as blue, green, red: see `as_stored`.
    """
    time_s: float
    """When it was taken, on the clock of `time.monotonic`."""
    number: int
    """Counts up within one source."""
    in_time: bool = True
    """Whether its source has frames enough ready. If not it is only shown, unless one before it
    waits to be measured: measuring it would take still more of what decoding lacks."""


def as_stored(pixels: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], bool]:
    """Pixels (rows, columns[, 3]) as they lie in memory, and whether blue comes first there.

    Films are decoded to blue, green, red. Turning every frame round takes a millisecond of a large
    one, and most are only shown, much smaller: so it is done where they are used.
    """
    turned = pixels.ndim == 3 and pixels.strides[2] < 0
    return (pixels[:, :, ::-1], True) if turned else (pixels, False)


@dataclass(frozen=True)
class Still:
    """One picture that stands by itself: a file, or bytes that were dropped or pasted."""

    content: Path | bytes
    name: str
    """For people: the file's name, or "pasted picture"."""


@dataclass(frozen=True)
class SourceState:
    """How a source is doing, with a sentence when something is wrong."""

    kind: Literal["starting", "running", "waiting", "ended", "failed"]
    """`waiting`: gone for now and looked for again by itself; `failed`: will not come back."""
    text: str = ""
    advice: str = ""
    detail: str = ""
    """What is chosen, for example "1920 x 1080, 30 a second"."""
