from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from app.window.profile_curves import ProfileCurves, cut_means, grounds_of
from app.window.profile_plot import ProfilePlot
from app.window.theme import DARK
from measure.band import Band
from measure.results import Along, PictureReading, StrandReading

INCH_MM = 25.4  # exactly, by the agreement of 1959


@pytest.fixture
def strand(reading: PictureReading) -> StrandReading:
    """100 mm in steps of 0.25 mm, not measured from 50 to 55 mm; grounds change every 14 mm."""
    return reading.strands[0]


@pytest.fixture
def profile(qtbot: QtBot) -> ProfilePlot:
    made = ProfilePlot()
    qtbot.addWidget(made)
    made.resize(800, 300)
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


def plot_of(profile: ProfilePlot) -> ProfileCurves:
    settle()
    assert profile.plot is not None
    return profile.plot


def thicker(strand: StrandReading, factor: float) -> StrandReading:
    along = replace(strand.along, diameter_mm=strand.along.diameter_mm * factor)
    return replace(strand, along=along, diameter_mm=strand.diameter_mm * factor)


def test_the_curve_is_the_profile_with_its_gap(profile: ProfilePlot, strand: StrandReading) -> None:
    profile.set_strand(strand)
    plot = plot_of(profile)
    x, y = plot.curve.getData()
    np.testing.assert_array_equal(x, strand.along.position_mm)
    np.testing.assert_allclose(np.exp(y), strand.along.diameter_mm, rtol=1e-12)
    joined = plot.curve.opts["connect"].astype(bool)
    expected = np.ones(400, bool)
    expected[199:220] = False  # the last before the gap, and all of it
    expected[399] = False
    np.testing.assert_array_equal(joined, expected)


def test_bars_are_means_of_one_millimetre(profile: ProfilePlot, strand: StrandReading) -> None:
    profile.set_strand(strand)
    x, y = plot_of(profile).cuts.getData()
    starts = x[::2]
    np.testing.assert_array_equal(x[1::2] - starts, 1.0)
    assert starts.tolist() == [*range(50), *range(55, 100)]
    # Four entries of 0.25 mm to a millimetre.
    plain = strand.along.diameter_mm.reshape(-1, 4).mean(axis=1)
    np.testing.assert_allclose(np.exp(y[::2]), plain[starts.astype(int)], rtol=1e-12)


def test_a_cut_of_which_little_was_measured_has_no_mean() -> None:
    along = Along(
        np.arange(8) * 0.25,
        np.array([1.0, np.nan, np.nan, np.nan, 1.0, 2.0, np.nan, np.nan]),
        np.full(8, 0.01),
        np.full(8, "dark"),
    )
    start, mean = cut_means(along)
    assert start.tolist() == [1.0]
    assert mean.tolist() == [1.5]


def test_grounds_are_stretches_that_break_where_nothing_was_measured(
    strand: StrandReading,
) -> None:
    grounds = grounds_of(strand.along)
    # Dark for 14 mm, light for 14 mm, and so on; a gap from 50 to 55 mm.
    assert [(g.kind, g.from_mm, g.to_mm) for g in grounds] == [
        ("dark", 0.0, 13.75),
        ("light", 14.0, 27.75),
        ("dark", 28.0, 41.75),
        ("light", 42.0, 49.75),
        ("light", 55.0, 55.75),
        ("dark", 56.0, 69.75),
        ("light", 70.0, 83.75),
        ("dark", 84.0, 97.75),
        ("light", 98.0, 99.75),
    ]


def test_thick_and_thin_places_are_marked_at_their_extremes(
    profile: ProfilePlot, strand: StrandReading
) -> None:
    profile.set_strand(strand)
    plot = plot_of(profile)
    # Of the three thick places two overlap and make one mark.
    x, y = plot.marks["thick"].getData()
    assert sorted(x.tolist()) == [21.5, 30.5]
    by_place = dict(zip(x.tolist(), np.exp(y).tolist(), strict=True))
    assert by_place[21.5] == pytest.approx(strand.diameter_mm * 1.31)
    assert by_place[30.5] == pytest.approx(strand.diameter_mm * 1.24)
    x, y = plot.marks["thin"].getData()
    assert x.tolist() == [81.0]
    assert np.exp(y[0]) == pytest.approx(strand.diameter_mm * 0.67)
    assert plot.marks["thick"].opts["symbol"] != plot.marks["thin"].opts["symbol"]


def test_band_and_mean_are_drawn_where_they_are(
    profile: ProfilePlot, strand: StrandReading
) -> None:
    profile.set_band(Band(1.1, 1.3))
    profile.set_strand(strand)
    plot = plot_of(profile)
    np.testing.assert_allclose(np.exp(plot.band_zone.getRegion()), (1.1, 1.3))
    assert np.exp(plot.middle.value()) == pytest.approx(strand.diameter_mm)
    profile.set_band(None)
    assert not plot.band_zone.isVisible()


def test_units_change_labels_and_not_places(profile: ProfilePlot, strand: StrandReading) -> None:
    profile.set_strand(strand)
    plot = plot_of(profile)
    before = plot.curve.getData()[1].copy()
    for unit, of_diameter in (("mm", lambda d: d), ("wpi", lambda d: INCH_MM / d)):
        profile.set_unit(unit)  # type: ignore[arg-type]
        [(_, heights)] = plot.left.tickValues(*plot.view.viewRange()[1], 220)
        for height, text in zip(heights, plot.left.tickStrings(heights, 1, 1), strict=True):
            assert float(text) == pytest.approx(of_diameter(np.exp(height)), abs=1e-6)
        np.testing.assert_array_equal(plot.curve.getData()[1], before)
    profile.set_inch(True)
    [(_, places)] = plot.lengths.tickValues(0.0, 100.0, 700)
    for place, text in zip(places, plot.lengths.tickStrings(places, 1, 1), strict=True):
        assert float(text) == pytest.approx(place / INCH_MM, abs=1e-9)
    assert " in ·" in profile.summary()


def test_a_live_profile_keeps_its_scale_until_it_must_change(
    profile: ProfilePlot, strand: StrandReading
) -> None:
    profile.set_strand(strand)
    plot = plot_of(profile)
    first = plot.view.viewRange()
    profile.set_strand(thicker(strand, 1.01))
    profile.set_strand(thicker(strand, 0.99))
    assert plot.view.viewRange() == first
    profile.set_strand(thicker(strand, 1.6))
    assert plot.view.viewRange()[1][1] > np.log(strand.diameter_mm * 1.6 * 1.31)
    assert plot.view.viewRange()[1][0] == first[1][0]


def test_it_empties_and_fills_again(profile: ProfilePlot, strand: StrandReading) -> None:
    settle()
    assert profile.plot is None
    assert profile._empty.isVisible()
    profile.set_strand(strand)
    settle()
    assert not profile._empty.isVisible()
    profile.set_strand(None)
    settle()
    assert profile._empty.isVisible()
    assert not profile._head.isVisible()


def test_a_strand_of_which_nothing_was_measured_is_no_trouble(
    profile: ProfilePlot, strand: StrandReading
) -> None:
    none = Along(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, "<U5"))
    profile.set_strand(replace(strand, along=none, uneven_places=()))
    plot = plot_of(profile)
    assert np.isfinite(plot.view.viewRange()).all()
    plot.grab()
    QTest.mouseMove(plot.viewport(), QPoint(200, 100))


def test_the_pointer_reads_the_profile(
    profile: ProfilePlot, strand: StrandReading, qtbot: QtBot
) -> None:
    profile.set_unit("mm")
    profile.set_strand(strand)
    plot = plot_of(profile)
    entry = 86  # 21.5 mm: dark from 0, light from 14 mm; the thick place runs from 20 to 23
    height = np.log(strand.along.diameter_mm[entry])

    def shown() -> bool:
        # Again, when a screen's own pointer came in between.
        at = QPointF(*plot.px_of(np.array([21.5]), np.array([height]))[0]).toPoint()
        QTest.mouseMove(plot.viewport(), at + QPoint(60, 0))
        QTest.mouseMove(plot.viewport(), at)
        settle()
        return profile._details.isVisible()

    qtbot.waitUntil(shown, timeout=30_000)
    text = profile._details.text()
    assert text.splitlines()[0] in ("at 21 mm", "at 22 mm")
    assert f"{strand.along.diameter_mm[entry]:.2f}" in text
    assert "light ground" in text
    assert "thick place, +31 %" in text
    QApplication.sendEvent(plot.viewport(), QEvent(QEvent.Type.Leave))
    assert not profile._details.isVisible()


def test_keys_zoom_and_reset(profile: ProfilePlot, strand: StrandReading, qtbot: QtBot) -> None:
    profile.set_strand(strand)
    plot = plot_of(profile)
    whole = plot.view.viewRange()
    qtbot.keyClick(plot, Qt.Key.Key_Plus)
    near = plot.view.viewRange()
    assert np.ptp(near[0]) < np.ptp(whole[0])
    profile.set_strand(thicker(strand, 1.01))
    np.testing.assert_allclose(plot.view.viewRange(), near)
    qtbot.keyClick(plot, Qt.Key.Key_0)
    np.testing.assert_allclose(plot.view.viewRange(), whole)


def test_theme_and_words(profile: ProfilePlot, strand: StrandReading) -> None:
    profile.set_theme(DARK)
    profile.set_strand(strand)
    plot = plot_of(profile)
    assert plot.accessibleName() == "Profile along the strand"
    # 25.4 / 1.25 WPI; 95 mm measured; two thick places left when one that overlaps is merged.
    assert profile.summary().startswith("20.3 ")
    assert "95 mm" in profile.summary()
    assert "CV 6.2 %" in profile.summary() or "CV 6.3 %" in profile.summary()
    assert "2 thick places · 1 thin place" in profile.summary()
    picture = plot.grab().toImage()
    assert alike(picture.pixelColor(picture.width() - 3, 3), DARK.panel)
