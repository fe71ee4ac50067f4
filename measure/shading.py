"""How light falls on a strand and on the ground beside it.

A strand is a cylinder of radius r that lies on the card. In units of its projected half width,
with xi measured from the middle of its outline, one cut across it is

    I(xi) = S * face(xi) + g * ground(xi)        then blurred by the camera and the strand's rim

where S is the strand's brightness and g the ground's, both relative to white paper in the same
light. Shares of sky, lamp and unshaded light add to 1 on open ground. The closed forms
(docs/definitions.md, "The light") are ordinary radiometry of diffuse surfaces:

- even sky on the ground at distance x from the axis: x^2 / (x^2 + r^2);
- one lamp leaning by t = tan(angle): shadow from r(t - sqrt(1+t^2)) to r(t + sqrt(1+t^2));
- the strand's face with unit normal n: sky (1 + n_z) / 2, lamp max(0, n.l) / l_z;
- light that bounces once between strand and ground, by two-dimensional form factors
  (half the difference of sines, the crossed-strings rule of Hottel).

All of it is free of scale, so one set of curves serves every radius, and the blur is applied in
the frequency domain where it is one multiplication.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

XI_MAX: Final = 10.0
"""Samples farther out than this many half widths say nothing more about the strand."""

_NORMAL: Final = 1.0 / np.sqrt(2.0 * np.pi)

PAPER_ALBEDO: Final = 0.85
"""Diffuse reflectance of white office paper; only the light it throws back needs it."""


@dataclass(frozen=True)
class Light:
    """Light on one lane of one picture; shares of the light that open ground receives."""

    sky: float
    lamp: float
    lean: float
    """tan of the lamp's angle across the strand; positive throws the shadow to +xi."""
    softness: float
    """Depth of the shadow's far edge in radii (standard deviation)."""
    near_share: float
    """Depth of its near edge as a share of the far one's."""
    scatter: float
    """Share of the face's light that does not depend on its slope, since fibres scatter."""
    bounce: float
    """Strength of the light exchanged between strand and ground, 1 = diffuse theory."""


@dataclass(frozen=True)
class Rim:
    """Softness of a strand's own outline, apart from the camera's."""

    softness: float
    """Standard deviation of the core's edge, in half widths."""
    halo: float
    """Cover of the fuzz just outside the core."""
    halo_length: float
    """Distance over which the fuzz thins out e-fold, in half widths."""


@dataclass(frozen=True)
class Grid:
    """Where curves are laid out in xi, with what does not depend on the light."""

    xi: Floats
    step: float
    inside: Floats
    """Share of each cell inside the hard outline, so that its edges are area-exact."""
    frequencies: Floats


@lru_cache(maxsize=4)
def grid(steps_per_half_width: int) -> Grid:
    """The grid of 21 half widths with that many steps to each."""
    step = 1.0 / steps_per_half_width
    count = 1 << int(np.ceil(np.log2(2 * XI_MAX * steps_per_half_width)))
    xi = (np.arange(count) - count // 2) * step
    half = 0.5 * step
    inside = np.clip((np.minimum(xi + half, 1.0) - np.maximum(xi - half, -1.0)) / step, 0.0, 1.0)
    return Grid(xi, step, inside, 2.0 * np.pi * np.fft.rfftfreq(count, step))


FINE: Final = 48
"""Steps per half width for placing edges; half of it serves to find the light."""


@dataclass(frozen=True)
class Lit:
    """Light on the strand's face and on the ground behind each xi, outlines not yet applied."""

    grid: Grid
    face: Floats
    ground: Floats
    thrown: Floats
    """Brightness of the ground by the light a strand of S = 1 throws on it."""


@dataclass(frozen=True)
class Curves:
    """Unblurred curves: what multiplies S and what multiplies g."""

    grid: Grid
    face: Floats
    ground: Floats


def light_up(
    light: Light, view_tan: float, ground_level: float, no_ground: bool, grid_: Grid
) -> Lit:
    """Light on face and ground of one cut.

    `view_tan` is the tangent of the angle between the line of sight and the card's normal across
    the strand (positive: the camera stands on the +xi side); `ground_level` the ground's
    brightness relative to paper, which sets the light bounced; `no_ground` says that nothing lies
    behind the strand for a shadow to fall on (an open lane that was cut out).
    """
    xi = grid_.xi
    theta = np.arcsin(np.clip(xi, -1.0, 1.0)) + np.arctan(view_tan)
    free = 1.0 - light.sky - light.lamp
    face = _face_direct(theta, light, free)
    if no_ground:
        return Lit(grid_, face, np.ones_like(xi), np.zeros_like(xi))
    # Place on the ground behind each xi, in radii from the line of contact, which the camera
    # sees behind the axis: the outline is shifted away from the camera.
    x = xi * np.hypot(1.0, view_tan) - view_tan
    factors = _form_factors()
    strength = PAPER_ALBEDO * ground_level * light.bounce
    received = strength * (factors.ground_to_facet @ _ground_direct(factors.x_cell, light, free))
    facets = _face_direct(factors.theta, light, free) + received
    thrown = strength * (factors.facet_to_ground @ facets)
    return Lit(
        grid_,
        face + np.interp(theta, factors.theta, received),
        _ground_direct(x, light, free),
        np.interp(x, factors.x_cell, thrown),
    )


def outline(lit: Lit, rim: Rim) -> Curves:
    """Curves of one cut before any blur; the rim's own softness is left to the blur."""
    inside = lit.grid.inside
    fuzz = rim.halo * np.exp(-np.maximum(np.abs(lit.grid.xi) - 1.0, 0.0) / rim.halo_length)
    outside = (1.0 - inside) * fuzz
    bare = 1.0 - inside - outside
    # Fuzz is lit from all sides; it takes the unsloped brightness.
    return Curves(lit.grid, inside * lit.face + outside + bare * lit.thrown, bare * lit.ground)


def blur_curves(curves: Curves, sigma: Floats) -> tuple[Floats, Floats]:
    """Both curves blurred by Gaussians of standard deviation `sigma` (k,), in half widths.

    Returns two arrays (k, count of the grid).
    """
    count = len(curves.grid.xi)
    transfer = np.exp(-0.5 * (curves.grid.frequencies * np.asarray(sigma)[:, None]) ** 2)
    # The ground goes on beyond the grid; blurring what the strand takes away keeps the ends true.
    both = np.fft.rfft(np.stack([curves.face, 1.0 - curves.ground]))
    blurred = np.fft.irfft(both[:, None] * transfer, count, axis=2)
    return blurred[0], 1.0 - blurred[1]


def core_half_width(rim: Rim) -> float:
    """Where the cover falls to one half, in units of the model's hard half width.

    The core is what covers at least half of the ground (docs/definitions.md); fuzz outside the
    hard edge moves that place a little outward.
    """
    z = np.linspace(0.7, 1.6, 361)
    edge = ndtr((1.0 - z) / max(rim.softness, 1e-3))
    cover = edge + (1.0 - edge) * rim.halo * np.exp(-np.maximum(z - 1.0, 0.0) / rim.halo_length)
    below = np.nonzero(cover < 0.5)[0]
    if len(below) == 0 or below[0] == 0:
        return 1.0
    i = int(below[0])
    return float(np.interp(0.5, [cover[i], cover[i - 1]], [z[i], z[i - 1]]))


def halo_half_width(rim: Rim, cover_limit: float = 0.05) -> float:
    """Where fuzz and soft edge together still cover `cover_limit`, in hard half widths."""
    z = np.linspace(1.0, 12.0, 2201)
    edge = ndtr((1.0 - z) / max(rim.softness, 1e-3))
    cover = edge + (1.0 - edge) * rim.halo * np.exp(-(z - 1.0) / rim.halo_length)
    return float(z[np.nonzero(cover >= cover_limit)[0][-1]])


def silhouette_radius_mm(
    half_width_mm: Floats, view_tan: Floats, camera_height_mm: Floats
) -> Floats:
    """Radius of a cylinder lying on the plane from its outline's half width in that plane.

    Exact for a pinhole at height `camera_height_mm` above the plane whose line of sight to the
    outline's middle leans by `view_tan`: planes through the pinhole that touch the cylinder meet
    the card plane in the outline's two edges. Solved by fixed point; all arrays (n,).
    """
    height = np.asarray(camera_height_mm, dtype=float)
    left = -np.asarray(view_tan) * height - half_width_mm
    right = left + 2.0 * half_width_mm
    # In the cross-section the camera is at (0, H) and the tangents meet z = 0 at left and right:
    # r is the radius of the circle that touches the plane and both tangents, i.e. the incircle
    # of that triangle's side on the plane.
    a = right - left
    b = np.hypot(left, height)
    c = np.hypot(right, height)
    return a * height / (a + b + c)


def _face_direct(theta: Floats, light: Light, free: float) -> Floats:
    n_z, n_x = np.cos(theta), np.sin(theta)
    # A lamp of some size sets gradually round the strand: mean of max(0, n.l) over its disc,
    # whose angular depth follows from the far shadow edge's by d(tan + sec) = sec (sec + tan).
    secant = np.sqrt(1.0 + light.lean**2)
    depth = max(light.softness / (secant + abs(light.lean)), 1e-3)
    height = (n_z - light.lean * n_x) / depth
    lamp = depth * (height * ndtr(height) + _NORMAL * np.exp(-0.5 * height * height))
    sloped = light.sky * 0.5 * (1.0 + n_z) + light.lamp * lamp + free
    return (1.0 - light.scatter) * sloped + light.scatter


def _ground_direct(x: Floats, light: Light, free: float) -> Floats:
    sky = x * x / (x * x + 1.0)
    root = np.sqrt(1.0 + light.lean**2)
    far = max(light.softness, 0.01)
    near = max(light.softness * light.near_share, 0.01)
    before, behind = (near, far) if light.lean >= 0 else (far, near)
    shadow = ndtr((x - (light.lean - root)) / before) - ndtr((x - (light.lean + root)) / behind)
    return light.sky * sky + light.lamp * (1.0 - shadow) + free


@dataclass(frozen=True)
class _FormFactors:
    theta: Floats
    x_cell: Floats
    ground_to_facet: Floats
    facet_to_ground: Floats


@lru_cache(maxsize=1)
def _form_factors() -> _FormFactors:
    """Exchange between a unit cylinder on the plane and the plane, per radius, computed once."""
    facets = 96
    edges_t = np.linspace(-np.pi, np.pi, facets + 1)
    theta = 0.5 * (edges_t[1:] + edges_t[:-1])
    grid = np.concatenate([np.linspace(0, 3, 25), np.geomspace(3.2, 60, 24)])
    edges_x = np.concatenate([-grid[:0:-1], grid])
    x_cell = 0.5 * (edges_x[1:] + edges_x[:-1])
    px, pz = np.sin(theta), 1.0 + np.cos(theta)
    nx, nz = np.sin(theta), np.cos(theta)

    def sine_from_normal(x: Floats) -> Floats:
        dx, dz = x[None, :] - px[:, None], -pz[:, None]
        length = np.hypot(dx, dz)
        cosine = (dx * nx[:, None] + dz * nz[:, None]) / length
        sine = (dx * nz[:, None] - dz * nx[:, None]) / length
        # Behind the facet's own horizon the sine is held where it was there and adds nothing.
        return np.where(cosine > 0, sine, np.sign(theta)[:, None])

    ground_to_facet = 0.5 * np.abs(np.diff(sine_from_normal(edges_x), axis=1))

    # Seen from the ground the direction's sine from the vertical is what counts.
    ex, ez = np.sin(edges_t), 1.0 + np.cos(edges_t)
    dx = ex[None, :] - x_cell[:, None]
    sine = dx / np.maximum(np.hypot(dx, ez[None, :]), 1e-9)
    toward = (px[None, :] - x_cell[:, None]) * nx[None, :] + pz[None, :] * nz[None, :]
    facet_to_ground = 0.5 * np.abs(np.diff(sine, axis=1)) * (toward < 0)
    return _FormFactors(theta, x_cell, ground_to_facet, facet_to_ground)
