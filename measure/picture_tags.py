"""What the tags of a picture file say: which way up, how many dots per inch, which lens.

Tags come as plain mappings from tag number to value, `base` from the file's first tag
directory and `photo` from its Exif directory, however the container stored them. Any value
may be missing, of the wrong type or absurd. Tag numbers and meanings: TIFF 6.0 and
CIPA DC-008 (Exif).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, SupportsFloat

Tags = Mapping[int, Any]

MAKE, MODEL = 0x010F, 0x0110
ORIENTATION = 0x0112
X_RESOLUTION, Y_RESOLUTION, RESOLUTION_UNIT = 0x011A, 0x011B, 0x0128
EXIF_DIRECTORY = 0x8769
EXPOSURE_TIME, F_NUMBER, FOCAL_LENGTH = 0x829A, 0x829D, 0x920A
PIXEL_X_DIMENSION = 0xA002
FOCAL_PLANE_X_RESOLUTION, FOCAL_PLANE_RESOLUTION_UNIT = 0xA20E, 0xA210
FILE_SOURCE = 0xA300
FOCAL_LENGTH_35MM = 0xA405

MM_PER_UNIT = {2: 25.4, 3: 10.0}
"""Values of the two unit tags: inch and centimetre."""
DIAGONAL_35MM_MM = math.hypot(36.0, 24.0)
FOCAL_PER_DIAGONAL = (0.15, 40.0)
"""A lens beyond this (6.5 mm to 1730 mm on 35 mm film) is a typing error, not a lens
(common practice, no source)."""


def orientation(base: Tags) -> int:
    """The Orientation tag, 1 to 8; 1 (as stored) when it is absent or anything else."""
    value = _whole(base.get(ORIENTATION))
    return value if 1 <= value <= 8 else 1


def resolution_dpi(base: Tags) -> tuple[float, float] | None:
    """Dots per inch along x and y of the stored picture; None unless both are real.

    The unit is the inch where it is left out, as TIFF 6.0 has it; unit 1 states no more than
    the shape of a pixel.
    """
    mm = MM_PER_UNIT.get(_whole(base.get(RESOLUTION_UNIT, 2)))
    x, y = _number(base.get(X_RESOLUTION)), _number(base.get(Y_RESOLUTION))
    if mm is None or x is None or y is None:
        return None
    return real_dpi((x * 25.4 / mm, y * 25.4 / mm))


def real_dpi(dpi: object) -> tuple[float, float] | None:
    """`dpi` as two floats when they can be a resolution; (1, 1) is how files say nothing."""
    if not isinstance(dpi, tuple) or len(dpi) != 2:
        return None
    x, y = _number(dpi[0]), _number(dpi[1])
    if x is None or y is None or x <= 1.0 or y <= 1.0:
        return None
    return x, y


def focal_px(photo: Tags, width_px: int, height_px: int) -> float | None:
    """Focal length in pixels of a picture of this size; None when absent or absurd.

    The 35 mm equivalent counts by the diagonal (CIPA DC-008 figures it so); without it the
    lens's millimetres and the sensor's pixel pitch, for the size the camera stored.
    """
    diagonal_px = math.hypot(width_px, height_px)
    candidates = []
    equivalent_mm = _number(photo.get(FOCAL_LENGTH_35MM))
    if equivalent_mm is not None:
        candidates.append(equivalent_mm * diagonal_px / DIAGONAL_35MM_MM)
    focal_mm = _number(photo.get(FOCAL_LENGTH))
    per_unit = _number(photo.get(FOCAL_PLANE_X_RESOLUTION))
    mm = MM_PER_UNIT.get(_whole(photo.get(FOCAL_PLANE_RESOLUTION_UNIT, 2)))
    if focal_mm is not None and per_unit is not None and mm is not None:
        stored_px = _number(photo.get(PIXEL_X_DIMENSION)) or 0.0
        resized = width_px / stored_px if stored_px > 0.0 else 1.0
        candidates.append(focal_mm * per_unit / mm * resized)
    shortest, longest = (limit * diagonal_px for limit in FOCAL_PER_DIAGONAL)
    return next((focal for focal in candidates if shortest <= focal <= longest), None)


def is_camera_made(base: Tags, photo: Tags, *, tiff: bool) -> bool:
    """Whether the tags say that a camera, not a scanner, took the picture.

    In a TIFF the maker's name alone says nothing: TIFF 6.0 defines Make and Model as those of
    the scanner. FileSource 1 and 2 are film and print scanners.
    """
    source = photo.get(FILE_SOURCE)
    source = source[0] if isinstance(source, bytes) and source else _whole(source)
    if source in (1, 2):
        return False
    if any(_number(photo.get(tag)) for tag in (EXPOSURE_TIME, F_NUMBER, FOCAL_LENGTH)):
        return True
    named = any(isinstance(base.get(tag), str) and base[tag].strip("\0 ") for tag in (MAKE, MODEL))
    return named and not tiff


def _number(value: object) -> float | None:
    """A finite number, or None for anything that is not one (0/0 is a common value)."""
    if not isinstance(value, SupportsFloat):
        return None
    try:
        number = float(value)
    except (ArithmeticError, ValueError, TypeError):
        return None
    return number if math.isfinite(number) else None


def _whole(value: object) -> int:
    number = _number(value)
    return -1 if number is None else int(number)
