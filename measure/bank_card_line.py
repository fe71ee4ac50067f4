"""Where the four sides of a bank card lie on a printed sheet, to a millimetre."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.card import ID1_SIZE_MM
from measure.check_paper import Paper, linear_light
from measure.check_sheet import SheetView
from measure.picture import Picture
from measure.results import Floats

OUTWARD: Final = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
"""Ways out over the sides: upper, right, lower, left."""
ALONG: Final = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])

HALF_MM: Final = np.array(ID1_SIZE_MM) / 2

CORNER_MM: Final = 5.0
"""Left out at each end: the round corner (at most 3.48 mm) and what lies near it."""

_COLUMN_MM: Final = 0.25
_DEPARTS: Final = 0.12
"""Share of the paper's light from which something lies there."""


@dataclass(frozen=True, eq=False)
class Line:
    """A side's line: d = offset + slope * t outside of the place where it would be foretold."""

    side: int
    middle_mm: Floats
    """(2,) the foretold side's own middle."""
    offset_mm: float
    slope: float

    def local(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Along and outwards of the line, mm, of points (n, 2)."""
        away = points_mm - self.middle_mm
        t = away @ ALONG[self.side]
        return t, away @ OUTWARD[self.side] - self.offset_mm - self.slope * t

    def point(self, t: Floats, d: Floats) -> Floats:
        """Points (n, 2) at `t` along and `d` outside of the line."""
        out = self.offset_mm + self.slope * t + d
        return np.asarray(
            self.middle_mm + t[..., None] * ALONG[self.side] + out[..., None] * OUTWARD[self.side]
        )


def foretold_line(view: SheetView, side: int) -> Line:
    """A side of a card that lies just where it should."""
    return Line(side, view.middle_mm + OUTWARD[side] * (abs(OUTWARD[side]) @ HALF_MM), 0.0, 0.0)


def reach_along(side: int) -> float:
    """Half the length of a side's straight part."""
    return float(abs(ALONG[side]) @ HALF_MM) - CORNER_MM


def coarse_line(picture: Picture, view: SheetView, paper: Paper, side: int) -> Line | None:
    """The outermost straight thing beside which the paper is bare, or None."""
    foretold, along = foretold_line(view, side), reach_along(side) - 1.0
    t = np.arange(-along, along + 1e-9, _COLUMN_MM)
    step = 0.1
    d = np.arange(view.reach_mm, -view.reach_mm, -step)
    points = foretold.point(np.repeat(t[:, None], len(d), 1), np.repeat(d[None], len(t), 0))
    clear = view.clear_of_ink(points) > 0.1 + 1.2 * view.sigma_px / view.px_per_mm()
    light, inside = _sampled(picture, view, points)
    share = light / paper.light(points.reshape(-1, 2)).reshape(light.shape)
    off = np.max(np.abs(share - 1), axis=2) > _DEPARTS
    # Three in a row: not a speck. Print further in than the card's edge lies under the card.
    run = off[:, :-2] & off[:, 1:-1] & off[:, 2:]
    first = np.argmax(run, axis=1)
    usable = run.any(axis=1) & (first > 3)
    rows = np.arange(len(t))
    for back in range(22):
        at = np.maximum(first - back, 0)
        usable &= clear[rows, at] & inside[rows, at]
    if np.count_nonzero(usable) < 24:
        return None
    return _robust_line(foretold, t[usable], d[first[usable]])


def _robust_line(foretold: Line, t: Floats, d: Floats) -> Line | None:
    """The line most of the places lie on, within 0.35 mm; None where fewer than half do."""
    random = np.random.default_rng(len(t))
    best: NDArray[np.bool_] | None = None
    for _try in range(200):
        i, j = random.integers(0, len(t), 2)
        if abs(t[i] - t[j]) < 8.0:
            continue
        slope = (d[i] - d[j]) / (t[i] - t[j])
        if abs(slope) > 0.12:
            continue
        near = np.abs(d - d[i] - slope * (t - t[i])) < 0.35
        if best is None or near.sum() > best.sum():
            best = near
    if best is None or best.sum() < 0.5 * len(t) or np.ptp(t[best]) < 0.3 * (t[-1] - t[0]):
        return None
    slope, offset = np.polyfit(t[best], d[best], 1)
    return replace(foretold, offset_mm=float(offset), slope=float(slope))


def _sampled(
    picture: Picture, view: SheetView, points_mm: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Linear light (a, b, channels) at points (a, b, 2), some 6 pixels to the mm, and if seen."""
    at = view.plane.to_picture(points_mm)
    rows, columns = picture.pixels.shape[:2]
    inside = np.all((at >= 1) & (at <= [columns - 2, rows - 2]), axis=-1)
    left, top = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - 8, 0)
    right, bottom = np.ceil(at.max(axis=(0, 1))).astype(int) + 9
    part = picture.pixels[top : max(bottom, top + 1), left : max(right, left + 1)]
    if not part.size:
        return np.ones((*points_mm.shape[:2], 1)), np.zeros(inside.shape, bool)
    shrink = max(1, int(view.px_per_mm() / 6.0))
    height, width = (max(n // shrink, 1) for n in part.shape[:2])
    small = cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA)
    map_x, map_y = (
        ((at[..., k] - origin + 0.5) / shrink - 0.5).astype(np.float32)
        for k, origin in ((0, left), (1, top))
    )
    codes = cv2.remap(small, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    flat = codes.reshape(-1, codes.shape[2]) if codes.ndim == 3 else codes.ravel()
    return linear_light(flat).reshape(*points_mm.shape[:2], -1), inside
