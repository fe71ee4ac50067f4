"""Pictures in: a file, encoded bytes or an array, out an upright sRGB-coded array.

The only module of `measure` that reads a file.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from measure.errors import PictureError
from numpy.typing import NDArray
from PIL import Image, ImageOps

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True)
class Picture:
    """A decoded picture and what its file says about how it was taken."""

    pixels: Pixels
    """Upright, sRGB-coded, (rows, columns) grey or (rows, columns, 3) RGB."""
    dpi: tuple[float, float] | None
    """Pixels per inch along x and y of the upright picture, where the file states them."""
    focal_px: float | None
    """Focal length in pixels of this picture by its EXIF tags; None when absent or absurd."""
    camera_made: bool
    """The file says that a camera took it."""
    name: str
    """What to call it in messages."""


def read_picture(source: Path | str | bytes | NDArray[Any]) -> Picture:
    """Read a picture from a path, from encoded bytes or from an array; `PictureError` if not."""
    if isinstance(source, np.ndarray):
        return Picture(source, None, None, False, "the picture")
    data = source if isinstance(source, bytes) else Path(source).read_bytes()
    name = "the picture" if isinstance(source, bytes) else Path(source).name
    try:
        with Image.open(io.BytesIO(data)) as image:
            upright = ImageOps.exif_transpose(image)
            pixels = np.asarray(upright if upright.mode in ("L", "RGB") else upright.convert("RGB"))
    except OSError as error:
        raise PictureError(
            "not_a_picture", f"{name} is not a picture.", "Give a JPEG, PNG, TIFF or HEIC file."
        ) from error
    return Picture(pixels, None, None, False, name)
