"""Colours of other profiles (a phone's Display P3, a scanner's grey gamma) and see-through
pixels made plain sRGB."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from measure.linear_light import decode_srgb, encode_srgb, encode_srgb_16

ROWS_AT_ONCE = 64
"""Pictures are converted in strips of this many rows, to hold no second whole copy."""
NOTICEABLE_CODES = 2
"""A profile that moves no colour by more than this is sRGB under another name."""


@dataclass(frozen=True)
class ForeignProfile:
    """An ICC profile whose colours differ from sRGB."""

    to_srgb: ImageCms.ImageCmsTransform
    """Pillow's conversion of 8-bit pictures of the mode the profile was asked for."""
    tone: NDArray[np.float64]
    """sRGB code (0..255) of each of the profile's 256 neutral codes."""

    def converted(self, image: Image.Image) -> Image.Image:
        """An 8-bit colour picture in sRGB, its alpha kept."""
        return _apply(image, self.to_srgb)

    def applied_to(self, pixels: NDArray[Any]) -> NDArray[Any]:
        """Decoded pixels with the profile's tone curve exchanged for that of sRGB.

        For grey this is all there is to convert. For colour of 16 bit, that Pillow cannot
        convert, it sets the light levels right and leaves the hues as they are. The last of
        two or four channels is alpha and stays.
        """
        if not np.issubdtype(pixels.dtype, np.unsignedinteger):
            return pixels
        top = int(np.iinfo(pixels.dtype).max)
        codes = np.interp(np.linspace(0.0, 255.0, top + 1), np.arange(256.0), self.tone)
        table = np.rint(codes * (top / 255.0)).astype(pixels.dtype)
        converted = table[pixels]
        if pixels.ndim == 3 and pixels.shape[2] in (2, 4):
            converted[..., -1] = pixels[..., -1]
        return np.asarray(converted)


def foreign_profile(icc: Any, mode: str) -> ForeignProfile | None:
    """The profile `icc` when it fits pictures of `mode` and is not sRGB; else None.

    A broken profile counts as none: the standard for pictures that do not say is sRGB.
    """
    model = {"L": "L", "LA": "L", "RGB": "RGB", "RGBA": "RGB", "CMYK": "CMYK"}.get(mode)
    if model is None or not isinstance(icc, bytes) or not icc:
        return None
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        if model == "CMYK":
            return ForeignProfile(_transform(profile, mode, "RGB"), np.arange(256.0))
        trial = _transform(profile, model, "RGB")
        ramp = np.arange(256, dtype=np.uint8)[np.newaxis]
        neutral = Image.fromarray(ramp).convert(model)
        tone = np.asarray(_apply(neutral, trial), np.float64)[0].mean(axis=1)
        moved = float(np.abs(tone - ramp[0]).max())
        if model == "RGB":
            levels = np.linspace(0, 255, 6).astype(np.uint8)
            cube = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(6, 36, 3)
            seen = np.asarray(_apply(Image.fromarray(cube), trial), np.float64)
            moved = max(moved, float(np.abs(seen - cube).max()))
        to_srgb = _transform(profile, mode, mode) if mode == "RGBA" else trial
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None
    return ForeignProfile(to_srgb, tone) if moved > NOTICEABLE_CODES else None


def over_white(pixels: NDArray[Any]) -> NDArray[Any]:
    """Lay a picture with alpha, (h, w, 2) or (h, w, 4), over white; others stay as they are."""
    if pixels.ndim == 2 or pixels.shape[2] == 3:
        return pixels
    opaque = np.iinfo(pixels.dtype).max
    encode = encode_srgb if pixels.dtype == np.uint8 else encode_srgb_16
    laid: NDArray[Any]
    if pixels.shape[2] == 2:
        laid = pixels[..., 0].copy()
    else:
        laid = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGBA2RGB))
    if pixels[..., -1].min() == opaque:
        return laid
    for top in range(0, len(pixels), ROWS_AT_ONCE):
        rows = slice(top, top + ROWS_AT_ONCE)
        if (pixels[rows, :, -1] == opaque).all():
            continue
        alpha = pixels[rows, :, -1].astype(np.float32) / opaque
        alpha = alpha if laid.ndim == 2 else alpha[..., np.newaxis]
        laid[rows] = encode(decode_srgb(laid[rows]) * alpha + (1.0 - alpha))
    return laid


def _transform(
    profile: ImageCms.ImageCmsProfile, mode: str, wanted: str
) -> ImageCms.ImageCmsTransform:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    return ImageCms.buildTransform(profile, srgb, mode, wanted, intent)


def _apply(image: Image.Image, transform: ImageCms.ImageCmsTransform) -> Image.Image:
    converted = ImageCms.applyTransform(image, transform)
    if converted is None:
        raise ValueError("Pillow converted nothing")
    return converted
