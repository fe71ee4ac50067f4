"""How light falls on a strand and on the ground beside it.

A strand is a cylinder of radius r that lies on the card. In units of its projected half width,
with xi measured from the middle of its outline, one cut across it is

    I(xi) = S * face(xi) + g * ground(xi)        then blurred by the camera and the strand's rim

where S is the strand's brightness and g the ground's, both relative to white paper in the same
light. Shares of sky, lamp and unshaded light add to 1 on open ground. The closed forms
(docs/definitions.md, "The light") are ordinary radiometry of diffuse surfaces:

- even sky on the ground at distance x from the axis: x^2 / (x^2 + r^2), or 1 - rh / (x^2 + h^2)
  where the axis is h high;
- one lamp leaning by t = tan(angle): shadow from ht - r sqrt(1+t^2) to ht + r sqrt(1+t^2);
- the strand's face with unit normal n: sky (1 + n_z) / 2, lamp max(0, n.l) / l_z;
- light that bounces once between strand and ground, by two-dimensional form factors
  (half the difference of sines, the crossed-strings rule of Hottel).

All of it is free of scale, so one set of curves serves every radius, and the blur is applied in
the frequency domain where it is one multiplication.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]

XI_MAX: Final = 8.0
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

    @property
    def row(self) -> Floats:
        """The seven figures in order, (1, 7)."""
        return np.array([[getattr(self, f.name) for f in fields(self)]])


@dataclass(frozen=True)
class Rim:
    """Softness of a strand's own outline, apart from the camera's."""

    rise: float
    """Height of the axis above the card in radii: 1 for a cylinder that lies on it, more for a
    plied strand, which rests on its bumps, or a fuzzy one."""
    softness: float
    """Standard deviation of the core's edge, in half widths."""
    halo: float
    """Cover of the fuzz just outside the core."""
    halo_length: float
    """Distance over which the fuzz thins out e-fold, in half widths."""

    @property
    def row(self) -> Floats:
        """The four figures in order, (1, 4)."""
        return np.array([[self.rise, self.softness, self.halo, self.halo_length]])


@dataclass(frozen=True)
class Grid:
    """Where curves are laid out in xi, with what does not depend on the light."""

    xi: Floats
    step: float
    inside: Floats
    """Share of each cell inside the hard outline, so that its edges are area-exact."""
    frequencies: Floats


@lru_cache(maxsize=16)
def grid(steps_per_half_width: int) -> Grid:
    """The grid of 21 half widths with that many steps to each."""
    step = 1.0 / steps_per_half_width
    count = int(fft.next_fast_len(round(2 * XI_MAX * steps_per_half_width), real=True))
    xi = np.asarray((np.arange(count) - count // 2) * step, float)
    half = 0.5 * step
    inside = np.clip((np.minimum(xi + half, 1.0) - np.maximum(xi - half, -1.0)) / step, 0.0, 1.0)
    frequencies = np.asarray(2.0 * np.pi * np.fft.rfftfreq(count, step), float)
    return Grid(xi, step, inside, frequencies)


def steps_for(half_width_mm: float, blur_mm: float, least: int) -> int:
    """Steps per half width that resolve an edge so blurred: two to its standard deviation."""
    needed = 2.0 * half_width_mm / max(blur_mm, 1e-6)
    return int(np.clip(8 * np.ceil(needed / 8), least, 128))


@dataclass(frozen=True)
class Lit:
    """Light on face and ground of k cuts behind each xi, outlines not yet applied, (k, count)."""

    grid: Grid
    face: Floats
    ground: Floats
    thrown: Floats
    """Brightness of the ground by the light a strand of S = 1 throws on it."""


@dataclass(frozen=True)
class Curves:
    """Unblurred curves of k cuts, (k, count): what multiplies S and what multiplies g."""

    grid: Grid
    face: Floats
    ground: Floats


def light_up(
    lights: Floats,
    rise: Floats,
    view_tan: Floats,
    ground_level: Floats,
    no_ground: bool,
    grid_: Grid,
) -> Lit:
    """Light on face and ground of k cuts at once.

    `lights` (k, 7) are rows as `Light.row` gives them; `rise` (k,) is the height of the axis in
    radii (`Rim.rise`); `view_tan` (k,) is the tangent of the angle between the line of sight and
    the card's normal across the strand (positive: the camera stands on the +xi side);
    `ground_level` (k,) the ground's brightness relative to paper, which sets the light bounced;
    `no_ground` says that nothing lies behind the strand for a shadow to fall on (an open lane that
    was cut out).
    """
    xi = grid_.xi
    view = view_tan[:, None]
    theta = np.arcsin(np.clip(xi, -1.0, 1.0))[None] + np.arctan(view)
    # Off the strand nothing of its face shows: only the middle of the grid is worked out.
    on = np.abs(xi) < 1.0 + grid_.step
    face = np.zeros((len(lights), len(xi)))
    face[:, on] = _face_direct(theta[:, on], lights)
    if no_ground:
        return Lit(grid_, face, np.ones_like(face), np.zeros_like(face))
    # Place on the ground behind each xi, in radii from the line of contact, which the camera
    # sees behind the axis: the outline is shifted away from the camera.
    x = xi * np.hypot(1.0, view) - view * rise[:, None]
    factors = _form_factors()
    strength = PAPER_ALBEDO * ground_level * lights[:, 6]
    cells = _ground_direct(
        np.broadcast_to(factors.x_cell, (len(lights), len(factors.x_cell))), lights, rise
    )
    received = strength[:, None] * (cells @ factors.ground_to_facet.T)
    facets = np.broadcast_to(factors.theta, received.shape)
    thrown = strength[:, None] * (
        (_face_direct(facets, lights) + received) @ factors.facet_to_ground.T
    )
    out = np.empty_like(face)
    for i in range(len(lights)):
        face[i, on] += np.interp(theta[i, on], factors.theta, received[i])
        out[i] = np.interp(x[i], factors.x_cell, thrown[i])
    return Lit(grid_, face, _ground_direct(x, lights, rise), out)


def outline(lit: Lit, rims: Floats) -> Curves:
    """Curves before any blur; `rims` (k, 4) are rows as `Rim.row` gives them.

    The rim's own softness is left to the blur.
    """
    inside = lit.grid.inside
    reach = np.maximum(np.abs(lit.grid.xi) - 1.0, 0.0)
    outside = (1.0 - inside) * rims[:, 2:3] * np.exp(-reach / rims[:, 3:4])
    bare = 1.0 - inside - outside
    # Fuzz has no slope of its own; it is lit as the ground below it is.
    return Curves(
        lit.grid,
        inside * lit.face + outside * lit.ground + bare * lit.thrown,
        bare * lit.ground,
    )


def blur_curves(curves: Curves, sigma: Floats) -> tuple[Floats, Floats]:
    """Curves (k or 1, count) blurred by Gaussians of standard deviation `sigma` (k,) half widths.

    Returns two arrays (k, count).
    """
    count = len(curves.grid.xi)
    transfer = np.exp(-0.5 * (curves.grid.frequencies * np.asarray(sigma)[:, None]) ** 2)
    # The ground goes on beyond the grid; blurring what the strand takes away keeps the ends true.
    face = fft.irfft(fft.rfft(curves.face) * transfer, count)
    return face, 1.0 - fft.irfft(fft.rfft(1.0 - curves.ground) * transfer, count)


def core_half_width(rim: Rim) -> float:
    """Where the cover falls to one half, in units of the model's hard half width.

    The core is what covers at least half of the ground (docs/definitions.md). Fuzz comes out of
    the body and does not thicken its edge: the cover there is the denser of the two, so the core
    ends at the hard edge unless the fuzz itself covers half.
    """
    if rim.halo <= 0.5:
        return 1.0
    return 1.0 + rim.halo_length * float(np.log(rim.halo / 0.5))


def halo_half_width(rim: Rim, cover_limit: float = 0.05) -> float:
    """Where soft edge and fuzz still cover `cover_limit`, in hard half widths."""
    edge = 1.0 - rim.softness * float(ndtri(cover_limit))
    if rim.halo <= cover_limit:
        return edge
    return max(edge, 1.0 + rim.halo_length * float(np.log(rim.halo / cover_limit)))


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
    return np.asarray(a * height / (a + b + c))


def _face_direct(theta: Floats, lights: Floats) -> Floats:
    """Light straight from sky and lamp on facets of slope `theta` (k, m)."""
    sky, lamp, lean, softness, _, scatter, _ = lights.T[:, :, None]
    n_z, n_x = np.cos(theta), np.sin(theta)
    # A lamp of some size sets gradually round the strand: mean of max(0, n.l) over its disc,
    # whose angular depth follows from the far shadow edge's by d(tan + sec) = sec (sec + tan).
    depth = np.maximum(softness / (np.sqrt(1.0 + lean**2) + np.abs(lean)), 1e-3)
    height = (n_z - lean * n_x) / depth
    set_gradually = depth * (height * ndtr(height) + _NORMAL * np.exp(-0.5 * height * height))
    sloped = sky * 0.5 * (1.0 + n_z) + lamp * set_gradually + (1.0 - sky - lamp)
    return np.asarray((1.0 - scatter) * sloped + scatter)


def _ground_direct(x: Floats, lights: Floats, rise: Floats) -> Floats:
    """Light on the ground at `x` (k, m), radii from below the axis, which is `rise` (k,) high."""
    sky, lamp, lean, softness, near_share, _, _ = lights.T[:, :, None]
    height = rise[:, None]
    root = np.sqrt(1.0 + lean**2)
    far = np.maximum(softness, 0.01)
    near = np.maximum(softness * near_share, 0.01)
    before, behind = np.where(lean >= 0, near, far), np.where(lean >= 0, far, near)
    middle = height * lean
    shadow = ndtr((x - middle + root) / before) - ndtr((x - middle - root) / behind)
    return np.asarray(1.0 - sky * height / (x * x + height * height) - lamp * shadow)


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
