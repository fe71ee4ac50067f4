"""Bare ground beside a strand: how bright it is, how noisy, and how the light changes across it.

Read once for every stretch of a region from what lies clear of the strand, and carried to its cuts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.medians import medians, quantile
from measure.regions import Region

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

PER_CUT: Final = 4
"""Steps of the centreline in one cut."""

_CLEAR_OF_SHADOW: Final = 2.5
"""Widths from the centreline beyond which shadows have faded below the light's own slope."""
_CLEAR_OF_OTHERS: Final = 10.0
"""Half widths of another strand within which its own shade slopes the light (1 % at that)."""
_SLOPE_SD: Final = 0.003
_PICKED: Final = 12
"""Cuts of a stretch that suffice to tell its ground."""
_FEWEST: Final = 12
"""Samples of bare ground without which it is not read."""


@dataclass(frozen=True, eq=False)
class Seen:
    """What n cuts show of a strand and of what lies beside it, J samples each."""

    u_mm: Singles
    """(n, J) where along u,"""
    light: Singles
    """(C, n, J) how bright,"""
    total: Singles
    """(n, J) and by how many quarters' pixels,"""
    share: Singles
    """(J,) of which there are so many of a full sample's at each place."""
    width_mm: float
    others_mm: Floats
    """(n, m, 3) where along u other strands lie, their half widths and brightnesses."""


def read_levels(
    region: Region,
    seen: Seen,
    valid: NDArray[np.bool_],
    stretch: NDArray[np.int_],
    along: Floats,
    slope_u: Singles | None,
) -> tuple[Singles, Singles, Singles, Singles]:
    """Bare ground (n, C), white paper (n, C), relative slope across (n,) and noise (n, C).

    `slope_u` (n,) is that slope where the card's paper told it.
    """
    channels = len(seen.light)
    count = len(region.stretches)
    level = np.full((count, channels), np.nan)
    slope = np.zeros(count)
    noise = np.full((count, channels), np.nan)
    usable = np.nonzero(valid)[0]
    cuts = np.bincount(stretch[usable], minlength=count)
    shown = np.nonzero(cuts)[0]
    if len(shown):
        # Cuts come in the order of their stretches.
        last = np.cumsum(cuts)[shown] - 1
        evenly = (cuts[shown, None] - 1) * np.arange(_PICKED) // (_PICKED - 1)
        picked = usable[(last - cuts[shown] + 1)[:, None] + evenly]
        found = _read(seen, picked, slope_u is None)
        level[shown], slope[shown], noise[shown] = found
    level_, white, slopes, noises = _fill(region, level, slope, noise, stretch, along, seen.light)
    return level_, white, slopes if slope_u is None else slope_u, noises


def _read(seen: Seen, picked: NDArray[np.intp], sloping: bool) -> tuple[Floats, Floats, Floats]:
    """Level (s, C), slope (s,) if asked for, and noise (s, C) of s stretches by some cuts of each.

    `picked` (s, k) are these cuts. NaN where too little ground shows.
    """
    u, light, total, share, width_mm = (
        seen.u_mm,
        seen.light,
        seen.total,
        seen.share,
        seen.width_mm,
    )
    half = float(np.abs(u[:, [0, -1]]).max())
    edge = max(0.62 * half, min(width_mm, 0.8 * half))
    beside = np.nonzero(np.abs(u[picked[:, 0]]).max(axis=0) > min(edge, 0.5 * half))[0]
    places, full = u[picked].take(beside, axis=-1), total[picked].take(beside, axis=-1)
    there = (np.abs(places) > edge) & (full > 0.6 * PER_CUT * share[beside])
    poor = np.count_nonzero(there, axis=(1, 2)) < _FEWEST
    there[poor] = (np.abs(places[poor]) > 0.5 * half) & (full[poor] > 0)
    shown = np.ascontiguousarray(light[:, picked].take(beside, axis=-1).swapaxes(0, 1))
    flat, mask = shown.reshape(*shown.shape[:2], -1), there.reshape(len(there), 1, -1)
    away = flat - _middles(flat, mask)[..., None]
    away = np.abs(away, out=away).max(axis=1, keepdims=True)
    keep = mask & (away <= 4.0 * 1.4826 * _middles(away, mask)[..., None] + 1e-6)
    number = np.maximum(np.count_nonzero(keep, axis=2), 1)
    level = np.maximum((flat * keep).sum(axis=2, dtype=float) / number, 1e-4)
    slope = np.zeros(len(flat))
    if sloping:
        clear = np.abs(places) > _CLEAR_OF_SHADOW * width_mm
        for other_mm in seen.others_mm[picked].transpose(2, 3, 0, 1)[..., None]:
            clear &= np.abs(places - other_mm[0]) > _CLEAR_OF_OTHERS * other_mm[1]
        clear = clear.reshape(len(flat), -1) & keep[:, 0]
        slope = _light_slope(places.reshape(len(flat), -1), flat, clear, level)
    # Noise from neighbours across, which share the light; samples of fewer pixels are noisier.
    steps = np.abs(np.diff(shown, axis=3))
    steps *= np.sqrt(np.minimum(share[beside][1:], share[beside][:-1]))
    both = there[..., 1:] & there[..., :-1] & (np.diff(beside) == 1)
    both = both.reshape(len(both), 1, -1)
    noise = 1.4826 / np.sqrt(2.0) * _middles(steps.reshape(*steps.shape[:2], -1), both)
    few = np.count_nonzero(both[:, 0], axis=1) < _FEWEST
    if few.any():
        square = (np.square(flat - level[..., None]) * keep).sum(axis=2) / number
        noise[few] = np.sqrt(square[few])
    unseen = np.count_nonzero(mask[:, 0], axis=1) < _FEWEST
    level[unseen] = noise[unseen] = np.nan
    slope[unseen] = 0.0
    return level, slope, noise


def _middles(values: Singles, mask: NDArray[np.bool_]) -> Singles:
    """The upper median of each row (..., m) of the values that the mask marks; 0 without any."""
    ordered = np.where(mask, values, np.float32(np.inf)).reshape(-1, values.shape[-1])
    ordered.sort(axis=-1)
    count = np.count_nonzero(mask, axis=-1)
    middle = np.broadcast_to(np.minimum(count // 2, values.shape[-1] - 1), values.shape[:-1])
    found = ordered[np.arange(len(ordered)), middle.reshape(-1)].reshape(values.shape[:-1])
    return np.where(np.isfinite(found), found, np.float32(0))


def _light_slope(
    places: Singles, values: Singles, clear: NDArray[np.bool_], level: Floats
) -> Floats:
    """Relative change of the light (s, C, m) per mm across, from ground clear of shadows, or 0.

    All channels share it: what differs between them is light thrown by a dyed strand. Held near
    zero, since few lamps change by more than half a per cent per millimetre.
    """
    count = np.count_nonzero(clear, axis=1)
    enough = (count >= 24) & (clear & (places < 0)).any(axis=1) & (clear & (places > 0)).any(axis=1)
    weight = clear / np.maximum(count, 1)[:, None]
    relative = ((1 / (level.shape[1] * level))[:, None] @ values)[:, 0]
    relative -= (weight * relative).sum(axis=1, keepdims=True)
    scatter = np.maximum(np.sqrt((weight * np.square(relative)).sum(axis=1)), 2e-3)
    away = np.where(clear, places - (weight * places).sum(axis=1, keepdims=True), 0.0)
    spread = np.maximum(np.square(away).sum(axis=1), 1e-12)
    information = spread / scatter**2
    found = (away * relative).sum(axis=1) / spread * information / (information + _SLOPE_SD**-2)
    return np.where(enough, found, 0.0)


def _fill(
    region: Region,
    level: Floats,
    slope: Floats,
    noise: Floats,
    stretch: NDArray[np.int_],
    along: Floats,
    light: Singles,
) -> tuple[Singles, Singles, Singles, Singles]:
    """Per-stretch figures carried to every cut; white interpolated between light stretches."""
    channels, n, _ = light.shape
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
            top = np.array([quantile(light[c, ::PER_CUT], 0.98) for c in range(channels)])
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
