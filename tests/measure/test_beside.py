"""What strands of one lane do to each other's light, against closed forms and drawn pictures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw, to_png

from measure import measure_picture, newest_card
from measure.beside import Others, dimmed, left_of_light, others_at
from measure.shading import Light as Fitted
from measure.shading import aspect, grid, light_up

FITTED = Fitted(0.4, 0.35, -0.6, 0.3, 0.6, 0.15, 0.9)


def test_what_is_hidden_is_what_a_cylinder_hides_of_a_diffuse_sky() -> None:
    # Radiometry of a diffuse plane: r^2 / (x^2 + r^2) for a cylinder of radius r at the distance x.
    others = np.array([[[3.0, 0.5, 0.2], [-2.0, 0.25, 0.8], [1.0, 0.0, 0.9]]])
    u = np.array([[-0.5, 0.0, 1.5]])
    found = others_at(u, others, np.zeros(1))
    near = 0.25 / ((u - 3.0) ** 2 + 0.25)
    far = 0.0625 / ((u + 2.0) ** 2 + 0.0625)
    assert np.allclose(found.hidden, near + far)
    assert np.allclose(found.left, 0.2 * near)
    assert np.allclose(found.right, 0.8 * far)


@pytest.mark.parametrize("lean", [-0.9, -0.4, 0.0, 0.7])
def test_what_is_thrown_is_what_the_strand_itself_would_throw(lean: float) -> None:
    # The strand's own thrown light comes of form factors by crossed strings (Hottel).
    light = replace(FITTED, sky=0.5, lamp=0.5, lean=lean, bounce=1.0)
    far = np.array([-6.0, -4.0, 4.0, 6.0])
    seen = aspect(np.zeros(1), grid(32))
    lit = light_up(light.row, np.ones(1), seen, np.ones(1), False)
    thrown = np.interp(far, seen.grid.xi, lit.thrown[0, 0])
    placed = np.array([[[0.0, 1.0, 1.0]]]), np.zeros(1)
    others = others_at(far[None], *placed)
    left = dimmed(light, far[None].astype(np.float32), *placed)[0]
    assert left - (1.0 - light.sky * others.hidden[0]) == pytest.approx(thrown, rel=0.15, abs=1e-3)


def test_what_is_left_is_the_same_in_one_go() -> None:
    # Several strands on either side, one of them with no width, seen aside.
    u = np.linspace(-4.0, 4.0, 33, dtype=np.float32)[None].repeat(2, axis=0)
    others = np.array([[[3.0, 0.5, 0.2], [-2.0, 0.3, 0.8], [1.0, 0.0, 0.9]]]).repeat(2, axis=0)
    view = np.array([0.1, -0.2])
    whole = left_of_light(FITTED.row[0], others_at(u, others, view))[0]
    assert np.allclose(dimmed(FITTED, u, others, view), whole, atol=1e-5)


def test_slopes_are_what_small_steps_give() -> None:
    # The definition of a derivative: central differences.
    others = Others(np.array([0.05, 0.02]), np.array([0.02, 0.0]), np.array([0.0, 0.015]))
    _, slopes = left_of_light(FITTED.row[0], others)
    for figure, slope in zip((0, 1, 2, 6), slopes, strict=True):
        step = 1e-5 * np.eye(7)[figure]
        more, less = (left_of_light(FITTED.row[0] + s * step, others)[0] for s in (1, -1))
        assert np.allclose((more - less) / 2e-5, slope, atol=1e-8)


def test_black_strands_close_together_read_as_wide_as_drawn() -> None:
    # Each shades the ground beside the others: taken for its own shade that reads 3 to 10 % wide.
    places, widths = (-2.9, 0.1, 3.0), (0.5, 0.9, 0.6)
    strands = [
        Strand(offset_mm=y, diameter_mm=d, albedo_rgb=(0.05, 0.05, 0.05), slope=0.004)
        for y, d in zip(places, widths, strict=True)
    ]
    camera = Camera(px_per_mm=12.0, distance_mm=250.0)
    pixels, _ = draw(newest_card("pocket"), strands, Light(sky=1.0), camera, seed=4)
    found = measure_picture(to_png(pixels)).strands
    assert [s.diameter_mm for s in found] == pytest.approx(list(widths), rel=0.02)
