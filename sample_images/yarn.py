"""Yarn built from fibres, and the widths it truly has.

A strand is made in its own frame: s along it, t across it (towards the card's +y), h above the
card, all in mm; `lay` puts it on the card. Its widths are taken from the fibres themselves, not
from any picture of them: `widths` finds how much of the ground they hide, seen square on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from sample_images.scene import Curves, Floats, Rgb, blend

CORE_COVERAGE: Final = 0.5
"""The core hides at least half of the ground."""
HALO_COVERAGE: Final = 0.05
"""The halo reaches to where a twentieth of the ground is hidden."""
CUT_MM: Final = 1.0


@dataclass(frozen=True)
class Recipe:
    """How a strand is spun. Diameters are those aimed at; `widths` gives what came out.

    `turns_per_inch` and `twist` are of the ply twist when there are several plies, whose own
    twist then still runs the other way by `single_turns_per_inch`. `cv_percent` is the spread of
    the singles' diameter, wandering over `wander_mm`; `drift` multiplies it along the strand.
    `turns_cv_percent` is the spread of the twist along the strand, which wanders more slowly.
    """

    single_mm: float
    turns_per_inch: float
    twist: Literal["S", "Z"]
    plies: int = 1
    single_turns_per_inch: float = 0.0
    fibres: int = 150
    packing: float = 0.45
    rim: float = 0.09
    cv_percent: float = 7.0
    wander_mm: float = 6.0
    hairs_per_mm: float = 5.0
    hair_reach_mm: float = 0.45
    drift: Callable[[Floats], Floats] | None = None
    turns_cv_percent: float = 0.0


@dataclass(frozen=True)
class Strand:
    """Fibres in the strand's own frame: each (n, 4) as s, t, h, radius. Core first, then hairs."""

    fibres: tuple[Floats, ...]
    hairs: tuple[Floats, ...]
    recipe: Recipe
    from_mm: float
    to_mm: float
    turned: Floats = field(default_factory=lambda: np.zeros((2, 2)))
    """(n, 2) places s along it, mm, and the turns of twist put in as far as there."""

    def turns_per_inch(self, from_mm: float, to_mm: float) -> float:
        """Mean twist between two places along it."""
        ends = np.interp([from_mm, to_mm], self.turned[:, 0], self.turned[:, 1])
        return float(np.diff(ends)[0] / (to_mm - from_mm) * 25.4)


@dataclass(frozen=True)
class Widths:
    """What the fibres hide, cut by cut, (n,) each; nan where a cut has no core."""

    at_mm: Floats
    """Middle of each 1 mm cut, along the strand."""
    core_mm: Floats
    halo_mm: Floats
    centre_mm: Floats
    """Middle of the core, across the strand."""


@dataclass(frozen=True)
class Path:
    """Where a strand lies: through (x, y) at s = 0, turned by `angle_deg`, bowed by `sag_mm`.

    The bow is a parabola that leaves the line by `sag_mm` at 50 mm from there. `over_mm` is how
    far it rises, within some millimetres of `over_at_mm`, to pass over another strand.
    """

    x_mm: float
    y_mm: float
    angle_deg: float = 0.0
    sag_mm: float = 0.0
    lift_mm: float = 0.0
    over_mm: float = 0.0
    over_at_mm: float = 0.0

    def height_mm(self, s_mm: Floats) -> Floats:
        """How far it is held above the card at places along it."""
        hump = np.exp(-0.5 * ((s_mm - self.over_at_mm) / 5.0) ** 2)
        return np.asarray(self.lift_mm + self.over_mm * hump)


def _wander(rng: np.random.Generator, at_mm: Floats, scale_mm: float) -> Floats:
    """A smooth random course of mean 0 and variance 1, correlated over about `scale_mm`."""
    waves = 24
    pitch = scale_mm * rng.lognormal(0.6, 0.45, waves)
    phase = rng.uniform(0.0, 2 * math.pi, waves)
    course = np.cos(at_mm[:, None] * (2 * math.pi / pitch) + phase).sum(axis=1)
    return np.asarray(course * math.sqrt(2.0 / waves))


def _radial_table(rim: float) -> tuple[Floats, Floats]:
    """Share of fibres within a radius (of the strand's radius): dense inside, soft at the rim."""
    rho = np.linspace(0.0, 1.0 + 5 * rim, 400)
    packing = (1.0 - 0.25 * rho**2).clip(0.2) / (1.0 + np.exp((rho - 1.0) / (rim / 2)))
    share = np.cumsum(packing * rho)
    return share / share[-1], rho


def _bundle(
    rng: np.random.Generator, at_mm: Floats, radius_mm: Floats, turn_rad: Floats, recipe: Recipe
) -> tuple[list[Floats], float]:
    """Fibres of one single about its own axis: offsets (n, 2) each, and the fibres' radius."""
    share, rho = _radial_table(recipe.rim)
    fibre_mm = recipe.single_mm / 2 * math.sqrt(recipe.packing / recipe.fibres)
    offsets = []
    for _ in range(recipe.fibres):
        course = _wander(rng, at_mm, 6.0) * 0.75 + rng.normal(0.0, 0.66)
        level = 0.5 + 0.5 * np.tanh(0.8 * course)
        out = np.interp(level, share, rho) * radius_mm
        angle = turn_rad + rng.uniform(0.0, 2 * math.pi) + 0.35 * _wander(rng, at_mm, 8.0)
        offsets.append(np.column_stack([out * np.cos(angle), out * np.sin(angle)]))
    return offsets, fibre_mm


def spin(recipe: Recipe, from_mm: float, to_mm: float, seed: int) -> Strand:
    """A strand from `from_mm` to `to_mm` in its own frame, lying on the card (h = 0)."""
    rng = np.random.default_rng(seed)
    fastest = max(recipe.turns_per_inch, recipe.single_turns_per_inch)
    step = min(0.35, 25.4 / fastest / 14)
    at = np.arange(from_mm - 3 * step, to_mm + 3 * step, step)
    # Z is a right-handed helix. With t down the card and h towards the eye the strand's frame is
    # left-handed, hence the minus sign before every offset across.
    hand = 1.0 if recipe.twist == "Z" else -1.0
    gone = at
    if recipe.turns_cv_percent:
        step_mm = np.diff(at, prepend=at[0] - step)
        uneven = _wander(rng, at, 4 * recipe.wander_mm) * recipe.turns_cv_percent / 100
        gone = at[0] + np.cumsum(step_mm * (1 + uneven))
    turns = 2 * math.pi / 25.4 * gone
    drift = np.ones_like(at) if recipe.drift is None else recipe.drift(at)

    def course() -> Floats:
        sway = _wander(rng, at, recipe.wander_mm) * recipe.cv_percent / 100
        return np.asarray(recipe.single_mm / 2 * drift * np.exp(sway - sway.var() / 2))

    across: list[Floats] = []
    above: list[Floats] = []
    if recipe.plies == 1:
        radius = course()
        bundles, fibre_mm = _bundle(rng, at, radius, hand * recipe.turns_per_inch * turns, recipe)
        across = [-b[:, 0] for b in bundles]
        above = [b[:, 1] for b in bundles]
        reach = radius
    else:
        radii = [course() for _ in range(recipe.plies)]
        # Plies touch where the polygon of their axes has this radius; they press in a little.
        apart = 0.93 / math.sin(math.pi / recipe.plies)
        mean = np.mean(radii, axis=0)
        reach = mean * (1 + apart)
        for ply, radius in enumerate(radii):
            lead = hand * recipe.turns_per_inch * turns + 2 * math.pi * ply / recipe.plies
            own = -hand * recipe.single_turns_per_inch * turns
            bundles, fibre_mm = _bundle(rng, at, radius, own, recipe)
            across += [-(apart * mean * np.cos(lead) + b[:, 0]) for b in bundles]
            above += [apart * mean * np.sin(lead) + b[:, 1] for b in bundles]
    # It rests on its thicker places rather than following every thin one down.
    width = max(1, round(10.0 / step))
    pad = np.pad(reach, width, mode="edge")
    window = np.hanning(2 * width + 1)
    axis = np.convolve(pad, window / window.sum(), mode="valid")
    thick = np.full_like(at, fibre_mm)
    fibres = tuple(
        np.column_stack([at, t, np.maximum(axis + h, fibre_mm), thick])
        for t, h in zip(across, above, strict=True)
    )
    hairs = _hairs(rng, recipe, at, axis, across, above, fibre_mm * 0.8)
    turned = np.column_stack([at, recipe.turns_per_inch / 25.4 * gone])
    return Strand(fibres, hairs, recipe, from_mm, to_mm, turned)


def _hairs(
    rng: np.random.Generator,
    recipe: Recipe,
    at: Floats,
    axis: Floats,
    across: list[Floats],
    above: list[Floats],
    radius_mm: float,
) -> tuple[Floats, ...]:
    """Loops and loose ends standing out of the surface, where outer fibres are."""
    hairs = []
    for _ in range(rng.poisson(recipe.hairs_per_mm * (at[-1] - at[0]))):
        place = int(rng.integers(2, len(at) - 2))
        t, h = np.array([c[place] for c in across]), np.array([c[place] for c in above])
        reach = np.hypot(t, h)
        fibre = int(rng.choice(np.flatnonzero(reach >= np.quantile(reach, 0.75))))
        foot = np.array([at[place], t[fibre], h[fibre]])
        out = np.array([0.0, t[fibre], h[fibre]]) / reach[fibre]
        around = np.cross([1.0, 0.0, 0.0], out)
        tall = min(float(rng.exponential(recipe.hair_reach_mm * 0.6)) + 0.1, 1.0)
        along = float(rng.normal(0.0, 0.6)) * (1 + tall)
        side = float(rng.normal(0.0, 0.4)) * tall
        u = np.linspace(-0.2, 1.2, 11)
        rise = np.sin(math.pi * u.clip(-0.2, 1.1)) if rng.random() < 0.4 else u * (2 - u) * 0.95
        line = (
            foot
            + (tall * rise)[:, None] * out
            + (along * u)[:, None] * np.array([1.0, 0.0, 0.0])
            + (side * u**2)[:, None] * around
            + np.cumsum(rng.normal(0.0, 0.02, (11, 3)), axis=0)
        )
        height = np.maximum(axis[place] + line[:, 2], radius_mm)
        hairs.append(np.column_stack([line[:, 0], line[:, 1], height, np.full(11, radius_mm)]))
    return tuple(hairs)


def _spline(points: Floats, steps: int) -> Floats:
    """Points of a uniform cubic b-spline, `steps` to a segment: the curve that is rendered."""
    u = np.arange(steps)[:, None] / steps
    weights = (
        np.hstack(
            [
                (1 - u) ** 3,
                3 * u**3 - 6 * u**2 + 4,
                -3 * u**3 + 3 * u**2 + 3 * u + 1,
                u**3,
            ]
        )
        / 6
    )
    windows = np.stack([points[i : len(points) - 3 + i] for i in range(4)], axis=1)
    return np.asarray(np.einsum("uk,nkc->nuc", weights, windows).reshape(-1, points.shape[1]))


def hidden(
    curves: tuple[Floats, ...],
    from_mm: float,
    to_mm: float,
    across_mm: float,
    points_per_mm: int = 200,
) -> NDArray[np.bool_]:
    """What the curves hide, seen square on: point samples (along, across) on a fine grid.

    Each curve is swept by discs set so close that the outline between two of them dips by less
    than a hundredth of a fibre's radius; every sample point is then in or out, exactly. Samples
    sit at the middle of cells of 1 / `points_per_mm`, across from -`across_mm` to +`across_mm`.
    """
    columns = round((to_mm - from_mm) * points_per_mm)
    rows = round(2 * across_mm * points_per_mm)
    # One row more, where the intervals that end at the last row are closed.
    begins: list[NDArray[np.int64]] = []
    ends: list[NDArray[np.int64]] = []
    for curve in curves:
        radius = float(curve[0, 3])
        lengths = np.hypot(np.diff(curve[:, 0]), np.diff(curve[:, 1]))
        steps = max(1, math.ceil(float(lengths.max()) / (radius * 0.25)))
        swept = _spline(curve, steps)
        swept = swept[(swept[:, 0] > from_mm - radius) & (swept[:, 0] < to_mm + radius)]
        s = (swept[:, 0] - from_mm) * points_per_mm - 0.5
        t = (swept[:, 1] + across_mm) * points_per_mm - 0.5
        r = radius * points_per_mm
        first = np.ceil(s - r).astype(int)
        for extra in range(math.floor(2 * r) + 1):
            column = first + extra
            half_squared = r * r - (column - s) ** 2
            inside = (half_squared > 0.0) & (column >= 0) & (column < columns)
            half = np.sqrt(half_squared[inside])
            low = np.ceil(t[inside] - half).clip(0, rows).astype(int)
            high = (np.floor(t[inside] + half) + 1).clip(0, rows).astype(int)
            begins.append(column[inside] * (rows + 1) + low)
            ends.append(column[inside] * (rows + 1) + high)
    cells = columns * (rows + 1)
    change = np.bincount(np.concatenate(begins), minlength=cells)
    change = change - np.bincount(np.concatenate(ends), minlength=cells)
    return np.asarray(change.reshape(columns, rows + 1).cumsum(axis=1)[:, :rows] > 0)


def _main_width(share: Floats, level: float, per_mm: float) -> tuple[float, float]:
    """Width and middle of the one unbroken stretch at or above `level` that hides most.

    A hair that lies along a cut may hide half of it too; it is not the body of the strand.
    """
    above = np.flatnonzero(share >= level)
    if above.size == 0:
        return math.nan, math.nan
    runs = np.split(above, np.flatnonzero(np.diff(above) > 1) + 1)
    body = max(runs, key=lambda run: float(share[run].sum()))
    alone = np.zeros_like(share)
    low, high = max(0, int(body[0]) - 1), int(body[-1]) + 2
    alone[low:high] = share[low:high]
    return _outer_width(alone, level, per_mm)


def _outer_width(share: Floats, level: float, per_mm: float) -> tuple[float, float]:
    """Width between the outermost crossings of `level`, and their middle, in mm from the left."""
    above = np.flatnonzero(share >= level)
    if above.size == 0:
        return math.nan, math.nan
    a, b = int(above[0]), int(above[-1])
    left, right = float(a), float(b)
    if a > 0:
        left = a - (share[a] - level) / (share[a] - share[a - 1])
    if b < share.size - 1:
        right = b + (share[b] - level) / (share[b] - share[b + 1])
    return (right - left) / per_mm, ((left + right) / 2 + 0.5) / per_mm


def widths(strand: Strand, from_mm: float, to_mm: float, points_per_mm: int = 200) -> Widths:
    """True widths of every 1 mm cut between two places along the strand."""
    across = strand.recipe.single_mm * (1.0 if strand.recipe.plies == 1 else 2.2) + 1.6
    curves = strand.fibres + strand.hairs
    at, core, halo, centre = [], [], [], []
    starts = np.arange(from_mm, to_mm - CUT_MM + 1e-9, CUT_MM)
    for start in starts:
        near = tuple(
            part
            for curve in curves
            if (part := _near(curve, float(start), float(start) + CUT_MM)) is not None
        )
        share = hidden(near, float(start), float(start) + CUT_MM, across, points_per_mm).mean(
            axis=0
        )
        width, middle = _main_width(share, CORE_COVERAGE, points_per_mm)
        at.append(float(start) + CUT_MM / 2)
        core.append(width)
        centre.append(middle - across)
        halo.append(_outer_width(share, HALO_COVERAGE, points_per_mm)[0])
    return Widths(np.array(at), np.array(core), np.array(halo), np.array(centre))


def _near(curve: Floats, from_mm: float, to_mm: float) -> Floats | None:
    """The part of a curve's control points that can show between two places."""
    inside = np.flatnonzero((curve[:, 0] > from_mm - 0.1) & (curve[:, 0] < to_mm + 0.1))
    if inside.size == 0:
        return None
    return curve[max(0, int(inside[0]) - 4) : int(inside[-1]) + 5]


def place(path: Path, s_mm: Floats, t_mm: Floats) -> Floats:
    """Card coordinates (n, 2) of places in the strand's frame."""
    bow = path.sag_mm / 50.0**2
    # Offsets go along the bow's own normal, so that widths across it stay what they were.
    slope = 2 * bow * s_mm
    norm = np.hypot(1.0, slope)
    u = s_mm - t_mm * slope / norm
    v = bow * s_mm**2 + t_mm / norm
    turn = math.radians(path.angle_deg)
    x = path.x_mm + u * math.cos(turn) - v * math.sin(turn)
    y = path.y_mm + u * math.sin(turn) + v * math.cos(turn)
    return np.column_stack([x, y])


def lay(
    strand: Strand,
    path: Path,
    colours: tuple[Rgb, ...],
    seed: int,
    of_plies: tuple[Rgb, ...] = (),
) -> Curves:
    """The strand on the card, its colour running through `colours` from one end to the other.

    Where `of_plies` is given, each ply has one of those colours instead. No two fibres of a
    fleece take the dye alike: each has a depth of its own.
    """
    rng = np.random.default_rng(seed)
    curves, albedo = [], []
    in_ply = len(strand.fibres) // strand.recipe.plies
    for number, fibre in enumerate(strand.fibres + strand.hairs):
        if of_plies:
            colours = (of_plies[number // in_ply % len(of_plies)],)
        points = place(path, fibre[:, 0], fibre[:, 1])
        height = fibre[:, 2] + path.height_mm(fibre[:, 0])
        curves.append(np.column_stack([points, height, fibre[:, 3]]))
        along = (fibre[1:-2, 0] - strand.from_mm) / (strand.to_mm - strand.from_mm)
        depth = rng.uniform(0.82, 1.18)
        albedo.append((blend(colours, along) * depth).clip(0.01, 0.92))
    return Curves(tuple(curves), np.concatenate(albedo))
