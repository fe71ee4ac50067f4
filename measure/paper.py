"""Bare paper of the card: how bright it is, and whether a lane's window was cut out of it."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.linear_light import decode_srgb
from measure.picture import Picture
from measure.scale import Scale

Floats = NDArray[np.float64]

_LIKE_PAPER: Final = (0.82, 1.14)
"""What the ground in an open lane may be of the paper's brightness if it is that paper."""


def paper_level(picture: Picture, scale: Scale) -> Floats | None:
    """Linear light of bare paper (C,) between the markers beside the open lane, or None.

    Between two neighbouring markers of a row nothing is printed and no strand lies.
    """
    if scale.card is None:
        return None
    lane = scale.card.lane("open")
    below = [m for m in scale.card.markers if m.y_mm > lane.y_mm]
    above_y = max(m.y_mm for m in scale.card.markers if m.y_mm < lane.y_mm)
    rows = [below, [m for m in scale.card.markers if m.y_mm == above_y]]
    points = [
        (0.5 * (a.x_mm + a.side_mm + b.x_mm), a.y_mm + 0.5 * a.side_mm)
        for row in rows
        for a, b in pairwise(row)
    ]
    factors = np.array([scale.printer.x, scale.printer.y])
    px = np.rint(scale.to_picture(np.array(points) * factors)).astype(int)
    height, width = picture.pixels.shape[:2]
    inside = (px[:, 0] >= 1) & (px[:, 0] < width - 1) & (px[:, 1] >= 1) & (px[:, 1] < height - 1)
    px = px[inside]
    if len(px) < 2:
        return None
    patches = np.stack([picture.pixels[y - 1 : y + 2, x - 1 : x + 2].reshape(9, -1) for x, y in px])
    return np.asarray(np.median(decode_srgb(patches).mean(axis=1), axis=0), float)


def cut_out(paper: Floats | None, behind: Floats) -> bool:
    """True when what shows in the open lane, (C,) linear light, cannot be the card's own paper."""
    if paper is None:
        return False
    ratio = behind / np.maximum(paper, 1e-4)
    return bool((ratio < _LIKE_PAPER[0]).any() or (ratio > _LIKE_PAPER[1]).any())
