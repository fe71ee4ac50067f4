"""The light model against sums that share nothing with it: rays cast at a circle, known figures."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from measure.shading import (
    BY_SIGMA,
    PAPER_ALBEDO,
    Curves,
    Light,
    Lit,
    Rim,
    aspect,
    blur_curves,
    blur_with_slopes,
    core_half_width,
    grid,
    halo_half_width,
    light_up,
    outline,
    silhouette_radius_mm,
)

GRID = grid(48)
SKY = Light(1.0, 0.0, 0.0, 0.2, 1.0, 0.0, 0.0)


def lit(light: Light, view_tan: float = 0.0, ground_level: float = 1.0, rise: float = 1.0) -> Lit:
    seen = aspect(np.array([view_tan]), GRID)
    return light_up(light.row, np.array([rise]), seen, np.array([ground_level]), no_ground=False)


def at(curve: np.ndarray, xi: np.ndarray | float) -> np.ndarray:
    """The curve's value at xi; the face's is laid out where it shows."""
    where = GRID.xi if curve.shape[-1] == len(GRID.xi) else GRID.xi[GRID.on]
    return np.asarray(np.interp(xi, where, curve[0, 0]))


# --------------------------------------------------------------------- ground under an even sky


def test_half_the_sky_is_hidden_at_the_strands_edge() -> None:
    # Source: the closed form E/E0 = x^2 / (x^2 + r^2), one half at x = r.
    assert at(lit(SKY).ground, 1.0) == pytest.approx(0.5, abs=1e-3)
    assert at(lit(SKY).ground, -1.0) == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize("rise", [1.0, 1.4])
@pytest.mark.parametrize("xi", [1.02, 1.3, -1.7, 2.5, -5.0, 6.0])
def test_sky_on_the_ground_is_what_the_cylinder_leaves_open(xi: float, rise: float) -> None:
    # Lambert's cosine law over a sky of one radiance: in the plane across an endless cylinder,
    # E = 1/2 of the integral of cos over the directions not hidden by the circle.
    angle = np.linspace(-np.pi / 2, np.pi / 2, 400001)
    middle = math.atan2(-xi, rise)  # from the ground point towards the circle's centre
    hidden = np.abs(angle - middle) <= math.asin(1.0 / math.hypot(xi, rise))
    open_sky = 0.5 * np.sum(np.cos(angle) * ~hidden) * (angle[1] - angle[0])
    assert at(lit(SKY, rise=rise).ground, xi) == pytest.approx(open_sky, abs=1e-3)


# ------------------------------------------------------------------------------- one lamp


@pytest.mark.parametrize("rise", [1.0, 1.4])
@pytest.mark.parametrize("lean_deg", [-60.0, -25.0, 0.0, 25.0, 60.0])
def test_a_hard_lamps_shadow_lies_where_rays_meet_the_circle(lean_deg: float, rise: float) -> None:
    t = math.tan(math.radians(lean_deg))
    lamp = Light(0.0, 1.0, t, 0.01, 1.0, 0.0, 0.0)
    x = np.linspace(-6, 6, 97)
    # The ray from the ground at x runs along (-t, 1); it is stopped if it passes the circle's
    # centre (0, rise) nearer than its radius.
    miss = np.abs(x - t * rise) / math.hypot(1.0, t)
    clear = np.abs(miss - 1.0) > 0.08  # the lamp is not quite a point
    seen = at(lit(lamp, rise=rise).ground, x)
    assert np.allclose(seen[clear], (miss > 1.0)[clear], atol=0.01)


@pytest.mark.parametrize("lean_deg", [-60.0, 0.0, 35.0])
def test_a_lamp_lights_the_face_by_the_cosine_to_its_ray(lean_deg: float) -> None:
    t = math.tan(math.radians(lean_deg))
    lamp = Light(0.0, 1.0, t, 0.01, 1.0, 0.0, 0.0)
    xi = np.linspace(-0.98, 0.98, 41)
    normal = np.column_stack([xi, np.sqrt(1 - xi**2)])
    to_lamp = np.array([-t, 1.0])  # of length 1 / cos(lean): open ground then receives 1
    expected = np.maximum(0.0, normal @ to_lamp)
    assert np.allclose(at(lit(lamp).face, xi), expected, atol=0.02 * math.hypot(1, t))


def test_sky_on_the_face_follows_its_slope() -> None:
    # Source: view factor of the sky from a tilted facet, (1 + cos slope) / 2, a standard result.
    xi = np.linspace(-0.95, 0.95, 31)
    n_z = np.sqrt(1 - xi**2)
    assert np.allclose(at(lit(SKY).face, xi), (1 + n_z) / 2, atol=2e-3)


# ------------------------------------------------------------------------ light exchanged


def test_a_facet_sees_the_ground_below_its_horizon() -> None:
    # The ground's form factors add up to (1 - n_z) / 2, all that the sky leaves. Light that is
    # the same everywhere (unshaded) makes the light received that sum. Ground farther than 60 radii
    # is left out, which from height 1 + n_z fills half of (1 + n_z) n_x / 60.
    even = Light(0.0, 0.0, 0.0, 0.2, 1.0, 0.0, 1.0)
    without = Light(0.0, 0.0, 0.0, 0.2, 1.0, 0.0, 0.0)
    xi = np.linspace(-0.97, 0.97, 41)
    received = at(lit(even).face, xi) - at(lit(without).face, xi)
    n_z = np.sqrt(1 - xi**2)
    left_out = 0.5 * (1 + n_z) * np.abs(xi) / 60
    assert np.allclose(received / PAPER_ALBEDO, (1 - n_z) / 2 - left_out, atol=2.5e-3)


def test_the_ground_sees_as_much_strand_as_sky_is_hidden() -> None:
    # Reciprocity of the two closed forms: what the strand hides of the sky, 1 / (1 + x^2), is
    # what throws light back. On ground too dark to lend any, an evenly bright strand throws that.
    level = 1e-4
    even = Light(0.0, 0.0, 0.0, 0.2, 1.0, 1.0, 1.0)
    x = np.array([1.05, 1.5, 2.2, 4.0, -1.3, -3.0])
    thrown = at(lit(even, ground_level=level).thrown, x) / (PAPER_ALBEDO * level)
    assert np.allclose(thrown, 1 / (1 + x**2), rtol=0.03, atol=2e-3)


# ---------------------------------------------------------------------------- silhouettes


def _outline_by_rays(radius: float, camera_x: float, height: float) -> tuple[float, float]:
    """Where rays from the camera that just touch the circle meet the ground, found by bisection."""

    def gap(foot: float) -> float:
        ray = np.array([foot - camera_x, -height])
        to_centre = np.array([0.0 - camera_x, radius - height])
        cross = ray[0] * to_centre[1] - ray[1] * to_centre[0]
        return abs(cross) / float(np.hypot(*ray)) - radius

    middle = camera_x + (0.0 - camera_x) * height / (height - radius)  # through the centre
    reach = 40 * radius
    return (
        float(brentq(gap, middle - reach, middle, xtol=1e-12)),
        float(brentq(gap, middle, middle + reach, xtol=1e-12)),
    )


@pytest.mark.parametrize("radius", [0.1, 0.6, 3.0])
@pytest.mark.parametrize(("camera_x", "height"), [(0.0, 250.0), (80.0, 200.0), (-140.0, 180.0)])
def test_a_radius_comes_back_from_its_silhouette(
    radius: float, camera_x: float, height: float
) -> None:
    left, right = _outline_by_rays(radius, camera_x, height)
    middle = 0.5 * (left + right)
    found = silhouette_radius_mm(
        np.array([0.5 * (right - left)]),
        np.array([(camera_x - middle) / height]),
        np.array([height]),
    )
    assert found[0] == pytest.approx(radius, rel=1e-9)


@pytest.mark.parametrize(("angle_deg", "percent"), [(4.6, 0.6), (21.0, 7.2)])
def test_a_silhouette_is_wider_by_the_figure_path_tracing_gave(
    angle_deg: float, percent: float
) -> None:
    # Source: the project's path-traced tubes (docs/definitions.md): +0.6 % at 4.6 degrees and
    # +7.2 % at 21 degrees across; far away it is 1 / cos v.
    radius, height = 0.3, 250.0
    left, right = _outline_by_rays(radius, height * math.tan(math.radians(angle_deg)), height)
    wider = 100 * ((right - left) / (2 * radius) - 1)
    assert wider == pytest.approx(percent, abs=0.3)
    far = silhouette_radius_mm(
        np.array([1.0]), np.array([math.tan(math.radians(angle_deg))]), np.array([1e7])
    )
    assert far[0] == pytest.approx(math.cos(math.radians(angle_deg)), rel=1e-6)


# -------------------------------------------------------------------------- rim and blur


def test_a_hard_edged_strand_is_its_own_core() -> None:
    assert core_half_width(Rim(1.0, 0.04, 0.0, 0.5)) == pytest.approx(1.0, abs=2e-3)


def test_a_soft_rim_thins_out_as_the_normal_distribution_does() -> None:
    # Source: the upper 5 % point of the normal distribution, 1.6449.
    assert halo_half_width(Rim(1.0, 0.1, 0.0, 0.5)) == pytest.approx(1 + 0.16449, abs=6e-3)


def test_fuzz_that_covers_a_third_reaches_its_twentieth_where_it_decays_to_it() -> None:
    # 1/3 exp(-z / 0.5) = 1/20.
    reach = 0.5 * math.log(20 / 3)
    assert halo_half_width(Rim(1.0, 0.01, 1 / 3, 0.5)) == pytest.approx(1 + reach, abs=0.01)
    assert core_half_width(Rim(1.0, 0.01, 1 / 3, 0.5)) == pytest.approx(1.0, abs=0.02)


def test_fuzz_that_covers_most_belongs_to_the_core_as_far_as_it_covers_half() -> None:
    # 0.8 exp(-z / 0.5) = 1/2.
    reach = 0.5 * math.log(1.6)
    assert core_half_width(Rim(1.0, 0.01, 0.8, 0.5)) == pytest.approx(1 + reach, abs=0.01)


@pytest.mark.parametrize("sigma", [0.05, 0.2, 0.6])
def test_a_blurred_strip_is_a_difference_of_normal_integrals(sigma: float) -> None:
    plain = Light(0.0, 0.0, 0.0, 0.2, 1.0, 0.0, 0.0)
    curves = outline(lit(plain), Rim(1.0, 0.04, 0.0, 0.5).row)
    assert isinstance(curves, Curves)
    face, ground = blur_curves(curves, np.array([sigma]))
    # A cell's share taken as its value, and the next cell's, spread an edge by h^2 / 12 each.
    spread = math.hypot(sigma, GRID.step / math.sqrt(6))
    expected = ndtr((GRID.xi + 1) / spread) - ndtr((GRID.xi - 1) / spread)
    assert np.allclose(face[0], expected, atol=1e-3)
    assert np.allclose(ground[0], 1 - expected, atol=1e-3)


def test_the_view_shows_more_of_the_side_it_stands_on() -> None:
    # Seen from +xi at angle v, the outline's middle shows the facet whose normal leans by v: a
    # lamp leaning the same way (t = -tan v) lights it fully, 1 / cos v.
    v = 0.3
    lamp = Light(0.0, 1.0, -math.tan(v), 0.01, 1.0, 0.0, 0.0)
    seen = at(lit(lamp, view_tan=math.tan(v)).face, 0.0)
    assert seen == pytest.approx(1 / math.cos(v), abs=5e-3)


# --------------------------------------------------------------------------------- slopes


@pytest.mark.parametrize("lean", [-0.7, 0.9])
@pytest.mark.parametrize("no_ground", [False, True])
def test_slopes_are_what_small_steps_give(lean: float, no_ground: bool) -> None:
    # The definition of a derivative: central differences of the curves themselves.
    light = np.array([0.4, 0.35, lean, 0.3, 0.6, 0.15, 0.9])
    rim = np.array([1.1, 0.06, 0.1, 0.5])
    seen, level = aspect(np.array([0.12]), GRID), np.array([0.8])

    def curves(light: np.ndarray, rim: np.ndarray, camera: float = 0.1) -> np.ndarray:
        sigma = np.array([math.hypot(camera, rim[1])])
        lit_ = light_up(light[None], rim[:1], seen, level, no_ground, slopes=True)
        return np.asarray(blur_with_slopes(outline(lit_, rim[None]), sigma)[0])

    def by_steps(of: Callable[[float], np.ndarray]) -> np.ndarray:
        # Singles round off 1e-7: steps wide enough for that, and two of them for the bend.
        near, far = ((of(h)[:, 0].astype(float) - of(-h)[:, 0]) / (2 * h) for h in (step, 2 * step))
        return (4 * near - far) / 3

    given = curves(light, rim)
    step = 5e-3
    for row in range(7):
        change = np.eye(7)[row]
        slope = by_steps(lambda h, change=change: curves(light + h * change, rim))
        assert np.allclose(given[:, 1 + row], slope, atol=2e-4), row
    for row, figure in ((8, 0), (10, 2), (11, 3)):
        change = np.eye(4)[figure]
        slope = by_steps(lambda h, change=change: curves(light, rim + h * change))
        assert np.allclose(given[:, row], slope, atol=4e-4), row
    # By the blur: a camera sharper or softer by that much.
    sigma = math.hypot(0.1, rim[1])
    slope = by_steps(lambda h: curves(light, rim, math.sqrt((sigma + h) ** 2 - rim[1] ** 2)))
    assert np.allclose(given[:, BY_SIGMA], slope, atol=5e-4)
    plain = outline(light_up(light[None], rim[:1], seen, level, no_ground), rim[None])
    assert np.allclose(blur_curves(plain, np.array([sigma])), given[:, None, 0], atol=1e-6)
