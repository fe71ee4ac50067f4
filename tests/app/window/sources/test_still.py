from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PySide6.QtCore import QByteArray, QMimeData, QPointF, Qt, QUrl
from PySide6.QtGui import QDropEvent, QImage
from pytestqt.qtbot import QtBot

from app.window.frame import SourceState, Still
from app.window.sources.still import (
    StillSource,
    given,
    still_of,
    still_of_image,
)
from measure.picture import Picture, read_picture


def urls(*names: str | Path) -> QMimeData:
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(n)) if isinstance(n, Path) else QUrl(n) for n in names])
    return mime


def picture_in(mime: QMimeData) -> Picture:
    image = given(mime).image
    assert image is not None
    still = still_of_image(image)
    assert still.name == "pasted picture"
    assert isinstance(still.content, bytes)
    return read_picture(still.content)


def test_a_dropped_file_is_named_not_read(tmp_path: Path) -> None:
    file = tmp_path / "strands ü.jpg"
    mime = urls(file)
    event = QDropEvent(
        QPointF(1, 1),
        Qt.DropAction.CopyAction,
        mime,
        Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )
    assert given(event.mimeData()).stills == (Still(file, "strands ü.jpg"),)


def test_of_several_files_those_that_are_pictures_by_name_are_taken(tmp_path: Path) -> None:
    names = ["b.JPG", "notes.txt", "a.heic"]
    got = given(urls(*[tmp_path / name for name in names]))
    assert [still.name for still in got.stills] == ["b.JPG", "a.heic"]


def test_one_file_is_tried_whatever_its_name(tmp_path: Path) -> None:
    assert given(urls(tmp_path / "scan")).stills == (still_of(tmp_path / "scan"),)


def test_a_video_or_a_folder_is_to_be_opened_as_a_source(tmp_path: Path) -> None:
    assert given(urls(tmp_path)).place == tmp_path
    video = tmp_path / "x.mov"
    assert given(urls(tmp_path / "a.jpg", video)).place == video


def test_files_that_are_no_pictures_are_said_to_be_none(tmp_path: Path) -> None:
    got = given(urls(tmp_path / "a.txt", tmp_path / "b.pdf"))
    assert got.stills == ()
    assert got.text == "None of those files is a picture or a video that can be read here."


def test_an_address_on_the_web_is_not_fetched() -> None:
    mime = urls("https://wool.example/strands.jpg")
    got = given(mime)
    assert got.stills == ()
    assert "Save it first" in got.text


def test_words_are_no_picture() -> None:
    mime = QMimeData()
    mime.setText("16 WPI")
    assert given(mime).text.startswith("There is no picture to paste.")


@pytest.mark.parametrize(
    "kind",
    [
        QImage.Format.Format_RGB32,
        QImage.Format.Format_RGB888,
        QImage.Format.Format_ARGB32,
        QImage.Format.Format_ARGB32_Premultiplied,
        QImage.Format.Format_Grayscale8,
    ],
)
def test_pixels_that_are_offered_keep_their_values_and_resolution(kind: QImage.Format) -> None:
    grey = kind == QImage.Format.Format_Grayscale8
    rgb = np.random.default_rng(1).integers(0, 256, (67, 101, 3)).astype(np.uint8)
    if grey:
        rgb[:] = rgb[..., :1]
    image = QImage(rgb.data, 101, 67, 303, QImage.Format.Format_RGB888).convertToFormat(kind)
    image.setDotsPerMeterX(11811)
    image.setDotsPerMeterY(11811)
    mime = QMimeData()
    mime.setImageData(image)
    picture = picture_in(mime)
    np.testing.assert_array_equal(picture.pixels, rgb)
    # 300 dots an inch are 11811.02 a metre.
    assert picture.dpi == pytest.approx((300.0, 300.0), abs=0.01)


def test_what_is_see_through_is_laid_over_white() -> None:
    image = QImage(80, 70, QImage.Format.Format_ARGB32_Premultiplied)
    image.fill(Qt.GlobalColor.transparent)
    image.setPixel(3, 5, 0xFF102030)
    mime = QMimeData()
    mime.setImageData(image)
    picture = picture_in(mime)
    assert picture.pixels[0, 0].tolist() == [255, 255, 255]
    assert picture.pixels[5, 3].tolist() == [0x10, 0x20, 0x30]


def test_bytes_that_are_offered_are_kept_as_they_are(tmp_path: Path) -> None:
    file = tmp_path / "scan.png"
    Image.fromarray(np.full((80, 90), 120, np.uint8)).save(file, dpi=(600, 600))
    mime = QMimeData()
    mime.setData("image/jpeg", QByteArray(b"\xff\xd8\xff something less good"))
    mime.setData("image/png", QByteArray(file.read_bytes()))
    (still,) = given(mime).stills
    assert still.content == file.read_bytes()


def test_chosen_pictures_are_handed_over_once_then_the_source_has_ended(
    qtbot: QtBot, tmp_path: Path
) -> None:
    paths = [tmp_path / "b.jpg", tmp_path / "a.jpg"]
    source = StillSource(paths)
    stills: list[Still] = []
    states: list[SourceState] = []
    source.still.connect(stills.append)
    source.state.connect(states.append)
    source.start()
    qtbot.waitUntil(lambda: bool(states) and states[-1].kind == "ended", timeout=30_000)
    assert stills == [Still(path, path.name) for path in paths]
    assert source.name == "2 pictures"
    source.stop()
