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

from measure.shading import FINE, Grid, Light, Lit, Rim, blur_curves, grid, light_up, outline

Floats = NDArray[np.float64]

MODEL_FLOOR: Final = 0.004
"""The model's own doubt per sample, relative to white: what no light parameter explains."""

_WIDTH_TIE: Final = 0.02
"""Relative difference of one strand's width between its grounds (thick and thin places)."""
_PLACE_TIE: Final = 0.06
"""Difference of one strand's middle between its grounds, in half widths."""
_LEVEL_TIE: Final = 0.08
"""Relative freedom of the ground's brightness."""
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
        [0.85, 0.3, 0.0, 1.3],
    ]
)
_RIM_PRIOR: Final = np.array(
    [[0.04, 0.08, 0.005, 0.6], [0.0, 0.06, 0.0, 0.6], [0.5, 0.3, 0.15, 3.0]]
)
_STEP_LIGHT: Final = np.array([0.01, 0.01, 0.02, 0.03, 0.03, 0.01, 0.02])
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

    def lit(self, light: Light) -> list[Lit]:
        return [
            light_up(light, float(v), float(g.mean()), self.no_ground, self.grid)
            for v, g in zip(self.view, self.level, strict=True)
        ]


def fit_light(profiles: list[MeanProfile], strands: int, no_ground: bool) -> LightFit:
    """Estimate the light of one lane from its mean profiles (at least one).

    `no_ground`: an open lane that was cut out, where no shadow falls.
    """
    packed = _pack(profiles, no_ground)
    point = _start(packed, profiles, strands)
    point, cost = _descend(packed, point, 25)
    return _finish(packed, point, cost)


def refit_light(profiles: list[MeanProfile], before: LightFit) -> LightFit:
    """The fit again, from an earlier one, with profiles lined up better."""
    packed = _pack(profiles, before.no_ground)
    light, rims = before.light, before.rims
    point = _Point(
        np.array([getattr(light, name) for name in light.__dataclass_fields__]),
        np.array([[r.softness, r.halo, r.halo_length] for r in rims]),
        np.log([p.half_width_mm for p in profiles]),
        np.array([p.middle_mm for p in profiles]),
    )
    point, cost = _descend(packed, point, 12)
    return _finish(packed, point, cost)


def _pack(profiles: list[MeanProfile], no_ground: bool) -> _Packed:
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
    )


def _light(values: Floats) -> Light:
    sky, lamp = float(values[0]), float(values[1])
    total = sky + lamp
    if total > 1.0:
        sky, lamp = sky / total, lamp / total
    return Light(sky, lamp, *(float(v) for v in values[2:]))


def _start(packed: _Packed, profiles: list[MeanProfile], strands: int) -> _Point:
    """The best of a few lights, each with the edges that suit it best."""
    first_a = np.log([p.half_width_mm for p in profiles])
    first_u = np.array([p.middle_mm for p in profiles])
    rim = np.tile(_RIM_PRIOR[:, 0], (strands, 1))
    thin = max(1, packed.u.shape[1] // 40)
    few = replace(packed, u=packed.u[:, ::thin], y=packed.y[:, ::thin], w=packed.w[:, ::thin])
    stretches = np.linspace(-0.6, 0.5, 12)
    shifts = np.linspace(-1.5, 1.5, 16)
    best_cost, best = np.inf, None
    for sky, lamp, lean in _TRIED:
        values = np.array([sky, lamp, lean, 0.3, 0.6, 0.1, 0.85])
        lits = few.lit(_light(values))
        total = 0.0
        log_a, u0 = first_a.copy(), first_u.copy()
        for strand in range(strands):
            own = np.nonzero(few.strand == strand)[0]
            if not len(own):
                continue
            # One width and one place for all grounds of a strand.
            a0, u_ref = float(first_a[own].mean()), float(first_u[own].mean())
            cost = np.zeros((len(stretches), len(shifts)))
            for i in own:
                cost += _search(few, i, lits[i], Rim(*rim[strand]), a0 + stretches, u_ref, shifts)
            k, m = np.unravel_index(int(np.argmin(cost)), cost.shape)
            total += float(cost[k, m])
            log_a[own] = a0 + stretches[k]
            u0[own] = u_ref + shifts[m] * np.exp(log_a[own])
        penalty = float(np.sum(((values - _LIGHT_PRIOR[:, 0]) / _LIGHT_PRIOR[:, 1]) ** 2))
        if total + penalty < best_cost:
            best_cost, best = total + penalty, _Point(values, rim, log_a, u0)
    assert best is not None
    return best


def _search(
    packed: _Packed, i: int, lit: Lit, rim: Rim, log_a: Floats, u_ref: float, shifts: Floats
) -> Floats:
    """Cost of profile i for every half width (k,) and shift (m,), brightness solved for."""
    a = np.exp(log_a)
    face, ground = blur_curves(outline(lit, rim), np.hypot(packed.blur[i] / a, rim.softness))
    xi = (packed.u[i][None, None] - u_ref) / a[:, None, None] - shifts[None, :, None]
    position = np.clip((xi - packed.grid.xi[0]) / packed.grid.step, 0, len(packed.grid.xi) - 1)
    at = position.astype(int)
    rows = np.arange(len(a))[:, None, None]
    F, G = face[rows, at], ground[rows, at]
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


def _basis(packed: _Packed, point: _Point, lits: list[Lit]) -> tuple[Floats, ...]:
    """F, G and their slopes by xi for every profile, (n, J) each."""
    n, j = packed.u.shape
    a = np.exp(point.log_a)
    out = np.empty((4, n, j))
    xi = (packed.u - point.u0[:, None]) / a[:, None]
    step = packed.grid.step
    position = np.clip((xi - packed.grid.xi[0]) / step, 0, len(packed.grid.xi) - 1.001)
    at = position.astype(int)
    fraction = position - at
    for i in range(n):
        rim = Rim(*point.rim[packed.strand[i]])
        sigma = np.array([np.hypot(packed.blur[i] / a[i], rim.softness)])
        for k, curve in enumerate(blur_curves(outline(lits[i], rim), sigma)):
            low = curve[0, at[i]]
            rise = curve[0, at[i] + 1] - low
            out[k, i] = low + fraction[i] * rise
            out[k + 2, i] = rise / step
    return out[0], out[1], out[2], out[3]


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
    light = (point.light - _LIGHT_PRIOR[:, 0]) / _LIGHT_PRIOR[:, 1]
    rim = ((point.rim - _RIM_PRIOR[:, 0]) / _RIM_PRIOR[:, 1]).ravel()
    n = len(point.log_a)
    widths, places = np.zeros(n), np.zeros(n)
    for strand in range(len(point.rim)):
        own = packed.strand == strand
        if own.sum() > 1:
            widths[own] = (point.log_a[own] - point.log_a[own].mean()) / _WIDTH_TIE
            half = float(np.exp(point.log_a[own].mean()))
            places[own] = (point.u0[own] - point.u0[own].mean()) / (_PLACE_TIE * half)
    return np.concatenate([light, rim, widths, places])


def _cost(packed: _Packed, point: _Point) -> float:
    F, G, _, _ = _basis(packed, point, packed.lit(_light(point.light)))
    rest = _solve(packed, F, G).rest
    return float(np.sum(rest**2) + np.sum(_penalties(packed, point) ** 2))


def _linearise(packed: _Packed, point: _Point) -> tuple[Floats, Floats, Floats, Floats]:
    """Whitened residual (m,), its Jacobian (m, p), penalties and theirs."""
    n, j, c = packed.y.shape
    strands = len(point.rim)
    lits = packed.lit(_light(point.light))
    F, G, F_x, G_x = _basis(packed, point, lits)
    solved = _solve(packed, F, G)
    root = np.sqrt(packed.w)[..., None]
    a = np.exp(point.log_a)[:, None]

    def change(dF: Floats, dG: Floats) -> Floats:
        d = solved.S[:, None, :] * dF[..., None] + solved.g[:, None, :] * dG[..., None]
        return solved.without_brightness(d * root)

    first = _LIGHTS + 3 * strands
    J = np.zeros((n, j, c, first + 2 * n))
    for k in range(_LIGHTS):
        values = point.light.copy()
        forward = values[k] + _STEP_LIGHT[k] <= _LIGHT_PRIOR[k, 3]
        step = _STEP_LIGHT[k] if forward else -_STEP_LIGHT[k]
        values[k] += step
        F2, G2, _, _ = _basis(packed, point, packed.lit(_light(values)))
        J[..., k] = change((F2 - F) / step, (G2 - G) / step)
    for k in range(3):
        rim = point.rim.copy()
        rim[:, k] += _STEP_RIM[k]
        F2, G2, _, _ = _basis(packed, replace(point, rim=rim), lits)
        d = change((F2 - F) / _STEP_RIM[k], (G2 - G) / _STEP_RIM[k])
        for i in range(n):
            J[i, ..., _LIGHTS + 3 * packed.strand[i] + k] = d[i]
    F2, G2, _, _ = _basis(packed, replace(point, log_a=point.log_a + _STEP_LOG_A), lits)
    by_a = change((F2 - F) / _STEP_LOG_A, (G2 - G) / _STEP_LOG_A)
    by_u = change(-F_x / a, -G_x / a)
    for i in range(n):
        J[i, ..., first + i] = by_a[i]
        J[i, ..., first + n + i] = by_u[i]

    penalty = _penalties(packed, point)
    P = np.zeros((len(penalty), first + 2 * n))
    P[np.arange(_LIGHTS), np.arange(_LIGHTS)] = 1.0 / _LIGHT_PRIOR[:, 1]
    rims = _LIGHTS + np.arange(3 * strands)
    P[rims, rims] = np.tile(1.0 / _RIM_PRIOR[:, 1], strands)
    for strand in range(strands):
        own = np.nonzero(packed.strand == strand)[0]
        if len(own) > 1:
            centred = np.eye(len(own)) - 1.0 / len(own)
            half = float(np.exp(point.log_a[own].mean()))
            P[np.ix_(first + own, first + own)] = centred / _WIDTH_TIE
            P[np.ix_(first + n + own, first + n + own)] = centred / (_PLACE_TIE * half)
    return solved.rest.ravel(), J.reshape(n * j * c, -1), penalty, P


def _descend(packed: _Packed, point: _Point, steps: int) -> tuple[_Point, float]:
    """Levenberg-Marquardt with limits kept by clipping."""
    damping = 1e-2
    cost = _cost(packed, point)
    for _ in range(steps):
        rest, J, penalty, P = _linearise(packed, point)
        H = J.T @ J + P.T @ P
        gradient = J.T @ rest - P.T @ penalty
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
        if gain < 1e-3:
            break
    return point, cost


def _moved(point: _Point, step: Floats) -> _Point:
    strands, n = len(point.rim), len(point.log_a)
    light = np.clip(point.light + step[:_LIGHTS], _LIGHT_PRIOR[:, 2], _LIGHT_PRIOR[:, 3])
    total = light[0] + light[1]
    if total > 1.0:
        light[:2] /= total
    rim = np.clip(
        point.rim + step[_LIGHTS : _LIGHTS + 3 * strands].reshape(strands, 3),
        _RIM_PRIOR[:, 2],
        _RIM_PRIOR[:, 3],
    )
    first = _LIGHTS + 3 * strands
    log_a = point.log_a + np.clip(step[first : first + n], -0.3, 0.3)
    width = np.exp(point.log_a)
    u0 = point.u0 + np.clip(step[first + n :], -0.5 * width, 0.5 * width)
    return _Point(light, rim, log_a, u0)


def _finish(packed: _Packed, point: _Point, cost: float) -> LightFit:
    n = len(point.log_a)
    rest, J, _penalty, P = _linearise(packed, point)
    degrees = max(float(np.sum(packed.w > 0)) - J.shape[1], 10.0)
    chi2 = max(float(np.sum(rest**2)) / degrees, 1.0)
    H = J.T @ J / chi2 + P.T @ P
    covariance = np.linalg.inv(H + 1e-9 * np.diag(np.diag(H)))
    first = _LIGHTS + 3 * len(point.rim)
    own = np.arange(first, first + n)
    plain = rest.reshape(packed.y.shape) ** 2 / np.maximum(packed.w, 1e-12)[..., None]
    inside = packed.w > 0
    misfit = np.sqrt(
        (plain * inside[..., None]).mean(axis=2).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    )
    return LightFit(
        light=_light(point.light),
        rims=tuple(Rim(*(float(v) for v in r)) for r in point.rim),
        no_ground=packed.no_ground,
        u_log_half_width=np.sqrt(np.maximum(np.diag(covariance)[own], 0.0)),
        log_half_width=point.log_a,
        middle_mm=point.u0,
        misfit=misfit,
        cost=cost,
    )
