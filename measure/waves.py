"""Waves along a strand in signals with gaps: how strong at each frequency, and followed by phase.

Every fit is a least-squares sinusoid with a mean of its own under a Gaussian window (the floating
mean periodogram of Zechmeister and Kürster 2009, taken locally), so places that were not seen
just weigh nothing. Several signals that carry the same wave, each with its own strength and
phase, are followed together by the first singular vectors of their local amplitudes.

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

_BINS: Final = 8
"""Bins to a period."""
_REACH: Final = 21
"""Bins to either side of a window's centre; its standard deviation is one period."""
_STEP: Final = 2
"""Bins from one window to the next where a wave is followed."""
_AT_ONCE: Final = 64
"""Bins whose windows are summed by one row of a matrix product."""
_COVERED: Final = 0.5
"""Least share of a window's weight that must have been seen."""
_EVERY: Final = 4
_MANY: Final = 12
_FEWEST: Final = 3
"""Windows from which a frequency's share is told."""
_LEAST_POWER: Final = 1e-20
"""Weight left to a place where there is no wave at all, so that means stay numbers."""
_NEARLY: Final = 0.7
"""Least share that a wave explains at the next frequency, over its own: a window of one period's
standard deviation falls to exp(-(2 pi 0.08)^2) = 0.78 there."""
_APART: Final = 3
"""Periods between the bins of two frequencies: more than a window reaches."""


@dataclass(frozen=True)
class _Bins:
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
class _LocalWaves:
    """Waves in m windows of k signals; the phase counts from the first bin."""

    window: NDArray[np.int_]
    """(m,) which of the windows, those left out that were not seen well."""
    in_phase: Floats
    out_of_phase: Floats
    """(m, k) amplitudes of the cosine and of the sine."""
    explained: Floats
    """(m, k) weighted sum of squares that the wave explains."""
    squares: Floats
    """(m, k) weighted sum of squares, or (m, 1) of all signals together,"""
    of_means: Floats
    """(m, k) and what of that the mean is."""

    @property
    def amplitude(self) -> Complexes:
        """(m, k)"""
        return np.asarray(self.in_phase - 1j * self.out_of_phase)


@dataclass(frozen=True)
class FollowedWave:
    """One wave that runs through several signals."""

    frequency_per_mm: float
    """Mean over what was seen: periods counted over length."""
    u_relative: float
    """Standard uncertainty of that from the wave's own irregularity of phase."""
    periods: float
    """Counted, over the stretches that hang together."""
    share: float
    """Share of the signals' variance that the wave explains."""
    together: float
    """Share of the local amplitudes' power that one common wave carries."""
    signals: Complexes
    """(k,) its mean amplitude in each signal, phases against one another."""
    centre_mm: Floats
    """(m,)"""
    local_per_mm: Floats
    """(m,) frequency round each place."""
    turned: Floats
    """(m,) periods gone by at each place; a gap may hide whole ones. NaN where alone."""


class _Pooled:
    """Signals (n, k) ready to be pooled into any bins: their running sums."""

    def __init__(self, values: Reals, weight: Floats, s_mm: Floats) -> None:
        self.pitch_mm = float(s_mm[1] - s_mm[0])
        self.start_mm = float(s_mm[0]) - 0.5 * self.pitch_mm
        self.length_mm = len(s_mm) * self.pitch_mm
        each = np.concatenate([weight[None], values.T * weight])
        self._each = each.astype(np.float32)
        self._before = (np.cumsum(each, axis=1) - each).astype(np.float32)

    def bins(self, edges_mm: Floats) -> _Bins:
        """Between neighbours of (M + 1,) edges, which lie within the signals; nothing in a bin
        whose edges do not rise."""
        at = (edges_mm - self.start_mm) / self.pitch_mm
        low = np.clip(at.astype(int), 0, self._each.shape[1] - 1)
        sums = self._each.take(low, axis=1)
        sums *= (at - low).astype(np.float32)
        sums += self._before.take(low, axis=1)
        inside = sums[:, 1:] - sums[:, :-1]
        wide = np.diff(at).astype(np.float32)
        inside /= np.where(wide > 0, wide, np.inf)
        return _Bins(inside[0], inside[1:])


def _summing(step: int) -> tuple[Singles, Singles, Singles]:
    """What sums `_AT_ONCE` bins and those about them into windows `step` bins apart.

    Weights of bins in W windows, the same times cosine and sine, and times what their squares and
    product are: (`_AT_ONCE`, 2 each W), of each block of bins in its own windows and in those of
    the block before, since all they reach beyond is in it.
    """
    bins = np.arange(2 * _AT_ONCE) - _REACH
    offset = bins - (np.arange(0, _AT_ONCE, step)[:, None] + (step - 1) / 2)
    window = np.where(np.abs(offset) <= _REACH, np.exp(-0.5 * (offset / _BINS) ** 2), 0.0)
    angle = 2 * np.pi * (bins + 0.5) / _BINS
    cosine, sine = np.cos(angle), np.sin(angle)
    once, twice = (cosine, sine), (cosine**2, cosine * sine, sine**2)

    def of_blocks(weights: Floats) -> Singles:
        """Both blocks' bins side by side."""
        blocks = weights.T.reshape(2, _AT_ONCE, -1).astype(np.float32)
        return np.concatenate([blocks[0], blocks[1]], axis=1)

    return (
        of_blocks(window),
        of_blocks(np.concatenate([window * wave for wave in once])),
        of_blocks(np.concatenate([window * wave for wave in twice])),
    )


_SUMMING: Final = {step: _summing(step) for step in (_STEP, _BINS)}
_FULL: Final = float(np.exp(-0.5 * (np.arange(0.5 - _REACH, _REACH) / _BINS) ** 2).sum())
"""Weight of a window all seen."""


def _blocks(rows: Sequence[Singles]) -> Singles:
    """Rows of bins in blocks of `_AT_ONCE`, (k, blocks, `_AT_ONCE`), nothing beyond their ends."""
    count = rows[0].shape[-1]
    blocks = -(-count // _AT_ONCE) + 1
    padded = np.zeros((sum(len(some) for some in rows), blocks * _AT_ONCE), np.float32)
    np.concatenate(rows, out=padded[:, _REACH : _REACH + count])
    return padded.reshape(len(padded), blocks, _AT_ONCE)


def _sums(blocks: Singles, weights: Singles, each: int) -> Floats:
    """(each, k, m) sums over windows; the weights hold `each` kinds of them."""
    k, count, _ = blocks.shape
    parts = (blocks.reshape(-1, _AT_ONCE) @ weights).reshape(k, count, 2, each, -1)
    summed = parts[:, :-1, 0] + parts[:, 1:, 1]
    return summed.transpose(2, 0, 1, 3).reshape(each, k, -1).astype(float)


def _local_waves(bins: _Bins, squares: Singles, step: int) -> _LocalWaves:
    """Fit const + cos + sin in windows `step` bins apart, in the middle of as many bins each.

    `squares` (k, M) are the bins' own, or (1, M) their sum. Windows less than half seen are left
    out.
    """
    plain, once, twice = _SUMMING[step]
    k = len(bins.weighed)
    blocks = _blocks([bins.seen[None], bins.weighed, squares])
    (sums,) = _sums(blocks, plain, 1)
    window = np.flatnonzero(sums[0] >= _COVERED * _FULL)
    sums = sums[:, window]
    n, y = sums[0], sums[1 : 1 + k]
    waving = _sums(blocks[: 1 + k], once, 2)[..., window]
    (c, s), (yc, ys) = waving[:, 0], waving[:, 1:]
    cc, cs, ss = _sums(blocks[:1], twice, 3)[:, 0, window]
    # The mean taken off first, two unknowns are left.
    mean = y / n
    cc, cs, ss = cc - c * c / n, cs - c * s / n, ss - s * s / n
    yc, ys = yc - c * mean, ys - s * mean
    det = np.maximum(cc * ss - cs * cs, 1e-9 * n * n)
    a, b = (ss * yc - cs * ys) / det, (cc * ys - cs * yc) / det
    return _LocalWaves(
        window=window,
        in_phase=a.T,
        out_of_phase=b.T,
        explained=np.maximum(a * yc + b * ys, 0.0).T,
        squares=sums[1 + k :].T,
        of_means=(mean * y).T,
    )


def wave_shares(
    values: Reals, weight: Floats, s_mm: Floats, frequencies_per_mm: Floats, least: float = 0.0
) -> Floats:
    """Share (q,) of the signals' local variance that a wave of each frequency explains.

    `values` (n, k), `weight` (n,), `s_mm` (n,) evenly spaced. NaN where less than three windows'
    worth was seen, and for every second frequency where those between show that none comes near to
    the `least` share that counts; they should lie 8 % apart for that.
    """
    out = np.full(len(frequencies_per_mm), np.nan)
    pooled = _Pooled(values, weight, s_mm)
    out[::2] = _shares(pooled, frequencies_per_mm[::2])
    if np.nan_to_num(out).max(initial=0.0) >= _NEARLY * least:
        out[1::2] = _shares(pooled, frequencies_per_mm[1::2])
    return out


def _shares(pooled: _Pooled, frequencies_per_mm: Floats) -> Floats:
    """Shares (q,) of each frequency."""
    out = np.full(len(frequencies_per_mm), np.nan)
    if not len(out):
        # Too few samples to a width for any wave of it.
        return out
    # All of them in one row, with room between them that no window reaches across.
    periods = (pooled.length_mm * frequencies_per_mm).astype(int)
    first = np.cumsum([0, *(periods + _APART)])
    edges = [
        pooled.start_mm + np.arange(count * _BINS + _APART * _BINS) / (_BINS * frequency)
        for count, frequency in zip(periods, frequencies_per_mm, strict=True)
    ]
    for some, count in zip(edges, periods, strict=True):
        some[count * _BINS + 1 :] = some[count * _BINS]
    bins = pooled.bins(np.concatenate(edges))
    waves = _local_waves(bins, bins.squares.sum(axis=0, keepdims=True), _BINS)
    owner = np.searchsorted(first, waves.window, side="right") - 1
    varied = np.maximum(waves.squares[:, 0] - waves.of_means.sum(axis=1), 1e-12)
    explained, total = (
        np.bincount(owner, of, len(out)) for of in (waves.explained.sum(axis=1), varied)
    )
    known = np.bincount(owner, minlength=len(out)) >= _FEWEST
    out[known] = explained[known] / total[known]
    return out


def follow_wave(
    values: Reals, weight: Floats, s_mm: Floats, frequency_per_mm: float
) -> FollowedWave | None:
    """The wave near one frequency in signals (n, k), counted by its phase; None if out of sight."""
    # Some of many signals, of every row and channel some, tell where to look with all of them.
    some = values[:, ::_EVERY] if values.shape[1] > _MANY else values
    for pooled in (_Pooled(some, weight, s_mm), _Pooled(values, weight, s_mm)):
        bin_mm = 1.0 / (_BINS * frequency_per_mm)
        count = int(pooled.length_mm / bin_mm)
        edges = np.asarray(pooled.start_mm + np.arange(count + 1) * bin_mm, float)
        bins = pooled.bins(edges)
        waves = _local_waves(bins, bins.squares, _STEP)
        if len(waves.window) < 5:
            return None
        centre_mm = edges[0] + (waves.window + 0.5) * _STEP * bin_mm
        total = np.maximum(waves.squares - waves.of_means, 1e-12)
        spread = np.sqrt(total.mean(axis=0)) + 1e-12
        course, strongest, together = _common(waves.amplitude / spread)
        runs = _runs(centre_mm, 2.5 / frequency_per_mm)
        phases = _phases(course, runs)
        turned, length, wobble = _counted(centre_mm, course, phases, runs)
        if length <= 0:
            return None
        frequency = frequency_per_mm + turned / length
        if not 0.6 < frequency / frequency_per_mm < 1.6:
            return None
        frequency_per_mm = float(frequency)
    local = _local_frequency(centre_mm, phases, runs)
    return FollowedWave(
        frequency_per_mm=frequency_per_mm,
        u_relative=wobble / (frequency_per_mm * length),
        periods=frequency_per_mm * length,
        share=float(waves.explained.sum() / total.sum()),
        together=together,
        signals=strongest * spread * float(np.sqrt(np.mean(np.abs(course) ** 2))),
        centre_mm=centre_mm,
        local_per_mm=frequency_per_mm + local,
        turned=phases + frequency_per_mm * (centre_mm - pooled.start_mm),
    )


def _common(amplitude: Complexes) -> tuple[Complexes, Complexes, float]:
    """What amplitudes (m, k) have in common: its course (m,), its share of each signal (k,), and
    the share of all power that is it; the first singular vectors, by way of the smaller product."""
    size, vectors = np.linalg.eigh(amplitude.conj().T @ amplitude)
    strongest = vectors[:, -1]
    return amplitude @ strongest, strongest.conj(), float(size[-1] / max(size.sum(), 1e-300))


def _runs(centre_mm: Floats, farthest_mm: float) -> list[NDArray[np.int_]]:
    """Windows that follow one another without a gap in which a period could be lost."""
    cuts = np.flatnonzero(np.diff(centre_mm) > farthest_mm) + 1
    return [run for run in np.split(np.arange(len(centre_mm)), cuts) if len(run) >= 3]


def _phases(course: Complexes, runs: list[NDArray[np.int_]]) -> Floats:
    """Periods that the reference lacks at each window, (m,), run by run; NaN outside of runs."""
    out = np.full(len(course), np.nan)
    for run in runs:
        out[run] = np.unwrap(np.angle(course[run])) / (2 * np.pi)
    return out


def _counted(
    centre_mm: Floats, course: Complexes, phases: Floats, runs: list[NDArray[np.int_]]
) -> tuple[float, float, float]:
    """Periods more than the reference has, the length they were counted over, and their doubt.

    A run's slope is that of a line through its phases, each weighed by its strength; the doubt is
    how far phases that are independent stray from smoothness, at both ends of every run.
    """
    turned, length, doubt = 0.0, 0.0, 0.0
    for run in runs:
        phase, s = phases[run], centre_mm[run]
        weight = np.abs(course[run]) ** 2 + _LEAST_POWER
        # Ends a little inside: a count over the whole run, less troubled by its first window.
        edge = min(max(1, len(run) // 6), 6)
        first, last = slice(None, edge), slice(-edge, None)
        a, b = (weight[i] @ s[i] / weight[i].sum() for i in (first, last))
        pa, pb = (weight[i] @ phase[i] / weight[i].sum() for i in (first, last))
        turned += float(pb - pa)
        length += float(b - a)
        doubt += 2.0 * float(np.mean((phase - _smooth(phase)) ** 2))
    return turned, length, float(np.sqrt(doubt))


def _smooth(phase: Floats) -> Floats:
    """Running means of 13 phases, mirrored through the ends."""
    reach = min(6, len(phase) - 1)
    before, after = 2 * phase[0] - phase[reach:0:-1], 2 * phase[-1] - phase[-2 : -reach - 2 : -1]
    size = 2 * reach + 1
    whole = np.concatenate([before, phase, after])
    return np.asarray(np.convolve(whole, np.full(size, 1.0 / size), mode="valid"))


def _local_frequency(centre_mm: Floats, phases: Floats, runs: list[NDArray[np.int_]]) -> Floats:
    """Change of phase over two standard deviations of a window, as a frequency, (m,)."""
    out = np.full(len(centre_mm), np.nan)
    for run in runs:
        phase, s = phases[run], centre_mm[run]
        reach = min(4, (len(run) - 1) // 2)
        i = np.arange(len(run))
        low, high = np.maximum(i - reach, 0), np.minimum(i + reach, len(run) - 1)
        out[run] = (phase[high] - phase[low]) / (s[high] - s[low])
    return out


def multiples_of(
    wave: FollowedWave,
    multiples: Sequence[float],
    values: Floats,
    weight: Floats,
    s_mm: Floats,
) -> Complexes | None:
    """Amplitudes (q, k) of signals (n, k) at multiples of a wave's own phase, fitted together.

    None where too little of the signals lies where the wave was followed.
    """
    turned = np.interp(s_mm, wave.centre_mm, wave.turned, left=np.nan, right=np.nan)
    kept = np.isfinite(turned) & (weight > 0)
    if kept.sum() < 8 * len(multiples):
        return None
    angle = 2 * np.pi * turned[kept, None] * np.asarray(multiples)
    basis = np.concatenate([np.ones((kept.sum(), 1)), np.cos(angle), np.sin(angle)], axis=1)
    weighed = basis * weight[kept, None]
    gram = weighed.T @ basis
    gram += 1e-9 * np.trace(gram) * np.eye(len(gram))
    fit = np.linalg.solve(gram, weighed.T @ values[kept])
    count = len(multiples)
    return np.asarray(fit[1 : count + 1] - 1j * fit[count + 1 :])
