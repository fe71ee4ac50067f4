"""Encoded bytes to pixels and tags, one decoder for each container.

What comes out is sRGB-coded, 8 or 16 bit as the file has it, not yet turned upright unless
the decoder did so, alpha still apart. Damage raises `DamagedError`, contents that make no picture
for us `UnsupportedError`; the decoders' own exceptions are left to the caller (`DECODER_FAULTS`).
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin, TiffImagePlugin

from measure import picture_tags as tags
from measure.picture_colour import ROWS_AT_ONCE, ForeignProfile, foreign_profile, over_white
from measure.picture_wholeness import as_tuple, jpeg_is_whole, png_is_whole, tiff_is_whole

DECODER_FAULTS = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    AttributeError,
    EOFError,
    RuntimeError,
    AssertionError,
    struct.error,
    zlib.error,
    cv2.error,
)
"""What Pillow, libheif's binding and OpenCV raise when bytes are not what they should be."""

BITS, PHOTOMETRIC, SAMPLES, PLANAR = 258, 262, 277, 284
EXTRA_SAMPLES, SAMPLE_FORMAT, ICC_PROFILE = 338, 339, 34675
IMAGE_WIDTH, IMAGE_LENGTH, COMPRESSION = 256, 257, 259


class DamagedError(Exception):
    """Part of the picture is missing or garbled."""


class UnsupportedError(Exception):
    """A sound file with contents we cannot use; the message ends "`name` ..."."""


@dataclass(frozen=True)
class Decoded:
    """Pixels as stored, and the tags beside them."""

    pixels: NDArray[Any]
    """uint8, uint16 or float32; (h, w) or (h, w, channels), the second or fourth one alpha."""
    base: tags.Tags = field(default_factory=dict)
    photo: tags.Tags = field(default_factory=dict)
    dpi: tuple[float, float] | None = None
    """Along x and y of the stored picture."""
    turn: int = 1
    """Orientation still to be applied, 1 to 8."""
    turned: int = 1
    """Orientation of the stored picture, whoever applies it."""
    tiff: bool = False
    chroma_halved: bool = False
    """Colour is stored at half the resolution of brightness, as most cameras do."""
    coding_step: float = 0.0
    """Mean step, of 255, that brightness was rounded to when it was coded; 0 where nothing was."""


CheckSize = Callable[[int, int], None]
"""Called with width and height as soon as the header is read; raises to refuse."""


def kind_of(data: bytes) -> str | None:
    """The container by its signature, None when it is none that can be read."""
    for signature, kind in _SIGNATURES:
        if data.startswith(signature):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp":
        return "AVIF" if data[8:12] in (b"avif", b"avis") else "HEIF"
    return None


_SIGNATURES = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"GIF8", "GIF"),
    (b"\0\0\0\x0cjP  ", "JPEG2000"),
    (b"BM", "BMP"),
    *((b"P%d" % number, "PPM") for number in range(1, 7)),
)
_LOSSLESS = ("PNG", "GIF", "BMP", "PPM")
UNTOLD_STEP: Final = 16.0
"""Coding step assumed of what does not tell: between a phone's usual JPEG and a webcam's (ours)."""
WEAK_SIGNATURES = ("BMP", "PPM")
"""Two letters that a text may begin with as well."""


def decode(data: bytes, kind: str, check_size: CheckSize) -> Decoded:
    """Decode the first picture in `data`, whose container is `kind` (from `kind_of`)."""
    if kind == "HEIF":
        return _decode_heif(data, check_size)
    if kind == "TIFF":
        return _decode_tiff(data, check_size)
    try:
        opened = Image.open(io.BytesIO(data), formats=(kind,))
    except KeyError as error:
        raise UnsupportedError(f"is a kind of picture ({kind}) that cannot be read here") from error
    with opened as image:
        check_size(*image.size)
        profile = foreign_profile(image.info.get("icc_profile"), image.mode)
        if kind == "JPEG":
            if not jpeg_is_whole(data):
                raise DamagedError
            pixels = _decode_jpeg(data, image, profile)
        elif kind == "PNG":
            if not png_is_whole(data):
                raise DamagedError
            # Pillow cuts 16-bit colour down to 8 (IHDR: depth at byte 24, colour type at 25).
            deep = data[24] == 16
            pixels = _decode_deep_png(data) if deep else _pillow_pixels(image, profile)
            pixels = profile.applied_to(pixels) if deep and profile else pixels
        else:
            pixels = _pillow_pixels(image, profile)
        exif = image.getexif()
        base, photo = read_tags(exif), read_tags(exif.get_ifd(tags.EXIF_DIRECTORY))
        turn = tags.orientation(base)
        dpi = _stated_dpi(image, kind) or tags.resolution_dpi(base)
        whole = kind in _LOSSLESS or data[12:16] == b"VP8L"  # WebP without loss
        halved, step = kind in ("AVIF", "WEBP") and not whole, 0.0 if whole else UNTOLD_STEP
        if isinstance(image, JpegImagePlugin.JpegImageFile):
            halved = image.layers == 3 and JpegImagePlugin.get_sampling(image) != 0
            step = _coding_step(image)
    return Decoded(pixels, base, photo, dpi, turn, turn, chroma_halved=halved, coding_step=step)


def _coding_step(image: JpegImagePlugin.JpegImageFile) -> float:
    """Mean of the table of quantisation that a JPEG's first component names (ITU-T T.81).

    That component is brightness, or one of three colours that are coded alike.
    """
    steps = image.quantization.get(image.layer[0][3]) if image.layer else None
    return float(np.mean(steps)) if steps else UNTOLD_STEP


def read_tags(directory: Mapping[int, Any]) -> dict[int, Any]:
    """The readable entries of a tag directory: Pillow unpacks each when it is asked for."""
    found: dict[int, Any] = {}
    for tag in _listed(directory):
        try:
            found[tag] = directory[tag]
        except DECODER_FAULTS:
            continue
    return found


def _listed(directory: Iterable[int]) -> list[int]:
    try:
        return list(directory)
    except DECODER_FAULTS:
        return []


def _stated_dpi(image: Image.Image, kind: str) -> tuple[float, float] | None:
    if kind == "JPEG":
        # Not info["dpi"]: where JFIF says nothing Pillow makes one up (72).
        mm = {1: 25.4, 2: 10.0}.get(image.info.get("jfif_unit", 0))
        density = image.info.get("jfif_density")
        if mm is None or not isinstance(density, tuple):
            return None
        return tags.real_dpi(tuple(value * 25.4 / mm for value in density))
    return tags.real_dpi(image.info.get("dpi"))


def _decode_jpeg(data: bytes, image: Image.Image, profile: ForeignProfile | None) -> NDArray[Any]:
    # OpenCV writes straight into the array, Pillow by way of four bytes a pixel; where both
    # can, OpenCV takes two thirds of the time and half of the memory.
    flag = {"L": cv2.IMREAD_GRAYSCALE, "RGB": cv2.IMREAD_COLOR_RGB}.get(image.mode)
    if flag is not None and (profile is None or image.mode == "L"):
        coded = np.frombuffer(data, np.uint8)
        pixels = cv2.imdecode(coded, flag | cv2.IMREAD_IGNORE_ORIENTATION)
        if pixels is not None and pixels.shape[1::-1] == image.size:
            return profile.applied_to(pixels) if profile else pixels
    return _pillow_pixels(image, profile)


def _decode_deep_png(data: bytes) -> NDArray[Any]:
    pixels = _by_opencv(data)
    if data[25] in (0, 4) and pixels.ndim == 3:  # grey, that OpenCV spreads over three channels
        pixels = np.ascontiguousarray(
            pixels[..., (0, -1)] if pixels.shape[2] == 4 else pixels[..., 0]
        )
    return pixels


def _by_opencv(data: bytes) -> NDArray[Any]:
    """What OpenCV makes of it, unchanged but for the order of the channels: RGB(A)."""
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise DamagedError
    if pixels.ndim == 3 and pixels.shape[2] in (3, 4):
        swap = cv2.COLOR_BGR2RGB if pixels.shape[2] == 3 else cv2.COLOR_BGRA2RGBA
        cv2.cvtColor(pixels, swap, dst=pixels)
    return pixels


def _pillow_pixels(image: Image.Image, profile: ForeignProfile | None) -> NDArray[Any]:
    """The picture as (h, w) or (h, w, 3), colours converted to sRGB, over white."""
    image.load()
    mode = image.mode
    if mode.startswith("I;16"):
        return np.asarray(image).astype(np.uint16, copy=False)
    see_through = "transparency" in image.info or mode in ("PA", "RGBa", "La")
    if mode in ("1", "L", "LA", "La"):
        wanted = "LA" if see_through or mode == "LA" else "L"
    elif mode in ("P", "PA", "RGB", "RGBA", "RGBa", "RGBX", "CMYK", "YCbCr", "HSV"):
        wanted = "RGBA" if see_through or mode == "RGBA" else "RGB"
    else:
        raise UnsupportedError(f"holds values of a kind ({mode}) that is no ordinary picture")
    return _in_strips(image, wanted, profile)


def _in_strips(image: Image.Image, mode: str, profile: ForeignProfile | None) -> NDArray[np.uint8]:
    """A loaded picture in sRGB `mode`, over white, (h, w) or (h, w, 3).

    In one go Pillow would hold up to four copies of the picture at a time.
    """
    width, height = image.size
    grey = mode.startswith("L")
    out = np.empty((height, width) if grey else (height, width, 3), np.uint8)
    for top in range(0, height, ROWS_AT_ONCE):
        bottom = min(top + ROWS_AT_ONCE, height)
        strip = image.crop((0, top, width, bottom))
        if profile is not None and not grey:
            strip = profile.converted(strip)
        if strip.mode == "La":  # Pillow knows no way back from premultiplied grey but by colour
            strip = strip.convert("LA")
        if strip.mode != mode:
            strip = strip.convert(mode)
        pixels = np.asarray(strip)
        if profile is not None and grey:
            pixels = profile.applied_to(pixels)
        out[top:bottom] = over_white(pixels)
    return out


def _decode_heif(data: bytes, check_size: CheckSize) -> Decoded:
    picture = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
    check_size(*picture.size)
    transfer = (picture.info.get("nclx_profile") or {}).get("transfer_characteristics")
    if transfer in (16, 18):  # PQ and HLG of ITU-T H.273
        raise UnsupportedError("is a high dynamic range picture, whose light levels are not sRGB")
    mode = picture.mode.split(";")[0]
    profile = foreign_profile(picture.info.get("icc_profile"), mode)
    if profile is not None and picture.mode in ("RGB", "RGBA"):
        pixels = _pillow_pixels(picture.to_pillow(), profile)
    else:
        pixels = np.asarray(picture)
        pixels = profile.applied_to(pixels) if profile else pixels
    base: dict[int, Any] = {}
    photo: dict[int, Any] = {}
    exif = Image.Exif()
    try:
        exif.load(picture.info.get("exif") or b"")
        base, photo = read_tags(exif), read_tags(exif.get_ifd(tags.EXIF_DIRECTORY))
    except DECODER_FAULTS:
        pass  # a garbled Exif block beside a sound picture is no reason to refuse it
    # libheif has turned the picture by the container's own boxes; Exif only repeats them.
    turned = tags.orientation(base)
    dpi = tags.resolution_dpi(base)
    return Decoded(pixels, base, photo, dpi, 1, turned, chroma_halved=True, coding_step=UNTOLD_STEP)


def _decode_tiff(data: bytes, check_size: CheckSize) -> Decoded:
    base, photo = _tiff_tags(data)
    width, height = base.get(IMAGE_WIDTH), base.get(IMAGE_LENGTH)
    if not isinstance(width, int) or not isinstance(height, int):
        raise DamagedError
    check_size(width, height)
    if not tiff_is_whole(data, base):
        raise DamagedError
    turned = tags.orientation(base)
    bits = set(as_tuple(base.get(BITS, 1)))
    kinds = set(as_tuple(base.get(SAMPLE_FORMAT, 1)))
    photometric = base.get(PHOTOMETRIC, 1)
    if photometric in (0, 1, 2) and (bits, kinds) in (({16}, {1}), ({32}, {3})):
        pixels, turn = _decode_deep_tiff(data, base), 1  # OpenCV turns these itself
        icc, mode = base.get(ICC_PROFILE), "RGB" if photometric == 2 else "L"
        profile = foreign_profile(icc, mode)
        pixels = profile.applied_to(pixels) if profile else pixels
    else:
        try:
            image = Image.open(io.BytesIO(data), formats=("TIFF",))
        except OSError as error:
            raise UnsupportedError("is a kind of TIFF that cannot be read here") from error
        with image:
            check_size(*image.size)
            profile = foreign_profile(image.info.get("icc_profile"), image.mode)
            pixels = _pillow_pixels(image, profile)
            # Pillow turns a TIFF while it loads and then takes the tag away.
            turn = tags.orientation(read_tags(image.getexif()))
    coded = base.get(COMPRESSION) in (6, 7)  # JPEG, as TIFF 6.0 had it and as it is done since
    return Decoded(
        pixels,
        base,
        photo,
        tags.resolution_dpi(base),
        turn,
        turned,
        tiff=True,
        coding_step=UNTOLD_STEP if coded else 0.0,
    )


def _tiff_tags(data: bytes) -> tuple[dict[int, Any], dict[int, Any]]:
    """The first page's tags and its Exif tags, also of kinds that Pillow itself cannot open."""
    head = data[: 16 if data[2:3] == b"+" or data[3:4] == b"+" else 8]
    stream = io.BytesIO(data)

    def directory(at: int, group: int | None = None) -> dict[int, Any]:
        entries = TiffImagePlugin.ImageFileDirectory_v2(head, group=group)
        stream.seek(at)
        entries.load(stream)
        return read_tags(entries)

    start = TiffImagePlugin.ImageFileDirectory_v2(head).next
    if not len(head) <= start < len(data):
        raise DamagedError
    base = directory(start)
    at = base.get(tags.EXIF_DIRECTORY)
    try:
        photo = directory(at, tags.EXIF_DIRECTORY) if isinstance(at, int) else {}
    except DECODER_FAULTS:
        photo = {}
    return base, photo


def _decode_deep_tiff(data: bytes, base: tags.Tags) -> NDArray[Any]:
    """16-bit or float samples, upright, at most one of them alpha and that not premultiplied."""
    samples = base.get(SAMPLES, 1)
    colours = 3 if base.get(PHOTOMETRIC) == 2 else 1
    # OpenCV reads separate planes and grey with alpha wrongly and without a word.
    if samples not in (colours, 4) or (samples > 1 and base.get(PLANAR, 1) != 1):
        raise UnsupportedError(
            "is a TIFF of 16 bits or more with its channels stored in a rare way"
        )
    pixels = _by_opencv(data)
    if pixels.dtype not in (np.uint16, np.float32) or pixels.size != samples * (
        base[IMAGE_WIDTH] * base[IMAGE_LENGTH]
    ):
        raise UnsupportedError("is a kind of TIFF that cannot be read here")
    extra = as_tuple(base.get(EXTRA_SAMPLES, 0))[0]
    if samples == 4 and extra == 1:
        raise UnsupportedError(
            "is a TIFF of 16 bits or more with colours multiplied by their alpha"
        )
    if samples == 4 and extra != 2:
        pixels = np.ascontiguousarray(pixels[..., :3])
    if base.get(PHOTOMETRIC) == 0:
        pixels = (1.0 if pixels.dtype == np.float32 else 65535) - pixels
    return pixels
