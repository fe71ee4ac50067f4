"""Arithmetic of twist: turns per length, twist multipliers, and what twist balances a plied yarn.

A plied yarn balances where the plies' wish to untwist is held by their bending round each other.
Of elastic singles, plied at once and under no tension, zero torque asks that

    U/u = 1 / (cos^2 b + c sin 2b tan 2b / 2),    tan b = 2 pi R U,

u being the turns of the single, U those of the ply, b the ply angle, R the radius of the plies'
axes, and c the bending stiffness of a single over its torsional one. (Derived for helical rods,
GJ(w0 - t) = EI (sin^2 b / R) tan 2b, and checked against the least energy.) So the share that is
plied back falls as plies lie steeper: the rules "two thirds" and "one half" in books are two
points of that curve, and neither is a verdict. The band told here runs from fresh singles with
c = 1 down to singles with c = 1.5 that have set in the wash, which loses them 14.3 % of their
turns (23 to 20 degrees, "Singles: to ply or not to ply", Knitty, winter 2005/06).
"""

from __future__ import annotations

import math
from typing import Final

from measure.ply_geometry import axis_radius
from measure.results import Interval
from measure.yarn import MM_PER_INCH, count_from_tex

INCHES_PER_M: Final = 1000 / MM_PER_INCH

STIFFNESS_RATIOS: Final = (1.0, 1.5)
"""Bending over torsional stiffness: of a round rod 1 + Poisson's number, so 1 to 1.5."""

SET_LOSS: Final = 1 - math.tan(math.radians(20)) / math.tan(math.radians(23))
"""Share of a single's turns that setting took in the one published case: 14.3 %."""


def turns_per_metre(turns_per_inch: float) -> float:
    """Turns per metre, 39.3701 to one per inch."""
    return turns_per_inch * INCHES_PER_M


def twist_multiplier(turns_per_inch: float, tex: float) -> float:
    """Turns per inch over the root of the cotton count (trade usage: 14 TPI in 16s is 3.5)."""
    return turns_per_inch / math.sqrt(count_from_tex(tex, "cotton"))


def tex_twist_factor(turns_per_inch: float, tex: float) -> float:
    """Turns per metre times the root of tex: 956.7 times the cotton multiplier."""
    if not tex > 0:
        raise ValueError(f"tex is a positive number, not {tex:g}")
    return turns_per_metre(turns_per_inch) * math.sqrt(tex)


def balanced_share(angle_deg: float, stiffness_ratio: float) -> float:
    """Ply turns over single's turns, U/u, of a balanced yarn of fresh elastic singles.

    Between 0 and 45 degrees: at 45 no twist of the single holds the plies any more.
    """
    if not 0 <= angle_deg < 45:
        raise ValueError(f"a balanced ply angle lies between 0 and 45 degrees, not {angle_deg:g}")
    b = math.radians(angle_deg)
    return 1 / (math.cos(b) ** 2 + stiffness_ratio * math.sin(2 * b) * math.tan(2 * b) / 2)


def balanced_share_band(angle_deg: float) -> Interval:
    """Least and greatest U/u that counts as balanced at this ply angle."""
    soft, stiff = STIFFNESS_RATIOS
    return (1 - SET_LOSS) * balanced_share(angle_deg, stiff), balanced_share(angle_deg, soft)


def single_turns_band(ply_turns_per_inch: float, ply_mm: float, plies: int) -> Interval:
    """Turns per inch of singles that so much ply twist balances, least first.

    ValueError where the plies lie steeper than 45 degrees, and for one ply.
    """
    b = math.degrees(math.atan(_per_turn(ply_mm, plies) * ply_turns_per_inch))
    low, high = balanced_share_band(b)
    return ply_turns_per_inch / high, ply_turns_per_inch / low


def ply_turns_band(single_turns_per_inch: float, ply_mm: float, plies: int) -> Interval:
    """Turns per inch of ply twist that balance singles of so much twist, least first.

    ValueError for one ply.
    """
    if not 0 <= single_turns_per_inch < math.inf:
        raise ValueError(f"twist is 0 or more, not {single_turns_per_inch:g}")
    per_turn = _per_turn(ply_mm, plies)
    soft, stiff = STIFFNESS_RATIOS
    fresh = _balance(single_turns_per_inch * per_turn, soft) / per_turn
    set_ = _balance((1 - SET_LOSS) * single_turns_per_inch * per_turn, stiff) / per_turn
    return set_, fresh


def turns_left(single_turns: float, ply_turns: float, angle_deg: float) -> float:
    """Turns of a single that are left in it after plying against them: u - U cos^2 b.

    The cos^2 is that of the twist relation in the Journal of the Textile Machinery Society of
    Japan 14 (1961) 115, read from its abstract.
    """
    return single_turns - ply_turns * math.cos(math.radians(angle_deg)) ** 2


def _per_turn(ply_mm: float, plies: int) -> float:
    """2 pi R in inches: tan b for one turn per inch."""
    if plies < 2:
        raise ValueError("a balance of twists takes at least two plies")
    if not ply_mm > 0:
        raise ValueError(f"a ply's diameter is a positive number, not {ply_mm:g}")
    return 2 * math.pi * axis_radius(plies) * ply_mm / MM_PER_INCH


def _balance(single: float, stiffness_ratio: float) -> float:
    """tan b where plies of this much twist (times 2 pi R) balance, by halving.

    sin 2b / 2 + c sin^2 b tan 2b rises from 0 without end as b goes to 45 degrees, so there is
    exactly one.
    """
    low, high = 0.0, math.pi / 4
    for _ in range(60):
        b = (low + high) / 2
        asked = math.sin(2 * b) / 2 + stiffness_ratio * math.sin(b) ** 2 * math.tan(2 * b)
        low, high = (b, high) if asked < single else (low, b)
    return math.tan(low)
