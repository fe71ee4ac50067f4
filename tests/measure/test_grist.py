"""Length and grist of a skein by every way, against published worked values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.grist import (
    Amount,
    SkeinAmounts,
    chosen_route,
    disagreements,
    in_count,
    in_yards,
    routes_of,
)
from measure.yarn import G_PER_OUNCE, M_PER_YARD, convert_count, folded_count


def test_a_hundred_grams_of_two_hundred_metres() -> None:
    """500 tex, 992.109 yd/lb, 50 g per 100 m: by the definitions of ISO 1144."""
    (route,) = routes_of(SkeinAmounts(weight_g=Amount(100.0), counted_m=Amount(200.0)))
    assert route.tex is not None
    assert f"{route.tex.value:.0f}" == "500"
    assert f"{in_count(route.tex, 'yd_per_lb').value:.3f}" == "992.109"
    assert f"{in_count(route.tex, 'g_per_100m').value:.0f}" == "50"
    assert f"{in_count(route.tex, 'm_per_100g').value:.0f}" == "200"


def test_four_ounces_of_425_yards() -> None:
    """1700 yd/lb (schoolofsweetgeorgia.com, on wraps per inch); 291.797 tex by ISO 1144."""
    length = Amount(425 * M_PER_YARD)
    (route,) = routes_of(SkeinAmounts(weight_g=Amount(4 * G_PER_OUNCE), counted_m=length))
    assert route.tex is not None
    assert f"{route.tex.value:.3f}" == "291.797"
    assert f"{in_count(route.tex, 'yd_per_lb').value:.0f}" == "1700"
    assert f"{in_yards(length).value:.0f}" == "425"
    # 113 g taken for four ounces: 1706.0, by arithmetic.
    (rough,) = routes_of(SkeinAmounts(weight_g=Amount(113.0), counted_m=length))
    assert rough.tex is not None
    assert f"{in_count(rough.tex, 'yd_per_lb').value:.1f}" == "1706.0"


def test_a_reel_that_is_shorter_than_its_name_and_the_skein_itself() -> None:
    """A nominal 2 yd reel that is 1.95 yd round: +2.56 % (arithmetic), and it is found out."""
    named = SkeinAmounts(circumference_m=Amount(2 * M_PER_YARD), rounds=100.0)
    real = SkeinAmounts(circumference_m=Amount(1.95 * M_PER_YARD), rounds=100.0)
    lengths = [routes_of(one)[0].length_m for one in (named, real)]
    assert lengths[0] is not None
    assert lengths[1] is not None
    assert f"{100 * (lengths[0].value / lengths[1].value - 1):.2f}" == "2.56"
    assert f"{in_yards(lengths[1]).value:.0f}" == "195"
    both = SkeinAmounts(
        circumference_m=Amount(2 * M_PER_YARD),
        rounds=100.0,
        counted_m=Amount.within(195 * M_PER_YARD, 0.5),
    )
    (found,) = disagreements(routes_of(both))
    assert found.of == "length"
    assert found.sentence.startswith(
        "by circumference times rounds the yarn is 2.6 % (1.9 to 3.2 %) longer than by the counted"
    )


def test_two_skeins_of_one_spinner() -> None:
    """254 yd of 2.125 oz and 261 yd of 2.375 oz are 1912 and 1758 yd/lb by arithmetic; printed
    as 1900 and 1700 (A. Franquemont, The Effects of Twist in Plying Yarn, interweave.com)."""
    for yards, ounces, exact in ((254, 2.125, "1912"), (261, 2.375, "1758")):
        amounts = SkeinAmounts(
            weight_g=Amount(ounces * G_PER_OUNCE), counted_m=Amount(yards * M_PER_YARD)
        )
        (route,) = routes_of(amounts)
        assert route.tex is not None
        assert f"{in_count(route.tex, 'yd_per_lb').value:.0f}" == exact


def test_counts_that_are_printed() -> None:
    """ASTM D2260, examples 1 and 2; folding after Brooks p. 91 and Taylor p. 239 (bitlit.ru)."""
    assert f"{convert_count(10, 'cotton', 'worsted'):.0f}" == "15"
    assert f"{convert_count(30, 'tex', 'cotton'):.1f}" == "19.7"
    assert f"{folded_count([40, 20], 'cotton'):.2f}" == "13.33"
    assert f"{folded_count([60, 40], 'cotton'):.0f}" == "24"
    # 21.818...: Taylor cuts it off at 21.81.
    assert math.floor(100 * folded_count([40, 80, 120], "cotton")) == 2181
    # 2000 tex, the limit of ISO 2060:1994, is 248 yd/lb: by ISO 1144.
    assert f"{convert_count(2000, 'tex', 'yd_per_lb'):.0f}" == "248"


def test_doubts_add_as_the_gum_says() -> None:
    """Of a product the relative variances add (GUM 5.1.6); a limit over root 3 (GUM 4.3.7)."""
    amounts = SkeinAmounts(
        weight_g=Amount.within(100.0, 1.0),
        circumference_m=Amount.within(1.5, 0.02),
        rounds=120.0,
    )
    (route,) = routes_of(amounts)
    assert route.length_m is not None
    assert route.tex is not None
    root3 = math.sqrt(3)
    u_length = math.hypot(0.02 / 1.5, 0.5 / 120) / root3
    assert route.length_m.value == pytest.approx(180.0, rel=1e-12)
    assert route.length_m.u_relative == pytest.approx(u_length, rel=1e-12)
    assert route.tex.u_relative == pytest.approx(math.hypot(u_length, 0.01 / root3), rel=1e-12)
    low, high = route.length_m.interval
    assert low * high == pytest.approx(180.0**2, rel=1e-12)
    assert math.log(high / 180) == pytest.approx(1.959964 * u_length, rel=1e-6)


def all_ways(sample_g: float) -> SkeinAmounts:
    return SkeinAmounts(
        weight_g=Amount.within(100.0, 1.0),
        circumference_m=Amount.within(1.5, 0.01),
        rounds=134.0,
        sample_length_m=Amount.within(2.0, 0.005),
        sample_weight_g=Amount.within(sample_g, 0.005),
        grist_tex=Amount.within(500.0, 10.0),
        counted_m=Amount.within(200.0, 2.0),
    )


def test_ways_that_agree_and_one_that_does_not() -> None:
    routes = routes_of(all_ways(1.0))
    assert [r.name for r in routes] == ["rounds", "counter", "sample", "grist"]
    assert all(r.length_m and abs(r.length_m.value - 200) < 1.1 for r in routes)
    assert disagreements(routes) == ()
    odd = disagreements(routes_of(all_ways(1.1)))
    assert {(d.first.name, d.second.name, d.of) for d in odd} == {
        ("rounds", "sample", "grist"),
        ("counter", "sample", "grist"),
        ("sample", "grist", "grist"),
    }
    assert odd[-1].percent == pytest.approx(10.0)
    assert "10.0 %" in odd[-1].sentence
    assert "heavier than by weight and grist" in odd[-1].sentence


def test_which_way_is_told() -> None:
    routes = routes_of(all_ways(1.0))
    chosen = chosen_route(routes)
    assert chosen is not None
    assert chosen.name == "rounds"
    asked = chosen_route(routes, "sample")
    assert asked is not None
    assert asked.name == "sample"
    assert chosen_route(()) is None
    # A grist without a weight tells no length; the counted length comes first then.
    routes = routes_of(SkeinAmounts(grist_tex=Amount(500.0), sample_length_m=Amount(1.0)))
    assert [(r.name, r.length_m) for r in routes] == [("grist", None)]
    assert chosen_route(routes) is routes[0]
    # A way that was asked for and not measured falls back.
    assert chosen_route(routes, "rounds") is routes[0]


@given(
    st.floats(1, 1e4), st.floats(0.1, 1e4), st.floats(0.1, 5), st.floats(0, 0.2), st.floats(0, 0.2)
)
def test_weight_is_length_times_grist_whatever_the_way(
    grams: float, metres: float, sample_m: float, doubt: float, other: float
) -> None:
    weight = Amount(grams, doubt * grams)
    by_length = routes_of(SkeinAmounts(weight, counted_m=Amount(metres, other * metres)))[0]
    assert by_length.tex is not None
    sample = Amount(by_length.tex.value * sample_m / 1000)
    (by_sample,) = routes_of(
        SkeinAmounts(weight, sample_length_m=Amount(sample_m), sample_weight_g=sample)
    )
    assert by_sample.length_m is not None
    assert by_sample.length_m.value == pytest.approx(metres, rel=1e-9)
    assert by_sample.length_m.u_relative == pytest.approx(doubt, abs=1e-12)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_only_amounts_above_zero(bad: float) -> None:
    with pytest.raises(ValueError, match="no measured amount"):
        Amount(bad)
    with pytest.raises(ValueError, match="no measured amount"):
        Amount(1.0, -1.0)
