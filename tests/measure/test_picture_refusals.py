"""Damaged, hostile and foreign input ends in a refusal that says what to do."""

import os
import pickle
import struct
import threading
import tracemalloc
import warnings
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from measure.errors import MeasureError, PictureError
from measure.linear_light import decode_srgb, encode_srgb
from measure.picture import read_picture
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

# -------------------------------------------------------------------------------- refusals


def test_files_that_cannot_be_read(tmp_path):
    assert code_of(tmp_path / "missing.jpg") == "unreadable_file"
    assert code_of(tmp_path) == "unreadable_file"
    assert code_of("") == "unreadable_file"
    assert code_of("nul\0byte.jpg") == "unreadable_file"
    assert code_of("n" * 5000) == "unreadable_file"
    (tmp_path / "empty.jpg").touch()
    assert code_of(tmp_path / "empty.jpg") == "unreadable_file"
    assert code_of(tmp_path / "empty.jpg" / "inside.jpg") == "unreadable_file"
    (tmp_path / "loop").symlink_to("loop")
    assert code_of(tmp_path / "loop") == "unreadable_file"


@pytest.mark.skipif(os.name != "posix", reason="named pipes are a POSIX thing")
def test_a_pipe_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert code_of(tmp_path / "pipe") == "unreadable_file"


@pytest.mark.skipif(
    os.name != "posix" or os.geteuid() == 0, reason="root may read whatever it likes"
)
def test_a_file_without_permission(tmp_path):
    path = tmp_path / "locked.png"
    path.write_bytes(encoded(scene(3), "PNG"))
    path.chmod(0)
    assert code_of(path) == "unreadable_file"


@pytest.mark.parametrize(
    "data",
    [
        b"hello, this is a text",
        b"BMessage in a text file",
        b"P1 is the first of our parts",
        b"\0" * 5000,
        b"%PDF-1.7\n%%EOF",
        b"\xff\xd8",
        b"PK\x03\x04" + b"\0" * 60,
    ],
)
def test_other_files_are_no_picture(data):
    assert code_of(data) == "not_a_picture"


def test_the_message_names_the_file(tmp_path):
    path = tmp_path / "Bäckerei 糸 (2).jpg"
    path.write_bytes(b"words")
    with pytest.raises(PictureError, match="Bäckerei 糸"):
        read_picture(path)
    path.write_bytes(encoded(scene(3), "JPEG"))
    assert read_picture(path).name == path.name
    assert read_picture(path).pixels.shape == (ROWS, COLUMNS, 3)


FILES = {
    "jpeg": encoded(scene(3), "JPEG", quality=92),
    "jpeg grey": encoded(scene(1), "JPEG", quality=92),
    "jpeg progressive": encoded(scene(3), "JPEG", quality=92, progressive=True),
    "jpeg cmyk": encoded(Image.fromarray(scene(3)).convert("CMYK"), "JPEG"),
    "jpeg with restarts": encoded_16(scene(3), ".jpg", cv2.IMWRITE_JPEG_RST_INTERVAL, 4),
    "png": encoded(scene(3), "PNG"),
    "png 16": encoded_16(scene(3, np.uint16), ".png"),
    "tiff": encoded(scene(3), "TIFF"),
    "tiff lzw": encoded(scene(3), "TIFF", compression="tiff_lzw"),
    "tiff 16": encoded_16(scene(3, np.uint16), ".tif"),
    "tiff 16 plain": tiff(scene(3, np.uint16), photometric=2),
    "webp": encoded(scene(3), "WEBP"),
    "heic": heic(scene(3)),
}


@pytest.mark.parametrize("kind", FILES)
def test_truncated_files_are_refused(kind):
    data = FILES[kind]
    read_picture(data)
    for part in (0.3, 0.5, 0.9, 0.99):
        assert code_of(data[: int(len(data) * part)]) == "truncated_file"
    assert code_of(data[:-2]) == "truncated_file"


def test_a_large_jpeg_cut_anywhere_is_refused():
    # Large enough that decoders read it in several pieces.
    noise = np.random.default_rng(5).integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    data = encoded(noise, "JPEG", quality=90)
    assert read_picture(data).pixels.shape == noise.shape
    for end in np.linspace(1000, len(data) - 1, 60).astype(int).tolist():
        assert code_of(data[:end]) == "truncated_file"


def test_a_thumbnails_end_is_not_the_pictures_end():
    thumbnail = encoded(scene(3)[:32, :48].copy(), "JPEG")
    segment = b"Exif\0\0" + thumbnail
    data = FILES["jpeg"]
    app1 = b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment
    whole = data[:2] + app1 + data[2:]
    np.testing.assert_array_equal(read_picture(whole).pixels, read_picture(data).pixels)
    assert code_of(whole[:-400]) == "truncated_file"


def test_words_after_the_end_do_no_harm():
    for kind in ("jpeg", "png", "tiff"):
        read = read_picture(FILES[kind] + b"appended by some program").pixels
        np.testing.assert_array_equal(read, read_picture(FILES[kind]).pixels)


def test_a_png_with_a_flipped_byte_is_refused():
    data = bytearray(FILES["png"])
    data[len(data) // 2] ^= 0x10
    assert code_of(bytes(data)) == "truncated_file"


def bomb_png(width: int, height: int) -> bytes:
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = b"IDAT" + zlib.compress(b"\0" * 1000)
    chunks = [head, data, b"IEND"]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(c) - 4) + c + struct.pack(">I", zlib.crc32(c)) for c in chunks
    )


def test_bombs_are_refused_from_their_header():
    tracemalloc.start()
    try:
        for size in ((50_000, 50_000), (11_000, 11_000), (30_001, 64), (64, 30_001)):
            assert code_of(bomb_png(*size)) == "too_large"
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 20e6
    huge = {256: (4, (40_000,)), 257: (4, (40_000,))}
    for dtype in (np.uint8, np.uint16):
        assert code_of(tiff(scene(1, dtype), photometric=1, tags=huge)) == "too_large"
    jpeg = bytearray(FILES["jpeg"])
    at = jpeg.index(b"\xff\xc0") + 5
    jpeg[at : at + 4] = struct.pack(">HH", 40_000, 40_000)
    assert code_of(bytes(jpeg)) == "too_large"
    assert code_of(np.broadcast_to(np.uint8(7), (12_000, 12_000))) == "too_large"


def test_a_file_larger_than_any_picture_is_not_read(tmp_path):
    path = tmp_path / "endless.tif"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)  # sparse: takes no room on the disk
    assert code_of(path) == "too_large"


def test_thumbnails_are_too_small():
    assert code_of(scene(3)[:63]) == "too_small"
    assert code_of(encoded(scene(3)[:, :63].copy(), "JPEG")) == "too_small"
    assert read_picture(scene(3)[:64, :64]).pixels.shape == (64, 64, 3)


def test_contents_without_a_meaning_are_refused_in_words():
    planes = np.moveaxis(scene(3, np.uint16), 2, 0)
    separate = {
        256: (4, (COLUMNS,)),
        257: (4, (ROWS,)),
        258: (3, (16, 16, 16)),
        277: (3, (3,)),
        284: (3, (2,)),
        273: (4, tuple(8 + 2 * ROWS * COLUMNS * i for i in range(3))),
        278: (4, (ROWS,)),
        279: (4, (2 * ROWS * COLUMNS,) * 3),
        339: (3, (1, 1, 1)),
    }
    for data in (
        tiff(scene(1, np.uint16).astype(np.uint32), photometric=1),
        tiff(scene(2, np.uint16), photometric=1, tags={338: (3, (2,))}),
        tiff(np.ascontiguousarray(planes), photometric=2, tags=separate),
    ):
        assert code_of(data) == "unreadable_file"


# ------------------------------------------------------------------------------ robustness


def test_odd_tags_warn_nobody():
    # A broken Exif block makes Pillow warn; warnings are errors in this suite.
    data = FILES["jpeg"]
    block = b"Exif\0\0II*\0\x08\0\0\0\xff\x00" + b"\x12\x01\x03\0" * 8
    broken = data[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + data[2:]
    assert read_picture(broken).pixels.shape == (ROWS, COLUMNS, 3)


def test_threads_read_alike_and_leave_the_warning_filters_alone():
    before = list(warnings.filters)
    results: list[np.ndarray] = []

    def work() -> None:
        results.extend(read_picture(FILES["png"]).pixels for _ in range(20))

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 80
    assert all(np.array_equal(result, scene(3)) for result in results)
    assert list(warnings.filters) == before


def test_errors_survive_the_way_between_processes():
    error = PictureError("too_small", "A picture is small.", "Give a larger one.")
    copy = pickle.loads(pickle.dumps(error))
    assert isinstance(copy, MeasureError)
    assert (copy.code, copy.text, copy.advice) == (error.code, error.text, error.advice)


def test_nothing_is_taken_from_the_caller():
    array = scene(4)
    kept = array.copy()
    read_picture(array)
    np.testing.assert_array_equal(array, kept)
    white = encode_srgb(decode_srgb(np.full((70, 70), 255, np.uint8)))
    assert (white == 255).all()


CODES = {"unreadable_file", "not_a_picture", "truncated_file", "too_large", "too_small"}


@settings(
    max_examples=400,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(
    kind=st.sampled_from(sorted(FILES)),
    flips=st.lists(st.tuples(st.floats(0, 1), st.integers(1, 255)), max_size=6),
    head_flips=st.lists(st.tuples(st.integers(4, 200), st.integers(1, 255)), max_size=3),
    insert=st.tuples(st.floats(0, 1), st.binary(max_size=12)),
    cut=st.one_of(st.just(1.0), st.floats(0, 1)),
)
def test_damaged_bytes_end_in_a_picture_or_a_refusal(kind, flips, head_flips, insert, cut):
    data = bytearray(FILES[kind])
    for place, bits in flips:
        data[int(place * (len(data) - 1))] ^= bits
    for place, bits in head_flips:
        data[place] ^= bits
    at = int(insert[0] * len(data))
    data[at:at] = insert[1]
    del data[int(cut * len(data)) :]
    if not data:
        data = bytearray(b"\0")
    try:
        picture = read_picture(bytes(data))
    except PictureError as error:
        outcome = error.code
    else:
        assert picture.pixels.dtype in (np.uint8, np.uint16)
        outcome = f"{picture.pixels.ndim}-D"
    assert outcome in {*CODES, "2-D", "3-D"}


def test_only_one_module_opens_picture_files():
    sources = Path(__file__).parents[2].joinpath("measure").glob("*.py")
    users = {p.name for p in sources if ".read_bytes(" in p.read_text(encoding="utf-8")}
    assert users == {"picture.py"}
