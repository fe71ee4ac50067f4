"""The two edges of every cut, with the light of the picture held: separable least squares.

For one cut the model is I_c(u) = S_c F(xi; a) + g_c G(xi; a), xi = (u - u0) / a, with the curves
F and G of `measure.shading` blurred for the half width a. Only a and u0 enter non-linearly; S_c
and g_c are solved for in closed form at every step (variable projection, Golub and Pereyra 1973),
for all cuts at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

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
    """Blurred curves over log half width and xi, F as real and G as imaginary part."""

    grid: Grid
    log_a0: float
    log_step: float
    curves: NDArray[np.complex64]
    """(k, count of the grid): one look-up serves both curves."""


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
        (face + 1j * ground).astype(np.complex64),
    )


def look_up(
    table: Table, log_a: Singles, xi: Singles
) -> tuple[NDArray[np.complex64], NDArray[np.complex64], NDArray[np.complex64]]:
    """F + iG, its slope by log a at constant xi, and by xi; each (n, J)."""
    k = np.clip((log_a - table.log_a0) / table.log_step, 0, _TABLE_STEPS - 1.001)
    k0 = k.astype(np.int32)
    fk = (k - k0).astype(np.float32)[:, None]
    step = np.float32(table.grid.step)
    count = len(table.grid.xi)
    position = (xi - np.float32(table.grid.xi[0])) / step
    np.clip(position, 0, np.float32(count - 1.001), out=position)
    at = position.astype(np.int32)
    fi = position - at
    at += k0[:, None] * count
    curves = table.curves.ravel()
    v00, v01 = curves[at], curves[at + 1]
    at += count
    v10, v11 = curves[at], curves[at + 1]
    rise0, rise1 = v01 - v00, v11 - v10
    low = v00 + fi * rise0
    tilt = v10 + fi * rise1 - low
    by_xi = (rise0 + fk * (rise1 - rise0)) / step
    return low + fk * tilt, tilt / np.float32(table.log_step), by_xi


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
    spread = np.float32(U_GROUND_LEVEL) * np.maximum(level, np.float32(0.02))
    prior = np.float32(np.mean(noise**2)) / spread**2
    limit = np.float32(np.log(_TABLE_SPAN) * 0.97)
    middle_log = np.float32(table.log_a0 + np.log(_TABLE_SPAN))
    previous: Floats | None = None
    best_a, best_u = log_a.copy(), u0.copy()
    damping = np.full(len(u0), 1e-3, np.float32)
    energy = np.einsum("nj,njc,njc->nc", weight, light, light)
    for _ in range(steps + 1):
        state = _evaluate(table, u_mm, light, weight, energy, level, prior, channel, log_a, u0)
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
    value, _, _ = look_up(table, best_a, _xi(u_mm, best_a, best_u))
    return EdgePairs(
        half_width_mm=np.exp(best_a.astype(float)),
        middle_mm=best_u.astype(float),
        u_log_half_width=np.sqrt(sigma2 * kept.h_uu / det).astype(float),
        strand=kept.strand.astype(float),
        ground=kept.ground.astype(float),
        misfit=np.sqrt(kept.cost / np.maximum(total, 1.0)).astype(float),
        contrast=_contrast(value, kept.strand, kept.ground).astype(float),
    )


@dataclass(frozen=True)
class _State:
    """Cost, normal equations in log half width and middle, and brightnesses of n cuts."""

    cost: Floats
    h_aa: Floats
    h_au: Floats
    h_uu: Floats
    b_a: Floats
    b_u: Floats
    strand: Floats
    ground: Floats

    def updated(self, other: _State, where: NDArray[np.bool_]) -> _State:
        """This state with the other's figures for the cuts marked `where` (n,)."""

        def pick(mine: Floats, theirs: Floats) -> Floats:
            mask = where.reshape(-1, *([1] * (mine.ndim - 1)))
            return np.asarray(np.where(mask, theirs, mine))

        return _State(
            *(pick(getattr(self, name), getattr(other, name)) for name in self.__dataclass_fields__)
        )


def _evaluate(
    table: Table,
    u_mm: Singles,
    light: Singles,
    weight: Singles,
    energy: NDArray[Any],
    level: Singles,
    prior: Singles,
    channel: Singles,
    log_a: Singles,
    u0: Singles,
) -> _State:
    """Cost and normal equations from sums over samples alone, since all is linear in S and g.

    `energy` (n, C) is the weighted sum of the squared samples.
    """
    a = np.exp(log_a)[:, None]
    xi = _xi(u_mm, log_a, u0)
    value, by_log_a, by_xi = look_up(table, log_a, xi)
    by_a = by_log_a - xi * by_xi
    by_u = by_xi / -a
    n, j = xi.shape
    # Double: the cost is a small difference of large sums.
    basis = np.empty((n, 6, j))
    for row, part in enumerate((value, by_a, by_u)):
        basis[:, 2 * row], basis[:, 2 * row + 1] = part.real, part.imag
    weighted = basis * weight[:, None, :]
    gram = weighted @ basis.transpose(0, 2, 1)
    onto = weighted @ light

    A, B = gram[:, 0, 0, None] + np.float32(1e-6), gram[:, 0, 1, None]
    D = gram[:, 1, 1, None] + prior
    rhs_f, rhs_g = onto[:, 0], onto[:, 1] + prior * level
    det = np.maximum(A * D - B * B, 1e-9)
    S = (D * rhs_f - B * rhs_g) / det
    g = (A * rhs_g - B * rhs_f) / det
    cost: Floats = np.maximum(energy + prior * level**2 - S * rhs_f - g * rhs_g, 0.0) @ channel

    def product(p: int, q: int) -> Floats:
        """Sum over samples of (S, g) . basis p times (S, g) . basis q, (n, C)."""
        return np.asarray(
            S * S * gram[:, p, q, None]
            + S * g * (gram[:, p, q + 1, None] + gram[:, p + 1, q, None])
            + g * g * gram[:, p + 1, q + 1, None]
        )

    def against(p: int) -> tuple[Floats, Floats]:
        """What basis p has in common with F and with G, (n, C) each."""
        return (
            S * gram[:, p, 0, None] + g * gram[:, p + 1, 0, None],
            S * gram[:, p, 1, None] + g * gram[:, p + 1, 1, None],
        )

    a_F, a_G = against(2)
    u_F, u_G = against(4)

    def lost(p_F: Floats, p_G: Floats, q_F: Floats, q_G: Floats) -> Floats:
        """What a change of S and g would make up for."""
        return np.asarray((D * p_F * q_F - B * (p_F * q_G + p_G * q_F) + A * p_G * q_G) / det)

    h_aa = (product(2, 2) - lost(a_F, a_G, a_F, a_G)) @ channel
    h_au = (product(2, 4) - lost(a_F, a_G, u_F, u_G)) @ channel
    h_uu = (product(4, 4) - lost(u_F, u_G, u_F, u_G)) @ channel
    b_a = (S * onto[:, 2] + g * onto[:, 3] - S * a_F - g * a_G) @ channel
    b_u = (S * onto[:, 4] + g * onto[:, 5] - S * u_F - g * u_G) @ channel
    return _State(
        cost,
        np.maximum(h_aa, 1e-12),
        h_au,
        np.maximum(h_uu, 1e-12),
        b_a,
        b_u,
        S,
        g,
    )


def _xi(u_mm: Singles, log_a: Singles, u0: Singles) -> Singles:
    """Samples' places in half widths from the middle, (n, J)."""
    return np.asarray((u_mm - u0[:, None]) / np.exp(log_a)[:, None], np.float32)


def _contrast(value: NDArray[np.complex64], S: Floats, g: Floats) -> Floats:
    """Largest departure from the bare ground over channels, (n,)."""
    depart = [
        np.abs(S[:, c, None] * value.real + g[:, c, None] * (value.imag - 1.0)).max(axis=1)
        for c in range(S.shape[1])
    ]
    return np.asarray(np.max(depart, axis=0))
