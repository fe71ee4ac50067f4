"""From rendered light to the file a phone, webcam or scanner would have written."""

from __future__ import annotations

import io
import zlib
from dataclasses import dataclass, replace
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sample_images.scene import PAPER, Camera, Floats

EXIF_FOCAL_35MM: Final = 0xA405
"""FocalLengthIn35mmFilm, Exif 2.32, in the Exif sub-directory 0x8769."""
EXIF_DIRECTORY: Final = 0x8769
DIAGONAL_35MM: Final = 43.27
"""Diagonal of the 36 x 24 mm frame, mm."""


@dataclass(frozen=True)
class Development:
    """What lens, sensor and encoder do to the light.

    `paper_level` is where white paper ends up in linear light (1 is clipped); `noise` is the
    standard deviation at that level, falling as the square root of the light to `noise_floor`.
    `balance` is left over when the camera judges the lamp's colour a little wrong; `vignette`
    is the light lost in the corners. `sharpen` is the share of the difference from a 1 px blur
    that a webcam adds to its coded values.
    """

    format: Literal["jpg", "png"]
    quality: int = 90
    blur_px: float = 0.9
    paper_level: float = 0.80
    noise: float = 0.010
    noise_floor: float = 0.002
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignette: float = 0.0
    sharpen: float = 0.0
    dpi: float | None = None
    with_focal_length: bool = True


PHONE: Final = Development("jpg", 90, 0.9, 0.80, 0.010, 0.002, (1.0, 0.985, 0.96), 0.06)
WEBCAM: Final = Development("jpg", 75, 1.3, 0.75, 0.020, 0.006, (0.97, 1.0, 0.98), 0.10)
SCANNER: Final = Development("png", 0, 0.7, 0.82, 0.006, 0.003)


def exposed(light: Floats, how: Development) -> Development:
    """The same, held darker where needed so that the brightest thing in view is not clipped."""
    brightest = float(np.percentile(light, 99.95)) * max(how.balance)
    return replace(how, paper_level=round(min(how.paper_level, 0.95 * PAPER / brightest), 4))


def develop(light: Floats, how: Development, seed: int) -> NDArray[np.uint8]:
    """Linear light (rows, columns, 3) to sRGB 8 bit of the same shape."""
    rng = np.random.default_rng(seed)
    rows, columns = light.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns]
    from_middle = ((x - (columns - 1) / 2) ** 2 + (y - (rows - 1) / 2) ** 2) / (
        ((columns - 1) / 2) ** 2 + ((rows - 1) / 2) ** 2
    )
    gain = how.paper_level / PAPER * np.array(how.balance)
    seen = light * gain * (1.0 - how.vignette * from_middle)[:, :, None]
    if how.blur_px > 0.0:
        seen = cv2.GaussianBlur(seen, (0, 0), how.blur_px, borderType=cv2.BORDER_REPLICATE)
    spread = np.hypot(how.noise * np.sqrt(np.maximum(seen, 0.0) / how.paper_level), how.noise_floor)
    seen = np.clip(seen + rng.normal(0.0, 1.0, seen.shape) * spread, 0.0, 1.0)
    # IEC 61966-2-1, equations for the transfer from linear to coded values.
    coded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    if how.sharpen > 0.0:
        coded += how.sharpen * (coded - cv2.GaussianBlur(coded, (0, 0), 1.0))
        coded = np.clip(coded, 0.0, 1.0)
    return np.asarray(np.floor(coded * 255.0 + 0.5), dtype=np.uint8)


def encode(picture: NDArray[np.uint8], how: Development, camera: Camera) -> bytes:
    """The file's bytes: JPEG with the focal length a phone would note, or PNG with its dpi."""
    out = io.BytesIO()
    image = Image.fromarray(picture)
    if how.format == "png":
        dpi = how.dpi or camera.px_per_mm * 25.4
        image.save(out, "PNG", dpi=(dpi, dpi), optimize=True)
        return out.getvalue()
    exif = Image.Exif()
    if how.with_focal_length and camera.focal_px is not None:
        diagonal_px = float(np.hypot(camera.width_px, camera.height_px))
        directory = exif.get_ifd(EXIF_DIRECTORY)
        directory[EXIF_FOCAL_35MM] = round(camera.focal_px * DIAGONAL_35MM / diagonal_px)
        exif[EXIF_DIRECTORY] = directory
    image.save(out, "JPEG", quality=how.quality, optimize=True, exif=exif)
    return out.getvalue()


def seed_of(name: str) -> int:
    """A seed that belongs to a name, the same on every machine."""
    return zlib.crc32(name.encode())
