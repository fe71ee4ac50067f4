"""The band of ply twist."""

from __future__ import annotations

import math

import pytest

from measure.ply_twist import balanced_share_band
from measure.twist_band import TwistBand


def test_its_ends_lie_one_from_its_geometric_middle() -> None:
    band = TwistBand(4.0, 9.0)
    assert [band.position(t) for t in (4.0, 6.0, 9.0)] == pytest.approx([-1.0, 0.0, 1.0])
    assert band.position(0.0) == -math.inf


@pytest.mark.parametrize(
    ("turns", "half", "place", "sure", "beyond"),
    [
        (5.0, 0.5, "in", True, 0.0),
        (5.9, 0.5, "in", False, 0.0),
        (6.6, 0.7, "more", False, 10.0),
        (6.6, 0.5, "more", True, 10.0),
        (3.6, 0.2, "less", True, -10.0),
        (3.6, 0.5, "less", False, -10.0),
    ],
)
def test_twist_is_judged_with_its_interval(
    turns: float, half: float, place: str, sure: bool, beyond: float
) -> None:
    judged = TwistBand(4.0, 6.0).judge(turns, (turns - half, turns + half))
    assert (judged.place, judged.sure) == (place, sure)
    assert judged.beyond_percent == pytest.approx(beyond)


def test_balance_of_singles_is_that_of_the_torques() -> None:
    """Both ends satisfy U = u share(b), tan b = 2 pi R U, of plies as wide as Cauchy says."""
    single, plied_mm, plies = 10.0, 1.0, 2
    band = TwistBand.balancing(single, plied_mm, plies)
    assert band.balanced
    ply_mm = plied_mm / (1 + plies / math.pi)
    for end, which in ((band.low, 0), (band.high, 1)):
        # Two plies' axes run at half a ply's width from the yarn's.
        angle = math.degrees(math.atan(2 * math.pi * ply_mm / 2 * end / 25.4))
        assert end / single == pytest.approx(balanced_share_band(angle)[which], rel=1e-6)


@pytest.mark.parametrize("ends", [(0.0, 5.0), (5.0, 5.0), (6.0, 5.0), (1.0, math.inf)])
def test_ends_that_make_no_band_are_refused(ends: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="fewer to more"):
        TwistBand(*ends)
    with pytest.raises(ValueError, match="above 0"):
        TwistBand.balancing(0.0, 1.0, 2)
