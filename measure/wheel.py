"""What a wanted twist asks of the wheel: drive ratio, treadles a draft, drafts of a motor wheel.

Twist is turns of the flyer over length drafted. What winding on adds or takes is left out: with
a braked bobbin it is nothing, with a braked flyer it is the turns that the length makes round the
bobbin's core, one in some tens.
"""

from __future__ import annotations

import math

from measure.yarn import MM_PER_INCH


def drive_ratio(flyer_turns: float, wheel_turns: float) -> float:
    """Turns of the flyer for one of the wheel, from turns counted of both.

    The diameters that the band runs on, the wheel's over the whorl's, do nearly as well: it sits
    a little outside the groove's bottom.
    """
    return _positive("turns of the flyer", flyer_turns) / _positive("of the wheel", wheel_turns)


def treadles_per_draft(
    turns_per_inch: float, draft_mm: float, ratio: float, treadles_per_turn: float = 1.0
) -> float:
    """Treadle strokes while one draft of this length goes in, so that it gets its twist.

    `treadles_per_turn` is how many strokes turn the wheel once: 1 of one foot, 2 when both feet
    are counted on a double treadle.
    """
    turns = _positive("twist", turns_per_inch) * _positive("a draft", draft_mm) / MM_PER_INCH
    return turns / _positive("a drive ratio", ratio) * _positive("strokes", treadles_per_turn)


def draft_mm_for_treadles(
    turns_per_inch: float, treadles: float, ratio: float, treadles_per_turn: float = 1.0
) -> float:
    """Length to draft in so many strokes; the inverse of `treadles_per_draft`."""
    turns = _positive("strokes", treadles) / _positive("strokes a turn", treadles_per_turn)
    return (
        turns * _positive("a drive ratio", ratio) * MM_PER_INCH / _positive("twist", turns_per_inch)
    )


def seconds_per_draft(turns_per_inch: float, draft_mm: float, turns_per_minute: float) -> float:
    """How long one draft of this length lasts on a motor wheel that turns so fast."""
    turns = _positive("twist", turns_per_inch) * _positive("a draft", draft_mm) / MM_PER_INCH
    return 60 * turns / _positive("a motor's speed", turns_per_minute)


def turns_per_minute_counted(turns: float, seconds: float) -> float:
    """Speed of a motor wheel from turns of its flyer that were counted, by ear or from a video."""
    return 60 * _positive("counted turns", turns) / _positive("seconds", seconds)


def _positive(what: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{what} must be a positive number, not {value:g}")
    return value
