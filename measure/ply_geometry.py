"""Geometry of plied yarn: round plies that touch, wound about a common axis.

All of it is closed forms for n equal round plies of diameter d whose centres lie at the corners
of a regular polygon of side d (two plies: at the ends of a line). Real plies squash one another;
what that changes is learned from finished skeins (`measure.bloom`), not guessed here.
"""

from __future__ import annotations

import math

from measure.yarn import MM_PER_INCH


def ply_factor(plies: int) -> float:
    """Mean width of so many touching round plies over their diameter: 1 + n/pi, from two on.

    By Cauchy's theorem the mean width of a convex outline is its perimeter over pi; that of the
    plies is the perimeter n d of their centres' hull and once round a ply. It holds over whole
    turns of the yarn: a shorter cut sees anything from `width_range`.
    """
    _at_least_one(plies)
    return 1.0 if plies == 1 else 1 + plies / math.pi


def enclosing_circle(plies: int) -> float:
    """Diameter of the circle round so many touching plies over theirs: 1 + 1/sin(pi/n)."""
    _at_least_one(plies)
    return 1.0 if plies == 1 else 1 + 1 / math.sin(math.pi / plies)


def width_range(plies: int) -> tuple[float, float]:
    """Narrowest and widest side view of so many touching plies over their diameter.

    Three plies are nowhere wider than 2 d, although the circle round them is 2.155 d.
    """
    _at_least_one(plies)
    if plies == 1:
        return 1.0, 1.0
    half = math.pi / plies
    if plies % 2:
        radius = axis_radius(plies)
        return 1 + radius * (1 + math.cos(half)), 1 + 2 * radius * math.cos(half / 2)
    across = 0.0 if plies == 2 else 1 / math.tan(half)
    return 1 + across, 1 + 1 / math.sin(half)


def axis_radius(plies: int) -> float:
    """Radius of the helix that the plies' axes run on, over their diameter: 1/(2 sin(pi/n))."""
    _at_least_one(plies)
    return 0.0 if plies == 1 else 0.5 / math.sin(math.pi / plies)


def ply_angle_deg(ply_mm: float, plies: int, turns_per_inch: float) -> float:
    """Slope of the plies' axes against the yarn: tan b = 2 pi R U, R their helix's radius.

    Of a single it is the slope of its surface fibres: tan a = pi d T.
    """
    return math.degrees(math.atan(_wound_mm(ply_mm, plies) * turns_per_inch / MM_PER_INCH))


def turns_for_angle(ply_mm: float, plies: int, angle_deg: float) -> float:
    """Turns per inch that give so steep a ply angle; the inverse of `ply_angle_deg`."""
    if not 0 <= angle_deg < 90:
        raise ValueError(f"a ply angle lies between 0 and 90 degrees, not {angle_deg:g}")
    return math.tan(math.radians(angle_deg)) * MM_PER_INCH / _wound_mm(ply_mm, plies)


def _wound_mm(ply_mm: float, plies: int) -> float:
    """Way round the axis in one turn: of the plies' axes, or of a single's surface."""
    if not (math.isfinite(ply_mm) and ply_mm > 0):
        raise ValueError(f"a ply's diameter is a positive number, not {ply_mm:g}")
    return 2 * math.pi * ply_mm * (0.5 if plies == 1 else axis_radius(plies))


def take_up(ply_mm: float, plies: int, turns_per_inch: float) -> float:
    """Share of a strand's length that plying takes up: 1 - cos b, b the plies' angle; 0 of one.

    Of round, touching, unstretched strands; plying against the singles' twist lengthens them a
    little, so that really less is lost.
    """
    if plies == 1:
        return 0.0
    return 1 - math.cos(math.radians(ply_angle_deg(ply_mm, plies, turns_per_inch)))


def _at_least_one(plies: int) -> None:
    if plies < 1:
        raise ValueError("a yarn has at least one ply")
