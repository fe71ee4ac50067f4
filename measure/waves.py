"""Waves along a strand in signals with gaps: how strong at each frequency, and followed by phase.

Several signals that carry the same wave, each with its own strength and phase, are followed
together by the first singular vectors of their local amplitudes (`measure.local_waves`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.local_waves import BINS, STEP, Edges, Pooled, local_waves
from measure.wave_spectrum import shares_by_spectrum

Floats = NDArray[np.float64]
Reals = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_EVERY: Final = 4
_MANY: Final = 12
_FEWEST: Final = 3
"""Windows from which a frequency's share is told."""
_LEAST_POWER: Final = 1e-20
"""Weight left to a place where there is no wave at all, so that means stay numbers."""
_NEARLY: Final = 0.7
"""Least share that a wave explains at the next frequency, over its own: a window of one period's
standard deviation falls to exp(-(2 pi 0.08)^2) = 0.78 there."""
_ROUGHLY: Final = 0.55
"""Least of what the spectrum tells of a share, over the share: of waves as fast and strands as well
seen as below, none that came near to counting had less than 0.59 (440 drawn and rendered, ours)."""
_FAST: Final = 4.0
"""Times the slowest frequency, or ..."""
_MANY_PERIODS: Final = 20.0
"""... periods along the strand, and ..."""
_MOSTLY: Final = 0.8
"""... share of the samples that must have been seen, from which the spectrum is asked."""
_APART: Final = 3
"""Periods between the bins of two frequencies: more than a window reaches."""


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


def wave_shares(
    values: Reals, weight: Floats, s_mm: Floats, frequencies_per_mm: Floats, least: float = 0.0
) -> Floats:
    """Share (q,) of the signals' local variance that a wave of each frequency explains.

    `values` (n, k), `weight` (n,), `s_mm` (n,) evenly spaced. NaN where less than three windows'
    worth was seen, and where the signals' spectrum, or the frequencies next to it, which should lie
    8 % apart, show that none comes near to the `least` share that counts.
    """
    out = np.full(len(frequencies_per_mm), np.nan)
    if not len(out):
        # Too few samples to a width for any wave of it.
        return out
    pitch_mm = float(s_mm[1] - s_mm[0])
    slow = np.ones(len(out), bool)
    if np.count_nonzero(weight) > _MOSTLY * len(weight):
        fast = min(_FAST * frequencies_per_mm[0], _MANY_PERIODS / (len(s_mm) * pitch_mm))
        slow = frequencies_per_mm < fast
    first = slow & (np.arange(len(out)) % 2 == 0)
    if not slow.all():
        rough = shares_by_spectrum(values, weight, pitch_mm, frequencies_per_mm[~slow], BINS)
        first[~slow] = rough >= _ROUGHLY * least
    if not first.any():
        return out
    pooled = Pooled(values, weight, s_mm)
    out[first] = _shares(pooled, frequencies_per_mm[first])
    rest = slow & ~first
    if rest.any() and np.nan_to_num(out).max() >= _NEARLY * least:
        out[rest] = _shares(pooled, frequencies_per_mm[rest])
    return out


def _shares(pooled: Pooled, frequencies_per_mm: Floats) -> Floats:
    """Shares (q,) of each frequency."""
    out = np.full(len(frequencies_per_mm), np.nan)
    # All of them in one row, with room between them that no window reaches across.
    periods = (pooled.length_mm * frequencies_per_mm).astype(int)
    many = periods + _APART
    first = np.cumsum(many) - many
    wide = 1.0 / (BINS * frequencies_per_mm * pooled.pitch_mm)
    bins = many * BINS
    in_turn = np.arange(bins.sum()) - np.repeat(BINS * first, bins)
    counted = np.repeat(BINS * periods, bins)
    at = np.minimum(in_turn, counted) * np.repeat(wide, bins)
    per_sample = (in_turn < counted) * np.repeat((1.0 / wide).astype(np.float32), bins)
    pooled_bins = pooled.bins(Edges(np.append(at, at[-1]), per_sample))
    waves = local_waves(pooled_bins, pooled_bins.squares.sum(axis=0, keepdims=True), BINS)
    owner = np.searchsorted(first, waves.window, side="right") - 1
    varied = np.maximum(waves.squares[:, 0] - waves.of_means.sum(axis=1), np.float32(1e-12))
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
    whole = some = Pooled(values, weight, s_mm)
    if values.shape[1] > _MANY:
        some = Pooled(values[:, ::_EVERY], weight, s_mm)
    for pooled in (some, whole):
        bin_mm = 1.0 / (BINS * frequency_per_mm)
        count = int(pooled.length_mm / bin_mm)
        wide = bin_mm / pooled.pitch_mm
        per_sample = np.full(count, 1.0 / wide, np.float32)
        bins = pooled.bins(Edges(np.arange(count + 1.0) * wide, per_sample))
        waves = local_waves(bins, bins.squares, STEP)
        if len(waves.window) < 5:
            return None
        centre_mm = np.asarray(pooled.start_mm + (waves.window + 0.5) * STEP * bin_mm, float)
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
