"""Samples of cuts, as edges are fitted to them: put together where nothing is lost by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from measure.curve_table import Tables
from measure.medians import median

Singles = NDArray[np.float32]

_BENT: Final = 4e-4
"""How far a curve may bend away from straight within samples that are pooled."""
_MOST_POOLED: Final = 8
_ASTRAY: Final = 0.3
"""How far, half widths, a cut may lie off the typical one whose curves say what to pool."""


@dataclass(frozen=True)
class Samples:
    """What n cuts of one ground show, J samples each, C channels."""

    u_mm: Singles
    """(n, J)"""
    light: Singles
    """(n, C, J)"""
    weight: Singles
    """(n, J) pixels pooled into each sample, in cuts' worth."""
    level: Singles
    """(n, C)"""
    noise: Singles
    """(n, C)"""

    def some(self, which: NDArray[np.int_] | slice) -> Samples:
        """Those of the cuts numbered `which`."""
        return Samples(
            self.u_mm[which],
            self.light[which],
            self.weight[which],
            self.level[which],
            self.noise[which],
        )


def pooled(
    samples: Samples, tables: Tables, number: int, half_width_mm: float, middle_mm: float
) -> Samples:
    """Neighbouring samples put together where the curves of a typical cut run straight.

    Nothing is lost there: edges of strand and shadow keep every sample they have. `number` is that
    of the cuts' table.
    """
    grid = tables.grid
    curves = tables.curves[number, tables.row_of(number, half_width_mm)]
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
    room: list[float] = most.tolist()
    starts, left = [0], room[0]
    for i in range(1, len(room)):
        left = min(left, room[i])
        if i + 1 - starts[-1] > left:
            starts.append(i)
            left = room[i]
    return _together(samples, np.array(starts))


def thinned(samples: Samples, count: int) -> Samples:
    """Every so many neighbouring samples put together, for a first look."""
    if count < 2:
        return samples
    return _together(samples, np.arange(0, samples.u_mm.shape[1], count))


def _together(samples: Samples, starts: NDArray[np.int_]) -> Samples:
    """Samples put together from each start to the next."""
    n, channels, j = samples.light.shape
    sums = np.empty((n, 2 + channels, j), np.float32)
    sums[:, 0] = samples.weight
    np.multiply(samples.u_mm, samples.weight, out=sums[:, 1])
    np.multiply(samples.light, samples.weight[:, None], out=sums[:, 2:])
    # A matrix of ones and zeros adds up far faster than NumPy's reduceat.
    owner = np.searchsorted(starts, np.arange(j), side="right") - 1
    ones = np.zeros((j, len(starts)), np.float32)
    ones[np.arange(j), owner] = 1.0
    sums = (sums.reshape(-1, j) @ ones).reshape(n, 2 + channels, -1)
    weight = sums[:, 0]
    means = sums[:, 1:]
    means /= np.maximum(weight, np.float32(1e-6))[:, None]
    return Samples(means[:, 0], means[:, 1:], weight, samples.level, samples.noise)


def joined(samples: Sequence[Samples]) -> Samples:
    """Samples of several groups of cuts, one after another, padded with what weighs nothing."""
    longest = max(some.u_mm.shape[1] for some in samples)

    def padded(of: str) -> Singles:
        parts = [getattr(some, of) for some in samples]
        out = np.zeros((sum(len(x) for x in parts), *parts[0].shape[1:-1], longest), np.float32)
        at = 0
        for part in parts:
            out[at : at + len(part), ..., : part.shape[-1]] = part
            at += len(part)
        return out

    return Samples(
        padded("u_mm"),
        padded("light"),
        padded("weight"),
        np.concatenate([some.level for some in samples]),
        np.concatenate([some.noise for some in samples]),
    )
