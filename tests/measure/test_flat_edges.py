"""A look ahead whether profiles are ink: closed forms with known edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from measure.flat_edges import FlatEdges, flat_edges
from measure.shading import Light, Rim, aspect, blur_curves, grid, light_up, outline

BLUR_MM = 0.04
NOISE = 0.003
COLOURS = np.array([[0.3, 0.1, 0.35], [0.2, 0.5, 0.2]])
LEVELS = np.array([[0.9, 0.9, 0.88], [0.05, 0.05, 0.06]])
U = np.linspace(-3.0, 3.0, 161)


def looked_at(light: np.ndarray, half_mm: np.ndarray, middle_mm: np.ndarray) -> FlatEdges:
    """From a start a tenth too wide and a tenth of a half width aside, weights 1 / noise^2."""
    weight = np.full(light.shape[:2], 1.0 / (3.0 * NOISE**2))
    return flat_edges(
        np.broadcast_to(U, light.shape[:2]),
        light,
        weight,
        LEVELS,
        np.full(2, BLUR_MM),
        np.log(1.1 * half_mm),
        middle_mm + 0.1 * half_mm,
    )


@pytest.mark.parametrize("half", [0.15, 0.4, 0.8])
def test_ink_is_found_to_its_noise(half: float) -> None:
    # A box of known edges under a Gaussian: ndtr is its closed form.
    half_mm, middle_mm = np.array([half, half]), np.array([0.05, -0.1])
    face = np.stack(
        [ndtr((U - m + half) / BLUR_MM) - ndtr((U - m - half) / BLUR_MM) for m in middle_mm]
    )[..., None]
    noise = np.random.default_rng(3).normal(0.0, NOISE, (2, len(U), 3))
    found = looked_at(
        COLOURS[:, None] * face + LEVELS[:, None] * (1 - face) + noise, half_mm, middle_mm
    )
    assert np.allclose(np.exp(found.log_half_width), half_mm, atol=0.001)
    assert np.allclose(found.middle_mm, middle_mm, atol=0.001)
    # What is left of N samples is chi squared: N, with a standard deviation of sqrt(2 N / 3).
    samples = 2 * len(U)
    assert found.left_over == pytest.approx(samples, abs=4.0 * np.sqrt(2.0 * samples / 3.0))


def test_a_shaded_cylinder_leaves_much() -> None:
    half = 0.4
    light = Light(0.5, 0.2, 0.5, 0.3, 0.6, 0.1, 0.85)
    rim = Rim(1.0, 0.03, 0.0, 0.5)
    seen = aspect(np.zeros(2), grid(64))
    lit = light_up(light.row, np.full(2, 1.0), seen, LEVELS.mean(axis=1), no_ground=False)
    face, ground = blur_curves(
        outline(lit, np.repeat(rim.row, 2, axis=0)), np.full(2, BLUR_MM / half)
    )
    at = [[np.interp(U / half, seen.grid.xi, row) for row in of] for of in (face, ground)]
    F, G = (np.array(of)[..., None] for of in at)
    found = looked_at(COLOURS[:, None] * F + LEVELS[:, None] * G, np.full(2, half), np.zeros(2))
    assert found.left_over > 20.0 * 2 * len(U)
