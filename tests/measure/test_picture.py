"""Reading pictures: real encoded files against the arrays they were made from."""

import io
import struct
import zlib

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from measure.picture import read_picture
from measure.picture_decoding import UNTOLD_STEP
from tests.measure.picture_files import (
    COLUMNS,
    ROWS,
    code_of,
    encoded,
    encoded_16,
    heic,
    scene,
    tiff,
)

# ---------------------------------------------------------------- formats, depths and modes


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("PNG", {}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
        ("TIFF", {"compression": "tiff_deflate"}),
        ("TIFF", {"compression": "packbits"}),
        ("BMP", {}),
        ("PPM", {}),
        ("WEBP", {"lossless": True}),
    ],
)
def test_lossless_files_come_back_exactly(kind, options, channels, tmp_path):
    pixels = scene(channels)
    path = tmp_path / f"a.{kind.lower()}"
    path.write_bytes(encoded(pixels, kind, **options))
    picture = read_picture(path)
    if kind == "WEBP" and channels == 1:  # WebP has no grey
        pixels = np.repeat(pixels[..., np.newaxis], 3, axis=2)
    np.testing.assert_array_equal(picture.pixels, pixels)
    assert picture.pixels.dtype == np.uint8
    assert picture.name == path.name
    assert not picture.camera_made
    assert picture.focal_px is None
    np.testing.assert_array_equal(read_picture(str(path)).pixels, pixels)
    np.testing.assert_array_equal(read_picture(path.read_bytes()).pixels, pixels)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("progressive", [False, True])
def test_jpeg(channels, progressive):
    pixels = scene(channels)
    data = encoded(pixels, "JPEG", quality=97, subsampling=0, progressive=progressive)
    read = read_picture(data).pixels
    assert read.shape == pixels.shape
    assert read.dtype == np.uint8
    assert np.abs(read.astype(int) - pixels).mean() < 1.0  # coding loss at quality 97
    # Pillow is the second decoder: both rest on libjpeg-turbo, one code apart at the most.
    outside = np.asarray(Image.open(io.BytesIO(data)))
    assert np.abs(read.astype(int) - outside).max() <= 1


def test_how_coarsely_brightness_was_coded():
    # ITU-T T.81, table K.1: 64 steps, whose sum is 3688; at quality 50 libjpeg uses them as they
    # are, at 75 half of them.
    pixels = scene(3)
    for quality, mean in ((50, 3688 / 64), (75, 3688 / 128)):
        for channels in (1, 3):
            data = encoded(scene(channels), "JPEG", quality=quality)
            step = read_picture(data).coding_step
            assert step == pytest.approx(mean, abs=0.3)  # halves are rounded
    # Components name their tables: with their numbers exchanged the file shows the same picture.
    data = encoded(pixels, "JPEG", quality=50)
    turned = bytearray(data)
    for at in (data.find(b"\xff\xdb") + 4, data.rfind(b"\xff\xdb") + 4):
        assert turned[at] in (0, 1)
        turned[at] ^= 1
    frame = data.find(b"\xff\xc0")
    for component in range(3):
        turned[frame + 12 + 3 * component] ^= 1
    np.testing.assert_array_equal(read_picture(bytes(turned)).pixels, read_picture(data).pixels)
    assert read_picture(bytes(turned)).coding_step == read_picture(data).coding_step
    in_tiff = read_picture(encoded(pixels, "TIFF", compression="jpeg", quality=50))
    assert in_tiff.coding_step == UNTOLD_STEP
    packed = read_picture(encoded(pixels, "TIFF", compression="tiff_lzw"))
    assert packed.coding_step == 0.0
    for lossless in (True, False):
        webp = read_picture(encoded(pixels, "WEBP", lossless=lossless))
        assert webp.coding_step == (0.0 if lossless else UNTOLD_STEP)
        assert webp.chroma_halved is not lossless
    assert read_picture(encoded(pixels, "PNG")).coding_step == 0.0
    assert read_picture(pixels).coding_step == 0.0
    assert read_picture(heic(pixels)).coding_step == UNTOLD_STEP


def test_cmyk_jpeg_and_tiff():
    pixels = scene(3)
    cmyk = Image.fromarray(pixels).convert("CMYK")
    for data, loss in (
        (encoded(cmyk, "TIFF"), 0.5),
        (encoded(cmyk, "JPEG", quality=97, subsampling=0), 2.0),
    ):
        read = read_picture(data).pixels
        assert read.shape == pixels.shape
        assert np.abs(read.astype(int) - pixels).mean() < loss


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_sixteen_bits_stay_sixteen(suffix, channels):
    pixels = scene(channels, np.uint16)
    picture = read_picture(encoded_16(pixels, suffix))
    assert picture.pixels.dtype == np.uint16
    np.testing.assert_array_equal(picture.pixels, pixels)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_tiff_written_from_the_standard(order, channels, dtype):
    pixels = scene(channels, dtype)
    data = tiff(pixels, photometric=2 if channels == 3 else 1, order=order)
    np.testing.assert_array_equal(read_picture(data).pixels, pixels)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_white_is_zero_where_tiff_says_so(dtype):
    # TIFF 6.0, PhotometricInterpretation 0: WhiteIsZero.
    pixels = scene(1, dtype)
    read = read_picture(tiff(np.iinfo(dtype).max - pixels, photometric=0)).pixels
    np.testing.assert_array_equal(read, pixels)


@pytest.mark.parametrize("channels", [1, 3])
def test_float_tiff_is_scaled_or_refused(channels):
    pixels = scene(channels, np.uint16)
    kind = 2 if channels == 3 else 1
    light = (pixels / 65535).astype(np.float32)
    np.testing.assert_array_equal(read_picture(tiff(light, photometric=kind)).pixels, pixels)
    assert code_of(tiff(light * 2, photometric=kind)) == "not_a_picture"
    light[3, 4] = np.nan
    assert code_of(tiff(light, photometric=kind)) == "not_a_picture"


def test_palette_and_one_bit():
    pixels = scene(3)
    palette = Image.fromarray(pixels).quantize(64)
    for kind in ("PNG", "TIFF", "GIF", "BMP"):
        read = read_picture(encoded(palette, kind)).pixels
        np.testing.assert_array_equal(read, np.asarray(palette.convert("RGB")))
    dots = scene(1) > 90
    for kind in ("PNG", "TIFF", "BMP"):
        read = read_picture(encoded(Image.fromarray(dots), kind)).pixels
        if read.ndim == 3:  # BMP keeps two colours in a palette
            read = read[..., 0]
        np.testing.assert_array_equal(read, np.where(dots, 255, 0))


@pytest.mark.parametrize("channels", [1, 3])
def test_heic(channels):
    pixels = scene(channels)
    read = read_picture(heic(pixels)).pixels
    assert read.shape == pixels.shape
    assert read.dtype == np.uint8
    assert np.abs(read.astype(int) - pixels).max() <= 3  # lossless but for the YCbCr rounding


def test_heic_of_ten_bits_keeps_them():
    deep = scene(3, np.uint16)
    out = io.BytesIO()
    size = (COLUMNS, ROWS)
    pillow_heif.from_bytes("RGB;16", size, deep.tobytes()).save(out, quality=-1, chroma=444)
    read = read_picture(out.getvalue()).pixels
    assert read.dtype == np.uint16
    assert np.abs(read.astype(int) - deep).max() <= 65535 * 4 / 1023


def test_first_page_and_first_frame():
    pixels = scene(3)
    other = Image.fromarray(255 - pixels)
    for kind, options in (("TIFF", {}), ("PNG", {}), ("WEBP", {"lossless": True})):
        data = encoded(pixels, kind, save_all=True, append_images=[other], **options)
        np.testing.assert_array_equal(read_picture(data).pixels, pixels)
    deep = scene(3, np.uint16)
    done, pages = cv2.imencodemulti(".tif", [deep[..., ::-1], 65535 - deep[..., ::-1]])
    assert done
    np.testing.assert_array_equal(read_picture(pages.tobytes()).pixels, deep)


# ---------------------------------------------------------------------------------- alpha


def over_white(colour: np.ndarray, alpha: np.ndarray) -> np.ndarray:
    """Light through the picture plus white light past it: physics, in exact arithmetic."""
    coded = colour / np.iinfo(colour.dtype).max
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    part = alpha / np.iinfo(alpha.dtype).max
    part = part if colour.ndim == 2 else part[..., np.newaxis]
    light = light * part + 1 - part
    curved = 1.055 * light ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, light * 12.92, curved) * np.iinfo(colour.dtype).max


def test_alpha_lies_over_white_in_linear_light():
    rgba = scene(4)
    rgba[:40, :, 3] = 255
    grey_alpha = np.ascontiguousarray(rgba[..., (1, 3)])
    for kind in ("PNG", "TIFF"):
        read = read_picture(encoded(rgba, kind)).pixels
        assert read.shape == (ROWS, COLUMNS, 3)
        assert np.abs(read - over_white(rgba[..., :3], rgba[..., 3])).max() <= 0.501
        np.testing.assert_array_equal(read[:40], rgba[:40, :, :3])
        read = read_picture(encoded(Image.fromarray(grey_alpha), kind)).pixels
        assert read.shape == (ROWS, COLUMNS)
        assert np.abs(read - over_white(rgba[..., 1], rgba[..., 3])).max() <= 0.501
    np.testing.assert_array_equal(
        read_picture(rgba).pixels, read_picture(encoded(rgba, "PNG")).pixels
    )


def test_alpha_of_sixteen_bits():
    rgba = scene(4, np.uint16)
    wanted = over_white(rgba[..., :3], rgba[..., 3])
    for data in (
        encoded_16(rgba, ".png"),
        tiff(rgba, photometric=2, tags={338: (3, (2,))}),
    ):
        read = read_picture(data).pixels
        assert read.dtype == np.uint16
        assert np.abs(read - wanted).max() <= 1.0


def png_16_grey_alpha(pixels: np.ndarray) -> bytes:
    """Colour type 4, depth 16, as section 11.2.2 of the PNG specification lays it out."""
    rows, columns = pixels.shape[:2]
    lines = b"".join(b"\0" + line.astype(">u2").tobytes() for line in pixels)
    chunks = b""
    for kind, body in (
        (b"IHDR", struct.pack(">IIBBBBB", columns, rows, 16, 4, 0, 0, 0)),
        (b"IDAT", zlib.compress(lines)),
        (b"IEND", b""),
    ):
        crc = zlib.crc32(kind + body)
        chunks += struct.pack(">I", len(body)) + kind + body + struct.pack(">I", crc)
    return b"\x89PNG\r\n\x1a\n" + chunks


def test_grey_with_alpha_of_sixteen_bits():
    pixels = scene(2, np.uint16)
    read = read_picture(png_16_grey_alpha(pixels)).pixels
    assert read.shape == (ROWS, COLUMNS)
    assert np.abs(read - over_white(pixels[..., 0], pixels[..., 1])).max() <= 1.0


def test_a_transparent_palette_entry_shows_white():
    palette = Image.fromarray(scene(3)).quantize(16)
    index = np.asarray(palette)
    read = read_picture(encoded(palette, "PNG", transparency=3)).pixels
    assert (read[index == 3] == 255).all()
    solid = np.asarray(palette.convert("RGB"))
    np.testing.assert_array_equal(read[index != 3], solid[index != 3])


# ---------------------------------------------------------------------------------- arrays


def test_arrays_pass_through():
    for array in (scene(1), scene(3), scene(1, np.uint16), scene(3, np.uint16)):
        picture = read_picture(array)
        np.testing.assert_array_equal(picture.pixels, array)
        assert picture.pixels.dtype == array.dtype
        assert (picture.dpi, picture.focal_px, picture.camera_made) == (None, None, False)
    np.testing.assert_array_equal(read_picture(scene(1)[..., np.newaxis]).pixels, scene(1))
    np.testing.assert_array_equal(
        read_picture(scene(3, np.uint16).astype(">u2")).pixels, scene(3, np.uint16)
    )
    for dtype in (np.float16, np.float32, np.float64):
        light = np.linspace(0, 1, 80 * 90).reshape(80, 90).astype(dtype)
        read = read_picture(light).pixels
        assert read.dtype == np.uint16
        assert np.abs(read - light.astype(float) * 65535).max() <= 0.505  # half a code
    for dtype in (np.uint8, np.uint16):
        stored = scene(3, dtype)
        for view in (stored[:, ::-1], stored[..., ::-1], stored[:70, 3:80]):
            packed = read_picture(view).pixels
            assert packed.flags.c_contiguous
            np.testing.assert_array_equal(packed, view)


@pytest.mark.parametrize(
    "array",
    [
        np.zeros(100, np.uint8),
        np.zeros((80, 90, 2), np.uint8),
        np.zeros((80, 90, 20), np.uint8),
        np.zeros((2, 80, 90, 3), np.uint8),
        np.zeros((0, 0), np.uint8),
        np.zeros((0, 90, 3), np.uint8),
        np.array(3, np.uint8),
        np.full((80, 90), None),
        np.zeros((80, 90), np.int32),
        np.zeros((80, 90), np.uint32),
        np.zeros((80, 90), bool),
        np.zeros((80, 90), complex),
        np.full((80, 90), "a"),
        np.full((80, 90), np.nan),
        np.full((80, 90), np.inf),
        np.full((80, 90), 255.0),
        np.full((80, 90), -0.1),
    ],
)
def test_arrays_that_are_no_picture(array):
    assert code_of(array) == "not_a_picture"


@pytest.mark.parametrize("thing", [None, 3, [[1, 2], [3, 4]], object()])
def test_other_things_are_no_picture(thing):
    assert code_of(thing) == "not_a_picture"
