"""The two edges of every cut, with the light of the picture held: separable least squares.

For one cut the model is I_c(u) = S_c F(xi; a) + g_c G(xi; a), xi = (u - u0) / a, with the curves
F and G of `measure.shading` blurred for the half width a. Only a and u0 enter non-linearly; S_c
and g_c are solved for in closed form at every step (variable projection, Golub and Pereyra 1973),
for all cuts at once.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.curve_table import Tables, look_up, twice
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
        return EdgePairs(*(getattr(self, field.name)[which] for field in fields(self)))


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
    fixed = _Fixed.of_samples(samples, of, len(tables.curves))
    low = tables.log_a0[of]
    high = low + tables.log_step[of] * (tables.curves.shape[1] - 1)
    log_a = np.clip(np.log(half_width_mm), low, high)
    u0 = np.array(middle_mm, float)
    best_a, best_u = log_a.copy(), u0.copy()
    damping = np.full(count, 1e-3)
    kept = _State.nothing(count, len(fixed.channel))
    active = np.arange(count)
    for look in range(looks):
        state = _State.of_parts(
            [
                _evaluate(tables, samples.some(some), fixed.some(some), log_a[some], u0[some])
                for some in _portions(active, count)
            ]
        )
        better = state.cost <= kept.cost[active]
        won = active[better]
        kept.figures[:, won] = state.figures[:, better]
        best_a[won], best_u[won] = log_a[won], u0[won]
        damping[active] = np.where(better, damping[active] * 0.3, damping[active] * 8.0)
        step_a, step_u = kept.step(active, damping[active])
        width = np.exp(best_a[active])
        log_a[active] = best_a[active] + np.clip(step_a, -0.25, 0.25)
        log_a[active] = np.clip(log_a[active], low[active], high[active])
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


def _portions(active: NDArray[np.int_], count: int) -> Iterator[NDArray[np.int_] | slice]:
    """The active ones of so many cuts by portions; slices, which copy nothing, while all are."""
    parts = max(1, round(len(active) / _AT_ONCE))
    ends = [len(active) * k // parts for k in range(parts + 1)]
    for start, end in itertools.pairwise(ends):
        part = slice(start, end)
        yield part if len(active) == count else active[part]


@dataclass(frozen=True)
class _Fixed:
    """What does not change while n cuts are fitted."""

    of: NDArray[np.int_]
    """(n,) number of each one's table."""
    channel: Singles
    """(C, n) weight of each channel."""
    prior: Singles
    """(C, n) weight of the ground's level."""
    energy: Singles
    """(C, n) weighted sum of the squared samples."""

    @staticmethod
    def of_samples(samples: Samples, of: NDArray[np.int_], tables: int) -> _Fixed:
        """Of cuts of several tables."""
        square = samples.noise**2
        mine = (of == np.arange(tables)[:, None]).astype(np.float32)
        noise = (mine @ square) / np.maximum(mine.sum(axis=1), 1)[:, None]
        channel = 1 / np.maximum(noise, np.float32(1e-12))
        channel /= channel.sum(axis=1, keepdims=True)
        level = np.maximum(samples.level.T, np.float32(0.02))
        return _Fixed(
            of,
            np.ascontiguousarray(channel[of].T),
            noise.mean(axis=1)[of] / (np.float32(U_GROUND_LEVEL) * level) ** 2,
            np.einsum("ncj,ncj->cn", samples.light * samples.weight[:, None], samples.light),
        )

    def some(self, which: NDArray[np.int_] | slice) -> _Fixed:
        """Those of the cuts numbered `which`."""
        return _Fixed(
            self.of[which], self.channel[:, which], self.prior[:, which], self.energy[:, which]
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

    @staticmethod
    def of_parts(parts: list[_State]) -> _State:
        """The cuts of all parts."""
        if len(parts) == 1:
            return parts[0]
        return _State(np.concatenate([part.figures for part in parts], axis=1))

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
        _, h_aa, h_au, h_uu, b_a, b_u = self.figures[:6, which]
        h_aa, h_uu = h_aa * (1.0 + damping), h_uu * (1.0 + damping)
        det = np.maximum(h_aa * h_uu - h_au**2, 1e-20)
        return (h_uu * b_a - h_au * b_u) / det, (h_aa * b_u - h_au * b_a) / det


def _evaluate(tables: Tables, samples: Samples, fixed: _Fixed, log_a: Floats, u0: Floats) -> _State:
    """Cost and normal equations from sums over samples alone, since all is linear in S and g."""
    a = np.exp(log_a)
    xi = samples.u_mm - u0.astype(np.float32)[:, None]
    xi *= (1.0 / a).astype(np.float32)[:, None]
    value, by_a, by_u = look_up(tables, fixed.of, log_a, xi)
    by_a -= twice(xi * np.float32(1.0 / tables.grid.step)) * by_u
    by_u *= (-1.0 / (a * tables.grid.step)).astype(np.float32)[:, None]
    n, channels, j = samples.light.shape
    # Double: the cost is a small difference of large sums.
    basis = np.empty((n, 6 + channels, j))
    for row, part in enumerate((value, by_a, by_u)):
        basis[:, 2 * row], basis[:, 2 * row + 1] = part[:, ::2], part[:, 1::2]
    basis[:, 6:] = samples.light
    # Weighted sums of products of F, G, their slopes by log a and by u0 (6,) with each other and
    # with the samples' channels, the cuts last.
    sums = (basis[:, :6] * samples.weight[:, None]) @ basis.transpose(0, 2, 1)
    sums = np.ascontiguousarray(sums.transpose(1, 2, 0))
    gram, onto = sums[:, :6], sums[:, 6:]

    channel, prior = fixed.channel, fixed.prior
    level = samples.level.T
    A, B, D = gram[0, 0] + 1e-6, gram[0, 1], gram[1, 1] + prior
    rhs_f, rhs_g = onto[0], onto[1] + prior * level
    det = np.maximum(A * D - B * B, 1e-9)
    figures = np.empty((6 + 2 * channels, n))
    both = figures[6:].reshape(2, channels, n)
    S, g = both
    np.divide(D * rhs_f - B * rhs_g, det, out=S)
    np.divide(A * rhs_g - B * rhs_f, det, out=g)
    left = np.maximum(fixed.energy + prior * level**2 - S * rhs_f - g * rhs_g, 0.0)
    np.sum(channel * left, axis=0, out=figures[0])

    weighed = channel * both
    # What the slopes by log a and by u0 have in common with F and with G (2, 2, C, n), and how a
    # change of S and g would make up for it.
    slopes = gram[2:].reshape(2, 2, 6, n)
    common = slopes[:, 0, :2, None] * S + slopes[:, 1, :2, None] * g
    with_f, with_g = common[:, 0], common[:, 1]
    made_up = np.empty_like(common)
    np.subtract(D * with_f, B * with_g, out=made_up[:, 0])
    np.subtract(A * with_g, B * with_f, out=made_up[:, 1])
    made_up *= channel / det
    lost = (common[:, None] * made_up).sum(axis=(2, 3))
    pairs = (weighed[:, None] * both).sum(axis=2)
    whole = (slopes[:, :, 2:].reshape(2, 2, 2, 2, n) * pairs[:, None]).sum(axis=(1, 3))
    normal = whole - lost
    figures[1:4] = normal[0, 0], normal[0, 1], normal[1, 1]
    np.maximum(figures[1:4:2], 1e-12, out=figures[1:4:2])
    np.sum((onto[2:].reshape(common.shape) - common) * weighed, axis=(1, 2), out=figures[4:6])
    return _State(figures)


def _contrast(tables: Tables, of: NDArray[np.int_], log_a: Floats, state: _State) -> Floats:
    """Largest departure of cuts of their table's typical width from the bare ground, (n,).

    Over channels.
    """
    middle = np.flatnonzero(np.abs(tables.grid.xi) < _SHOWS)
    middle = middle[:: max(1, len(middle) // 48)]
    both = np.stack([state.strand, state.ground], axis=2).astype(np.float32)
    out = np.empty(len(of))
    for number in range(len(tables.curves)):
        mine = slice(*np.searchsorted(of, (number, number + 1)).tolist())
        if mine.start == mine.stop:
            continue
        row = tables.row_of(number, math.exp(median(log_a[mine])))
        few = tables.curves[number, row, middle]
        depart = both[:, mine] @ np.stack([few.real, few.imag - np.float32(1.0)])
        out[mine] = np.abs(depart, out=depart).max(axis=2).max(axis=0)
    return out
