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
    edge = np.zeros((n, 2))
    face = np.zeros((n, len(xi[on_face]), light.shape[2]), np.float32)
    edge_weight, face_weight = np.zeros(n), np.zeros(n)
    size = np.bincount(strand.stretch[strand.stretch >= 0])
    stretches = [
        _together(strand.stretch == number) for number in np.flatnonzero(size >= _FEWEST_COLUMNS)
    ]
    if not stretches:
        return PlySigns(strand.s_mm, edge, edge_weight, face, face_weight, xi[on_face])
    # Every row's mean in each stretch: (S, J, C).
    level = np.stack([_mean(light[columns]) for columns in stretches])
    gain = (1.0 / np.maximum(level[:, on_face], 1e-4)).astype(np.float32)
    # Both sides' rows beside each other, R each: (J, 2 R).
    sides = np.repeat([-1.0, 1.0], np.count_nonzero(xi >= _EDGE_FROM))
    rows = np.concatenate([np.flatnonzero(sign * xi >= _EDGE_FROM) for sign in (-1.0, 1.0)])
    of_row = np.arange(len(xi))[:, None] == rows
    way, nothing, stands = zip(*(_side(level, xi, sign) for sign in (-1.0, 1.0)), strict=True)
    # Light of a column (J C,) into its cover (2 R,), a stretch at a time.
    of_side = np.where(sides > 0, way[1][..., None], way[0][..., None])
    to_cover = of_row[:, None] * of_side[:, None].astype(np.float32)
    to_cover = to_cover.reshape(len(stretches), -1, len(rows))
    none = np.where(sides > 0, nothing[1][:, None], nothing[0][:, None]).astype(np.float32)
    to_course = (sides[:, None] == (-1.0, 1.0)).astype(np.float32) * np.float32(XI_STEP)
    weight = np.minimum(1.0, np.minimum(*stands) / _STANDS_OUT) ** 2
    for i, columns in enumerate(stretches):
        seen = light[columns]
        face[columns] = seen[:, on_face] * gain[i] - np.float32(1.0)
        face_weight[columns], edge_weight[columns] = 1.0, weight[i]
        cover = seen.reshape(len(seen), -1) @ to_cover[i]
        cover -= none[i]
        course = np.clip(cover, np.float32(0.0), np.float32(1.0), out=cover) @ to_course
        edge[columns] = course - _mean(course)
    return PlySigns(strand.s_mm, edge, edge_weight, face, face_weight, xi[on_face])


def _side(level: Floats, xi: Floats, sign: float) -> tuple[Floats, Floats, Floats]:
    """How channels are put together to tell strand from ground at one side of each stretch, (S, C),
    what shows no strand so, (S,), and how far strand stands out from ground there, (S,).

    `level` (S, J, C) is every row's mean light.
    """
    out = sign * xi
    low, high = _EDGE_LEVELS
    rim = level[:, _together((out > _RIM[0]) & (out < _RIM[1]))].mean(axis=1)
    ground = level[:, _together(out > _BESIDE)].mean(axis=1)
    way = rim - ground
    way /= np.maximum((way**2).sum(axis=1), 1e-12)[:, None] * (high - low)
    nothing = (ground * way).sum(axis=1) + low / (high - low)
    ratio = np.log(np.maximum(rim, 1e-4) / np.maximum(ground, 1e-4))
    return way, nothing, np.abs(ratio).max(axis=1)


def _mean(columns: Singles) -> Floats:
    """Mean of columns (m, ...), which takes NumPy several times longer."""
    mean = cv2.reduce(columns.reshape(len(columns), -1), 0, cv2.REDUCE_AVG)
    return mean.reshape(columns.shape[1:]).astype(float)


def _together(chosen: NDArray[np.bool_]) -> slice | NDArray[np.int_]:
    """Places chosen, as a slice where they follow one another: that copies nothing."""
    places = np.flatnonzero(chosen)
    first, last = int(places[0]), int(places[-1])
    return slice(first, last + 1) if last - first < len(places) else places
