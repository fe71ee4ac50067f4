"""Sudden changes told from gradual ones: exact cases, brute force, and counts by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from measure.step import FEWEST_APART, find_step
from measure.trend import fit_line

N = 20
X = np.arange(N, dtype=float)
U = np.full(N, 0.01)
TENTH = math.log(1.1)


def test_two_levels_are_found_as_they_are() -> None:
    y = np.where(X >= 13, 0.3, 0.1)
    found = find_step(X, y, U)
    assert found is not None
    assert found.at == 13
    assert found.line.slope == pytest.approx(0.2, abs=1e-12)
    backwards = find_step(X, y[::-1], U)
    assert backwards is not None
    assert (backwards.at, backwards.line.slope) == (7, pytest.approx(-0.2, abs=1e-12))


def test_what_is_no_step() -> None:
    rng = np.random.default_rng(5)
    assert find_step(X, 0.01 * X, U) is None, "a line fits exactly"
    assert find_step(X, np.full(N, 0.4), U) is None
    assert find_step(X, np.where(X >= N - FEWEST_APART + 1, 0.3, 0.0), U) is None, "too few after"
    assert find_step(X[:5], 0.01 * rng.standard_normal(5), U[:5]) is None
    slub = 0.02 * rng.standard_normal(N)
    slub[9] += 0.4
    assert find_step(X, slub, U) is None


def test_the_place_is_the_one_that_leaves_least_squares() -> None:
    """Against every place tried in turn, and the size against a weighted difference of means."""
    rng = np.random.default_rng(2)
    for shift in (0.1, -0.15):
        u = rng.uniform(0.005, 0.03, N)
        y = np.where(X >= 8, shift, 0.0) + u * rng.standard_normal(N)
        found = find_step(X, y, u)
        assert found is not None
        weight = 1 / (u**2 + fit_line(X, y, u).between_sd ** 2)

        def left(at: int, y: np.ndarray = y, weight: np.ndarray = weight) -> float:
            parts = (slice(None, at), slice(at, None))
            means = [np.average(y[p], weights=weight[p]) for p in parts]
            return sum(
                float(weight[p] @ (y[p] - m) ** 2) for p, m in zip(parts, means, strict=True)
            )

        assert found.at == min(range(1, N), key=left)
        by_two = 1 / (u**2 + found.line.between_sd**2)
        before, after = slice(None, found.at), slice(found.at, None)
        difference = np.average(y[after], weights=by_two[after]) - np.average(
            y[before], weights=by_two[before]
        )
        assert_allclose(found.line.slope, difference, rtol=1e-9)


def test_how_often_which_is_said() -> None:
    """What docs/statistics.md states, of readings that scatter by 3 %."""
    rng = np.random.default_rng(11)
    runs = 250
    noise = 0.03 * rng.standard_normal((runs, N))
    steps = [find_step(X, TENTH * (X >= 10) + row, U) for row in noise]
    said = [s for s in steps if s is not None]
    # 4 of 5 and fewer than 1 of 10, with three binomial standard deviations of room.
    assert len(said) / runs == pytest.approx(0.8, abs=0.08)
    gradual = [find_step(X, TENTH * X / (N - 1) + row, U) for row in noise]
    assert sum(g is not None for g in gradual) / runs < 0.1 + 0.05
    assert sum(find_step(X, row, U) is not None for row in noise) / runs < 0.1 + 0.05
    ends = np.array([s.line.slope_interval for s in said])
    held = np.mean((ends[:, 0] < TENTH) & (ends[:, 1] > TENTH))
    # The place was chosen by the same readings, which costs a little of the 95 %.
    assert held > 0.9
    line = [fit_line(X, TENTH * (X >= 10) + row, U) for row in noise]
    assert np.mean([fit.slope * (N - 1) for fit in line]) > 1.35 * TENTH, "what a line would say"
