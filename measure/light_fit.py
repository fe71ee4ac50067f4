"""The light of one lane and the rim of its strands, estimated once from all cuts.

Averaged profiles of every strand on every ground are fitted together: the light is shared, each
strand has its own rim, each profile its own two edges, and brightness is solved for in closed
form. A strand's half width and place may differ only a little between its grounds, which is what
tells the light apart from the strand. Weak priors hold what a picture cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.shading import (
    FINE,
    Curves,
    Grid,
    Light,
    Lit,
    Rim,
    blur_curves,
    grid,
    light_up,
    outline,
)

Floats = NDArray[np.float64]

MODEL_FLOOR: Final = 0.004
"""The model's own doubt per sample, relative to white: what no light parameter explains."""

_WIDTH_TIE: Final = 0.02
"""Relative difference of one strand's width between its grounds (thick and thin places)."""
_PLACE_TIE: Final = 0.06
"""Difference of one strand's middle between its grounds, in half widths."""
_LEVEL_TIE: Final = 0.08
"""Relative freedom of the ground's brightness."""
_FREE_SD: Final = 0.6
"""How much of the light a strand lying there does not shade: none, but for flat drawings."""
_COARSE: Final = FINE // 2

# Middle, spread, low and high of sky, lamp, lean, softness, near share, scatter, bounce and a rim's
# softness, halo, halo length: assumptions of ours that only matter where data do not.
_LIGHT_PRIOR: Final = np.array(
    [
        [0.45, 0.6, 0.0, 1.0],
        [0.25, 0.6, 0.0, 1.0],
        [0.0, 1.2, -3.0, 3.0],
        [0.30, 0.3, 0.02, 2.0],
        [0.60, 0.3, 0.1, 1.2],
        [0.10, 0.2, 0.0, 1.0],
        [0.95, 0.2, 0.0, 1.3],
    ]
)
_RIM_PRIOR: Final = np.array(
    [[0.04, 0.08, 0.005, 0.6], [0.0, 0.06, 0.0, 0.6], [0.5, 0.3, 0.15, 3.0]]
)
_STEP_LIGHT: Final = np.array([0.01, 0.01, 0.02, 0.03, 0.03, 0.01, 0.02])
_ELSEWHERE_SD: Final = np.array([0.05, 0.05, 0.06, 0.10, 0.20, 0.05, 0.10])
"""How far the light may differ between the lanes of one card."""
_UNSHADED: Final = Light(0.0, 0.0, 0.0, 0.3, 0.6, 0.1, 0.0)
_PLAIN: Final = 1.3
"""Mean squared residual, in units of noise and model doubt, at which no shading is needed."""
_FINALISTS: Final = 4
_LIGHTS: Final = len(_STEP_LIGHT)
_STEP_RIM: Final = np.array([0.01, 0.005, 0.03])
_STEP_LOG_A: Final = 0.01

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
    cost: float


@dataclass(frozen=True)
class _Point:
    light: Floats
    rim: Floats
    log_a: Floats
    u0: Floats


@dataclass(frozen=True)
class _Packed:
    """Profiles padded to one length; profiles of one strand on one ground make a group."""

    strand: NDArray[np.int_]
    u: Floats
    y: Floats
    w: Floats
    level: Floats
    blur: Floats
    view: Floats
    no_ground: bool
    grid: Grid
    prior: Floats
    """(7, 2) middle and spread of each light figure before this lane was looked at."""

    def lit(self, lights: Floats) -> Lit:
        """Lit profiles: every profile under every light (m, 7), (m n, count), lights outermost."""
        n = len(self.view)
        return light_up(
            np.repeat(lights, n, axis=0),
            np.tile(self.view, len(lights)),
            np.tile(self.level.mean(axis=1), len(lights)),
            self.no_ground,
            self.grid,
        )


def fit_light(
    profiles: list[MeanProfile], strands: int, no_ground: bool, known: Light | None = None
) -> LightFit:
    """Estimate the light of one lane from its mean profiles (at least one).

    `no_ground`: an open lane that was cut out, where no shadow falls. `known`: the light as
    another lane of the same picture showed it, which is nearly the same here.
    """
    if not no_ground:
        flat = _fit_flat(profiles, strands)
        if flat is not None:
            return flat
    packed = _pack(profiles, no_ground, known)
    starts = _starts(packed, profiles, strands, known)
    if len(starts) > 1:
        # One ground alone leaves several lights nearly as good; only a descent tells them apart.
        tried = [_descend(packed, start, 4) for start in starts]
        point = min(tried, key=lambda t: t[1].cost)[0]
    else:
        point = starts[0]
    point, state = _descend(packed, point, 16)
    return _finish(packed, point, state)


def refit_light(
    profiles: list[MeanProfile], before: LightFit, known: Light | None = None
) -> LightFit:
    """The fit again, from an earlier one, with profiles lined up better."""
    packed = _pack(profiles, before.no_ground, _UNSHADED if before.flat else known)
    light, rims = before.light, before.rims
    point = _Point(
        light.row[0],
        np.concatenate([r.row for r in rims]),
        np.log([p.half_width_mm for p in profiles]),
        np.array([p.middle_mm for p in profiles]),
    )
    point, state = _descend(packed, point, 8)
    return _finish(packed, point, state, before.flat)


def _fit_flat(profiles: list[MeanProfile], strands: int) -> LightFit | None:
    """The fit without any shading, if that explains the profiles down to their noise.

    Nothing that lies on a card is free of contact shadow. What is, was printed or drawn on it; a
    richer light would only blur what is plain.
    """
    packed = _pack(profiles, False, _UNSHADED)
    point = _starts(packed, profiles, strands, _UNSHADED)[0]
    samples = max(float(np.sum(packed.w > 0)), 1.0)
    # Two steps place the edges; where shading is left over then, more would not remove it.
    for steps, most in ((2, 8.0 * _PLAIN), (6, _PLAIN)):
        point, state = _descend(packed, point, steps)
        if float(np.sum(state.rest**2)) > most * samples:
            return None
    return _finish(packed, point, state, True)


def _pack(profiles: list[MeanProfile], no_ground: bool, known: Light | None) -> _Packed:
    longest = max(len(p.u_mm) for p in profiles)
    channels = profiles[0].light.shape[1]
    n = len(profiles)
    u = np.zeros((n, longest))
    y = np.zeros((n, longest, channels))
    w = np.zeros((n, longest))
    for i, p in enumerate(profiles):
        j = len(p.u_mm)
        u[i, :j], y[i, :j] = p.u_mm, p.light
        w[i, :j] = p.weight / (p.noise**2 + MODEL_FLOOR**2)
    return _Packed(
        np.array([p.strand for p in profiles]),
        u,
        y,
        w / channels,
        np.array([p.level for p in profiles]),
        np.array([p.blur_mm for p in profiles]),
        np.array([p.view_tan for p in profiles]),
        no_ground,
        grid(_COARSE),
        _prior(known),
    )


def _prior(known: Light | None) -> Floats:
    if known is None:
        return _LIGHT_PRIOR[:, :2]
    spread = _LIGHT_PRIOR[:, 1].copy() if known is _UNSHADED else _ELSEWHERE_SD
    if known is _UNSHADED:
        spread[:2] = 1e-4
    return np.column_stack([known.row[0], spread])


def _within(lights: Floats) -> Floats:
    """Light rows (m, 7) with sky and lamp held to a sum of at most one."""
    total = np.maximum(lights[:, :1] + lights[:, 1:2], 1.0)
    return np.concatenate([lights[:, :2] / total, lights[:, 2:]], axis=1)


def _starts(
    packed: _Packed, profiles: list[MeanProfile], strands: int, known: Light | None
) -> list[_Point]:
    """Lights worth descending from, best first, each with the edges that suit it best."""
    first_a = np.log([p.half_width_mm for p in profiles])
    first_u = np.array([p.middle_mm for p in profiles])
    rim = np.tile(_RIM_PRIOR[:, 0], (strands, 1))
    thin = max(1, packed.u.shape[1] // 40)
    few = replace(packed, u=packed.u[:, ::thin], y=packed.y[:, ::thin], w=packed.w[:, ::thin])
    stretches = np.linspace(-0.75, 0.45, 13)
    shifts = np.linspace(-1.5, 1.5, 16)
    n = len(profiles)
    if known is None:
        lights = np.array([[*tried, 0.3, 0.6, 0.1, 0.85] for tried in _TRIED])
    else:
        lights = known.row
    curves = outline(few.lit(_within(lights)), np.tile(_RIM_PRIOR[:, 0], (n * len(lights), 1)))
    found: list[tuple[float, _Point]] = []
    for m, values in enumerate(lights):
        total = float(np.sum(((values - packed.prior[:, 0]) / packed.prior[:, 1]) ** 2))
        log_a, u0 = first_a.copy(), first_u.copy()
        for strand in range(strands):
            own = np.nonzero(few.strand == strand)[0]
            if not len(own):
                continue
            # One width and one place for all grounds of a strand.
            a0, u_ref = float(first_a[own].mean()), float(first_u[own].mean())
            cost = np.zeros((len(stretches), len(shifts)))
            for i in own:
                row = slice(m * n + i, m * n + i + 1)
                one = Curves(few.grid, curves.face[row], curves.ground[row])
                cost += _search(few, i, one, rim[strand, 0], a0 + stretches, u_ref, shifts)
            k, j = np.unravel_index(int(np.argmin(cost)), cost.shape)
            total += float(cost[k, j])
            log_a[own] = a0 + stretches[k]
            u0[own] = u_ref + shifts[j] * np.exp(log_a[own])
        found.append((total, _Point(values, rim, log_a, u0)))
    found.sort(key=lambda f: f[0])
    several = known is None and not any(p.ground == "dark" for p in profiles)
    return [point for _, point in found[: _FINALISTS if several else 1]]


def _search(
    packed: _Packed,
    i: int,
    curves: Curves,
    softness: float,
    log_a: Floats,
    u_ref: float,
    shifts: Floats,
) -> Floats:
    """Cost of profile i for every half width (k,) and shift (m,), brightness solved for."""
    a = np.exp(log_a)
    face, ground = blur_curves(curves, np.hypot(packed.blur[i] / a, softness))
    xi = (packed.u[i][None, None] - u_ref) / a[:, None, None] - shifts[None, :, None]
    position = np.clip((xi - packed.grid.xi[0]) / packed.grid.step, 0, len(packed.grid.xi) - 1)
    at = position.astype(np.int32) + (np.arange(len(a)) * len(packed.grid.xi))[:, None, None]
    F, G = face.ravel()[at], ground.ravel()[at]
    w, y = packed.w[i], packed.y[i]
    wF, wG = w * F, w * G
    prior = 1.0 / (_LEVEL_TIE * np.maximum(packed.level[i], 0.03)) ** 2
    ff = (wF * F).sum(axis=2)[..., None] + 1e-3
    fg = (wF * G).sum(axis=2)[..., None]
    gg = (wG * G).sum(axis=2)[..., None] + prior
    fy, gy = wF @ y, wG @ y + prior * packed.level[i]
    det = np.maximum(ff * gg - fg * fg, 1e-12)
    S = np.maximum((gg * fy - fg * gy) / det, 0.0)
    g = (gy - fg * S) / gg
    whole = (w[:, None] * y * y).sum(axis=0) + prior * packed.level[i] ** 2
    left = whole - 2 * (S * fy + g * gy) + S * S * ff + 2 * S * g * fg + g * g * gg
    return np.asarray(left.sum(axis=2))


def _basis(
    packed: _Packed, lit: Lit, rims: Floats, log_a: Floats, u0: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """F, G and their slopes by xi, (k, J), of k rows: the n profiles, over and over.

    `rims` (k, 3), `log_a` and `u0` (k,) are per row.
    """
    k, n = len(log_a), len(packed.view)
    repeats = k // n
    a = np.exp(log_a)
    sigma = np.hypot(np.tile(packed.blur, repeats) / a, rims[:, 0])
    face, gap = blur_curves(outline(lit, rims), sigma)
    xi = (np.tile(packed.u, (repeats, 1)) - u0[:, None]) / a[:, None]
    step, count = packed.grid.step, len(packed.grid.xi)
    position = np.clip((xi - packed.grid.xi[0]) / step, 0, count - 1.001)
    at = position.astype(np.int32)
    fraction = position - at
    at += (np.arange(k, dtype=np.int32) * count)[:, None]
    low_f, high_f = face.ravel()[at], face.ravel()[at + 1]
    low_g, high_g = gap.ravel()[at], gap.ravel()[at + 1]
    rise_f, rise_g = high_f - low_f, high_g - low_g
    return low_f + fraction * rise_f, low_g + fraction * rise_g, rise_f / step, rise_g / step


@dataclass(frozen=True)
class _Solved:
    """Brightnesses for given curves, and what projecting them out needs."""

    S: Floats
    g: Floats
    rest: Floats
    """(n, J, C) whitened residual."""
    wF: Floats
    wG: Floats
    ff: Floats
    fg: Floats
    gg: Floats
    det: Floats

    def without_brightness(self, d: Floats) -> Floats:
        """Whitened change (n, J, C) less what a change of S and g would make up for."""
        fd = np.einsum("nj,njc->nc", self.wF, d)
        gd = np.einsum("nj,njc->nc", self.wG, d)
        s = (self.gg * fd - self.fg * gd) / self.det
        t = (self.ff * gd - self.fg * fd) / self.det
        return d - self.wF[..., None] * s[:, None, :] - self.wG[..., None] * t[:, None, :]


def _solve(packed: _Packed, F: Floats, G: Floats) -> _Solved:
    root = np.sqrt(packed.w)
    wF, wG = root * F, root * G
    y = root[..., None] * packed.y
    prior = 1.0 / (_LEVEL_TIE * np.maximum(packed.level, 0.03)) ** 2
    ff = (wF * wF).sum(axis=1)[:, None] + 1e-3
    fg = (wF * wG).sum(axis=1)[:, None]
    gg = (wG * wG).sum(axis=1)[:, None] + prior
    fy = np.einsum("nj,njc->nc", wF, y)
    gy = np.einsum("nj,njc->nc", wG, y) + prior * packed.level
    det = np.maximum(ff * gg - fg * fg, 1e-12)
    S = (gg * fy - fg * gy) / det
    g = (ff * gy - fg * fy) / det
    rest = y - wF[..., None] * S[:, None, :] - wG[..., None] * g[:, None, :]
    return _Solved(S, g, rest, wF, wG, ff, fg, gg, det)


def _penalties(packed: _Packed, point: _Point) -> Floats:
    light = (point.light - packed.prior[:, 0]) / packed.prior[:, 1]
    rim = ((point.rim - _RIM_PRIOR[:, 0]) / _RIM_PRIOR[:, 1]).ravel()
    n = len(point.log_a)
    widths, places = np.zeros(n), np.zeros(n)
    for strand in range(len(point.rim)):
        own = packed.strand == strand
        if own.sum() > 1:
            widths[own] = (point.log_a[own] - point.log_a[own].mean()) / _WIDTH_TIE
            half = float(np.exp(point.log_a[own].mean()))
            places[own] = (point.u0[own] - point.u0[own].mean()) / (_PLACE_TIE * half)
    free = np.array([(1.0 - point.light[0] - point.light[1]) / _FREE_SD])
    return np.concatenate([light, free, rim, widths, places])


def _cost(packed: _Packed, point: _Point) -> float:
    lit = packed.lit(_within(point.light[None]))
    F, G, _, _ = _basis(packed, lit, point.rim[packed.strand], point.log_a, point.u0)
    rest = _solve(packed, F, G).rest
    return float(np.sum(rest**2) + np.sum(_penalties(packed, point) ** 2))


@dataclass(frozen=True)
class _State:
    """A point's whitened residual (m,), its Jacobian (m, p), penalties and theirs."""

    rest: Floats
    jacobian: Floats
    penalty: Floats
    penalty_jacobian: Floats

    @property
    def cost(self) -> float:
        return float(np.sum(self.rest**2) + np.sum(self.penalty**2))


def _linearise(packed: _Packed, point: _Point) -> _State:
    n, j, c = packed.y.shape
    strands = len(point.rim)
    rims = point.rim[packed.strand]
    # All steps in one go: the point, each light figure, each rim figure, the half widths.
    forward = point.light + _STEP_LIGHT <= _LIGHT_PRIOR[:, 3]
    steps = np.where(forward, _STEP_LIGHT, -_STEP_LIGHT)
    lights = np.concatenate([point.light[None], point.light[None] + np.diag(steps)])
    lit = packed.lit(_within(lights))
    base = [getattr(lit, name)[:n] for name in ("face", "ground", "thrown")]
    extra = 4
    lit = Lit(
        lit.grid,
        *(
            np.concatenate([getattr(lit, name), np.tile(b, (extra, 1))])
            for name, b in zip(("face", "ground", "thrown"), base, strict=True)
        ),
    )
    rows = 1 + _LIGHTS + extra
    all_rims = np.tile(rims, (rows, 1))
    all_a = np.tile(point.log_a, rows)
    for k in range(3):
        first = (1 + _LIGHTS + k) * n
        all_rims[first : first + n, k] += _STEP_RIM[k]
    all_a[-n:] += _STEP_LOG_A
    F_all, G_all, Fx_all, Gx_all = _basis(packed, lit, all_rims, all_a, np.tile(point.u0, rows))
    F, G, F_x, G_x = F_all[:n], G_all[:n], Fx_all[:n], Gx_all[:n]
    solved = _solve(packed, F, G)
    root = np.sqrt(packed.w)[..., None]
    a = np.exp(point.log_a)[:, None]

    def change(dF: Floats, dG: Floats) -> Floats:
        d = solved.S[:, None, :] * dF[..., None] + solved.g[:, None, :] * dG[..., None]
        return solved.without_brightness(d * root)

    def stepped(row: int, step: float) -> Floats:
        part = slice(row * n, row * n + n)
        return change((F_all[part] - F) / step, (G_all[part] - G) / step)

    first = _LIGHTS + 3 * strands
    J = np.zeros((first + 2 * n, n, j, c))
    for k in range(_LIGHTS):
        J[k] = stepped(1 + k, steps[k])
    for k in range(3):
        d = stepped(1 + _LIGHTS + k, _STEP_RIM[k])
        for i in range(n):
            J[_LIGHTS + 3 * packed.strand[i] + k, i] = d[i]
    by_a = stepped(rows - 1, _STEP_LOG_A)
    by_u = change(-F_x / a, -G_x / a)
    for i in range(n):
        J[first + i, i] = by_a[i]
        J[first + n + i, i] = by_u[i]

    P = np.zeros((1 + first + 2 * n, first + 2 * n))
    P[np.arange(_LIGHTS), np.arange(_LIGHTS)] = 1.0 / packed.prior[:, 1]
    P[_LIGHTS, :2] = -1.0 / _FREE_SD
    own_rims = _LIGHTS + np.arange(3 * strands)
    P[1 + own_rims, own_rims] = np.tile(1.0 / _RIM_PRIOR[:, 1], strands)
    for strand in range(strands):
        own = np.nonzero(packed.strand == strand)[0]
        if len(own) > 1:
            centred = np.eye(len(own)) - 1.0 / len(own)
            half = float(np.exp(point.log_a[own].mean()))
            P[np.ix_(1 + first + own, first + own)] = centred / _WIDTH_TIE
            P[np.ix_(1 + first + n + own, first + n + own)] = centred / (_PLACE_TIE * half)
    return _State(solved.rest.ravel(), J.reshape(len(J), n * j * c), _penalties(packed, point), P)


def _descend(packed: _Packed, point: _Point, steps: int) -> tuple[_Point, _State]:
    """Levenberg-Marquardt with limits kept by clipping."""
    damping = 1e-2
    state = _linearise(packed, point)
    cost = state.cost
    for _ in range(steps):
        J, P = state.jacobian, state.penalty_jacobian
        H = J @ J.T + P.T @ P
        gradient = J @ state.rest - P.T @ state.penalty
        gain = 0.0
        for _attempt in range(5):
            step = np.linalg.solve(H + damping * np.diag(np.diag(H) + 1e-9), gradient)
            trial = _moved(point, step)
            new_cost = _cost(packed, trial)
            if new_cost < cost:
                gain = (cost - new_cost) / cost
                point, cost = trial, new_cost
                damping = max(damping * 0.2, 1e-6)
                break
            damping *= 8.0
        if gain == 0.0:
            break
        state = _linearise(packed, point)
        if gain < 2e-3:
            break
    return point, state


def _moved(point: _Point, step: Floats) -> _Point:
    strands, n = len(point.rim), len(point.log_a)
    light = np.clip(point.light + step[:_LIGHTS], _LIGHT_PRIOR[:, 2], _LIGHT_PRIOR[:, 3])
    first = _LIGHTS + 3 * strands
    rim = np.clip(
        point.rim + step[_LIGHTS:first].reshape(strands, 3), _RIM_PRIOR[:, 2], _RIM_PRIOR[:, 3]
    )
    log_a = point.log_a + np.clip(step[first : first + n], -0.3, 0.3)
    width = np.exp(point.log_a)
    u0 = point.u0 + np.clip(step[first + n :], -0.5 * width, 0.5 * width)
    return _Point(_within(light[None])[0], rim, log_a, u0)


def _finish(packed: _Packed, point: _Point, state: _State, flat: bool = False) -> LightFit:
    n = len(point.log_a)
    J, P = state.jacobian, state.penalty_jacobian
    degrees = max(float(np.sum(packed.w > 0)) - len(J), 10.0)
    chi2 = max(float(np.sum(state.rest**2)) / degrees, 1.0)
    H = J @ J.T / chi2 + P.T @ P
    covariance = np.linalg.inv(H + 1e-9 * np.diag(np.diag(H)))
    first = _LIGHTS + 3 * len(point.rim)
    own = np.arange(first, first + n)
    plain = state.rest.reshape(packed.y.shape) ** 2 / np.maximum(packed.w, 1e-12)[..., None]
    inside = packed.w > 0
    misfit = np.sqrt(
        (plain * inside[..., None]).mean(axis=2).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
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
        cost=state.cost,
    )
