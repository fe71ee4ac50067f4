"""Forecasts of plied yarn against closed forms: doubling, Cauchy's widths, chains, take-up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from measure.bobbin_profile import BobbinProfile
from measure.ply_geometry import take_up
from measure.plying import (
    SECTION_MM,
    Irregularity,
    Strand,
    forecast_chain,
    forecast_plied,
    irregularity_of,
    sentence,
    together,
    wander,
)
from measure.results import Along

EVEN = Irregularity(0.0, 0.0)


def flat(d: float = 1.0, length_m: float = 100.0) -> Strand:
    return Strand("A", np.full(48, d), length_m)


def sloped(low: float, high: float, length_m: float = 100.0) -> Strand:
    return Strand("A", np.linspace(low, high, 48), length_m)


def along(diameter_mm: np.ndarray, step_mm: float = 0.25) -> Along:
    n = len(diameter_mm)
    return Along(step_mm * np.arange(n), diameter_mm, np.full(n, 0.01), np.full(n, "dark"))


# --- the series -------------------------------------------------------------------------------


@pytest.mark.parametrize("carries", [0.5, 5.0, 200.0])
def test_a_wander_has_the_correlation_it_is_asked_for(carries: float) -> None:
    random = np.random.default_rng(1)
    series = np.array([wander(2000, carries, random) for _ in range(300)])
    # Variance 1 and exp(-lag/carries); each of 300 series has some 2000/(2 carries) free values.
    free = 300 * max(2000 / (2 * carries), 1.0)
    for lag in (0, 1, int(carries), int(2 * carries)):
        found = (series[:, : 2000 - lag] * series[:, lag:]).mean()
        assert found == pytest.approx(math.exp(-lag / carries), abs=4 * math.sqrt(2 / free))


def test_an_even_strand_stays_even() -> None:
    found = forecast_plied([flat(), flat()], EVEN)
    assert found.cv_percent == pytest.approx(0, abs=1e-9)
    # 1 + 2/pi (Cauchy's theorem): 1.63662 diameters.
    assert found.mean_mm == pytest.approx(1.63662, abs=5e-6)
    assert found.wpi == pytest.approx(25.4 / 1.63662, rel=1e-5)


@pytest.mark.parametrize(("plies", "width"), [(2, 1.63662), (3, 1.95493), (4, 2.27324)])
def test_plies_are_as_wide_as_cauchy_says(plies: int, width: float) -> None:
    found = forecast_plied([flat()] * plies, Irregularity(2.0, 8.0))
    # 200 m of scatter that lasts 2 m are some 50 free values a ply: 2 %/root(50 n) at most 0.2 %.
    assert found.mean_mm == pytest.approx(width, rel=0.007)


# --- the doubling law -------------------------------------------------------------------------


@pytest.mark.parametrize(("plies", "cv"), [(2, 14.1421), (3, 11.547), (4, 10.0)])
def test_independent_strands_average_by_the_root_of_their_number(plies: int, cv: float) -> None:
    # Martindale's doubling law, 20 % in the single: 20/sqrt(n).
    found = forecast_plied([flat()] * plies, Irregularity(0.0, 20.0))
    assert found.cut_cv_percent == pytest.approx(cv, rel=0.02)


def test_sections_vary_as_the_mean_of_their_cuts_does() -> None:
    carries, length = 5.0, SECTION_MM
    found = forecast_plied([flat()] * 2, Irregularity(0.0, 20.0, short_mm=carries))
    # Variance of the mean over L of a series exp(-lag/l): 2(l/L)[1 - (l/L)(1 - exp(-L/l))].
    q = carries / length
    expected = 20 / math.sqrt(2) * math.sqrt(2 * q * (1 - q * (1 - math.exp(-1 / q))))
    assert found.cv_percent == pytest.approx(expected, rel=0.03)
    thin, thick = found.range_mm
    assert (thick - thin) / found.mean_mm == pytest.approx(2 * 1.96 * expected / 100, rel=0.05)


# --- chains -----------------------------------------------------------------------------------


def test_a_chain_averages_what_is_shorter_than_its_loop() -> None:
    found = forecast_chain(flat(), Irregularity(0.0, 20.0, short_mm=2.0), loop_m=0.5)
    assert found.cut_cv_percent == pytest.approx(20 / math.sqrt(3), rel=0.02)


def test_a_chain_passes_on_what_is_longer_than_its_loop() -> None:
    chained = forecast_chain(sloped(0.8, 1.2), EVEN, loop_m=0.4)
    # The CV of a slope from 0.8 to 1.2 is 0.4/sqrt(12), and the chain's the same.
    assert chained.cv_percent == pytest.approx(100 * 0.4 / math.sqrt(12), rel=0.06)
    opposite = forecast_plied([sloped(0.8, 1.2), sloped(1.2, 0.8)], EVEN)
    assert opposite.cv_percent == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("carries_over_loop", [0.2, 1.0, 5.0])
def test_between_the_two_a_chain_does_as_its_three_lengths_resemble_each_other(
    carries_over_loop: float,
) -> None:
    loop_mm = 200.0
    carries = carries_over_loop * loop_mm
    found = forecast_chain(
        flat(length_m=200), Irregularity(20.0, 0.0, scatter_mm=carries), loop_m=loop_mm / 1000
    )
    # At x from the loop's start the three lie at x, 2h - x and 2h + x of the strand, apart by
    # 2(h - x), 2h and 2x; the mean of exp(-2x/l) over x is (l/2h)(1 - exp(-2h/l)).
    two_h = 2 * loop_mm / carries
    pairs = 2 * (1 - math.exp(-two_h)) / two_h + math.exp(-two_h)
    expected = 20 * math.sqrt((3 + 2 * pairs) / 9)
    # Some 200 m/(2 carries) free values: at five loops of 200 mm a hundred.
    assert found.cut_cv_percent == pytest.approx(expected, rel=0.08)


def test_a_chain_of_a_drifting_bobbin_is_told_to_be_less_even_than_plying_three() -> None:
    strands = [Strand(n, np.linspace(0.45, 0.65, 48), 100.0) for n in "AB"]
    strands.append(Strand("C", np.linspace(0.65, 0.45, 48), 100.0))
    irregular = Irregularity(4.0, 10.0)
    plied, chained = forecast_plied(strands, irregular), forecast_chain(strands[0], irregular)
    assert chained.cv_percent > 1.7 * plied.cv_percent
    assert chained.length_m == pytest.approx(100 / 3)
    told = sentence(plied, chained)
    assert told.startswith("plied from three bobbins this would be 2")
    assert "; chain-plied from one, " in told


# --- lengths ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("tpi", "percent"), [(2, 2.93), (4, 10.37), (6, 19.70)])
def test_twist_takes_up_what_the_helix_says(tpi: float, percent: float) -> None:
    # Two plies of 1 mm: 1 - cos b, tan b = 2 pi R U with R half a diameter (derived by hand).
    assert 100 * take_up(1.0, 2, tpi) == pytest.approx(percent, abs=0.005)
    found = forecast_plied([flat(), flat()], EVEN, turns_per_inch=tpi)
    assert found.length_m == pytest.approx(100 * (1 - percent / 100), rel=1e-4)


def test_the_shortest_strand_ends_the_yarn() -> None:
    found = forecast_plied([sloped(0.8, 1.2, 100), flat(1.0, 60)], EVEN)
    assert found.left_over_m == (40.0, 0.0)
    assert found.length_m == 60
    # The first 60 of 100 m of the slope, beside 1 mm: from (0.8 + 1)/2 to (1.04 + 1)/2.
    ends = found.sections_mm[[0, -1]] / (1 + 2 / math.pi)
    assert_allclose(ends, [0.9, 1.02], atol=0.004)


def test_a_bobbin_comes_off_in_reverse_unless_rewound() -> None:
    bobbin = BobbinProfile("A", 1.0, np.linspace(0.8, 1.2, 48), 0.0)
    assert Strand.off(bobbin, 100.0).diameter_mm[0] == 1.2
    assert Strand.off(bobbin, 100.0, rewound=True).diameter_mm[0] == 0.8


# --- several skeins ---------------------------------------------------------------------------


def test_skeins_together_are_one_mixture_by_length() -> None:
    # 60 m of 0.9 mm and 30 m of 1.2 mm, both even: mean and spread of two values by weight.
    thin = forecast_plied([flat(0.9, 60)] * 2, EVEN)
    thick = forecast_plied([flat(1.2, 30)] * 2, EVEN)
    both = together([thin, thick])
    assert both.length_m == 90
    wide = 1 + 2 / math.pi
    assert both.mean_mm / wide == pytest.approx(1.0, rel=1e-9)
    # Root of 2/3 0.1^2 + 1/3 0.2^2.
    assert both.cv_percent == pytest.approx(100 * math.sqrt(0.02), rel=1e-9)
    assert both.cut_cv_percent == pytest.approx(both.cv_percent, rel=1e-9)
    assert_allclose(np.array(both.range_mm) / wide, [0.9, 1.2])
    assert both.wpi == pytest.approx(25.4 / wide)
    assert both.left_over_m == (0.0,) * 4


def test_skeins_together_agree_with_one_of_their_kind() -> None:
    irregular = Irregularity(3.0, 10.0)
    many = [forecast_plied([flat()] * 2, irregular, seed=seed) for seed in range(2)]
    one, all_ = many[0], together(many)
    assert all_.cut_cv_percent == pytest.approx(one.cut_cv_percent, rel=0.05)
    assert_allclose(all_.range_mm, one.range_mm, rtol=0.02)
    assert together([one]) is one
    with pytest.raises(ValueError, match="in one way"):
        together([one, forecast_chain(flat(), irregular)])
    with pytest.raises(ValueError, match="in one way"):
        together([])


# --- from profiles ----------------------------------------------------------------------------


def test_short_irregularity_is_read_from_profiles() -> None:
    random = np.random.default_rng(3)
    profiles = []
    for _ in range(200):
        mm = 0.8 * (1 + 0.1 * wander(120, 4.0, random))
        quarter = np.repeat(mm, 4)
        quarter[random.random(480) < 0.1] = np.nan
        profiles.append(along(quarter))
    found = irregularity_of(profiles, scatter_percent=3.0)
    # 200 profiles of some 15 free values each know the CV to 1 % and the reach to some 5 %.
    assert found.short_percent == pytest.approx(10, rel=0.04)
    assert found.short_mm == pytest.approx(4.0, rel=0.15)
    assert found.scatter_percent == 3.0


def test_a_profile_without_any_irregularity_has_none() -> None:
    assert irregularity_of([along(np.full(40, 0.8))]).short_percent == 0
    for profiles in ([], [along(np.full(40, np.nan))], [along(np.empty(0))]):
        with pytest.raises(ValueError, match="at least two cuts"):
            irregularity_of(profiles)


# --- invariances and refusals -----------------------------------------------------------------


def test_another_unit_changes_no_evenness_and_the_seed_is_the_only_chance() -> None:
    irregular = Irregularity(4.0, 10.0)
    one = forecast_plied([sloped(0.8, 1.2), flat()], irregular)
    again = forecast_plied([sloped(0.8, 1.2), flat()], irregular)
    thick = forecast_plied([sloped(2.4, 3.6), flat(3.0)], irregular, wrap_factor=2.0)
    assert_allclose(one.sections_mm, again.sections_mm)
    assert thick.cv_percent == pytest.approx(one.cv_percent, rel=1e-9)
    assert thick.wpi == pytest.approx(one.wpi / 6, rel=1e-9)
    low, high = one.wpi_range
    assert low < one.wpi < high


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (lambda: forecast_plied([flat()], EVEN), "at least two strands"),
        (lambda: forecast_chain(flat(length_m=1.0), EVEN, loop_m=0.4), "three loops long"),
        (lambda: forecast_chain(flat(), EVEN, loop_m=0.0), "three loops long"),
        (lambda: forecast_plied([flat(), flat(length_m=0)], EVEN), "length is above 0"),
        (lambda: Irregularity(-1, 0), "0 % or more"),
        (lambda: Irregularity(1, 0, scatter_mm=0), "above 0"),
    ],
)
def test_what_cannot_be_plied_is_refused(wrong: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        wrong()  # type: ignore[operator]


def test_a_strand_much_longer_than_is_simulated_keeps_its_drift() -> None:
    found = forecast_plied([sloped(0.8, 1.2, 2000)] * 2, EVEN)
    assert found.cv_percent == pytest.approx(100 * 0.4 / math.sqrt(12), rel=0.05)
    assert found.length_m == 2000
