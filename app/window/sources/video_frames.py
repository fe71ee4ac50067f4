"""A camera's frame as Qt has it, to sRGB-coded red, green, blue.

The numbers are those of ITU-R BT.601-7 and BT.709-6 (luma weights; 8-bit levels: black 16, white
235, chroma 128 +- 112) and of JFIF 1.02 (BT.601 weights over the full 0 to 255). The camera's
curve is taken for the sRGB one: the USB video class names sRGB as what holds when nothing is said
(USB Video Class 1.5, 3.9.2.6, from memory), and BT.601 weights with it.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PySide6.QtGui import QImage
from PySide6.QtMultimedia import QVideoFrame, QVideoFrameFormat

Bytes = NDArray[np.uint8]
_Format = QVideoFrameFormat.PixelFormat

_BT601: Final = (0.299, 0.114)
_BT709: Final = (0.2126, 0.0722)
"""Weights of red and of blue in the luma."""

_TO_RGB: Final = {
    _Format.Format_BGRA8888: cv2.COLOR_BGRA2RGB,
    _Format.Format_BGRA8888_Premultiplied: cv2.COLOR_BGRA2RGB,
    _Format.Format_BGRX8888: cv2.COLOR_BGRA2RGB,
    _Format.Format_RGBA8888: cv2.COLOR_RGBA2RGB,
    _Format.Format_RGBX8888: cv2.COLOR_RGBA2RGB,
}
"""Alpha is left aside: what a camera sees is not see-through."""
_FIRST_IS_ALPHA: Final = {
    _Format.Format_ARGB8888: (1, 2, 3),
    _Format.Format_ARGB8888_Premultiplied: (1, 2, 3),
    _Format.Format_XRGB8888: (1, 2, 3),
    _Format.Format_ABGR8888: (3, 2, 1),
    _Format.Format_XBGR8888: (3, 2, 1),
}
"""Which byte of four is red, green, blue."""
_TURNS: Final = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: 2}


def rgb_of(frame: QVideoFrame) -> Bytes | None:
    """The frame's pixels, (rows, columns, 3) RGB, upright; None when it cannot be read.

    Mirrored only where the camera itself mirrored it: what Qt would mirror for showing is left as
    delivered. May be called in any thread.
    """
    if not frame.isValid():
        return None
    if not frame.map(QVideoFrame.MapMode.ReadOnly):
        return _by_qt(frame)
    try:
        pixels = _mapped(frame)
    except BufferError:
        return None
    finally:
        frame.unmap()
    if pixels is None:
        return _by_qt(frame)
    form = frame.surfaceFormat()
    if form.scanLineDirection() == QVideoFrameFormat.Direction.BottomToTop:
        pixels = np.asarray(cv2.flip(pixels, 0), np.uint8)
    turn = _TURNS.get(int(form.rotation().value))
    if turn is not None:
        pixels = np.asarray(cv2.rotate(pixels, turn), np.uint8)
    return pixels


def _mapped(frame: QVideoFrame) -> Bytes | None:
    """The pixels of a mapped frame as stored, in an array of their own; None: unknown here."""
    kind = frame.pixelFormat()
    width, height = frame.width(), frame.height()
    if kind == _Format.Format_Jpeg:
        coded = np.frombuffer(frame.bits(0), np.uint8)
        decoded = cv2.imdecode(coded, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
        return None if decoded is None else np.asarray(decoded, np.uint8)
    if kind in _TO_RGB:
        four = _plane(frame, 0, height, width, 4)
        return np.asarray(cv2.cvtColor(four, _TO_RGB[kind]), np.uint8)
    if kind in _FIRST_IS_ALPHA:
        channels = _split(_plane(frame, 0, height, width, 4))
        return np.asarray(cv2.merge([channels[i] for i in _FIRST_IS_ALPHA[kind]]), np.uint8)
    if kind == _Format.Format_Y8:
        grey = _plane(frame, 0, height, width, 1)
        return np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), np.uint8)
    planes = _luma_and_chroma(frame, kind, width, height)
    if planes is None:
        return None
    luma, *chroma = planes
    full = [luma, *(_spread(plane, width, height) for plane in chroma)]
    return np.asarray(cv2.transform(cv2.merge(full), _matrix(frame.surfaceFormat())), np.uint8)


def _luma_and_chroma(
    frame: QVideoFrame, kind: QVideoFrameFormat.PixelFormat, width: int, height: int
) -> tuple[Bytes, Bytes, Bytes] | None:
    """Luma and the two chroma planes, the latter as small as they are stored."""
    half_width, half_height = (width + 1) // 2, (height + 1) // 2
    if kind in (_Format.Format_NV12, _Format.Format_NV21):
        luma = _plane(frame, 0, height, width, 1)
        first, second = _split(_plane(frame, 1, half_height, half_width, 2))
        return (luma, first, second) if kind == _Format.Format_NV12 else (luma, second, first)
    if kind in (_Format.Format_YUV420P, _Format.Format_YV12, _Format.Format_YUV422P):
        rows = height if kind == _Format.Format_YUV422P else half_height
        luma = _plane(frame, 0, height, width, 1)
        first, second = (_plane(frame, i, rows, half_width, 1) for i in (1, 2))
        return (luma, second, first) if kind == _Format.Format_YV12 else (luma, first, second)
    if kind in (_Format.Format_YUYV, _Format.Format_UYVY):
        bytes_of = _split(_plane(frame, 0, height, 2 * half_width, 2))
        luma, both = bytes_of if kind == _Format.Format_YUYV else bytes_of[::-1]
        blue, red = _split(both.reshape(height, half_width, 2))
        return luma[:, :width], blue, red
    return None


def _split(pixels: Bytes) -> list[Bytes]:
    return [np.asarray(channel, np.uint8) for channel in cv2.split(pixels)]


def _spread(chroma: Bytes, width: int, height: int) -> Bytes:
    """A chroma plane at the size of the luma, between its samples linearly."""
    if chroma.shape[0] != height:
        size = (width, height)
        return np.asarray(cv2.resize(chroma, size, interpolation=cv2.INTER_LINEAR), np.uint8)
    # Every line, every other place, on the even pixels (BT.601-7, 4:2:2): a resize of one side
    # only takes four times as long.
    after = np.hstack([chroma[:, 1:], chroma[:, -1:]])
    between = cv2.addWeighted(chroma, 0.5, after, 0.5, 0.0)
    pairs = np.asarray(cv2.merge([chroma, between]), np.uint8)
    return pairs.reshape(height, -1)[:, :width]


def _plane(frame: QVideoFrame, number: int, rows: int, columns: int, channels: int) -> Bytes:
    """One plane as it lies in the mapped frame, without what pads its lines.

    Of chroma, as many lines as there are: of frames with an odd number of lines some leave out the
    last. Raises BufferError when a plane is shorter than the frame's format says.
    """
    stride, line = frame.bytesPerLine(number), columns * channels
    stored = np.frombuffer(frame.bits(number), np.uint8)
    # The last line may end with its pixels.
    whole = (stored.size - line) // stride + 1
    if whole < rows and (number == 0 or whole < rows - 1):
        raise BufferError
    rows = min(rows, whole)
    flat = np.lib.stride_tricks.as_strided(stored, (rows, line), (stride, 1), writeable=False)
    return flat if channels == 1 else flat.reshape(rows, columns, channels)


def _matrix(form: QVideoFrameFormat) -> NDArray[np.float64]:
    """(3, 4): from luma, blue and red chroma and 1 to red, green, blue, 0 to 255."""
    space = form.colorSpace()
    # Qt's name for JPEG's own coding (V4L2 says "JPEG", Qt "AdobeRgb").
    jpeg = space == QVideoFrameFormat.ColorSpace.ColorSpace_AdobeRgb
    full = jpeg or form.colorRange() == QVideoFrameFormat.ColorRange.ColorRange_Full
    red, blue = _BT709 if space == QVideoFrameFormat.ColorSpace.ColorSpace_BT709 else _BT601
    green = 1.0 - red - blue
    luma = 1.0 if full else 255.0 / 219.0
    chroma = 1.0 if full else 255.0 / 224.0
    from_blue, from_red = 2.0 * (1.0 - blue) * chroma, 2.0 * (1.0 - red) * chroma
    turn = np.array(
        [
            [luma, 0.0, from_red],
            [luma, -from_blue * blue / green, -from_red * red / green],
            [luma, from_blue, 0.0],
        ]
    )
    zero = np.array([0.0 if full else 16.0, 128.0, 128.0])
    return np.hstack([turn, -(turn @ zero)[:, None]])


def _by_qt(frame: QVideoFrame) -> Bytes | None:
    """The frame by Qt's own, slower way, for formats that are rare in cameras."""
    image = frame.toImage()
    if image.isNull():
        return None
    image = image.convertToFormat(QImage.Format.Format_RGB888)
    stored = np.frombuffer(image.constBits(), np.uint8)
    lines = stored.reshape(image.height(), image.bytesPerLine())[:, : image.width() * 3]
    pixels = lines.reshape(image.height(), image.width(), 3)
    form = frame.surfaceFormat()
    if form.isMirrored():
        # Qt mirrors, then turns; undone, so that every way through gives the same.
        pixels = pixels[::-1] if form.rotation().value in (90, 270) else pixels[:, ::-1]
    return np.ascontiguousarray(pixels)
