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
from scipy.ndimage import maximum_filter1d

from measure.medians import median
from measure.shading import Curves, Grid, blur_curves

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_TABLE_STEP: Final = 0.086
"""Farthest that log half widths of a table lie apart."""
SURE_STEP: Final = 0.012
"""A step of less than this share of the half width is taken without looking what it gained."""
_BENT: Final = 4e-4
"""How far a curve may bend away from straight within samples that are pooled."""
_MOST_POOLED: Final = 8
_AT_ONCE: Final = 160
"""Cuts looked at together: what is worked out on the way stays in the processor's cache."""
_SHOWS: Final = 2.5
"""Half widths within which strand and shadow show most."""
_ASTRAY: Final = 0.3
"""How far, half widths, a cut may lie off the typical one whose curves say what to pool."""

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


@dataclass(frozen=True)
class Samples:
    """What n cuts of one ground show, J samples each, C channels."""

    u_mm: Singles
    """(n, J)"""
    light: Singles
    """(n, J, C)"""
    weight: Singles
    """(n, J) pixels pooled into each sample, in cuts' worth."""
    level: Singles
    """(n, C)"""
    noise: Singles
    """(n, C)"""

    def some(self, which: NDArray[np.int_]) -> Samples:
        """Those of the cuts numbered `which`."""
        return Samples(
            self.u_mm[which],
            self.light[which],
            self.weight[which],
            self.level[which],
            self.noise[which],
        )


def make_table(
    curves: Curves, half_width_mm: tuple[float, float], blur_mm: float, softness: float
) -> Table:
    """Tables from the least to the largest half width; `softness` is the rim's, in half widths."""
    low, high = np.log(half_width_mm)
    logs = np.linspace(low, high, max(2, 1 + int(np.ceil((high - low) / _TABLE_STEP))))
    face, ground = blur_curves(curves, np.hypot(blur_mm / np.exp(logs), softness))
    return Table(
        curves.grid,
        float(low),
        float(logs[1] - logs[0]),
        (face + 1j * ground).astype(np.complex64),
    )


def pooled(samples: Samples, table: Table, half_width_mm: float, middle_mm: float) -> Samples:
    """Neighbouring samples put together where the curves of a typical cut run straight.

    Nothing is lost there: edges of strand and shadow keep every sample they have.
    """
    grid = table.grid
    row = round((np.log(half_width_mm) - table.log_a0) / table.log_step)
    curves = table.curves[min(max(row, 0), len(table.curves) - 1)]
    second = np.zeros(len(curves), np.complex64)
    second[1:-1] = (curves[2:] - 2.0 * curves[1:-1] + curves[:-2]) / np.float32(grid.step**2)
    bend = np.maximum(np.abs(second.real), np.abs(second.imag))
    bend = maximum_filter1d(bend, 2 * round(_ASTRAY / grid.step) + 1)
    typical_u = samples.u_mm[:: max(1, len(samples.u_mm) // 16)].mean(axis=0)
    xi = (typical_u - middle_mm) / half_width_mm
    here = np.interp(xi, grid.xi, bend)
    span = median(np.diff(xi))
    # A pool of m samples bends away by curvature times its span squared over 24.
    most = np.clip(np.sqrt(24.0 * _BENT / np.maximum(here, 1e-6)) / span, 1.0, _MOST_POOLED)
    starts, left = [0], float(most[0])
    for i in range(1, len(most)):
        left = min(left, float(most[i]))
        if i + 1 - starts[-1] > left:
            starts.append(i)
            left = float(most[i])
    return _together(samples, starts)


def thinned(samples: Samples, count: int) -> Samples:
    """Every so many neighbouring samples put together, for a first look."""
    if count < 2:
        return samples
    return _together(samples, list(range(0, samples.u_mm.shape[1], count)))


def _together(samples: Samples, starts: list[int]) -> Samples:
    """Samples put together from each start to the next."""
    weight = np.add.reduceat(samples.weight, starts, axis=1)
    safe = np.maximum(weight, np.float32(1e-6))
    u = np.add.reduceat(samples.u_mm * samples.weight, starts, axis=1) / safe
    # Channels first: NumPy adds up quickly along the last axis only.
    by_channel = np.ascontiguousarray(samples.light.transpose(0, 2, 1))
    by_channel *= samples.weight[:, None]
    light = np.add.reduceat(by_channel, starts, axis=2)
    light /= safe[:, None]
    return Samples(
        np.asarray(u, np.float32),
        np.ascontiguousarray(light.transpose(0, 2, 1)),
        weight,
        samples.level,
        samples.noise,
    )


def look_up(
    table: Table, log_a: Singles, xi: Singles
) -> tuple[NDArray[np.complex64], NDArray[np.complex64], NDArray[np.complex64]]:
    """F + iG, its slope by log a at constant xi, and by xi; each (n, J)."""
    k = np.clip((log_a - table.log_a0) / table.log_step, 0, len(table.curves) - 1.001)
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
    samples: Samples,
    half_width_mm: Floats,
    middle_mm: Floats,
    looks: int,
    sure_step: float = SURE_STEP,
) -> EdgePairs:
    """Fit n cuts from a start, looking at each cut at most `looks` times.

    A cut whose next step is less than `sure_step` half widths takes it and is done; only the
    others are looked at again.
    """
    count, channels = samples.level.shape
    noise = np.mean(samples.noise**2, axis=0)
    channel = (1.0 / noise).astype(np.float32)
    channel /= channel.sum()
    prior = (
        np.float32(noise.mean())
        / (np.float32(U_GROUND_LEVEL) * np.maximum(samples.level, np.float32(0.02))) ** 2
    )
    energy = np.einsum("nj,njc,njc->nc", samples.weight, samples.light, samples.light)
    low, high = table.log_a0, table.log_a0 + table.log_step * (len(table.curves) - 1)
    log_a = np.clip(np.log(half_width_mm), low, high)
    u0 = np.array(middle_mm, float)
    best_a, best_u = log_a.copy(), u0.copy()
    damping = np.full(count, 1e-3)
    kept = _State.nothing(count, channels)
    active = np.arange(count)
    for look in range(looks):
        state = _State.nothing(len(active), channels)
        for start in range(0, len(active), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            some = active[part]
            found = _evaluate(
                table,
                samples.some(some),
                energy[some],
                prior[some],
                channel,
                log_a[some],
                u0[some],
            )
            state.put(part, found)
        better = state.cost <= kept.cost[active]
        won = active[better]
        kept.take(won, state, better)
        best_a[won], best_u[won] = log_a[won], u0[won]
        damping[active] = np.where(better, damping[active] * 0.3, damping[active] * 8.0)
        step_a, step_u = kept.step(active, damping[active])
        width = np.exp(best_a[active])
        log_a[active] = np.clip(best_a[active] + np.clip(step_a, -0.25, 0.25), low, high)
        u0[active] = best_u[active] + np.clip(step_u, -0.4 * width, 0.4 * width)
        small = better & (np.abs(step_a) < sure_step) & (np.abs(step_u) < sure_step * width)
        sure = active[small]
        best_a[sure], best_u[sure] = log_a[sure], u0[sure]
        # What such a step gains is known beforehand.
        gain = step_a[small] * kept.b_a[sure] + step_u[small] * kept.b_u[sure]
        kept.cost[sure] = np.maximum(kept.cost[sure] - gain, 0.0)
        active = active[~small]
        if not len(active) or look + 1 == looks:
            break
    share = np.minimum(samples.weight, 1.0).sum(axis=1)
    det = np.maximum(kept.h_aa * kept.h_uu - kept.h_au**2, 1e-20)
    sigma2 = kept.cost / np.maximum(share - 4.0, 1.0)
    return EdgePairs(
        half_width_mm=np.exp(best_a),
        middle_mm=best_u,
        u_log_half_width=np.sqrt(sigma2 * kept.h_uu / det),
        strand=kept.strand,
        ground=kept.ground,
        misfit=np.sqrt(kept.cost / np.maximum(share, 1.0)),
        contrast=_contrast(table, median(best_a), kept.strand, kept.ground),
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

    @staticmethod
    def nothing(count: int, channels: int) -> _State:
        """The state of cuts not looked at yet: anything is better."""
        return _State(
            np.full(count, np.inf),
            *(np.ones(count) for _ in range(5)),
            *(np.zeros((count, channels)) for _ in range(2)),
        )

    def put(self, part: slice, other: _State) -> None:
        """Put the other's figures in the place of the cuts `part`."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[part] = getattr(other, name)

    def take(self, to: NDArray[np.int_], other: _State, which: NDArray[np.bool_]) -> None:
        """Put the other's figures of its cuts marked `which` in the place of the cuts `to`."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[to] = getattr(other, name)[which]

    def step(self, which: NDArray[np.int_], damping: Floats) -> tuple[Floats, Floats]:
        """Steps in log half width and middle of the cuts `which`."""
        h_aa = self.h_aa[which] * (1.0 + damping)
        h_uu = self.h_uu[which] * (1.0 + damping)
        h_au, b_a, b_u = self.h_au[which], self.b_a[which], self.b_u[which]
        det = np.maximum(h_aa * h_uu - h_au**2, 1e-20)
        return (h_uu * b_a - h_au * b_u) / det, (h_aa * b_u - h_au * b_a) / det


def _evaluate(
    table: Table,
    samples: Samples,
    energy: NDArray[Any],
    prior: Singles,
    channel: Singles,
    log_a: Floats,
    u0: Floats,
) -> _State:
    """Cost and normal equations from sums over samples alone, since all is linear in S and g.

    `energy` (n, C) is the weighted sum of the squared samples.
    """
    level = samples.level
    a = np.exp(log_a)[:, None]
    xi = ((samples.u_mm - u0[:, None]) / a).astype(np.float32)
    value, by_log_a, by_xi = look_up(table, log_a.astype(np.float32), xi)
    by_a = by_log_a - xi * by_xi
    by_u = by_xi / (-a).astype(np.float32)
    n, j = xi.shape
    # Double: the cost is a small difference of large sums.
    basis = np.empty((n, 6, j))
    for row, part in enumerate((value, by_a, by_u)):
        basis[:, 2 * row], basis[:, 2 * row + 1] = part.real, part.imag
    weighted = basis * samples.weight[:, None, :]
    gram = weighted @ basis.transpose(0, 2, 1)
    onto = weighted @ samples.light

    A, B = gram[:, 0, 0, None] + np.float32(1e-6), gram[:, 0, 1, None]
    D = gram[:, 1, 1, None] + prior
    rhs_f, rhs_g = onto[:, 0], onto[:, 1] + prior * level
    det = np.maximum(A * D - B * B, 1e-9)
    S = (D * rhs_f - B * rhs_g) / det
    g = (A * rhs_g - B * rhs_f) / det
    cost: Floats = np.maximum(energy + prior * level**2 - S * rhs_f - g * rhs_g, 0.0) @ channel

    both = np.stack([S, g], axis=1)
    # What the slopes by log a and by u0 have in common with F and with G (n, 2, 2, C), and how a
    # change of S and g would make up for it.
    slopes = gram[:, 2:].reshape(n, 2, 2, 6)
    common = np.einsum("npks,nkc->npsc", slopes[..., :2], both)
    with_f, with_g = common[:, :, 0] / det[:, None], common[:, :, 1] / det[:, None]
    made_up = np.stack(
        [D[:, None] * with_f - B[:, None] * with_g, A[:, None] * with_g - B[:, None] * with_f],
        axis=2,
    )
    lost = (common * channel).reshape(n, 2, -1) @ made_up.reshape(n, 2, -1).transpose(0, 2, 1)
    pairs = (both * channel) @ both.transpose(0, 2, 1)
    whole = np.einsum("npkql,nkl->npq", slopes[..., 2:].reshape(n, 2, 2, 2, 2), pairs)
    normal = whole - lost
    left = onto[:, 2:].reshape(n, 2, 2, -1) - common
    downhill = (left * (both * channel)[:, None]).sum(axis=(2, 3))
    return _State(
        cost,
        np.maximum(normal[:, 0, 0], 1e-12),
        normal[:, 0, 1],
        np.maximum(normal[:, 1, 1], 1e-12),
        downhill[:, 0],
        downhill[:, 1],
        S,
        g,
    )


def _contrast(table: Table, log_a: float, S: Floats, g: Floats) -> Floats:
    """Largest departure of a cut of typical width from the bare ground over channels, (n,)."""
    row = min(round((log_a - table.log_a0) / table.log_step), len(table.curves) - 1)
    middle = np.abs(table.grid.xi) < _SHOWS
    few = table.curves[row, middle][:: max(1, int(middle.sum()) // 48)]
    depart = S[..., None] * few.real + g[..., None] * (few.imag - 1.0)
    return np.asarray(np.abs(depart, out=depart).max(axis=(1, 2)))
