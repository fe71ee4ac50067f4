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
_ORDER_OF_PLIES: Final = {2: (1.65, 0.4), 3: (2.3, 0.5), 4: (2.9, 0.5)}
"""Order seen of n alike plies, and its spread: from rendered and drawn yarn (ours)."""
_SWING_SPREAD: Final = 0.28
"""Spread of log swing about the closed form of round plies (ours)."""
_SWING_BIAS: Final = -0.08
_STRONG: Final = 0.7
_PARITY_OF_WEAK: Final = 0.4
"""How that spread grows as the share of the edges' variance falls below `_STRONG`: light from one
side, as a scanner's, moves the weak bumps of four plies at one edge (rendered yarn, ours)."""
_WEIGHTY: Final = 0.55
"""Share of the edges' variance from which their wave counts plies with all its weight."""
_MOST_BLURRED: Final = 0.2
_PARITY_SPREAD: Final = 0.2
"""Spread of the edges' phase difference, in half turns (ours)."""
_EDGE_SURPRISE: Final = 0.002
"""Likelihood left to edges that swing like no plies at all: theirs is a closed form, ..."""
SURPRISE: Final = 0.02
"""Likelihood left to anything at all: one odd sign must not outweigh two clear ones."""
SURE: Final = 0.9
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
    """Power at the same order of the other hand, over that of this."""
    chroma: float
    """Swing of colour."""
    bright: float
    """Swing of brightness."""

    @property
    def coloured(self) -> bool:
        """Plies of different colours make it."""
        return self.chroma > _STRIPED_CHROMA

    @property
    def striped(self) -> bool:
        """Plies that differ make it: it may come fewer times a turn than there are plies."""
        return self.coloured or self.bright > _STRIPED


def winding(wave: FollowedWave, xi: Floats) -> Winding:
    """Of a wave followed in the rows at `xi`, all channels of a row side by side."""
    rows = wave.signals.reshape(len(xi), -1)
    grey = rows.mean(axis=1)
    turn = np.arcsin(np.clip(xi / AXIS_XI, -1.0, 1.0))
    power = np.abs(np.exp(1j * _ORDERS[:, None] * turn) @ grey) ** 2
    k = int(np.argmax(power))
    chroma = float(np.sqrt(np.mean(np.abs(rows - grey[:, None]) ** 2)))
    bright = float(np.mean(np.abs(grey)))
    mirrored = power[len(_ORDERS) - 1 - k]
    sharpness = float(power[k] / max(len(xi) * np.sum(np.abs(grey) ** 2), 1e-20))
    return Winding(
        order=float(_ORDERS[k]),
        sharpness=sharpness,
        against=float(mirrored / power[k]),
        chroma=chroma,
        bright=bright,
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


def swing(signals: Complexes, frequency_per_mm: float, blur_mm: float) -> float:
    """Amplitude of both edges' wave (2,) over the strand's width, blur along it allowed for."""
    blurred = math.exp(-2.0 * (math.pi * blur_mm * frequency_per_mm) ** 2)
    # The signals are in half widths.
    size = float(np.sqrt(np.mean(np.abs(signals) ** 2)))
    return size / 2.0 / max(blurred, _MOST_BLURRED)


def swing_likelihood(
    swings: float,
    signals: Complexes,
    plies: int,
    doubt: float = 0.0,
    parity: float = _PARITY_SPREAD,
) -> float:
    """How likely so many plies swing their edges so far and so much together, up to a factor.

    `doubt` is how far the swing may be off besides, `parity` how far the edges' phases.
    """
    gone = math.log(max(swings, 1e-6) / edge_swing(plies)) - _SWING_BIAS
    spread = math.hypot(_SWING_SPREAD, doubt / max(swings, 1e-6))
    apart = abs(float(np.angle(signals[0] * np.conj(signals[1])))) / math.pi
    off = apart if edges_swing_together(plies) else 1.0 - apart
    return math.exp(-0.5 * ((gone / spread) ** 2 + (off / parity) ** 2))


def edge_likelihood(wave: FollowedWave, plies: int, blur_mm: float) -> float:
    """How likely edges swing like that on so many plies, up to a common factor.

    A wave that explains little of the edges says little.
    """
    swings = swing(wave.signals, wave.frequency_per_mm, blur_mm)
    parity = _PARITY_SPREAD + _PARITY_OF_WEAK * max(0.0, _STRONG - wave.share)
    likely = swing_likelihood(swings, wave.signals, plies, parity=parity) + _EDGE_SURPRISE
    return float(likely ** min(1.0, wave.share / _WEIGHTY))


def face_likelihood(order: float, plies: int) -> float:
    """How likely alike plies wind like that."""
    middle, spread = _ORDER_OF_PLIES[plies]
    return math.exp(-0.5 * ((abs(order) - middle) / spread) ** 2) + SURPRISE


def count_plies(edges: FollowedWave | None, face: Winding | None, blur_mm: float) -> int | None:
    """Number of alike plies whose wave this is, or None where it cannot be told."""
    odds = np.ones(len(PLIES))
    for i, plies in enumerate(PLIES):
        if edges is not None:
            odds[i] *= edge_likelihood(edges, plies, blur_mm)
        if face is not None:
            odds[i] *= face_likelihood(face.order, plies)
    best = int(np.argmax(odds))
    return PLIES[best] if odds[best] >= SURE * odds.sum() else None
