"""Twist of a single from the slope of its surface fibres."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Literal

import numpy as np

from measure.fibre_slope import fibre_slope
from measure.plied_twist import FEWEST_TURNS
from measure.ply_geometry import turns_for_angle
from measure.ply_sights import PlySights
from measure.ply_signs import PlySigns
from measure.results import Twist, TwistCue
from measure.straightened import Straightened
from measure.twist_told import angle_alone, told, untold
from measure.uncertainty import Budget, Component
from measure.yarn import MM_PER_INCH

_LEAST_PX: Final = 8.0
"""Fewest pixels across a single whose fibres' slope is believed (rendered yarn, ours)."""
_FINE_PX: Final = 12.0
"""Pixels across from which their number does not add to the doubt."""
_SINGLE_PLIES_PX: Final = 7.0
"""Fewest pixels across a strand that is called a single."""
_MOTTLED_CHROMA: Final = 0.09
_MOTTLED: Final = 0.25
"""Swing of the face's colour, and of its brightness, from half width to half width beyond which
it is not one single: plies of which the ground hides some (drawn and rendered yarn, ours)."""
_FIBRES_TOGETHER: Final = 0.2
_OTHER_HAND: Final = 0.4
_U_FIBRES: Final = 0.06
"""Relative standard uncertainty of a single's turns from its fibres' slope beyond scatter: fibres
migrate, and few lie at the very surface (rendered yarn, ours)."""


def single_twist(
    sights: PlySights, straight: Straightened, signs: PlySigns, u_scale: Callable[[], float]
) -> Twist:
    """No bumps: a single, if bumps would have shown; its twist from its fibres' slope."""
    if straight.px_across < _LEAST_PX:
        single = sights.even and not _mottled(straight, signs)
        plies = 1 if single and straight.px_across >= _SINGLE_PLIES_PX else None
        return untold("fibres_too_fine", plies=plies, width_px=straight.px_across, needed=_LEAST_PX)
    if not sights.even or _mottled(straight, signs):
        return untold("twist_not_seen")
    slope = fibre_slope(straight, signs)
    if (
        slope is None
        or slope.coherence < _FIBRES_TOGETHER
        or slope.against > _OTHER_HAND * slope.coherence
    ):
        return untold("fibres_not_seen", plies=1)
    diameter = 2.0 * straight.half_width_mm
    angle = abs(slope.angle_deg)
    turns = turns_for_angle(diameter, 1, angle)
    turns_seen = turns / MM_PER_INCH * straight.seen_mm
    u_fibres = _U_FIBRES * max(1.0, _FINE_PX / straight.px_across)
    cue = TwistCue("slope", turns, u_fibres * turns)
    # d(tan a) / tan a = 2 da / sin 2a
    u_angle = 2.0 * math.radians(slope.u_deg) / math.sin(2.0 * math.radians(angle))
    budget = Budget(
        (
            Component("scale", u_scale() * turns),
            Component("fibres", u_fibres * turns),
            Component("scatter", u_angle * turns),
        )
    )
    low, high = budget.interval(turns)
    hand: Literal["S", "Z"] = "Z" if slope.angle_deg > 0 else "S"
    twist = told(1, (turns, low, high), hand, diameter, turns_seen, (cue,), None, None)
    return twist if turns_seen >= FEWEST_TURNS else angle_alone(twist)


def _mottled(straight: Straightened, signs: PlySigns) -> bool:
    """Whether the face changes its colour or brightness along it as no single does."""
    few = max(1, round(straight.half_width_mm / straight.step_mm))
    face = signs.face.take(np.flatnonzero(signs.face_weight), axis=0)
    count = len(face) // few
    if not count:
        return False
    each = few * face.shape[1]
    pieces = np.full(each, 1.0 / each, np.float32) @ face[: count * few].reshape(count, each, -1)
    grey = pieces.mean(axis=1)
    chroma = float(np.sqrt(np.mean((pieces - grey[:, None]) ** 2)))
    return chroma > _MOTTLED_CHROMA or float(np.sqrt(np.mean(grey**2))) > _MOTTLED
