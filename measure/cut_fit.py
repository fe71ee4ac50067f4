"""The two edges of every cut, with the light of the picture held: separable least squares.

For one cut the model is I_c(u) = S_c F(xi; a) + g_c G(xi; a), xi = (u - u0) / a, with the curves
F and G of `measure.shading` blurred for the half width a. Only a and u0 enter non-linearly; S_c
and g_c are solved for in closed form at every step (variable projection, Golub and Pereyra 1973),
for all cuts at once.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.clipped import clipped
from measure.curve_table import FIGURES, Tables, look_up
from measure.cut_samples import Samples
from measure.medians import median

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

SURE_STEP: Final = 0.012
"""A step of less than this share of the half width is taken without looking what it gained."""
_AT_ONCE: Final = 160
"""Cuts looked at together, about: what is worked out on the way stays in the processor's cache."""
_SHOWS: Final = 2.5
"""Half widths within which strand and shadow show most."""

U_GROUND_LEVEL: Final = 0.08
"""Relative freedom of the ground's brightness under one cut about its stretch's own."""


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

    def some(self, which: slice) -> EdgePairs:
        """Those of some cuts."""
        return EdgePairs(
            self.half_width_mm[which],
            self.middle_mm[which],
            self.u_log_half_width[which],
            self.strand[which],
            self.ground[which],
            self.misfit[which],
            self.contrast[which],
        )


def fit_cuts(
    tables: Tables,
    of: NDArray[np.int_],
    samples: Samples,
    half_width_mm: Floats,
    middle_mm: Floats,
    looks: int,
    sure_step: float = SURE_STEP,
) -> EdgePairs:
    """Fit n cuts from a start, looking at each cut at most `looks` times.

    `of` (n,) numbers each one's table, ascending; cuts of one table share the noise they are
    weighed by. A cut whose next step is less than `sure_step` half widths takes it and is done;
    only the others are looked at again.
    """
    count = len(samples.level)
    fixed = _Fixed.of_samples(samples, of, len(tables.log_a0))
    low, high = tables.log_a0[of], tables.log_a1[of]
    log_a = clipped(np.log(half_width_mm), low, high)
    u0 = np.array(middle_mm, float)
    best_a, best_u = log_a.copy(), u0.copy()
    damping = np.full(count, 1e-3)
    kept = _State.nothing(count, len(fixed.channel))
    active = np.arange(count)
    for look in range(looks):
        state = _evaluate(tables, samples, fixed, active, log_a[active], u0[active])
        better = state.cost <= kept.cost[active]
        won = active[better]
        kept.figures[:, won] = state.figures[:, better]
        best_a[won], best_u[won] = log_a[won], u0[won]
        damping[active] = np.where(better, damping[active] * 0.3, damping[active] * 8.0)
        step_a, step_u = kept.step(active, damping[active])
        width = np.exp(best_a[active])
        wider = best_a[active] + clipped(step_a, -0.25, 0.25)
        log_a[active] = clipped(wider, low[active], high[active])
        u0[active] = best_u[active] + clipped(step_u, -0.4 * width, 0.4 * width)
        small = better & (np.abs(step_a) < sure_step) & (np.abs(step_u) < sure_step * width)
        sure = active[small]
        best_a[sure], best_u[sure] = log_a[sure], u0[sure]
        # What such a step gains is known beforehand.
        gain = step_a[small] * kept.b_a[sure] + step_u[small] * kept.b_u[sure]
        kept.cost[sure] = np.maximum(kept.cost[sure] - gain, 0.0)
        active = active[~small]
        if not len(active) or look + 1 == looks:
            break
    share = np.minimum(samples.weight, np.float32(1.0)).sum(axis=1)
    det = np.maximum(kept.h_aa * kept.h_uu - kept.h_au**2, 1e-20)
    sigma2 = kept.cost / np.maximum(share - 4.0, 1.0)
    return EdgePairs(
        half_width_mm=np.exp(best_a),
        middle_mm=best_u,
        u_log_half_width=np.sqrt(sigma2 * kept.h_uu / det),
        strand=np.ascontiguousarray(kept.strand.T),
        ground=np.ascontiguousarray(kept.ground.T),
        misfit=np.sqrt(kept.cost / np.maximum(share, 1.0)),
        contrast=_contrast(tables, of, best_a, kept),
    )


@dataclass(frozen=True)
class _Fixed:
    """What does not change while n cuts are fitted."""

    of: NDArray[np.int_]
    """(n,) number of each one's table."""
    channel: Singles
    """(C, n) weight of each channel."""
    level: Singles
    """(C, n) brightness of the bare ground,"""
    prior: Singles
    """(C, n) and the weight of its being just that."""

    @staticmethod
    def of_samples(samples: Samples, of: NDArray[np.int_], tables: int) -> _Fixed:
        """Of cuts of several tables."""
        square = samples.noise**2
        mine = (of == np.arange(tables)[:, None]).astype(np.float32)
        noise = (mine @ square) / np.maximum(mine.sum(axis=1), 1)[:, None]
        channel = 1 / np.maximum(noise, np.float32(1e-12))
        channel /= channel.sum(axis=1, keepdims=True)
        level = np.ascontiguousarray(samples.level.T)
        freedom = np.float32(U_GROUND_LEVEL) * np.maximum(level, np.float32(0.02))
        return _Fixed(
            of,
            np.ascontiguousarray(channel[of].T),
            level,
            noise.mean(axis=1)[of] / freedom**2,
        )


@dataclass(frozen=True)
class _State:
    """Cost, normal equations in log half width and middle, and brightnesses of n cuts.

    Cuts last: NumPy is quick along long axes only.
    """

    figures: Floats
    """(6 + 2C, n)"""

    @staticmethod
    def nothing(count: int, channels: int) -> _State:
        """The state of cuts not looked at yet: anything is better."""
        figures = np.ones((6 + 2 * channels, count))
        figures[0] = np.inf
        return _State(figures)

    @property
    def cost(self) -> Floats:
        """(n,)"""
        return np.asarray(self.figures[0])

    @property
    def h_aa(self) -> Floats:
        """(n,), as the other normal equations."""
        return np.asarray(self.figures[1])

    @property
    def h_au(self) -> Floats:
        return np.asarray(self.figures[2])

    @property
    def h_uu(self) -> Floats:
        return np.asarray(self.figures[3])

    @property
    def b_a(self) -> Floats:
        return np.asarray(self.figures[4])

    @property
    def b_u(self) -> Floats:
        return np.asarray(self.figures[5])

    @property
    def strand(self) -> Floats:
        """(C, n) S"""
        return np.asarray(self.figures[6 : 3 + len(self.figures) // 2])

    @property
    def ground(self) -> Floats:
        """(C, n) g"""
        return np.asarray(self.figures[3 + len(self.figures) // 2 :])

    def step(self, which: NDArray[np.int_], damping: Floats) -> tuple[Floats, Floats]:
        """Steps in log half width and middle of the cuts `which`."""
        _, h_aa, h_au, h_uu, b_a, b_u = self.figures[:6].take(which, axis=1)
        h_aa, h_uu = h_aa * (1.0 + damping), h_uu * (1.0 + damping)
        det = np.maximum(h_aa * h_uu - h_au**2, 1e-20)
        return (h_uu * b_a - h_au * b_u) / det, (h_aa * b_u - h_au * b_a) / det


def _evaluate(
    tables: Tables,
    samples: Samples,
    fixed: _Fixed,
    which: NDArray[np.int_],
    log_a: Floats,
    u0: Floats,
) -> _State:
    """Cost and normal equations of the cuts `which` from sums over their samples alone.

    All is linear in S and g. Counted from the ground's level g0 the light is
    S F + g0 K + (g - g0) G with G = 1 + K.
    """
    sums, energy = _sums(tables, samples, fixed, which, log_a, u0)
    channel, level, prior = (
        every if every.shape[1] == len(which) else every.take(which, axis=1)
        for every in (fixed.channel, fixed.level, fixed.prior)
    )
    # With 1, F and K, of each other, of the slopes of F and of K by u0 and by log a, of the light.
    one, f, k = sums[:3]
    onto = sums[:, 7:]
    A, B, D = f[1] + 1e-6, f[2] + one[1], k[2] + 2.0 * one[2] + one[0] + prior
    rhs_f, rhs_g = onto[1] - level * f[2], onto[2] + onto[0] - level * (k[2] + one[2])
    det = np.maximum(A * D - B * B, 1e-9)
    figures = np.empty((6 + 2 * len(channel), len(which)))
    both = figures[6:].reshape(2, *channel.shape)
    S, g = both
    np.divide(D * rhs_f - B * rhs_g, det, out=S)
    np.divide(A * rhs_g - B * rhs_f, det, out=g)
    left = energy - level * (2.0 * onto[2] - level * k[2]) - S * rhs_f - g * rhs_g
    np.sum(channel * np.maximum(left, 0.0), axis=0, out=figures[0])
    more = g.copy()
    g += level

    # What the slopes of the light by place and by log a have in common with 1, F and K
    # (3, 2, C, n), and how a change of S and g would make up for it.
    slopes = sums[:3, 3:7].reshape(3, 2, 2, 1, -1)
    with_one, with_f, with_k = slopes[:, :, 0] * S + slopes[:, :, 1] * g
    with_both = np.array([with_f, with_one + with_k])
    with_f, with_g = with_both
    made_up = channel / det * np.array([D * with_f - B * with_g, A * with_g - B * with_f])
    lost = (with_both[:, :, None] * made_up[:, None]).sum(axis=(0, 3))
    pairs = (channel * both[:, None] * both).sum(axis=2)
    whole = (sums[3:7, 3:7].reshape(2, 2, 2, 2, -1) * pairs[:, None]).sum(axis=(1, 3))
    normal = whole - lost
    pull = (onto[3:].reshape(2, 2, *S.shape) * both).sum(axis=1)
    pull -= S * with_f + g * with_k + more * with_one
    pull = (channel * pull).sum(axis=1)
    # The middle moves against the place in the curves.
    by_middle = -np.exp(-log_a) / tables.grid.step
    np.maximum(normal[1, 1], 1e-12, out=figures[1])
    np.multiply(normal[0, 1], by_middle, out=figures[2])
    np.maximum(normal[0, 0] * by_middle**2, 1e-12, out=figures[3])
    figures[4] = pull[1]
    np.multiply(pull[0], by_middle, out=figures[5])
    return _State(figures)


def _sums(
    tables: Tables,
    samples: Samples,
    fixed: _Fixed,
    which: NDArray[np.int_],
    log_a: Floats,
    u0: Floats,
) -> tuple[Floats, Floats]:
    """Weighted sums of products over the samples of the cuts `which`, (7, 7 + C, n).

    Of 1, F, K, the slopes of F and K by steps of the grid and by log half width with each other
    and with the light above the ground's level in every channel; and of the squares of that (C, n).
    """
    channels, count, _ = samples.light.shape
    out = np.empty((len(which), 7 + channels, 7 + channels), np.float32)
    for part in _portions(len(which)):
        some = part if len(which) == count else which[part]
        values = samples.values[:, some]
        weight = values[0]
        # The light goes where the last of what was looked up is no longer needed.
        rows = np.empty((max(1 + FIGURES, 7 + channels), *weight.shape), np.float32)
        rows[0] = 1.0
        look_up(tables, fixed.of[some], log_a[part], values[1], u0[part], rows[1 : 1 + FIGURES])
        rows = rows[: 7 + channels]
        np.subtract(values[2:], fixed.level[:, some, None], out=rows[7:])
        weighed = rows * weight
        np.matmul(weighed.transpose(1, 0, 2), rows.transpose(1, 2, 0), out=out[part])
    # NumPy is quick along long axes only. Double: cost is a small difference of large sums.
    squares = np.diagonal(out, axis1=1, axis2=2)[:, 7:]
    return (
        np.ascontiguousarray(out[:, :7].transpose(1, 2, 0), dtype=float),
        np.ascontiguousarray(squares.T, dtype=float),
    )


def _portions(count: int) -> list[slice]:
    """So many cuts in portions of about equal size."""
    parts = max(1, round(count / _AT_ONCE))
    ends = [count * k // parts for k in range(parts + 1)]
    return [slice(start, end) for start, end in itertools.pairwise(ends)]


def _contrast(tables: Tables, of: NDArray[np.int_], log_a: Floats, state: _State) -> Floats:
    """Largest departure of cuts of their table's typical width from the bare ground, (n,).

    Over channels.
    """
    middle = np.flatnonzero(np.abs(tables.grid.xi) < _SHOWS)
    middle = middle[:: max(1, len(middle) // 48)]
    ends = np.searchsorted(of, np.arange(len(tables.log_a0) + 1)).tolist()
    parts = [slice(*pair) for pair in itertools.pairwise(ends)]
    typical = np.array([median(log_a[mine]) if mine.start < mine.stop else 0.0 for mine in parts])
    curves = tables.curves_at(typical)[:, :, middle].swapaxes(1, 2)
    channels = len(state.strand)
    out = np.empty(len(of))
    for few, mine in zip(curves, parts, strict=True):
        both = state.figures[6:, mine].reshape(2, -1).astype(np.float32)
        depart = few @ both
        most = np.abs(depart, out=depart).max(axis=0)
        out[mine] = most.reshape(channels, -1).max(axis=0)
    return out
