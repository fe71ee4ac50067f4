"""sRGB code values to linear light and back (IEC 61966-2-1).

Light adds up where a pixel sees both strand and ground, code values do not: every width
is measured in linear light.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# IEC 61966-2-1, the figures as printed there.
SLOPE = 12.92
OFFSET = 0.055
EXPONENT = 2.4
JOIN_CODED = 0.04045
JOIN_LINEAR = 0.0031308


def decode_srgb(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Linear light of sRGB-coded pixels, 0..1, in the shape they came in.

    `pixels` is uint8 (0..255), uint16 (0..65535) or float (0..1); another type is a TypeError.
    Floats outside 0..1 follow the curve on (the straight part below zero), nothing is clipped.
    """
    if pixels.dtype == np.uint8 and pixels.size:
        # OpenCV's look-up takes less than half of NumPy's time; its result has two axes.
        looked_up = cv2.LUT(np.ravel(pixels)[np.newaxis], _decoding_table(256))
        return np.asarray(np.reshape(looked_up, pixels.shape), np.float32)
    if pixels.dtype in (np.uint8, np.uint16):
        return np.asarray(_decoding_table(np.iinfo(pixels.dtype).max + 1)[pixels])
    if np.issubdtype(pixels.dtype, np.floating):
        return np.asarray(_decode(pixels), np.float32)
    raise TypeError(f"sRGB pixels are uint8, uint16 or float, not {pixels.dtype}")


def encode_srgb(linear: NDArray[np.floating[Any]]) -> NDArray[np.uint8]:
    """The nearest 8-bit sRGB code of linear light; below 0 and above 1 it clips."""
    return np.asarray(np.rint(_encode(linear) * 255.0), np.uint8)


def encode_srgb_16(linear: NDArray[np.floating[Any]]) -> NDArray[np.uint16]:
    """The nearest 16-bit sRGB code of linear light; below 0 and above 1 it clips."""
    return np.asarray(np.rint(_encode(linear) * 65535.0), np.uint16)


@lru_cache(maxsize=2)
def _decoding_table(codes: int) -> NDArray[np.float32]:
    table = np.asarray(_decode(np.linspace(0.0, 1.0, codes)), np.float32)
    table.setflags(write=False)
    return table


def _decode(coded: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    # The power sees no value below the join, where a negative one would give NaN.
    curved = ((np.maximum(coded, JOIN_CODED) + OFFSET) / (1.0 + OFFSET)) ** EXPONENT
    return np.asarray(np.where(coded <= JOIN_CODED, coded / SLOPE, curved))


def _encode(linear: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    light = np.clip(linear, 0.0, 1.0)
    curved = (1.0 + OFFSET) * np.maximum(light, JOIN_LINEAR) ** (1.0 / EXPONENT) - OFFSET
    return np.asarray(np.where(light <= JOIN_LINEAR, light * SLOPE, curved))
