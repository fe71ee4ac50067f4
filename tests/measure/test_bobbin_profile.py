"""Profiles along a bobbin: what is flat stays flat, what drifts is found, and where it lies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike

from measure.bobbin_profile import CELLS, BobbinProfile, profiles_of
from measure.drift import ReadingPoint

MIDDLES = (np.arange(CELLS) + 0.5) / CELLS


def readings(
    logs: ArrayLike, grams: ArrayLike | None = None, u: float = 1e-4
) -> list[ReadingPoint]:
    weights = [None] * len(np.atleast_1d(logs)) if grams is None else list(np.asarray(grams, float))
    return [
        ReadingPoint(math.exp(v), u * math.exp(v), spun_g=None if g is None else float(g))
        for v, g in zip(np.asarray(logs, float).tolist(), weights, strict=True)
    ]


def test_scatter_without_drift_gives_nearly_flat_profiles() -> None:
    rng = np.random.default_rng(1)
    found = profiles_of({str(k): readings(0.04 * rng.normal(size=30)) for k in range(6)})
    for bobbin in found.bobbins:
        assert np.ptp(bobbin.diameter_mm) < 0.02
    # 174 degrees of freedom: known to a twentieth, less what a wander may take.
    assert found.scatter_percent == pytest.approx(4, rel=0.15)


def test_a_drift_is_followed_and_the_scatter_is_not() -> None:
    rng = np.random.default_rng(2)
    misses, raw = [], []
    for _ in range(20):
        noise = 0.03 * rng.normal(size=30)
        drift = 0.2 * np.sin(2.5 * (np.arange(30) + 0.5) / 30)
        found = profiles_of({"a": readings(drift + noise)}).bobbins[0]
        misses.append(np.log(found.diameter_mm) - 0.2 * np.sin(2.5 * MIDDLES))
        raw.append(noise)
    assert np.std(misses) < 0.6 * np.std(raw)
    assert abs(np.mean(misses)) < 0.01


def test_the_stated_doubt_is_that_of_the_profile() -> None:
    rng = np.random.default_rng(3)
    misses, doubts = [], []
    for _ in range(60):
        steps = np.cumsum(rng.normal(size=400)) * 0.15 / 20
        places = (np.arange(20) + 0.5) / 20
        truth = np.interp(places, (np.arange(400) + 0.5) / 400, steps)
        found = profiles_of({"a": readings(truth + 0.03 * rng.normal(size=20))}).bobbins[0]
        at_cells = np.interp(MIDDLES, (np.arange(400) + 0.5) / 400, steps)
        misses.append(np.mean((np.log(found.diameter_mm) - at_cells) ** 2))
        doubts.append((found.u_percent / 100) ** 2)
    # The variances are learned from twenty readings, which costs some of the stated doubt.
    assert math.sqrt(np.mean(doubts)) == pytest.approx(math.sqrt(np.mean(misses)), rel=0.25)


def test_doubt_of_the_readings_is_no_scatter_of_the_yarn() -> None:
    rng = np.random.default_rng(4)
    sure = {str(k): readings(0.05 * rng.normal(size=30), u=1e-4) for k in range(6)}
    unsure = {name: readings([r.log_diameter for r in rs], u=0.03) for name, rs in sure.items()}
    whole, less = profiles_of(sure).scatter_percent, profiles_of(unsure).scatter_percent
    assert less == pytest.approx(math.sqrt(whole**2 - 3**2), rel=1e-4)


def test_grams_set_the_place_by_mass_over_diameter_squared() -> None:
    # The first half of the mass at 1 mm, the second at 2 mm: four times shorter.
    grams = np.linspace(0.5, 99.5, 100)
    logs = np.where(grams < 50, 0.0, math.log(2))
    found = profiles_of({"a": readings(logs, grams)}, {"a": 100.0}).bobbins[0]
    assert found.length == pytest.approx(50 + 50 / 4, rel=0.01)
    jump = np.flatnonzero(found.diameter_mm > math.sqrt(2))[0] / CELLS
    assert jump == pytest.approx(50 / 62.5, abs=1.5 / CELLS)


def test_without_a_net_weight_half_a_gap_follows_the_last_reading() -> None:
    found = profiles_of({"a": readings(np.zeros(5), [10, 20, 30, 40, 50])}).bobbins[0]
    assert found.length == pytest.approx(55)


def test_without_grams_all_bobbins_are_equally_long_unless_weighed() -> None:
    bobbins = {"a": readings(np.zeros(5)), "b": readings(np.full(7, math.log(2)))}
    assert [b.length for b in profiles_of(bobbins).bobbins] == [1, 1]
    weighed = profiles_of(bobbins, {"a": 80.0, "b": 80.0}).bobbins
    assert weighed[0].length == pytest.approx(4 * weighed[1].length)
    assert [b.length for b in profiles_of(bobbins, {"a": 80.0}).bobbins] == [1, 1]


def test_grams_that_fall_are_not_believed() -> None:
    assert profiles_of({"a": readings(np.zeros(3), [10, 5, 20])}).bobbins[0].length == 1


def test_one_reading_is_a_flat_profile() -> None:
    found = profiles_of({"a": readings([0.3])})
    assert_allclose(found.bobbins[0].diameter_mm, math.exp(0.3))
    assert found.scatter_percent == 0


def test_thousands_of_readings_are_taken_in_blocks() -> None:
    drift = np.linspace(0, 0.3, 5000)
    rng = np.random.default_rng(5)
    found = profiles_of({"a": readings(drift + 0.05 * rng.normal(size=5000))}).bobbins[0]
    assert_allclose(np.log(found.diameter_mm), 0.3 * MIDDLES, rtol=0, atol=0.02)


def test_cells_keep_the_mean() -> None:
    bobbin = BobbinProfile("a", 10.0, np.linspace(1, 2, CELLS), 0.0)
    for cell in (0.1, 0.7, 3.0, 25.0):
        assert bobbin.in_cells(cell).mean() == pytest.approx(1.5)
        assert len(bobbin.in_cells(cell)) == max(1, round(10 / cell))


def test_nothing_makes_no_profile() -> None:
    for bobbins in ({}, {"a": []}):
        with pytest.raises(ValueError, match="at least one reading"):
            profiles_of(bobbins)
    with pytest.raises(ValueError, match="bobbin a needs"):
        BobbinProfile("a", 0.0, np.ones(3), 0.0)
