"""Waves along a strand in signals with gaps: how strong at each frequency, and followed by phase.

Every fit is a least-squares sinusoid with a mean of its own under a Gaussian window (the floating
mean periodogram of Zechmeister and Kürster 2009, taken locally), so places that were not seen
just weigh nothing. Several signals that carry the same wave, each with its own strength and
phase, are followed together by the first singular vectors of their local amplitudes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PERIODS: Final = 1.0
"""Standard deviation of a window, in periods of the wave looked for."""
_COVERED: Final = 0.5
"""Least share of a window's weight that must have been seen."""
_SAMPLES_A_PERIOD: Final = 8.0
_WINDOW_REACH: Final = 2.6
"""Standard deviations at which a window ends."""


@dataclass(frozen=True)
class LocalWaves:
    """One frequency's waves in m windows of k signals; the phase counts from s = 0."""

    centre_mm: Floats
    """(m,)"""
    amplitude: Complexes
    """(m, k)"""
    explained: Floats
    """(m, k) weighted sum of squares that the wave explains."""
    total: Floats
    """(m, k) weighted sum of squares about the mean."""


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


def local_waves(
    values: Floats,
    weight: Floats,
    s_mm: Floats,
    frequency_per_mm: float,
    sigma_mm: float,
    step_sigma: float,
) -> LocalWaves:
    """Fit const + cos + sin of one frequency in Gaussian windows `step_sigma` sigmas apart.

    `values` (n, k), `weight` (n,), `s_mm` (n,) evenly spaced. Windows less than half seen are
    left out.
    """
    few = max(1, int(1.0 / (_SAMPLES_A_PERIOD * frequency_per_mm * (s_mm[1] - s_mm[0]))))
    if few > 1:
        values, weight, s_mm = _pooled(values, weight, s_mm, few)
    pitch = float(s_mm[1] - s_mm[0])
    reach = max(2, round(_WINDOW_REACH * sigma_mm / pitch))
    offset = np.arange(-reach, reach + 1) * pitch
    window = np.exp(-0.5 * (offset / sigma_mm) ** 2)
    angle = 2 * np.pi * frequency_per_mm * offset
    basis = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    pairs = (basis[:, :, None] * basis[:, None, :]).reshape(-1, 9) * window[:, None]

    centre = np.arange(0, len(s_mm), max(1, round(step_sigma * sigma_mm / pitch)))
    seen = _windows(weight[:, None], reach)[centre, 0]
    gram = (seen @ pairs).reshape(-1, 3, 3)
    kept = gram[:, 0, 0] >= _COVERED * window.sum()
    centre, gram = centre[kept], gram[kept]
    k = values.shape[1]
    both = np.concatenate([values, values * values], axis=1) * weight[:, None]
    pieces = _windows(both, reach)[centre]
    right = (pieces[:, :k] @ (basis * window[:, None])).transpose(0, 2, 1)
    square = pieces[:, k:] @ window
    mean_square = right[:, 0] ** 2 / gram[:, 0, 0, None]
    fit = np.linalg.solve(gram + 1e-9 * window.sum() * np.eye(3), right)
    explained = np.einsum("mak,mak->mk", fit, right) - mean_square
    turn = np.exp(-2j * np.pi * frequency_per_mm * s_mm[centre])
    return LocalWaves(
        centre_mm=s_mm[centre],
        amplitude=(fit[:, 1] - 1j * fit[:, 2]) * turn[:, None],
        explained=np.maximum(explained, 0.0),
        total=np.maximum(square - mean_square, 1e-12),
    )


def _windows(values: Floats, reach: int) -> Floats:
    """Every place's neighbourhood (n, k, 2 reach + 1) of values (n, k), nothing beyond the ends."""
    padded = np.pad(values, ((reach, reach), (0, 0)))
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=0)


def _pooled(
    values: Floats, weight: Floats, s_mm: Floats, few: int
) -> tuple[Floats, Floats, Floats]:
    """Means of `few` samples each."""
    n = len(s_mm) // few * few
    w = weight[:n].reshape(-1, few)
    total = w.sum(axis=1)
    safe = np.maximum(total, 1e-9)
    mean = (values[:n].reshape(-1, few, values.shape[1]) * w[..., None]).sum(axis=1)
    return mean / safe[:, None], total / few, s_mm[:n].reshape(-1, few).mean(axis=1)


def wave_shares(values: Floats, weight: Floats, s_mm: Floats, frequencies_per_mm: Floats) -> Floats:
    """Share (q,) of the signals' local variance that a wave of each frequency explains.

    NaN where less than three windows' worth was seen.
    """
    out = np.full(len(frequencies_per_mm), np.nan)
    for i, frequency in enumerate(frequencies_per_mm):
        sigma = PERIODS / frequency
        waves = local_waves(values, weight, s_mm, float(frequency), sigma, 1.0)
        if len(waves.centre_mm) >= 3:
            out[i] = waves.explained.sum() / waves.total.sum()
    return out


def follow_wave(
    values: Floats, weight: Floats, s_mm: Floats, frequency_per_mm: float
) -> FollowedWave | None:
    """The wave near one frequency in signals (n, k), counted by its phase; None if out of sight."""
    sigma = PERIODS / frequency_per_mm
    for _ in range(2):
        waves = local_waves(values, weight, s_mm, frequency_per_mm, sigma, 0.25)
        if len(waves.centre_mm) < 5:
            return None
        spread = np.sqrt(waves.total.sum(axis=0) / waves.total.shape[0]) + 1e-12
        left, size, right = np.linalg.svd(waves.amplitude / spread, full_matrices=False)
        course = left[:, 0] * size[0]
        runs = _runs(waves.centre_mm, 2.5 * sigma)
        turned, length, wobble = _counted(waves.centre_mm, course, runs)
        if length <= 0:
            return None
        frequency = frequency_per_mm + turned / length
        if not 0.6 < frequency / frequency_per_mm < 1.6:
            return None
        frequency_per_mm, sigma = float(frequency), PERIODS / float(frequency)
    local = _local_frequency(waves.centre_mm, course, runs)
    return FollowedWave(
        frequency_per_mm=frequency_per_mm,
        u_relative=wobble / (frequency_per_mm * length),
        periods=frequency_per_mm * length,
        share=float(waves.explained.sum() / waves.total.sum()),
        together=float(size[0] ** 2 / np.sum(size**2)),
        signals=right[0] * spread * float(np.sqrt(np.mean(np.abs(course) ** 2))),
        centre_mm=waves.centre_mm,
        local_per_mm=frequency_per_mm + local,
    )


def _runs(centre_mm: Floats, farthest_mm: float) -> list[NDArray[np.int_]]:
    """Windows that follow one another without a gap in which a period could be lost."""
    cuts = np.flatnonzero(np.diff(centre_mm) > farthest_mm) + 1
    return [run for run in np.split(np.arange(len(centre_mm)), cuts) if len(run) >= 3]


def _counted(
    centre_mm: Floats, course: Complexes, runs: list[NDArray[np.int_]]
) -> tuple[float, float, float]:
    """Periods more than the reference has, the length they were counted over, and their doubt.

    A run's slope is that of a line through its phases, each weighed by its strength; the doubt is
    how far phases that are independent stray from smoothness, at both ends of every run.
    """
    turned, length, doubt = 0.0, 0.0, 0.0
    for run in runs:
        phase = np.unwrap(np.angle(course[run])) / (2 * np.pi)
        s = centre_mm[run]
        weight = np.abs(course[run]) ** 2
        # Ends a little inside: a count over the whole run, less troubled by its first window.
        edge = min(max(1, len(run) // 6), 6)
        first, last = slice(None, edge), slice(-edge, None)
        a, b = (np.average(s[i], weights=weight[i]) for i in (first, last))
        pa, pb = (np.average(phase[i], weights=weight[i]) for i in (first, last))
        turned += float(pb - pa)
        length += float(b - a)
        smooth = np.convolve(np.pad(phase, 6, mode="reflect", reflect_type="odd"), np.ones(13) / 13)
        doubt += 2.0 * float(np.mean((phase - smooth[12:-12]) ** 2))
    return turned, length, float(np.sqrt(doubt))


def _local_frequency(centre_mm: Floats, course: Complexes, runs: list[NDArray[np.int_]]) -> Floats:
    """Change of phase over two standard deviations of a window, as a frequency, (m,)."""
    out = np.full(len(centre_mm), np.nan)
    for run in runs:
        phase = np.unwrap(np.angle(course[run])) / (2 * np.pi)
        s = centre_mm[run]
        reach = min(4, (len(run) - 1) // 2)
        i = np.arange(len(run))
        low, high = np.maximum(i - reach, 0), np.minimum(i + reach, len(run) - 1)
        out[run] = (phase[high] - phase[low]) / (s[high] - s[low])
    return out
