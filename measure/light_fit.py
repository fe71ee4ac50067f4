"""The light of one lane and the rim of its strands, estimated once from all cuts.

Averaged profiles of every strand on every ground are fitted together: the light is shared, each
strand has its own rim, each profile its own two edges, and brightness is solved for in closed
form. A strand's half width and place may differ only a little between its grounds, but for what its
own thick and thin places do, which is what tells the light apart from the strand. Weak priors hold
what a picture cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.beside import Others, left_of_light
from measure.flat_edges import flat_edges
from measure.light_descent import Stop, begin, descend, promised
from measure.light_solver import (
    LEAST_BRIGHT,
    LEVEL_TIE,
    LIGHT_COUNT,
    LIGHT_PRIOR,
    RIM_COUNT,
    RIM_PRIOR,
    Packed,
    Point,
    figures_of,
    ties_of,
)
from measure.shading import (
    Curves,
    Light,
    Rim,
    aspect,
    blur_curves,
    grid,
    light_up,
    outline,
    steps_for,
)

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_MODEL_FLOOR: Final = 0.004
"""The model's own doubt per sample, relative to white: what no light parameter explains."""

_COARSE: Final = 24
"""Steps per half width that suffice to find the light,"""
_FINEST: Final = 40
"""and to follow it once it is found."""
_FINEST_FLAT: Final = 200
"""Steps to which no shading at all is held: there is nothing but edges to tell it by."""
_ELSEWHERE_SD: Final = np.array([0.05, 0.05, 0.06, 0.10, 0.20, 0.05, 0.10])
"""How far the light may differ between the lanes of one card."""
_UNSHADED: Final = Light(0.0, 0.0, 0.0, 0.3, 0.6, 0.1, 0.0)
_PLAIN: Final = 1.3
"""Mean squared residual, in units of noise and model doubt, at which no shading is needed."""
_MOST_FLAT: Final = 14
_HOPED: Final = 4.0
"""A step may gain up to this many times what slopes promise."""
_INNER: Final = 0.75
"""Half widths within which a single strand's face is smooth."""
_ROUGH: Final = 1e-2
"""Relative gain of a step below which the first fit stops: it is done again, lined up better."""
_FINE: Final = 1e-3
_CONTRADICTED: Final = 3.2
"""Spreads off what is likely from which a bounce is believed: of 92 path-traced lanes, whose light
does bounce, four were found as far off (ours)."""
_LEAST_KNOWN: Final = 1e-6
"""Least information about any figure: a standard uncertainty of a thousand."""
_CLEAR: Final = 0.3
_ROUNDS: Final = ((1, 10.0), (1, 10.0), (2, 5.0), (4, 2.0), (12, 1.0))
"""Steps of the first fit, and how many times the least cost ends a descent after each round."""
_FOR_SEARCH: Final = 16
_STRETCHES: Final = np.linspace(-0.75, 0.45, 13)
_SHIFTS: Final = np.linspace(-1.5, 1.5, 16)
"""Widths (log) and places (half widths) of a strand tried under every light."""
_PERHAPS_FLAT: Final = 4.0
"""Mean squared residual, in the same units, that two soft edges alone may leave for the fit without
shading to be tried."""
_EXPLAINED: Final = 0.5
"""Mean squared residual, in the same units, of a fit beside which no other start is looked at: of
53 such lanes (ours) none had another minimum that moved a width by a hundredth."""
_FAR_WORSE: Final = 4.5
"""A light whose start costs this many times the best one's is not descended from."""

_TRIED: Final = tuple(
    [(0.02, 0.02, 0.0), (0.5, 0.02, 0.0), (0.95, 0.02, 0.0)]
    + [
        (sky, lamp, lean)
        for (sky, lamp), lean in product(
            ((0.6, 0.35), (0.15, 0.75)), (-1.6, -0.9, -0.4, 0.4, 0.9, 1.6)
        )
    ]
    + [(0.2, 0.75, 0.0)]
)
"""Lights (sky, lamp, lean) from which the best is taken as a start."""


@dataclass(frozen=True)
class MeanProfile:
    """One averaged profile: J samples, C channels, relative to white."""

    strand: int
    ground: str
    u_mm: Floats
    light: Floats
    weight: Floats
    level: Floats
    """(C,) bare ground."""
    blur_mm: float
    view_tan: float
    half_width_mm: float
    middle_mm: float
    noise: float
    uneven: float
    """How much thicker the strand itself is on this ground's stretches than on all, log."""
    u_uneven: float
    others: Others
    """(J,) each: what the lane's other strands do to the ground."""


@dataclass(frozen=True)
class LightFit:
    """Light, rims, and how well they are known."""

    light: Light
    rims: tuple[Rim, ...]
    no_ground: bool
    flat: bool
    """Nothing shades or is shaded: ink in the plane of the card, not a cylinder on it."""
    u_log_half_width: Floats
    """(profiles,) standard uncertainty the light and rim pass on to each profile's width."""
    log_half_width: Floats
    """(profiles,)"""
    middle_mm: Floats
    misfit: Floats
    """(profiles,) root mean square residual relative to white."""
    core_misfit: Floats
    """(profiles,) the same over the inner part of the strand alone."""
    groove: Floats
    """(profiles,) depth of a dip along the middle between two ridges, relative to white."""
    cost: float
    misfit_per_sample: float
    """Mean squared residual in units of noise and model doubt."""

    def moved(self, profiles: list[MeanProfile]) -> float:
        """How far at most, log, the fit moved widths from those the profiles were lined up by."""
        lined_up_by = np.log([p.half_width_mm for p in profiles])
        return float(np.abs(self.log_half_width - lined_up_by).max())

    def contradicts(self, known: Light) -> bool:
        """Whether its bounce is too far from another lane's to have been held to that."""
        return _contradicts(self.light, _prior(known))


def fit_light(
    profiles: list[MeanProfile], strands: int, no_ground: bool, known: Light | None = None
) -> LightFit:
    """Estimate the light of one lane from its mean profiles (at least one).

    `no_ground`: an open lane that was cut out, where no shadow falls. `known`: the light as
    another lane of the same picture showed it, which is nearly the same here.
    """
    # Profiles that were lined up under the light known hardly ever need to be lined up again.
    finest, gain = (_COARSE, _ROUGH) if known is None else (_FINEST, _FINE)
    packed = _pack(profiles, strands, no_ground, _prior(known), finest)
    flat, *found = _search(packed, profiles, strands, known)
    found.sort(key=lambda trial: trial.cost)
    if not no_ground:
        fit = _fit_flat(packed, flat.point, profiles)
        if fit is not None:
            return fit
    likeliest, *others = _starts(found, profiles)
    (best,) = begin(packed, [likeliest])
    costs: list[float] = []
    for steps, _ in _ROUNDS:
        (best,) = descend(packed, [best], steps, gain)
        costs.append(best.state.cost)
    if not others or best.state.cost <= _EXPLAINED * float(np.sum(packed.w > 0)):
        return _finish(packed, best)
    # A lamp from either side, or none: only a descent tells which it was.
    running = begin(packed, others)
    for (steps, far_worse), least in zip(_ROUNDS, costs, strict=True):
        running = descend(packed, running, steps, gain)
        least = min([least, *(stop.state.cost for stop in running)])
        running = [stop for stop in running if stop.state.cost <= far_worse * least]
        if not running:
            break
    return _finish(packed, min([best, *running], key=lambda stop: stop.state.cost))


def refit_light(
    profiles: list[MeanProfile],
    light: Light,
    rims: tuple[Rim, ...],
    no_ground: bool,
    flat: bool,
    known: Light | None = None,
) -> LightFit:
    """The fit again, from an earlier one's light and rims, with profiles lined up better.

    Where that light's bounce contradicts what is likely it is held less.
    """
    prior = _prior(_UNSHADED) if flat else _held_less(_prior(known), light)
    packed = _pack(profiles, len(rims), no_ground, prior, _FINEST)
    point = Point(
        light.row[0],
        np.concatenate([r.row for r in rims]),
        np.log([p.half_width_mm for p in profiles]),
        np.array([p.middle_mm for p in profiles]),
    )
    (stop,) = descend(packed, begin(packed, [point]), 8, _FINE)
    return _finish(packed, stop, flat)


def _fit_flat(packed: Packed, start: Point, profiles: list[MeanProfile]) -> LightFit | None:
    """The fit without any shading, if that explains the profiles down to their noise.

    Nothing that lies on a card is free of contact shadow. What is, was printed or drawn on it; a
    richer light would only blur what is plain.
    """
    samples = max(float(np.sum(packed.w > 0)), 1.0)
    edges = flat_edges(
        packed.u, packed.y, packed.w, packed.level, packed.blur, start.log_a, start.u0
    )
    if edges.left_over > _PERHAPS_FLAT * samples:
        return None
    point = replace(start, log_a=edges.log_half_width, u0=edges.middle_mm)
    # Coarse steps would blur the edges of a wide strand by more than its noise.
    finer = _pack(profiles, len(start.rim), packed.no_ground, _prior(_UNSHADED), _FINEST_FLAT)
    (stop,) = begin(finer, [point])
    for _ in range(_MOST_FLAT):
        (stop,) = descend(finer, [stop], 1, _FINE)
        if stop.settled or stop.state.cost - _HOPED * promised(finer, stop) > _PLAIN * samples:
            break
    return _finish(finer, stop, True) if stop.state.cost <= _PLAIN * samples else None


def _pack(
    profiles: list[MeanProfile], strands: int, no_ground: bool, prior: Floats, finest: int
) -> Packed:
    longest = max(len(p.u_mm) for p in profiles)
    channels = profiles[0].light.shape[1]
    n = len(profiles)
    u = np.zeros((n, longest))
    y = np.zeros((n, longest, channels))
    w = np.zeros((n, longest))
    others = np.zeros((3, n, longest))
    for i, p in enumerate(profiles):
        j = len(p.u_mm)
        u[i, :j], y[i, :j] = p.u_mm, p.light
        w[i, :j] = p.weight / (p.noise**2 + _MODEL_FLOOR**2)
        others[:, i, :j] = p.others.hidden, p.others.left, p.others.right
    w /= channels
    strand = np.array([p.strand for p in profiles])
    level = np.array([p.level for p in profiles])
    known = np.zeros((n, channels, 2, 2))
    known[..., 0, 0] = LEAST_BRIGHT
    known[..., 1, 1] = 1.0 / (LEVEL_TIE * np.maximum(level, 0.03)) ** 2
    aim = known[..., 1] * level[..., None]
    steps = min(max(steps_for(p.half_width_mm, p.blur_mm, _COARSE) for p in profiles), finest)
    nothing = np.zeros((0, 0))
    packed = Packed(
        strand=strand,
        u=u,
        y=y,
        w=w,
        level=level,
        level_mean=level.mean(axis=1),
        level_known=known,
        level_aim=aim,
        blur=np.array([p.blur_mm for p in profiles]),
        seen=aspect(np.array([p.view_tan for p in profiles]), grid(steps)),
        others=Others(*others) if others.any() else None,
        no_ground=no_ground,
        energy=float(np.einsum("nj,njc,njc->", w, y, y) + np.sum(aim[..., 1] * level)),
        uneven=np.array([p.uneven for p in profiles]),
        u_uneven=np.array([p.u_uneven for p in profiles]),
        own=figures_of(strand, strands),
        ties=nothing,
        tied_to=nothing,
        tied=nothing,
    )
    half = np.array([p.half_width_mm for p in profiles])
    return _under_prior(packed, prior, strands, half)


def _under_prior(packed: Packed, prior: Floats, strands: int, half_width_mm: Floats) -> Packed:
    ties, tied_to = ties_of(
        packed.strand, strands, half_width_mm, packed.uneven, packed.u_uneven, prior
    )
    return replace(packed, ties=ties, tied_to=tied_to, tied=ties.T @ ties)


def _prior(known: Light | None) -> Floats:
    if known is None:
        return LIGHT_PRIOR[:, :2]
    spread = LIGHT_PRIOR[:, 1].copy() if known is _UNSHADED else _ELSEWHERE_SD
    if known is _UNSHADED:
        spread[:2] = 1e-4
    return np.column_stack([known.row[0], spread])


def _held_less(prior: Floats, light: Light) -> Floats:
    """The prior of a light; its bounce is let go where it was found far from what is likely.

    A picture that pulls it there in spite of the prior knows better, and what is left of the pull
    between the two would be paid for with the strands' widths.
    """
    if not _contradicts(light, prior):
        return prior
    spread = prior[:, 1].copy()
    spread[-1] = abs(light.bounce - prior[-1, 0])
    return np.column_stack([prior[:, 0], spread])


def _contradicts(light: Light, prior: Floats) -> bool:
    return bool(abs(light.bounce - prior[-1, 0]) >= _CONTRADICTED * prior[-1, 1])


@dataclass(frozen=True)
class _Trial:
    """A light with the edges that suit it best, and what is left of the profiles then."""

    cost: float
    point: Point


def _search(
    packed: Packed, profiles: list[MeanProfile], strands: int, known: Light | None
) -> list[_Trial]:
    """No shading at all, then every light of `_TRIED` or the one known."""
    if known is None:
        shaded = np.array([[*tried, 0.3, 0.6, 0.1, 0.85] for tried in _TRIED])
    else:
        shaded = known.row
    lights = np.concatenate([_UNSHADED.row, shaded])
    prior = _prior(known)
    total = (((lights - prior[:, 0]) / prior[:, 1]) ** 2).sum(axis=1)
    n, m = len(profiles), len(lights)
    rims = np.tile(RIM_PRIOR[:, 0], (n * m, 1))
    view_tan = np.array([p.view_tan for p in profiles])
    # Rows by profile, then light.
    lit = light_up(
        np.tile(lights, (n, 1)),
        rims[:, 0],
        aspect(view_tan, grid(_FOR_SEARCH)).of(np.repeat(np.arange(n), m)),
        np.repeat(packed.level_mean, m),
        packed.no_ground,
    )
    curves = outline(lit, rims)
    log_a = np.tile(np.log([p.half_width_mm for p in profiles]), (m, 1))
    u0 = np.tile([p.middle_mm for p in profiles], (m, 1))
    for strand in range(strands):
        own = np.nonzero(packed.strand == strand)[0]
        if not len(own):
            continue
        # One width and one place for all grounds of a strand, but for what it does itself.
        a0, u_ref = float(log_a[0, own].mean()), float(u0[0, own].mean())
        cost = np.zeros((len(_STRETCHES), len(_SHIFTS), m))
        for i in own.tolist():
            rows = slice(i * m, i * m + m)
            one = Curves(curves.grid, curves.face[rows], curves.ground[rows])
            widths = np.exp(a0 + packed.uneven[i] + _STRETCHES)
            cost += _costs(packed, i, one, widths, u_ref, lights)
        best = cost.reshape(-1, m).argmin(axis=0)
        k, j = np.unravel_index(best, cost.shape[:2])
        total += cost[k, j, np.arange(m)]
        log_a[:, own] = (a0 + _STRETCHES[k])[:, None] + packed.uneven[own]
        u0[:, own] = (u_ref + _SHIFTS[j] * np.exp(log_a[:, own[0]]))[:, None]
    rim = np.tile(RIM_PRIOR[:, 0], (strands, 1))
    return [_Trial(float(total[i]), Point(lights[i], rim, log_a[i], u0[i])) for i in range(m)]


def _costs(
    packed: Packed, i: int, curves: Curves, a: Floats, u_ref: float, lights: Floats
) -> Floats:
    """Cost of profile i for every half width (k,), shift and light (m,), brightness solved for."""
    thin = max(1, round(packed.u.shape[1] / 36))
    u, y, w = packed.u[i, ::thin], packed.y[i, ::thin], packed.w[i, ::thin]
    count, m = len(curves.grid.xi), len(curves.face)
    sigma = np.hypot(packed.blur[i] / a, RIM_PRIOR[1, 0])
    blurred = blur_curves(curves, sigma[:, None])
    xi = (u[:, None, None] - u_ref) / a[:, None] - _SHIFTS
    xi -= curves.grid.xi[0] - 0.5 * curves.grid.step
    xi *= 1.0 / curves.grid.step
    at = np.minimum(np.maximum(xi, 0.0, out=xi), count - 1, out=xi).astype(np.intp)
    at += (np.arange(len(a)) * count)[:, None]
    # Lights innermost: one place looked up serves them all.
    F, G = (of.transpose(0, 2, 1).reshape(-1, m).take(at, axis=0) for of in blurred)
    if packed.others is not None and not packed.no_ground:
        some = (packed.others.hidden, packed.others.left, packed.others.right)
        there = Others(*(one[i, ::thin, None] for one in some))
        G *= left_of_light(lights, there)[0].astype(np.float32)[:, None, None]

    def summed(by: Floats, what: Singles) -> Singles:
        """Sums over samples weighted by rows of `by` (r, J), (k, shifts, r, m)."""
        flat = by.astype(np.float32) @ what.reshape(len(u), -1)
        return flat.reshape(-1, len(a), len(_SHIFTS), m).transpose(1, 2, 0, 3)

    prior = packed.level_known[i, :, 1, 1, None].astype(np.float32)
    level = packed.level[i][:, None].astype(np.float32)
    wy = (w[:, None] * y).T
    fg = summed(w[None], F * G)
    fy, gy = summed(wy, F), summed(wy, G) + prior * level
    ff = summed(w[None], np.square(F, out=F)) + np.float32(LEAST_BRIGHT)
    gg = summed(w[None], np.square(G, out=G)) + prior
    S = np.maximum(gg * fy - fg * gy, 0.0)
    S /= np.maximum(ff * gg - fg * fg, 1e-12)
    whole = (w @ y**2)[:, None] + prior * level**2
    # With g solved for in turn.
    left = whole - (gy - fg * S) ** 2 / gg + S * (S * ff - 2 * fy)
    return np.asarray(left.sum(axis=2), float)


def _starts(found: list[_Trial], profiles: list[MeanProfile]) -> list[Point]:
    """The best light of each kind, the best of all first."""
    if any(p.ground == "dark" and float((p.light - p.level).max()) > _CLEAR for p in profiles):
        # A bright strand on dark ground shows its place and width whatever the light is.
        return [found[0].point]
    families: dict[tuple[bool, float], Point] = {}
    for trial in found:
        if trial.cost > _FAR_WORSE * found[0].cost + _FAR_WORSE:
            break
        light = trial.point.light
        lamp = bool(light[1] > 0.1)
        families.setdefault((lamp, float(np.sign(light[2])) if lamp else 0.0), trial.point)
    return list(families.values())


def _finish(packed: Packed, stop: Stop, flat: bool = False) -> LightFit:
    point, state = stop.point, stop.state
    n = len(point.log_a)
    inside = packed.w > 0
    rest = state.rest(packed)
    square = np.where(inside, (rest**2).mean(axis=2), 0.0)
    chi2_sum = float(np.sum(packed.w * (rest**2).sum(axis=2)))
    degrees = max(float(np.sum(inside)) - len(state.normal), 10.0)
    H = state.normal / max(chi2_sum / degrees, 1.0) + packed.tied
    # What a profile says nothing about is not known at all.
    covariance = np.linalg.inv(H + np.diag(np.maximum(1e-9 * np.diag(H), _LEAST_KNOWN)))
    first = LIGHT_COUNT + RIM_COUNT * len(point.rim)
    own = np.arange(first, first + n)
    core = inside & (np.abs(packed.u - point.u0[:, None]) < _INNER * np.exp(point.log_a)[:, None])
    misfit, core_misfit = (
        np.sqrt((square * part).sum(axis=1) / np.maximum(part.sum(axis=1), 1))
        for part in (inside, core)
    )
    return LightFit(
        light=Light(*(float(v) for v in point.light)),
        rims=tuple(Rim(*(float(v) for v in r)) for r in point.rim),
        no_ground=packed.no_ground,
        flat=flat,
        u_log_half_width=np.sqrt(np.maximum(np.diag(covariance)[own], 0.0)),
        log_half_width=point.log_a,
        middle_mm=point.u0,
        misfit=misfit,
        core_misfit=core_misfit,
        groove=_groove(packed, point, rest),
        cost=state.cost,
        misfit_per_sample=chi2_sum / max(float(inside.sum()), 1.0),
    )


def _groove(packed: Packed, point: Point, rest: Floats) -> Floats:
    """Amplitude of what two equal strands side by side leave of a fit by one, (profiles,).

    Their ridges lie half way between the middle and the edges: the residual is fitted with a
    cosine of that period over the inner part of the face.
    """
    xi = (packed.u - point.u0[:, None]) / np.exp(point.log_a)[:, None]
    inner = (packed.w > 0) & (np.abs(xi) < _INNER)
    wave = np.where(inner, -np.cos(2.0 * np.pi * xi), 0.0)
    wave -= inner * (wave.sum(axis=1) / np.maximum(inner.sum(axis=1), 1))[:, None]
    power = np.maximum((wave**2).sum(axis=1), 1e-9)
    return np.asarray(np.einsum("nj,njc->nc", wave, rest).max(axis=1) / power)
