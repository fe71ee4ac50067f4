"""Pixels to the screen: the visible part of a picture at the size it is shown, quickly.

Averaging over whole squares first and interpolating the rest takes a third of the time of
averaging over fractions, and no pixel is skipped, so fine strands do not sparkle. The picture
itself is never copied: what is turned into the screen's own order of colours, which Qt draws as it
is, is the scaled part.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRect
from PySide6.QtGui import QImage

from app.window.frame import as_stored

_PIXELLED: Final = 4.0
"""Magnification from which pixels are shown as squares."""


class ScaledPicture:
    """A picture of any size, colour or grey, from which parts are scaled to the screen."""

    def __init__(self, pixels: NDArray[Any]) -> None:
        stored, self._blue_first = as_stored(eight_bits(pixels))
        self._levels: list[NDArray[np.uint8]] = [stored]
        """The picture, and halves of it that were wanted once; kept while it is shown."""

    @property
    def width(self) -> int:
        """Columns."""
        return int(self._levels[0].shape[1])

    @property
    def height(self) -> int:
        """Rows."""
        return int(self._levels[0].shape[0])

    def part(self, source: QRect, width: int, height: int) -> QImage:
        """A rectangle of the picture as an image of `width` x `height` device pixels."""
        width, height = max(width, 1), max(height, 1)
        shrink = min(source.width() / width, source.height() / height)
        times = max(0, int(np.log2(shrink))) if shrink > 1 else 0
        level, times = self._halved(times)
        left, top = source.left() >> times, source.top() >> times
        right = max(left + 1, -((-source.left() - source.width()) >> times))
        bottom = max(top + 1, -((-source.top() - source.height()) >> times))
        cut: NDArray[Any] = level[top:bottom, left:right]
        if cut.shape[:2] != (height, width):
            magnified = width / cut.shape[1]
            how = cv2.INTER_NEAREST if magnified >= _PIXELLED else cv2.INTER_LINEAR
            cut = cv2.resize(cut, (width, height), interpolation=how)
        return image_of(cut[:, :, ::-1] if self._blue_first else cut)

    def _halved(self, times: int) -> tuple[NDArray[np.uint8], int]:
        while len(self._levels) <= times and min(self._levels[-1].shape[:2]) >= 2:
            last = self._levels[-1]
            rows, columns = last.shape[0] // 2, last.shape[1] // 2
            # An odd last row or column is left out: the squares stay whole, which is fast.
            even = last[: 2 * rows, : 2 * columns]
            self._levels.append(
                cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA).astype(
                    np.uint8, copy=False
                )
            )
        times = min(times, len(self._levels) - 1)
        return self._levels[times], times


def eight_bits(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Pixels of any depth as (rows, columns) or (rows, columns, 3) of 8 bits; no copy of 8-bit."""
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    elif np.issubdtype(pixels.dtype, np.floating):
        pixels = np.rint(np.clip(pixels, 0.0, 1.0) * 255).astype(np.uint8)
    if pixels.ndim == 3:
        pixels = pixels[:, :, 0] if pixels.shape[2] == 1 else pixels[:, :, :3]
    return pixels.astype(np.uint8, copy=False)


def image_of(pixels: NDArray[np.uint8]) -> QImage:
    """An image of pixels (rows, columns[, 3]); Qt keeps the memory it lies on alive."""
    stored, blue_first = as_stored(pixels)
    colours = cv2.COLOR_BGR2BGRA if blue_first else cv2.COLOR_RGB2BGRA
    four = cv2.cvtColor(stored, cv2.COLOR_GRAY2BGRA if pixels.ndim == 2 else colours)
    rows, columns = four.shape[:2]
    return QImage(four.data, columns, rows, 4 * columns, QImage.Format.Format_RGB32)
