"""Plies of different colours: how far the two sides of a strand go apart from cut to cut.

Where plies lie side by side a cut shows one colour on its left and another on its right. Such a cut
is no cylinder of one colour: the edge of the ply that stands out less is placed too far in, by a
tenth of the width to a third.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.diameter import GroundDiameter, StrandDiameter
from measure.ground_level import PER_CUT
from measure.medians import medians
from measure.results import Twist

Floats = NDArray[np.float64]

_INNER: Final = (0.2, 0.75)
"""From where to where, in half widths, a side shows its own colour, clear of the other's and of
the edge."""
_BESIDE: Final = (2.0, 3.5)
"""Where the ground shows, in half widths."""
_FEWEST_CUTS: Final = 8
"""Running cuts."""
_APART: Final = 0.22
_APART_ALONE: Final = 0.4
"""Of the contrast, on both grounds and on the only one: yarn of one colour, drawn and path-traced,
stays below 0.15 on one of two grounds; of two colours it is above 0.25 on both (ours). A lamp along
the strand can bring 0.3 to one ground, not to both."""


def colours_apart(strand: StrandDiameter, twist: Twist | None) -> float:
    """How far a strand's plies differ in colour or brightness, over its contrast; 0 where alike."""
    if strand.no_ground:
        return 0.0
    found = [_apart(strand, g) for g in strand.grounds if len(g.index) >= _FEWEST_CUTS]
    if not found:
        return 0.0
    striped = twist is not None and any(cue.name == "stripes" for cue in twist.cues)
    sure = min(found) > (_APART if len(found) > 1 else _APART_ALONE)
    return max(found) if sure or (striped and max(found) > _APART) else 0.0


def _apart(strand: StrandDiameter, ground: GroundDiameter) -> float:
    """Spread of the sides' difference over the contrast, in the channel where it is most.

    What is the same in every cut is the lamp's doing, not the plies'.
    """
    # Running cuts overlap; those that do not show all there is.
    some = slice(None, None, PER_CUT)
    cuts, index = strand.cuts, ground.index[some]
    middle, half = (
        x[some, None].astype(np.float32) for x in (ground.middle_mm, ground.half_width_mm)
    )
    xi = (cuts.u_mm.take(index, axis=0) - middle) / half
    out = np.abs(xi)
    inner = (out > _INNER[0]) & (out < _INNER[1])
    places = [inner & (xi < 0), inner & (xi > 0), (out > _BESIDE[0]) & (out < _BESIDE[1])]
    weight = np.array(places) * cuts.weight.take(index, axis=0)
    light = np.array([channel.take(index, axis=0) for channel in cuts.light])
    sums = weight.swapaxes(0, 1) @ light.transpose(1, 2, 0)
    sums /= np.maximum(weight.sum(axis=2).T, 1e-6)[..., None]
    left, right, bare = sums.astype(float).transpose(1, 0, 2)
    apart = left - right
    apart = apart - medians(apart)
    contrast = np.abs(medians(0.5 * (left + right) - bare)).max()
    return float(np.sqrt(np.mean(apart**2, axis=0)).max() / max(contrast, 1e-3))
