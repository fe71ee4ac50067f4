from __future__ import annotations

import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from chart_readings import many, reading
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QKeyEvent, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QVBoxLayout, QWidget
from pytestqt.qtbot import QtBot

from app.window.drift_chart import DriftChart
from app.window.drift_plot import DriftPlot
from app.window.drift_points import arrange, details
from app.window.theme import DARK, LIGHT
from measure.band import Band
from measure.drift import ReadingPoint, watch_drift

INCH_MM = 25.4  # exactly, by the agreement of 1959
BAND = Band(INCH_MM / 24, INCH_MM / 20)
SIX = [
    reading(1, 1.15, sitting="a", spun_g=1.0),
    reading(2, 1.26, sitting="a", spun_g=2.5),
    reading(3, 1.40, sitting="a", spun_g=None),
    reading(4, 0.95, sitting="b", spun_g=6.0),
    reading(5, 1.05, sitting="b", spun_g=7.0),
    reading(6, 1.16, sitting="b", spun_g=9.0),
]


@pytest.fixture
def chart(qtbot: QtBot) -> DriftChart:
    made = DriftChart()
    qtbot.addWidget(made)
    made.resize(900, 420)
    made.show()
    qtbot.waitExposed(made)
    return made


def alike(colour: QColor, wanted: str) -> bool:
    """The same colour on a screen of 16 bits too, as a virtual one may be."""
    pairs = zip(colour.getRgb(), QColor(wanted).getRgb(), strict=True)
    return all(abs(a - b) <= 8 for a, b in pairs)


def settle() -> None:
    for _ in range(3):
        QApplication.processEvents()


def plot_of(chart: DriftChart) -> DriftPlot:
    settle()
    assert chart.plot is not None
    return chart.plot


def spot(chart: DriftChart, entry: int) -> QPoint:
    return plot_of(chart).place_of(entry).toPoint()


def hover(chart: DriftChart, entry: int, qtbot: QtBot) -> None:
    """Move the pointer to a point; again when a screen's own pointer came in between."""

    def shown() -> bool:
        plot = plot_of(chart)
        QTest.mouseMove(plot.viewport(), spot(chart, entry) + QPoint(60, 60))
        QTest.mouseMove(plot.viewport(), spot(chart, entry))
        settle()
        return chart._details.isVisible()

    qtbot.waitUntil(shown, timeout=30_000)


def turn_wheel(plot: DriftPlot, at: QPoint, notches: int, held: Qt.KeyboardModifier) -> None:
    event = QWheelEvent(
        QPointF(at),
        QPointF(plot.viewport().mapToGlobal(at)),
        QPoint(),
        QPoint(0, 120 * notches),
        Qt.MouseButton.NoButton,
        held,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(plot.viewport(), event)
    settle()


# --- what is plotted is what was given


def test_every_reading_and_its_interval_is_plotted_where_it_belongs(chart: DriftChart) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    plot = plot_of(chart)
    spots = {
        (float(x), float(np.exp(y)))
        for cloud in plot.clouds.values()
        for x, y in zip(*cloud.getData(), strict=True)
    }
    assert len(spots) == len(SIX)
    for one in SIX:
        assert min(math.dist(s, (one.number, one.diameter_mm)) for s in spots) < 1e-12
    x, y = plot.intervals.getData()
    np.testing.assert_array_equal(x, np.repeat([r.number for r in SIX], 2))
    np.testing.assert_allclose(np.exp(y), np.ravel([r.interval_mm for r in SIX]), rtol=1e-12)


def test_shape_filling_and_colour_all_say_where_a_reading_lies(chart: DriftChart) -> None:
    chart.set_band(BAND)  # 1.058 to 1.270 mm
    chart.set_readings(SIX)
    plot = plot_of(chart)
    numbers = {key: cloud.getData()[0].tolist() for key, cloud in plot.clouds.items()}
    # By hand: 1.26 reaches up to 1.28, past 1.27; 1.05 is out but reaches 1.07, back in.
    assert numbers["in", True] == [1, 6]
    assert numbers["in", False] == [2]
    assert numbers["thicker", True] == [3]
    assert numbers["thinner", True] == [4]
    assert numbers["thinner", False] == [5]
    shapes = {
        place: plot.clouds[place, True].opts["symbol"] for place in ("in", "thicker", "thinner")
    }
    assert len(set(shapes.values())) == 3
    filled, hollow = (plot.clouds["in", sure].opts["brush"].color() for sure in (True, False))
    assert filled == QColor(LIGHT.in_band)
    assert hollow == QColor(LIGHT.panel)


def test_places_are_those_that_the_band_itself_gives(chart: DriftChart) -> None:
    readings = many(200)
    points = arrange(readings, "number", BAND)
    for entry, one in enumerate(readings):
        judged = BAND.judge(one.diameter_mm, one.interval_mm)
        assert (points.place[entry], points.sure[entry]) == (judged.place, judged.sure)


def test_without_a_band_all_are_alike(chart: DriftChart) -> None:
    chart.set_readings(SIX)
    plot = plot_of(chart)
    assert plot.clouds["none", True].getData()[0].tolist() == [1, 2, 3, 4, 5, 6]
    assert not plot.band_zone.isVisible()


def test_band_is_shaded_between_its_edges_and_they_are_named(chart: DriftChart) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    plot = plot_of(chart)
    assert plot.band_zone.isVisible()
    np.testing.assert_allclose(np.exp(plot.band_zone.getRegion()), (BAND.low_mm, BAND.high_mm))
    heights = plot.right.tickValues(-0.5, 0.5, 300)[0][1]
    assert plot.right.tickStrings(heights, 1.0, 1.0) == ["24 WPI", "20 WPI"]
    chart.set_unit("mm")
    assert plot.right.tickStrings(heights, 1.0, 1.0) == ["1.06 mm", "1.27 mm"]
    chart.set_band(None)
    assert not plot.band_zone.isVisible()


# --- the scale


@pytest.mark.parametrize("wrap", [1.0, 0.9])
def test_wpi_labels_stand_at_the_diameters_they_mean(chart: DriftChart, wrap: float) -> None:
    chart.set_readings(SIX)
    chart.set_unit("wpi", wrap)
    plot = plot_of(chart)
    low, high = plot.view.viewRange()[1]
    [(_, heights)] = plot.left.tickValues(low, high, 320)
    texts = plot.left.tickStrings(heights, 1.0, 1.0)
    assert len(texts) >= 4
    for height, text in zip(heights, texts, strict=True):
        # WPI = 25.4 mm / (diameter x wrap factor): the definition.
        assert float(text) == pytest.approx(INCH_MM / (math.exp(height) * wrap), abs=1e-6)


def test_mm_labels_stand_at_their_diameters(chart: DriftChart) -> None:
    chart.set_readings(SIX)
    chart.set_unit("mm")
    plot = plot_of(chart)
    [(_, heights)] = plot.left.tickValues(*plot.view.viewRange()[1], 320)
    for height, text in zip(heights, plot.left.tickStrings(heights, 1.0, 1.0), strict=True):
        assert float(text) == pytest.approx(math.exp(height), abs=1e-9)
    assert "mm" in plot.left.labelText


@pytest.mark.parametrize("unit", ["wpi", "mm"])
def test_labels_never_crowd(chart: DriftChart, unit: str) -> None:
    chart.set_readings(SIX)
    chart.set_unit("mm" if unit == "mm" else "wpi")
    plot = plot_of(chart)
    line = plot.left.metrics.height()
    for low, high in ((-0.05, 0.05), (-0.5, 0.7), (-2.0, 2.0), (0.1, 0.1001)):
        [(_, heights)] = plot.left.tickValues(low, high, 300)
        assert len(heights) >= 2
        assert np.diff(np.sort(heights)).min() * 300 / (high - low) > 1.2 * line


@pytest.mark.parametrize("unit", ["wpi", "mm"])
def test_thicker_is_up_in_either_unit(chart: DriftChart, unit: str) -> None:
    chart.set_readings(SIX)
    chart.set_unit("mm" if unit == "mm" else "wpi")
    assert spot(chart, 2).y() < spot(chart, 1).y() < spot(chart, 3).y()


# --- what it is laid out by


def test_time_is_spun_time_with_a_small_gap_for_a_pause(chart: DriftChart) -> None:
    minutes = [0.0, 4.0, 10.0, 3000.0, 3006.0]
    readings = [
        reading(k + 1, 1.1, sitting="a" if k < 3 else "b", minutes=m) for k, m in enumerate(minutes)
    ]
    points = arrange(readings, "time", None)
    steps = np.diff(points.x)
    np.testing.assert_allclose(steps[[0, 1, 3]], [4.0, 6.0, 6.0], rtol=1e-9)
    assert 0.5 <= steps[2] <= 6.0
    assert [(s.first, s.stop) for s in points.sittings] == [(0, 3), (3, 5)]
    assert points.x[2] < points.sittings[1].from_x < points.x[3]


def test_times_of_day_are_told_on_the_axis(chart: DriftChart) -> None:
    readings = [reading(k + 1, 1.1, minutes=10.0 * k) for k in range(7)]
    chart.set_readings(readings)
    chart.set_x("time")
    axis = plot_of(chart).bottom
    [(_, places)] = axis.tickValues(0.0, 60.0, 700)
    texts = axis.tickStrings(places, 1.0, 1.0)
    start = readings[0].taken_at.astimezone()
    for place, text in zip(places, texts, strict=True):
        hours, minutes = text.split(":")
        since = (int(hours) - start.hour) * 60 + int(minutes) - start.minute
        assert since % 1440 == pytest.approx(place)


def test_grams_leave_out_what_was_not_weighed_and_say_so(chart: DriftChart) -> None:
    chart.set_readings(SIX)
    chart.set_x("grams")
    settle()
    assert chart.points.x.tolist() == [1.0, 2.5, 6.0, 7.0, 9.0]
    assert chart.points.left_out == 1
    assert chart._foot.isVisible()
    assert "1 reading " in chart._foot.text()
    chart.set_x("number")
    assert not chart._foot.isVisible()


def test_sittings_are_told_apart_by_a_line_and_a_date(chart: DriftChart) -> None:
    chart.set_readings([replace(r, taken_at=SIX[0].taken_at) for r in SIX])
    plot = plot_of(chart)
    assert [s.from_x for s in chart.points.sittings] == [1.0, 3.5]
    from PySide6.QtGui import QImage, QPainter

    image = QImage(10, 10, QImage.Format.Format_RGB32)
    painter = QPainter(image)
    _, lines, words = plot.axes["top"].generateDrawSpecs(painter)
    painter.end()
    assert len(lines) == 1
    assert [text.startswith("20 Nov 2026") for _, _, text in words] == [True, True]


# --- the trend


def test_trend_is_drawn_as_given_and_broken_between_sittings(chart: DriftChart) -> None:
    readings = many(60)
    trend = watch_drift([ReadingPoint(r.diameter_mm, r.u_diameter_mm) for r in readings])
    chart.set_readings(readings)
    chart.set_trend(trend)
    plot = plot_of(chart)
    x, y = plot.mean.getData()
    np.testing.assert_array_equal(x, np.arange(1, 61))
    np.testing.assert_allclose(np.exp(y), trend.ewma_mm, rtol=1e-12)
    assert plot.mean.opts["connect"].tolist() == [1] * 39 + [0] + [1] * 19 + [0]
    _, limits = plot.limits.getData()
    both = np.concatenate([trend.lower_mm, trend.upper_mm])
    np.testing.assert_allclose(np.exp(limits), both, rtol=1e-12)
    joined = plot.limits.opts["connect"].astype(bool)
    # The limits begin once the first readings are in, and the two lines are not one.
    assert not joined[~np.isfinite(both)].any()
    assert not joined[59]
    chart.set_trend(None)
    assert plot.mean.getData()[0] is None or not len(plot.mean.getData()[0])


def test_a_trend_made_before_the_newest_reading_still_draws(chart: DriftChart) -> None:
    readings = many(30)
    chart.set_readings(readings[:29])
    chart.set_trend(watch_drift([ReadingPoint(r.diameter_mm, 0.01) for r in readings[:29]]))
    chart.add(readings[29])
    assert plot_of(chart).mean.getData()[0].tolist() == list(range(1, 30))
    chart.remove(readings[5].id)
    # Which entry belongs to which reading is not known any more.
    assert plot_of(chart).mean.getData()[0] is None or not len(plot_of(chart).mean.getData()[0])


def test_alarms_are_marked_on_the_running_mean(chart: DriftChart) -> None:
    readings = [reading(k + 1, 1.1 if k < 15 else 1.35, u_mm=0.005) for k in range(30)]
    trend = watch_drift([ReadingPoint(r.diameter_mm, r.u_diameter_mm) for r in readings])
    assert trend.alarms
    chart.set_readings(readings)
    chart.set_trend(trend)
    assert plot_of(chart).alarms.getData()[0].tolist() == [a + 1 for a in trend.alarms]


# --- pointing and choosing


@pytest.mark.parametrize("along", ["number", "time", "grams"])
def test_a_click_chooses_the_reading_under_it(chart: DriftChart, qtbot: QtBot, along: str) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    chart.set_x(along)  # type: ignore[arg-type]
    plot = plot_of(chart)
    for entry, one in enumerate(chart.points.readings):
        with qtbot.waitSignal(chart.chosen, timeout=30_000) as caught:
            qtbot.mouseClick(
                plot.viewport(), Qt.MouseButton.LeftButton, pos=spot(chart, entry) + QPoint(3, -2)
            )
        assert caught.args == [one.id]
        assert plot.marked.getData()[0].tolist() == [chart.points.x[entry]]


def test_a_click_on_nothing_chooses_nothing(chart: DriftChart, qtbot: QtBot) -> None:
    chart.set_readings(SIX)
    plot = plot_of(chart)
    away = spot(chart, 0) + QPoint(0, 40)
    with qtbot.assertNotEmitted(chart.chosen, wait=50):
        qtbot.mouseClick(plot.viewport(), Qt.MouseButton.LeftButton, pos=away)
        qtbot.mouseClick(plot.viewport(), Qt.MouseButton.RightButton, pos=spot(chart, 0))


def test_keys_walk_the_points_and_enter_chooses(chart: DriftChart, qtbot: QtBot) -> None:
    chart.set_readings(SIX)
    plot = plot_of(chart)
    plot.setFocus()
    seen = []
    for key in ("Left", "Left", "Home", "Left", "Right", "End", "Right"):
        qtbot.keyClick(plot, getattr(Qt.Key, f"Key_{key}"))
        seen.append(plot.pointed.getData()[0].tolist())
    # The first press goes to the newest; at the ends nothing wraps around.
    assert seen == [[6], [5], [1], [1], [2], [6], [6]]
    assert chart._details.isVisible()
    with qtbot.waitSignal(chart.chosen, timeout=30_000) as caught:
        qtbot.keyClick(plot, Qt.Key.Key_Return)
    assert caught.args == ["id6"]
    qtbot.keyClick(plot, Qt.Key.Key_Escape)
    assert not chart._details.isVisible()


def test_walking_while_zoomed_brings_the_point_into_view(chart: DriftChart, qtbot: QtBot) -> None:
    chart.set_readings(many(100))
    plot = plot_of(chart)
    for _ in range(6):
        qtbot.keyClick(plot, Qt.Key.Key_Plus)
    qtbot.keyClick(plot, Qt.Key.Key_End)
    low, high = plot.view.viewRange()[0]
    assert low < 100 < high
    qtbot.keyClick(plot, Qt.Key.Key_Home)
    low, high = plot.view.viewRange()[0]
    assert low < 1 < high
    assert high < 90


def test_hovering_tells_what_is_known_and_leaving_ends_it(chart: DriftChart, qtbot: QtBot) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    plot = plot_of(chart)
    hover(chart, 3, qtbot)
    text = chart._details.text()
    assert text.startswith("Reading 4 ")
    assert "26.7" in text  # 25.4 / 0.95
    assert "thinner than the band" in text
    assert "6 g spun" in text
    assert plot.accessibleDescription() == text
    QApplication.sendEvent(plot.viewport(), QEvent(QEvent.Type.Leave))
    assert not chart._details.isVisible()


def test_a_note_is_words_and_never_markup(chart: DriftChart) -> None:
    note = '<img src="x">\n\t' + "long " * 100
    chart.set_readings([reading(1, 1.1, note=note)])
    text = details(chart.points, 0, "wpi", 1.0)
    assert '<img src="x"> long' in text
    assert len(text.splitlines()[-1]) <= 120
    chart._point(0)
    assert chart._details.textFormat() == Qt.TextFormat.PlainText


def test_keys_that_are_not_the_charts_reach_the_window(qtbot: QtBot) -> None:
    class Window(QWidget):
        def __init__(self) -> None:
            super().__init__()
            self.keys: list[int] = []

        def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
            self.keys.append(event.key())

    window = Window()
    qtbot.addWidget(window)
    chart = DriftChart()
    QVBoxLayout(window).addWidget(chart)
    window.show()
    chart.set_readings(SIX)
    plot = plot_of(chart)
    for key in (Qt.Key.Key_Space, Qt.Key.Key_Z, Qt.Key.Key_U, Qt.Key.Key_Left):
        qtbot.keyClick(plot, key)
    assert window.keys == [Qt.Key.Key_Space, Qt.Key.Key_Z, Qt.Key.Key_U]


# --- zooming


def test_the_wheel_zooms_about_the_pointer_and_a_double_click_shows_all(
    chart: DriftChart, qtbot: QtBot
) -> None:
    chart.set_readings(many(80))
    plot = plot_of(chart)
    whole = plot.view.viewRange()
    at = spot(chart, 20)
    turn_wheel(plot, at, 4, Qt.KeyboardModifier.NoModifier)
    (low, high), up = plot.view.viewRange()
    assert high - low == pytest.approx((whole[0][1] - whole[0][0]) / 1.2**4)
    assert up == whole[1]
    assert abs(spot(chart, 20).x() - at.x()) <= 1
    turn_wheel(plot, at, 2, Qt.KeyboardModifier.ControlModifier)
    assert plot.view.viewRange()[0] == [low, high]
    assert np.ptp(plot.view.viewRange()[1]) == pytest.approx(np.ptp(whole[1]) / 1.2**2)
    assert plot.is_zoomed
    qtbot.mouseDClick(plot.viewport(), Qt.MouseButton.LeftButton, pos=at + QPoint(0, 60))
    settle()
    np.testing.assert_allclose(plot.view.viewRange(), whole)
    assert not plot.is_zoomed


def test_keys_zoom_move_and_reset(chart: DriftChart, qtbot: QtBot) -> None:
    chart.set_readings(many(80))
    plot = plot_of(chart)
    whole = plot.view.viewRange()
    qtbot.keyClick(plot, Qt.Key.Key_Plus)
    near = plot.view.viewRange()
    assert np.ptp(near[0]) < np.ptp(whole[0])
    qtbot.keyClick(plot, Qt.Key.Key_PageUp)
    assert plot.view.viewRange()[0][0] < near[0][0]
    qtbot.keyClick(plot, Qt.Key.Key_Plus, Qt.KeyboardModifier.ControlModifier)
    assert np.ptp(plot.view.viewRange()[1]) < np.ptp(whole[1])
    qtbot.keyClick(plot, Qt.Key.Key_0)
    np.testing.assert_allclose(plot.view.viewRange(), whole)


def test_a_new_reading_comes_into_view_unless_someone_zoomed(
    chart: DriftChart, qtbot: QtBot
) -> None:
    readings = many(30)
    chart.set_readings(readings[:20])
    plot = plot_of(chart)
    chart.add(reading(21, 2.0))
    (_, right), (_, top) = plot.view.viewRange()
    assert right > 21
    assert top > math.log(2.0)
    qtbot.keyClick(plot, Qt.Key.Key_Plus)
    near = plot.view.viewRange()
    chart.add(reading(22, 1.1))
    np.testing.assert_allclose(plot.view.viewRange(), near)


# --- few, none, many


def test_nothing_to_show_is_said(chart: DriftChart) -> None:
    settle()
    assert chart.plot is None
    assert chart._empty.isVisible()
    assert "No readings" in chart._empty.text()
    words = chart._empty.text()
    chart.set_readings([reading(1, 1.1)])
    settle()
    assert not chart._empty.isVisible()
    chart.set_x("grams")
    settle()
    assert chart._empty.isVisible()
    assert "how much fibre" in chart._empty.text()
    chart.set_x("number")
    chart.remove("id1")
    settle()
    assert chart._empty.text() == words


def test_a_reading_taken_back_and_put_back_is_where_it_was(chart: DriftChart) -> None:
    chart.set_readings(SIX)
    chart.remove("id3")
    chart.remove("not there")
    assert chart.points.x.tolist() == [1, 2, 4, 5, 6]
    chart.add(SIX[2])
    assert [r.id for r in chart.points.readings] == [f"id{k}" for k in range(1, 7)]


def test_an_interval_that_reaches_to_nothing_is_drawn(chart: DriftChart) -> None:
    chart.set_readings([reading(1, 1.0, u_mm=0.9), reading(2, 1.1)])
    plot = plot_of(chart)
    assert np.isfinite(plot.intervals.getData()[1]).all()
    assert np.isfinite(plot.view.viewRange()).all()
    assert "inf" not in details(chart.points, 1, "wpi", 1.0)
    assert details(chart.points, 0, "wpi", 1.0)


def test_of_ten_thousand_readings_the_reach_is_kept_and_zooming_in_gives_each(
    chart: DriftChart,
) -> None:
    readings = many(10_000)
    chart.set_band(BAND)
    chart.set_readings(readings)
    plot = plot_of(chart)
    assert sum(len(cloud.getData()[0]) for cloud in plot.clouds.values()) == 10_000
    x, y = plot.intervals.getData()
    assert len(x) <= 2 * 2500
    assert np.exp(y.min()) == pytest.approx(min(r.interval_mm[0] for r in readings))
    assert np.exp(y.max()) == pytest.approx(max(r.interval_mm[1] for r in readings))
    plot.view.setRange(xRange=(4000.5, 4100.5), padding=0.0)
    settle()
    x, y = plot.intervals.getData()
    assert x.tolist() == np.repeat(np.arange(4001, 4101), 2).tolist()
    np.testing.assert_allclose(
        np.exp(y), np.ravel([r.interval_mm for r in readings[4000:4100]]), rtol=1e-12
    )


# --- looks


def test_the_theme_colours_it_all(chart: DriftChart) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    plot = plot_of(chart)
    for theme in (DARK, LIGHT):
        chart.set_theme(theme)
        settle()
        picture = plot.grab().toImage()
        assert alike(picture.pixelColor(picture.width() - 3, 3), theme.panel)
        assert plot.clouds["thicker", True].opts["brush"].color() == QColor(theme.thicker)
        assert theme.thicker in chart._head.text()


def test_larger_fonts_get_the_room_they_need(chart: DriftChart) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    plot = plot_of(chart)
    plot.grab()
    settle()
    before = [plot.axes[name].geometry() for name in ("left", "bottom", "top", "right")]
    font = chart.font()
    font.setPointSizeF(font.pointSizeF() * 1.5)
    chart.setFont(font)
    settle()
    plot.grab()
    settle()
    after = [plot.axes[name].geometry() for name in ("left", "bottom", "top", "right")]
    assert after[0].width() > before[0].width()
    assert after[1].height() > before[1].height()
    assert after[2].height() > before[2].height()
    assert after[3].width() > before[3].width()


def test_a_low_chart_leaves_out_what_has_no_room(chart: DriftChart) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    settle()
    assert chart._head.isVisible()
    plot = plot_of(chart)
    assert plot.left.labelText == "WPI (thicker is up)"
    assert plot.bottom.label.isVisible()
    chart.resize(600, 150)
    settle()
    assert not chart._head.isVisible()
    assert plot.left.labelText == "WPI"
    chart.resize(600, 120)
    settle()
    assert not plot.bottom.label.isVisible()
    chart.resize(900, 420)
    settle()
    assert plot.bottom.label.isVisible()


def test_it_has_a_name_and_says_its_figures(chart: DriftChart) -> None:
    chart.set_band(BAND)
    chart.set_readings(SIX)
    plot = plot_of(chart)
    assert plot.accessibleName() == "Drift chart"
    assert "6 readings in 2 sittings" in plot.accessibleDescription()
    assert "3 in the band, 1 thicker, 2 thinner" in chart.summary()
    assert chart.focusProxy() is plot


def test_the_plots_are_loaded_when_wanted_and_can_be_loaded_beside_the_window() -> None:
    script = """
import sys
from PySide6.QtWidgets import QApplication
application = QApplication([])
from chart_readings import many
from app.window.drift_chart import DriftChart
from app.window.later import OF_THE_GAUGE, Loading
from app.window.profile_plot import ProfilePlot
chart, profile = DriftChart(), ProfilePlot()
chart.resize(600, 300)
chart.grab()
assert "pyqtgraph" not in sys.modules
done = []
thread = Loading(OF_THE_GAUGE, lambda: done.append("pyqtgraph" in sys.modules))
while thread.is_alive():
    application.processEvents()
assert done == [True]
chart.set_readings(many(30))
chart.grab()
print(len(chart.plot.clouds["none", True].getData()[0]))
"""
    root = Path(__file__).parents[3]
    paths = [str(root), str(root / "tests" / "support"), os.environ.get("PYTHONPATH", "")]
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths), "QT_QPA_PLATFORM": "offscreen"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, "30", "")
