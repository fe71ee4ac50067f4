"""The truth beside the sample pictures, against widths and areas that geometry gives."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from measure.card import newest_card
from sample_images import yarn
from sample_images.make_samples import PICTURES
from sample_images.scene import Floats, blend

FOLDER = Path(yarn.__file__).parent


def tube(across_mm: Floats, radius_mm: float, step_mm: float = 0.25) -> Floats:
    s = np.arange(len(across_mm)) * step_mm - 2.0
    ones = np.ones_like(s)
    return np.column_stack([s, across_mm, ones, radius_mm * ones])


def strand(*curves: Floats) -> yarn.Strand:
    return yarn.Strand(curves, (), yarn.Recipe(1.0, 10, "Z"), -2.0, 12.0)


@pytest.mark.parametrize("diameter_mm", [0.08, 0.35, 1.2])
def test_a_straight_tube_hides_its_diameter(diameter_mm: float) -> None:
    found = yarn.widths(strand(tube(np.full(60, 0.137), diameter_mm / 2)), 0.0, 5.0)
    # Sample points stand 1/200 mm apart; two edges, each rounded by less than half of that.
    np.testing.assert_allclose(found.core_mm, diameter_mm, atol=1 / 200)
    np.testing.assert_allclose(found.halo_mm, diameter_mm, atol=1 / 200)
    np.testing.assert_allclose(found.centre_mm, 0.137, atol=1 / 200)


def test_a_wavy_fibre_hides_its_length_times_its_diameter() -> None:
    # A strip of constant width about a curve has that area wherever the curve bends more gently
    # than the strip is wide (Pappus and Guldin); both ends lie outside the window.
    s = np.arange(60) * 0.25 - 2.0
    radius = 0.02
    curve = tube(0.3 * np.sin(2 * math.pi * s / 4.0), radius)
    hidden = yarn.hidden((curve,), 0.0, 8.0, 0.6)
    # The b-spline of samples of a sine is that sine, lower by (2 + cos(h)) / 3.
    height = 0.3 * (2 + math.cos(2 * math.pi * 0.25 / 4.0)) / 3
    t = np.linspace(0.0, 8.0, 20001)
    slope = height * 2 * math.pi / 4.0 * np.cos(2 * math.pi * t / 4.0)
    length = np.trapezoid(np.hypot(1.0, slope), t)
    # Between two discs the outline dips by up to radius / 128, some half a per cent on average.
    assert hidden.mean() * 8.0 * 1.2 == pytest.approx(length * 2 * radius, rel=0.008)


def test_a_thin_hair_beside_the_core_widens_the_halo_alone() -> None:
    body = tube(np.zeros(60), 0.3)
    # A hair from the body outwards and back hides a few hundredths of the ground it crosses.
    s = 2.5 + 0.02 * np.sin(np.linspace(0, 3, 12))
    hair = np.column_stack([s, np.linspace(0.2, 1.0, 12), np.ones(12), np.full(12, 0.03)])
    found = yarn.widths(yarn.Strand((body,), (hair,), yarn.Recipe(1.0, 10, "Z"), -2, 12), 2.0, 3.0)
    assert found.core_mm[0] == pytest.approx(0.6, abs=1 / 200)
    # Its outermost segments end where the b-spline does, a knot short of the last point.
    last = hair[-3:, 1] @ np.array([1, 4, 1]) / 6
    assert found.halo_mm[0] == pytest.approx(0.3 + last + 0.03, abs=0.02)


@pytest.mark.parametrize(("twist", "slant"), [("Z", 1), ("S", -1)])
def test_fibres_on_top_slant_as_the_letter_does(twist: str, slant: int) -> None:
    """ISO 2: held upright, the middle of the letter; lying along x that turns by a quarter."""
    recipe = yarn.Recipe(0.8, 10, twist, fibres=40, hairs_per_mm=0)  # type: ignore[arg-type]
    spun = yarn.spin(recipe, -10.0, 10.0, seed=3)
    slopes = []
    for fibre in spun.fibres:
        top = fibre[:, 2] > np.quantile(fibre[:, 2], 0.8)
        slopes.extend((np.gradient(fibre[:, 1], fibre[:, 0]))[top])
    # y runs down: the Z's stroke, upright from lower left to upper right, comes to lie from
    # upper left to lower right, along which y grows with x.
    assert np.sign(np.median(slopes)) == slant


def test_laying_a_strand_askew_and_bowed_keeps_its_widths() -> None:
    path = yarn.Path(40.0, 17.0, angle_deg=3.0, sag_mm=0.4)
    s = np.linspace(-40, 40, 81)
    left, right = (yarn.place(path, s, np.full_like(s, t)) for t in (-0.4, 0.4))
    np.testing.assert_allclose(np.hypot(*(right - left).T), 0.8, rtol=1e-9)
    middle = yarn.place(path, s, np.zeros_like(s))
    # The line between both edges stands square on the course of the middle.
    along = np.gradient(middle, axis=0)[1:-1]
    cosine = np.sum(along * (right - left)[1:-1], axis=1) / np.hypot(*along.T) / 0.8
    assert np.abs(cosine).max() < 1e-3


def test_a_dye_runs_from_the_first_colour_to_the_last() -> None:
    colours = blend(((0.0, 0.1, 0.2), (0.4, 0.5, 0.6)), np.array([0.0, 0.25, 1.0]))
    np.testing.assert_allclose(colours, [[0.0, 0.1, 0.2], [0.1, 0.2, 0.3], [0.4, 0.5, 0.6]])


@pytest.mark.parametrize("picture", PICTURES, ids=lambda p: p.name)
def test_every_sample_is_shipped_with_its_truth(picture) -> None:  # type: ignore[no-untyped-def]
    path = FOLDER / f"{picture.name}.{picture.development.format}"
    truth = json.loads(path.with_suffix(".json").read_text())
    assert path.stat().st_size < 3e6
    with Image.open(path) as image:
        assert image.size == (picture.camera.width_px, picture.camera.height_px)
    assert truth["expect"]["refused"] == picture.refused
    assert len(truth["strands"]) == len(picture.strands)
    card = newest_card(picture.card)
    for found in truth["strands"]:
        cuts = found["cuts"]
        core = np.array(cuts["core_mm"], dtype=float)
        assert len(core) >= 30
        assert found["core_mean_mm"] == pytest.approx(np.nanmean(core), abs=1e-3)
        assert np.nanmin(np.array(cuts["halo_mm"], dtype=float) - core) >= 0.0
        lane = card.lane(found["lane"])
        x = np.array(cuts["x_mm"], dtype=float)
        assert np.all((x > lane.x_mm) & (x < lane.x_mm + lane.width_mm))


def test_the_samples_are_light_enough_to_ship() -> None:
    pictures = [p for p in FOLDER.iterdir() if p.suffix in {".jpg", ".png"}]
    assert len(pictures) == len(PICTURES)
    assert sum(p.stat().st_size for p in pictures) < 20e6
