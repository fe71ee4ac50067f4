"""Widths over whole turns, against Cauchy's theorem and the outline of round plies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from plied import PliedStrand, width_mm

from measure.whole_turns import mean_over_part_turns, means_over_turns

PLY_MM = 0.5


def _profile(plies: int, turn_mm: float, length_mm: float, start: float = 0.1) -> tuple:  # type: ignore[type-arg]
    """Running means over 1 mm of the true width, each quarter of a millimetre."""
    fine = np.arange(0.0, length_mm + 1.0, 0.01)
    width = width_mm(PliedStrand(plies, PLY_MM, 5.0, "Z"), start + fine / turn_mm)
    running = np.convolve(width, np.ones(100) / 100, mode="valid")
    position = fine[: len(running)] + 0.5
    return position[::25], running[::25]


@pytest.mark.parametrize(("plies", "factor"), [(2, 1.63662), (3, 1.95493), (4, 2.27324)])
@pytest.mark.parametrize("length", [9.0, 31.0, 70.3])
def test_mean_is_cauchys_whatever_length_is_seen(plies: int, factor: float, length: float) -> None:
    # 1 + P / pi, P the perimeter of the hull of the plies' centres (Cauchy).
    assert factor == pytest.approx(1 + plies / math.pi, abs=1e-5)
    position, width = _profile(plies, 6.4, length)
    mean = mean_over_part_turns(position, width, 6.4, plies)
    assert mean == pytest.approx(factor * PLY_MM, rel=0.01)


def test_a_plain_mean_leans_where_whole_part_turns_do_not() -> None:
    # One part-turn and a half of two soft plies: the half more is all wide.
    position, width = _profile(2, 12.0, 9.0, start=0.12)
    true = 1.63662 * PLY_MM
    assert abs(width.mean() / true - 1) > 0.03
    assert mean_over_part_turns(position, width, 12.0, 2) == pytest.approx(true, rel=0.015)


def test_bumps_are_not_unevenness() -> None:
    position, width = _profile(2, 5.0, 75.0)
    assert width.std() / width.mean() > 0.1
    middles, means, piece = means_over_turns(position, width, 5.0, 2)
    assert piece == 5.0
    assert len(means) == len(middles) == 15
    assert means.std() / means.mean() < 0.005
    assert np.diff(middles) == pytest.approx(5.0)


def test_gaps_do_not_lean_the_mean() -> None:
    position, width = _profile(2, 5.0, 75.0)
    # Band edges: 1.2 mm of every 12.
    seen = (position % 12) > 1.2
    _, means, _ = means_over_turns(position[seen], width[seen], 5.0, 2)
    assert means == pytest.approx(1.63662 * PLY_MM, rel=0.02)


def test_few_turns_are_judged_by_part_turns_and_too_short_a_strand_not_at_all() -> None:
    position, width = _profile(3, 12.0, 70.0)
    _, means, piece = means_over_turns(position, width, 12.0, 3)
    assert piece == 4.0
    assert len(means) == 17
    position, width = _profile(2, 12.0, 4.0)
    assert len(means_over_turns(position, width, 12.0, 2)[1]) == 0
    assert mean_over_part_turns(position, width, 12.0, 2) == pytest.approx(width.mean())
