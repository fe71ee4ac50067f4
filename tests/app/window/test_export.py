from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from chart_readings import many
from hostile_texts import HOSTILE_TEXTS
from PIL import Image
from PySide6.QtCore import QRectF, QSize
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from app import UseError
from app.window.drift_chart import DriftChart
from app.window.export import SHEET_PX, ChartSaver, chart_png, chart_svg, plain, save_chart
from app.window.profile_plot import ProfilePlot
from app.window.theme import DARK, LIGHT
from measure.band import Band
from measure.drift import ReadingPoint, watch_drift
from measure.results import PictureReading

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '</text><script>alert("x")</script>&amp;<![CDATA[ \x00\x1b\ud800 ]]> "\u202e'


@pytest.fixture
def chart(qtbot: QtBot) -> DriftChart:
    made = DriftChart()
    qtbot.addWidget(made)
    made.resize(500, 250)
    made.set_theme(DARK)
    made.set_band(Band.from_wpi(20, 24))
    readings = many(60)
    made.set_readings(readings)
    made.set_trend(watch_drift([ReadingPoint(r.diameter_mm, r.u_diameter_mm) for r in readings]))
    made.show()
    qtbot.waitExposed(made)
    QApplication.processEvents()
    return made


def pixels(png: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def words_of(svg: bytes) -> list[str]:
    return [(e.text or "").strip() for e in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_png_has_the_size_asked_for_and_is_light(chart: DriftChart) -> None:
    png = chart_png(chart, "Bobbin 1", QSize(800, 400))
    with Image.open(io.BytesIO(png)) as image:
        assert image.format == "PNG"
        assert image.size == (1600, 800)
        assert image.info["Title"] == "Bobbin 1"
        # 96 pixels an inch on the screen, twice as many here (PNG, pHYs).
        assert image.info["dpi"] == pytest.approx((192, 192), abs=0.1)
    corner = QColor(LIGHT.panel)
    assert pixels(png)[2, 2].tolist() == [corner.red(), corner.green(), corner.blue()]


def test_png_shows_points_where_the_svg_has_them(chart: DriftChart) -> None:
    size = QSize(900, 500)
    svg = chart_svg(chart, "Bobbin 1", size)
    drawn = QImage(size * 2, QImage.Format.Format_RGB32)
    painter = QPainter(drawn)
    QSvgRenderer(svg).render(painter)
    painter.end()
    shape = (drawn.height(), drawn.width(), 4)
    from_svg = np.frombuffer(drawn.constBits(), np.uint8).reshape(shape)[:, :, 2::-1].astype(int)
    from_png = pixels(chart_png(chart, "Bobbin 1", size))
    colour = QColor(LIGHT.in_band)
    own = np.array([colour.red(), colour.green(), colour.blue()])

    a, b = (
        (np.abs(picture - own).sum(axis=2) < 12).astype(np.uint8)
        for picture in (from_svg, from_png)
    )
    assert a.sum() > 2000
    # Strokes of the SVG stay as thin when it is drawn larger; nothing lies elsewhere.
    around = np.ones((7, 7), np.uint8)
    assert (a & cv2.dilate(b, around)).sum() > 0.97 * a.sum()
    assert (b & cv2.dilate(a, around)).sum() > 0.97 * b.sum()


def test_svg_is_strokes_and_words(chart: DriftChart) -> None:
    svg = chart_svg(chart, "Bobbin 1")
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("viewBox") == "0 0 1200 640"
    assert not list(root.iter(f"{SVG}image"))
    words = words_of(svg)
    assert "Bobbin 1" in words
    assert "20 WPI" in words
    assert "24 WPI" in words
    assert "WPI (thicker is up)" in words
    assert any(w.startswith("60 readings in 2 sittings") for w in words)
    assert root.findtext(f"{SVG}title") == "Bobbin 1"


def test_a_hostile_title_stays_words(chart: DriftChart) -> None:
    svg = chart_svg(chart, HOSTILE)
    root = ElementTree.fromstring(svg)
    tags = {e.tag.removeprefix(SVG) for e in root.iter()}
    assert tags <= {"svg", "title", "desc", "defs", "g", "text", "path", "polyline", "rect",
                    "circle", "ellipse", "line", "polygon", "clipPath", "use"}  # fmt: skip
    assert any("<script>" in w for w in words_of(svg))
    assert chart_png(chart, HOSTILE).startswith(b"\x89PNG")


class Blank:
    """A chart with nothing on it, so that a sheet is its title."""

    def paint_on(self, painter: QPainter, area: QRectF) -> Iterator[None]:
        """Nothing."""
        return iter(())

    def summary(self) -> str:
        """Nothing to say."""
        return ""


@pytest.mark.parametrize("text", HOSTILE_TEXTS, ids=range(len(HOSTILE_TEXTS)))
def test_whatever_the_title_is_the_file_is_sound(qapp: QApplication, text: str) -> None:
    # XML 1.0, 2.2: what no document may hold makes the reader refuse it.
    root = ElementTree.fromstring(chart_svg(Blank(), text))
    # A mark of byte order at the front is taken for one, and means nothing anywhere else.
    assert root.findtext(f"{SVG}title", "").strip("\ufeff") == plain(text).strip("\ufeff")
    assert {e.tag.removeprefix(SVG) for e in root.iter()} <= {
        "svg", "title", "desc", "defs", "g", "text", "path", "polyline", "rect",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("a\nb\tc", "a b c"),
        ("\x00x\x7f", "x"),
        ("\ud800", ""),
        ("grüße 羊", "grüße 羊"),
        ("a\u202eb\u2066", "ab"),
    ],
)
def test_plain_text(text: str, kept: str) -> None:
    assert plain(text) == kept


def test_a_long_title_is_shortened(chart: DriftChart) -> None:
    assert len(plain("x" * 5000)) == 200
    title = words_of(chart_svg(chart, "wide " * 100))[0]
    assert title.endswith("…")


def test_what_is_zoomed_into_is_what_is_written(chart: DriftChart) -> None:
    assert chart.plot is not None
    chart.plot.view.setRange(xRange=(9.5, 20.5), padding=0.0)
    words = words_of(chart_svg(chart, "Part"))
    numbers = {float(w) for w in words if w.replace(".", "").isdigit()}
    readings = numbers & set(range(1, 61))
    assert 10.0 in readings
    assert not readings & {1.0, 5.0, 30.0, 40.0, 50.0, 60.0}


def test_a_profile_is_written_too(qtbot: QtBot, reading: PictureReading) -> None:
    profile = ProfilePlot()
    qtbot.addWidget(profile)
    profile.set_strand(reading.strands[0])
    profile.show()
    words = words_of(chart_svg(profile, "Strand 1"))
    assert "mm along the strand" in words
    assert profile.summary() in words
    assert pixels(chart_png(profile, "Strand 1")).shape == (1280, 2400, 3)


def test_nothing_to_draw_is_an_error(qtbot: QtBot) -> None:
    for empty in (DriftChart(), ProfilePlot()):
        qtbot.addWidget(empty)
        with pytest.raises(ValueError, match=r"there (are|is) no"):
            chart_svg(empty, "Nothing")


@pytest.mark.parametrize("name", ["drift ü.png", "drift.SVG"])
def test_saving_goes_by_the_ending(chart: DriftChart, tmp_path: Path, name: str) -> None:
    file = tmp_path / name
    save_chart(chart, file, "Bobbin 1")
    start = file.read_bytes()[:5]
    assert start == (b"\x89PNG\r" if name.endswith("png") else b"<?xml")
    assert [f.name for f in tmp_path.iterdir()] == [name]


def test_it_is_written_beside_the_window_and_said(
    chart: DriftChart, qtbot: QtBot, tmp_path: Path
) -> None:
    """The same as written at once."""
    saver = ChartSaver(chart)
    file = tmp_path / "drift.png"
    with qtbot.waitSignal(saver.said) as said:
        saver.save(chart, file, "Bobbin 1")
    assert said.args == [f"Saved {file}."]
    assert file.read_bytes() == chart_png(chart, "Bobbin 1")
    with qtbot.waitSignal(saver.said) as said:
        saver.save(chart, tmp_path / "missing" / "drift.png", "Bobbin 1")
    assert "choose another place" in said.args[0]
    # The window closes while it is drawn: it is finished first.
    saver.save(chart, tmp_path / "last.svg", "Bobbin 1")
    saver.stop()
    assert (tmp_path / "last.svg").read_bytes() == chart_svg(chart, "Bobbin 1")


def test_a_chart_is_written_as_it_was_when_it_was_asked_for(
    qtbot: QtBot, chart: DriftChart, tmp_path: Path
) -> None:
    expected = chart_svg(chart, "Bobbin 1", SHEET_PX)
    saver = ChartSaver(chart)
    saver.save(chart, tmp_path / "drift.svg", "Bobbin 1")
    # Another bobbin, still empty, is chosen while it is being drawn.
    with qtbot.waitSignal(saver.said, timeout=30_000):
        chart.set_readings([])
        chart.set_trend(None)
        chart.set_band(None)
    saver.stop()
    points = [words_of(svg) for svg in (expected, (tmp_path / "drift.svg").read_bytes())]
    assert points[0] == points[1]


def test_what_cannot_be_saved_is_said_and_leaves_nothing(chart: DriftChart, tmp_path: Path) -> None:
    with pytest.raises(UseError, match=r"end it in \.png or \.svg"):
        save_chart(chart, tmp_path / "drift.bmp", "Bobbin 1")
    with pytest.raises(UseError, match="choose another place"):
        save_chart(chart, tmp_path / "missing" / "drift.png", "Bobbin 1")
    (tmp_path / "taken.png").mkdir()
    with pytest.raises(UseError, match="could not be written"):
        save_chart(chart, tmp_path / "taken.png", "Bobbin 1")
    assert [f.name for f in tmp_path.iterdir()] == ["taken.png"]
