"""A skein from its sections: statistics against closed forms and SciPy, evenness against theory."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from measure.drift import ReadingPoint
from measure.grist import Amount
from measure.results import Along, Floats
from measure.section_evenness import (
    Rate,
    averaged,
    curve_point,
    cut_means,
    part_turn_mm,
    skein_evenness,
)
from measure.section_places import LAYERS, Layer, next_place, plan_sentence, sections_needed
from measure.skein import (
    SkeinFigures,
    SkeinSection,
    balance_of,
    skein_figures,
    swelling,
)
from measure.suiting import WantedYarn, class_shares, share_between, suits, wanted_class
from measure.weight_class import BELLAONLINE, CRAFT_YARN_COUNCIL, SPIN_OFF
from measure.yarn import MM_PER_INCH


def section(mm: float, u: float = 0.0, shared: float = 0.0, **more: object) -> SkeinSection:
    point = ReadingPoint(mm, u_diameter_mm=math.hypot(u, shared), u_shared_mm=shared)
    return SkeinSection(point, **more)  # type: ignore[arg-type]


def figures(mm: Sequence[float], u: float = 0.0, shared: float = 0.0) -> SkeinFigures:
    return skein_figures([section(d, u, shared) for d in mm], CRAFT_YARN_COUNCIL)


SIX = (1.50, 1.62, 1.41, 1.55, 1.70, 1.48)


def test_the_mean_has_students_interval_of_its_logarithm() -> None:
    found = figures(SIX)
    low, high = stats.t.interval(0.95, 5, loc=math.log(np.mean(SIX)), scale=stats.sem(np.log(SIX)))
    assert found.mean_mm == pytest.approx(np.mean(SIX))
    assert found.mean_interval_mm == pytest.approx((math.exp(low), math.exp(high)))
    assert (found.thinnest_mm, found.thickest_mm) == (1.41, 1.70)
    assert found.wpi_range == pytest.approx((25.4 / 1.70, 25.4 / 1.41))
    assert found.spread_percent == pytest.approx(100 * np.log(SIX).std(ddof=1))
    assert found.wpi_interval == pytest.approx((25.4 / math.exp(high), 25.4 / math.exp(low)))
    assert {c.name for c in found.classes} >= {"Super Fine", "Fine"}, "16.5 WPI is in both"


def test_the_ninety_per_cent_range_is_students_prediction_of_a_further_section() -> None:
    found = figures(SIX)
    assert found.range90_mm is not None
    reach = stats.t.ppf(0.95, 5) * np.log(SIX).std(ddof=1) * math.sqrt(1 + 1 / 6)
    assert found.range90_mm[1] == pytest.approx(stats.gmean(SIX) * math.exp(reach))
    assert figures(SIX[:4]).range90_mm is None
    # By simulation: a further section of a log-normal skein lies in it nine times in ten.
    random = np.random.default_rng(5)
    logs = 0.1 * random.standard_normal((600, 7))
    inside = 0
    for row in np.exp(logs):
        low, high = figures(row[:6].tolist()).range90_mm or (0, 0)
        inside += low < row[6] < high
    # 600 trials at 0.9: standard deviation 7.3.
    assert abs(inside - 540) < 4 * 7.4


def test_what_sections_share_is_not_averaged_away() -> None:
    alone, shared = figures(SIX * 4), figures(SIX * 4, shared=0.03)
    assert alone.known_to_percent is not None
    assert shared.known_to_percent is not None
    # Normal 95 % of 0.03 mm in the mean alone is 3.8 %.
    assert shared.known_to_percent > 1.96 * 3 / 1.55
    assert shared.known_to_percent > alone.known_to_percent
    # Sections that agree to the last digit are no surer than each was read.
    same = figures([1.5] * 4, u=0.06)
    assert same.known_to_percent == pytest.approx(100 * math.sinh(3.182 * 0.04 / 2), rel=1e-3)
    assert same.spread_percent == 0.0


def test_one_section_has_its_own_interval_and_says_nothing_of_the_rest() -> None:
    found = figures([1.5], u=0.03, shared=0.04)
    assert found.mean_interval_mm[1] / 1.5 == pytest.approx(math.exp(1.96 * 0.05 / 1.5), rel=1e-4)
    assert (found.known_to_percent, found.spread_percent, found.range90_mm) == (None, None, None)
    assert (found.layers, found.twist, found.evenness) == ((), None, None)
    with pytest.raises(ValueError, match="at least one section"):
        figures([])


def test_layers_are_told_apart() -> None:
    given_ = [
        section(d, layer=layer)
        for layer, ds in (("outside", (1.4, 1.42)), ("inside", (1.7, 1.72, 1.74)))
        for d in ds
    ]
    found = skein_figures(given_, CRAFT_YARN_COUNCIL)
    (first, outside), (second, inside) = found.layers
    assert (first, second, outside.sections, inside.sections) == ("outside", "inside", 2, 3)
    assert outside.value == pytest.approx(1.41)
    assert inside.interval[0] > outside.interval[1] * 0.9


def test_twist_is_the_mean_of_what_the_sections_tell() -> None:
    turns = (5.0, 5.4, 5.2)
    found = skein_figures(
        [section(1.0, turns_per_inch=t, twist="S") for t in turns] + [section(1.0)],
        CRAFT_YARN_COUNCIL,
    ).twist
    assert found is not None
    assert (found.turns_per_inch.sections, found.direction, found.disagree) == (3, "S", False)
    low, high = stats.t.interval(0.95, 2, loc=5.2, scale=stats.sem(turns))
    # Scale and stand-off are shared: 0.3 % more, in quadrature.
    reach = math.hypot((high - low) / 2, 1.96 * 0.003 * 5.2)
    assert found.turns_per_inch.interval == pytest.approx((5.2 - reach, 5.2 + reach))
    # tan a = pi d T, d 1 mm: 4 TPI 26.32 degrees (formula: homo-deus.com; angle by arithmetic).
    four = skein_figures([section(1.0, turns_per_inch=4.0, twist="Z")], CRAFT_YARN_COUNCIL).twist
    assert four is not None
    assert f"{four.angle_deg:.2f}" == "26.32"
    # A section's own interval is its own; sections that agree by luck are no surer than that.
    own = [section(1.0, turns_per_inch=5.0, twist="S", turns_interval=(4.4, 5.6))]
    for n, half in ((1, 0.6), (4, 0.3)):
        sure = skein_figures(own * n, CRAFT_YARN_COUNCIL).twist
        assert sure is not None
        reach = math.hypot(half, 1.96 * 0.003 * 5.0)
        assert sure.turns_per_inch.interval == pytest.approx((5 - reach, 5 + reach))
    odd = [section(1.0, turns_per_inch=5.0, twist=t) for t in ("S", "Z")]
    mixed = skein_figures(odd, CRAFT_YARN_COUNCIL).twist
    assert mixed is not None
    assert (mixed.direction, mixed.disagree) == (None, True)


def test_swelling_is_welchs_interval_of_the_logarithms() -> None:
    before, after = SIX, tuple(1.08 * d for d in (*SIX, 1.6, 1.5))
    found = swelling(figures(before), figures(after))
    assert found is not None
    b, a = np.log(before), np.log(after)
    ends = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.95)
    width = math.log((1 + found.interval_percent[1] / 100) / (1 + found.interval_percent[0] / 100))
    # The GUM cuts the effective degrees of freedom to a whole number: a little wider.
    assert 1.0 <= width / (ends.high - ends.low) < 1.02
    ratio = np.mean(after) / np.mean(before)
    assert found.percent == pytest.approx(100 * (ratio - 1))
    assert "thicker" in found.sentence or "not beyond doubt" in found.sentence
    assert swelling(figures([1.5]), figures(after)) is None


@pytest.mark.parametrize(
    ("turns", "way", "ply", "says"),
    [
        (None, None, "S", None),
        (0.0, None, "S", "straight"),
        (0.5, "Z", "S", "straight"),
        (2.0, "Z", "S", "too_much"),
        (2.0, "S", "S", "too_little"),
        (2.0, "S", None, "turns"),
        (2.0, None, "S", "turns"),
    ],
)
def test_balance_by_the_hang_test(turns: float, way: str, ply: str, says: str) -> None:
    """A Z-spun single left to itself plies back on itself S: the loop winds against its excess."""
    assert balance_of(turns, way, ply) == says  # type: ignore[arg-type]


# --- where and how many


def test_the_next_section_goes_round_and_through_the_layers() -> None:
    taken: list[tuple[Layer | None, int | None]] = []
    for _ in range(12):
        place = next_place(taken)
        taken.append((place.layer, place.hour))
    assert [layer for layer, _ in taken[:3]] == ["outside", "inside", "middle"]
    assert {layer: sum(deep == layer for deep, _ in taken) for layer in LAYERS} == dict.fromkeys(
        LAYERS, 4
    )
    # Four sections from four quarters, and each hour once before any comes again.
    assert sorted(hour for _, hour in taken[:4] if hour) == [3, 6, 9, 12]
    assert sorted(hour for _, hour in taken if hour) == list(range(1, 13))
    assert next_place([]).words == "from the outside, at 12 o'clock"


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(st.sampled_from([*LAYERS, None]), st.one_of(st.none(), st.integers(1, 12))),
        max_size=20,
    )
)
def test_the_next_place_is_in_a_layer_least_taken_and_an_hour_not_taken_while_there_is_one(
    taken: list[tuple[Layer | None, int | None]],
) -> None:
    place = next_place(taken)
    layers = [layer for layer, _ in taken]
    assert layers.count(place.layer) == min(layers.count(layer) for layer in LAYERS)
    hours = {hour for _, hour in taken}
    assert place.hour not in hours or hours >= set(range(1, 13))


@pytest.mark.parametrize(
    ("cv", "tolerance", "n"), [(5, 2, 27), (10, 3, 46), (10, 5, 18), (15, 5, 38), (20, 5, 64)]
)
def test_how_many_sections_make_a_mean_sure(cv: float, tolerance: float, n: int) -> None:
    """Student's t of independent values, n such that t s/root n is within: by arithmetic."""
    assert sections_needed(6, cv, tolerance, 0.0) == n
    assert sections_needed(1, None, tolerance, 0.0) == 5
    assert sections_needed(6, cv, tolerance, tolerance) is None


def test_the_plan_is_told_in_words() -> None:
    assert plan_sentence(0, 5, 3, None) == "begin with 5 sections, 5 more"
    assert plan_sentence(6, 9, 3, 4.2) == (
        "the mean is known to 4.2 %; about 3 more sections would make it 3 %"
    )
    assert plan_sentence(6, 7, 3, 2.9).endswith("within the 3 % wanted")
    assert plan_sentence(6, 7, 3, 3.2).endswith("about one more section would make it 3 %")
    # 1.96 times 2 % is 3.9 %.
    assert plan_sentence(6, None, 3, 4.5, 2.0).endswith("card and camera alone leave 3.9 %")
    assert "more than 500 sections" in plan_sentence(6, None, 1, 4.0, 0.1)


# --- evenness


def along(diameters: Floats) -> Along:
    """A profile of one value a millimetre."""
    n = len(diameters)
    return Along(np.arange(n) + 0.25, diameters, np.zeros(n), np.full(n, "light"))


def test_cut_length_curve_of_random_equal_fibres() -> None:
    """The variance-length curve of fibres of length l laid at random: 1 - L/3l up to L = l, and
    (l/L)(1 - l/3L) beyond, of the variance of a point (by integration of the triangle of its
    autocorrelation; ISO 16549 names the curve). A running mean of white noise over l is such."""
    fibre, n, sections = 20, 300, 60
    random = np.random.default_rng(11)
    profiles = []
    for _ in range(sections):
        noise = random.standard_normal(n + fibre - 1)
        profiles.append(1 + 0.1 * np.convolve(noise, np.ones(fibre), "valid") / math.sqrt(fibre))
    point = curve_point(profiles, 1)
    assert point is not None
    assert point.cv_percent == pytest.approx(10.0, rel=0.08)
    for cut, share in ((5, 0.917), (10, 0.833), (20, 0.667), (40, 0.417), (80, 0.229)):
        found = curve_point(profiles, cut)
        assert found is not None
        # A variance of m independent values is known to root(2/m); m is length over what carries.
        sigma = math.sqrt(2 * max(cut, fibre) / (sections * n))
        assert (found.cv_percent / 10) ** 2 == pytest.approx(share, rel=3 * sigma), cut
        assert 0.2 * sigma < found.u_percent / found.cv_percent < 3 * sigma


def test_few_sections_do_not_look_more_even() -> None:
    """The between-section variance is unbiased: sections of constant width, CV 10 % between."""
    random = np.random.default_rng(3)
    squares = []
    for _ in range(400):
        found = curve_point([np.full(30, d) for d in 1 + 0.1 * random.standard_normal(4)], 10)
        assert found is not None
        squares.append(found.cv_percent**2)
    # Mean of 400 chi-squares of 3 degrees of freedom: standard error 4.1 %.
    assert np.mean(squares) == pytest.approx(100.0, rel=0.13)


def test_thick_and_thin_places_per_ten_metres() -> None:
    """Limits of mass, +50 and -50 %, are +22.5 and -29.3 % of diameter at constant packing."""
    cuts = np.full(200, 1.0)
    cuts[50:53] = 1.24
    cuts[100] = 1.21
    cuts[150] = 0.69
    found = skein_evenness([along(cuts), along(np.full(300, 1.0))])
    assert found is not None
    assert found.length_m == pytest.approx(0.5)
    assert (found.thick.count, found.thin.count) == (1, 1)
    assert found.thick.per_10_m == pytest.approx(20.0)
    # Garwood's table of exact Poisson limits (from memory): 0: 0 to 3.689; 1: 0.0253 to 5.572.
    assert found.thick.interval == pytest.approx((0.506, 111.4), rel=1e-2)
    assert Rate(0, 10.0).interval == pytest.approx((0.0, 3.689), abs=1e-3)
    assert Rate(10, 10.0).interval == pytest.approx((4.795, 18.390), abs=1e-3)


def test_a_section_thick_as_a_whole_is_thick_against_the_skein() -> None:
    found = skein_evenness([along(np.full(100, d)) for d in (1.0, 1.0, 1.0, 1.0, 1.4)])
    assert found is not None
    assert found.thick.count == 1
    assert found.cv_percent == pytest.approx(
        100 * np.std([1, 1, 1, 1, 1.4], ddof=1) / 1.08, rel=0.02
    )


def test_the_turning_of_a_ply_is_no_unevenness() -> None:
    """A two-ply is between d and 2d wide; averaged over part-turns it is even."""
    part = part_turn_mm(2.54, 2)
    assert part == pytest.approx(5.0)
    place = np.arange(200) + 0.5
    turning = 1.5 + 0.5 * np.cos(2 * math.pi * place / 5.0)
    plain = skein_evenness([along(turning)] * 3)
    whole = skein_evenness([along(turning)] * 3, part)
    assert plain is not None
    assert whole is not None
    assert plain.thick.count > 50
    assert (whole.thick.count, whole.thin.count) == (0, 0)
    assert whole.cv_percent < 0.01
    assert whole.averaged_mm == 5.0
    assert min(p.cut_mm for p in whole.curve) == 5.0
    assert part_turn_mm(None, 2) is None
    assert part_turn_mm(5.0, 1) is None


def test_gaps_are_kept_as_gaps() -> None:
    cuts = np.full(40, 1.0)
    cuts[10:20] = np.nan
    means = averaged(cuts, 5)
    assert np.isnan(means[12:18]).all()
    assert np.nanmax(np.abs(means - 1.0)) < 1e-12
    assert len(means) == 40
    assert len(cut_means(along(np.empty(0)))) == 0
    assert skein_evenness([along(np.full(5, 1.0))]) is None
    assert skein_evenness([]) is None


# --- does it suit


def skein_of(wpi: float, spread: float, n: int = 12, u: float = 0.0) -> SkeinFigures:
    """A skein whose sections have just that mean and spread of the logarithm."""
    q = stats.norm.ppf((np.arange(n) + 0.5) / n)
    q /= q.std(ddof=1)
    return figures((MM_PER_INCH / wpi * np.exp(spread * q)).tolist(), u)


def test_a_skein_within_its_class_suits() -> None:
    found = suits(
        skein_of(15.0, 0.04), wanted_class(CRAFT_YARN_COUNCIL, "fine"), CRAFT_YARN_COUNCIL
    )
    assert found.verdict == "yes"
    assert found.sentences[0].startswith("Yes: the mean, 15.0 WPI")
    assert "of the skein lie within the 12 to 18 WPI of Fine" in found.sentences[0]
    assert found.sentences[-1].startswith("Knit a swatch")


def test_a_skein_of_another_class_does_not_and_says_what_it_is_better_for() -> None:
    found = suits(skein_of(10.0, 0.04), wanted_class(SPIN_OFF, "Sport"), SPIN_OFF)
    assert found.verdict == "no"
    # 14 against 10 wraps: 40 % thicker.
    assert found.reasons[0].startswith("the skein is 40 % thicker than wanted: 10.0 WPI")
    assert found.better_for == ("Worsted",)
    assert "It would be better for Worsted." in found.sentences
    finer = suits(skein_of(20.0, 0.04), WantedYarn("the pattern", (None, 16.0)), SPIN_OFF)
    # 20 against 16 wraps: 20 % thinner.
    assert finer.reasons[0].startswith("the skein is 20 % finer than wanted")
    assert "16 WPI or fewer of the pattern" in finer.reasons[0]


def test_part_in_one_class_part_in_another_is_borderline_and_told_so() -> None:
    found = suits(skein_of(16.3, 0.12, 60), wanted_class(SPIN_OFF, "Fingering"), SPIN_OFF)
    assert found.verdict == "borderline"
    text = " ".join(found.sentences)
    assert "may lie outside" in text or "of the skein is thicker" in text
    assert "in Fingering" in text
    assert "in Sport" in text
    wide = suits(skein_of(15.0, 0.2, 200), WantedYarn("x", (13.0, 17.3)), CRAFT_YARN_COUNCIL)
    assert wide.verdict == "borderline"
    # Normal: beyond ln(15/13)/0.2 = 0.716 and ln(17.3/15)/0.2 = 0.713 sd lie 24 % each.
    assert "24 % of the skein is thicker and 24 % of the skein is finer" in wide.reasons[0]


def test_a_mean_at_the_edge_and_a_single_section_are_borderline() -> None:
    edge = suits(skein_of(14.1, 0.10, 8), WantedYarn("x", (14.0, 18.0)), CRAFT_YARN_COUNCIL)
    assert edge.verdict == "borderline"
    assert "on the thicker side" in edge.reasons[0]
    one = suits(figures([1.6], u=0.01), wanted_class(CRAFT_YARN_COUNCIL, "Fine"), SPIN_OFF)
    assert one.verdict == "borderline"
    assert "rest of the skein was not read" in one.reasons[0]


def test_grist_is_looked_at_where_the_pattern_has_one() -> None:
    """400 m in 100 g is 250 tex, by definition."""
    skein = skein_of(15.0, 0.04)
    wanted = WantedYarn("Ferry", (12.0, 18.0), tex=250.0)
    assert suits(skein, wanted, CRAFT_YARN_COUNCIL, Amount(255.0, 2.0)).verdict == "yes"
    heavy = suits(skein, wanted, CRAFT_YARN_COUNCIL, Amount(300.0, 3.0))
    assert heavy.verdict == "no"
    assert "333 m in 100 g where 400 m are asked for: it is heavier" in " ".join(heavy.reasons)
    unsure = suits(skein, wanted, CRAFT_YARN_COUNCIL, Amount(270.0, 20.0))
    assert unsure.verdict == "borderline"
    with pytest.raises(ValueError, match="weigh it"):
        suits(skein, WantedYarn("x", tex=250.0), CRAFT_YARN_COUNCIL)
    with pytest.raises(ValueError, match="nothing was wanted"):
        suits(skein, WantedYarn("x"), CRAFT_YARN_COUNCIL)
    with pytest.raises(ValueError, match="Super Fine"):
        wanted_class(CRAFT_YARN_COUNCIL, "Sport")


@pytest.mark.parametrize("chart", [SPIN_OFF, BELLAONLINE])
@given(wpi=st.floats(4, 30), spread=st.floats(0.01, 0.3))
@settings(max_examples=25)
def test_shares_of_charts_without_overlap_add_up(chart: object, wpi: float, spread: float) -> None:
    """Gaps between whole wraps go to the nearer class, so that no part of a skein is nowhere."""
    skein = skein_of(wpi, spread)
    shares = class_shares(skein, chart)  # type: ignore[arg-type]
    assert math.fsum(s for _, s in shares) == pytest.approx(1.0, abs=0.07)
    assert share_between(skein, (None, None)) == 1.0
    finer, thicker = (
        share_between(skein, (skein.wpi, None)),
        share_between(skein, (None, skein.wpi)),
    )
    # A log-normal lies to N(-s/2) above its own mean.
    assert thicker == pytest.approx(stats.norm.cdf(-(skein.spread_percent or 0) / 200))
    assert finer == pytest.approx(1 - thicker)
