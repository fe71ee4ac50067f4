"""How many plies a strand of plies of different colours has.

Their stripes come once a turn (one ply differs), or twice (plies of two colours by turns), so the
wave on the face does not count plies. Its phase says, all along, how far the strand has turned;
so the edges can be asked how far they swing at each whole multiple of the stripes' frequency,
however weakly. Halves between the multiples can be made by nothing and tell the noise. A ply that
stands out less from the ground than its neighbours makes the edges waver with the stripes
themselves, and some at their multiples: that much is allowed for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.ply_count import (
    SURE,
    SURPRISE,
    Winding,
    face_likelihood,
    swing,
    swing_likelihood,
)
from measure.ply_signs import PlySigns
from measure.waves import FollowedWave, multiples_of

STRIPED_PLIES: Final = ((1, 2), (1, 3), (1, 4), (2, 4))
"""Stripes a turn, and plies: one ply of another colour, or two opposite each other."""
_ALIKE: Final = ((2, 2), (3, 3), (4, 4))
"""Plies of one colour whose shading alone is as deep as stripes."""
_ORDER: Final = {1: (1.2, 0.3), 2: (1.75, 0.35)}
"""Order of winding seen of stripes that come once or twice a turn, and its spread (ours)."""
_RARER: Final = 0.4
"""Odds of four plies of two colours by turns, over one ply that differs (common practice, no
source)."""
_WHOLE: Final = (1, 2, 3, 4)
_HALVES: Final = (1.5, 2.5, 3.5, 4.5)
_OF_COLOUR: Final = {1: 0.0, 2: 0.6, 3: 0.35, 4: 0.2}
"""How far edges waver at most at a multiple of stripes they waver with, over that, ..."""
_USUALLY: Final = 0.67
"""... and how far usually, over the most (drawn and rendered yarn, ours)."""
_SECOND: Final = 0.2
"""Swing of two round plies at four times a turn over that at twice: 4/(15 pi) over 4/(3 pi)."""
_LEAST_SPREAD: Final = 0.015
_CLEAR: Final = 2.5
"""Swing over that of noise from which it counts."""
_LIKELY: Final = 0.1
_PARITY: Final = (0.4, 0.1)
"""Spread, in half turns, of how far the edges waver apart with the stripes themselves, and the
likelihood left to anything: light from one side does the same (drawn and rendered yarn, ours)."""
_SURPRISE: Final = 0.005
"""Likelihood left to edges that swing like no plies at all."""


@dataclass(frozen=True)
class StripedPlies:
    """Plies of different colours, as far as they could be counted."""

    per_turn: int
    """How often the stripes come back in one turn."""
    plies: int | None


@dataclass(frozen=True)
class _EdgeSwings:
    """How the edges swing at whole multiples of the stripes' frequency."""

    signals: dict[int, NDArray[np.complex128]]
    """(2,) each."""
    swings: dict[int, float]
    noise: float

    def own(self, multiple: int, plies: int) -> float:
        """How likely so many plies swing the edges as they do at that multiple."""
        seen = self.swings[multiple]
        if seen < _CLEAR * self.noise:
            return 0.0
        doubt = math.hypot(self.noise, _USUALLY * _OF_COLOUR[multiple] * self.swings[1])
        return swing_likelihood(seen, self.signals[multiple], plies, doubt)

    def left(self, multiple: int, plies_at: int) -> float:
        """How likely what swings at one multiple is left by plies that swing at another."""
        overtone = _SECOND * self.swings[plies_at] if multiple == 2 * plies_at else 0.0
        beyond = max(0.0, self.swings[multiple] - overtone)
        of_colour = _OF_COLOUR[multiple] * self.swings[1] if plies_at > 1 else 0.0
        spread = math.hypot(_LEAST_SPREAD, math.hypot(self.noise, of_colour))
        return math.exp(-0.5 * (beyond / spread) ** 2)

    def wavers(self, per_turn: int) -> float:
        """How likely stripes so many times a turn make the edges waver as they do: by turns at
        once a turn, together at twice."""
        if self.swings[1] < _CLEAR * self.noise:
            return 1.0
        one, other = self.signals[1]
        apart = abs(float(np.angle(one * np.conj(other)))) / math.pi
        spread, rest = _PARITY
        return math.exp(-0.5 * ((apart - per_turn % 2) / spread) ** 2) + rest


def count_striped(
    stripes: FollowedWave, winds: Winding, signs: PlySigns, blur_mm: float
) -> StripedPlies | None:
    """Stripes a turn and plies, from how the stripes wind and how the edges swing with them."""
    edges = _swings(stripes, signs, blur_mm)
    if edges is None:
        return None
    odds: dict[tuple[int, int], float] = {}
    clear: set[tuple[int, int]] = set()
    for per_turn, plies in STRIPED_PLIES if winds.coloured else STRIPED_PLIES + _ALIKE:
        bumps_at = plies // per_turn
        own = edges.own(bumps_at, plies)
        for other in _WHOLE[1:]:
            if other != bumps_at:
                own *= edges.left(other, bumps_at)
        if own > _LIKELY:
            clear.add((per_turn, plies))
        pattern = _winds_like(winds.order, per_turn, plies)
        if per_turn != plies:
            pattern *= edges.wavers(per_turn) * (_RARER if per_turn == 2 else 1.0)
        odds[per_turn, plies] = (own + _SURPRISE) * pattern
    best = max(odds, key=lambda k: odds[k])
    whole = sum(odds.values())
    if best in clear and odds[best] >= SURE * whole:
        return StripedPlies(*best)
    once = sum(v for (per_turn, _), v in odds.items() if per_turn == 1)
    # How stripes wind tells one a turn from two only just: some bumps must say so too.
    if once >= SURE * whole and any(per_turn == 1 for per_turn, _ in clear):
        return StripedPlies(1, None)
    return None


def _winds_like(order: float, per_turn: int, plies: int) -> float:
    """How likely stripes wind like that."""
    if per_turn == plies:
        return face_likelihood(order, plies)
    middle, spread = _ORDER[per_turn]
    return math.exp(-0.5 * ((abs(order) - middle) / spread) ** 2) + SURPRISE


def _swings(stripes: FollowedWave, signs: PlySigns, blur_mm: float) -> _EdgeSwings | None:
    seen = multiples_of(stripes, (*_WHOLE, *_HALVES), signs.edge, signs.edge_weight, signs.s_mm)
    if seen is None:
        return None
    swings = [
        swing(signals, multiple * stripes.frequency_per_mm, blur_mm)
        for multiple, signals in zip((*_WHOLE, *_HALVES), seen, strict=True)
    ]
    noise = math.sqrt(sum(x * x for x in swings[len(_WHOLE) :]) / len(_HALVES))
    whole = dict(zip(_WHOLE, swings, strict=False))
    return _EdgeSwings(dict(zip(_WHOLE, seen, strict=False)), whole, noise)
