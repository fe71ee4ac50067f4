"""Bare ground beside a strand: how bright it is, how noisy, and how the light changes across it.

Read once for every stretch of a region from what lies clear of the strand, and carried to its cuts.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.medians import medians
from measure.regions import Region

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

PER_CUT: Final = 4
"""Steps of the centreline in one cut."""

_CLEAR_OF_SHADOW: Final = 2.5
"""Widths from the centreline beyond which shadows have faded below the light's own slope."""
_SLOPE_SD: Final = 0.003


def read_levels(
    region: Region,
    u: Singles,
    light: Singles,
    total: Singles,
    valid: NDArray[np.bool_],
    stretch: NDArray[np.int_],
    along: Floats,
    width_mm: float,
) -> tuple[Singles, Singles, Singles, Singles]:
    """Bare ground (n, C), white paper (n, C), relative slope across (n,) and noise (n, C)."""
    n, _, channels = light.shape
    count = len(region.stretches)
    half = float(np.abs(u).max())
    edge = max(0.62 * half, min(width_mm, 0.8 * half))
    level = np.full((count, channels), np.nan)
    slope = np.zeros(count)
    noise = np.full((count, channels), np.nan)
    for number in range(count):
        chosen = np.nonzero(valid & (stretch == number))[0]
        if not len(chosen):
            continue
        picked = chosen[:: max(1, len(chosen) // 12)]
        places, full = u[picked], total[picked]
        there = (np.abs(places) > edge) & (full > 0.6 * PER_CUT)
        if np.count_nonzero(there) < 12:
            there = (np.abs(places) > 0.5 * half) & (full > 0)
        if np.count_nonzero(there) < 12:
            continue
        # Channels first: NumPy is quick along long axes only.
        shown = np.ascontiguousarray(light[picked].transpose(2, 0, 1))
        values = shown[:, there]
        away = np.abs(values - _middles(values)[:, None]).max(axis=0)
        keep = away <= 4.0 * 1.4826 * _middles(away[None])[0] + 1e-6
        values = values[:, keep]
        level[number] = np.maximum(values.mean(axis=1), 1e-4)
        slope[number] = _light_slope(places[there][keep], values, level[number], width_mm)
        # Noise from neighbours across, which share the light.
        steps = np.abs(np.diff(shown, axis=2)[:, there[:, 1:] & there[:, :-1]])
        if steps.shape[1] < 12:
            noise[number] = values.std(axis=1)
        else:
            noise[number] = 1.4826 / np.sqrt(2.0) * _middles(steps)
    return _fill(region, level, slope, noise, stretch, along, light, n)


def _middles(values: Singles) -> Singles:
    """The upper median of each row."""
    middle = values.shape[1] // 2
    return np.partition(values, middle, axis=1)[:, middle]


def _light_slope(x: Singles, values: Singles, level: Floats, width_mm: float) -> float:
    """Relative change of the light (C, m) per mm across, from ground clear of shadows, or 0.

    All channels share it: what differs between them is light thrown by a dyed strand. Held near
    zero, since few lamps change by more than half a per cent per millimetre.
    """
    clear = np.abs(x) > _CLEAR_OF_SHADOW * width_mm
    u = x[clear]
    if len(u) < 24 or u.min() > 0 or u.max() < 0:
        return 0.0
    relative = (1 / (len(level) * level)) @ values[:, clear]
    scatter = max(float(relative.std()), 2e-3)
    away = u - u.mean()
    spread = float(away @ away)
    information = spread / scatter**2
    return float(away @ relative) / spread * information / (information + _SLOPE_SD**-2)


def _fill(
    region: Region,
    level: Floats,
    slope: Floats,
    noise: Floats,
    stretch: NDArray[np.int_],
    along: Floats,
    light: Singles,
    n: int,
) -> tuple[Singles, Singles, Singles, Singles]:
    """Per-stretch figures carried to every cut; white interpolated between light stretches."""
    channels = level.shape[1]
    middles = np.array([0.5 * (s.from_mm + s.to_mm) for s in region.stretches])
    bright = np.array([s.ground == "light" for s in region.stretches])
    have = np.isfinite(level[:, 0])
    bright &= have
    per_cut, white, slopes = np.ones((n, channels)), np.ones((n, channels)), np.zeros(n)
    noises = np.full((n, channels), 0.01)
    if have.any():
        typical_level, typical_noise = (
            medians(level[have]),
            medians(noise[have]),
        )
        per_cut = np.where(have[:, None], level, typical_level)[stretch]
        noises = np.where(have[:, None], noise, typical_noise)[stretch]
        # White is read on light stretches; without them the ground counts for it where nothing
        # in the cuts is much brighter.
        known, top = bright, np.zeros(channels)
        if not bright.any():
            top = np.percentile(light[::PER_CUT], 98.0, axis=(0, 1))
            known = have
        by_top = typical_level <= 0.5 * top
        for c in range(channels):
            white[:, c] = top[c] if by_top[c] else np.interp(along, middles[known], level[known, c])
        # The slope of the light is read on white paper, where it shows best.
        if not by_top.all():
            slopes = np.interp(along, middles[known], slope[known])
    return (
        per_cut.astype(np.float32),
        white.astype(np.float32),
        slopes.astype(np.float32),
        np.maximum(noises, 3e-4).astype(np.float32),
    )
