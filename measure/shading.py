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

Curves are stacked (k, rows, count): the curve itself, and for a fit that follows slopes its slopes
after it, by each figure of the `Light` in order and then of the `Rim`; the slope by its softness,
which is part of the blur, comes in with that.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import ndtri

from measure.clipped import clipped
from measure.radiometry import exchange, lamp_on_face, lamp_shadow, sky_hidden

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Real = TypeVar("Real", np.float32, np.float64)

XI_MAX: Final = 8.0
"""Samples farther out than this many half widths say nothing more about the strand."""

_HARD_SHADOW: Final = 0.3
"""Softness of a shadow, in radii, that halves what a lamp shows of a strand's bumps (ours)."""

_THROUGH: Final = 1.0 / 3.0
"""Where a translucent strand's core ends outside its edge's middle, in softnesses of that edge."""
_LIKELIEST: Final = 0.8
_SOFTEST: Final = 0.12
_FUZZ: Final = 0.06
"""How likely light comes through a white strand, how soft the edge of a translucent one mostly is
at most, in half widths, and how much fuzz says that something else makes it soft (ours)."""

_REACHES: Final = 1 << 40
"""Steps in which the end of a strand's core is looked for."""

BY_SIGMA: Final = 9
"""Row of a blurred curve's slope by sigma: after the curve, seven figures of light and the rise."""

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
    def hardness(self) -> float:
        """Share of the light that comes from a lamp small enough for bumps to throw shadows."""
        return self.lamp / (1.0 + (self.softness / _HARD_SHADOW) ** 2)

    @property
    def beside(self) -> float:
        """How far a lamp's shadow reaches out from under a strand, in radii, at most one."""
        lean = abs(self.lean)
        return min(lean + float(np.hypot(1.0, lean)) - 1.0, 1.0)

    def on(self, rim: Rim) -> Light:
        """As it falls on a strand of that rim."""
        return replace(self, softness=self.softness * float(np.exp(rim.shade)))

    @property
    def row(self) -> Floats:
        """The seven figures in order, (1, 7)."""
        first = (self.sky, self.lamp, self.lean, self.softness)
        return np.array([[*first, self.near_share, self.scatter, self.bounce]])


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
    shade: float = 0.0
    """Logarithm of how much softer its shadow is, in radii, than the light makes those beside it:
    0 under a lamp far away."""

    @property
    def row(self) -> Floats:
        """The five figures in order, (1, 5)."""
        return np.array([[self.rise, self.softness, self.halo, self.halo_length, self.shade]])


@dataclass(frozen=True)
class Grid:
    """Where curves are laid out in xi, with what does not depend on the light."""

    xi: Floats
    step: float
    inside: Singles
    """Share of each cell inside the hard outline, so that its edges are area-exact."""
    reach: Singles
    """How far outside of it each cell lies."""
    on: slice
    """Where something of the strand's face shows."""
    frequencies: Floats


@lru_cache(maxsize=16)
def grid(steps_per_half_width: int) -> Grid:
    """The grid of 16 half widths with that many steps to each."""
    step = 1.0 / steps_per_half_width
    count = int(fft.next_fast_len(round(2 * XI_MAX * steps_per_half_width), real=True))
    xi = np.asarray((np.arange(count) - count // 2) * step, float)
    half = 0.5 * step
    covered = (np.minimum(xi + half, 1.0) - np.maximum(xi - half, -1.0)) / step
    inside = np.clip(covered, 0.0, 1.0).astype(np.float32)
    reach = np.maximum(np.abs(xi) - 1.0, 0.0).astype(np.float32)
    on = np.nonzero(np.abs(xi) < 1.0 + step)[0]
    frequencies = np.asarray(2.0 * np.pi * np.fft.rfftfreq(count, step), float)
    return Grid(xi, step, inside, reach, slice(int(on[0]), int(on[-1]) + 1), frequencies)


def steps_for(half_width_mm: float, blur_mm: float, least: int) -> int:
    """Steps per half width that resolve an edge so blurred: two to its standard deviation."""
    needed = 2.0 * half_width_mm / max(blur_mm, 1e-6)
    return min(max(8 * math.ceil(needed / 8), least), 128)


@dataclass(frozen=True)
class Lit:
    """Light on face and ground of k cuts behind each xi, outlines not yet applied."""

    grid: Grid
    face: Singles
    """(k, rows, places where the face shows)"""
    ground: Singles
    """(k, rows, count)"""
    thrown: Singles
    """(k, rows, count) brightness of the ground by the light a strand of S = 1 throws on it."""


@dataclass(frozen=True)
class Curves:
    """Unblurred curves of k cuts, (k, rows, count): what multiplies S and what multiplies g."""

    grid: Grid
    face: Singles
    ground: Singles


@dataclass(frozen=True)
class Aspect:
    """How k cuts are seen, on a grid: what of their light does not depend on the light."""

    grid: Grid
    view_tan: Singles
    """(k, 1) tangent of the angle between the line of sight and the card's normal across the
    strand; positive: the camera stands on the +xi side."""
    x: Singles
    """(k, count) places on the ground behind each xi, for an axis in the card's plane."""
    n_z: Singles
    n_x: Singles
    """(k, facets + places where the face shows) normals of the facets light is exchanged by, and
    of those seen."""
    low: NDArray[np.intp]
    share: Singles
    """(k, places where the face shows) facet before what is seen, and how far on it lies."""

    def times(self, m: int) -> Aspect:
        """The same cuts m times over."""
        return self if m == 1 else self.of(np.tile(np.arange(len(self.x)), m))

    def of(self, cuts: NDArray[np.int_]) -> Aspect:
        """The cuts so numbered."""
        return Aspect(
            self.grid,
            self.view_tan[cuts],
            self.x[cuts],
            self.n_z[cuts],
            self.n_x[cuts],
            self.low[cuts],
            self.share[cuts],
        )


def aspect(view_tan: Floats, grid_: Grid) -> Aspect:
    """The aspect of k cuts seen under `view_tan` (k,).

    Singles, as all that follows from it: the model is not known to their last digits.
    """
    view = view_tan[:, None]
    between = exchange()
    # The outline's middle shows the facet that leans by the line of sight.
    facets = len(between.theta)
    seen = clipped(grid_.xi[grid_.on], -1.0, 1.0)
    all_theta = np.empty((len(view), facets + len(seen)))
    all_theta[:, :facets] = between.theta
    theta = np.add(np.arcsin(seen), np.arctan(view), out=all_theta[:, facets:])
    low, share, _ = _places(theta, between.theta)
    n_z, n_x, x, tangent, part = (
        one.astype(np.float32)
        for one in (
            np.cos(all_theta),
            np.sin(all_theta),
            grid_.xi * np.hypot(1.0, view),
            view,
            share,
        )
    )
    return Aspect(grid_, tangent, x, n_z, n_x, low, part)


def light_up(
    lights: Floats,
    rise: Floats,
    seen: Aspect,
    ground_level: Floats,
    no_ground: bool,
    slopes: bool = False,
) -> Lit:
    """Light on face and ground of k cuts at once.

    `lights` (k or 1, 7) are rows as `Light.row` gives them; `rise` (k,) is the height of the axis
    in radii (`Rim.rise`); `ground_level` (k,) the ground's brightness relative to paper, which
    sets the light bounced; `no_ground` says that nothing lies behind the strand for a shadow to
    fall on (an open lane that was cut out). With `slopes` eight more rows: by the figures of the
    light and by the rise.
    """
    figures = lights.astype(np.float32)
    light = [figures[:, i : i + 1] for i in range(7)]
    high, view = rise.astype(np.float32)[:, None], seen.view_tan
    between = exchange()
    facets, cells = len(between.theta), len(between.x)
    faces = _face(seen.n_z, seen.n_x, light, slopes)
    face = faces[:, :, facets:]
    if no_ground:
        ground = np.zeros((*face.shape[:2], len(seen.grid.xi)), np.float32)
        ground[:, 0] = 1.0
        return Lit(seen.grid, face, ground, np.zeros_like(ground))
    # Place on the ground behind each xi, in radii from the line of contact, which the camera
    # sees behind the axis: the outline is shifted away from the camera.
    places = np.empty((len(view), cells + len(seen.grid.xi)), np.float32)
    places[:, :cells] = between.x
    x = np.subtract(seen.x, view * high, out=places[:, cells:])
    grounds = _ground(places, high, light, slopes)
    unit = (PAPER_ALBEDO * ground_level).astype(np.float32)[:, None, None]
    strength = unit * figures[:, 6, None, None]
    received_unit = grounds[:, :9, :cells] @ between.to_facets
    received = strength * received_unit
    if slopes:
        received[:, 7] += unit[:, 0] * received_unit[:, 0]
    thrown_unit = (faces[:, :, :facets] + received) @ between.to_ground
    thrown = strength * thrown_unit
    if slopes:
        thrown[:, 7] += unit[:, 0] * thrown_unit[:, 0]
    face += _between(received, seen.low, seen.share)[0]
    low, share, apart = _places(x, between.x)
    out, step = _between(thrown, low, share)
    ground = grounds[:, :, cells:]
    if slopes:
        # The ground seen shifts with the rise.
        out[:, 8] -= view * step[:, 0] / apart
        ground[:, 8] -= view * ground[:, 9]
    return Lit(seen.grid, face, ground[:, :9], out)


def _places(
    x: NDArray[Real], at: NDArray[Real]
) -> tuple[NDArray[np.intp], NDArray[Real], NDArray[Real]]:
    """Between which of the points `at` (n,) places x lie, how far on, held beyond the ends, and
    how far those points lie apart."""
    low = at[1:-1].searchsorted(x)
    apart = (at[1:] - at[:-1]).take(low)
    share = x - at.take(low)
    share /= apart
    np.minimum(np.maximum(share, 0.0, out=share), 1.0, out=share)
    return low, share, apart


def _between(rows: Singles, low: NDArray[np.intp], share: Singles) -> tuple[Singles, Singles]:
    """Rows (k, r, n) linearly between their points at places (k, m); and the step there."""
    k, r, n = rows.shape
    index = low[:, None] + (n * np.arange(k * r)).reshape(k, r, 1)
    flat = rows.ravel()
    out = flat.take(index)
    index += 1
    step = flat.take(index)
    step -= out
    out += share[:, None] * step
    return out, step


def outline(lit: Lit, rims: Floats) -> Curves:
    """Curves before any blur; `rims` (k, 5) are rows as `Rim.row` gives them.

    The rim's own softness is left to the blur. Where what is lit carries slopes, two rows more:
    by halo and halo length.
    """
    on, inside, reach = lit.grid.on, lit.grid.inside, lit.grid.reach
    rims = rims.astype(np.float32)
    length = rims[:, 3:4]
    thinned = (1.0 - inside) * np.exp(-reach / length)
    outside = rims[:, 2:3] * thinned
    bare = 1.0 - inside - outside
    slopes = lit.ground.shape[1] > 1
    k, rows, count = lit.ground.shape
    face = np.empty((k, rows + 2 * slopes, count), np.float32)
    ground = np.empty_like(face)
    # Fuzz has no slope of its own; it is lit as the ground below it is.
    face[:, :rows] = outside[:, None] * lit.ground + bare[:, None] * lit.thrown
    face[:, :rows, on] += inside[on] * lit.face
    ground[:, :rows] = bare[:, None] * lit.ground
    if slopes:
        for row, more in ((rows, thinned), (rows + 1, outside * reach / length**2)):
            face[:, row] = more * (lit.ground[:, 0] - lit.thrown[:, 0])
            ground[:, row] = -more * lit.ground[:, 0]
    return Curves(lit.grid, face, ground)


def blur_curves(curves: Curves, sigma: Floats) -> tuple[Singles, Singles]:
    """Curves (k or 1, 1, count) blurred by Gaussians of standard deviation `sigma` (k,) or (q, 1).

    Returns two arrays (k, count), or (q, k, count).
    """
    count = len(curves.grid.xi)
    transfer = np.exp(-0.5 * (curves.grid.frequencies * np.asarray(sigma)[..., None]) ** 2)
    # Of the waves' own type: as another one it would be cast anew for all of them.
    transfer = transfer.astype(np.complex64)
    # The ground goes on beyond the grid; blurring what the strand takes away keeps the ends true.
    face = fft.irfft(fft.rfft(curves.face[:, 0]) * transfer, count)
    return face, 1.0 - fft.irfft(fft.rfft(1.0 - curves.ground[:, 0]) * transfer, count)


def blur_with_slopes(curves: Curves, sigma: Floats) -> Singles:
    """Curves with slopes, blurred by `sigma` (k,), one row more each: the slope by sigma.

    (k, 2, rows + 1, count): what multiplies S, then g; the slope by sigma stands where that by the
    rim's softness belongs. Singles: what they round off is far below what a model of light can
    claim.
    """
    k, rows, count = curves.face.shape
    both = np.empty((k, 2, rows, count), np.float32)
    both[:, 0] = curves.face
    np.negative(curves.ground, out=both[:, 1])
    both[:, 1, 0] += 1.0
    frequencies = curves.grid.frequencies
    transfer = np.exp(-0.5 * (frequencies * sigma[:, None]) ** 2).astype(np.complex64)
    transfer = transfer[:, None, None]
    waves = np.empty((k, 2, rows + 1, len(frequencies)), np.complex64)
    np.multiply(fft.rfft(both[:, :, :BY_SIGMA]), transfer, out=waves[:, :, :BY_SIGMA])
    np.multiply(fft.rfft(both[:, :, BY_SIGMA:]), transfer, out=waves[:, :, BY_SIGMA + 1 :])
    # Blur spreads as heat does: the slope by sigma is sigma times the second derivative.
    spread = (-(frequencies**2) * sigma[:, None]).astype(np.complex64)
    np.multiply(waves[:, :, 0], spread[:, None], out=waves[:, :, BY_SIGMA])
    blurred = np.asarray(fft.irfft(waves, count, overwrite_x=True))
    np.negative(blurred[:, 1], out=blurred[:, 1])
    blurred[:, 1, 0] += 1.0
    return blurred


@lru_cache(maxsize=64)
def core_half_width(rim: Rim) -> float:
    """Where the cover falls to one half, in units of the model's hard half width.

    The core is what covers at least half of the ground (docs/definitions.md). Where soft edge and
    fuzz overlap at random, they cover 1 - (1 - edge) (1 - fuzz).
    """

    def bare(step: int) -> float:
        reach = step * (XI_MAX / _REACHES)
        beyond = 0.5 * math.erfc(-reach / (math.sqrt(2.0) * rim.softness))
        return beyond * (1.0 - rim.halo * math.exp(-reach / rim.halo_length))

    # Farther out ever less is covered. (SciPy's way to a root takes longer to import than to read
    # a picture.)
    return 1.0 + bisect_left(range(_REACHES), 0.5, key=bare) * (XI_MAX / _REACHES)


def light_through(rim: Rim, level: float) -> tuple[float, float]:
    """How much farther out than its soft edge's middle a strand's core may end, half widths.

    Mean and standard uncertainty. Light comes through the edges of a translucent strand, all of it
    from inside its outline, so that what covers half of the ground ends a third of the edge's
    softness outside the edge's middle (Beer and Lambert: 0.30 to 0.32 for optical depths of 5 to
    9). A rough opaque strand's core ends in the middle. Which it is does not show; that it is
    translucent is taken to be as likely as its brightness `level`, relative to white, squared, for
    light through it meets its dye, never as good as sure, and the less likely the more fuzz makes
    its edges soft (ours).
    """
    likely = min(max(level, 0.0) ** 2, _LIKELIEST) * max(0.0, 1.0 - rim.halo / _FUZZ)
    outside = _THROUGH * min(rim.softness, _SOFTEST)
    return likely * outside, math.sqrt(likely * (1.0 - likely)) * outside


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


def _face(n_z: Singles, n_x: Singles, light: list[Singles], slopes: bool) -> Singles:
    """Light straight from sky and lamp on facets of normal (n_x, n_z), (k, m); with its slopes."""
    sky, lamp, lean, softness, _, scatter, _ = light
    from_sky = 0.5 * (n_z - 1.0)
    from_lamp, *by = lamp_on_face(n_z, n_x, lean, softness, slopes)
    from_lamp -= 1.0
    # Light that nothing shades makes up for what sky and lamp leave of one.
    sloped = 1.0 + sky * from_sky + lamp * from_lamp
    rest = 1.0 - scatter
    out = np.zeros((len(sloped), 9 if slopes else 1, sloped.shape[1]), np.float32)
    np.add(rest * sloped, scatter, out=out[:, 0])
    if slopes:
        np.multiply(rest, from_sky, out=out[:, 1])
        np.multiply(rest, from_lamp, out=out[:, 2])
        np.multiply(rest * lamp, by[0], out=out[:, 3])
        np.multiply(rest * lamp, by[1], out=out[:, 4])
        np.subtract(1.0, sloped, out=out[:, 6])
    return out


def _ground(x: Singles, rise: Singles, light: list[Singles], slopes: bool) -> Singles:
    """Light on the ground at `x` (k, m), radii from below the axis, which is `rise` high.

    With slopes, and after them its slope by x.
    """
    sky, lamp, lean, softness, near_share, _, _ = light
    hidden, *by_hidden = sky_hidden(x, rise, slopes)
    shadow, *by_shadow = lamp_shadow(x, rise, lean, softness, near_share, slopes)
    out = np.zeros((len(x), 10 if slopes else 1, x.shape[1]), np.float32)
    np.subtract(1.0, sky * hidden + lamp * shadow, out=out[:, 0])
    if slopes:
        by_x, by_lean, by_softness, by_near, by_rise = by_shadow
        less_sky, less_lamp = -sky, -lamp
        np.negative(hidden, out=out[:, 1])
        np.negative(shadow, out=out[:, 2])
        np.multiply(less_lamp, by_lean, out=out[:, 3])
        np.multiply(less_lamp, by_softness, out=out[:, 4])
        np.multiply(less_lamp, by_near, out=out[:, 5])
        np.add(less_sky * by_hidden[1], less_lamp * by_rise, out=out[:, 8])
        np.add(less_sky * by_hidden[0], less_lamp * by_x, out=out[:, 9])
    return out
