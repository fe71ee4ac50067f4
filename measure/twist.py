"""Twist of a strand: single or plied, how many plies, turns per inch, S or Z, how even.

Two cues that share nothing but the strand are asked, and must agree: the bumps of its two edges,
and the texture of its face. n alike plies bump n times a turn, so turns per length are the bumps'
frequency over n; the texture winds across the face, and its slope gives turns per length once
more, roughly, by tan(angle) = pi x diameter x turns per length. Singles have no bumps: there the
slope of the fibres is all there is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.diameter import StrandDiameter, telling
from measure.picture import Picture
from measure.plied_twist import plied_twist
from measure.ply_sights import bump_frequencies, ply_sights
from measure.ply_signs import PlySigns, ply_signs
from measure.results import Twist
from measure.scale import Scale
from measure.single_twist import single_twist
from measure.straightened import Straightened, straighten
from measure.stripe_count import STRIPED_PLIES
from measure.twist_told import untold
from measure.yarn import MM_PER_INCH

Floats = NDArray[np.float64]

_AS_BEFORE: Final = 0.2
"""How far, in the logarithm, a frequency may lie from that of the picture before."""
_U_NEARER: Final = 0.5
"""Doubt of how much nearer than the card a strand is, in parts of it."""
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
        return untold("twist_not_seen")
    place = strand.cuts.line.region.to_card(
        np.array([[strand.cuts.along_mm.mean(), strand.cuts.across_mm.mean()]])
    )
    along = np.array(strand.cuts.line.region.along)
    # Outlines stand half a width above the card, so that lengths along look longer than its
    # millimetres say; the face stands up to twice as high, and the camera's height is not well
    # known: half of it is in doubt.
    nearer = straight.half_width_mm / strand.cuts.camera_height_mm
    straight = replace(straight, s_mm=straight.s_mm * (1.0 - nearer))

    def u_along() -> float:
        return math.hypot(float(scale.u_relative(place, along)[0]), _U_NEARER * nearer)

    return twist_of(straight, blur_mm, u_along, before)


def twist_of(
    straight: Straightened,
    blur_mm: float,
    u_scale: Callable[[], float],
    before: Twist | None = None,
) -> Twist:
    """Twist of a straightened strand; `u_scale` gives the relative doubt of lengths along it, which
    is asked for only where there are turns to be told."""
    signs = ply_signs(straight)
    everywhere = bump_frequencies(straight)
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
    frequencies: Floats,
    straight: Straightened,
    signs: PlySigns,
    blur_mm: float,
    u_scale: Callable[[], float],
) -> Twist:
    sights = ply_sights(straight, signs, blur_mm, frequencies)
    if sights.edge is not None or sights.face is not None:
        return plied_twist(sights, straight, signs, blur_mm, u_scale)
    return single_twist(sights, straight, signs, u_scale)


def _straight(
    picture: Picture, scale: Scale, strand: StrandDiameter, blur_mm: float
) -> Straightened | None:
    grounds = telling(strand.grounds)
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
