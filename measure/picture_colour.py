"""Colours of other profiles (a phone's Display P3, a scanner's grey gamma) made sRGB."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

NOTICEABLE_CODES = 2
"""A profile that moves no colour by more than this is sRGB under another name."""


@dataclass(frozen=True)
class ForeignProfile:
    """An ICC profile whose colours differ from sRGB."""

    source: ImageCms.ImageCmsProfile
    tone: NDArray[np.float64]
    """sRGB code (0..255) of each of the profile's 256 neutral codes."""

    def converted(self, image: Image.Image) -> Image.Image:
        """An 8-bit colour picture in sRGB, its alpha kept."""
        wanted = "RGBA" if image.mode == "RGBA" else "RGB"
        return _to_srgb(image, self.source, wanted)

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
            _to_srgb(Image.new("CMYK", (1, 1)), profile, "RGB")
            return ForeignProfile(profile, np.arange(256.0))
        ramp = np.arange(256, dtype=np.uint8)[np.newaxis]
        neutral = Image.fromarray(ramp).convert(model)
        tone = np.asarray(_to_srgb(neutral, profile, "RGB"), np.float64)[0].mean(axis=1)
        moved = float(np.abs(tone - ramp[0]).max())
        if model == "RGB":
            levels = np.linspace(0, 255, 6).astype(np.uint8)
            cube = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(6, 36, 3)
            seen = np.asarray(_to_srgb(Image.fromarray(cube), profile, "RGB"), np.float64)
            moved = max(moved, float(np.abs(seen - cube).max()))
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None
    return ForeignProfile(profile, tone) if moved > NOTICEABLE_CODES else None


def _to_srgb(image: Image.Image, profile: ImageCms.ImageCmsProfile, mode: str) -> Image.Image:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    converted = ImageCms.profileToProfile(image, profile, srgb, intent, mode)
    if converted is None:
        raise ValueError("Pillow converted nothing")
    return converted
