"""Twist arithmetic against published multipliers, the energy of bent rods, and books' rules."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from measure.ply_geometry import ply_angle_deg
from measure.ply_twist import (
    SET_LOSS,
    balanced_share,
    balanced_share_band,
    ply_turns_band,
    single_turns_band,
    tex_twist_factor,
    turns_left,
    turns_per_metre,
    twist_multiplier,
)


def test_turns_per_metre() -> None:
    # docx.com.vn, TPI to TPM: 39.37; exactly 1000/25.4.
    assert turns_per_metre(1) == pytest.approx(39.3701, abs=5e-5)


def test_multipliers_are_those_of_the_trade() -> None:
    # docx.com.vn: 3.5 in 16s cotton is 14 turns per inch. 1s is 590.541 tex (ASTM D2260).
    assert twist_multiplier(14, 590.541 / 16) == pytest.approx(3.5, abs=1e-5)
    # Turns per metre x root tex is 956.7 per unit of it (from those two; the trade rounds to 957).
    assert tex_twist_factor(3.0, 40) / twist_multiplier(3.0, 40) == pytest.approx(956.7, abs=0.05)
    with pytest.raises(ValueError, match="tex is a positive"):
        tex_twist_factor(3, 0)


@pytest.mark.parametrize(
    ("angle", "ratio", "share"),
    [
        (10, 1.0, 0.969),
        (20, 1.0, 0.868),
        (30, 1.0, 2 / 3),
        (10, 1.5, 0.941),
        (20, 1.5, 0.777),
        (25, 1.5, 0.664),
        (30, 1.5, 0.533),
    ],
)
def test_balance_is_the_curve_worked_out_by_hand(angle: float, ratio: float, share: float) -> None:
    assert balanced_share(angle, ratio) == pytest.approx(share, abs=0.0006)


@pytest.mark.parametrize("ratio", [1.0, 1.25, 1.5])
@pytest.mark.parametrize("single", [0.3, 0.7, 1.2])
def test_balance_is_where_bent_and_twisted_rods_have_least_energy(
    ratio: float, single: float
) -> None:
    # Kirchhoff rods on a helix of radius 1: curvature sin^2 b, torsion sin b cos b, the rod's own
    # twist w0 = single less what plying takes out. Energy per rod length, GJ = 1, EI = ratio.
    def energy(b: float) -> float:
        bent = ratio * math.sin(b) ** 4
        twisted = (single - math.sin(b) * math.cos(b)) ** 2
        return bent + twisted

    b = minimize_scalar(energy, bounds=(0.0, math.pi / 4), method="bounded").x
    # tan b = 2 pi R U, so that ply turns are tan b and single's turns `single`, times 2 pi R.
    share = balanced_share(math.degrees(b), ratio)
    assert math.tan(b) / single == pytest.approx(share, rel=2e-3)


def test_the_rules_of_books_are_points_within_the_band() -> None:
    # Two thirds: askthebellwether.blogspot.com 2008/03 (9 and 6 turns per inch in a two-ply);
    # one half: reference.com, twists per inch. Both are right at some ply angle.
    for rule in (2 / 3, 1 / 2):
        held = [a for a in range(1, 45) if balanced_share_band(a)[0] <= rule]
        low = min(held)
        assert balanced_share_band(low)[1] > rule
    low, high = balanced_share_band(25)
    assert low < 2 / 3 < high


def test_setting_takes_what_was_published() -> None:
    # Knitty, winter 2005/06: 23 degrees fresh, 20 after the wash; 14.3 % of the turns.
    assert pytest.approx(0.143, abs=0.0005) == SET_LOSS


def test_what_is_left_in_the_singles() -> None:
    # u - U cos^2 b (JTMS Japan 14 (1961) 115, abstract): 9 and 6 turns at 20 degrees, by hand.
    assert turns_left(9, 6, 20) == pytest.approx(3.70187, abs=1e-5)


@given(st.floats(0.2, 2.0), st.integers(2, 4), st.floats(0.5, 12))
def test_bands_of_single_and_ply_are_inverse(d: float, plies: int, single: float) -> None:
    low, high = ply_turns_band(single, d, plies)
    assert 0 < low < high < single
    # A ply at either end of the band has singles of this twist at the end of its own.
    assert single_turns_band(high, d, plies)[0] == pytest.approx(single, rel=1e-6)
    assert single_turns_band(low, d, plies)[1] == pytest.approx(single, rel=1e-6)
    assert ply_angle_deg(d, plies, high) < 45


def test_singles_without_twist_ply_without_twist() -> None:
    assert ply_turns_band(0, 0.5, 2) == pytest.approx((0, 0), abs=1e-12)


def test_what_cannot_balance_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 45"):
        single_turns_band(30.0, 1.0, 2)
    with pytest.raises(ValueError, match="at least two plies"):
        ply_turns_band(5, 1.0, 1)
    with pytest.raises(ValueError, match="0 or more"):
        ply_turns_band(-1, 1.0, 2)
    with pytest.raises(ValueError, match="positive number"):
        ply_turns_band(1, 0.0, 2)
