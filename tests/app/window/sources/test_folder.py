from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pytestqt.qtbot import QtBot

from app.window.frame import SourceState, Still
from app.window.sources.folder import Arrivals, FileState, FolderSource, files_in, is_whole

LONG_MS = 15_000


def picture(path: Path, seed: int = 1, **how: object) -> bytes:
    pixels = np.random.default_rng(seed).integers(0, 256, (90, 120, 3)).astype(np.uint8)
    Image.fromarray(pixels).save(path, **how)  # type: ignore[arg-type]
    return path.read_bytes()


class Watched:
    def __init__(self, qtbot: QtBot, folder: Path) -> None:
        self.qtbot = qtbot
        self.folder = folder
        self.stills: list[Still] = []
        self.states: list[SourceState] = []
        self.source = FolderSource(folder)
        self.source.still.connect(self.stills.append)
        self.source.state.connect(self.states.append)
        self.source.start()

    def wait_for(self, kind: str) -> None:
        self.qtbot.waitUntil(lambda: self.source.current_state.kind == kind, timeout=LONG_MS)

    def wait_for_stills(self, count: int) -> list[str]:
        self.qtbot.waitUntil(lambda: len(self.stills) >= count, timeout=LONG_MS)
        return [still.name for still in self.stills]


@pytest.fixture
def watched(qtbot: QtBot, tmp_path: Path) -> Iterator[Watched]:
    folder = tmp_path / "from the phone"
    folder.mkdir()
    picture(folder / "old.jpg")
    watched = Watched(qtbot, folder)
    watched.wait_for("running")
    yield watched
    watched.source.stop()


def test_a_picture_that_comes_is_handed_over_one_that_was_there_is_not(watched: Watched) -> None:
    assert watched.source.name == "from the phone"
    picture(watched.folder / "new.png")
    assert watched.wait_for_stills(1) == ["new.png"]
    assert watched.stills[0].content == watched.folder / "new.png"
    watched.qtbot.wait(700)
    assert len(watched.stills) == 1


def test_a_picture_written_in_pieces_comes_once_and_whole(watched: Watched, tmp_path: Path) -> None:
    data = picture(tmp_path / "long.jpg", quality=98)
    target = watched.folder / "long.jpg"
    sizes: list[int] = []
    watched.source.still.connect(lambda _: sizes.append(target.stat().st_size))
    with target.open("wb") as file:
        for at in range(0, len(data), len(data) // 3 + 1):
            file.write(data[at : at + len(data) // 3 + 1])
            file.flush()
            # Longer than two looks take: the size alone would have been believed.
            watched.qtbot.wait(750)
    watched.wait_for_stills(1)
    watched.qtbot.wait(500)
    assert sizes == [len(data)]


def test_hidden_unfinished_and_other_files_are_left_alone(watched: Watched, tmp_path: Path) -> None:
    data = picture(tmp_path / "x.jpg")
    for name in (".x.jpg", "x.jpg.part", "~x.jpg", "x.jpg.crdownload", "notes.txt"):
        (watched.folder / name).write_bytes(data)
    (watched.folder / "album.jpg").mkdir()
    # The usual end of a download: the name changes when all is there.
    (watched.folder / "x.jpg.part").rename(watched.folder / "last.JPG")
    assert watched.wait_for_stills(1) == ["last.JPG"]


def test_a_file_that_is_replaced_is_taken_again(watched: Watched, tmp_path: Path) -> None:
    scan = watched.folder / "scan.png"
    picture(scan, seed=1)
    watched.wait_for_stills(1)
    picture(tmp_path / "scan.png", seed=2)
    os.utime(tmp_path / "scan.png", ns=(0, scan.stat().st_mtime_ns + 10**9))
    (tmp_path / "scan.png").replace(scan)
    assert watched.wait_for_stills(2) == ["scan.png", "scan.png"]
    # One that was there at the start as well.
    picture(watched.folder / "old.jpg", seed=3)
    assert watched.wait_for_stills(3)[-1] == "old.jpg"


def test_a_folder_that_goes_away_is_waited_for(watched: Watched, tmp_path: Path) -> None:
    away = tmp_path / "away"
    watched.folder.rename(away)
    watched.wait_for("waiting")
    assert watched.source.current_state.text == "The folder from the phone is not there."
    assert watched.source.current_state.advice
    picture(away / "meanwhile.png")
    away.rename(watched.folder)
    watched.wait_for("running")
    # What was there before is known still.
    assert watched.wait_for_stills(1) == ["meanwhile.png"]
    picture(watched.folder / "after.png", seed=5)
    assert watched.wait_for_stills(2)[-1] == "after.png"


def test_a_folder_that_is_not_there_yet_is_waited_for(qtbot: QtBot, tmp_path: Path) -> None:
    watched = Watched(qtbot, tmp_path / "later")
    watched.wait_for("waiting")
    watched.folder.mkdir()
    watched.wait_for("running")
    watched.source.stop()


@pytest.mark.parametrize("ending", ["jpg", "png", "tif", "bmp", "webp", "heic"])
def test_every_kind_is_whole_only_to_its_end(tmp_path: Path, ending: str) -> None:
    if ending == "heic":
        import pillow_heif

        pixels = np.random.default_rng(1).integers(0, 256, (90, 120, 3)).astype(np.uint8)
        pillow_heif.from_bytes("RGB", (120, 90), pixels.tobytes()).save(tmp_path / "a.heic")
        data = (tmp_path / "a.heic").read_bytes()
    else:
        data = picture(tmp_path / f"a.{ending}")
    file = tmp_path / f"b.{ending}"
    for share in (0.0, 0.02, 0.5, 0.98):
        file.write_bytes(data[: int(len(data) * share)])
        assert not is_whole(file), share
    file.write_bytes(data)
    assert is_whole(file)


def test_a_picture_that_can_never_be_measured_is_whole_all_the_same(tmp_path: Path) -> None:
    # Its own refusal ("too small") is what the person should hear.
    Image.fromarray(np.zeros((20, 20), np.uint8)).save(tmp_path / "icon.bmp")
    assert is_whole(tmp_path / "icon.bmp")
    assert not is_whole(tmp_path / "not there.bmp")


def test_a_file_that_stays_broken_is_handed_over_in_the_end(tmp_path: Path) -> None:
    data = picture(tmp_path / "a.jpg")
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(data[: len(data) // 2])
    arrivals = Arrivals({})
    found = files_in(tmp_path)
    assert found is not None
    found = {broken: found[broken]}
    for now_s in (0.0, 0.3, 5.0, 19.9):
        assert arrivals.finished(found, now_s) == []
        assert arrivals.pending
    assert arrivals.finished(found, 20.0) == [broken]
    assert not arrivals.pending
    assert arrivals.finished(found, 21.0) == []


def test_files_come_in_the_order_they_were_finished(tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        shutil.copy(Path(__file__), tmp_path / name)
    states = {}
    for name, at in (("a.png", 3), ("b.png", 1), ("c.png", 2)):
        data = picture(tmp_path / name)
        states[tmp_path / name] = FileState(len(data), at)
    arrivals = Arrivals({})
    assert arrivals.finished(states, 0.0) == []
    assert [p.name for p in arrivals.finished(states, 1.0)] == ["b.png", "c.png", "a.png"]
