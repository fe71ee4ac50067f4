"""The waves of its plies in a strand's edges and on its face, told apart from unevenness."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.ply_count import PLIES, Winding, edge_swing, swing, winding
from measure.ply_signs import PlySigns
from measure.straightened import Straightened
from measure.waves import FollowedWave, follow_wave, multiples_of, wave_shares

Floats = NDArray[np.float64]

_LOWEST: Final = 0.10
"""Bumps to one strand width of the softest ply looked for: two plies at 9 degrees."""
_HIGHEST: Final = 1.75
"""The same of the hardest: four plies at 54 degrees."""
_LOG_STEP: Final = 0.08
"""Half of how sharply a window of one period's standard deviation tells frequencies apart."""
_NYQUIST: Final = 0.22
"""Highest frequency looked for, periods per column."""
_EDGE_SHARE: Final = 0.42
"""Least share of the edges' variance that plies' bumps explain; thick and thin places of singles
reach less (rendered and drawn yarn, ours)."""
_FEW_BUMPS: Final = 0.8
"""How much more where bumps are few, over their number: one slow sway may look like some."""
_FACE_SHARE: Final = 0.26
_FACE_ALONE: Final = 0.45
_STRIPES_SHARE: Final = 0.55
"""The same of stripes of colour, which explain most of what a face shows where they are there."""
_TOGETHER: Final = 0.6
_LEAST_SWING: Final = 0.4
"""Swing of the edges over that of four round plies below which no plies make it."""
_SWINGS_TOO: Final = 1.1
"""Times the edges' root mean square that a wave's own is at most, in windows that it is told by."""
_EDGES_SEEN: Final = 0.25
"""Mean weight of the edges from which bumps would have been seen."""
_HALVES: Final = (1.5, 2.5, 3.5)
_CLEAR: Final = 3.0
"""Swing of edges in step with the face over that at half multiples from which it counts."""
_PERIODS_SEEN: Final = 3.0
"""Bumps of the softest ply that the edges must have had room for."""
SAME: Final = 0.03
"""Relative difference within which two frequencies are those of one wave."""
FEWEST_WINDOWS: Final = 6


@dataclass(frozen=True)
class PlySights:
    """The wave that either cue shows, if plies make it."""

    edge: FollowedWave | None
    face: FollowedWave | None
    winding: Winding | None
    edge_share: float
    """Share of the edges' variance that their strongest wave explains, whatever makes it; 0 where
    they sway too little for plies."""
    even: bool
    """The edges were seen well, and no plies' bumps are in them."""
    edge_by_face: bool = False
    """The edges' wave was found by the face's phase, so that its frequency is no cue of its own."""


def bump_frequencies(straight: Straightened) -> Floats:
    """Frequencies per mm at which plies may bump, softest first."""
    width = 2.0 * straight.half_width_mm
    top = min(_HIGHEST / width, _NYQUIST / straight.step_mm)
    return np.asarray(np.exp(np.arange(math.log(_LOWEST / width), math.log(top), _LOG_STEP)))


def ply_sights(
    straight: Straightened, signs: PlySigns, blur_mm: float, frequencies: Floats
) -> PlySights:
    """What either cue shows of plies at those frequencies; the strongest wave is followed."""
    s = signs.s_mm
    face = signs.face.reshape(len(s), -1)
    few = signs.face[:, 1::4].reshape(len(s), -1)
    face_shares = wave_shares(few, signs.face_weight, s, frequencies, _FACE_SHARE)
    edge_shares = np.full(len(frequencies), np.nan)
    if len(frequencies) and _sway(signs, float(frequencies[-1]), blur_mm):
        edge_shares = wave_shares(signs.edge, signs.edge_weight, s, frequencies, _EDGE_SHARE)
    face_share, edge_share = _highest(face_shares), _highest(edge_shares)
    face_wave = edge_wave = None
    if face_share >= _FACE_SHARE:
        start = float(frequencies[int(np.nanargmax(face_shares))])
        face_wave = _followed(face, signs.face_weight, s, start)
    if edge_share >= _EDGE_SHARE:
        start = float(frequencies[int(np.nanargmax(edge_shares))])
        edge_wave = _bumps(_followed(signs.edge, signs.edge_weight, s, start), blur_mm)
        if edge_wave is not None and edge_share < _EDGE_SHARE + _FEW_BUMPS / edge_wave.periods:
            edge_wave = None
    if face_wave is not None and (edge_wave is None or not same_wave(face_wave, edge_wave)):
        # The edges' own strongest wave may be unevenness, or a colour they are blind to.
        start = face_wave.frequency_per_mm
        at_face = _followed(signs.edge, signs.edge_weight, s, start, face_wave)
        if at_face is not None and at_face.share >= 0.5 * _EDGE_SHARE:
            edge_wave = _bumps(at_face, blur_mm) or edge_wave
    if edge_wave is not None and face_wave is None:
        start = edge_wave.frequency_per_mm
        at_edge = _followed(face, signs.face_weight, s, start, edge_wave)
        if at_edge is not None and at_edge.share >= 0.5 * _FACE_SHARE:
            face_wave = at_edge
    in_step = None
    if edge_wave is None and face_wave is not None:
        in_step = edge_wave = _in_step(face_wave, signs, blur_mm)
    wound = None if face_wave is None else winding(face_wave, signs.face_xi)
    # A strand too short to show the softest plies' bumps is not said to have none.
    edges_seen_mm = float(np.sum(signs.edge_weight)) * straight.step_mm
    even = (
        edge_wave is None
        and float(np.mean(signs.edge_weight)) > _EDGES_SEEN
        and edges_seen_mm * _LOWEST / (2.0 * straight.half_width_mm) > _PERIODS_SEEN
    )
    striped = wound is not None and wound.striped
    if edge_wave is None and (
        face_share < _STRIPES_SHARE if striped else even or face_share < _FACE_ALONE
    ):
        # A single's own streaks may come back with every turn.
        face_wave = wound = None
    by_face = edge_wave is not None and edge_wave is in_step
    return PlySights(edge_wave, face_wave, wound, edge_share, even, by_face)


def _in_step(face: FollowedWave, signs: PlySigns, blur_mm: float) -> FollowedWave | None:
    """The edges' wave that runs with the face's, too weak to be followed alone but clear of what
    half multiples of it show by chance."""
    seen = multiples_of(face, (1.0, *_HALVES), signs.edge, signs.edge_weight, signs.s_mm)
    if seen is None:
        return None
    noise = math.sqrt(float(np.mean(np.abs(seen[1:]) ** 2)))
    size = math.sqrt(float(np.mean(np.abs(seen[0]) ** 2)))
    total = float(np.average(np.mean(signs.edge**2, axis=1), weights=signs.edge_weight))
    wave = replace(face, signals=seen[0], share=min(1.0, 0.5 * size**2 / total))
    return _bumps(wave, blur_mm) if size > _CLEAR * noise else None


def _bumps(wave: FollowedWave | None, blur_mm: float) -> FollowedWave | None:
    """An edges' wave, if it swings as far as plies make it."""
    if wave is None or swing(
        wave.signals, wave.frequency_per_mm, blur_mm
    ) < _LEAST_SWING * edge_swing(PLIES[-1]):
        return None
    return wave


def _sway(signs: PlySigns, highest_per_mm: float, blur_mm: float) -> bool:
    """Whether the edges sway far enough for plies' bumps of any frequency up to that one."""
    seen = signs.edge.take(np.flatnonzero(signs.edge_weight), axis=0)
    if not len(seen):
        return False
    most = _SWINGS_TOO * np.sqrt(2.0 * np.mean(np.square(seen), axis=0))
    return swing(most, highest_per_mm, blur_mm) >= _LEAST_SWING * edge_swing(PLIES[-1])


def _highest(shares: Floats) -> float:
    return float(np.nanmax(shares)) if np.isfinite(shares).any() else 0.0


def _followed(
    values: NDArray[np.floating[Any]],
    weight: Floats,
    s_mm: Floats,
    frequency: float,
    like: FollowedWave | None = None,
) -> FollowedWave | None:
    """The wave there, if it hangs together; with `like`, only if it is that other cue's wave."""
    if not np.any(weight > 0):
        return None
    wave = follow_wave(values, weight, s_mm, frequency)
    if wave is None or wave.together < _TOGETHER or len(wave.centre_mm) < FEWEST_WINDOWS:
        return None
    return wave if like is None or same_wave(wave, like) else None


def same_wave(one: FollowedWave, other: FollowedWave) -> bool:
    """Whether two cues show one wave."""
    ratio = one.frequency_per_mm / other.frequency_per_mm
    doubt = 2.0 * math.hypot(one.u_relative, other.u_relative)
    # Where the cues saw different parts of an uneven strand their means may differ some more.
    return abs(math.log(ratio)) <= max(SAME, doubt)
