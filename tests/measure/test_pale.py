"""Light that comes through a pale strand: a doubt of its own, alike on every ground.

Pictures and their truth come from closed forms (`analytic`). Light that goes through a cylinder of
optical depth t along its diameter is exp(-t sqrt(1 - h^2)) at h half widths from its middle (Beer
and Lambert), so that half of it comes through at h = sqrt(1 - (ln 2 / t)^2): that is where its core
ends, and how far from 1 falls with the square of t.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw, to_jpeg
from drawn_fuzz import core_diameter_mm

from measure import StrandReading, measure_picture, newest_card
from measure.grounds import _DENSE_MM, _PALE
from measure.results import OWN_PARTS, SHARED_PARTS
from measure.shading import Rim, light_through

WHITE = (0.75, 0.75, 0.75)
PX_PER_MM = 20.0


def read(*strands: Strand) -> list[StrandReading]:
    """The readings of strands in one lane, lit by a sky and a lamp, from above to below."""
    camera = Camera(px_per_mm=PX_PER_MM, distance_mm=300.0, blur_px=0.8, noise=0.004)
    light = Light(sky=0.6, lamp=0.3, unshaded=0.1, lean_deg=25.0, softness_mm=0.2)
    pixels, _ = draw(newest_card("pocket"), list(strands), light, camera, 3)
    return list(measure_picture(to_jpeg(pixels, 95)).strands)


def test_half_of_the_light_comes_through_where_the_core_ends() -> None:
    depth = 3.0
    core = core_diameter_mm(Strand("banded", 0.0, 1.0, WHITE, optical_depth=depth), np.zeros(1))[0]
    assert math.exp(-depth * math.sqrt(1.0 - core**2)) == pytest.approx(0.5)
    # Narrowed by half the square of ln 2 over the depth, nearly.
    assert 1.0 - core == pytest.approx(0.5 * (math.log(2.0) / depth) ** 2, rel=0.03)


def test_the_doubt_falls_with_thickness_and_with_darkness() -> None:
    fine, thick = read(Strand("banded", -3.0, 0.5, WHITE), Strand("banded", 3.0, 2.0, WHITE))
    shares = [one.budget_mm["pale"] / one.diameter_mm for one in (fine, thick)]
    fall = (1 + (thick.diameter_mm / _DENSE_MM) ** 2) / (1 + (fine.diameter_mm / _DENSE_MM) ** 2)
    # As bright as each other but for what they are measured to be.
    assert shares[0] / shares[1] == pytest.approx(fall, rel=0.1)
    assert "pale" in [c.code for c in fine.cautions]
    assert "pale" not in [c.code for c in thick.cautions]
    assert "plied" not in [c.code for c in fine.cautions]
    assert set(fine.budget_mm) == {*SHARED_PARTS, *OWN_PARTS}, (
        "each is of the one kind or the other"
    )
    (dark,) = read(Strand("banded", 0.0, 0.5, (0.15, 0.1, 0.2)))
    assert dark.budget_mm["pale"] < 0.25 * fine.budget_mm["pale"]
    assert shares[0] < _PALE


@pytest.mark.parametrize("depth", [3.0, 4.0, 8.0])
def test_a_translucent_strand_lies_within_its_interval(depth: float) -> None:
    strand = Strand("banded", 0.0, 0.6, WHITE, optical_depth=depth)
    (reading,) = read(strand)
    low, high = reading.diameter_interval_mm
    assert low < float(core_diameter_mm(strand, np.zeros(1))[0]) < high


@pytest.mark.parametrize("depth", [5.0, 6.0, 7.0, 9.0])
def test_a_translucent_core_ends_outside_the_middle_of_its_soft_edge(depth: float) -> None:
    # Beer and Lambert: at h half widths exp(-depth sqrt(1 - h^2)) of the light comes through.
    h = (np.arange(100_000) + 0.5) / 100_000
    cover = 1.0 - np.exp(-depth * np.sqrt(1.0 - h * h))
    middle = cover.mean()
    softness = math.sqrt(2.0 * (h * cover).mean() - middle**2)
    core = math.sqrt(1.0 - (math.log(2.0) / depth) ** 2)
    outside, doubt = light_through(Rim(1.0, softness, 0.0, 0.5), 1.0)
    # As likely as it is at most: four in five.
    assert outside == pytest.approx(0.8 * (core - middle), rel=0.12)
    assert doubt == pytest.approx(0.5 * outside), "sqrt(0.8 x 0.2) of what it would be"


def test_what_is_black_lets_no_light_through() -> None:
    rim = Rim(1.0, 0.1, 0.0, 0.5)
    assert light_through(rim, 0.0) == (0.0, 0.0)
    grey, doubt = light_through(rim, math.sqrt(0.5))
    assert grey == pytest.approx(doubt), "as likely as not: as much in doubt as it is"
    assert light_through(Rim(1.0, 0.0, 0.0, 0.5), 0.7) == (0.0, 0.0)


def test_what_makes_edges_softer_than_light_through_them_does_is_something_else() -> None:
    soft, softer = (light_through(Rim(1.0, softness, 0.0, 0.5), 0.7) for softness in (0.12, 0.3))
    assert soft == softer
    assert light_through(Rim(1.0, 0.1, 0.06, 0.5), 0.7) == (0.0, 0.0), "fuzz"
