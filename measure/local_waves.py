"""Waves fitted in windows along a strand, in signals with gaps.

Every fit is a least-squares sinusoid with a mean of its own under a Gaussian window (the floating
mean periodogram of Zechmeister and Kürster 2009, taken locally), so places that were not seen
just weigh nothing.

Counted in periods all frequencies look alike: each one's signals are pooled into bins of an eighth
of a period, where windows and sinusoids are the same numbers whatever the frequency, so that one
matrix product serves all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Reals = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

BINS: Final = 8
"""Bins to a period."""
_REACH: Final = 21
"""Bins to either side of a window's centre; its standard deviation is one period."""
STEP: Final = 2
"""Bins from one window to the next where a wave is followed."""
_AT_ONCE: Final = 64
"""Bins whose windows are summed by one row of a matrix product."""
_COVERED: Final = 0.5
"""Least share of a window's weight that must have been seen."""


@dataclass(frozen=True)
class Bins:
    """M bins of k signals, bin 0 beginning where a period does; nothing beyond the ends."""

    seen: Singles
    """(M,) mean weight in each."""
    weighed: Singles
    """(k, M) means of the signals times their weight."""

    @property
    def squares(self) -> Singles:
        """(k, M) squares of the signals' means, times the weight."""
        return np.asarray(self.weighed**2 / np.maximum(self.seen, np.float32(1e-9)))


@dataclass(frozen=True)
class LocalWaves:
    """Waves in m windows of k signals; the phase counts from the first bin."""

    window: NDArray[np.int_]
    """(m,) which of the windows, those left out that were not seen well."""
    in_phase: Singles
    out_of_phase: Singles
    """(m, k) amplitudes of the cosine and of the sine."""
    explained: Singles
    """(m, k) weighted sum of squares that the wave explains."""
    squares: Singles
    """(m, k) weighted sum of squares, or (m, 1) of all signals together,"""
    of_means: Singles
    """(m, k) and what of that the mean is."""

    @property
    def amplitude(self) -> Complexes:
        """(m, k)"""
        return np.asarray(self.in_phase - 1j * self.out_of_phase, complex)


@dataclass(frozen=True)
class Edges:
    """Where M bins begin and end in a row of samples."""

    at: Floats
    """(M + 1,) samples from the row's beginning, within it."""
    per_sample: Singles
    """(M,) one over a bin's width in samples; 0 where nothing is to be in it."""


class Pooled:
    """Signals (n, k) ready to be pooled into any bins: their running sums."""

    def __init__(self, values: Reals, weight: Floats, s_mm: Floats) -> None:
        self.pitch_mm = float(s_mm[1] - s_mm[0])
        self.start_mm = float(s_mm[0]) - 0.5 * self.pitch_mm
        self.length_mm = len(s_mm) * self.pitch_mm
        each = np.empty((values.shape[1] + 1, len(s_mm)), np.float32)
        each[0] = weight
        np.multiply(values.T, each[0], out=each[1:], casting="same_kind")
        self._each = each
        before = each.astype(float)
        np.cumsum(before, axis=1, out=before)
        before -= each
        self._before = before.astype(np.float32)

    def bins(self, edges: Edges) -> Bins:
        """Means between neighbours of the edges."""
        low = edges.at.astype(np.intp)
        part = (edges.at - low).astype(np.float32)
        # The last edge may be the row's end.
        sums = self._each.take(low, axis=1, mode="clip")
        sums *= part + (low == self._each.shape[1])
        sums += self._before.take(low, axis=1, mode="clip")
        inside = sums[:, 1:] - sums[:, :-1]
        inside *= edges.per_sample
        return Bins(inside[0], inside[1:])


def _summing(step: int) -> tuple[Singles, Singles]:
    """What sums `_AT_ONCE` bins and those about them into windows `step` bins apart.

    Weights of bins in W windows, alone and times cosine and sine, and times cosine and sine of the
    doubled angle: (`_AT_ONCE`, 2 each W), of each block of bins in its own windows and in those of
    the block before, since all they reach beyond is in it.
    """
    bins = np.arange(2 * _AT_ONCE) - _REACH
    offset = bins - (np.arange(0, _AT_ONCE, step)[:, None] + (step - 1) / 2)
    window = np.where(np.abs(offset) <= _REACH, np.exp(-0.5 * (offset / BINS) ** 2), 0.0)
    angle = 2 * np.pi * (bins + 0.5) / BINS

    def of_blocks(*waves: Floats) -> Singles:
        """Both blocks' bins side by side."""
        weights = np.concatenate([window * wave for wave in waves])
        blocks = weights.T.reshape(2, _AT_ONCE, -1).astype(np.float32)
        return np.concatenate([blocks[0], blocks[1]], axis=1)

    return (
        of_blocks(np.ones_like(angle), np.cos(angle), np.sin(angle)),
        of_blocks(np.cos(2 * angle), np.sin(2 * angle)),
    )


_SUMMING: Final = {step: _summing(step) for step in (STEP, BINS)}
_FULL: Final = float(np.exp(-0.5 * (np.arange(0.5 - _REACH, _REACH) / BINS) ** 2).sum())
"""Weight of a window all seen."""


def _blocks(rows: Sequence[Singles]) -> Singles:
    """Rows of bins in blocks of `_AT_ONCE`, (k, blocks, `_AT_ONCE`), nothing beyond their ends."""
    count = rows[0].shape[-1]
    blocks = -(-count // _AT_ONCE) + 1
    padded = np.zeros((sum(len(some) for some in rows), blocks * _AT_ONCE), np.float32)
    np.concatenate(rows, out=padded[:, _REACH : _REACH + count])
    return padded.reshape(len(padded), blocks, _AT_ONCE)


def _sums(blocks: Singles, weights: Singles, each: int) -> Singles:
    """(k, each, m) sums over windows; the weights hold `each` kinds of them."""
    k, count, _ = blocks.shape
    parts = (blocks.reshape(-1, _AT_ONCE) @ weights).reshape(k, count, 2, each, -1)
    summed = np.empty((k, each, count - 1, parts.shape[-1]), np.float32)
    np.add(parts[:, :-1, 0], parts[:, 1:, 1], out=summed.transpose(0, 2, 1, 3))
    return summed.reshape(k, each, -1)


def local_waves(bins: Bins, squares: Singles, step: int) -> LocalWaves:
    """Fit const + cos + sin in windows `step` bins apart, in the middle of as many bins each.

    `squares` (k, M) are the bins' own, or (1, M) their sum. Windows less than half seen are left
    out.
    """
    once, twice = _SUMMING[step]
    k = len(bins.weighed)
    blocks = _blocks([bins.seen[None], bins.weighed, squares])
    sums = _sums(blocks, once, 3)
    window = np.flatnonzero(sums[0, 0] >= _COVERED * _FULL)
    n, c, s = sums[0].take(window, axis=-1)
    y, yc, ys = sums[1 : 1 + k].take(window, axis=-1).transpose(1, 0, 2)
    cc, cs = 0.5 * _sums(blocks[:1], twice, 2)[0].take(window, axis=-1)
    # The mean taken off first, two unknowns are left.
    mean = y / n
    half = 0.5 * n
    cc, cs, ss = half + cc - c * c / n, cs - c * s / n, half - cc - s * s / n
    yc, ys = yc - c * mean, ys - s * mean
    det = np.maximum(cc * ss - cs * cs, np.float32(1e-9) * n * n)
    cc, cs, ss = cc / det, cs / det, ss / det
    a, b = ss * yc - cs * ys, cc * ys - cs * yc
    return LocalWaves(
        window=window,
        in_phase=a.T,
        out_of_phase=b.T,
        explained=np.maximum(a * yc + b * ys, np.float32(0.0)).T,
        squares=sums[1 + k :, 0].take(window, axis=-1).T,
        of_means=(mean * y).T,
    )
