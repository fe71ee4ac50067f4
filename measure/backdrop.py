"""How plain it is what shows behind a strand in a window cut out of the card.

Brickwork, print or leaves have lines of their own that look like strands, and leave no level to
tell a strand from. A screen, a shade, the sky or a dark room have neither.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from measure.profiles import Cuts

_CLEAR: Final = 1.5
"""Widths from the centreline beyond which nothing of the strand itself is left."""
_FEWEST_SAMPLES: Final = 3
_FEWEST_CUTS: Final = 12


def unrest(cuts: Cuts) -> float | None:
    """Root mean square of the bare ground about a smooth course along, relative to white paper.

    The larger of the two sides and of the channels, each side's samples of a cut averaged, so that
    the camera's noise counts for little; a light that falls off along is a course, not unrest.
    None where too little bare ground shows.
    """
    half = float(np.abs(cuts.u_mm).max())
    edge = min(max(_CLEAR * cuts.line.width_mm, 0.6 * half), 0.8 * half)
    bare = (np.abs(cuts.u_mm) > edge) & (cuts.weight > 0.5) & cuts.valid[:, None]
    found: list[float] = []
    for side in (-1, 1):
        there = bare & (np.sign(cuts.u_mm) == side)
        count = there.sum(axis=1)
        own = count >= _FEWEST_SAMPLES
        if np.count_nonzero(own) < _FEWEST_CUTS:
            continue
        light = cuts.light - cuts.level.T[..., None]
        level = (light * there).sum(axis=2).T[own] / count[own, None]
        along = cuts.arc_mm[own]
        course = np.polynomial.polynomial.polyvander((along - along.mean()) / np.ptp(along), 2)
        left = level - course @ np.linalg.lstsq(course, level, rcond=None)[0]
        found.append(float(np.sqrt(np.mean(left**2, axis=0)).max()))
    return max(found) if found else None
