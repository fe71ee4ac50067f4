"""Samples of cuts, as edges are fitted to them: put together where nothing is lost by it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.clipped import clipped
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

    @cached_property
    def _ones(self) -> Singles:
        """(samples, pools) ones where a sample is in a pool of several.

        A matrix adds up far faster than NumPy's reduceat.
        """
        before, after = self.alone.start, self.alone.stop
        starts = np.append(self.ends[:before], self.ends[after:-1])
        stops = np.append(self.ends[1 : before + 1], self.ends[after + 1 :])
        sample = np.arange(self.ends[0], self.ends[-1])[:, None]
        return np.asarray((sample >= starts) & (sample < stops), np.float32)

    def put(self, samples: Singles, out: Singles) -> None:
        """Put samples (2 + C, n, J), which it overwrites, together into `Samples.values`.

        What there is room for beyond them weighs nothing.
        """
        before, after = self.alone.start, self.alone.stop
        here = slice(self.ends[before], self.ends[after])
        out[..., self.alone] = samples[..., here]
        out[..., self.count :] = 0.0
        if after - before == self.count:
            return
        samples[1:] *= samples[0]
        rows, ones = samples.reshape(-1, samples.shape[2]), self._ones
        pooled = (rows[:, self.ends[0] : self.ends[-1]] @ ones).reshape(*samples.shape[:2], -1)
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
    span = median(xi[1:] - xi[:-1])
    # A pool of m samples bends away by curvature times its span squared over 24.
    most = np.sqrt(24.0 * _BENT / np.maximum(here, 1e-6)) / span
    room: list[float] = clipped(most, 1.0, _MOST_POOLED).tolist()
    ends, left = [0], room[0]
    for i, here_at_most in enumerate(room[1:], 1):
        left = min(left, here_at_most)
        if i + 1 - ends[-1] > left:
            ends.append(i)
            left = here_at_most
    ends.append(len(room))
    alone, begin = slice(0, 0), 0
    for pool, (start, stop) in enumerate(itertools.pairwise(ends)):
        if stop - start > 1:
            begin = pool + 1
        elif pool + 1 - begin > alone.stop - alone.start:
            alone = slice(begin, pool + 1)
    return Pools(np.array(ends) + within.start, alone)


def bends(tables: Tables, half_width_mm: Floats) -> Singles:
    """How much the curves of typical cuts (t,) of every table bend, (t, count of the grid).

    The most of all that is near.
    """
    step = tables.grid.step
    curves = tables.curves_at(np.log(half_width_mm))
    second = np.zeros((len(curves), curves.shape[-1]), np.float32)
    np.abs(np.diff(curves, 2)).max(axis=1, out=second[:, 1:-1])
    second *= np.float32(1.0 / step**2)
    near = np.ones((1, 2 * round(_ASTRAY / step) + 1), np.uint8)
    return np.asarray(cv2.dilate(second, near), np.float32)
