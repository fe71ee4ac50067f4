"""How sure a bobbin's mean is: closed forms, a table worked out elsewhere, simulated bobbins."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy.stats import binom, chi2, t

from measure.drift import ReadingPoint
from measure.precision import log_mean_of, precision_of, readings_needed


def bobbin(
    logs: ArrayLike, *, u: float = 1e-6, shared: float = 0.0, cv: float | None = None
) -> list[ReadingPoint]:
    """Readings of these log diameters with relative doubts of their own and in common."""
    return [
        ReadingPoint(
            math.exp(log),
            math.hypot(u, shared) * math.exp(log),
            cv,
            u_shared_mm=shared * math.exp(log),
        )
        for log in np.asarray(logs, dtype=float).tolist()
    ]


def series(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    y, noise = np.empty(n), rng.normal(size=n)
    y[0] = noise[0]
    for place in range(1, n):
        y[place] = rho * y[place - 1] + math.sqrt(1 - rho**2) * noise[place]
    return y


# Up and down by turns: no trend, and neighbours that differ are worth no less than strangers.
BY_TURNS = [0.05, -0.05, 0.05, -0.05, 0.05, -0.05, 0.05, -0.05]


def test_a_step_is_no_doubt_about_the_mean() -> None:
    """Of 13 readings before and 13 after a step: the scatter about two levels."""
    noise = np.random.default_rng(4).normal(0, 0.02, 26)
    logs = noise + 0.1 * (np.arange(26) >= 13)
    found = precision_of(bobbin(logs)).log_mean
    levels = np.r_[noise[:13] - noise[:13].mean(), noise[13:] - noise[13:].mean()]
    # Three figures are taken from the readings: two levels and where they change.
    assert found.sd == pytest.approx(math.sqrt(float(levels @ levels) / 23), rel=1e-9)
    assert found.mean == pytest.approx(logs.mean())
    assert found.u < 0.006, "0.02 over the root of 26 is 0.004; about one mean it would be 0.01"


def test_independent_readings_give_students_interval() -> None:
    found = precision_of(bobbin(BY_TURNS))
    # By hand: sd = 0.05 sqrt(8/7), t of 7 degrees of freedom at 97.5 % is 2.3646.
    reach = 2.3646 * 0.05 * math.sqrt(8 / 7) / math.sqrt(8)
    assert found.n_effective == 8
    assert found.log_mean.dof == 7
    low, high = found.mean_interval_mm
    assert math.log(high / low) / 2 == pytest.approx(reach, rel=1e-4)
    assert found.mean_mm == pytest.approx(math.cosh(0.05))
    assert found.known_to_percent == pytest.approx(100 * reach, rel=2e-3)


def test_the_spread_has_the_interval_of_a_variance() -> None:
    found = precision_of(bobbin(BY_TURNS, u=0.02))
    square = 0.05**2 * 8 / 7
    assert found.spread_percent == pytest.approx(100 * math.sqrt(square - 0.02**2), rel=1e-6)
    for end, tail in zip(found.spread_interval_percent, (0.975, 0.025), strict=True):
        limit = 7 * square / chi2.ppf(tail, 7)
        assert end == pytest.approx(100 * math.sqrt(limit - 0.02**2), rel=1e-6)


def test_two_readings_give_a_finite_interval_that_says_how_little_they_say() -> None:
    found = precision_of(bobbin([0.0, 0.1]))
    # Student's t of one degree of freedom: 12.706.
    reach = 12.706 * 0.1 / math.sqrt(2) / math.sqrt(2)
    assert math.log(found.mean_interval_mm[1] / found.mean_interval_mm[0]) / 2 == pytest.approx(
        reach, rel=1e-4
    )
    assert found.further_readings(2.0) is None
    assert found.sentence(2.0).endswith("; 5 readings are needed to tell how many make 2 %")


def test_one_reading_is_no_bobbin() -> None:
    for readings in ([], bobbin([0.0])):
        with pytest.raises(ValueError, match="two readings"):
            precision_of(readings)


def test_what_readings_share_does_not_average_out() -> None:
    alone, sharing = (
        precision_of(bobbin(BY_TURNS * 8)),
        precision_of(bobbin(BY_TURNS * 8, shared=0.02)),
    )
    assert sharing.shared_percent == pytest.approx(3.92, abs=0.01)
    assert sharing.known_to_percent > sharing.shared_percent > alone.known_to_percent
    assert sharing.further_readings(2.0) is None
    assert sharing.sentence(2.0).endswith(
        "more readings will not make it 2 %, since card and camera alone leave 3.9 %"
    )


def test_variation_within_and_between_readings_adds_up_to_the_bobbins() -> None:
    found = precision_of(bobbin(BY_TURNS, cv=12.0))
    assert found.within_percent == pytest.approx(12)
    assert found.cv_percent == pytest.approx(math.hypot(12, found.spread_percent))
    assert precision_of(bobbin(BY_TURNS)).cv_percent is None


# Readings needed for a mean within plus or minus E at 95 % by Student's t, independent values:
# worked out on its own when the project's check values were gathered.
@pytest.mark.parametrize(
    ("cv", "tolerance", "needed"),
    [(5, 2, 27), (10, 2, 99), (10, 3, 46), (10, 5, 18), (15, 5, 38), (20, 5, 64)],
)
def test_readings_needed(cv: float, tolerance: float, needed: int) -> None:
    assert readings_needed(cv, tolerance) == needed
    assert t.ppf(0.975, needed - 1) * cv / math.sqrt(needed) <= tolerance
    assert t.ppf(0.975, needed - 2) * cv / math.sqrt(needed - 1) > tolerance


def test_readings_worth_half_need_twice_as_many() -> None:
    half = readings_needed(10, 2, worth=0.5)
    assert half is not None
    assert half == pytest.approx(2 * 99, rel=0.03)


def test_no_number_of_readings_beats_what_they_share() -> None:
    assert readings_needed(5, 2, u_shared_percent=1.1) is None
    assert readings_needed(100, 2) is None
    shared = readings_needed(5, 2, u_shared_percent=0.5)
    assert shared is not None
    assert shared > 27


@pytest.mark.parametrize("wrong", [(-1, 2, 1), (5, 0, 1), (5, 2, 0), (5, 2, 1.5)])
def test_readings_needed_refuses_nonsense(wrong: tuple[float, float, float]) -> None:
    sd, tolerance, worth = wrong
    with pytest.raises(ValueError, match="sd is 0 or more"):
        readings_needed(sd, tolerance, worth=worth)


def test_as_many_further_readings_as_said_do_make_it_about_that_sure() -> None:
    rng = np.random.default_rng(2)
    reached = []
    for _ in range(60):
        logs = 0.06 * rng.normal(size=400)
        start = precision_of(bobbin(logs[:20]))
        further = start.further_readings(1.5)
        assert further is not None
        reached.append(precision_of(bobbin(logs[: 20 + further])).known_to_percent)
    # The spread is guessed from twenty readings, so each is off by up to a fifth.
    assert np.median(reached) == pytest.approx(1.5, rel=0.12)


def test_enough_is_said_to_be_enough() -> None:
    found = precision_of(bobbin(BY_TURNS * 10))
    assert found.further_readings(2.0) == 0
    assert found.sentence(2.0).endswith("within the 2 % wanted")
    assert " more readings would make it 0.5 %" in found.sentence(0.5)
    assert "more than 500 readings" in found.sentence(0.05)


@pytest.mark.parametrize(
    ("n", "rho", "at_least", "at_most"),
    [
        (2, 0.0, 0.93, 0.98),
        (3, 0.0, 0.93, 0.99),
        (8, 0.0, 0.93, 0.98),
        (30, 0.0, 0.93, 0.98),
        # Readings alike: so few show little of how alike they are.
        (15, 0.3, 0.89, 0.98),
        (60, 0.3, 0.92, 0.99),
        (60, 0.6, 0.89, 0.99),
    ],
)
def test_the_interval_holds_the_mean_as_often_as_it_should(
    n: int, rho: float, at_least: float, at_most: float
) -> None:
    rng = np.random.default_rng(round(100 * n + 10 * rho))
    trials, held = 250, 0
    for _ in range(trials):
        low, high = precision_of(bobbin(0.04 * series(rng, n, rho))).mean_interval_mm
        # Arithmetic mean of a log-normal diameter.
        held += low <= math.exp(0.04**2 / 2) <= high
    assert binom.ppf(0.0005, trials, at_least) <= held <= binom.ppf(0.9995, trials, at_most)


def test_a_drift_that_is_seen_all_along_leaves_the_mean_as_sure_as_it_was() -> None:
    rng = np.random.default_rng(7)
    steady = 0.03 * rng.normal(size=40)
    drifting = steady + np.linspace(-0.15, 0.15, 40)
    a, b = precision_of(bobbin(steady)), precision_of(bobbin(drifting))
    assert b.known_to_percent < 1.5 * a.known_to_percent
    assert b.spread_percent > 2.5 * a.spread_percent


@settings(max_examples=50)
@given(st.lists(st.floats(-0.4, 0.4), min_size=2, max_size=40), st.floats(-3, 3))
def test_another_unit_scales_the_mean_and_nothing_else(logs: list[float], shift: float) -> None:
    plain = precision_of(bobbin(logs, u=0.01))
    other = precision_of(bobbin(np.array(logs) + shift, u=0.01))
    assert other.mean_mm == pytest.approx(plain.mean_mm * math.exp(shift))
    assert other.spread_percent == pytest.approx(plain.spread_percent, rel=1e-6, abs=1e-4)
    low, high = plain.mean_interval_mm
    middle = math.exp(log_mean_of(bobbin(logs, u=0.01)).mean)
    assert low * (1 - 1e-12) <= middle <= high * (1 + 1e-12)


def test_what_card_and_camera_leave_is_told_where_it_is_why_so_many_are_needed() -> None:
    logs = 0.02 * np.tile([1.0, -1.0, 0.5, -0.5], 6)
    for shared, words in (
        (0.001, r"about \d more readings? would make it 0.7 %$"),
        (0.0026, r"more readings? would make it 0.7 % \(card and camera alone leave 0.5 %\)$"),
        (0.0034, r"more readings will hardly make it 0.7 %, since card and camera alone leave 0.7"),
        (0.0040, r"more readings will not make it 0.7 %, since card and camera alone leave 0.8"),
    ):
        assert re.search(words, precision_of(bobbin(logs, shared=shared)).sentence(0.7))
