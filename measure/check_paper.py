"""The light of the bare paper round a bank card: what its edges are seen against."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.card import ID1_SIZE_MM
from measure.check_sheet import SheetView
from measure.errors import MeasureError
from measure.linear_light import decode_srgb
from measure.picture import Picture
from measure.results import Floats

_BURNT_CODE: Final = 0.985
"""Linear light from which a pixel counts as clipped: code 253 of 255 and up."""
_MOST_BURNT: Final = 0.2


@dataclass(frozen=True, eq=False)
class Paper:
    """The bare paper's linear light over the sheet: exp of a quadratic in place, by channel."""

    middle_mm: Floats
    reach_mm: float
    coefficients: Floats
    """(6, channels)"""

    def light(self, points_mm: Floats) -> Floats:
        """Light (n, channels) that bare paper would have at points (n, 2)."""
        return np.asarray(np.exp(_quadratic(points_mm, self) @ self.coefficients))


def _quadratic(points_mm: Floats, paper: Paper) -> Floats:
    x, y = ((points_mm - paper.middle_mm) / paper.reach_mm).T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def read_paper(picture: Picture, view: SheetView) -> Paper:
    """The light of the bare paper round the bank card's place.

    Raises MeasureError `burnt_out` where it is brighter than the picture can hold, and
    `too_dark`.
    """
    x0, y0, x1, y1 = view.printed.around_mm
    grid = np.stack(np.meshgrid(np.arange(x0, x1, 0.5), np.arange(y0, y1, 0.5)), axis=-1)
    points = grid.reshape(-1, 2) * view.factors
    half = np.array(ID1_SIZE_MM) * view.factors / 2
    beyond = np.max(np.abs(points - view.middle_mm) - half, axis=1)
    soft_mm = 3 * view.sigma_px / view.px_per_mm()
    bare = (beyond > view.reach_mm - 0.6) & (view.clear_of_ink(points) > 0.3 + soft_mm)
    points = points[bare]
    at = np.rint(view.plane.to_picture(points)).astype(np.intp)
    rows, columns = picture.pixels.shape[:2]
    inside = (at >= 0).all(axis=1) & (at[:, 0] < columns) & (at[:, 1] < rows)
    points, at = points[inside], at[inside]
    light = linear_light(picture.pixels[at[:, 1], at[:, 0]])
    if len(light) < 50:
        raise MeasureError(
            "no_sheet",
            "Too little of the bare paper round the bank card is in the picture.",
            "Get all the squares round the bank card into the picture.",
        )
    if np.mean(light.max(axis=1) >= _BURNT_CODE) > _MOST_BURNT:
        raise MeasureError(
            "burnt_out",
            "The paper is burnt out: brighter than the picture can hold, so edges have moved.",
            "Lower the exposure, or take the direct light away.",
        )
    if np.median(light @ np.full(light.shape[1], 1 / light.shape[1])) < 0.03:
        raise MeasureError(
            "too_dark",
            "The picture is too dark to tell the bank card from the paper.",
            "Use more light, best from a cloudy window.",
        )
    paper = Paper(view.middle_mm, float(np.max(half)) + 15.0, np.zeros((6, light.shape[1])))
    design, wanted = _quadratic(points, paper), np.log(np.maximum(light, 1e-3))
    keep = np.ones(len(points), bool)
    for _round in range(4):
        solution = np.linalg.lstsq(design[keep], wanted[keep], rcond=None)[0]
        # A shadow or a finger makes paper darker, hardly ever brighter.
        off = np.max(np.abs(wanted - design @ solution), axis=1)
        keep = off < max(3.0 * float(np.median(off)), 0.03)
    return replace(paper, coefficients=np.asarray(solution, np.float64))


def linear_light(pixels: NDArray[Any]) -> Floats:
    """Linear light (n, channels) of pixels (n,) or (n, 3)."""
    linear = decode_srgb(np.ascontiguousarray(pixels))
    return np.asarray(linear[:, None] if linear.ndim == 1 else linear, np.float64)
