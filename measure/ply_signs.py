"""What a straightened strand shows of its plies: its two edges' courses, and its face's texture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.straightened import XI_STEP, Straightened

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_FACE: Final = 0.55
"""Half widths within which a strand of touching plies covers the ground all along."""
_BESIDE: Final = 1.45
"""Half widths from which the ground beside it is taken."""
_RIM: Final = (0.35, 0.70)
_EDGE_FROM: Final = 0.15
_EDGE_LEVELS: Final = (0.15, 0.55)
"""Shares of strand over ground between which an edge is placed: low, to be the outline's own and
not of the plies' shading."""
_STANDS_OUT: Final = 1.0
"""Log ratio of strand to ground from which edges count in full."""
_FEWEST_COLUMNS: Final = 12
_SIDES: Final = (-1.0, 1.0)
"""Of -u and of +u."""


@dataclass(frozen=True)
class PlySigns:
    """Signals along n columns."""

    s_mm: Floats
    edge: Floats
    """(n, 2) how far out the -u and the +u edge lies, half widths, less its stretch's mean."""
    edge_weight: Floats
    """(n,)"""
    face: Singles
    """(n, R, C) brightness over the row's mean in its stretch, less one."""
    face_weight: Floats
    """(n,)"""
    face_xi: Floats
    """(R,)"""


def ply_signs(strand: Straightened) -> PlySigns:
    """Edges and texture of a straightened strand, each stretch of ground on its own."""
    n, xi, light = len(strand.s_mm), strand.xi, strand.light
    on_face = _together(np.abs(xi) <= _FACE + 1e-9)
    face = np.zeros((n, len(xi[on_face]), light.shape[2]), np.float32)
    size = np.bincount(strand.stretch[strand.stretch >= 0])
    long = np.flatnonzero(size >= _FEWEST_COLUMNS)
    if not len(long):
        none = np.zeros(n)
        return PlySigns(strand.s_mm, np.zeros((n, 2)), none, face, none, xi[on_face])
    # Which of the stretches that are long enough each column lies in, 0 for none.
    order = np.zeros(len(size) + 1, int)
    order[long] = np.arange(1, len(long) + 1)
    owner = order[strand.stretch]
    stretches = [_together(owner == number) for number in range(1, len(long) + 1)]
    # Every row's mean in each stretch: (S, J, C).
    level = np.stack([_mean(light[columns]) for columns in stretches])
    gain = (1.0 / np.maximum(level[:, on_face], 1e-4)).astype(np.float32)
    to_cover, stands = _telling(level, xi)
    sides = [_together(sign * xi >= _EDGE_FROM) for sign in _SIDES]
    cover = np.zeros((2, n, np.count_nonzero(xi >= _EDGE_FROM)), np.float32)
    for i, columns in enumerate(stretches):
        seen = light[columns]
        face[columns] = seen[:, on_face] * gain[i] - np.float32(1.0)
        for side, rows in enumerate(sides):
            cover[side, columns] = cv2.transform(seen[:, rows], to_cover[i, side])
    np.clip(cover, np.float32(0.0), np.float32(1.0), out=cover)
    course = cover @ np.full(cover.shape[2], XI_STEP, np.float32)
    mean = [np.bincount(owner, of_side) / np.maximum(np.bincount(owner), 1) for of_side in course]
    weight = np.append(0.0, np.minimum(1.0, stands / _STANDS_OUT) ** 2)
    return PlySigns(
        strand.s_mm,
        edge=(course - np.stack(mean)[:, owner]).T,
        edge_weight=weight[owner],
        face=face,
        face_weight=(owner > 0).astype(float),
        face_xi=xi[on_face],
    )


def _telling(level: Floats, xi: Floats) -> tuple[Singles, Floats]:
    """How a column's light is told to be strand or ground at either side of each stretch, channels
    put together and a constant, (S, 2, 1, C + 1), and how far the strand stands out there, (S,).

    `level` (S, J, C) is every row's mean light.
    """
    out = np.multiply.outer(_SIDES, xi)
    rows = np.concatenate([(out > _RIM[0]) & (out < _RIM[1]), out > _BESIDE]).astype(float)
    means = rows / rows.sum(axis=1, keepdims=True) @ level
    rim, ground = means[:, :2], means[:, 2:]
    low, high = _EDGE_LEVELS
    way = rim - ground
    way /= np.maximum((way**2).sum(axis=2, keepdims=True), 1e-12) * (high - low)
    nothing = (ground * way).sum(axis=2, keepdims=True) + low / (high - low)
    ratio = np.log(np.maximum(rim, 1e-4) / np.maximum(ground, 1e-4))
    to_cover = np.concatenate([way, -nothing], axis=2)[:, :, None].astype(np.float32)
    return to_cover, np.abs(ratio).max(axis=2).min(axis=1)


def _mean(columns: Singles) -> Floats:
    """Mean of columns (m, ...), which takes NumPy several times longer."""
    mean = cv2.reduce(columns.reshape(len(columns), -1), 0, cv2.REDUCE_AVG)
    return mean.reshape(columns.shape[1:]).astype(float)


def _together(chosen: NDArray[np.bool_]) -> slice | NDArray[np.int_]:
    """Places chosen, as a slice where they follow one another: that copies nothing."""
    places = np.flatnonzero(chosen)
    first, last = int(places[0]), int(places[-1])
    return slice(first, last + 1) if last - first < len(places) else places
