"""Mutated files, absurd arrays and odd paths end in a picture or a refusal, never in a crash."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from mutations import CODES, mutated, sound_files

from measure import PictureError, measure_picture
from measure.picture import read_picture


def test_sound_files_are_read() -> None:
    for name, data in sound_files().items():
        assert read_picture(data).pixels.shape[0] >= 64, name


def test_two_thousand_mutated_files_end_in_a_picture_or_a_refusal() -> None:
    came: Counter[str] = Counter()
    for seed in range(2000):
        _, data = mutated(seed)
        try:
            picture = read_picture(data)
        except PictureError as error:
            came[error.code] += bool(error.text and error.advice)
            continue
        came["picture"] += picture.pixels.dtype in (np.uint8, np.uint16)
        # Reading is quick; one in sixty of what could be read is measured as well.
        if came["picture"] % 60 == 0:
            reading = measure_picture(picture)
            assert reading.read or reading.refusals, seed
    assert came.total() == 2000
    assert set(came) <= {"picture", *CODES}
    # The mutations reach every way out but that of files from a disk.
    assert set(came) >= {"picture", "truncated_file", "too_large", "too_small", "not_a_picture"}


def test_a_damaged_card_that_once_ended_in_a_crash() -> None:
    # One in 50,000 of the fuzz bench: a strand so wide in so few samples that no wave fits.
    _, data = mutated(232695)
    reading = measure_picture(data)
    assert reading.read or reading.refusals


def _with(value: float) -> np.ndarray:
    levels = np.full((80, 90, 3), 0.5)
    levels[3, 4, 1] = value
    return levels


NO_PICTURES = {
    "no dimension": np.array(1.0),
    "no rows": np.zeros((0, 90, 3), np.uint8),
    "no columns": np.zeros((80, 0), np.uint8),
    "no channels": np.zeros((80, 90, 0), np.uint8),
    "two channels": np.zeros((80, 90, 2), np.uint8),
    "twenty channels": np.zeros((80, 90, 20), np.uint8),
    "a thousand million channels": np.broadcast_to(np.uint8(7), (80, 90, 10**9)),
    "four dimensions": np.zeros((2, 80, 90, 3), np.uint8),
    "one NaN": _with(np.nan),
    "one infinite": _with(np.inf),
    "minus infinite": _with(-np.inf),
    "all NaN": np.full((80, 90), np.nan),
    "huge": np.full((80, 90), 1e308),
    "below black": _with(-1e-9),
    "bool": np.zeros((80, 90), bool),
    "complex": np.zeros((80, 90), complex),
    "objects": np.full((80, 90), None),
    "numbers as objects": np.full((80, 90), 0.5, object),
    "letters": np.full((80, 90), "a"),
    "records": np.zeros((80, 90), [("r", "u1"), ("g", "u1")]),
    "dates": np.zeros((80, 90), "datetime64[s]"),
    "signed": np.zeros((80, 90), np.int8),
    "wide": np.full((80, 90), 2**62),
    "a list": [[1, 2], [3, 4]],
    "nothing": None,
    "a number": 7,
}


@pytest.mark.parametrize("name", NO_PICTURES)
def test_what_is_no_picture_is_said_to_be_none(name: str) -> None:
    with pytest.raises(PictureError) as refused:
        measure_picture(NO_PICTURES[name])
    assert refused.value.code == "not_a_picture"


def test_sizes_that_cannot_be_measured() -> None:
    for shape, code in (
        ((1, 1, 3), "too_small"),
        ((1, 5000), "too_small"),
        ((100_000, 100_000), "too_large"),
        ((30_001, 64), "too_large"),
    ):
        with pytest.raises(PictureError) as refused:
            measure_picture(np.broadcast_to(np.uint8(9), shape))
        assert refused.value.code == code


def test_pixels_laid_out_oddly_are_the_same_pixels() -> None:
    plain = np.random.default_rng(3).integers(0, 65536, (70, 90, 3)).astype(np.uint16)
    frozen = plain.copy()
    frozen.flags.writeable = False
    spread = np.zeros((140, 180, 6), np.uint16)
    spread[::2, ::2, ::2] = plain
    for other in (
        frozen,
        np.asfortranarray(plain),
        plain.astype(">u2"),
        plain.astype("<u2"),
        spread[::2, ::2, ::2],
        plain[::-1, ::-1, ::-1].copy()[::-1, ::-1, ::-1],
        np.ma.masked_array(plain, plain > 30_000),
    ):
        np.testing.assert_array_equal(read_picture(other).pixels, plain)
    for kind in (np.float16, np.float32, ">f8", np.longdouble):
        half = read_picture(np.full((70, 90, 3), 0.5, kind)).pixels
        assert half.dtype == np.uint16
        assert set(np.unique(half).tolist()) <= {32767, 32768}


# ------------------------------------------------------------------------------- odd paths


@pytest.mark.skipif(os.name != "posix", reason="links, pipes and devices of POSIX")
def test_links_pipes_devices_and_folders_named_like_pictures(tmp_path: Path) -> None:
    sound = tmp_path / "sound.png"
    sound.write_bytes(sound_files()["slope.png"])
    (tmp_path / "link.png").symlink_to(sound)
    assert read_picture(tmp_path / "link.png").pixels.ndim == 3
    (tmp_path / "dangling.jpg").symlink_to(tmp_path / "gone.jpg")
    (tmp_path / "one.jpg").symlink_to(tmp_path / "other.jpg")
    (tmp_path / "other.jpg").symlink_to(tmp_path / "one.jpg")
    (tmp_path / "folder.jpg").mkdir()
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "device.jpg").symlink_to("/dev/zero")
    odd = ["dangling.jpg", "one.jpg", "folder.jpg", "pipe.jpg", "device.jpg"]
    for path in [*(tmp_path / name for name in odd), Path("/dev/null"), Path("/dev/urandom")]:
        with pytest.raises(PictureError) as refused:
            read_picture(path)
        assert refused.value.code == "unreadable_file", path


@pytest.mark.skipif(os.name != "posix", reason="links and pipes of POSIX")
def test_the_command_ends_with_its_code_and_without_a_traceback(tmp_path: Path) -> None:
    (tmp_path / "loop.png").symlink_to(tmp_path / "loop.png")
    os.mkfifo(tmp_path / "pipe.png")
    (tmp_path / "cut.png").write_bytes(sound_files()["card.png"][:3000])
    (tmp_path / "plain.png").write_bytes(sound_files()["slope.png"])
    names = ["loop.png", "pipe.png", "cut.png", "plain.png"]
    for chosen, code in ((names, 2), (["plain.png"], 1)):
        done = subprocess.run(
            [sys.executable, "-m", "app", "measure", *(str(tmp_path / name) for name in chosen)],
            capture_output=True,
            text=True,
            timeout=240,
            cwd=Path(__file__).parents[2],
            check=False,
        )
        assert done.returncode == code, done.stderr
        assert "Traceback" not in done.stdout + done.stderr
        assert not [name for name in chosen[:3] if code == 2 and name not in done.stderr]


# ---------------------------------------------------------------------------------- memory

_PEAK = """
import sys
import numpy as np
from measure import measure_picture
from measure.picture import read_picture

def told(key):
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith(key))

data = open(sys.argv[1], "rb").read()
# What libraries set up only once, some ten megabytes: a sixteenth of the picture does it.
measure_picture(np.ascontiguousarray(read_picture(data).pixels[::4, ::4]))
open("/proc/self/clear_refs", "w").write("5")  # the peak starts anew (proc(5))
before = told("VmRSS")
picture = read_picture(data)
reading = measure_picture(picture)
print(len(reading.strands), (told("VmHWM") - before) / picture.pixels.nbytes)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the peak of memory")
@pytest.mark.parametrize("shows", ["nothing but mottle", "three strands on a card"])
def test_no_more_than_three_times_the_picture_is_held(shows: str, tmp_path: Path) -> None:
    from PIL import Image

    if shows == "nothing but mottle":  # searched for markers, then for a ruler, in every size
        rough = np.random.default_rng(1).integers(0, 255, (150, 200, 3), dtype=np.uint8)
        picture, strands = Image.fromarray(rough).resize((2000, 1500)), 0
    else:
        desk = Image.open(Path(__file__).parents[2] / "sample_images/three_singles_desk.jpg")
        picture, strands = desk.resize((2236, 1345)), 3
    picture.save(tmp_path / "large.jpg", quality=90)
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, str(tmp_path / "large.jpg")],
        capture_output=True,
        text=True,
        timeout=300,
        cwd=Path(__file__).parents[2],
        check=True,
    )
    read, held = done.stdout.split()
    assert int(read) == strands
    assert 1.0 < float(held) < 3.0
