"""What a file says beside its pixels: which way up, dpi, lens, colour profile."""

import io
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms

from measure.picture import read_picture
from tests.measure.picture_files import (
    COLUMNS,
    ROWS,
    encoded,
    encoded_16,
    heic,
    scene,
    tiff,
)

# ---------------------------------------------------------------------- orientation and tags

# TIFF 6.0, tag 274, and Exif: what the 0th row and the 0th column of the stored picture
# show. Undone here by plain indexing: upright from stored.
UPRIGHT = {
    1: lambda a: a,  # row 0 top, column 0 left
    2: lambda a: a[:, ::-1],  # top, right
    3: lambda a: a[::-1, ::-1],  # bottom, right
    4: lambda a: a[::-1],  # bottom, left
    5: lambda a: a.swapaxes(0, 1),  # left, top
    6: lambda a: a[::-1].swapaxes(0, 1),  # right, top
    7: lambda a: a[::-1, ::-1].swapaxes(0, 1),  # right, bottom
    8: lambda a: a[:, ::-1].swapaxes(0, 1),  # left, bottom
}


def test_the_table_of_turns_is_the_standards_own():
    stored = np.array([["row0 col0", "row0"], ["col0", ""], ["col0", ""]])
    edges = {1: "TL", 2: "TR", 3: "BR", 4: "BL", 5: "LT", 6: "RT", 7: "RB", 8: "LB"}
    for orientation, (row_side, column_side) in edges.items():
        upright = UPRIGHT[orientation](stored)
        side = {"T": upright[0], "B": upright[-1], "L": upright[:, 0], "R": upright[:, -1]}
        assert all("row0" in cell for cell in side[row_side])
        assert all("col0" in cell for cell in side[column_side])


def turned_exif(orientation: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x011A], exif[0x011B], exif[0x0128] = 300.0, 200.0, 2
    return exif


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation(orientation):
    wanted = UPRIGHT[orientation]
    turned = orientation >= 5
    rgb, deep = scene(3), scene(3, np.uint16)
    resolution = {
        274: (3, (orientation,)),
        282: (5, (300, 1)),
        283: (5, (200, 1)),
        296: (3, (2,)),
    }
    exif = turned_exif(orientation)
    files = {
        "png": (encoded(rgb, "PNG", exif=exif), rgb, 0),
        "jpeg": (encoded(rgb, "JPEG", exif=exif, quality=98, subsampling=0), rgb, 6),
        "webp": (encoded(rgb, "WEBP", exif=exif.tobytes(), lossless=True), rgb, 0),
        "tiff": (tiff(rgb, photometric=2, tags=resolution), rgb, 0),
        "tiff grey": (tiff(rgb[..., 0].copy(), photometric=1, tags=resolution), rgb[..., 0], 0),
        "tiff lzw": (
            encoded(rgb, "TIFF", compression="tiff_lzw", exif=exif, dpi=(300, 200)),
            rgb,
            0,
        ),
        "tiff 16": (tiff(deep, photometric=2, tags=resolution), deep, 0),
        "tiff 16 grey": (
            tiff(deep[..., 0].copy(), photometric=1, tags=resolution),
            deep[..., 0],
            0,
        ),
    }
    for kind, (data, stored, loss) in files.items():
        picture = read_picture(data)
        expected = wanted(stored)
        assert picture.pixels.shape == expected.shape, kind
        assert np.abs(picture.pixels.astype(int) - expected).max() <= loss, kind
        assert picture.pixels.flags.c_contiguous, kind
        if kind != "jpeg":  # its JFIF head, which states no resolution here, is apart
            assert picture.dpi == ((200, 300) if turned else (300, 200)), kind


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heic_is_turned_once(orientation):
    # The encoder writes the turn as boxes of the container (irot, imir), which libheif applies.
    pixels = scene(3)
    image = Image.fromarray(pixels)
    out = io.BytesIO()
    exif = turned_exif(orientation).tobytes()
    pillow_heif.from_pillow(image).save(out, quality=-1, chroma=444, exif=exif)
    read = read_picture(out.getvalue()).pixels
    expected = UPRIGHT[orientation](pixels)
    assert read.shape == expected.shape
    assert np.abs(read.astype(int) - expected).max() <= 3


def test_dpi_of_each_format():
    pixels = scene(3)
    # JFIF: whole numbers per inch or cm (unit 0: no resolution, only the pixel's shape).
    jpeg = bytearray(encoded(pixels, "JPEG", dpi=(600, 300)))
    assert read_picture(bytes(jpeg)).dpi == (600, 300)
    at = jpeg.index(b"JFIF\0") + 7
    jpeg[at] = 2
    assert read_picture(bytes(jpeg)).dpi == pytest.approx((600 * 2.54, 300 * 2.54))
    jpeg[at] = 0
    assert read_picture(bytes(jpeg)).dpi is None
    # PNG pHYs: whole pixels per metre, so 600 dpi is 23622 / m = 599.9988 dpi.
    assert read_picture(encoded(pixels, "PNG", dpi=(600, 600))).dpi == pytest.approx(
        (599.9988, 599.9988), abs=1e-6
    )
    deep = encoded_16(scene(3, np.uint16), ".png")
    density = b"pHYs" + struct.pack(">IIB", 23622, 11811, 1)
    chunk = struct.pack(">I", 9) + density + struct.pack(">I", zlib.crc32(density))
    assert read_picture(deep[:33] + chunk + deep[33:]).dpi == pytest.approx(
        (599.9988, 299.9994), abs=1e-6
    )
    # pHYs unit 0 states an aspect only.
    density = b"pHYs" + struct.pack(">IIB", 23622, 23622, 0)
    chunk = struct.pack(">I", 9) + density + struct.pack(">I", zlib.crc32(density))
    assert read_picture(deep[:33] + chunk + deep[33:]).dpi is None
    # TIFF: rationals, inch where the unit is left out, cm, or none.
    for dtype in (np.uint8, np.uint16):
        grey = scene(1, dtype)
        rational = {282: (5, (12001, 10)), 283: (5, (6000, 10))}
        for unit, wanted in (
            ({}, (1200.1, 600.0)),
            ({296: (3, (2,))}, (1200.1, 600.0)),
            ({296: (3, (3,))}, (1200.1 * 2.54, 600.0 * 2.54)),
            ({296: (3, (1,))}, None),
        ):
            read = read_picture(tiff(grey, photometric=1, tags=rational | unit)).dpi
            assert read == (None if wanted is None else pytest.approx(wanted))
        for nothing in ((1, 1), (0, 1), (1, 0), (0, 0)):
            rational = {282: (5, nothing), 283: (5, nothing), 296: (3, (2,))}
            assert read_picture(tiff(grey, photometric=1, tags=rational)).dpi is None


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_no_dpi_stated_is_none(kind):
    assert read_picture(encoded(scene(3), kind)).dpi is None


def test_a_camera_and_its_lens():
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", "Model"
    photo = exif.get_ifd(0x8769)
    photo[0x829A] = 0.01
    photo[0xA405] = 26
    pixels = scene(3)
    for data in (
        encoded(pixels, "JPEG", exif=exif),
        encoded(pixels, "PNG", exif=exif),
        encoded(pixels, "TIFF", exif=exif.tobytes()),
        heic(pixels, exif=exif.tobytes()),
    ):
        picture = read_picture(data)
        assert picture.camera_made
        # 35 mm film is 36 x 24 mm, its diagonal 43.27 mm (CIPA DC-008, FocalLengthIn35mmFilm).
        assert picture.focal_px == pytest.approx(26 * np.hypot(COLUMNS, ROWS) / 43.2666, rel=1e-5)


def test_the_lens_by_its_sensor_pitch():
    exif = Image.Exif()
    photo = exif.get_ifd(0x8769)
    photo[0x920A] = 5.0
    photo[0xA20E] = 400.0  # pixels per cm: 40 per mm
    photo[0xA210] = 3
    pixels = scene(3)
    assert read_picture(encoded(pixels, "JPEG", exif=exif)).focal_px == pytest.approx(200.0)
    # Exif: the pitch holds for the size in PixelXDimension; this copy is half of it.
    photo[0xA002] = 2 * COLUMNS
    for orientation in (1, 6):
        exif[0x0112] = orientation
        for kind in ("JPEG", "TIFF"):
            read = read_picture(encoded(pixels, kind, exif=exif.tobytes()))
            assert read.focal_px == pytest.approx(100.0)


@pytest.mark.parametrize("equivalent", [0, 1, 60000])
def test_an_absurd_lens_is_none(equivalent):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = equivalent
    assert read_picture(encoded(scene(3), "JPEG", exif=exif)).focal_px is None


def test_a_scanner_is_no_camera():
    # TIFF 6.0: Make is "the scanner manufacturer"; Exif FileSource 2 is a print scanner.
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", "Flatbed"
    assert not read_picture(encoded(scene(3), "TIFF", exif=exif)).camera_made
    assert read_picture(encoded(scene(3), "JPEG", exif=exif)).camera_made
    exif.get_ifd(0x8769)[0xA300] = b"\x02"
    assert not read_picture(encoded(scene(3), "JPEG", exif=exif)).camera_made


# ------------------------------------------------------------------------------- profiles


def icc_profile(gamma: float, primaries: tuple[tuple[float, float], ...] | None) -> bytes:
    """A matrix (or grey) display profile, written from ICC.1:2001-04 (version 2)."""

    def s15(value: float) -> bytes:
        return struct.pack(">i", round(value * 65536))

    def xyz(values: np.ndarray) -> bytes:
        return b"XYZ \0\0\0\0" + b"".join(s15(v) for v in values)

    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"
    white = np.array([0.9642, 1.0, 0.8249])
    text = b"a profile of ours\0"
    described = b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + b"\0" * 78
    body = {b"desc": described, b"wtpt": xyz(white), b"cprt": b"text\0\0\0\0none\0"}
    if primaries is None:
        body[b"kTRC"] = curve
    else:
        columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
        columns = columns * np.linalg.solve(columns, white)
        for letter, column in zip((b"r", b"g", b"b"), columns.T, strict=True):
            body[letter + b"XYZ"], body[letter + b"TRC"] = xyz(column), curve
    table, data, at = struct.pack(">I", len(body)), b"", 128 + 4 + 12 * len(body)
    for name, content in body.items():
        content += b"\0" * (-len(content) % 4)
        table += name + struct.pack(">II", at + len(data), len(content))
        data += content
    space = b"GRAY" if primaries is None else b"RGB "
    head = struct.pack(
        ">I4sI4s4s4s", at + len(data), b"\0" * 4, 0x02400000, b"mntr", space, b"XYZ "
    )
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28
    head += b"".join(s15(v) for v in white)
    return head.ljust(128, b"\0") + table + data


# Primaries already adapted to D50 do not matter for neutral colours, which these tests use,
# and for the wide profile only that a colour moves away from grey.
WIDE = ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06))


def srgb_of_gamma(codes: np.ndarray, top: int, gamma: float) -> np.ndarray:
    light = (codes / top) ** gamma
    curved = 1.055 * light ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, light * 12.92, curved) * top


def test_grey_gamma_becomes_srgb():
    pixels = scene(1)
    profile = icc_profile(1.8, None)
    wanted = srgb_of_gamma(pixels, 255, 1.8)
    assert np.abs(wanted - pixels).max() > 15
    for data in (
        encoded(pixels, "PNG", icc_profile=profile),
        encoded(pixels, "TIFF", icc_profile=profile),
        heic(pixels, icc_profile=profile),
    ):
        assert np.abs(read_picture(data).pixels - wanted).max() <= 2.0
    jpeg = encoded(pixels, "JPEG", icc_profile=profile, quality=98)
    assert np.abs(read_picture(jpeg).pixels - wanted).mean() <= 1.0


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "HEIC"])
def test_wide_colours_become_srgb(kind):
    grey = scene(1)
    pixels = np.repeat(grey[..., np.newaxis], 3, axis=2)
    pixels[:32] = (180, 90, 60)
    profile = icc_profile(1.8, WIDE)
    if kind == "HEIC":
        data = heic(pixels, icc_profile=profile)
    else:
        options = {"quality": 98, "subsampling": 0} if kind == "JPEG" else {}
        data = encoded(pixels, kind, icc_profile=profile, **options)
    read = read_picture(data).pixels.astype(int)
    wanted = srgb_of_gamma(grey, 255, 1.8)[..., np.newaxis]
    assert np.abs(read[40:] - wanted[40:]).max() <= 4
    red, green, _ = read[10, 60]
    plain = srgb_of_gamma(np.array([180, 90]), 255, 1.8)
    assert red - green > plain[0] - plain[1] + 5  # the same numbers are a stronger colour there


def test_alpha_outlives_the_profile():
    pixels = scene(4)
    pixels[..., :3] = scene(1)[..., np.newaxis]
    pixels[:32, :, 3], pixels[32:, :, 3] = 0, 255
    data = encoded(pixels, "PNG", icc_profile=icc_profile(1.8, WIDE))
    read = read_picture(data).pixels
    assert (read[:32] == 255).all()
    wanted = srgb_of_gamma(pixels[32:, :, :3], 255, 1.8)
    assert np.abs(read[32:] - wanted).max() <= 2


def test_sixteen_bit_colour_gets_the_tone_of_its_profile():
    grey = scene(1, np.uint16)
    pixels = np.repeat(grey[..., np.newaxis], 3, axis=2)
    profile = icc_profile(1.8, WIDE)
    tags = {34675: (4, tuple(np.frombuffer(profile, "<u4").tolist()))}
    data = bytearray(tiff(pixels, photometric=2, tags=tags))
    at = data.index(struct.pack("<HH", 34675, 4))
    data[at + 2 : at + 8] = struct.pack("<HI", 7, len(profile))
    read = read_picture(bytes(data)).pixels
    assert read.dtype == np.uint16
    assert np.abs(read - srgb_of_gamma(pixels, 65535, 1.8)).max() <= 2 * 257


def test_srgb_under_any_name_and_broken_profiles_change_nothing():
    pixels = scene(3)
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for profile in (srgb, b"no profile at all", srgb[:200], icc_profile(1.8, None)):
        data = encoded(pixels, "PNG", icc_profile=profile)
        np.testing.assert_array_equal(read_picture(data).pixels, pixels)
