"""Encoded pictures for tests, each made from a known array."""

import io
import struct

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from measure.errors import PictureError
from measure.picture import read_picture

ROWS, COLUMNS = 96, 130


def scene(channels: int = 3, dtype: type = np.uint8) -> np.ndarray:
    """Smooth, not square, without symmetry: a wrong turn or channel order shows."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    top = np.iinfo(dtype).max
    planes = [
        np.rint(x / (COLUMNS - 1) * top),
        np.rint(y / (ROWS - 1) * top * 0.9),
        np.rint((0.15 + 0.6 * np.exp(-((x - 30) ** 2 + (y - 20) ** 2) / 800)) * top),
        np.rint((0.3 + 0.7 * y / (ROWS - 1)) * top),
    ]
    stacked = np.stack(planes[:channels], axis=-1).astype(dtype)
    return stacked[..., 0] if channels == 1 else stacked


def encoded(pixels: np.ndarray | Image.Image, kind: str, **options: object) -> bytes:
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def encoded_16(pixels: np.ndarray, suffix: str, *options: int) -> bytes:
    if pixels.ndim == 3:
        pixels = pixels[..., (2, 1, 0, 3)[: pixels.shape[2]]]
    done, data = cv2.imencode(suffix, pixels, list(options))
    assert done
    return data.tobytes()


def tiff(
    pixels: np.ndarray,
    *,
    photometric: int,
    tags: dict[int, tuple[int, tuple[int, ...]]] | None = None,
    order: str = "<",
) -> bytes:
    """An uncompressed TIFF of one strip, written by hand from TIFF 6.0 section 2 and 8."""
    rows, columns = pixels.shape[:2]
    samples = 1 if pixels.ndim == 2 else pixels.shape[2]
    bits = pixels.dtype.itemsize * 8
    body = pixels.astype(pixels.dtype.newbyteorder(order)).tobytes()
    entries: dict[int, tuple[int, tuple[int, ...]]] = {
        256: (4, (columns,)),
        257: (4, (rows,)),
        258: (3, (bits,) * samples),
        259: (3, (1,)),
        262: (3, (photometric,)),
        273: (4, (8,)),
        277: (3, (samples,)),
        278: (4, (rows,)),
        279: (4, (len(body),)),
        339: (3, ({"u": 1, "f": 3}[pixels.dtype.kind],) * samples),
    } | (tags or {})
    directory_at = 8 + len(body) + len(body) % 2
    spill_at = directory_at + 2 + 12 * len(entries) + 4
    directory, spill = struct.pack(order + "H", len(entries)), b""
    for tag, (kind, values) in sorted(entries.items()):
        packed = struct.pack(order + {3: "H", 4: "I", 5: "I"}[kind] * len(values), *values)
        count = len(values) // 2 if kind == 5 else len(values)
        directory += struct.pack(order + "HHI", tag, kind, count)
        if len(packed) > 4:
            directory += struct.pack(order + "I", spill_at + len(spill))
            spill += packed
        else:
            directory += packed.ljust(4, b"\0")
    head = {"<": b"II*\0", ">": b"MM\0*"}[order] + struct.pack(order + "I", directory_at)
    return head + body.ljust(directory_at - 8, b"\0") + directory + b"\0" * 4 + spill


def heic(pixels: np.ndarray, **options: object) -> bytes:
    out = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(out, quality=-1, chroma=444, **options)
    return out.getvalue()


def code_of(source: object) -> str:
    with pytest.raises(PictureError) as caught:
        read_picture(source)
    error = caught.value
    assert error.text.endswith(".")
    assert error.advice.endswith(".")
    assert "\n" not in error.text + error.advice
    assert str(error) == error.text
    return error.code
