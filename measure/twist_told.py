"""What is said of a strand's twist: turns with their interval, or why there are none."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from measure.notes import twist_reason
from measure.ply_geometry import ply_angle_deg
from measure.ply_twist import turns_per_metre
from measure.results import Twist, TwistCue
from measure.yarn import MM_PER_INCH


def told(
    plies: int | None,
    turns: tuple[float, float, float],
    hand: Literal["S", "Z"] | None,
    diameter_mm: float,
    turns_seen: float,
    cues: tuple[TwistCue, ...],
    agree: bool | None,
    cv_percent: float | None,
) -> Twist:
    """Turns per inch (middle, low, high) of a strand that is so thick."""
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


def untold(
    code: str,
    *,
    plies: int | None = None,
    turns_seen: float | None = None,
    cues: tuple[TwistCue, ...] = (),
    cues_agree: bool | None = None,
    **figures: float,
) -> Twist:
    """No turns, for the reason of that code, its figures filled in."""
    return Twist(
        plies=plies,
        turns_seen=turns_seen,
        cues=cues,
        cues_agree=False if code == "twist_cues_disagree" else cues_agree,
        reason=twist_reason(code, **figures),
    )


def angle_alone(twist: Twist) -> Twist:
    """A single's surface angle without its turns, fewer than three of which are in view."""
    without = untold("too_few_turns", plies=1, turns_seen=twist.turns_seen, cues=twist.cues)
    return replace(
        without,
        twist=twist.twist,
        angle_deg=twist.angle_deg,
        angle_interval_deg=twist.angle_interval_deg,
    )


def cue(
    name: Literal["edges", "texture", "stripes", "slope"], turns_per_mm: float, u_relative: float
) -> TwistCue:
    """What one cue says by itself."""
    turns = turns_per_mm * MM_PER_INCH
    return TwistCue(name, turns, u_relative * turns)
