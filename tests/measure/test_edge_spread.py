"""The edge spread against drawn pictures whose blur is known.

Truth: `analytic.draw` blurs with a Gaussian and integrates over the picture element, whose square
adds 1/12 px^2 of variance (variance of a uniform distribution of width one). Motion over n whole
elements adds (n^2 - 1)/12 (variance of a discrete uniform distribution).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw
from numpy.typing import NDArray

from measure.card import newest_card
from measure.edge_spread import EdgeSpread, measure_edge_spread
from measure.linear_light import decode_srgb, encode_srgb
from measure.picture import Picture
from measure.scale import find_scale, scale_from_dpi

POCKET, DESK = newest_card("pocket"), newest_card("desk")
VIEW = Camera(px_per_mm=10.0, distance_mm=150.0, tilt_deg=6)


def spread_of(pixels: NDArray[np.uint8]) -> EdgeSpread:
    picture = Picture(pixels, None, None, False, "drawn")
    return measure_edge_spread(picture, find_scale(picture))


@pytest.mark.parametrize("blur", [0.5, 0.8, 1.4, 2.2, 3.0])
def test_gaussian_blur_is_found(blur: float) -> None:
    pixels, truth = draw(POCKET, (), Light(), replace(VIEW, blur_px=blur), 0)
    spread = spread_of(pixels)
    assert spread.sigma_y_px == pytest.approx(truth.edge_spread_px, rel=0.02)
    assert spread.sigma_x_px == pytest.approx(truth.edge_spread_px, rel=0.02)
    assert spread.sigma_y_mm == pytest.approx(truth.edge_spread_px / 10, rel=0.04)
    assert abs(spread.sigma_y_mm - truth.edge_spread_px / 10) < 4 * spread.u_sigma_y_mm
    assert abs(spread.overshoot) < 0.01
    assert spread.clipped_share == 0.0


def test_small_markers_of_a_webcam() -> None:
    camera = Camera(px_per_mm=3.0, distance_mm=300, noise=0.01)
    pixels, truth = draw(DESK, (), Light(), camera, 2)
    assert spread_of(pixels).sigma_y_px == pytest.approx(truth.edge_spread_px, rel=0.03)


def test_strands_over_the_bands_do_not_disturb_it() -> None:
    strands = [Strand("banded", y, 1.0) for y in (-2.5, 0.0, 2.5)]
    pixels, truth = draw(POCKET, strands, Light(), VIEW, 3)
    spread = spread_of(pixels)
    assert spread.sigma_y_px == pytest.approx(truth.edge_spread_px, rel=0.02)
    assert spread.sigma_x_px == pytest.approx(truth.edge_spread_px, rel=0.02)


def test_light_that_changes_over_the_card_is_followed_between_strands() -> None:
    # A drawn picture's light made to fall by 0.4 % a mm down the card, which strands' shade hides.
    strands = [Strand("banded", y, 1.0, (0.05, 0.05, 0.05)) for y in (-2.5, 0.0, 2.5)]
    pixels, _ = draw(POCKET, strands, Light(), replace(VIEW, tilt_deg=0), 3)
    fall = np.exp(-0.004 * np.arange(len(pixels)) / 10)[:, None, None]
    spread = spread_of(encode_srgb(fall * decode_srgb(pixels)))
    (slope,) = spread.light_slope(np.array([[43.0, 17.0]]))
    assert slope == pytest.approx([0.0, -0.004], abs=4e-4)


def test_motion_blur_differs_by_direction() -> None:
    pixels, truth = draw(POCKET, (), Light(), replace(VIEW, tilt_deg=0), 0)
    streak = np.zeros((3, 3), np.float32)
    streak[:, 1] = 1 / 3
    moved = encode_srgb(cv2.filter2D(decode_srgb(pixels), -1, streak))
    spread = spread_of(moved)
    expected = np.sqrt(truth.edge_spread_px**2 + (9 - 1) / 12)
    assert spread.sigma_y_px == pytest.approx(expected, rel=0.06)  # a box is no Gaussian
    assert spread.sigma_x_px == pytest.approx(truth.edge_spread_px, rel=0.02)


def test_focus_that_falls_off_over_the_picture_is_followed() -> None:
    camera = replace(VIEW, tilt_deg=0, noise=0.002)
    sharp, truth = draw(POCKET, (), Light(), replace(camera, blur_px=0.8), 0)
    linear = decode_srgb(sharp).astype(np.float64)
    w = sharp.shape[1]
    levels = np.linspace(0.0, 1.5, 13)
    stack = [linear] + [cv2.GaussianBlur(linear, (0, 0), s) for s in levels[1:]]
    extra = np.linspace(0, 1.5, w)  # added blur grows to the right
    index = np.clip(np.rint(extra / 0.125).astype(int), 0, 12)
    soft = np.stack([stack[i][:, c] for c, i in enumerate(index)], axis=1)
    spread = spread_of(encode_srgb(soft))
    points = np.column_stack([np.linspace(8, 78, 8), np.full(8, 17.0)])
    column = truth.to_picture(points)[:, 0]
    expected = np.hypot(truth.edge_spread_px, np.interp(column, np.arange(w), extra))
    assert spread.sigma_px(points) == pytest.approx(expected, rel=0.06)
    assert spread.sigma_mm(points) == pytest.approx(expected / 10, rel=0.06)


def test_sharpening_shows_as_overshoot() -> None:
    pixels, _ = draw(POCKET, (), Light(), replace(VIEW, exposure=0.55), 0)
    soft = cv2.GaussianBlur(pixels, (0, 0), 1.2)
    halo = cv2.addWeighted(pixels, 2.0, soft, -1.0, 0.0)
    assert spread_of(np.asarray(halo, np.uint8)).overshoot > 0.03


def test_clipped_paper_is_counted() -> None:
    pixels, _ = draw(POCKET, (), Light(), replace(VIEW, exposure=1.3), 0)
    assert spread_of(pixels).clipped_share > 0.8


def test_without_a_card_it_is_an_assumption_and_says_so() -> None:
    picture = Picture(np.zeros((400, 500), np.uint8), (600.0, 600.0), None, False, "scan")
    spread = measure_edge_spread(picture, scale_from_dpi(picture))
    assert spread.edges_used == 0
    assert spread.u_sigma_y_mm > 0.3 * spread.sigma_y_mm
    place = np.array([[5.0, 5.0]])
    assert spread.sigma_mm(place)[0] == pytest.approx(spread.sigma_y_px * 25.4 / 600)
