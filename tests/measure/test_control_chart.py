"""The control chart against the NIST handbook's worked example, closed forms and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom, t

from measure.control_chart import (
    LEAST_SD,
    ewma,
    ewma_variance,
    make_chart,
    scatter_so_far,
    student_width,
)
from measure.drift import EWMA_WEIGHT, FIRST_READINGS, LIMIT_WIDTH

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, "EWMA Control Charts": twenty values,
# weight 0.3, start 50, standard deviation 2.0539, limits at three of them. Read in third-party
# test files that agree with each other; the page itself was not read.
NIST_VALUES = """
    52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5
    49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1
"""
NIST_AVERAGES = """
    50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33
    50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99
"""


def handbook(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def test_the_handbooks_averages_come_out_to_every_printed_digit() -> None:
    averages = ewma(handbook(NIST_VALUES), 0.3, 50.0)
    assert [f"{value:.2f}" for value in averages] == NIST_AVERAGES.split()


def test_the_handbooks_limits_are_where_the_exact_ones_end() -> None:
    reach = 3 * np.sqrt(ewma_variance(np.full(200, 2.0539**2), 0.3))
    # Printed 52.5884 and 47.4115 (the lower one cut, not rounded: 47.41157).
    assert 50 + reach[-1] == pytest.approx(52.5884, abs=1e-4)
    assert 50 - reach[-1] == pytest.approx(47.4115, abs=1e-4)
    # Not on the page: 1 - (1 - 0.3)^(2t) of that, worked out by hand.
    assert_allclose(50 + reach[[0, 1, 19]], [51.84851, 52.256394, 52.588431], rtol=0, atol=1e-6)
    assert np.all(np.abs(ewma(handbook(NIST_VALUES), 0.3, 50.0) - 50) < reach[:20]), (
        "all in control there"
    )


@pytest.mark.parametrize("weight", [0.05, 0.2, 0.7, 1.0])
def test_equal_variances_give_the_textbook_formula(weight: float) -> None:
    count = np.arange(1, 61)
    textbook = 4.0 * weight / (2 - weight) * (1 - (1 - weight) ** (2 * count))
    assert_allclose(ewma_variance(np.full(60, 4.0), weight), textbook, rtol=1e-12)


def test_a_weight_outside_0_to_1_is_refused() -> None:
    with pytest.raises(ValueError, match="weight"):
        ewma([1.0], 0.0, 1.0)
    with pytest.raises(ValueError, match="weight"):
        ewma_variance([1.0], 1.5)


def test_the_charts_deviation_is_that_of_the_sum_of_weighted_values_it_is() -> None:
    rng = np.random.default_rng(4)
    y, own = 0.03 * rng.normal(size=30), np.full(30, 1e-12)
    base = make_chart(y, own, 8, 0.2)
    step = 1e-4
    # No value of these is far off, so the average is linear and its slopes are its weights.
    weights = np.empty((30, 30))
    for place in range(30):
        moved = make_chart(y + step * (np.arange(30) == place), own, 8, 0.2)
        weights[:, place] = ((moved.average - moved.centre) - (base.average - base.centre)) / step
    between = scatter_so_far(y, own, 8).between
    expected = np.sqrt(between * (weights**2).sum(axis=1))[8:]
    assert_allclose(base.u_from_centre[8:], expected, rtol=1e-6)
    assert np.isnan(base.u_from_centre[:8]).all()


def test_a_chart_drawn_stays_as_it_was_when_more_values_come() -> None:
    rng = np.random.default_rng(8)
    y, own = rng.normal(size=60).cumsum() * 0.02, rng.uniform(1e-5, 1e-3, 60)
    whole = make_chart(y, own, 8, 0.2)
    for n in (9, 17, 40):
        part = make_chart(y[:n], own[:n], 8, 0.2)
        assert part.centre == whole.centre
        for name in ("average", "u_from_centre", "u_average", "dof"):
            assert_allclose(getattr(part, name), getattr(whole, name)[:n], rtol=1e-12)


def test_scatter_is_split_into_the_values_own_and_the_rest() -> None:
    rng = np.random.default_rng(2)
    between, own = [], rng.uniform(0.01, 0.05, 60) ** 2
    for _ in range(400):
        y = 0.04 * rng.normal(size=60) + np.sqrt(own) * rng.normal(size=60)
        between.append(float(scatter_so_far(y, own, 8).between[-1]))
    # Of 400 series the mean is known to some 0.02/sqrt(400) parts; pulling far ones in costs 2 %.
    assert np.mean(between) == pytest.approx(0.04**2, rel=0.08)


def test_values_that_agree_better_than_their_doubt_are_believed() -> None:
    rng = np.random.default_rng(3)
    scatter = scatter_so_far(0.01 * rng.normal(size=400), np.full(400, 0.05**2), 8)
    assert scatter.between[-1] == 0
    assert scatter.scale[-1] == pytest.approx(0.01**2 / 0.05**2, rel=0.25)


def test_a_slope_hardly_widens_the_scatter() -> None:
    rng = np.random.default_rng(5)
    flat = 0.03 * rng.normal(size=200)
    own = np.full(200, 1e-8)
    sloped = flat + 0.2 * np.arange(200) / 200
    assert scatter_so_far(sloped, own, 8).between[-1] == pytest.approx(
        scatter_so_far(flat, own, 8).between[-1], rel=0.02
    )


def test_a_misread_value_does_not_blind_the_chart() -> None:
    rng = np.random.default_rng(6)
    y = 0.03 * rng.normal(size=40)
    own = np.full(40, 1e-8)
    wild = np.where(np.arange(40) == 20, 0.5, y)
    plain, with_wild = (make_chart(v, own, 8, 0.2) for v in (y, wild))
    assert with_wild.u_from_centre[-1] < 1.4 * plain.u_from_centre[-1]
    assert with_wild.average[20] - plain.average[20] < 0.2 * 0.2


def test_a_jump_that_stays_is_followed_to_its_full_height() -> None:
    y = np.where(np.arange(60) < 20, 0.0, 0.3) + 0.01 * (-1.0) ** np.arange(60)
    chart = make_chart(y, np.full(60, 1e-8), 8, 0.2)
    assert chart.average[-1] == pytest.approx(0.3, abs=0.005)


def test_equal_values_make_a_chart_with_narrow_limits_and_no_warning() -> None:
    chart = make_chart(np.zeros(20), np.zeros(20), 8, 0.2)
    assert np.all(chart.average == 0)
    assert np.all(chart.reach(3.0)[8:] > 0)
    assert chart.between_sd == pytest.approx(LEAST_SD)


def test_student_width_is_students_quantile() -> None:
    dof = np.array([1.3, 4.0, 20.0, 99.0, 101.0, 400.0, 1e5])
    # The tail is that of 2.9 normal deviations, 0.18658 %.
    assert_allclose(student_width(2.9, dof), t.isf(0.0018658133003840378, dof), rtol=1e-3)


def test_too_few_values_are_refused() -> None:
    with pytest.raises(ValueError, match="8 first values"):
        make_chart(np.zeros(8), np.zeros(8), 8, 0.2)
    with pytest.raises(ValueError, match="two values"):
        scatter_so_far([1.0], [0.1], 8)


# --- how often it is wrong and how soon it is right, by simulation ----------------------------


def first_alarm(y: np.ndarray, own: np.ndarray) -> float:
    """Entry of the first alarm, from 0; infinite for none."""
    chart = make_chart(y, own, FIRST_READINGS, EWMA_WEIGHT)
    beyond = np.flatnonzero(np.abs(chart.average - chart.centre) > chart.reach(LIMIT_WIDTH))
    return float(beyond[0]) if len(beyond) else math.inf


@pytest.mark.parametrize(
    ("between", "doubt", "seed"), [(0.04, 0.015, 1), (0.0, 0.02, 2), (0.08, 0.02, 3)]
)
def test_about_four_bobbins_of_fifty_readings_in_a_hundred_raise_a_false_alarm(
    between: float, doubt: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    bobbins, own = 1500, np.full(50, doubt**2)
    alarms = sum(
        first_alarm(math.hypot(between, doubt) * rng.normal(size=50), own) < math.inf
        for _ in range(bobbins)
    )
    # 4 in 100 is what is said; these are the counts that 3.5 to 5 in 100 leave in 999 of 1000.
    assert binom.ppf(0.0005, bobbins, 0.035) <= alarms <= binom.ppf(0.9995, bobbins, 0.05)


@pytest.mark.parametrize(
    ("scatter", "at_once", "over_twenty"), [(0.02, 3, 11), (0.03, 5, 14), (0.05, 8, 20)]
)
def test_a_tenth_thicker_is_noticed_as_soon_as_said(
    scatter: float, at_once: int, over_twenty: int
) -> None:
    rng = np.random.default_rng(11)
    n, start, own = 60, 15, np.full(60, 1e-10)
    grown = math.log(1.1) * np.array(
        [np.arange(n) >= start, np.clip(np.arange(n) - start + 1, 0, 20) / 20]
    )
    for rise, said in zip(grown, (at_once, over_twenty), strict=True):
        delays = [
            first_alarm(scatter * rng.normal(size=n) + rise, own) - start + 1 for _ in range(300)
        ]
        kept = [delay for delay in delays if delay > 0]
        # The median of 300 lies within one reading of the true one, or two where delays vary more.
        assert abs(np.median(kept) - said) <= (2 if scatter > 0.03 else 1)
