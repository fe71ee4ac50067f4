"""Twist of a strand: single or plied, how many plies, turns per inch, S or Z, how even.

Two cues that share nothing but the strand are asked, and must agree: the bumps of its two edges,
and the texture of its face. n alike plies bump n times a turn, so turns per length are the bumps'
frequency over n; the texture winds across the face, and its slope gives turns per length once
more, roughly, by tan(angle) = pi x diameter x turns per length. Singles have no bumps: there the
slope of the fibres is all there is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from measure.diameter import StrandDiameter
from measure.fibre_slope import fibre_slope
from measure.notes import twist_reason
from measure.picture import Picture
from measure.ply_count import (
    PLIES,
    STRIPED_PLIES,
    Winding,
    count_plies,
    count_striped,
    edge_swing,
    swing,
    winding,
)
from measure.ply_geometry import ply_angle_deg, turns_for_angle
from measure.ply_signs import PlySigns, ply_signs
from measure.ply_twist import turns_per_metre
from measure.results import Twist, TwistCue
from measure.scale import Scale
from measure.straightened import Straightened, straighten
from measure.uncertainty import Budget, Component
from measure.waves import FollowedWave, follow_wave, wave_shares
from measure.yarn import MM_PER_INCH

Floats = NDArray[np.float64]

FEWEST_TURNS: Final = 3.0
_LOWEST: Final = 0.10
"""Bumps to one strand width of the softest ply looked for: two plies at 9 degrees."""
_HIGHEST: Final = 1.75
"""The same of the hardest: four plies at 54 degrees."""
_LOG_STEP: Final = 0.08
"""Half of how sharply a window of one period's standard deviation tells frequencies apart."""
_AS_BEFORE: Final = 0.2
"""How far, in the logarithm, a frequency may lie from that of the picture before."""
_NYQUIST: Final = 0.22
"""Highest frequency looked for, periods per column."""
_EDGE_SHARE: Final = 0.42
"""Least share of the edges' variance that plies' bumps explain; thick and thin places of singles
reach less (rendered and drawn yarn, ours)."""
_FACE_SHARE: Final = 0.26
_FACE_ALONE: Final = 0.45
_TOGETHER: Final = 0.6
_LEAST_SWING: Final = 0.4
"""Swing of the edges over that of four round plies below which no plies make it."""
_EDGES_SEEN: Final = 0.25
"""Mean weight of the edges from which bumps would have been seen."""
_CLEARER: Final = 0.08
"""How much better than the face's the edges' wave must hang together to be counted instead."""
_SAME: Final = 0.03
"""Relative difference within which two frequencies are those of one wave."""
_SHARP: Final = 0.85
"""Share of the face's amplitude in one order from which that order counts plies."""
_OTHER_ORDER: Final = 0.5
"""Power at the other hand's best order, over that of this hand's, up to which a hand is given."""
_LEAST_ORDER: Final = 0.8
"""Order of winding below which a hand is not given."""
_ORDER_TO_PLIES: Final = 1.33
"""Plies over the order seen (rendered yarn, ours)."""
_U_SLOPE: Final = 0.25
"""Relative standard uncertainty of turns from the slope of the plies (rendered yarn, ours)."""
_SLOPE_DISAGREES: Final = 0.6
_HAND_BLUR: Final = 0.33
"""Blur in half widths from which no hand is given."""
_SLOPE_BLUR: Final = 0.22
"""Blur in half widths from which the slope across the face is not believed."""
_SINGLE_PX: Final = 12.0
"""Fewest pixels across a single whose fibres' slope is believed."""
_SINGLE_PLIES_PX: Final = 7.0
_FIBRES_TOGETHER: Final = 0.25
_OTHER_HAND: Final = 0.4
_U_FIBRES: Final = 0.06
"""Relative standard uncertainty of a single's turns from its fibres' slope beyond scatter: fibres
migrate, and few lie at the very surface (rendered yarn, ours)."""
_LEFT_OUT: Final = 0.12
"""Share of the length that is always left out: bands' edges, the ends of a count."""
_UNEVEN: Final = 0.05
"""Unevenness of twist taken where too little was seen to say (ours)."""
_WANDERS_MM: Final = 25.0
"""Length over which hand-spun twist wanders (ours)."""
_U_COUNT: Final = 0.05
"""Periods by which each end of a count may be off."""
_U_NEARER: Final = 0.5
"""Doubt of how much nearer than the card a strand is, in parts of it."""
_FEWEST_WINDOWS: Final = 6
_SHADED_BLURS: Final = 2.5


def measure_twist(
    picture: Picture,
    scale: Scale,
    strand: StrandDiameter,
    blur_mm: float,
    before: Twist | None = None,
) -> Twist:
    """Twist of one strand whose edges were found; `blur_mm` is the camera's edge spread there.

    `before` is what the picture before said of this strand: its wave is looked for there first,
    and everywhere if it is there no more.
    """
    straight = _straight(picture, scale, strand, blur_mm)
    if straight is None:
        return _none("twist_not_seen")
    place = strand.cuts.line.region.to_card(
        np.array([[strand.cuts.along_mm.mean(), strand.cuts.across_mm.mean()]])
    )
    along = np.array(strand.cuts.line.region.along)
    # Outlines stand half a width above the card, so that lengths along look longer than its
    # millimetres say; the face stands up to twice as high, and the camera's height is not well
    # known: half of it is in doubt.
    nearer = straight.half_width_mm / strand.cuts.camera_height_mm
    straight = replace(straight, s_mm=straight.s_mm * (1.0 - nearer))
    u_along = math.hypot(float(scale.u_relative(place, along)[0]), _U_NEARER * nearer)
    return twist_of(straight, blur_mm, u_along, before)


def twist_of(
    straight: Straightened, blur_mm: float, u_scale: float, before: Twist | None = None
) -> Twist:
    """Twist of a straightened strand; `u_scale` is the relative doubt of lengths along it."""
    signs = ply_signs(straight)
    everywhere = _frequencies(straight)
    if before is not None:
        near = _near(everywhere, before)
        if len(near):
            again = _twist_among(near, straight, signs, blur_mm, u_scale)
            if again.turns_per_inch is not None and again.plies == before.plies:
                return again
    return _twist_among(everywhere, straight, signs, blur_mm, u_scale)


def _near(frequencies: Floats, before: Twist) -> Floats:
    """Those of the frequencies at which a plied strand seen before would bump or be striped."""
    if before.turns_per_inch is None or before.plies is None or before.plies < 2:
        return frequencies[:0]
    striped = any(cue.name == "stripes" for cue in before.cues)
    waves = {before.plies} | ({per_turn for per_turn, _ in STRIPED_PLIES} if striped else set())
    at = [before.turns_per_inch / MM_PER_INCH * wave for wave in waves]
    apart = np.abs(np.log(frequencies[:, None] / np.array(at))).min(axis=1)
    return np.asarray(frequencies[apart <= _AS_BEFORE])


def _twist_among(
    frequencies: Floats, straight: Straightened, signs: PlySigns, blur_mm: float, u_scale: float
) -> Twist:
    sights = _sights(straight, signs, blur_mm, frequencies)
    seen_mm = float(np.sum(straight.stretch >= 0)) * straight.step_mm
    if sights.edge is not None or sights.face is not None:
        return _plied(sights, straight, signs, blur_mm, u_scale, seen_mm)
    return _single(sights, straight, signs, u_scale, seen_mm)


def _straight(
    picture: Picture, scale: Scale, strand: StrandDiameter, blur_mm: float
) -> Straightened | None:
    grounds = [g for g in strand.grounds if len(g.index) >= 4]
    if not grounds:
        return None
    half = float(np.mean(np.concatenate([g.half_width_mm for g in grounds])))
    index = np.concatenate([g.index for g in grounds])
    middle = np.concatenate([g.middle_mm for g in grounds])
    course = np.full(len(strand.cuts.arc_mm), np.nan)
    course[index] = middle
    if float(np.ptp(strand.cuts.arc_mm)) < 6.0 * half:
        return None
    clearance = 0.1 + _SHADED_BLURS * blur_mm
    return straighten(picture, scale, strand.cuts, _smooth(course), half, clearance)


def _smooth(course: Floats) -> Floats:
    """A slow course through what was measured: bends stay, bumps go."""
    half = 24
    window = np.hanning(2 * half + 3)[1:-1]
    known = np.isfinite(course)
    total = np.convolve(np.where(known, course, 0.0), window, mode="full")[half:-half]
    weight = np.convolve(known.astype(float), window, mode="full")[half:-half]
    good = weight > 1e-3
    places = np.arange(len(course))
    return np.asarray(np.interp(places, places[good], total[good] / weight[good]))


@dataclass(frozen=True)
class _Sights:
    """The wave that either cue shows, if plies make it."""

    edge: FollowedWave | None
    face: FollowedWave | None
    winding: Winding | None
    edge_share: float
    """Share of the edges' variance that their strongest wave explains, whatever makes it."""
    face_share: float
    even: bool
    """The edges were seen well, and no plies' bumps are in them."""


def _frequencies(straight: Straightened) -> Floats:
    width = 2.0 * straight.half_width_mm
    top = min(_HIGHEST / width, _NYQUIST / straight.step_mm)
    return np.asarray(np.exp(np.arange(math.log(_LOWEST / width), math.log(top), _LOG_STEP)))


def _sights(
    straight: Straightened, signs: PlySigns, blur_mm: float, frequencies: Floats
) -> _Sights:
    s = signs.s_mm
    face = signs.face.reshape(len(s), -1)
    few = signs.face[:, 1::4].reshape(len(s), -1)
    face_shares = wave_shares(few, signs.face_weight, s, frequencies)
    edge_shares = wave_shares(signs.edge, signs.edge_weight, s, frequencies)
    face_share, edge_share = _highest(face_shares), _highest(edge_shares)
    face_wave = edge_wave = None
    if face_share >= _FACE_SHARE:
        start = float(frequencies[int(np.nanargmax(face_shares))])
        face_wave = _followed(face, signs.face_weight, s, start)
    if edge_share >= _EDGE_SHARE:
        start = float(frequencies[int(np.nanargmax(edge_shares))])
        edge_wave = _bumps(_followed(signs.edge, signs.edge_weight, s, start), blur_mm)
    if face_wave is not None and (edge_wave is None or not _same(face_wave, edge_wave)):
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
    wound = None if face_wave is None else winding(face_wave, signs.face_xi)
    even = edge_wave is None and float(np.mean(signs.edge_weight)) > _EDGES_SEEN
    striped = wound is not None and wound.striped
    if edge_wave is None and not striped and (even or face_share < _FACE_ALONE):
        # A single's own streaks may come back with every turn.
        face_wave = wound = None
    return _Sights(edge_wave, face_wave, wound, edge_share, face_share, even)


def _bumps(wave: FollowedWave | None, blur_mm: float) -> FollowedWave | None:
    """An edges' wave, if it swings as far as plies make it."""
    if wave is None or swing(wave, blur_mm) < _LEAST_SWING * edge_swing(PLIES[-1]):
        return None
    return wave


def _highest(shares: Floats) -> float:
    return float(np.nanmax(shares)) if np.isfinite(shares).any() else 0.0


def _followed(
    values: Floats,
    weight: Floats,
    s_mm: Floats,
    frequency: float,
    like: FollowedWave | None = None,
) -> FollowedWave | None:
    """The wave there, if it hangs together; with `like`, only if it is that other cue's wave."""
    if not np.any(weight > 0):
        return None
    wave = follow_wave(values, weight, s_mm, frequency)
    if wave is None or wave.together < _TOGETHER or len(wave.centre_mm) < _FEWEST_WINDOWS:
        return None
    return wave if like is None or _same(wave, like) else None


def _same(one: FollowedWave, other: FollowedWave) -> bool:
    ratio = one.frequency_per_mm / other.frequency_per_mm
    doubt = 2.0 * math.hypot(one.u_relative, other.u_relative)
    # Where the cues saw different parts of an uneven strand their means may differ some more.
    return abs(math.log(ratio)) <= max(_SAME, doubt)


def _plied(
    sights: _Sights,
    straight: Straightened,
    signs: PlySigns,
    blur_mm: float,
    u_scale: float,
    seen_mm: float,
) -> Twist:
    edge, face, wound = sights.edge, sights.face, sights.winding
    if wound is not None and face is not None and wound.striped:
        return _striped(sights, straight, signs, blur_mm, u_scale, seen_mm)
    if edge is not None and face is not None and not _same(edge, face):
        return _none("twist_cues_disagree")
    sharp = blur_mm < _SLOPE_BLUR * straight.half_width_mm
    clear = wound if sharp and wound is not None and wound.sharpness >= _SHARP else None
    plies = count_plies(edge, clear, blur_mm)
    if plies is None:
        return _none("plies_unsure")
    best = face if face is not None else edge
    if best is None:
        return _none("twist_not_seen")
    if edge is not None and edge.together > best.together + _CLEARER:
        best = edge
    cues = []
    if edge is not None:
        cues.append(_cue("edges", edge.frequency_per_mm / plies, edge.u_relative))
    if face is not None:
        cues.append(_cue("texture", face.frequency_per_mm / plies, face.u_relative))
    if clear is not None and face is not None:
        turns = face.frequency_per_mm / (_ORDER_TO_PLIES * abs(clear.order))
        cues.append(_cue("slope", turns, _U_SLOPE))
    return _answer(
        plies, best, plies, wound, cues, straight, blur_mm, u_scale, seen_mm, (edge, face)
    )


def _striped(
    sights: _Sights,
    straight: Straightened,
    signs: PlySigns,
    blur_mm: float,
    u_scale: float,
    seen_mm: float,
) -> Twist:
    """Plies of different colours: stripes give the turns, bumps the number of plies."""
    face, wound = sights.face, sights.winding
    assert face is not None
    assert wound is not None
    bumps: dict[tuple[int, int], FollowedWave | None] = {}
    for per_turn, plies in STRIPED_PLIES:
        frequency = face.frequency_per_mm * plies / per_turn
        wave = follow_wave(signs.edge, signs.edge_weight, signs.s_mm, frequency)
        near = wave is not None and abs(math.log(wave.frequency_per_mm / frequency)) < _SAME
        bumps[per_turn, plies] = wave if near else None
    counted = count_striped(wound, bumps, blur_mm)
    if counted is None:
        return _none("plies_unsure")
    cues = [_cue("stripes", face.frequency_per_mm / counted.per_turn, face.u_relative)]
    if counted.plies and counted.bumps is not None:
        bumping = counted.bumps
        cues.append(_cue("edges", bumping.frequency_per_mm / counted.plies, bumping.u_relative))
    turns = face.frequency_per_mm / abs(wound.order)
    cues.append(_cue("slope", turns, _U_SLOPE))
    return _answer(
        counted.plies,
        face,
        counted.per_turn,
        wound,
        cues,
        straight,
        blur_mm,
        u_scale,
        seen_mm,
        (counted.bumps, face),
    )


def _cue(
    name: Literal["edges", "texture", "stripes", "slope"], turns_per_mm: float, u_relative: float
) -> TwistCue:
    turns = turns_per_mm * MM_PER_INCH
    return TwistCue(name, turns, u_relative * turns)


def _answer(
    plies: int | None,
    best: FollowedWave,
    per_turn: int,
    wound: Winding | None,
    cues: list[TwistCue],
    straight: Straightened,
    blur_mm: float,
    u_scale: float,
    seen_mm: float,
    both: tuple[FollowedWave | None, FollowedWave | None],
) -> Twist:
    turns_per_mm = best.frequency_per_mm / per_turn
    turns_seen = turns_per_mm * seen_mm
    agree = _agree(turns_per_mm * MM_PER_INCH, cues)
    if agree is False:
        return _none("twist_cues_disagree", cues=tuple(cues), cues_agree=False)
    if turns_seen < FEWEST_TURNS:
        return _none("too_few_turns", plies=plies, turns_seen=turns_seen, cues=tuple(cues))
    turns = turns_per_mm * MM_PER_INCH
    apart = 0.0
    if both[0] is not None and both[1] is not None:
        other = both[0] if best is both[1] else both[1]
        scale = per_turn / (plies or per_turn) if other is both[0] else 1.0
        apart = abs(math.log(other.frequency_per_mm * scale / best.frequency_per_mm))
    budget = Budget(
        (
            Component("scale", u_scale * turns),
            Component("phase", best.u_relative * turns),
            Component("count", _U_COUNT * math.sqrt(2.0) / best.periods * turns),
            Component("cues", 0.5 * min(apart, _SAME) * turns),
            Component("sampling", _unseen(best, straight) * turns),
        )
    )
    sharp = blur_mm < _HAND_BLUR * straight.half_width_mm
    hand = _hand(wound) if wound is not None and sharp else None
    cv = _cv(best)
    cv_percent = None if cv is None else 100.0 * cv
    diameter = 2.0 * straight.half_width_mm
    low, high = budget.interval(turns)
    return _twist(
        plies, (turns, low, high), hand, diameter, turns_seen, tuple(cues), agree, cv_percent
    )


def _hand(wound: Winding) -> Literal["S", "Z"] | None:
    """S or Z by the way the pattern winds, where it winds that way clearly."""
    if wound.against > _OTHER_ORDER or abs(wound.order) < _LEAST_ORDER:
        return None
    return "Z" if wound.order > 0 else "S"


def _cv(wave: FollowedWave) -> float | None:
    """Standard deviation over mean of the twist along the strand."""
    local = wave.local_per_mm[np.isfinite(wave.local_per_mm)]
    return float(np.std(local) / np.mean(local)) if len(local) >= _FEWEST_WINDOWS else None


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
    for cue in others:
        if abs(math.log(cue.turns_per_inch / turns_per_inch)) > _SLOPE_DISAGREES:
            return False
    for cue in precise:
        doubt = 2.0 * cue.u_turns_per_inch / turns_per_inch
        if abs(math.log(cue.turns_per_inch / turns_per_inch)) > max(_SAME, doubt):
            return False
    return True


def _single(
    sights: _Sights, straight: Straightened, signs: PlySigns, u_scale: float, seen_mm: float
) -> Twist:
    """No bumps: a single, if bumps would have shown; its twist from its fibres' slope."""
    if not sights.even or straight.px_across < _SINGLE_PLIES_PX:
        return _none("twist_not_seen")
    if straight.px_across < _SINGLE_PX:
        return _none("fibres_too_fine", plies=1)
    slope = fibre_slope(straight, signs)
    if (
        slope is None
        or slope.coherence < _FIBRES_TOGETHER
        or slope.against > _OTHER_HAND * slope.coherence
    ):
        return _none("fibres_not_seen", plies=1)
    diameter = 2.0 * straight.half_width_mm
    angle = abs(slope.angle_deg)
    turns = turns_for_angle(diameter, 1, angle)
    turns_seen = turns / MM_PER_INCH * seen_mm
    cue = TwistCue("slope", turns, _U_FIBRES * turns)
    if turns_seen < FEWEST_TURNS:
        return _none("too_few_turns", plies=1, turns_seen=turns_seen, cues=(cue,))
    # d(tan a) / tan a = 2 da / sin 2a
    u_angle = 2.0 * math.radians(slope.u_deg) / math.sin(2.0 * math.radians(angle))
    budget = Budget(
        (
            Component("scale", u_scale * turns),
            Component("fibres", _U_FIBRES * turns),
            Component("scatter", u_angle * turns),
        )
    )
    low, high = budget.interval(turns)
    hand: Literal["S", "Z"] = "Z" if slope.angle_deg > 0 else "S"
    return _twist(1, (turns, low, high), hand, diameter, turns_seen, (cue,), None, None)


def _twist(
    plies: int | None,
    turns: tuple[float, float, float],
    hand: Literal["S", "Z"] | None,
    diameter_mm: float,
    turns_seen: float,
    cues: tuple[TwistCue, ...],
    agree: bool | None,
    cv_percent: float | None,
) -> Twist:
    middle, low, high = turns
    low = max(low, 0.0)
    # The strand's own surface, as a single's: tan = pi x diameter x turns.
    angle, flat, steep = (ply_angle_deg(diameter_mm, 1, t) for t in (middle, low, high))
    return Twist(
        plies=plies,
        turns_per_inch=middle,
        turns_per_inch_interval=(low, high),
        turns_per_metre=turns_per_metre(middle),
        turns_per_metre_interval=(turns_per_metre(low), turns_per_metre(high)),
        twist=hand,
        angle_deg=angle,
        angle_interval_deg=(flat, steep),
        turns_seen=turns_seen,
        evenness_cv_percent=cv_percent,
        cues=cues,
        cues_agree=agree,
        reason=None,
    )


def _none(
    code: str,
    *,
    plies: int | None = None,
    turns_seen: float | None = None,
    cues: tuple[TwistCue, ...] = (),
    cues_agree: bool | None = None,
) -> Twist:
    return Twist(
        plies=plies,
        turns_seen=turns_seen,
        cues=cues,
        cues_agree=False if code == "twist_cues_disagree" else cues_agree,
        reason=twist_reason(code),
    )
