"""Whether an encoded picture is all there, told from its structure alone.

Decoders fill what is missing with grey or black and some of them keep quiet about it; a
strand that runs into such a patch would be measured all the same.
"""

from __future__ import annotations

import re
import zlib
from typing import Any

from measure.picture_tags import Tags

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_JPEG_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd7\xff]", re.DOTALL)
"""A marker that ends coded data: not a stuffed zero, a restart or a fill byte (T.81 B.1.1)."""
_SCAN, _END = 0xDA, 0xD9
STRIP_OFFSETS, STRIP_BYTE_COUNTS = 273, 279
TILE_OFFSETS, TILE_BYTE_COUNTS = 324, 325


def jpeg_is_whole(data: bytes) -> bool:
    """True when the end marker follows at least one scan (ITU-T T.81 annex B)."""
    scans = 0
    found = _JPEG_MARKER.search(data, 2)
    while found is not None:
        marker, after = data[found.end() - 1], found.end()
        if marker == _END:
            return scans > 0
        scans += marker == _SCAN
        # The length counts its own two bytes; a thumbnail's markers lie inside a segment.
        found = _JPEG_MARKER.search(data, after + int.from_bytes(data[after : after + 2], "big"))
    return False


def png_is_whole(data: bytes) -> bool:
    """True when all chunks to IEND are there and the ones that hold the picture check (PNG 5)."""
    view = memoryview(data)
    at = len(PNG_SIGNATURE)
    while at + 12 <= len(view):
        body_end = at + 8 + int.from_bytes(view[at : at + 4], "big")
        kind = bytes(view[at + 4 : at + 8])
        if body_end + 4 > len(view):
            return False
        if kind in (b"IHDR", b"PLTE", b"IDAT"):
            stated = int.from_bytes(view[body_end : body_end + 4], "big")
            if zlib.crc32(view[at + 4 : body_end]) != stated:
                return False
        if kind == b"IEND":
            return True
        at = body_end + 4
    return False


def tiff_is_whole(data: bytes, tags: Tags) -> bool:
    """True when every strip or tile of the first page lies inside the file (TIFF 6.0)."""
    for offsets, counts in (
        (STRIP_OFFSETS, STRIP_BYTE_COUNTS),
        (TILE_OFFSETS, TILE_BYTE_COUNTS),
    ):
        if offsets not in tags:
            continue
        starts, lengths = as_tuple(tags[offsets]), as_tuple(tags.get(counts, ()))
        # Some writers leave the counts out: then the decoder's own check has to do.
        if any(start >= len(data) for start in starts):
            return False
        return not any(a + n > len(data) for a, n in zip(starts, lengths, strict=False))
    return False


def as_tuple(value: Any) -> tuple[Any, ...]:
    """A tag's values, however many there are."""
    return tuple(value) if isinstance(value, tuple | list) else (value,)
