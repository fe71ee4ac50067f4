"""Uncertainty against the GUM's own examples, certified NIST data and Monte-Carlo."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import lfilter

from measure.uncertainty import (
    Budget,
    Component,
    ar1_effective_sample_size,
    combine,
    effective_sample_size,
    lag1_autocorrelation,
    left_out_component,
    u_from_limits,
)

# NIST Statistical Reference Datasets, univariate (a US Government work): speed of light,
# filter transmittance, beam deflection.
MICHELSO = """
    299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93
    299.65 299.76 299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80
    299.85 299.88 299.90 299.84 299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76
    299.80 299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95 299.88 299.91
    299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80
    299.77 299.76 299.74 299.75 299.76 299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85
    299.85 299.78 299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82 299.85 299.87
    299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87
"""
MAVRO = """
    2.0018 2.0017 2.0018 2.0019 2.0018 2.0017 2.0015 2.0014 2.0015 2.0015 2.0017 2.0018 2.0018
    2.0019 2.0019 2.0021 2.0020 2.0016 2.0014 2.0013 2.0013 2.0015 2.0015 2.0016 2.0015 2.0014
    2.0013 2.0014 2.0015 2.0014 2.0015 2.0016 2.0015 2.0016 2.0019 2.0020 2.0020 2.0021 2.0022
    2.0023 2.0024 2.0025 2.0027 2.0026 2.0026 2.0026 2.0027 2.0026 2.0025 2.0024
"""
LEW = """
    -213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579
    -52 99 -543 -175 162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374
    201 -236 -531 83 27 -564 -112 131 -507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338
    202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243
    194 -355 -465 156 -81 -578 -64 139 -449 -384 193 -198 -538 110 -44 -577 -6 66 -552 -164
    161 -460 -344 205 -281 -504 134 -28 -576 -118 156 -437 -381 200 -220 -540 83 11 -568 -160
    172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142 -83 -574 0 48 -571 -106
    137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131
    -45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147 -566 25 68
    -535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96
"""

seeds = st.integers(0, 2**32 - 1)


def series(text: str) -> NDArray[np.float64]:
    return np.array(text.split(), dtype=np.float64)


def ar1(rng: np.random.Generator, rho: float, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Stationary first-order series of unit variance along the last axis."""
    kick = rng.standard_normal(shape) * math.sqrt(1 - rho**2)
    kick[..., 0] /= math.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], kick, axis=-1), dtype=np.float64)


# --- JCGM 100:2008 (the GUM), example H.1: calibration of a 50 mm end gauge, lengths in nm ------

STANDARD_NM, DIFFERENCE_NM = 50_000_623.0, 215.0
EXPANSION, OFF_20_C = 11.5e-6, -0.1


def end_gauge_nm(
    standard: float | NDArray[np.float64],
    difference: float | NDArray[np.float64],
    expansion: float | NDArray[np.float64],
    theta: float | NDArray[np.float64],
    d_expansion: float | NDArray[np.float64],
    d_theta: float | NDArray[np.float64],
) -> float | NDArray[np.float64]:
    return standard + difference - standard * (d_expansion * theta + expansion * d_theta)


def end_gauge_budget(*more: Component) -> Budget:
    inputs = (
        (1.0, Component("standard", 25, 18)),
        (1.0, Component("repeated observations", 5.8, 24)),
        (1.0, Component("comparator, random", 3.9, 5)),
        (1.0, Component("comparator, systematic", 6.7, 8)),
        # d_theta and d_expansion are estimated as zero, and so are the slopes they make.
        (0.0, Component("expansion of standard", 1.2e-6)),
        (0.0, Component("temperature, mean", 0.2)),
        (0.0, Component("temperature, cycle", 0.35)),
        (-STANDARD_NM * OFF_20_C, Component("difference in expansion", 0.58e-6, 50)),
        (-STANDARD_NM * EXPANSION, Component("difference in temperature", 0.029, 2)),
        *((1.0, component) for component in more),
    )
    return combine([slope for slope, _ in inputs], [component for _, component in inputs])


def test_gum_end_gauge_value() -> None:
    value = end_gauge_nm(STANDARD_NM, DIFFERENCE_NM, EXPANSION, OFF_20_C, 0, 0)
    assert value == pytest.approx(50_000_838, abs=0.5)  # H.1.5: 50.000 838 mm


def test_gum_end_gauge_uncertainty() -> None:
    # JCGM 100:2008 H.1: uc^2 = 1002 nm^2, uc 32 nm, nu_eff 16.7 (cut to 16), U99 93 nm.
    budget = end_gauge_budget()
    assert budget.u_combined == pytest.approx(32, abs=0.5)
    assert budget.u_combined**2 == pytest.approx(1002, rel=5e-3)
    assert budget.effective_dof == pytest.approx(16.7, abs=0.1)
    assert budget.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)  # t99(16), Table G.2
    assert budget.expanded(0.99) == pytest.approx(93, abs=0.6)
    # Unrounded, by another program for the same sum (GTC 1.5.1): 31.705 and 16.645.
    assert budget.u_combined == pytest.approx(31.71, abs=0.01)
    assert budget.effective_dof == pytest.approx(16.645, abs=0.01)
    named = budget.as_dict()
    assert named["difference in expansion"] == pytest.approx(2.9, abs=0.05)  # H.1, table H.1
    # 16.6 in the same table, which comes from 0.05/root 3 before that was rounded to 0.029.
    assert named["difference in temperature"] == pytest.approx(16.6, abs=0.1)
    assert sum(u**2 for u in named.values()) == pytest.approx(budget.u_combined**2)


def test_a_product_of_two_inputs_near_zero_is_a_component_of_its_own() -> None:
    # JCGM 100:2008 H.1.7, from memory: with second-order terms uc is 34 nm; 33.9 by simulation.
    u_theta = math.hypot(0.2, 0.35)
    u_d_expansion, u_expansion, u_d_theta = 0.58e-6, 1.2e-6, 0.029
    budget = end_gauge_budget(
        Component("expansion x temperature", STANDARD_NM * u_d_expansion * u_theta),
        Component("temperature x expansion", STANDARD_NM * u_expansion * u_d_theta),
    )
    rng = np.random.default_rng(31)
    n = 400_000
    simulated = end_gauge_nm(
        rng.normal(STANDARD_NM, 25, n),
        rng.normal(DIFFERENCE_NM, math.hypot(5.8, 3.9, 6.7), n),
        rng.normal(EXPANSION, u_expansion, n),
        rng.normal(OFF_20_C, u_theta, n),
        rng.normal(0, u_d_expansion, n),
        rng.normal(0, u_d_theta, n),
    )
    assert budget.u_combined == pytest.approx(33.9, abs=0.1)
    assert np.std(simulated) == pytest.approx(budget.u_combined, rel=5e-3)


def test_gum_welch_satterthwaite_example() -> None:
    # JCGM 100:2008 G.4.1 (inputs from memory, they give the printed figures): .25, .57, .82 %
    # from 10, 5, 15 observations: uc 1.03 %, nu 19.0, t95 2.09, U 2.2 %.
    budget = Budget((Component("x1", 0.25, 9), Component("x2", 0.57, 4), Component("x3", 0.82, 14)))
    assert budget.u_combined == pytest.approx(1.03, abs=0.005)
    assert budget.effective_dof == pytest.approx(19.0, abs=0.05)
    assert budget.coverage_factor() == pytest.approx(2.09, abs=0.005)
    assert budget.expanded() == pytest.approx(2.15, abs=0.01)


def test_jcgm_101_four_rectangles() -> None:
    # JCGM 101:2008 9.2.3, table 3: four rectangular inputs of SD 1: u 2.00, GUM +-3.92, and
    # +-3.88 by Monte-Carlo, so the GUM's is a little wide.
    half_width = math.sqrt(3)
    budget = combine(
        [1, 1, 1, 1], [Component(f"x{i}", u_from_limits(half_width)) for i in range(4)]
    )
    assert budget.u_combined == pytest.approx(2.00, abs=0.005)
    assert budget.expanded() == pytest.approx(3.92, abs=0.005)
    total = np.random.default_rng(32).uniform(-half_width, half_width, (400_000, 4)).sum(axis=1)
    assert np.quantile(np.abs(total), 0.95) == pytest.approx(3.88, abs=0.015)
    assert np.mean(np.abs(total) <= budget.expanded()) == pytest.approx(0.954, abs=0.002)


def test_divisors_of_limits() -> None:
    # JCGM 100:2008 H.1: limits 2e-6, 1e-6 and 0.05, and a cycle of 0.5, give the rounded inputs
    # of its budget.
    assert u_from_limits(2e-6) == pytest.approx(1.2e-6, abs=0.05e-6)
    assert u_from_limits(1e-6) == pytest.approx(0.58e-6, abs=0.005e-6)
    assert u_from_limits(0.05) == pytest.approx(0.029, abs=0.0005)
    assert u_from_limits(0.5, "arcsine") == pytest.approx(0.35, abs=0.005)
    # JCGM 100:2008 4.3: roots of 3, 6 and 2.
    assert u_from_limits(1) == pytest.approx(0.577350, abs=1e-6)
    assert u_from_limits(1, "triangular") == pytest.approx(0.408248, abs=1e-6)
    assert u_from_limits(1, "arcsine") == pytest.approx(0.707107, abs=1e-6)


@pytest.mark.parametrize(
    ("dof", "t95"), [(1, 12.71), (2, 4.30), (10, 2.23), (19, 2.09), (50, 2.01)]
)
def test_coverage_factor_is_students(dof: float, t95: float) -> None:
    # JCGM 100:2008, table G.2.
    assert Budget((Component("only", 3, dof),)).coverage_factor() == pytest.approx(t95, abs=0.005)


def test_a_budget_of_nothing_doubtful() -> None:
    budget = Budget((Component("sure", 0.0, 3),))
    assert budget.interval(2.0) == (2.0, 2.0)
    assert Budget(()).u_combined == 0


@given(st.lists(st.tuples(st.floats(1e-9, 1e3), st.floats(1, 500)), min_size=1, max_size=8))
def test_effective_dof_lies_between_the_least_and_the_sum(parts: list[tuple[float, float]]) -> None:
    budget = Budget(tuple(Component(str(i), u, dof) for i, (u, dof) in enumerate(parts)))
    least, total = min(dof for _, dof in parts), sum(dof for _, dof in parts)
    assert least * (1 - 1e-9) <= budget.effective_dof <= total * (1 + 1e-9)


@given(
    st.lists(st.tuples(st.floats(1e-6, 1e3), st.floats(1, 500)), min_size=1, max_size=6),
    st.floats(1e-9, 1e9),
)
def test_the_unit_of_a_budget_does_not_matter(
    parts: list[tuple[float, float]], unit: float
) -> None:
    components = [Component(str(i), u, dof) for i, (u, dof) in enumerate(parts)]
    budget = Budget(tuple(components))
    scaled = combine([-unit] * len(components), components)
    assert scaled.u_combined == pytest.approx(unit * budget.u_combined, rel=1e-12)
    assert scaled.effective_dof == pytest.approx(budget.effective_dof, rel=1e-9)


def test_misuse_of_a_budget_is_said_plainly() -> None:
    with pytest.raises(ValueError, match="scale: a standard uncertainty"):
        Component("scale", -1)
    with pytest.raises(ValueError, match="scale: degrees of freedom"):
        Component("scale", 1, 0)
    with pytest.raises(ValueError, match="same name"):
        Budget((Component("edge", 1), Component("edge", 2)))
    with pytest.raises(ValueError, match="between 0 and 1"):
        Budget((Component("edge", 1),)).expanded(95)
    with pytest.raises(ValueError, match="zip"):
        combine([1, 2], [Component("edge", 1)])


# --- values that follow one another --------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "r1"),
    [
        # NIST StRD certified values of the lag-1 autocorrelation.
        (MICHELSO, 0.535199668621283),
        (MAVRO, 0.937989183438248),
        (LEW, -0.307304800605679),
    ],
)
def test_certified_autocorrelations(text: str, r1: float) -> None:
    values = series(text)
    assert lag1_autocorrelation(values) == pytest.approx(r1, abs=1e-10)


def test_small_spread_on_a_large_mean() -> None:
    # NIST StRD NumAcc1 and NumAcc4: certified autocorrelations -.5 and -.999.
    assert lag1_autocorrelation([10000001, 10000003, 10000002]) == -0.5
    numacc4 = [10000000.2, *[10000000.1, 10000000.3] * 500]
    assert lag1_autocorrelation(numacc4) == pytest.approx(-0.999, abs=1e-7)


def test_effective_size_of_a_first_order_series() -> None:
    # Bayley and Hammersley 1946 (formula from memory): rho .5, n 100 gives 33.78; n(1-rho)/(1+rho)
    # = 33.33 in the limit; Michelso's r1 in the limit 30.28.
    assert ar1_effective_sample_size(100, 0.5) == pytest.approx(33.7838, abs=1e-4)
    assert ar1_effective_sample_size(10**6, 0.5) / 10**4 == pytest.approx(33.3333, abs=1e-3)
    in_the_limit = ar1_effective_sample_size(10**6, 0.535199668621283) / 10**4
    assert in_the_limit == pytest.approx(30.28, abs=0.005)
    assert ar1_effective_sample_size(1, 0.5) == 1
    assert ar1_effective_sample_size(40, 0) == 40
    with pytest.raises(ValueError, match="between -1 and 1"):
        ar1_effective_sample_size(40, 1)
    # Simulated: variance of one value over variance of the mean of a hundred.
    means = ar1(np.random.default_rng(33), 0.5, (40_000, 100)).mean(axis=1)
    assert 1 / means.var() == pytest.approx(33.78, rel=0.03)


@pytest.mark.parametrize(("rho", "n"), [(0.0, 100), (0.5, 100), (0.8, 30), (0.8, 150), (0.9, 300)])
def test_estimated_effective_size_is_about_right(rho: float, n: int) -> None:
    sets = ar1(np.random.default_rng(34), rho, (200, n))
    found = np.median([effective_sample_size(x) for x in sets])
    # It errs to the small side, since it is the smaller of two estimates.
    assert 0.75 <= found / ar1_effective_sample_size(n, rho) <= 1.05


def test_a_long_wave_shows_through_as_much_noise() -> None:
    rng = np.random.default_rng(40)
    sets = ar1(rng, 0.9, (200, 120)) + rng.standard_normal((200, 120))
    truth = 2 / (1 / ar1_effective_sample_size(120, 0.9) + 1 / 120)
    # A third too many, so a doubt a sixth too small; by the uncorrected sum it is two thirds.
    assert np.median([effective_sample_size(x) for x in sets]) == pytest.approx(truth, rel=0.45)


def every_other(n: int, on: int, lost: int) -> NDArray[np.bool_]:
    """Cuts (n,) measured: all but `lost` at the end of each stretch of `on`."""
    return np.arange(n) % on < on - lost


@pytest.mark.parametrize(
    ("rho", "noise", "n", "on", "lost"),
    [
        # Memories of 2, 5 and 15 cuts, bands of 12 mm with 3 lost at their edges, and one ground
        # of two.
        (0.6, 0.3, 85, 12, 3),
        (0.8, 0.3, 85, 12, 3),
        (0.93, 0.1, 150, 12, 3),
        (0.8, 0.0, 60, 12, 6),
        (0.8, 0.3, 85, 24, 14),
        (0.93, 0.1, 150, 24, 14),
    ],
)
def test_intervals_for_what_was_left_out_hold_the_mean_of_all(
    rho: float, noise: float, n: int, on: int, lost: int
) -> None:
    rng = np.random.default_rng(35)
    sets = 1.2 + 0.1 * (ar1(rng, rho, (400, n)) + noise * rng.standard_normal((400, n)))
    seen = every_other(n, on, lost)
    held = 0
    for x in sets:
        low, high = Budget((left_out_component("along", np.where(seen, x, np.nan)),)).interval(
            x[seen].mean()
        )
        held += low <= x.mean() <= high
    assert held / 400 >= 0.93


def test_a_wave_longer_than_the_gaps_says_what_they_hide() -> None:
    # Three waves of 30 in 90, 3 of every 12 left out: their mean is off by 0.6 % of the waves'
    # height. As if each wave counted as a value, or as if all did, u would be some 40 and 4 %.
    wave = np.sin(2 * np.pi * np.arange(90) / 30)
    seen = every_other(90, 12, 3)
    component = left_out_component("along", np.where(seen, 1.0 + wave, np.nan))
    off = abs(float((1.0 + wave)[seen].mean()) - 1.0)
    assert off < 0.01
    assert 0.5 * off < component.u < 0.35 * float(wave.std()) / math.sqrt(3)


def test_an_end_that_was_left_out_counts_as_a_value_of_its_own() -> None:
    # A strand that goes from thick to thin, of which the thin half was not seen.
    course = np.linspace(1.1, 0.9, 24)
    seen = np.arange(24) < 12
    component = left_out_component("along", np.where(seen, course, np.nan))
    low, high = Budget((component,)).interval(float(course[seen].mean()))
    assert low < 1.0 < high
    assert component.u > 0.5 * float(course[seen].std(ddof=1))


def test_nothing_left_out_leaves_no_doubt() -> None:
    x = ar1(np.random.default_rng(41), 0.8, (100,))
    assert left_out_component("along", x).u == pytest.approx(0, abs=1e-12)
    assert left_out_component("along", [*[0.1] * 30, math.nan]).u == 0


def test_values_without_memory_are_doubted_as_a_sample_is() -> None:
    # A sample of n out of N, drawn without replacement (any handbook of sampling): s²/n (1 - n/N).
    rng = np.random.default_rng(43)
    seen = rng.permutation(200) < 120
    u = [
        left_out_component("x", np.where(seen, rng.standard_normal(200), np.nan)).u
        for _ in range(200)
    ]
    truth = math.sqrt(1 / 120 * (1 - 120 / 200))
    # Never less than that, and half of what few pairs tell is held against us.
    assert 0.97 * truth < np.median(u) < 2 * truth


def test_taking_every_value_as_independent_would_not_hold() -> None:
    # The same strand without regard to its memory: what the effective size is for.
    sets = ar1(np.random.default_rng(36), 0.8, (500, 100))
    naive = 1.984 * sets.std(axis=1, ddof=1) / 10
    assert np.mean(np.abs(sets.mean(axis=1)) <= naive) < 0.6


def test_missing_places_keep_their_distance() -> None:
    # Three of every fifteen cuts left out, as near the edges of bands.
    sets = ar1(np.random.default_rng(37), 0.8, (300, 150))
    gappy = sets.copy()
    gappy[:, np.arange(150) % 15 < 3] = np.nan
    whole = np.median([effective_sample_size(x) for x in sets])
    left = np.median([effective_sample_size(x) for x in gappy])
    assert left == pytest.approx(whole, rel=0.15)


def test_gaps_do_not_dilute_the_autocorrelation() -> None:
    x = ar1(np.random.default_rng(42), 0.8, (20_000,))
    whole = lag1_autocorrelation(x)
    x[np.arange(20_000) % 15 < 3] = np.nan
    assert lag1_autocorrelation(x) == pytest.approx(whole, abs=0.01)


def test_a_drift_leaves_little_of_the_sample() -> None:
    drifting = np.linspace(1.0, 1.5, 120) + np.random.default_rng(38).normal(0, 0.02, 120)
    assert effective_sample_size(drifting) < 6


def test_short_and_level_series() -> None:
    assert effective_sample_size([1.0]) == 1
    assert effective_sample_size([1.0, 2.0]) == 2
    assert effective_sample_size([0.1] * 30) == 30
    for n in range(3, 12):
        assert 1 <= effective_sample_size(np.arange(n)) <= n
    with pytest.raises(ValueError, match="no measured value"):
        effective_sample_size([math.nan, math.nan])
    with pytest.raises(ValueError, match="at least three"):
        left_out_component("mean", [1.0, math.nan, 2.0])
    with pytest.raises(ValueError, match="do not vary"):
        lag1_autocorrelation([0.1] * 30)
    with pytest.raises(ValueError, match="neighbouring"):
        lag1_autocorrelation([1.0, math.nan, 2.0])
    with pytest.raises(ValueError, match="flat array"):
        effective_sample_size([[1.0, 2.0]])


@given(
    st.lists(st.one_of(st.floats(-1e3, 1e3), st.just(math.nan)), min_size=1, max_size=60).filter(
        lambda x: not all(map(math.isnan, x))
    )
)
def test_effective_size_is_between_one_and_the_number_measured(values: list[float]) -> None:
    measured = sum(not math.isnan(v) for v in values)
    assert 1 <= effective_sample_size(values) <= measured


@given(seeds, st.floats(0.01, 100), st.floats(-50, 50))
def test_units_scale_the_doubt_and_leave_the_effective_size(
    seed: int, scale: float, offset: float
) -> None:
    x = ar1(np.random.default_rng(seed), 0.6, (60,))
    assert effective_sample_size(scale * x + offset) == pytest.approx(
        effective_sample_size(x), rel=1e-6
    )
    assert lag1_autocorrelation(scale * x) == pytest.approx(lag1_autocorrelation(x), rel=1e-9)
    x[20:30] = math.nan
    assert left_out_component("mean", scale * x + offset).u == pytest.approx(
        scale * left_out_component("mean", x).u, rel=1e-6
    )


@given(seeds)
def test_direction_along_the_strand_does_not_matter(seed: int) -> None:
    x = ar1(np.random.default_rng(seed), 0.6, (50,))
    x[10:13] = np.nan
    assert effective_sample_size(x[::-1]) == pytest.approx(effective_sample_size(x), rel=1e-9)
    there, back = left_out_component("mean", x), left_out_component("mean", x[::-1])
    assert back.u == pytest.approx(there.u, rel=1e-9)
