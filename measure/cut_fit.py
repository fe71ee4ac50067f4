"""The two edges of every cut, with the light of the picture held: separable least squares.

For one cut the model is I_c(u) = S_c F(xi; a) + g_c G(xi; a), xi = (u - u0) / a, with the curves
F and G of `measure.shading` blurred for the half width a. Only a and u0 enter non-linearly; S_c
and g_c are solved for in closed form at every step (variable projection, Golub and Pereyra 1973),
for all cuts at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.shading import Curves, Grid, blur_curves

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_TABLE_STEPS: Final = 28
_TABLE_SPAN: Final = 3.2
"""Tables reach from the middle half width divided by this to times this."""

U_GROUND_LEVEL: Final = 0.08
"""Relative freedom of the ground's brightness under one cut about its stretch's own."""


@dataclass(frozen=True)
class Table:
    """Blurred curves over log half width and xi."""

    grid: Grid
    log_a0: float
    log_step: float
    face: Singles
    """(k, count of the grid)"""
    ground: Singles


@dataclass(frozen=True)
class EdgePairs:
    """Fitted outline of n cuts."""

    half_width_mm: Floats
    middle_mm: Floats
    u_log_half_width: Floats
    """Standard uncertainty of log(half width) from noise alone."""
    strand: Floats
    """(n, C) brightness S of the strand relative to white."""
    ground: Floats
    """(n, C)"""
    misfit: Floats
    """(n,) root mean square residual, relative to white."""
    contrast: Floats
    """(n,) largest departure of the fitted curve from the ground, relative to white."""


def make_table(
    curves: Curves, middle_half_width_mm: float, blur_mm: float, softness: float
) -> Table:
    """Tables about a typical half width; `softness` is the rim's own, in half widths."""
    logs = np.linspace(-np.log(_TABLE_SPAN), np.log(_TABLE_SPAN), _TABLE_STEPS)
    a = middle_half_width_mm * np.exp(logs)
    face, ground = blur_curves(curves, np.hypot(blur_mm / a, softness))
    return Table(
        curves.grid,
        float(np.log(a[0])),
        float(logs[1] - logs[0]),
        face.astype(np.float32),
        ground.astype(np.float32),
    )


def look_up(
    table: Table, log_a: Singles, xi: Singles
) -> tuple[Singles, Singles, Singles, Singles, Singles, Singles]:
    """F, G and their slopes by log a at constant xi and by xi; all (n, J)."""
    k = np.clip((log_a - table.log_a0) / table.log_step, 0, _TABLE_STEPS - 1.001)
    k0 = k.astype(np.int32)
    fk = (k - k0).astype(np.float32)[:, None]
    step = np.float32(table.grid.step)
    count = len(table.grid.xi)
    position = np.clip((xi - np.float32(table.grid.xi[0])) / step, 0, count - 1.001)
    i0 = position.astype(np.int32)
    fi = position - i0
    base = k0[:, None] * count + i0
    out: list[Singles] = []
    for grid in (table.face.ravel(), table.ground.ravel()):
        v00, v01 = grid[base], grid[base + 1]
        v10, v11 = grid[base + count], grid[base + count + 1]
        low = v00 + fi * (v01 - v00)
        high = v10 + fi * (v11 - v10)
        value = low + fk * (high - low)
        by_a = (high - low) / np.float32(table.log_step)
        by_xi = ((v01 - v00) * (1 - fk) + (v11 - v10) * fk) / step
        out += [value, by_a, by_xi]
    return out[0], out[3], out[1], out[4], out[2], out[5]


def fit_cuts(
    table: Table,
    u_mm: Singles,
    light: Singles,
    weight: Singles,
    level: Singles,
    noise: Singles,
    half_width_mm: Floats,
    middle_mm: Floats,
    steps: int,
) -> EdgePairs:
    """Fit n cuts from a start; arrays as in `measure.profiles.Cuts`, all cuts on one ground."""
    log_a = np.log(np.asarray(half_width_mm, dtype=np.float32))
    u0 = np.asarray(middle_mm, dtype=np.float32)
    channel = (1.0 / np.mean(noise**2, axis=0)).astype(np.float32)
    channel /= channel.sum()
    prior = 1.0 / (U_GROUND_LEVEL * np.maximum(level, 0.02)) ** 2 * np.mean(noise**2)
    limit = np.float32(np.log(_TABLE_SPAN) * 0.97)
    middle_log = np.float32(table.log_a0 + np.log(_TABLE_SPAN))
    previous: Singles | None = None
    best_a, best_u = log_a.copy(), u0.copy()
    damping = np.full(len(u0), 1e-3, np.float32)
    for _ in range(steps + 1):
        state = _evaluate(table, u_mm, light, weight, level, prior, channel, log_a, u0)
        if previous is None:
            better = np.ones(len(u0), bool)
            kept = state
        else:
            better = state.cost <= previous
            kept = kept.updated(state, better)
        best_a[better], best_u[better] = log_a[better], u0[better]
        damping = np.where(better, damping * 0.3, damping * 8.0).clip(1e-6, 1e4)
        previous = kept.cost
        h_aa = kept.h_aa * (1 + damping)
        h_uu = kept.h_uu * (1 + damping)
        det = np.maximum(h_aa * h_uu - kept.h_au**2, 1e-20)
        step_a = (h_uu * kept.b_a - kept.h_au * kept.b_u) / det
        step_u = (h_aa * kept.b_u - kept.h_au * kept.b_a) / det
        width = np.exp(best_a)
        log_a = np.clip(
            best_a + np.clip(step_a, -0.25, 0.25), middle_log - limit, middle_log + limit
        ).astype(np.float32)
        u0 = (best_u + np.clip(step_u, -0.4 * width, 0.4 * width)).astype(np.float32)
    total = weight.sum(axis=1)
    det = np.maximum(kept.h_aa * kept.h_uu - kept.h_au**2, 1e-20)
    degrees = np.maximum(total - 4.0, 1.0)
    sigma2 = kept.cost / degrees
    return EdgePairs(
        half_width_mm=np.exp(best_a.astype(float)),
        middle_mm=best_u.astype(float),
        u_log_half_width=np.sqrt(sigma2 * kept.h_uu / det).astype(float),
        strand=kept.strand.astype(float),
        ground=kept.ground.astype(float),
        misfit=np.sqrt(kept.cost / np.maximum(total, 1.0)).astype(float),
        contrast=kept.contrast.astype(float),
    )


@dataclass(frozen=True)
class _State:
    cost: Singles
    h_aa: Singles
    h_au: Singles
    h_uu: Singles
    b_a: Singles
    b_u: Singles
    strand: Singles
    ground: Singles
    contrast: Singles

    def updated(self, other: _State, where: NDArray[np.bool_]) -> _State:
        def pick(mine: Singles, theirs: Singles) -> Singles:
            mask = where.reshape(-1, *([1] * (mine.ndim - 1)))
            return np.where(mask, theirs, mine)

        return _State(
            *(pick(getattr(self, name), getattr(other, name)) for name in self.__dataclass_fields__)
        )


def _evaluate(
    table: Table,
    u_mm: Singles,
    light: Singles,
    weight: Singles,
    level: Singles,
    prior: Singles,
    channel: Singles,
    log_a: Singles,
    u0: Singles,
) -> _State:
    a = np.exp(log_a)[:, None]
    xi = (u_mm - u0[:, None]) / a
    F, G, F_a, G_a, F_x, G_x = look_up(table, log_a, xi)
    wF, wG = weight * F, weight * G
    ff = np.einsum("nj,nj->n", wF, F)
    fg = np.einsum("nj,nj->n", wF, G)
    gg = np.einsum("nj,nj->n", wG, G)
    fy = np.einsum("nj,njc->nc", wF, light)
    gy = np.einsum("nj,njc->nc", wG, light)
    A, B, D = ff[:, None] + 1e-6, fg[:, None], gg[:, None] + prior
    rhs_g = gy + prior * level
    det = np.maximum(A * D - B * B, 1e-9)
    S = (D * fy - B * rhs_g) / det
    g = (A * rhs_g - B * fy) / det

    by_a_F, by_a_G = F_a - xi * F_x, G_a - xi * G_x
    by_u_F, by_u_G = -F_x / a, -G_x / a
    rest = light - S[:, None, :] * F[..., None] - g[:, None, :] * G[..., None]
    wrest = weight[..., None] * rest
    cost = np.einsum("njc,njc,c->n", wrest, rest, channel) + np.einsum(
        "nc,nc,c->n", prior, (g - level) ** 2, channel
    )
    # Moments over samples serve every channel: the model is linear in S and g.
    pairs = {
        "aa": _moments(weight, by_a_F, by_a_G, by_a_F, by_a_G),
        "au": _moments(weight, by_a_F, by_a_G, by_u_F, by_u_G),
        "uu": _moments(weight, by_u_F, by_u_G, by_u_F, by_u_G),
        "af": _moments(weight, by_a_F, by_a_G, F, G),
        "uf": _moments(weight, by_u_F, by_u_G, F, G),
    }
    h = {}
    for name in ("aa", "au", "uu"):
        m00, m01, m10, m11 = pairs[name]
        h[name] = S * S * m00[:, None] + S * g * (m01 + m10)[:, None] + g * g * m11[:, None]
    proj = {}
    for name in ("af", "uf"):
        m00, m01, m10, m11 = pairs[name]
        onto_F = S * m00[:, None] + g * m10[:, None]
        onto_G = S * m01[:, None] + g * m11[:, None]
        proj[name] = (onto_F, onto_G)

    def lost(p: tuple[Singles, Singles], q: tuple[Singles, Singles]) -> Singles:
        return (D * p[0] * q[0] - B * (p[0] * q[1] + p[1] * q[0]) + A * p[1] * q[1]) / det

    h_aa = ((h["aa"] - lost(proj["af"], proj["af"])) * channel).sum(axis=1)
    h_au = ((h["au"] - lost(proj["af"], proj["uf"])) * channel).sum(axis=1)
    h_uu = ((h["uu"] - lost(proj["uf"], proj["uf"])) * channel).sum(axis=1)
    ry_aF = np.einsum("nj,njc->nc", by_a_F, wrest)
    ry_aG = np.einsum("nj,njc->nc", by_a_G, wrest)
    ry_uF = np.einsum("nj,njc->nc", by_u_F, wrest)
    ry_uG = np.einsum("nj,njc->nc", by_u_G, wrest)
    b_a = ((S * ry_aF + g * ry_aG) * channel).sum(axis=1)
    b_u = ((S * ry_uF + g * ry_uG) * channel).sum(axis=1)
    depart = S[:, None, :] * F[..., None] + g[:, None, :] * (G[..., None] - 1.0)
    contrast = np.abs(depart).max(axis=(1, 2))
    return _State(
        cost, np.maximum(h_aa, 1e-12), h_au, np.maximum(h_uu, 1e-12), b_a, b_u, S, g, contrast
    )


def _moments(
    weight: Singles, p_F: Singles, p_G: Singles, q_F: Singles, q_G: Singles
) -> tuple[Singles, Singles, Singles, Singles]:
    wF, wG = weight * p_F, weight * p_G
    return (
        np.einsum("nj,nj->n", wF, q_F),
        np.einsum("nj,nj->n", wF, q_G),
        np.einsum("nj,nj->n", wG, q_F),
        np.einsum("nj,nj->n", wG, q_G),
    )
