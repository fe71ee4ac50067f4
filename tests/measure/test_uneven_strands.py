"""Strands that differ along their length: in colour, so that a ground shows bits of them, or in
thickness, so that places left out count.

Pictures and their truth come from closed forms (`analytic`).
"""

from __future__ import annotations

import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw, to_jpeg
from drawn_fuzz import drawn_specks
from numpy.typing import NDArray

from measure import StrandReading, measure_picture, newest_card

BLACK = (0.012, 0.011, 0.014)
GREY = (0.3, 0.3, 0.3)
CARD = newest_card("pocket")


def read(strand: Strand) -> StrandReading:
    """Its reading under a sky."""
    camera = Camera(px_per_mm=14.0, distance_mm=300.0, blur_px=0.8, noise=0.004)
    pixels, _ = draw(CARD, [strand], Light(sky=0.8, unshaded=0.2), camera, 5)
    (reading,) = measure_picture(to_jpeg(pixels, 95)).strands
    return reading


@pytest.mark.parametrize("colour", [(0.8, 0.75, 0.6), (0.5, 0.1, 0.3)])
def test_black_with_bright_specks_is_read_where_all_of_it_shows(
    colour: tuple[float, float, float],
) -> None:
    # On dark ground nothing shows but the specks, which are a third as wide.
    specks = drawn_specks(np.random.default_rng(8), 0.5, colour, CARD.width_mm)
    reading = read(Strand("banded", 0.0, 1.0, BLACK, specks=specks))
    assert reading.ground == "light"
    # Its specks' light is added up as it was coded (4:2:0), which counts them a little less.
    assert reading.diameter_mm == pytest.approx(1.0, rel=0.07)
    low, high = reading.diameter_interval_mm
    assert low < 1.0 < high
    assert "one_ground" in [c.code for c in reading.cautions]


def test_grey_with_bright_specks_is_read_on_both() -> None:
    specks = drawn_specks(np.random.default_rng(2), 0.5, (0.8, 0.75, 0.6), CARD.width_mm)
    reading = read(Strand("banded", 0.0, 1.0, GREY, specks=specks))
    assert reading.ground == "both"
    assert reading.diameter_mm == pytest.approx(1.0, rel=0.03)


@pytest.mark.parametrize("change", [1.0, -0.45])
@pytest.mark.parametrize("level", [0.15, 0.2])
def test_one_slub_of_a_dark_strand_does_not_lose_its_ground(change: float, level: float) -> None:
    """A thick or thin place that lies on a dark stretch spreads the cuts of that ground alone."""

    def diameter(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(1.0 + change * np.exp(-(((x - 30.8) / 2.0) ** 2)))

    reading = read(Strand("banded", 0.0, diameter, (level,) * 3))
    assert reading.ground == "both"
    truth = float(diameter(np.arange(1.0, 84.0, 0.1)).mean())
    low, high = reading.diameter_interval_mm
    assert low < truth < high


@pytest.mark.parametrize("phase", [0.0, 1.6, 3.1, 4.7])
def test_slubs_are_not_held_against_the_mean(phase: float) -> None:
    """Cuts spread by 14 %, yet the few millimetres left out hide little of waves of 25 mm."""

    def diameter(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(1.0 + 0.2 * np.sin(x / 4.0 + phase))

    reading = read(Strand("banded", 0.0, diameter, GREY))
    assert reading.cv_percent is not None
    assert reading.cv_percent > 12
    truth = float(diameter(np.arange(reading.along.position_mm[0], 83.0, 0.1)).mean())
    low, high = reading.diameter_interval_mm
    assert low < truth < high
    assert reading.budget_mm["sampling"] < 0.015 * reading.diameter_mm


def test_what_every_other_stretch_hides_counts() -> None:
    """Black without specks shows on light ground alone: half of its waves are left out."""

    def diameter(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(1.0 + 0.2 * np.sin(x / 2.5))

    reading = read(Strand("banded", 0.0, diameter, BLACK))
    assert reading.ground == "light"
    assert reading.budget_mm["sampling"] > 0.025 * reading.diameter_mm
    low, high = reading.diameter_interval_mm
    assert low < 1.0 < high
