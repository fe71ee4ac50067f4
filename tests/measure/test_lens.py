"""A lens worked out from drawn views, whose focal length and distortion are known exactly."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from analytic import Camera, Light, Strand, Truth, draw
from numpy.typing import NDArray

from measure import (
    Lens,
    LensView,
    MeasureError,
    Settings,
    fit_lens,
    follow,
    lens_view,
    measure_picture,
    missing_views,
    newest_card,
    read_picture,
)
from measure.scale import find_scale

CARD = newest_card("pocket")
CAMERA = Camera(
    px_per_mm=10.0, distance_mm=115, k1=-0.1, width_px=960, height_px=540, noise=0.006, blur_px=0.9
)
FOCAL_PX = 1150.0
"""10 px/mm at 115 mm."""
TILTS = ((0, 0), (16, 0), (16, 90), (16, 180), (16, 270))
LIGHT = Light(sky=0.5, lamp=0.3, unshaded=0.2, lean_deg=20, softness_mm=0.2)
STRAND = Strand(diameter_mm=1.2, offset_mm=2.0, albedo_rgb=(0.3, 0.12, 0.4))


@lru_cache(maxsize=1)
def views() -> tuple[LensView, ...]:
    out = []
    for seed, (tilt, azimuth) in enumerate(TILTS):
        camera = replace(CAMERA, tilt_deg=tilt, tilt_azimuth_deg=azimuth, roll_deg=2.0 * seed)
        pixels, _ = draw(CARD, (), LIGHT, camera, seed)
        view = lens_view(find_scale(read_picture(pixels)), 960, 540)
        assert view is not None
        out.append(view)
    return tuple(out)


@lru_cache(maxsize=1)
def lens() -> Lens:
    return fit_lens(views())


@lru_cache(maxsize=2)
def square_on(seed: int = 9) -> tuple[NDArray[np.uint8], Truth]:
    return draw(CARD, (STRAND,), LIGHT, CAMERA, seed)


def test_the_lens_that_drew_the_views_comes_back() -> None:
    found = lens()
    # Three standard uncertainties hold it 997 times in 1000.
    assert abs(found.focal_px / FOCAL_PX - 1) < 3 * found.u_focal_relative
    assert found.u_focal_relative < 0.005
    assert found.centre_px == pytest.approx((479.5, 269.5), abs=1.5)
    # Over the picture's half diagonal: k1 and k2 may stand in for each other, their sum may not.
    r2 = (np.hypot(480, 270) / FOCAL_PX) ** 2
    assert found.k1 * r2 + found.k2 * r2**2 == pytest.approx(-0.1 * r2, abs=3e-4)
    assert found.residual_px < 0.03
    assert found.views == len(TILTS)


def test_each_missing_view_is_asked_for() -> None:
    every = views()
    assert missing_views(every) == ()
    assert len(missing_views(())) == 5
    # The side towards the camera is the nearer one; azimuth 0 is the card's right (+x).
    for number, side in ((1, "right"), (2, "lower"), (3, "left"), (4, "upper")):
        others = every[:number] + every[number + 1 :]
        (asked,) = missing_views(others)
        assert f"its {side} side" in asked
        with pytest.raises(MeasureError) as refusal:
            fit_lens(others)
        assert refusal.value.code == "lens_unsure"
        assert refusal.value.advice == asked
    assert "square" in missing_views(every[1:])[0]
    narrow = [replace(v, width_px=1920) for v in every]
    assert "right edge" in missing_views(narrow)[-1]


def test_views_that_disagree_are_refused() -> None:
    zoomed = replace(views()[0], points_px=views()[0].points_px * 1.0)
    bent = replace(zoomed, points_px=zoomed.points_px + 6 * np.sin(zoomed.points_mm))
    for others in ((bent, *views()[1:]), (replace(zoomed, width_px=1000), *views()[1:])):
        with pytest.raises(MeasureError) as refusal:
            fit_lens(others)
        assert refusal.value.code == "lens_unsure"


def test_a_known_lens_narrows_the_interval_and_keeps_the_truth() -> None:
    pixels, truth = square_on()
    guessed = measure_picture(pixels).strands[0]
    known = measure_picture(pixels, settings=Settings(lens=lens())).strands[0]
    low, high = known.diameter_interval_mm
    assert low < truth.strands[0].mean_diameter_mm < high
    assert high - low < 0.95 * (guessed.diameter_interval_mm[1] - guessed.diameter_interval_mm[0])
    # How the strand is looked at is what a square-on view leaves open without the lens.
    assert known.budget_mm["view"] < 0.1 * guessed.budget_mm["view"]


def test_a_lens_places_the_camera() -> None:
    pixels, truth = square_on()
    assert truth.camera_centre_mm is not None
    scale = find_scale(read_picture(pixels), lens=lens())
    assert scale.camera_mm == pytest.approx(truth.camera_centre_mm, abs=1.5)


def test_a_lens_is_followed_and_shrinks_with_the_picture() -> None:
    pixels, _ = square_on()
    settings = Settings(lens=lens())
    first, seen = follow(pixels, settings=settings)
    again, _ = follow(pixels, settings=settings, before=seen)
    assert again.strands[0].diameter_mm == pytest.approx(first.strands[0].diameter_mm, rel=1e-3)
    half = lens().sized(480, 270)
    assert half is not None
    assert half.focal_px == pytest.approx(FOCAL_PX / 2, rel=0.005)
    # The middle of 480 columns lies at 239.5.
    assert half.centre_px[0] == pytest.approx(239.5, abs=0.75)
    assert lens().sized(540, 960) is None
    assert lens().sized(960, 720) is None


def test_too_small_a_part_of_the_card_is_no_view() -> None:
    pixels, _ = square_on()
    shown = pixels.copy()
    shown[:, 300:] = 128
    assert lens_view(find_scale(read_picture(shown)), 960, 540) is None
