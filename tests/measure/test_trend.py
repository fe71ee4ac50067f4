"""A line through unsure readings against ordinary least squares, its definition and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import binom, linregress, t

from measure.trend import fit_line, per_cent, span_text


def test_equal_doubts_give_ordinary_least_squares() -> None:
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0, 50, 10))
    y = 0.01 * x + 0.05 * rng.normal(size=10)
    for u in (1e-6, 0.02, 0.5):
        line, scipys = fit_line(x, y, np.full(10, u)), linregress(x, y)
        assert line.slope == pytest.approx(scipys.slope, rel=1e-9)
        reach = t.ppf(0.975, 8) * scipys.stderr
        assert_allclose(
            line.slope_interval, (scipys.slope - reach, scipys.slope + reach), rtol=1e-7
        )
        assert line.level == pytest.approx(y.mean())


def test_the_variance_between_readings_meets_its_condition() -> None:
    rng = np.random.default_rng(2)
    x, u = np.arange(30.0), rng.uniform(0.005, 0.08, 30)
    y = 0.05 * rng.normal(size=30) + u * rng.normal(size=30)
    line = fit_line(x, y, u)
    weight = 1 / (line.between_sd**2 + u**2)
    residual = y - line.level - line.slope * (x - line.mean_x)
    # Paule and Mandel's condition, and the normal equations of weighted least squares.
    assert (weight * residual**2).sum() == pytest.approx(28, rel=1e-6)
    assert (weight * residual).sum() == pytest.approx(0, abs=1e-6)
    assert (weight * residual * x).sum() == pytest.approx(0, abs=1e-6)


def test_the_variance_between_readings_is_right_on_average() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(500):
        u = rng.uniform(0.01, 0.04, 25)
        y = 0.05 * rng.normal(size=25) + u * rng.normal(size=25)
        found.append(fit_line(np.arange(25.0), y, u).between_sd ** 2)
    # Each is known to some 40 %, their mean to 2 %.
    assert np.mean(found) == pytest.approx(0.05**2, rel=0.06)


def test_a_surer_reading_weighs_more() -> None:
    x, y = np.arange(6.0), np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.3])
    doubtful = fit_line(x, y, np.array([0.01] * 5 + [1.0]))
    sure = fit_line(x, y, np.full(6, 0.01))
    assert abs(doubtful.slope) < 0.01 * abs(sure.slope)


@pytest.mark.parametrize(("n", "seed"), [(6, 4), (20, 5), (40, 6)])
def test_the_interval_holds_the_slope_as_often_as_it_says(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    held, trials = 0, 600
    for _ in range(trials):
        u = rng.uniform(0.01, 0.04, n)
        y = 0.1 * np.arange(n) / n + 0.04 * rng.normal(size=n) + u * rng.normal(size=n)
        low, high = fit_line(np.arange(n), y, u).slope_interval
        held += low <= 0.1 / n <= high
    assert binom.ppf(0.0005, trials, 0.935) <= held <= binom.ppf(0.9995, trials, 0.965)


def test_readings_that_resemble_their_neighbours_widen_it() -> None:
    rng = np.random.default_rng(7)
    n, trials, held = 40, 400, {0.0: 0, 0.5: 0}
    widths: dict[float, float] = {}
    for rho in held:
        for _ in range(trials):
            noise, y = rng.normal(size=n), np.empty(n)
            y[0] = noise[0]
            for i in range(1, n):
                y[i] = rho * y[i - 1] + math.sqrt(1 - rho**2) * noise[i]
            low, high = fit_line(np.arange(n), y, np.full(n, 0.01)).slope_interval
            held[rho] += low <= 0 <= high
            widths[rho] = widths.get(rho, 0) + high - low
    assert widths[0.5] > 1.2 * widths[0.0]
    # Left alone it would hold 73 in 100 here (own simulation).
    assert held[0.5] / trials > 0.85


@given(
    st.lists(st.floats(-0.3, 0.3), min_size=5, max_size=40),
    st.floats(-5, 5),
    st.integers(0, 2**32 - 1),
)
def test_a_shift_of_the_logs_changes_no_slope_and_turning_round_changes_its_sign(
    heights: list[float], shift: float, seed: int
) -> None:
    y = np.array(heights)
    u = np.random.default_rng(seed).uniform(0.005, 0.05, len(y))
    x = np.arange(len(y), dtype=float)
    line = fit_line(x, y, u)
    shifted = fit_line(x, y + shift, u)
    turned = fit_line(x, y[::-1], u[::-1])
    assert_allclose(shifted.slope_interval, line.slope_interval, rtol=1e-6, atol=1e-9)
    assert_allclose(
        turned.slope_interval, [-v for v in line.slope_interval[::-1]], rtol=1e-6, atol=1e-9
    )


def test_what_makes_no_line_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 5 readings, not 4"):
        fit_line(np.arange(4), np.zeros(4), np.ones(4))
    with pytest.raises(ValueError, match="same place"):
        fit_line(np.ones(6), np.zeros(6), np.ones(6))
    with pytest.raises(ValueError, match="same length"):
        fit_line(np.arange(6), np.zeros(5), np.ones(6))


def test_readings_on_a_line_and_perfectly_sure_have_no_doubt() -> None:
    line = fit_line(np.arange(8), 0.1 * np.arange(8), np.zeros(8))
    assert line.slope == pytest.approx(0.1)
    assert line.u_slope == pytest.approx(0, abs=1e-9)


def test_per_cent_and_its_text() -> None:
    assert per_cent(math.log(1.06)) == pytest.approx(6)
    assert span_text(6.04, (2.2, 9.9)) == "6 % (2 to 10 %)"
    assert span_text(0.61, (-0.04, 1.2)) == "0.6 % (0.0 to 1.2 %)"
    assert span_text(-0.3, (-7.1, 6.9)) == "0 % (-7 to 7 %)"
