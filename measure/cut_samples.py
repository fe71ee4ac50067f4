"""Samples of cuts, as edges are fitted to them: put together where nothing is lost by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from measure.curve_table import Tables
from measure.medians import median

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_BENT: Final = 4e-4
"""How far a curve may bend away from straight within samples that are pooled."""
_MOST_POOLED: Final = 8
_ASTRAY: Final = 0.3
"""How far, half widths, a cut may lie off the typical one whose curves say what to pool."""


@dataclass(frozen=True)
class Samples:
    """What n cuts show, J samples each, C channels."""

    values: Singles
    """(2 + C, n, J) weight, place and light of each."""
    level: Singles
    """(n, C)"""
    noise: Singles
    """(n, C)"""

    @property
    def weight(self) -> Singles:
        """(n, J) pixels pooled into each sample, in cuts' worth."""
        return np.asarray(self.values[0])

    @property
    def u_mm(self) -> Singles:
        """(n, J)"""
        return np.asarray(self.values[1])

    @property
    def light(self) -> Singles:
        """(C, n, J)"""
        return self.values[2:]


@dataclass(frozen=True)
class Pools:
    """Which neighbouring samples of all cuts of a strand are put together."""

    ends: NDArray[np.int_]
    """(count + 1,) first sample of each pool, and the end of the last."""
    alone: slice
    """A run of pools of one sample each, the longest."""

    @property
    def count(self) -> int:
        """How many."""
        return len(self.ends) - 1

    def put(self, samples: Singles, out: Singles) -> None:
        """Put samples together into `Samples.values`, given as these (2 + C, n, J); overwrites them.

        What there is room for beyond them weighs nothing.
        """
        before, after = self.alone.start, self.alone.stop
        here = slice(self.ends[before], self.ends[after])
        out[..., self.alone] = samples[..., here]
        out[..., self.count :] = 0.0
        if after - before == self.count:
            return
        samples[1:] *= samples[0]
        # A matrix of ones and zeros adds up far faster than NumPy's reduceat.
        starts = np.append(self.ends[:before], self.ends[after:-1])
        stops = np.append(self.ends[1 : before + 1], self.ends[after + 1 :])
        column = np.arange(samples.shape[2])[:, None]
        ones = ((column >= starts) & (column < stops)).astype(np.float32)
        pooled = (samples.reshape(-1, len(ones)) @ ones).reshape(*samples.shape[:2], -1)
        pooled[1:] *= 1 / np.maximum(pooled[0], np.float32(1e-6))
        out[..., :before] = pooled[..., :before]
        out[..., after : self.count] = pooled[..., before:]


def even_pools(within: slice, size: int) -> Pools:
    """Every so many neighbouring samples put together, for a first look."""
    starts = np.arange(within.start, within.stop, max(size, 1))
    ends = np.append(starts, within.stop)
    return Pools(ends, slice(0, len(starts) if size < 2 else 0))


def pools_by_bend(within: slice, xi: Floats, grid_xi: Floats, bend: Singles) -> Pools:
    """Samples put together as far as `bend` over `grid_xi` leaves curves straight.

    Nothing is lost there: edges of strand and shadow keep every sample they have. `xi` are the
    typical places of those `within` reach.
    """
    here = np.interp(xi, grid_xi, bend)
    span = median(np.diff(xi))
    # A pool of m samples bends away by curvature times its span squared over 24.
    most = np.clip(np.sqrt(24.0 * _BENT / np.maximum(here, 1e-6)) / span, 1.0, _MOST_POOLED)
    room: list[float] = most.tolist()
    starts, left = [0], room[0]
    for i in range(1, len(room)):
        left = min(left, room[i])
        if i + 1 - starts[-1] > left:
            starts.append(i)
            left = room[i]
    ends = np.array([*starts, len(room)])
    alone = np.zeros(len(ends) + 1, np.int8)
    alone[1:-1] = np.diff(ends) == 1
    turns = np.flatnonzero(np.diff(alone))
    runs = [slice(0, 0), *map(slice, turns[::2].tolist(), turns[1::2].tolist())]
    return Pools(ends + within.start, max(runs, key=lambda run: run.stop - run.start))


def bends(tables: Tables, half_width_mm: Floats) -> Singles:
    """How much the curves of typical cuts (t,) of every table bend, (t, count of the grid).

    The most of all that is near.
    """
    step = tables.grid.step
    curves = tables.curves_at(np.log(half_width_mm))
    second = np.zeros((len(curves), curves.shape[-1]), np.float32)
    np.abs(np.diff(curves, 2)).max(axis=1, out=second[:, 1:-1])
    second *= np.float32(1.0 / step**2)
    return np.asarray(maximum_filter1d(second, 2 * round(_ASTRAY / step) + 1, axis=1))
