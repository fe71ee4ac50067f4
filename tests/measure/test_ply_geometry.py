"""Widths, circles and helices of plied yarn: closed forms, and circles turned and measured."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from measure.ply_geometry import (
    axis_radius,
    enclosing_circle,
    ply_angle_deg,
    ply_factor,
    take_up,
    turns_for_angle,
    width_range,
)


def turned_widths(plies: int) -> np.ndarray:
    """Widths of n touching circles of diameter 1, seen from all sides, without any closed form."""
    around = 2 * np.pi * np.arange(plies) / plies
    centres = np.column_stack([np.cos(around), np.sin(around)])
    centres /= np.linalg.norm(centres[1] - centres[0])
    sides = np.linspace(0, np.pi, 7201)
    seen = centres @ np.array([np.cos(sides), np.sin(sides)])
    return np.ptp(seen, axis=0) + 1.0


@pytest.mark.parametrize("plies", [2, 3, 4, 5, 6])
def test_widths_are_those_of_circles_that_are_turned(plies: int) -> None:
    widths = turned_widths(plies)
    assert ply_factor(plies) == pytest.approx(widths[:-1].mean(), abs=1e-6)
    assert_allclose(width_range(plies), [widths.min(), widths.max()], atol=1e-6)


def test_plies_lie_as_wide_as_cauchys_theorem_says() -> None:
    # 1 + P/pi, P the perimeter of the hull of the centres: 2, 3 and 4 diameters.
    assert_allclose(
        [ply_factor(n) for n in (1, 2, 3, 4)], [1, 1.63662, 1.95493, 2.27324], rtol=0, atol=5e-6
    )


def test_circles_and_axes_are_those_of_regular_polygons() -> None:
    # 2; 1 + 2/sqrt(3); 1 + sqrt(2); and 1/2, 1/sqrt(3), 1/sqrt(2) (plane geometry).
    assert_allclose(
        [enclosing_circle(n) for n in (1, 2, 3, 4)],
        [1, 2, 1 + 2 / math.sqrt(3), 1 + math.sqrt(2)],
        rtol=1e-12,
    )
    assert_allclose(
        [axis_radius(n) for n in (1, 2, 3, 4)],
        [0, 0.5, 1 / math.sqrt(3), 1 / math.sqrt(2)],
        rtol=1e-12,
    )


def test_three_plies_are_nowhere_as_wide_as_the_circle_round_them() -> None:
    assert width_range(3)[1] == pytest.approx(2.0)
    assert enclosing_circle(3) == pytest.approx(2.1547, abs=5e-5)


def test_a_singles_twist_angle_is_that_of_its_surface() -> None:
    # tan a = pi d T: 1 mm at 2, 4, 6, 8 turns per inch (homo-deus.com, yarn twist, formula).
    found = [ply_angle_deg(1.0, 1, t) for t in (2, 4, 6, 8)]
    assert_allclose(found, [13.89, 26.32, 36.58, 44.70], atol=0.005)
    # 45 degrees at 25.4/pi turns per inch.
    assert turns_for_angle(1.0, 1, 45) == pytest.approx(8.085071, abs=1e-6)


@pytest.mark.parametrize(("tpi", "percent"), [(2, 2.926), (4, 10.369), (6, 19.697)])
def test_twist_takes_up_what_the_helix_says(tpi: float, percent: float) -> None:
    # A helix of radius R and U turns per length is sqrt(1 + (2 pi R U)^2) times its axis long.
    assert 100 * take_up(1.0, 2, tpi) == pytest.approx(percent, abs=0.001)


@pytest.mark.parametrize(("angle", "percent"), [(10, 1.519), (20, 6.031), (30, 13.397)])
@pytest.mark.parametrize("plies", [2, 3, 4, 5])
def test_take_up_is_one_less_the_cosine(angle: float, percent: float, plies: int) -> None:
    turns = turns_for_angle(0.7, plies, angle)
    assert ply_angle_deg(0.7, plies, turns) == pytest.approx(angle)
    assert 100 * take_up(0.7, plies, turns) == pytest.approx(percent, abs=0.001)


def test_the_length_of_a_drawn_helix_is_the_take_up() -> None:
    # Summed along a polygon, with no formula of a helix.
    turns, plies, d = 5.0, 3, 0.8
    along = np.linspace(0, 25.4, 100_001)
    around = 2 * np.pi * turns * along / 25.4
    radius = d / math.sqrt(3)
    path = np.column_stack([radius * np.cos(around), radius * np.sin(around), along])
    length = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
    assert take_up(d, plies, turns) == pytest.approx(1 - 25.4 / length, abs=1e-6)


def test_one_ply_is_not_plied() -> None:
    assert take_up(1.0, 1, 5.0) == 0
    assert ply_factor(1) == 1
    assert width_range(1) == (1, 1)


@given(st.integers(1, 6), st.floats(0.1, 5), st.floats(0.1, 20), st.floats(0.5, 3))
def test_angle_and_take_up_know_no_unit(plies: int, d: float, turns: float, scale: float) -> None:
    for what in (ply_angle_deg, take_up):
        assert what(d * scale, plies, turns / scale) == pytest.approx(what(d, plies, turns))


@pytest.mark.parametrize("what", [ply_factor, enclosing_circle, width_range, axis_radius])
def test_a_yarn_has_a_ply(what: object) -> None:
    with pytest.raises(ValueError, match="at least one ply"):
        what(0)  # type: ignore[operator]


def test_what_is_no_diameter_or_angle_is_refused() -> None:
    with pytest.raises(ValueError, match="positive number"):
        ply_angle_deg(0.0, 2, 4)
    with pytest.raises(ValueError, match="between 0 and 90"):
        turns_for_angle(1.0, 2, 90)
