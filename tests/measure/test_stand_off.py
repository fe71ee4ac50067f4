"""A strand held above the card looks larger; how little shade it throws tells that it may be.

Pictures and their truth come from closed forms (`stress_shots`). What shares of light a cylinder
keeps from the ground beside it is geometry, worked out beside the check.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from stress_shots import matched, random_shot, take, true_mm

from measure import StrandReading, measure_picture
from measure.shading import Light

SHADELESS = 60197
"""A grey strand 8.5 mm above the card, under an open sky: it shades next to nothing below it."""


def reading_of(seed: int, lift_mm: float | None = None) -> tuple[StrandReading, float]:
    """The one strand of a shot, as high above the card as asked, and its true width."""
    shot = random_shot(seed)
    if lift_mm is not None:
        shot = replace(shot, strands=tuple(replace(s, lift_mm=lift_mm) for s in shot.strands))
    taken = take(shot)
    (reading,) = matched(measure_picture(taken.data, settings=shot.settings), taken)
    assert reading is not None
    return reading, true_mm(taken, 0, reading)


@pytest.mark.parametrize("seed", [SHADELESS, 60992])
def test_held_up_it_is_doubted_by_how_high_it_may_be(seed: int) -> None:
    reading, true = reading_of(seed)
    low, high = reading.diameter_interval_mm
    assert reading.diameter_mm > 1.04 * true, "or the picture would show nothing"
    assert low < true < high
    assert "no_shade" in [c.code for c in reading.cautions]


def test_lying_there_it_is_not() -> None:
    reading, true = reading_of(SHADELESS, lift_mm=0.0)
    assert reading.diameter_mm == pytest.approx(true, rel=0.02)
    assert "no_shade" not in [c.code for c in reading.cautions]
    held_up, _ = reading_of(SHADELESS)
    assert reading.budget_mm["stand_off"] < 0.2 * held_up.budget_mm["stand_off"]


def test_what_may_be_up_is_doubted_by_the_root_of_how_well(monkeypatch: Any) -> None:
    # A share p of strands held up as high as h, the others lying, spread by h * sqrt(p).
    doubts = []
    for up in (0.0, 0.25, 1.0):
        monkeypatch.setattr("measure.budget.may_be_up", lambda _, up=up: up)
        reading, _ = reading_of(SHADELESS, lift_mm=0.0)
        doubts.append(reading.budget_mm["stand_off"] / reading.diameter_mm)
    lying, perhaps, shadeless = doubts
    height_mm = random_shot(SHADELESS).camera.distance_mm
    assert height_mm is not None
    assert lying == pytest.approx(0.2 / height_mm, rel=0.1)
    assert perhaps == pytest.approx(shadeless / 2, rel=0.02)
    # Five millimetres over the camera's height, and as much as 4 % for a hard lamp.
    assert 5.0 / height_mm < shadeless < math.hypot(5.5 / height_mm, 0.04)


def test_how_far_a_lamps_shadow_reaches_out() -> None:
    light = Light(0.2, 0.8, 0.0, 0.1, 0.6, 0.0, 1.0)
    assert light.beside == 0.0, "straight above, the strand hides its own shadow"
    # The ray that grazes a circle of radius 1 whose middle is 1 high, 30 degrees off upright,
    # meets the ground tan 30 + 1 / cos 30 from the line of contact.
    lean = math.tan(math.radians(30.0))
    expected = lean + 1 / math.cos(math.radians(30.0)) - 1
    for sign in (1.0, -1.0):
        assert replace(light, lean=sign * lean).beside == pytest.approx(expected)
    assert replace(light, lean=3.0).beside == 1.0
