"""How many plies a strand has, from how its edges bump and how its pattern winds across its face.

One wave with n bumps a turn runs along an n-ply strand. Its edges say n by how far they swing
and whether they swing together; its face by how far the wave's phase advances
from row to row: a ply's crest lies at u = R sin(theta), so the phase is n asin(u / R), R some 0.61
half widths whatever n. Shading draws that order out lower than n for plies of fibre, by an amount
taken from rendered yarn (ours).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.ply_geometry import axis_radius, ply_factor
from measure.waves import FollowedWave

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PLIES: Final = (2, 3, 4)
"""Numbers of alike plies that touch all round and can be told apart."""
AXIS_XI: Final = 0.61
"""Radius of the plies' axes in half widths, near enough the same for two to four plies."""
_ORDERS: Final = np.arange(-7.0, 7.01, 0.05)
_PLAIN_ORDER: Final = 0.5
"""Orders below this say nothing of a hand."""
_ORDER_OF_PLIES: Final = {2: (1.65, 0.4), 3: (2.4, 0.55), 4: (3.15, 0.55)}
"""Order seen of n alike plies, and its spread: from rendered and drawn yarn (ours)."""
_ORDER_OF_STRIPES: Final = {1: (1.2, 0.25), 2: (1.9, 0.3)}
"""The same of stripes of colour that come once or twice a turn."""
_SWING_SPREAD: Final = 0.28
"""Spread of log swing about the closed form of round plies (ours)."""
_SWING_BIAS: Final = -0.08
_MOST_BLURRED: Final = 0.2
_PARITY_SPREAD: Final = 0.2
"""Spread of the edges' phase difference, in half turns (ours)."""
_SURPRISE: Final = 0.02
"""Likelihood left to anything at all: one odd sign must not outweigh two clear ones."""
_SURE: Final = 0.9
_LIKELY: Final = 0.1
_STRIPED_CHROMA: Final = 0.10
_STRIPED: Final = 0.42
"""Swing of colour, and of brightness, beyond what shading makes on plies of one colour."""


@dataclass(frozen=True)
class Winding:
    """How a wave of the face winds across it."""

    order: float
    """Angular order, signed: positive where the phase runs as a Z twist's does."""
    sharpness: float
    """Share of the face's amplitude that fits that one order."""
    against: float
    """Power at the best order of the other hand, over that of this."""
    striped: bool
    """Plies of different colours: the wave may come fewer times a turn than there are plies."""


def winding(wave: FollowedWave, xi: Floats) -> Winding:
    """Of a wave followed in the rows at `xi`, all channels of a row side by side."""
    rows = wave.signals.reshape(len(xi), -1)
    grey = rows.mean(axis=1)
    turn = np.arcsin(np.clip(xi / AXIS_XI, -1.0, 1.0))
    power = np.abs(np.exp(1j * _ORDERS[:, None] * turn) @ grey) ** 2
    k = int(np.argmax(power))
    chroma = float(np.sqrt(np.mean(np.abs(rows - grey[:, None]) ** 2)))
    bright = float(np.mean(np.abs(grey)))
    other = np.sign(_ORDERS) != np.sign(_ORDERS[k])
    sharpness = float(power[k] / max(len(xi) * np.sum(np.abs(grey) ** 2), 1e-20))
    return Winding(
        order=float(_ORDERS[k]),
        sharpness=sharpness,
        against=float(power[other & (np.abs(_ORDERS) > _PLAIN_ORDER)].max() / power[k]),
        striped=chroma > _STRIPED_CHROMA or bright > _STRIPED,
    )


def edge_swing(plies: int) -> float:
    """Amplitude of one edge's first wave over the mean width, of round plies that touch.

    The edge is d/2 + R max_k cos(theta + 2 pi k/n), which repeats n times a turn; the first term
    of its Fourier series has amplitude R (2n/pi) sin(pi/n) / (n^2 - 1). In units of d.
    """
    first = 2 * plies / math.pi * math.sin(math.pi / plies) / (plies**2 - 1)
    return axis_radius(plies) * first / ply_factor(plies)


def edges_swing_together(plies: int) -> bool:
    """Whether both edges bump out at the same place: each ply has one opposite it."""
    return plies % 2 == 0


def swing(wave: FollowedWave, blur_mm: float) -> float:
    """Amplitude of the edges' wave over the strand's width, blur along the strand allowed for."""
    blurred = math.exp(-2.0 * (math.pi * blur_mm * wave.frequency_per_mm) ** 2)
    # The signals are in half widths.
    size = float(np.sqrt(np.mean(np.abs(wave.signals) ** 2)))
    return size / 2.0 / max(blurred, _MOST_BLURRED)


def edge_likelihood(wave: FollowedWave, plies: int, blur_mm: float) -> float:
    """How likely edges swing like that on so many plies, up to a common factor."""
    gone = math.log(swing(wave, blur_mm) / edge_swing(plies)) - _SWING_BIAS
    apart = abs(float(np.angle(wave.signals[0] / wave.signals[1]))) / math.pi
    off = apart if edges_swing_together(plies) else 1.0 - apart
    square = (gone / _SWING_SPREAD) ** 2 + (off / _PARITY_SPREAD) ** 2
    return math.exp(-0.5 * square) + _SURPRISE


def face_likelihood(order: float, plies: int) -> float:
    """How likely alike plies wind like that."""
    middle, spread = _ORDER_OF_PLIES[plies]
    return math.exp(-0.5 * ((abs(order) - middle) / spread) ** 2) + _SURPRISE


def count_plies(edges: FollowedWave | None, face: Winding | None, blur_mm: float) -> int | None:
    """Number of alike plies whose wave this is, or None where it cannot be told."""
    odds = np.ones(len(PLIES))
    for i, plies in enumerate(PLIES):
        if edges is not None:
            odds[i] *= edge_likelihood(edges, plies, blur_mm)
        if face is not None:
            odds[i] *= face_likelihood(face.order, plies)
    return _surest(PLIES, odds)


@dataclass(frozen=True)
class StripedPlies:
    """Plies of different colours, as far as they could be counted."""

    per_turn: int
    """How often the stripes come back in one turn."""
    plies: int | None
    bumps: FollowedWave | None
    """The edges' wave of so many plies."""


STRIPED_PLIES: Final = ((1, 2), (1, 3), (1, 4), (2, 4))
"""Stripes a turn, and plies: one ply of another colour, or two opposite each other."""


def count_striped(
    face: Winding, bumps: dict[tuple[int, int], FollowedWave | None], blur_mm: float
) -> StripedPlies | None:
    """Stripes a turn and plies from how the stripes wind and from the edges' bumps, if told.

    `bumps` are the edges' waves where either of `STRIPED_PLIES` would have them.
    """
    odds = {}
    for per_turn, plies in STRIPED_PLIES:
        middle, spread = _ORDER_OF_STRIPES[per_turn]
        winds = math.exp(-0.5 * ((abs(face.order) - middle) / spread) ** 2) + _SURPRISE
        wave = bumps.get((per_turn, plies))
        swings = _SURPRISE if wave is None else edge_likelihood(wave, plies, blur_mm)
        odds[per_turn, plies] = winds * swings
    best = max(odds, key=lambda k: odds[k])
    whole = sum(odds.values())
    bumping = {key for key, wave in bumps.items() if wave is not None}
    if odds[best] >= _SURE * whole and best in bumping:
        return StripedPlies(best[0], best[1], bumps[best])
    once = sum(v for (per_turn, _), v in odds.items() if per_turn == 1)
    # How stripes wind tells one a turn from two only just: some bumps must say so too.
    if once >= _SURE * whole and any(per_turn == 1 for per_turn, _ in bumping & set(_likely(odds))):
        return StripedPlies(1, None, None)
    return None


def _likely(odds: dict[tuple[int, int], float]) -> list[tuple[int, int]]:
    top = max(odds.values())
    return [key for key, value in odds.items() if value > 0.2 * top and value > _LIKELY]


def _surest(choices: tuple[int, ...], odds: Floats) -> int | None:
    best = int(np.argmax(odds))
    return choices[best] if odds[best] >= _SURE * odds.sum() else None
