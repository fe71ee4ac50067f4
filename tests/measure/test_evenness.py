"""Evenness against textbook examples, Monte-Carlo and planted thick and thin places."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from measure.evenness import (
    THICK_MASS_LIMITS_PERCENT,
    THIN_MASS_LIMITS_PERCENT,
    cv_percent,
    cv_standard_error_percent,
    diameter_percent_from_mass_percent,
    find_uneven_places,
    martindale_limit_percent,
    mass_cv_percent_from_diameter_cv,
    u_percent,
)

seeds = st.integers(0, 2**32 - 1)


def strand(seed: int, n: int = 150, cv: float = 0.2) -> NDArray[np.float64]:
    return np.random.default_rng(seed).lognormal(0, cv, n)


def test_cv_is_sample_deviation_over_mean() -> None:
    # 2, 4, 4, 4, 5, 5, 7, 9: sum of squares about the mean of 5 is 32, over n - 1 = 7.
    d = [2, 4, 4, 4, 5, 5, 7, 9]
    assert cv_percent(d) == pytest.approx(100 * math.sqrt(32 / 7) / 5, rel=1e-14)
    assert cv_percent([*d, math.nan]) == cv_percent(d)


def test_u_percent_of_a_printed_example() -> None:
    # iegarments.blogspot.com/2025/09: mean departure 1.5 on a mean of 30 is U 5.0 %.
    assert u_percent([28.5, 31.5, 28.5, 31.5]) == pytest.approx(5.0, abs=1e-12)


def test_cv_over_u_of_normal_values() -> None:
    # cdquestions.com prints 1.25; a normal's mean absolute departure is sqrt(2/pi) of its SD.
    d = np.random.default_rng(11).normal(1.2, 0.12, 400_000)
    assert cv_percent(d) / u_percent(d) == pytest.approx(1.2533, abs=0.004)


def test_standard_error_of_a_cv() -> None:
    # CV sqrt(1/2(n-1) + CV^2/n), worked by hand: 10 % from 50 values is good to 1.02.
    assert cv_standard_error_percent(10, 50) == pytest.approx(1.02, abs=0.005)
    # And what 20 000 simulated sets of 50 do.
    d = np.random.default_rng(12).normal(1, 0.1, (20_000, 50))
    found = 100 * d.std(axis=1, ddof=1) / d.mean(axis=1)
    assert found.std() == pytest.approx(cv_standard_error_percent(10, 50), rel=0.03)
    with pytest.raises(ValueError, match="more than one"):
        cv_standard_error_percent(10, 1)


@pytest.mark.parametrize(
    ("mass_percent", "diameter_percent"),
    [(-50, -29.2893), (35, 16.1895), (50, 22.4745), (200, 73.2051), (0, 0), (-100, -100)],
)
def test_diameter_that_goes_with_a_mass(mass_percent: float, diameter_percent: float) -> None:
    # Mass goes as the square of diameter at constant packing, worked by hand.
    assert diameter_percent_from_mass_percent(mass_percent) == pytest.approx(
        diameter_percent, abs=1e-4
    )


def test_mass_cannot_fall_below_nothing() -> None:
    with pytest.raises(ValueError, match="more than 100 %"):
        diameter_percent_from_mass_percent(-101)


@pytest.mark.parametrize(("cv_d", "cv_m"), [(5, 9.98129), (10, 19.85142), (20, 38.84425)])
def test_cv_of_mass_from_cv_of_diameter(cv_d: float, cv_m: float) -> None:
    # Moments of the square of a normal: sqrt(4c^2 + 2c^4)/(1 + c^2).
    assert mass_cv_percent_from_diameter_cv(cv_d) == pytest.approx(cv_m, abs=1e-4)
    d = np.random.default_rng(13).normal(1, cv_d / 100, 400_000)
    assert cv_percent(d**2) == pytest.approx(cv_m, rel=0.01)


def test_martindales_limit() -> None:
    # GATE Textile 2014 Q48 (textiletriangle.com): 60.5 tex of 0.5 tex fibre, CV 10 %:
    # n 121, limit 9.09 %, index 1.10.
    limit = martindale_limit_percent(60.5 / 0.5)
    assert limit == pytest.approx(9.09, abs=0.005)
    assert 10 / limit == pytest.approx(1.10, abs=0.005)
    # collegedunia.com: 32 tex of 2 denier fibre, SD 3.2 tex; index in the band 1.1 to 1.3.
    assert 1.1 <= 100 * 3.2 / 32 / martindale_limit_percent(32 * 9 / 2) <= 1.3
    # GATE Textile 2018 Q52: 106/sqrt(n) means fibres of mass CV 35 to 36 %.
    assert martindale_limit_percent(1, 35.16) == pytest.approx(106, abs=0.005)
    # Martindale 1945, from memory: 112/sqrt(n) for wool, fibre mass CV twice 25 %.
    assert martindale_limit_percent(1, 50) == pytest.approx(111.8, abs=0.005)
    with pytest.raises(ValueError, match="fibres"):
        martindale_limit_percent(0)


def test_martindales_limit_by_laying_fibres_at_random() -> None:
    # Fibres in section are Poisson when fibres are laid at random: CV is 1/root n.
    sections = np.random.default_rng(14).poisson(80, 200_000)
    assert cv_percent(sections) == pytest.approx(martindale_limit_percent(80), rel=0.01)


def test_planted_places_are_found_where_they_were_put() -> None:
    d = np.full(100, 1.0)
    d[20:23] = [1.3, 1.6, 1.3]
    d[60:62] = [0.6, 0.5]
    mean = d.mean()
    thick, thin = find_uneven_places(np.arange(100) + 0.5, d)
    assert (thick.kind, thick.from_mm, thick.to_mm) == ("thick", 20.0, 23.0)
    assert thick.threshold_percent == 50
    assert thick.extreme_percent == pytest.approx(100 * (1.6 / mean - 1))
    assert (thin.kind, thin.from_mm, thin.to_mm) == ("thin", 60.0, 62.0)
    assert thin.threshold_percent == -50
    assert thin.extreme_percent == pytest.approx(100 * (0.5 / mean - 1))


def test_the_usual_limits_are_half_the_mass_less_or_more() -> None:
    # In diameter at constant packing -29.3 % and +22.5 % (-50 %, +50 % of mass, the customary
    # settings from memory; that thick and thin places are counted is in the scope of ISO 16549).
    def found(departure_percent: float) -> int:
        d = np.ones(20_001)
        d[10_000] = 1 + departure_percent / 100
        return len(find_uneven_places(np.arange(20_001), d))

    assert [found(x) for x in (22.2, 22.7, -29.0, -29.5)] == [0, 1, 0, 1]
    assert -50 in THIN_MASS_LIMITS_PERCENT
    assert 50 in THICK_MASS_LIMITS_PERCENT


def test_a_stricter_limit_finds_no_fewer_cuts() -> None:
    d = strand(21, 2000)
    position = np.arange(d.size, dtype=float)

    def length(thin: int, thick: int) -> float:
        places = find_uneven_places(position, d, thin_percent=thin, thick_percent=thick)
        return sum(p.to_mm - p.from_mm for p in places)

    lengths = [
        length(thin, thick)
        for thin, thick in zip(THIN_MASS_LIMITS_PERCENT, THICK_MASS_LIMITS_PERCENT, strict=True)
    ]
    assert lengths == sorted(lengths, reverse=True)
    assert lengths[0] > lengths[-1] > 0


def test_a_place_ends_where_measuring_stops() -> None:
    d = np.ones(60)
    d[10:16] = 1.5
    position = np.arange(60.0)
    assert len(find_uneven_places(position, d)) == 1
    # A step of 1.5 cuts does not break it, a longer one does.
    assert len(find_uneven_places(np.where(position > 12, position + 0.5, position), d)) == 1
    parts = find_uneven_places(np.where(position > 12, position + 0.6, position), d)
    assert [(p.from_mm, p.to_mm) for p in parts] == [(9.5, 12.5), (13.1, 16.1)]
    # An unmeasured cut does.
    d[13] = np.nan
    assert [(p.from_mm, p.to_mm) for p in find_uneven_places(position, d)] == [
        (9.5, 12.5),
        (13.5, 15.5),
    ]


def test_places_at_the_very_ends_count() -> None:
    d = np.ones(40)
    d[0] = d[-1] = 2
    places = find_uneven_places(np.arange(40.0), d)
    assert [(p.from_mm, p.to_mm) for p in places] == [(-0.5, 0.5), (38.5, 39.5)]


def test_a_level_strand_or_one_cut_has_no_places() -> None:
    assert find_uneven_places(np.arange(50.0), np.full(50, 0.7)) == ()
    assert find_uneven_places([], []) == ()
    assert find_uneven_places([1.0, 2.0], [0.5, math.nan]) == ()


@given(seeds)
def test_runs_agree_with_a_general_labelling(seed: int) -> None:
    d = strand(seed)
    departure = 100 * (d / d.mean() - 1)
    places = find_uneven_places(np.arange(d.size), d)
    # +50 % and -50 % of mass at constant packing: the diameter goes as its root.
    thick, thin = 100 * (math.sqrt(1.5) - 1), 100 * (math.sqrt(0.5) - 1)
    for kind, beyond in (("thick", departure > thick), ("thin", departure < thin)):
        _, count = ndimage.label(beyond)
        mine = [p for p in places if p.kind == kind]
        assert len(mine) == count
        assert sum(p.to_mm - p.from_mm for p in mine) == beyond.sum()
    assert [p.from_mm for p in places] == sorted(p.from_mm for p in places)


@given(seeds, st.floats(0.01, 100))
def test_units_do_not_matter(seed: int, scale: float) -> None:
    d = strand(seed)
    assert cv_percent(d * scale) == pytest.approx(cv_percent(d), rel=1e-10)
    assert u_percent(d * scale) == pytest.approx(u_percent(d), rel=1e-10)
    position = np.arange(d.size, dtype=float)
    before, after = (find_uneven_places(position, x) for x in (d, d * scale))
    assert [(p.kind, p.from_mm, p.to_mm) for p in before] == [
        (p.kind, p.from_mm, p.to_mm) for p in after
    ]


@given(seeds)
def test_turning_the_strand_round_turns_the_places_round(seed: int) -> None:
    d = strand(seed)
    position = np.arange(d.size, dtype=float)
    end = position[-1]
    forth = {(p.kind, p.from_mm, p.to_mm) for p in find_uneven_places(position, d)}
    back = {(p.kind, end - p.to_mm, end - p.from_mm) for p in find_uneven_places(position, d[::-1])}
    assert forth == back


@pytest.mark.parametrize(
    ("position", "diameter", "limits", "text"),
    [
        ([0, 1], [1, 1, 1], {}, "same length"),
        ([[0, 1]], [[1, 1]], {}, "flat"),
        ([0, 1, 1], [1, 1, 1], {}, "must rise"),
        ([0, 1], [1, 1], {"cut_mm": 0}, "cut_mm"),
        ([0, 1], [1, 1], {"thin_percent": 30}, "thin_percent"),
        ([0, 1], [-1, -1], {}, "positive"),
    ],
)
def test_misuse_is_said_plainly(
    position: list[float], diameter: list[float], limits: dict[str, int], text: str
) -> None:
    with pytest.raises(ValueError, match=text):
        find_uneven_places(position, diameter, **limits)


def test_too_little_to_judge_is_said_plainly() -> None:
    for judge in (cv_percent, u_percent):
        with pytest.raises(ValueError, match="at least two measured cuts"):
            judge([1.0, math.nan])
        with pytest.raises(ValueError, match="positive"):
            judge([-1.0, -2.0])
