from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PySide6.QtMultimedia import QMediaDevices
from pytestqt.qtbot import QtBot

from app.samples import sample_video
from app.window.frame import Still
from app.window.sources.camera import CameraSource
from app.window.sources.folder import FolderSource
from app.window.sources.listing import (
    SAMPLE,
    SourceError,
    SourceList,
    key_of_path,
    name_of_key,
    open_source,
    told_apart,
)
from app.window.sources.still import StillSource
from app.window.sources.video import VideoSource


def test_cameras_come_by_their_names_then_the_sample(qtbot: QtBot) -> None:
    sources = SourceList()
    choices = sources.choices()
    cameras = [c for c in choices if c.kind == "camera"]
    assert len(cameras) == len(QMediaDevices.videoInputs())
    samples = [c for c in choices if c.kind == "sample"]
    assert [c.key for c in samples] == ([SAMPLE] if sample_video() else [])
    assert choices == cameras + samples
    assert sources.no_cameras == ""


def test_two_cameras_of_one_make_are_told_apart() -> None:
    assert told_apart(["Cam", "Other", "Cam", "Cam"]) == ["Cam", "Other", "Cam (2)", "Cam (3)"]


def test_a_file_or_folder_is_opened_by_its_key_and_by_its_bare_name(
    qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.mp4").write_bytes(b"x")
    Path("b.jpg").write_bytes(b"x")
    Path("in").mkdir()
    for name, kind in (("a.mp4", VideoSource), ("b.jpg", StillSource), ("in", FolderSource)):
        key = key_of_path(Path(name))
        assert str(tmp_path) in key
        for source in (open_source(key), open_source(name)):
            assert type(source) is kind
            assert source.name == name


def test_a_camera_key_opens_that_camera_and_no_other(qtbot: QtBot) -> None:
    source = open_source("camera:00ff:Left: camera")
    assert isinstance(source, CameraSource)
    assert source.name == "Left: camera"


def test_a_remembered_source_has_a_name_while_it_is_away(qtbot: QtBot, tmp_path: Path) -> None:
    away = {
        "camera:00ff:Left: camera": "Left: camera",
        f"video:{tmp_path / 'gone.mp4'}": "gone.mp4",
        f"folder:{tmp_path / 'phone'}": "phone",
        SAMPLE: "Sample video",
    }
    assert {key: name_of_key(key) for key in away} == away
    sources = SourceList()
    assert [sources.listed_key(key) for key in away] == list(away)


def test_a_file_that_is_away_just_now_still_opens_by_its_key(qtbot: QtBot, tmp_path: Path) -> None:
    assert isinstance(open_source(f"video:{tmp_path / 'gone.mp4'}"), VideoSource)
    assert isinstance(open_source(f"folder:{tmp_path / 'gone'}"), FolderSource)


def test_a_chosen_picture_is_handed_over(qtbot: QtBot, tmp_path: Path) -> None:
    file = tmp_path / "strand.png"
    Image.fromarray(np.zeros((80, 90), np.uint8)).save(file)
    source = open_source(key_of_path(file))
    with qtbot.waitSignal(source.still, timeout=30_000) as came:
        source.start()
    assert came.args == [Still(file, "strand.png")]
    source.stop()


def test_what_is_nowhere_is_said_in_a_sentence(qtbot: QtBot) -> None:
    with pytest.raises(SourceError, match="no file, folder or source called nonsense") as raised:
        open_source("nonsense")
    assert raised.value.advice


def test_files_need_no_camera_library_and_its_absence_is_said() -> None:
    # It takes time to load, and on Linux a system library that may be missing: None in its place
    # makes the import fail just so.
    code = (
        "import sys, app.window.sources.listing as l\n"
        "l.open_source('folder:/nowhere')\n"
        "assert 'PySide6.QtMultimedia' not in sys.modules\n"
        "sys.modules['PySide6.QtMultimedia'] = None\n"
        "sources = l.SourceList()\n"
        "assert {choice.kind for choice in sources.choices()} <= {'sample'}\n"
        "assert sources.no_cameras.startswith('Cameras cannot be used')\n"
        "try: l.open_source('camera:00:Desk camera')\n"
        "except l.SourceError as error: assert str(error) == sources.no_cameras\n"
        "else: raise SystemExit(1)\n"
    )
    folder = Path(__file__).parents[4]
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60, cwd=folder)
