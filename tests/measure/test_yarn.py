"""Yarn arithmetic against printed conversions and worked examples."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.yarn import (
    COUNT_SYSTEMS,
    G_PER_OUNCE,
    G_PER_POUND,
    M_PER_YARD,
    MM_PER_INCH,
    CountSystem,
    apparent_density_g_per_cm3,
    ashenhurst_diameters_per_inch,
    convert_count,
    count_from_tex,
    diameter_mm_from_tex,
    diameter_mm_from_wpi,
    folded_count,
    k_from_wraps,
    mean_wpi,
    peirce_diameter_mm,
    peirce_diameter_mm_from_cotton_count,
    tex_from_count,
    tex_from_skein,
    wpi_from_diameter,
    wpi_interval_from_diameter,
)

diameters_mm = st.floats(0.05, 20)
wrap_factors = st.floats(0.3, 2)


def test_the_units_are_the_exact_ones_of_1959() -> None:
    # International yard and pound agreement, 1 July 1959; ounce = pound/16, inch = yard/36.
    assert M_PER_YARD == 0.9144
    assert G_PER_POUND == 453.59237
    assert MM_PER_INCH == 25.4 == pytest.approx(1000 * M_PER_YARD / 36, abs=1e-12)
    assert pytest.approx(28.349523125, abs=1e-12) == G_PER_OUNCE


@pytest.mark.parametrize(
    ("wpi", "diameter_mm"),
    [(8, 3.175), (10, 2.54), (14, 1.814286), (20, 1.27), (30, 0.846667)],
)
def test_wraps_per_inch_is_an_inch_over_the_diameter(wpi: float, diameter_mm: float) -> None:
    # By definition, with the inch of 25.4 mm; figures rounded to a nanometre.
    assert diameter_mm_from_wpi(wpi) == pytest.approx(diameter_mm, abs=1e-6)
    assert wpi_from_diameter(diameter_mm) == pytest.approx(wpi, rel=1e-6)


@given(diameters_mm, wrap_factors)
def test_wraps_times_diameter_times_factor_is_one_inch(d: float, factor: float) -> None:
    wpi = wpi_from_diameter(d, factor)
    assert wpi * d * factor == pytest.approx(25.4, rel=1e-12)
    assert diameter_mm_from_wpi(wpi, factor) == pytest.approx(d, rel=1e-12)


@given(diameters_mm, st.floats(0, 0.4), wrap_factors)
def test_the_ends_of_a_wpi_interval_change_places(d: float, doubt: float, factor: float) -> None:
    low, high = wpi_interval_from_diameter((d * (1 - doubt), d * (1 + doubt)), factor)
    assert low == wpi_from_diameter(d * (1 + doubt), factor)
    assert high == wpi_from_diameter(d * (1 - doubt), factor)
    assert low <= high
    assert low * (1 - 1e-12) <= wpi_from_diameter(d, factor) <= high * (1 + 1e-12)


def test_a_diameter_interval_down_to_nothing_leaves_the_wraps_unbounded() -> None:
    assert wpi_interval_from_diameter((-0.1, 1.27)) == (20.0, math.inf)
    with pytest.raises(ValueError, match="backwards"):
        wpi_interval_from_diameter((1.3, 1.2))


def test_wraps_are_averaged_through_diameters() -> None:
    # One stretch at 10 (2.54 mm), one at 20 (1.27 mm): mean 1.905 mm, 13.33, not 15.
    assert mean_wpi([10, 20]) == pytest.approx(40 / 3, rel=1e-12)
    # Jensen's inequality: with normal diameters of CV 10 % the mean of 25.4/d is high by
    # CV^2 + 3 CV^4 = 1.03 %. The harmonic mean is not.
    d = np.random.default_rng(7).normal(1.5, 0.15, 40_000)
    wraps = 25.4 / d
    assert wraps.mean() * d.mean() / 25.4 == pytest.approx(1.0103, abs=5e-4)
    assert mean_wpi(wraps.tolist()) * d.mean() == pytest.approx(25.4, rel=1e-12)
    with pytest.raises(ValueError, match="no wraps-per-inch value"):
        mean_wpi([])


@pytest.mark.parametrize(
    ("system", "number_times_tex", "tolerance"),
    [
        ("yd_per_lb", 496_054.648, 0.005),
        ("cotton", 590.541, 5e-4),
        ("worsted", 885.812, 5e-4),
        ("woollen_run", 310.034, 5e-4),
        ("linen_lea", 1653.52, 5e-3),
    ],
)
def test_indirect_counts_have_the_constants_of_astm_d2260(
    system: CountSystem, number_times_tex: float, tolerance: float
) -> None:
    # ASTM D2260, table of conversion factors (840, 560, 1600, 300 yd hanks per pound).
    assert count_from_tex(1, system) == pytest.approx(number_times_tex, abs=tolerance)


def test_examples_of_astm_d2260() -> None:
    assert convert_count(10, "cotton", "worsted") == pytest.approx(15, abs=1e-12)  # example 1
    assert round(convert_count(30, "tex", "cotton"), 1) == 19.7  # example 2


@pytest.mark.parametrize(
    ("system", "expected"),
    [
        ("tex", 100),
        ("dtex", 1000),
        ("denier", 900),
        ("metric", 10),
        ("g_per_100m", 10),
        ("m_per_100g", 1000),
        ("yd_per_lb", 4960.546479),
        ("yd_per_oz", 310.034155),
        ("cotton", 5.905412474),
        ("worsted", 8.858118712),
    ],
)
def test_a_hundred_tex_in_other_systems(system: CountSystem, expected: float) -> None:
    # ISO 1144: tex = g/km; denier = g per 9 km; Nm = km/kg. Worked from the definitions.
    assert convert_count(100, "tex", system) == pytest.approx(expected, abs=1e-6)


@given(st.floats(1, 5000), st.sampled_from(COUNT_SYSTEMS), st.sampled_from(COUNT_SYSTEMS))
def test_converting_there_and_back_changes_nothing(
    tex: float, one: CountSystem, other: CountSystem
) -> None:
    count = count_from_tex(tex, one)
    assert convert_count(convert_count(count, one, other), other, one) == pytest.approx(
        count, rel=1e-12
    )


def test_grist_of_weighed_skeins() -> None:
    # Definition: 100 g in 200 m is 500 tex.
    tex = tex_from_skein(100, 200)
    assert tex == pytest.approx(500)
    assert count_from_tex(tex, "yd_per_lb") == pytest.approx(992.1092957, abs=1e-6)
    assert count_from_tex(tex, "yd_per_oz") == pytest.approx(62.00683098, abs=1e-7)
    # schoolofsweetgeorgia.com, "avoid the wrap": 425 yd in 4 oz is 1700 yd/lb.
    tex = tex_from_skein(4 * G_PER_OUNCE, 425 * M_PER_YARD)
    assert tex == pytest.approx(291.7968517, abs=1e-6)
    assert count_from_tex(tex, "yd_per_lb") == pytest.approx(1700, abs=1e-6)
    # Arithmetic: "113 g" taken for 4 oz reads a third of a per cent fine.
    tex = tex_from_skein(113, 425 * M_PER_YARD)
    assert count_from_tex(tex, "yd_per_lb") == pytest.approx(1705.989002, abs=1e-4)
    # Franquemont, "The effects of twist in plying" (interweave.com): 254 yd in 2 1/8 oz,
    # printed as 1900 yd/lb.
    tex = tex_from_skein(2.125 * G_PER_OUNCE, 254 * M_PER_YARD)
    assert count_from_tex(tex, "yd_per_lb") == pytest.approx(1900, abs=20)


@pytest.mark.parametrize(
    ("counts", "folded", "tolerance"),
    [
        # Brooks, Cotton Manufacturing, p. 91: 13 1/3; and 21.81 (cut short there).
        ((40, 20), 40 / 3, 1e-9),
        ((40, 80, 120), 21.81, 0.01),
        # Taylor, Cotton Weaving and Designing, 6th ed., p. 239.
        ((60, 40), 24, 1e-9),
    ],
)
def test_folding_cotton_counts_without_take_up(
    counts: tuple[float, ...], folded: float, tolerance: float
) -> None:
    assert folded_count(counts, "cotton") == pytest.approx(folded, abs=tolerance)


def test_folding_adds_masses_whatever_the_system() -> None:
    assert folded_count((100, 150, 50), "tex") == pytest.approx(300)
    by_length = [count_from_tex(tex, "yd_per_lb") for tex in (100, 150, 50)]
    assert tex_from_count(folded_count(by_length, "yd_per_lb"), "yd_per_lb") == pytest.approx(300)
    with pytest.raises(ValueError, match="no strand"):
        folded_count((), "tex")


def test_ashenhurst_worked_example() -> None:
    # faena.medievaltextiles.org/ash.html: 8/2 cotton, 3360 yd/lb, k .9 gives 52 diameters/inch.
    assert round(ashenhurst_diameters_per_inch(3360, 0.9)) == 52
    # The same 3360 yd/lb from the count: two strands of 8s.
    assert convert_count(folded_count((8, 8), "cotton"), "cotton", "yd_per_lb") == pytest.approx(
        3360
    )


@pytest.mark.parametrize(
    ("cotton_count", "printed"),
    [(15, 106.5), (26, 140.5), (32, 156), (60, 213), (78, 243), (200, 390)],
)
def test_taylors_table_of_diameters(cotton_count: float, printed: float) -> None:
    # Taylor, Cotton Weaving and Designing, 6th ed., pp. 453 and 458: .95 root of yards per pound.
    yards_per_pound = convert_count(cotton_count, "cotton", "yd_per_lb")
    assert ashenhurst_diameters_per_inch(yards_per_pound, 0.95) == pytest.approx(printed, abs=0.7)


@pytest.mark.parametrize(
    ("wpi", "yards_per_pound", "tex", "k"),
    [(14, 280, 1700, 0.837), (25, 840, 580, 0.863), (50, 3080, 160, 0.901)],
)
def test_k_of_tightly_wrapped_worsted(
    wpi: float, yards_per_pound: float, tex: float, k: float
) -> None:
    # Peter and Jacquie Teal's wrap table (textilelinks.com/author/rb/980217.html), its tex
    # rounded and said there to be very approximate; k worked from its first two columns.
    assert k_from_wraps(wpi, yards_per_pound) == pytest.approx(k, abs=5e-4)
    assert convert_count(yards_per_pound, "yd_per_lb", "tex") == pytest.approx(tex, rel=0.051)


def test_k_of_knitters_wraps_is_less_than_half_of_that() -> None:
    # Franquemont, interweave.com: 16 wraps at 1900 yd/lb and 18 at 1700, one wheel, one top.
    assert k_from_wraps(16, 1900) == pytest.approx(0.3671, abs=5e-5)
    assert k_from_wraps(18, 1700) == pytest.approx(0.4366, abs=5e-5)
    assert ashenhurst_diameters_per_inch(1900, k_from_wraps(16, 1900)) == pytest.approx(16)


@pytest.mark.parametrize(
    ("k", "density"), [(1, 0.978976), (0.84, 0.69077), (0.90, 0.79297), (0.95, 0.88353)]
)
def test_apparent_density_behind_k(k: float, density: float) -> None:
    # Geometry of a round strand, density = 4 tex/(pi d^2).
    assert apparent_density_g_per_cm3(k) == pytest.approx(density, abs=1e-5)


@given(st.floats(100, 20_000), st.floats(0.3, 1))
def test_k_and_its_density_give_one_diameter(yards_per_pound: float, k: float) -> None:
    by_rule = 25.4 / ashenhurst_diameters_per_inch(yards_per_pound, k)
    tex = convert_count(yards_per_pound, "yd_per_lb", "tex")
    assert diameter_mm_from_tex(tex, apparent_density_g_per_cm3(k)) == pytest.approx(
        by_rule, rel=1e-12
    )


@pytest.mark.parametrize(
    ("density", "diameter_mm"), [(0.80, 0.892062), (0.50, 1.128379), (0.14, 2.132436)]
)
def test_five_hundred_tex_at_three_densities(density: float, diameter_mm: float) -> None:
    # d = sqrt(4 tex/(1000 pi density)) mm, worked by hand.
    assert diameter_mm_from_tex(500, density) == pytest.approx(diameter_mm, abs=1e-6)


def test_peirces_printed_coefficients_are_ours_rounded() -> None:
    # Peirce 1937 as printed at textilecalculations.com: 1/(28 root Ne) inch, 0.00375 root tex cm.
    coefficient = 25.4 / peirce_diameter_mm_from_cotton_count(1)
    assert coefficient == pytest.approx(27.93, abs=0.005)
    assert round(coefficient) == 28
    assert peirce_diameter_mm(1) / 10 == pytest.approx(0.00375, abs=1e-5)
    # 16s by the printed form: 0.0089286 inch; the rounding of 28 is a quarter of a per cent.
    assert peirce_diameter_mm_from_cotton_count(16) / 25.4 == pytest.approx(0.0089286, rel=3e-3)


@given(st.floats(2, 200))
def test_peirce_from_count_and_from_tex_agree(cotton_count: float) -> None:
    tex = convert_count(cotton_count, "cotton", "tex")
    assert peirce_diameter_mm_from_cotton_count(cotton_count) == pytest.approx(
        peirce_diameter_mm(tex), rel=1e-12
    )


@settings(max_examples=30)
@given(st.one_of(st.floats(max_value=0), st.just(math.nan), st.just(math.inf)))
def test_only_positive_numbers_are_taken(bad: float) -> None:
    calls: tuple[Callable[[], float], ...] = (
        lambda: wpi_from_diameter(bad),
        lambda: wpi_from_diameter(1, bad),
        lambda: diameter_mm_from_wpi(bad),
        lambda: tex_from_count(bad, "tex"),
        lambda: count_from_tex(bad, "cotton"),
        lambda: tex_from_skein(100, bad),
        lambda: diameter_mm_from_tex(100, bad),
        lambda: ashenhurst_diameters_per_inch(1000, bad),
        lambda: k_from_wraps(14, bad),
        lambda: apparent_density_g_per_cm3(bad),
    )
    for call in calls:
        with pytest.raises(ValueError, match="must be a positive number"):
            call()


def test_an_unknown_count_system_names_the_known_ones() -> None:
    for convert in (tex_from_count, count_from_tex):
        with pytest.raises(ValueError, match="unknown count system 'bushels'; known are tex, "):
            convert(10, "bushels")  # type: ignore[arg-type]
