"""Pictures in: a file, encoded bytes or an array, out an upright sRGB-coded array.

The only module of `measure` that reads a file.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from measure import picture_tags
from measure.errors import PictureError
from measure.picture_colour import over_white
from measure.picture_decoding import (
    DECODER_FAULTS,
    WEAK_SIGNATURES,
    DamagedError,
    Decoded,
    UnsupportedError,
    decode,
    kind_of,
)

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

MAX_PIXELS = 120_000_000
MAX_SIDE_PX = 30_000
MIN_SIDE_PX = 64
MAX_FILE_BYTES = MAX_PIXELS * 9
"""More than 16-bit colour with alpha takes uncompressed at the largest size."""


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
    chroma_halved: bool = False
    """The file holds colour at half the resolution of brightness."""
    coding_step: float = 0.0
    """Mean step, of 255, that its brightness was rounded to when it was coded; 0 where none."""


def read_picture(source: Path | str | bytes | NDArray[Any]) -> Picture:
    """Read a picture from a path, from encoded bytes or from an array.

    Files: JPEG, PNG, TIFF, HEIC, WebP, BMP, GIF, PNM, JPEG 2000 and AVIF where the libraries
    can; first page or frame; alpha laid over white, in linear light. Arrays: uint8, uint16 or
    float from 0 to 1 (becomes uint16), sRGB-coded, (h, w), (h, w, 1), (h, w, 3) or (h, w, 4)
    in the order RGB and alpha; a contiguous uint8 or uint16 array is not copied.

    Raises `PictureError` with code `unreadable_file`, `not_a_picture`, `truncated_file`,
    `too_large` (decided before decoding) or `too_small`.
    """
    if isinstance(source, np.ndarray):
        return Picture(_array_pixels(source), None, None, False, "the picture")
    if isinstance(source, bytes | bytearray | memoryview):
        return _read_encoded(bytes(source), "the picture")
    if isinstance(source, Path | str):
        path = Path(source)
        name = "".join(letter if letter.isprintable() else "?" for letter in path.name)
        return _read_encoded(_file_bytes(path, name or str(path)), name)
    raise PictureError(
        "not_a_picture",
        f"What was given, of type {type(source).__name__}, is not a picture.",
        "Give a path, the bytes of a picture file or a NumPy array.",
    )


def _file_bytes(path: Path, name: str) -> bytes:
    def unreadable(cause: str, advice: str) -> PictureError:
        return PictureError("unreadable_file", f"{name} {cause}.", advice)

    try:
        if path.is_dir():
            raise unreadable("is a folder, not a picture", "Name a picture file inside it.")
        if path.exists() and not path.is_file():
            raise unreadable("is not a file", "Name a picture file.")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise _too_large(name, "is a larger file than any picture that can be measured")
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise unreadable("does not exist", "Check the name and the folder.") from error
    except PermissionError as error:
        raise unreadable("may not be read", "Change its permissions or copy it.") from error
    except (OSError, ValueError) as error:  # ValueError: a name no file can have
        raise unreadable("could not be read", "Check the name and the drive it is on.") from error
    if not data:
        raise unreadable("is empty", "Copy or save the picture again.")
    return data


def _read_encoded(data: bytes, name: str) -> Picture:
    def check_size(width: int, height: int) -> None:
        _check_size(width, height, name)

    not_one = PictureError(
        "not_a_picture",
        f"{name} is not a picture of a kind that can be read.",
        "Give a JPEG, PNG, TIFF or HEIC file.",
    )
    kind = kind_of(data)
    if kind is None:
        raise not_one
    try:
        with _no_warnings():
            decoded = decode(data, kind, check_size)
    except UnsupportedError as error:
        raise PictureError(
            "unreadable_file",
            f"{name} {error}.",
            "Save it as an ordinary JPEG, PNG or TIFF with 8 or 16 bits per channel.",
        ) from error
    except Image.DecompressionBombError as error:
        # Pillow's own limit lies above ours, so that this never refuses what we would take.
        raise _too_large(name, "has more pixels than can be measured") from error
    except MemoryError as error:
        raise _too_large(name, "needs more memory than there is") from error
    except (DamagedError, *DECODER_FAULTS) as error:
        if kind in WEAK_SIGNATURES:
            raise not_one from error
        raise PictureError(
            "truncated_file",
            f"{name} is cut short or damaged, so that part of the picture is missing.",
            "Copy it again from the camera or the scanner.",
        ) from error
    return _picture(decoded, name)


def _picture(decoded: Decoded, name: str) -> Picture:
    height, width = decoded.pixels.shape[:2]
    _check_size(width, height, name)
    quarter_turned = decoded.turned >= 5
    stored = (height, width) if quarter_turned and decoded.turn == 1 else (width, height)
    pixels: NDArray[Any] = decoded.pixels
    if pixels.dtype == np.float32:
        pixels = _float_to_16(pixels, name)
    pixels = over_white(pixels)
    dpi = decoded.dpi
    if dpi is not None and quarter_turned:
        dpi = (dpi[1], dpi[0])
    return Picture(
        pixels=_turned(pixels, decoded.turn),
        dpi=dpi,
        focal_px=picture_tags.focal_px(decoded.photo, *stored),
        camera_made=picture_tags.is_camera_made(decoded.base, decoded.photo, tiff=decoded.tiff),
        name=name,
        chroma_halved=decoded.chroma_halved,
        coding_step=decoded.coding_step,
    )


def _array_pixels(array: NDArray[Any]) -> Pixels:
    def refused(cause: str) -> PictureError:
        return PictureError(
            "not_a_picture",
            f"An array {cause} is not a picture.",
            "Give uint8, uint16 or float from 0 to 1, shaped (rows, columns) or "
            "(rows, columns, 3) in the order red, green, blue.",
        )

    pixels = np.asarray(array)
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] not in (1, 3, 4)):
        raise refused(f"of shape {pixels.shape}")
    if pixels.size == 0:
        raise refused("without pixels")
    _check_size(pixels.shape[1], pixels.shape[0], "the picture")
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    if np.issubdtype(pixels.dtype, np.floating):
        pixels = _float_to_16(pixels, "the picture")
    elif pixels.dtype.kind == "u" and pixels.dtype.itemsize <= 2:
        pixels = pixels.astype(pixels.dtype.newbyteorder("="), copy=False)
    else:
        raise refused(f"of {pixels.dtype}")
    return over_white(_packed(pixels))


def _packed(pixels: NDArray[Any]) -> NDArray[Any]:
    """The pixels one behind the other; blue-green-red read backwards is turned by OpenCV."""
    backwards = pixels[..., ::-1]
    if pixels.ndim == 3 and pixels.shape[2] == 3 and backwards.flags.c_contiguous:
        return np.asarray(cv2.cvtColor(backwards, cv2.COLOR_BGR2RGB))
    return np.ascontiguousarray(pixels)


def _float_to_16(pixels: NDArray[Any], name: str) -> NDArray[np.uint16]:
    # Comparisons with NaN are false, so that this refuses it too.
    if not (pixels.min() >= 0.0 and pixels.max() <= 1.0):
        raise PictureError(
            "not_a_picture",
            f"{name} holds numbers outside 0 to 1, or none at all, where light levels belong.",
            "Scale floating-point pixels to 0 for black and 1 for white.",
        )
    # Half floats end below 65535: at least single precision.
    light = pixels.astype(np.promote_types(pixels.dtype, np.float32), copy=False)
    return np.asarray(np.rint(light * 65535.0), np.uint16)


def _turned(pixels: Any, orientation: int) -> Pixels:
    """Upright from stored: what TIFF 6.0 says row 0 and column 0 show, undone."""
    if orientation == 2:
        pixels = cv2.flip(pixels, 1)
    elif orientation == 3:
        pixels = cv2.rotate(pixels, cv2.ROTATE_180)
    elif orientation == 4:
        pixels = cv2.flip(pixels, 0)
    elif orientation == 5:
        pixels = cv2.transpose(pixels)
    elif orientation == 6:
        pixels = cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE)
    elif orientation == 7:
        pixels = cv2.transpose(cv2.flip(pixels, -1))
    elif orientation == 8:
        pixels = cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE)
    upright: Pixels = pixels
    return upright


def _check_size(width: int, height: int, name: str) -> None:
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE_PX:
        raise _too_large(
            name,
            f"is {width} x {height} pixels, more than the {MAX_PIXELS // 1_000_000} megapixels "
            f"or {MAX_SIDE_PX} on a side that can be measured",
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PictureError(
            "too_small",
            f"{name} is {width} x {height} pixels, less than {MIN_SIDE_PX} on a side.",
            "Give the picture as the camera or the scanner made it, not a thumbnail.",
        )


def _too_large(name: str, cause: str) -> PictureError:
    return PictureError(
        "too_large", f"{name} {cause}.", "Crop it to the card, or scan at a lower resolution."
    )


class _WarningFilters:
    """The process's warning filters, put aside while any thread is decoding.

    Pillow tells of odd tags and large pictures by warnings. The filters are shared by all
    threads: were each to put back what it found, they could be lost for good.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._readers = 0
        self._kept = warnings.catch_warnings()

    def put_aside(self) -> None:
        with self._lock:
            if self._readers == 0:
                self._kept = warnings.catch_warnings()
                self._kept.__enter__()
                warnings.simplefilter("ignore")
            self._readers += 1

    def put_back(self) -> None:
        with self._lock:
            self._readers -= 1
            if self._readers == 0:
                self._kept.__exit__(None, None, None)


_FILTERS = _WarningFilters()


@contextmanager
def _no_warnings() -> Iterator[None]:
    _FILTERS.put_aside()
    try:
        yield
    finally:
        _FILTERS.put_back()
