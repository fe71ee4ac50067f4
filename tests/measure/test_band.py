"""The band against arithmetic done by hand and the mirror between diameters and wraps.

25.4 mm to the inch is exact (international yard and pound agreement, 1959); wraps per inch are
25.4 / (diameter x wrap factor) by docs/definitions.md.
"""

import math
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from measure.band import OPEN_END_FACTOR, Band
from measure.weight_class import BELLAONLINE, CHARTS, CRAFT_YARN_COUNCIL, SPIN_OFF, ClassRange

diameters = st.floats(0.05, 20.0)
factors = st.floats(0.5, 1.5)
percents = st.floats(0.5, 95.0)


@st.composite
def bands(draw):
    low = draw(diameters)
    return Band(low, low * draw(st.floats(1.01, 3.0)))


def test_twenty_to_thirty_wraps_worked_by_hand():
    band = Band.from_wpi(20, 30)
    assert band.high_mm == pytest.approx(1.27)  # 25.4 / 20
    assert band.low_mm == pytest.approx(0.846667, abs=1e-6)  # 25.4 / 30
    assert band.middle_mm == pytest.approx(1.036951, abs=1e-6)  # root of the two's product


def test_a_wrap_factor_below_one_makes_the_same_wraps_a_thicker_strand():
    # Packed to 0.8 of touching turns, 20 wraps are 25.4 / (20 x 0.8) mm apart before packing.
    assert Band.from_wpi(20, 30, wrap_factor=0.8).high_mm == pytest.approx(1.5875)


@given(bands(), factors)
def test_wraps_mirror_millimetres(band, wrap_factor):
    assert band.low_wpi(wrap_factor) * band.high_mm * wrap_factor == pytest.approx(25.4)
    assert band.high_wpi(wrap_factor) * band.low_mm * wrap_factor == pytest.approx(25.4)
    assert band.middle_wpi(wrap_factor) == pytest.approx(
        math.sqrt(band.low_wpi(wrap_factor) * band.high_wpi(wrap_factor))
    )
    back = Band.from_wpi(band.low_wpi(wrap_factor), band.high_wpi(wrap_factor), wrap_factor)
    assert (back.low_mm, back.high_mm) == pytest.approx((band.low_mm, band.high_mm))


@given(diameters, percents, factors)
def test_the_per_cent_are_the_same_in_either_unit(middle, percent, wrap_factor):
    wraps = 25.4 / (middle * wrap_factor)
    band = Band.around_wpi(wraps, percent, wrap_factor)
    assert band.low_wpi(wrap_factor) == pytest.approx(wraps * (1 - percent / 100))
    assert band.high_wpi(wrap_factor) == pytest.approx(wraps * (1 + percent / 100))
    # Of 1/(1+p) and 1/(1-p) half the difference over half the sum is p.
    half, mean = (band.high_mm - band.low_mm) / 2, (band.high_mm + band.low_mm) / 2
    assert 100 * half / mean == pytest.approx(percent)
    in_mm = Band.around_mm(middle / (1 - (percent / 100) ** 2), percent)
    assert (in_mm.low_mm, in_mm.high_mm) == pytest.approx((band.low_mm, band.high_mm))


@given(bands(), diameters)
def test_position_runs_from_end_to_end_and_turns_round_in_wraps(band, diameter):
    assert band.position(band.low_mm) == pytest.approx(-1)
    assert band.position(band.middle_mm) == pytest.approx(0, abs=1e-9)
    assert band.position(band.high_mm) == pytest.approx(1)
    mirrored = Band(1 / band.high_mm, 1 / band.low_mm)
    assert mirrored.position(1 / diameter) == pytest.approx(-band.position(diameter), abs=1e-6)


def test_an_interval_that_reaches_below_nothing_is_endlessly_thin():
    assert Band(0.5, 1.0).position(-0.1) == -math.inf
    assert Band(0.5, 1.0).position(0.0) == -math.inf


@given(bands(), diameters, st.floats(0.0, 0.5), st.floats(0.0, 0.5))
def test_judgement_says_the_side_and_is_sure_only_when_the_interval_is(band, d, below, above):
    interval = (d - below * d, d + above * d)
    said = band.judge(d, interval)
    inside = band.low_mm <= d <= band.high_mm
    assert (said.place == "in") == inside
    assert (said.place == "thicker") == (d > band.high_mm)
    assert (said.beyond_percent == 0) == inside
    assert said.beyond_percent * said.off_percent >= 0
    # Sure: every diameter of the interval would be judged the same; its ends are its extremes.
    at_ends = {band.judge(x, (x, x)).place for x in interval}
    assert said.sure == (at_ends == {said.place})


@given(bands(), diameters, st.floats(0.001, 0.3), factors)
def test_a_change_of_unit_changes_no_judgement(band, d, relative, wrap_factor):
    # Not within rounding of an end, where the way through wraps may fall on its other side.
    ends = [d, d * (1 - relative), d * (1 + relative)]
    assume(all(abs(x / e - 1) > 1e-9 for x in ends for e in (band.low_mm, band.high_mm)))
    again = Band.from_wpi(band.low_wpi(wrap_factor), band.high_wpi(wrap_factor), wrap_factor)
    interval = (d * (1 - relative), d * (1 + relative))
    one, two = band.judge(d, interval), again.judge(d, interval)
    assert (one.place, one.sure) == (two.place, two.sure)


def test_figures_beside_the_band_worked_by_hand():
    band = Band(0.8, 1.25)  # the middle is the root of 1.0
    said = band.judge(1.5, (1.3, 1.7))
    assert (said.place, said.sure) == ("thicker", True)
    assert said.off_percent == pytest.approx(50)
    assert said.beyond_percent == pytest.approx(20)
    unsure = band.judge(0.76, (0.72, 0.8))
    assert (unsure.place, unsure.sure) == ("thinner", False)
    assert unsure.off_percent == pytest.approx(-24)
    assert unsure.beyond_percent == pytest.approx(-5)


def test_named_classes_give_their_printed_ends():
    sport = next(c for c in SPIN_OFF.classes if c.name == "Sport")
    band = Band.from_class(sport)
    assert (band.low_wpi(), band.high_wpi()) == pytest.approx((14, 15))
    lace = CRAFT_YARN_COUNCIL.classes[0]  # printed 30-40+
    assert Band.from_class(lace).high_wpi() == pytest.approx(40)
    assert Band.from_class(lace, 0.8).high_wpi(0.8) == pytest.approx(40)


def test_open_classes_are_closed_past_their_only_end():
    finest, coarsest = SPIN_OFF.classes[0], BELLAONLINE.classes[-1]
    assert Band.from_class(finest).low_wpi() == pytest.approx(18)
    assert Band.from_class(finest).high_wpi() == pytest.approx(18 * OPEN_END_FACTOR)
    assert Band.from_class(coarsest).high_wpi() == pytest.approx(5)
    assert Band.from_class(coarsest).low_wpi() == pytest.approx(5 / OPEN_END_FACTOR)
    coarse_with_more = ClassRange(9, "Rope", None, 4, open_beyond_wpi=1)
    assert Band.from_class(coarse_with_more).low_wpi() == pytest.approx(1)


@pytest.mark.parametrize("chart", CHARTS.values(), ids=lambda c: c.name)
def test_a_class_holds_what_its_printed_ends_hold_and_nothing_past_them(chart):
    for weight_class in chart.classes:
        band = Band.from_class(weight_class)
        for end, past in ((weight_class.wpi_low, "thicker"), (weight_class.wpi_high, "thinner")):
            if end is None:
                continue
            inward = 1.001 if past == "thicker" else 1 / 1.001
            inside, outside = 25.4 / (end * inward), 25.4 / (end / inward)
            assert band.judge(inside, (inside, inside)).place == "in"
            assert band.judge(outside, (outside, outside)).place == past


@pytest.mark.parametrize(
    "make",
    [
        lambda: Band(0.0, 1.0),
        lambda: Band(1.0, 1.0),
        lambda: Band(2.0, 1.0),
        lambda: Band(1.0, math.inf),
        lambda: Band(math.nan, 1.0),
        lambda: Band.from_wpi(30, 20),
        lambda: Band.from_wpi(0, 20),
        lambda: Band.from_wpi(10, 20, wrap_factor=0),
        lambda: Band.around_mm(1.0, 0),
        lambda: Band.around_mm(1.0, 100),
        lambda: Band.around_mm(0.0, 10),
        lambda: Band.around_wpi(math.nan, 10),
        lambda: Band(0.5, 1.0).judge(0.7, (0.8, 0.9)),
    ],
)
def test_what_is_no_band_or_no_reading_is_refused(make):
    with pytest.raises(ValueError, match=r"band|positive|interval"):
        make()


def test_a_band_cannot_be_changed_and_equals_its_like():
    band = Band(0.5, 0.6)
    with pytest.raises(FrozenInstanceError):
        band.low_mm = 0.4
    assert band == Band(0.5, 0.6)
    assert len({band, Band(0.5, 0.6)}) == 1
