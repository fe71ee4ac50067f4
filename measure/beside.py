"""What the other strands of a lane do to the light on the ground beside one of them.

They hide some of the sky from it and throw some light on it, far beyond their own edges: a strand
of one millimetre hides 4 % of the sky two and a half millimetres from its middle. Seen from so far
all that counts of it is its width, its place and its brightness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.radiometry import sky_hidden
from measure.shading import Light

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_BY_SKY: Final = 0.72
_BY_LAMP: Final = 0.54
_BY_LEAN: Final = 0.8
"""Light that a white strand throws on white ground far beside it, as a share of the sky it hides
there: under a sky; under a lamp straight above; how much more of that (exponent) by the tangent of
a lamp's lean, on the lit side, and less on the other. As `measure.shading` has it for the strand
itself; where nothing shades, nothing is thrown."""

_LYING: Final = np.ones((1, 1), np.float32)
"""Height of a strand's axis that lies on the card, in radii."""


@dataclass(frozen=True)
class Others:
    """What other strands hide of an even sky, and that times their brightness, at some places.

    The brightness of those to the left of a place counts apart from that of those to the right.
    """

    hidden: NDArray[np.floating[Any]]
    left: NDArray[np.floating[Any]]
    right: NDArray[np.floating[Any]]


def others_at(u_mm: Singles, others_mm: Floats, view_tan: Floats) -> Others:
    """At places u (n, J) across n cuts seen under `view_tan` (n,).

    `others_mm` (n, m, 3): where along u the outlines of other strands lie, their half widths (0 for
    none) and brightnesses relative to white.
    """
    hidden, left, right = np.zeros((3, *u_mm.shape), np.float32)
    figures = _placed(others_mm, view_tan)
    for number in range(others_mm.shape[1]):
        at, by_half, bright = figures[:, :, number]
        away = u_mm - at
        beyond = away >= 0.0
        away *= by_half
        share = sky_hidden(away, _LYING, False)[0]
        hidden += share
        share *= bright
        left += share
        share *= beyond
        right += share
        left -= share
    return Others(hidden, left, right)


def _placed(others_mm: Floats, view_tan: Floats) -> Singles:
    """Where other strands touch the ground, one over their half widths, brightnesses (3, n, m, 1).

    Seen aside, the place of contact lies beside the outline's middle.
    """
    contact = others_mm[..., 0] + view_tan[:, None] * others_mm[..., 1]
    narrow = 1.0 / np.maximum(others_mm[..., 1], 1e-6)
    return np.array([contact, narrow, others_mm[..., 2]], np.float32)[..., None]


def left_of_light(light: Floats, others: Others) -> tuple[Floats, tuple[Floats, ...]]:
    """What other strands leave of the light on the ground, 1 for all, and its slopes.

    `light` (k, 7) or broadcast alike: figures of a `Light` in order along the last axis. The slopes
    are by sky, lamp, lean and bounce.
    """
    sky, lamp, lean, bounce = (light[..., i] for i in (0, 1, 2, 6))
    more = np.exp(_BY_LEAN * lean)
    both = others.left + others.right
    lit = _BY_LAMP * (more * others.left + others.right / more)
    given = _BY_SKY * sky * both + lamp * lit
    by_more = _BY_LAMP * _BY_LEAN * (more * others.left - others.right / more)
    return 1.0 - sky * others.hidden + bounce * given, (
        bounce * _BY_SKY * both - others.hidden,
        bounce * lit,
        bounce * lamp * by_more,
        given,
    )


def dimmed(light: Light, u_mm: Singles, others_mm: Floats, view_tan: Floats) -> Singles:
    """What other strands leave of one light on the ground, as `others_at` and `left_of_light`.

    (n, J), in one go.
    """
    less = np.ones_like(u_mm)
    more = np.exp(_BY_LEAN * light.lean)
    by_sky, by_lamp = _BY_SKY * light.sky, _BY_LAMP * light.lamp
    contact, narrow, bright = _placed(others_mm, view_tan)
    to_left = (light.sky - light.bounce * (by_sky + by_lamp * more) * bright).astype(np.float32)
    to_right = (light.sky - light.bounce * (by_sky + by_lamp / more) * bright).astype(np.float32)
    for number in range(others_mm.shape[1]):
        away = u_mm - contact[:, number]
        taken = np.where(away < 0.0, to_left[:, number], to_right[:, number])
        away *= narrow[:, number]
        taken *= sky_hidden(away, _LYING, False)[0]
        less -= taken
    return less
