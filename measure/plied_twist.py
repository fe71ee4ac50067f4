"""Twist of a plied strand from the waves of its plies, and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Literal

import numpy as np

from measure.ply_count import Winding, count_plies
from measure.ply_sights import FEWEST_WINDOWS, SAME, PlySights, same_wave
from measure.ply_signs import PlySigns
from measure.results import Twist, TwistCue
from measure.straightened import Straightened
from measure.stripe_count import count_striped
from measure.twist_told import cue, told, untold
from measure.uncertainty import Budget, Component
from measure.waves import FollowedWave, follow_wave
from measure.yarn import MM_PER_INCH

FEWEST_TURNS: Final = 3.0
_CLEARER: Final = 0.08
"""How much better than the face's the edges' wave must hang together to be counted instead."""
_SHARP: Final = 0.85
"""Share of the face's amplitude in one order from which that order counts plies."""
_OTHER_ORDER: Final = 0.4
"""Power at the other hand's order, over that of this hand's, up to which a hand is given."""
_HAND_SHARP: Final = 0.75
"""Share of the face's amplitude in one order below which a hand is not given."""
_LEAST_ORDER: Final = 0.75
"""Order of winding below which a hand is not given."""
_ORDER_TO_PLIES: Final = 1.33
"""Plies over the order seen (rendered yarn, ours)."""
_U_SLOPE: Final = 0.25
"""Relative standard uncertainty of turns from the slope of the plies (rendered yarn, ours)."""
_SLOPE_DISAGREES: Final = 0.6
_HAND_BLUR: Final = 0.45
"""Blur in half widths from which no hand is given."""
_SLOPE_BLUR: Final = 0.22
"""Blur in half widths from which the slope across the face is not believed."""
_LEFT_OUT: Final = 0.12
"""Share of the length that is always left out: bands' edges, the ends of a count."""
_UNEVEN: Final = 0.05
"""Unevenness of twist taken where too little was seen to say (ours)."""
_WANDERS_MM: Final = 25.0
"""Length over which hand-spun twist wanders (ours)."""
_U_COUNT: Final = 0.05
"""Periods by which each end of a count may be off."""


def plied_twist(
    sights: PlySights,
    straight: Straightened,
    signs: PlySigns,
    blur_mm: float,
    u_scale: Callable[[], float],
) -> Twist:
    """Turns, plies and hand of a strand whose plies show, or why there are none."""
    edge, face, wound = sights.edge, sights.face, sights.winding
    if wound is not None and face is not None and (wound.striped or _in_step(edge, face)):
        return _striped(sights, straight, signs, blur_mm, u_scale)
    if edge is not None and face is not None and not same_wave(edge, face):
        return untold("twist_cues_disagree")
    sharp = blur_mm < _SLOPE_BLUR * straight.half_width_mm
    clear = wound if sharp and wound is not None and wound.sharpness >= _SHARP else None
    plies = count_plies(edge, clear, blur_mm)
    if plies is None:
        return untold("plies_unsure")
    best = face if face is not None else edge
    if best is None:
        return untold("twist_not_seen")
    if edge is not None and edge.together > best.together + _CLEARER:
        best = edge
    cues = []
    if edge is not None and not sights.edge_by_face:
        cues.append(cue("edges", edge.frequency_per_mm / plies, edge.u_relative))
    if face is not None:
        cues.append(cue("texture", face.frequency_per_mm / plies, face.u_relative))
    if clear is not None and face is not None:
        turns = face.frequency_per_mm / (_ORDER_TO_PLIES * abs(clear.order))
        cues.append(cue("slope", turns, _U_SLOPE))
    return _answer(plies, best, plies, wound, cues, straight, blur_mm, u_scale, (edge, face))


def _striped(
    sights: PlySights,
    straight: Straightened,
    signs: PlySigns,
    blur_mm: float,
    u_scale: Callable[[], float],
) -> Twist:
    """Plies of different colours: stripes give the turns, bumps the number of plies."""
    face, wound = sights.face, sights.winding
    assert face is not None
    assert wound is not None
    counted = count_striped(face, wound, signs, blur_mm)
    if counted is None:
        return untold("plies_unsure")
    alike = counted.per_turn == counted.plies
    name: Literal["texture", "stripes"] = "texture" if alike else "stripes"
    cues = [cue(name, face.frequency_per_mm / counted.per_turn, face.u_relative)]
    bumps = None
    if counted.plies is not None:
        frequency = face.frequency_per_mm * counted.plies / counted.per_turn
        bumps = follow_wave(signs.edge, signs.edge_weight, signs.s_mm, frequency)
        # Weak bumps may be counted by the stripes' own phase and still not be followed alone.
        if bumps is None or abs(math.log(bumps.frequency_per_mm / frequency)) > SAME:
            bumps = None
        else:
            cues.append(cue("edges", bumps.frequency_per_mm / counted.plies, bumps.u_relative))
    to_order = _ORDER_TO_PLIES if alike else 1.0
    cues.append(cue("slope", face.frequency_per_mm / (to_order * abs(wound.order)), _U_SLOPE))
    return _answer(
        counted.plies,
        face,
        counted.per_turn,
        wound,
        cues,
        straight,
        blur_mm,
        u_scale,
        (bumps, face),
    )


def _in_step(edge: FollowedWave | None, face: FollowedWave) -> bool:
    """Whether the edges bump a whole number of times to one wave of the face, as they do where
    plies differ but little."""
    if edge is None:
        return False
    ratio = edge.frequency_per_mm / face.frequency_per_mm
    return round(ratio) in (2, 3, 4) and abs(math.log(ratio / round(ratio))) <= SAME


def _answer(
    plies: int | None,
    best: FollowedWave,
    per_turn: int,
    wound: Winding | None,
    cues: list[TwistCue],
    straight: Straightened,
    blur_mm: float,
    u_scale: Callable[[], float],
    both: tuple[FollowedWave | None, FollowedWave | None],
) -> Twist:
    turns_per_mm = best.frequency_per_mm / per_turn
    turns_seen = turns_per_mm * straight.seen_mm
    agree = _agree(turns_per_mm * MM_PER_INCH, cues)
    if agree is False:
        return untold("twist_cues_disagree", cues=tuple(cues), cues_agree=False)
    if turns_seen < FEWEST_TURNS:
        # Nor are the plies told: so few bumps may be a single's thick places.
        return untold("too_few_turns", turns_seen=turns_seen, cues=tuple(cues))
    turns = turns_per_mm * MM_PER_INCH
    apart = 0.0
    if both[0] is not None and both[1] is not None:
        other = both[0] if best is both[1] else both[1]
        scale = per_turn / (plies or per_turn) if other is both[0] else 1.0
        apart = abs(math.log(other.frequency_per_mm * scale / best.frequency_per_mm))
    budget = Budget(
        (
            Component("scale", u_scale() * turns),
            Component("phase", best.u_relative * turns),
            Component("count", _U_COUNT * math.sqrt(2.0) / best.periods * turns),
            Component("cues", 0.5 * min(apart, SAME) * turns),
            Component("sampling", _unseen(best, straight) * turns),
        )
    )
    sharp = blur_mm < _HAND_BLUR * straight.half_width_mm
    hand = _hand(wound) if wound is not None and sharp else None
    cv = _cv(best)
    cv_percent = None if cv is None else 100.0 * cv
    diameter = 2.0 * straight.half_width_mm
    low, high = budget.interval(turns)
    return told(
        plies, (turns, low, high), hand, diameter, turns_seen, tuple(cues), agree, cv_percent
    )


def _hand(wound: Winding) -> Literal["S", "Z"] | None:
    """S or Z by the way the pattern winds, where it winds that way clearly."""
    if wound.against > _OTHER_ORDER or wound.sharpness < _HAND_SHARP:
        return None
    if abs(wound.order) < _LEAST_ORDER:
        return None
    return "Z" if wound.order > 0 else "S"


def _cv(wave: FollowedWave) -> float | None:
    """Standard deviation over mean of the twist along the strand."""
    local = wave.local_per_mm[np.isfinite(wave.local_per_mm)]
    return float(np.std(local) / np.mean(local)) if len(local) >= FEWEST_WINDOWS else None


def _unseen(wave: FollowedWave, straight: Straightened) -> float:
    """Relative doubt of the strand's mean for what of it was not counted, from its unevenness."""
    length = float(np.ptp(straight.s_mm))
    counted = wave.periods / wave.frequency_per_mm
    left_out = 1.0 - min(counted / length, 1.0)
    if left_out < _LEFT_OUT:
        return 0.0
    cv = _cv(wave)
    spread = _UNEVEN if cv is None else max(cv, 0.5 * _UNEVEN)
    return spread * math.sqrt(left_out / max(counted / _WANDERS_MM, 1.0))


def _agree(turns_per_inch: float, cues: list[TwistCue]) -> bool | None:
    """Whether every cue but the best says the same; None where one cue is all there is."""
    others = [c for c in cues if c.name == "slope"]
    precise = [c for c in cues if c.name != "slope"]
    if len(precise) + len(others) < 2:
        return None
    for one in others:
        if abs(math.log(one.turns_per_inch / turns_per_inch)) > _SLOPE_DISAGREES:
            return False
    for one in precise:
        doubt = 2.0 * one.u_turns_per_inch / turns_per_inch
        if abs(math.log(one.turns_per_inch / turns_per_inch)) > max(SAME, doubt):
            return False
    return True
