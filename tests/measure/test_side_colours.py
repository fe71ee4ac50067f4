"""Plies of two colours are told from plies of one, and the reading says what that does to it."""

from __future__ import annotations

import math

import pytest
from analytic import Camera
from plied import Lamp, PliedStrand, draw_plied

from measure import StrandReading, measure_picture, newest_card

CREAM, RUST, TEAL = (0.74, 0.68, 0.56), (0.45, 0.14, 0.05), (0.06, 0.3, 0.32)


@pytest.fixture(scope="module")
def read() -> tuple[StrandReading, ...]:
    camera = Camera(px_per_mm=16.0, distance_mm=None, blur_px=0.9, noise=0.004, width_px=960)
    strands = (
        PliedStrand(2, 0.6, 5.0, "S", (CREAM, RUST), -2.7, scatter=0.6),
        PliedStrand(2, 0.6, 5.0, "S", (TEAL,), 2.7, scatter=0.6),
    )
    # A lamp that shines along the strand lights one ply's flank and not the other's.
    picture, _ = draw_plied(newest_card("pocket"), strands, camera, 5, Lamp(0.3, 35.0, 30.0))
    return measure_picture(picture).strands


def test_plies_of_two_colours_are_cautioned_and_their_interval_holds(
    read: tuple[StrandReading, ...],
) -> None:
    striped, plain = read
    codes = [{c.code for c in one.cautions} for one in read]
    assert "two_colours" in codes[0]
    assert "two_colours" not in codes[1]
    assert striped.budget_mm["two_colours"] > 0.0
    assert plain.budget_mm["two_colours"] == 0.0
    # Cauchy's mean width of two touching round plies.
    low, high = striped.diameter_interval_mm
    assert low < 0.6 * (1 + 2 / math.pi) < high


def test_a_plied_strands_doubt_is_that_of_its_plies(read: tuple[StrandReading, ...]) -> None:
    plain = read[1]
    assert plain.plies == 2
    assert plain.budget_mm["plies"] == pytest.approx(0.036 * plain.diameter_mm)
