"""Colours of camera frames against the levels of ITU-R BT.601-7, BT.709-6 and JFIF 1.02."""

from __future__ import annotations

from itertools import product

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PySide6.QtCore import QSize
from PySide6.QtMultimedia import QtVideo, QVideoFrame, QVideoFrameFormat
from pytestqt.qtbot import QtBot

from app.window.sources.video_frames import rgb_of

Format = QVideoFrameFormat.PixelFormat
Space = QVideoFrameFormat.ColorSpace
Range = QVideoFrameFormat.ColorRange
Bytes = NDArray[np.uint8]

# Colour bars of 75 %: white, yellow, cyan, green, magenta, red, blue, and black, that is 191 of
# 255 where a colour is on. Luma, blue and red chroma of 8 bits by ITU-R BT.601 and BT.709
# (published in tables of both; from memory).
BARS = np.array(
    list(product((191, 0), repeat=3)),
    np.uint8,
)[[0, 1, 4, 5, 2, 3, 6, 7]]
BARS_601 = [
    (180, 128, 128), (162, 44, 142), (131, 156, 44), (112, 72, 58),
    (84, 184, 198), (65, 100, 212), (35, 212, 114), (16, 128, 128),
]  # fmt: skip
BARS_709 = [
    (180, 128, 128), (168, 44, 136), (145, 147, 44), (133, 63, 52),
    (63, 193, 204), (51, 109, 212), (28, 212, 120), (16, 128, 128),
]  # fmt: skip
# JFIF 1.02 over the full range, of 8 bits: R' = Y + 1.402 (Cr - 128) and so on.
JFIF = {(0, 128, 128): (0, 0, 0), (255, 128, 128): (255, 255, 255), (76, 85, 255): (254, 0, 0)}

SPLIT = [Format.Format_NV12, Format.Format_NV21, Format.Format_YUV420P, Format.Format_YV12]
PACKED = [Format.Format_YUYV, Format.Format_UYVY, Format.Format_YUV422P]


def frame_of(
    kind: QVideoFrameFormat.PixelFormat,
    yuv: Bytes,
    space: QVideoFrameFormat.ColorSpace = Space.ColorSpace_BT601,
    range_: QVideoFrameFormat.ColorRange = Range.ColorRange_Video,
) -> QVideoFrame:
    """A frame of `yuv` (rows, columns, 3); chroma is taken from each block's first pixel."""
    height, width = yuv.shape[:2]
    form = QVideoFrameFormat(QSize(width, height), kind)
    form.setColorSpace(space)
    form.setColorRange(range_)
    frame = QVideoFrame(form)
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    luma, blue, red = (np.ascontiguousarray(yuv[..., i]) for i in range(3))
    rows = slice(None, None, 2 if kind in SPLIT else 1)
    blue, red = blue[rows, ::2], red[rows, ::2]
    if kind in (Format.Format_YUYV, Format.Format_UYVY):
        order = (0, 1, 2, 3) if kind == Format.Format_YUYV else (1, 0, 3, 2)
        odd = np.hstack([luma[:, 1::2], luma[:, width - width % 2 :]])
        four = np.stack([luma[:, ::2], blue, odd, red], axis=-1)
        planes = [four[..., order].reshape(height, -1)]
    elif kind in (Format.Format_NV12, Format.Format_NV21):
        pair = (blue, red) if kind == Format.Format_NV12 else (red, blue)
        planes = [luma, np.stack(pair, axis=-1).reshape(blue.shape[0], -1)]
    else:
        planes = [luma, red, blue] if kind == Format.Format_YV12 else [luma, blue, red]
    for number, plane in enumerate(planes):
        fill(frame, number, plane)
    frame.unmap()
    return frame


def fill(frame: QVideoFrame, number: int, plane: Bytes) -> None:
    stride = frame.bytesPerLine(number)
    stored = np.frombuffer(frame.bits(number), np.uint8)
    # What pads the lines must not show anywhere.
    stored[:] = 77
    for row, line in enumerate(plane):
        # Of an odd number of lines Qt may have no room for the last one's chroma.
        if number and row * stride + line.size > stored.size:
            break
        stored[row * stride : row * stride + line.size] = line


def bars(levels: list[tuple[int, int, int]]) -> Bytes:
    """Each bar 8 pixels wide, 20 high: no line a power of two long."""
    return np.repeat(np.repeat(np.array([levels], np.uint8), 8, axis=1), 20, axis=0)


def middles(pixels: Bytes) -> Bytes:
    return pixels[10, 4::8]


@pytest.mark.parametrize("kind", SPLIT + PACKED)
@pytest.mark.parametrize(
    ("space", "levels"),
    [
        (Space.ColorSpace_BT601, BARS_601),
        (Space.ColorSpace_BT709, BARS_709),
        (Space.ColorSpace_Undefined, BARS_601),
    ],
)
def test_bars_come_out_in_their_colours(
    kind: QVideoFrameFormat.PixelFormat,
    space: QVideoFrameFormat.ColorSpace,
    levels: list[tuple[int, int, int]],
) -> None:
    pixels = rgb_of(frame_of(kind, bars(levels), space))
    assert pixels is not None
    assert pixels.shape == (20, 64, 3)
    assert pixels.dtype == np.uint8
    # The tables are rounded to whole levels, each of which is up to 2 of 255 in blue.
    np.testing.assert_allclose(middles(pixels).astype(int), BARS.astype(int), atol=2)


@pytest.mark.parametrize("kind", [Format.Format_NV12, Format.Format_YUV422P])
def test_full_range_is_that_of_jfif(kind: QVideoFrameFormat.PixelFormat) -> None:
    yuv = bars([*JFIF, *[(128, 128, 128)] * 5])
    expected = np.array([*JFIF.values()], int)
    for space, range_ in (
        (Space.ColorSpace_BT601, Range.ColorRange_Full),
        (Space.ColorSpace_AdobeRgb, Range.ColorRange_Unknown),
    ):
        pixels = rgb_of(frame_of(kind, yuv, space, range_))
        assert pixels is not None
        np.testing.assert_allclose(middles(pixels)[:3].astype(int), expected, atol=1)


@pytest.mark.parametrize("kind", SPLIT + PACKED)
def test_every_level_of_grey_is_where_bt601_puts_it(kind: QVideoFrameFormat.PixelFormat) -> None:
    # BT.601-7: E' = (level - 16) / 219; below black and above white nothing is left to show.
    ramp = np.arange(256, dtype=np.uint8)
    yuv = np.full((6, 256, 3), 128, np.uint8)
    yuv[..., 0] = ramp
    pixels = rgb_of(frame_of(kind, yuv))
    assert pixels is not None
    expected = np.clip((ramp.astype(float) - 16.0) * 255.0 / 219.0, 0.0, 255.0)
    np.testing.assert_allclose(pixels[3], np.stack([expected] * 3, axis=-1), atol=0.75)


@pytest.mark.parametrize("kind", SPLIT + PACKED)
@pytest.mark.parametrize("size", [(101, 66), (34, 21)])
def test_odd_sizes_keep_every_pixel_at_its_place(
    kind: QVideoFrameFormat.PixelFormat, size: tuple[int, int]
) -> None:
    width, height = size
    rng = np.random.default_rng(3)
    yuv = np.full((height, width, 3), 128, np.uint8)
    yuv[..., 0] = rng.integers(16, 236, (height, width))
    pixels = rgb_of(frame_of(kind, yuv))
    assert pixels is not None
    expected = (yuv[..., :1].astype(float) - 16.0) * 255.0 / 219.0
    np.testing.assert_allclose(pixels, np.broadcast_to(expected, pixels.shape), atol=0.75)


@pytest.mark.parametrize("kind", SPLIT + PACKED)
def test_colour_changes_where_the_chroma_does(kind: QVideoFrameFormat.PixelFormat) -> None:
    # Grey to the left, red to the right, parted at pixel 32: halfway there, give or take the
    # two pixels of one chroma sample.
    yuv = np.full((20, 64, 3), 128, np.uint8)
    yuv[:, 32:] = (128, 128, 200)
    pixels = rgb_of(frame_of(kind, yuv))
    assert pixels is not None
    red = pixels[10, :, 0].astype(int)
    half = (red[0] + red[-1]) / 2
    assert (red[:31] < half).all()
    assert (red[33:] > half).all()
    assert (np.diff(red) >= 0).all()


@pytest.mark.parametrize(
    ("kind", "order"),
    [
        (Format.Format_BGRA8888, (2, 1, 0, 3)),
        (Format.Format_BGRX8888, (2, 1, 0, 3)),
        (Format.Format_RGBA8888, (0, 1, 2, 3)),
        (Format.Format_RGBX8888, (0, 1, 2, 3)),
        (Format.Format_ARGB8888, (3, 0, 1, 2)),
        (Format.Format_XRGB8888, (3, 0, 1, 2)),
        (Format.Format_ABGR8888, (3, 2, 1, 0)),
        (Format.Format_XBGR8888, (3, 2, 1, 0)),
    ],
)
def test_colours_of_four_bytes_are_taken_as_they_are(
    kind: QVideoFrameFormat.PixelFormat, order: tuple[int, ...]
) -> None:
    rgba = np.random.default_rng(5).integers(0, 256, (21, 35, 4)).astype(np.uint8)
    rgba[..., 3] = 255
    frame = QVideoFrame(QVideoFrameFormat(QSize(35, 21), kind))
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    fill(frame, 0, rgba[..., order].reshape(21, -1))
    frame.unmap()
    np.testing.assert_array_equal(rgb_of(frame), rgba[..., :3])


def grey_frame(pixels: Bytes) -> QVideoFrame:
    height, width = pixels.shape
    frame = QVideoFrame(QVideoFrameFormat(QSize(width, height), Format.Format_Y8))
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    fill(frame, 0, pixels)
    frame.unmap()
    return frame


def test_grey_frames_become_grey_rgb() -> None:
    grey = np.random.default_rng(6).integers(0, 256, (21, 35)).astype(np.uint8)
    np.testing.assert_array_equal(rgb_of(grey_frame(grey)), np.stack([grey] * 3, axis=-1))


def test_frames_that_are_jpeg_files_are_decoded() -> None:
    bgr = np.full((48, 64, 3), (40, 90, 200), np.uint8)
    done, data = cv2.imencode(".jpg", bgr, (cv2.IMWRITE_JPEG_QUALITY, 95))
    assert done
    frame = QVideoFrame(QVideoFrameFormat(QSize(64, 48), Format.Format_Jpeg))
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    stored = np.frombuffer(frame.bits(0), np.uint8)
    stored[:] = 0
    stored[: data.size] = data.ravel()
    frame.unmap()
    pixels = rgb_of(frame)
    assert pixels is not None
    np.testing.assert_allclose(
        pixels.astype(int), np.broadcast_to((200, 90, 40), pixels.shape), atol=3
    )


def test_a_frame_stored_from_the_bottom_up_is_turned_upright() -> None:
    grey = np.arange(21 * 35, dtype=np.uint8).reshape(21, 35)
    form = QVideoFrameFormat(QSize(35, 21), Format.Format_Y8)
    form.setScanLineDirection(QVideoFrameFormat.Direction.BottomToTop)
    frame = QVideoFrame(form)
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    fill(frame, 0, grey[::-1])
    frame.unmap()
    pixels = rgb_of(frame)
    assert pixels is not None
    np.testing.assert_array_equal(pixels[..., 0], grey)


@pytest.mark.parametrize(("turn", "quarters"), [(90, -1), (180, 2), (270, 1)])
def test_a_frame_of_a_turned_camera_comes_upright(turn: int, quarters: int) -> None:
    # Qt: the angle by which the frame is to be turned clockwise to stand upright.
    grey = np.arange(21 * 35, dtype=np.uint8).reshape(21, 35)
    form = QVideoFrameFormat(QSize(35, 21), Format.Format_Y8)
    form.setRotation(QtVideo.Rotation(turn))
    frame = QVideoFrame(form)
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    fill(frame, 0, grey)
    frame.unmap()
    pixels = rgb_of(frame)
    assert pixels is not None
    np.testing.assert_array_equal(pixels[..., 0], np.rot90(grey, quarters))


def test_a_frame_that_qt_would_mirror_for_showing_stays_as_delivered() -> None:
    grey = np.arange(21 * 35, dtype=np.uint8).reshape(21, 35)
    form = QVideoFrameFormat(QSize(35, 21), Format.Format_Y8)
    form.setMirrored(True)
    frame = QVideoFrame(form)
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    fill(frame, 0, grey)
    frame.unmap()
    pixels = rgb_of(frame)
    assert pixels is not None
    np.testing.assert_array_equal(pixels[..., 0], grey)


def test_a_rare_format_goes_by_qt_with_the_same_outcome(
    qtbot: QtBot, capfd: pytest.CaptureFixture[str]
) -> None:
    # Ten bits in the upper part of 16 (P010), grey: BT.601-7 over four times the levels of 8 bits.
    luma = np.tile(np.linspace(16, 235, 64), (20, 1)).astype(np.uint16)
    form = QVideoFrameFormat(QSize(64, 20), Format.Format_P010)
    form.setColorSpace(Space.ColorSpace_BT601)
    form.setMirrored(True)
    frame = QVideoFrame(form)
    assert frame.map(QVideoFrame.MapMode.WriteOnly)
    fill(frame, 0, (luma << 8).view(np.uint8).reshape(20, -1))
    fill(frame, 1, np.full((10, 64), 128 << 8, np.uint16).view(np.uint8).reshape(10, -1))
    frame.unmap()
    pixels = rgb_of(frame)
    assert pixels is not None
    expected = (luma.astype(float) - 16.0) * 255.0 / 219.0
    np.testing.assert_allclose(pixels[..., 1], expected, atol=2.0)
    capfd.readouterr()  # Qt says that it does this without a graphics card


def test_no_frame_gives_no_pixels() -> None:
    assert rgb_of(QVideoFrame()) is None
