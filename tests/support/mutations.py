"""Sound picture files and what chance, bad disks and bad programs make of them.

Every mutated file follows from one seed, so that a finding can be had again alone.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from functools import cache

import numpy as np
import pillow_heif
from analytic import draw
from analytic_types import Camera, Light, Strand
from PIL import Image, ImageCms

from measure import newest_card

Random = np.random.Generator

CODES = {"unreadable_file", "not_a_picture", "truncated_file", "too_large", "too_small"}
"""All that may come of reading a mutated file, a picture aside."""

_ODD = (0, 1, 2, 7, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
"""Numbers at which programs stumble."""


@cache
def sound_files() -> dict[str, bytes]:
    """Small files of every kind by name: the printed card with a strand, and a bare slope."""
    strand = Strand(diameter_mm=1.2, albedo_rgb=(0.35, 0.2, 0.25))
    camera = Camera(px_per_mm=5.0, margin_mm=1.0, blur_px=0.6)
    card, _ = draw(newest_card("pocket"), (strand,), Light(), camera, 1)
    y, x = np.mgrid[0:70, 0:90]
    slope = np.stack([2 * x, 3 * y, x + y], axis=-1).astype(np.uint8)
    files: dict[str, bytes] = {}
    for name, pixels in (("card", card), ("slope", slope)):
        image = Image.fromarray(pixels)
        deep = Image.fromarray(pixels[..., 1].astype(np.uint16) * 257)
        exif = Image.Exif()
        exif[0x0112], exif[0x010F] = 6, "Maker"
        exif.get_ifd(0x8769)[0x920A] = 4.2
        icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
        files[f"{name}.jpg"] = _saved(image, "JPEG", quality=88, exif=exif, icc_profile=icc)
        files[f"{name} progressive.jpg"] = _saved(image, "JPEG", quality=80, progressive=True)
        files[f"{name}.png"] = _saved(image, "PNG", dpi=(600, 600), exif=exif)
        files[f"{name} palette.png"] = _saved(image.quantize(64), "PNG", transparency=3)
        files[f"{name} 16.png"] = _saved(deep, "PNG")
        files[f"{name}.tif"] = _saved(image, "TIFF", dpi=(600, 600), icc_profile=icc)
        files[f"{name} lzw.tif"] = _saved(image, "TIFF", compression="tiff_lzw")
        files[f"{name} jpeg.tif"] = _saved(image, "TIFF", compression="jpeg")
        files[f"{name} 16.tif"] = _saved(deep, "TIFF")
        heic = io.BytesIO()
        pillow_heif.from_pillow(image).save(heic, quality=60, exif=exif.tobytes())
        files[f"{name}.heic"] = heic.getvalue()
    return files


def _saved(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def mutated(seed: int) -> tuple[str, bytes]:
    """What was done to which file, and the file."""
    random = np.random.default_rng(seed)
    files = sound_files()
    name = str(random.choice(list(files)))
    data = bytearray(files[name])
    done = []
    for _ in range(int(random.geometric(0.6))):
        way = _WAYS[int(random.integers(len(_WAYS)))]
        done.append(way.__name__.strip("_"))
        data = way(data, random) or bytearray(b"\0")
    if data.startswith(b"\x89PNG") and random.random() < 0.6:
        # A wrong checksum would hide everything else that is wrong from the decoder.
        data = bytearray(b"".join(_with_checksum(part) for part in _parts(bytes(data))))
    return f"{name}: {', '.join(done)}", bytes(data)


def _with_checksum(chunk: bytes) -> bytes:
    if len(chunk) < 12 or chunk.startswith(b"\x89PNG"):
        return chunk
    return chunk[:-4] + struct.pack(">I", zlib.crc32(chunk[4:-4]))


def _place(data: bytearray, random: Random) -> int:
    """Anywhere, but half of the time near the front, where headers are."""
    end = len(data) if random.random() < 0.5 else min(len(data), 400)
    return int(random.integers(max(end, 1)))


def _flip_bits(data: bytearray, random: Random) -> bytearray:
    for _ in range(int(random.integers(1, 12))):
        data[_place(data, random)] ^= 1 << int(random.integers(8))
    return data


def _odd_numbers(data: bytearray, random: Random) -> bytearray:
    for _ in range(int(random.integers(1, 4))):
        size = int(random.choice([1, 2, 4]))
        value = int(random.choice(_ODD)) & ((1 << 8 * size) - 1)
        at = _place(data, random)
        data[at : at + size] = value.to_bytes(size, random.choice(["big", "little"]))
    return data


def _cut_off(data: bytearray, random: Random) -> bytearray:
    return data[: int(random.integers(1, len(data) + 1))]


def _take_out(data: bytearray, random: Random) -> bytearray:
    at = _place(data, random)
    del data[at : at + int(random.integers(1, 200))]
    return data


def _put_in(data: bytearray, random: Random) -> bytearray:
    at = _place(data, random)
    data[at:at] = random.bytes(int(random.integers(1, 200)))
    return data


def _say_twice(data: bytearray, random: Random) -> bytearray:
    at, length = _place(data, random), int(random.integers(1, 2000))
    other = _place(data, random)
    data[other:other] = data[at : at + length]
    return data


def _swap_parts(data: bytearray, random: Random) -> bytearray:
    a, b = sorted((_place(data, random), _place(data, random)))
    length = max(1, min(b - a, int(random.integers(1, 300))))
    first, second = bytes(data[a : a + length]), bytes(data[b : b + length])
    data[b : b + length] = first
    data[a : a + length] = second
    return data


def _splice(data: bytearray, random: Random) -> bytearray:
    other = list(sound_files().values())[int(random.integers(len(sound_files())))]
    at = int(random.integers(1, len(data) + 1))
    from_other = at if random.random() < 0.5 else int(random.integers(len(other)))
    return data[:at] + other[from_other:]


def _absurd_size(data: bytearray, random: Random) -> bytearray:
    """Width and height as the container states them, the checksum made good."""
    width, height = (int(random.choice([0, 1, 63, 65, 4000, 12_000, 65_535])) for _ in range(2))
    if data.startswith(b"\x89PNG") and len(data) > 33:
        data[16:24] = struct.pack(">II", width, height)
        data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
    elif data.startswith(b"\xff\xd8"):
        for frame in (b"\xff\xc0", b"\xff\xc2"):
            at = data.find(frame)
            if 0 <= at < len(data) - 9:
                data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    elif data[:2] in (b"II", b"MM"):
        order = "<" if data[:2] == b"II" else ">"
        for tag, size in ((256, width), (257, height), (278, height)):
            for kind in (3, 4):
                at = data.find(struct.pack(order + "HHI", tag, kind, 1))
                if at >= 0:
                    data[at + 2 : at + 12] = struct.pack(order + "HII", 4, 1, size)
    else:
        at = data.find(b"ispe")
        if at >= 0:
            data[at + 8 : at + 16] = struct.pack(">II", width, height)
    return data


def _chunks(data: bytearray, random: Random) -> bytearray:
    """Segments, chunks or boxes left out, said twice or changed about."""
    parts = _parts(bytes(data))
    if len(parts) < 3:
        return data
    a, b = (int(v) for v in random.integers(1, len(parts), 2))
    way = int(random.integers(4))
    if way == 0:
        parts[a], parts[b] = parts[b], parts[a]
    elif way == 1:
        del parts[a]
    elif way == 2:
        parts.insert(a, parts[b])
    else:
        other = _parts(list(sound_files().values())[int(random.integers(len(sound_files())))])
        parts.insert(a, other[int(random.integers(len(other)))])
    return bytearray(b"".join(parts))


def _parts(data: bytes) -> list[bytes]:
    parts = []
    if data.startswith(b"\x89PNG"):
        at = 8
        parts.append(data[:8])
        while at + 12 <= len(data):
            end = at + 12 + int.from_bytes(data[at : at + 4], "big")
            parts.append(data[at:end])
            at = end
    elif data.startswith(b"\xff\xd8"):
        at = 2
        parts.append(data[:2])
        while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
            end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
            parts.append(data[at:end])
            at = end
        parts.append(data[at:])
    elif data[4:8] == b"ftyp":
        at = 0
        while at + 8 <= len(data):
            end = at + max(8, int.from_bytes(data[at : at + 4], "big"))
            parts.append(data[at:end])
            at = end
    else:
        parts = [data[i : i + 64] for i in range(0, len(data), 64)]
    return parts


def _random_exif(data: bytearray, random: Random) -> bytearray:
    """An Exif block of random entries, some of them of the tags that are read."""
    known = [0x112, 0x11A, 0x11B, 0x128, 0x10F, 0x8769, 0x829A, 0x920A, 0xA002, 0xA20E, 0xA405]
    count = int(random.integers(0, 30))
    entries = b""
    for _ in range(count):
        tag = int(random.choice(known) if random.random() < 0.7 else random.integers(65536))
        many = int(random.choice([0, 1, 1, 2, 1000, 0xFFFFFFFF]))
        entries += struct.pack("<HHI", tag, int(random.integers(0, 14)), many) + random.bytes(4)
    block = b"II*\0\x08\0\0\0" + struct.pack("<H", count) + entries + random.bytes(40)
    return _with_block(data, block, b"Exif\0\0" + block, 0xE1, b"eXIf")


def _random_icc(data: bytearray, random: Random) -> bytearray:
    icc = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    for _ in range(int(random.integers(1, 30))):
        icc[_place(icc, random)] = int(random.integers(256))
    png = b"some\0\0" + zlib.compress(bytes(icc))
    return _with_block(data, png, b"ICC_PROFILE\0\x01\x01" + bytes(icc), 0xE2, b"iCCP")


def _with_block(
    data: bytearray, in_png: bytes, in_jpeg: bytes, marker: int, chunk: bytes
) -> bytearray:
    if data.startswith(b"\xff\xd8"):
        data[2:2] = struct.pack(">BBH", 0xFF, marker, len(in_jpeg) + 2) + in_jpeg
    elif data.startswith(b"\x89PNG"):
        body = chunk + in_png
        data[33:33] = struct.pack(">I", len(in_png)) + body + struct.pack(">I", zlib.crc32(body))
    return data


_WAYS: tuple[Callable[[bytearray, Random], bytearray], ...] = (
    _flip_bits,
    _flip_bits,
    _odd_numbers,
    _cut_off,
    _take_out,
    _put_in,
    _say_twice,
    _swap_parts,
    _splice,
    _absurd_size,
    _absurd_size,
    _chunks,
    _random_exif,
    _random_icc,
)
