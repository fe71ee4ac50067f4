"""The big reading: what it says, that it is big enough, and that nothing rests on colour alone."""

from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtGui import QColor, QImage, QPixmap

from app.window.big_reading import BigReading
from app.window.big_reading_figures import ends_shown
from app.window.theme import DARK, LIGHT
from measure.band import Band
from measure.live import LiveState
from measure.notes import refusal
from measure.results import WeightClass

BAND = Band.from_wpi(24, 30)
PX_PER_MM = 96 / 25.4
REASON = refusal("too_few_pixels", width_px=2.9, needed=8, share=36)


def state(wpi=27.0, half_percent=3.0, **changes):
    d, h = 25.4 / wpi, half_percent / 100
    return LiveState(
        diameter_mm=d,
        interval_mm=(d * (1 - h), d * (1 + h)),
        wpi=wpi,
        wpi_interval=(wpi / (1 + h), wpi / (1 - h)),
        weight_classes=(WeightClass(1, "Super Fine"), WeightClass(0, "Lace")),
        settled=True,
        **changes,
    )


@pytest.fixture
def panel(qtbot):
    widget = BigReading()
    qtbot.addWidget(widget)
    widget.resize(widget.sizeHint())
    widget.set_band(BAND)
    return widget


def pixels(widget, factor=1.0):
    """The widget painted at a device pixel ratio: (rows, columns, 3)."""
    size = widget.size() * factor
    pixmap = QPixmap(size)
    pixmap.setDevicePixelRatio(factor)
    widget.render(pixmap)
    image = pixmap.toImage().convertToFormat(QImage.Format.Format_RGB888)
    flat = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), -1)
    return flat[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def rgb(colour):
    c = QColor(colour)
    return np.array([c.red(), c.green(), c.blue()])


@pytest.mark.parametrize(
    ("wpi", "words"),
    [
        (27.0, "27.0, WPI, 26.2 to 27.8. in the band. Super Fine · Lace"),
        (24.2, "24.2, WPI, 23.5 to 24.9. in the band, perhaps. Super Fine · Lace"),
        (20.0, "20.0, WPI, 19.4 to 20.6. thicker. Super Fine · Lace"),
        (23.8, "23.8, WPI, 23.1 to 24.5. thicker, perhaps. Super Fine · Lace"),
        (40.0, "40.0, WPI, 38.8 to 41.2. thinner. Super Fine · Lace"),
    ],
)
def test_it_says_the_figure_its_interval_the_verdict_and_the_class(panel, wpi, words):
    panel.set_state(state(wpi))
    assert panel.spoken() == words
    assert panel.accessibleDescription() == words


def test_in_millimetres_it_shows_the_same_strand(panel):
    panel.set_state(state(25.4))
    panel.set_unit("mm")
    assert panel.spoken().startswith("1.00, mm, 0.97 to 1.03. in the band")


def test_without_a_band_it_judges_nothing(panel):
    panel.set_band(None)
    panel.set_state(state())
    assert "band" not in panel.spoken()


def test_without_a_reading_it_gives_cause_and_advice(panel):
    panel.set_state(LiveState(refusal=REASON, advice=REASON.advice))
    assert panel.spoken() == f"{REASON.text.rstrip('.')}. {REASON.advice.rstrip('.')}"
    panel.set_state(replace(state(), faded=True, refusal=REASON, advice=REASON.advice))
    assert "27" not in panel.spoken()
    panel.set_state(LiveState())
    assert panel.spoken() == "Lay a strand across the card"


def test_what_was_logged_is_said_until_the_strand_moves_on(panel):
    panel.set_state(state(hold=1.0, armed=False))
    panel.set_logged("Logged: 14")
    panel.set_state(state(27.1, hold=1.0, armed=False))
    assert panel.spoken().endswith("Logged: 14")
    panel.set_state(state())
    assert "Logged" not in panel.spoken()


@pytest.mark.parametrize("unit", ["wpi", "mm"])
def test_the_figure_is_25_mm_high_at_the_size_it_opens_with(panel, unit):
    """On a screen of 96 dots an inch; ten times a two-hundredth of 2 m is common practice."""
    panel.set_unit(unit)
    panel.set_state(state())
    ink = (np.abs(pixels(panel).astype(int) - rgb(LIGHT.ink)).max(axis=2) < 30).sum(axis=1)
    # Rows with more than a tenth of the width inked: only the figure has so much.
    rows = np.flatnonzero(ink > 0.1 * panel.width())
    tall = max(len(run) for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1))
    assert tall >= 25 * PX_PER_MM * 0.95  # a zero's or seven's thin rows may fall short of a tenth


def test_the_verdict_shows_without_any_colour(panel):
    """With all three verdicts in one colour, no two paintings are alike, down to the word alone."""
    one = replace(LIGHT, in_band="#444444", thicker="#444444", thinner="#444444")
    panel.set_theme(one)
    grabs = []
    for wpi in (27.0, 20.0, 40.0, 24.2, 23.8):
        panel.set_state(state(wpi))
        grabs.append(pixels(panel)[: panel.height() // 5])  # the word and the shape only
    for i, a in enumerate(grabs):
        for b in grabs[i + 1 :]:
            assert np.count_nonzero(np.abs(a.astype(int) - b).max(axis=2) > 60) > 200


def test_the_pin_stands_where_the_reading_lies(panel):
    """Left of, between and right of the posts; thick is to the right."""
    strips = {}
    for wpi in (32.0, 27.0, 23.0):
        panel.set_state(state(wpi, half_percent=0.5))
        near = np.abs(pixels(panel).astype(int) - rgb(LIGHT.ink)).max(axis=2) < 40
        track = near[round(0.68 * panel.height()) : round(0.78 * panel.height())]
        strips[wpi] = float(np.flatnonzero(track.any(axis=0)).mean()) / panel.width()
    post = 0.5 / 2.2  # half bands to the edge of the track, its length about the panel's
    assert strips[32.0] < 0.5 - 0.9 * post
    assert 0.5 - 0.9 * post < strips[27.0] < 0.5 + 0.9 * post
    assert strips[23.0] > 0.5 + 0.9 * post


@pytest.mark.parametrize("size", [(320, 300), (460, 480), (330, 700), (900, 260), (1600, 1000)])
@pytest.mark.parametrize("grown", [1.0, 1.5])
@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_nothing_reaches_the_rim_at_any_size(panel, size, grown, theme):
    font = panel.font()
    font.setPointSizeF(font.pointSizeF() * grown)
    panel.setFont(font)
    panel.resize(*size)
    panel.set_theme(theme)
    for shown in (
        state(20.0, armed=False),
        state(24.2),
        LiveState(refusal=REASON, advice=REASON.advice),
        replace(state(), faded=True, refusal=REASON, advice=REASON.advice),
    ):
        panel.set_state(shown)
        painted = pixels(panel)
        rim = np.concatenate([painted[:2].reshape(-1, 3), painted[-2:].reshape(-1, 3)])
        sides = np.concatenate([painted[:, :2].reshape(-1, 3), painted[:, -2:].reshape(-1, 3)])
        for edge in (rim, sides):
            assert np.abs(edge.astype(int) - rgb(theme.panel)).max() <= 1
        assert (np.abs(painted.astype(int) - rgb(theme.panel)).max(axis=2) > 60).mean() > 0.01


def test_at_two_device_pixels_it_is_painted_finer_not_blown_up(panel):
    panel.set_state(state())
    once, twice = pixels(panel), pixels(panel, 2.0)
    assert twice.shape[0] == 2 * once.shape[0]
    blown_up = once.repeat(2, axis=0).repeat(2, axis=1)
    assert np.count_nonzero(np.abs(twice.astype(int) - blown_up).max(axis=2) > 60) > 500


def test_a_frame_that_changes_nothing_that_is_seen_paints_nothing(qtbot):
    class Counting(BigReading):
        painted = 0

        def paintEvent(self, event):  # noqa: N802
            self.painted += 1
            super().paintEvent(event)

    panel = Counting()
    qtbot.addWidget(panel)
    panel.set_band(BAND)
    panel.show()
    qtbot.waitExposed(panel)
    panel.set_state(state())
    qtbot.waitUntil(lambda: panel.painted >= 1, timeout=30_000)
    qtbot.wait(30)
    before = panel.painted
    panel.set_state(state())
    qtbot.wait(30)
    assert panel.painted == before
    panel.set_state(state(27.4))
    qtbot.waitUntil(lambda: panel.painted == before + 1, timeout=30_000)


def test_a_strand_of_a_still_has_nothing_to_hold(panel, reading):
    strand = reading.strands[0]  # 1.25 mm, that is 20.3 WPI
    panel.set_state(state(20.0))
    live = pixels(panel)
    panel.set_strand(strand)
    assert panel.spoken() == "20.3, WPI, 19.9 to 20.7. thicker. Super Fine · Fine"
    foot = slice(round(0.9 * panel.height()), None)
    assert np.ptp(live[foot].astype(int)) > 50
    assert np.ptp(pixels(panel)[foot].astype(int)) < 10
    panel.set_strand(None, "Choose a strand.")
    assert panel.spoken() == "Choose a strand"


def test_a_bands_ends_have_few_digits():
    """To a hundredth of the band; of turns per inch a tenth, as the figure itself has."""
    assert ends_shown((28.0, 33.0)) == ("28", "33")
    assert ends_shown((0.451, 0.966)) == ("0.45", "0.97")
    assert ends_shown((5.4731, 6.6162)) == ("5.47", "6.62")
    assert ends_shown((5.4731, 6.6162), most=1) == ("5.5", "6.6")
