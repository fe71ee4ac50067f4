"""What a straightened strand shows of its plies: its two edges' courses, and its face's texture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

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
    n = len(strand.s_mm)
    xi = strand.xi
    on_face = _rows(np.abs(xi) <= _FACE + 1e-9)
    edge = np.zeros((n, 2))
    face = np.zeros((n, len(xi[on_face]), strand.light.shape[2]), np.float32)
    edge_weight, face_weight = np.zeros(n), np.zeros(n)
    low, high = _EDGE_LEVELS
    numbers, size = np.unique(strand.stretch[strand.stretch >= 0], return_counts=True)
    numbers = numbers[size >= _FEWEST_COLUMNS]
    # Which column (m,) is of which stretch.
    of_stretch = strand.stretch == numbers[:, None]
    columns = np.flatnonzero(of_stretch.any(axis=0))
    if not len(columns):
        return PlySigns(strand.s_mm, edge, edge_weight, face, face_weight, xi[on_face])
    owner = of_stretch[:, columns].argmax(axis=0)
    size = np.bincount(owner)
    # Whole rows are taken many times faster so than by an index in brackets.
    seen = strand.light.take(columns, axis=0)
    # Every row's mean in each stretch: (S, J, C).
    sums = of_stretch[:, columns].astype(np.float32) @ seen.reshape(len(seen), -1)
    level = sums.reshape(-1, *seen.shape[1:]).astype(float) / size[:, None, None]
    gain = (1.0 / np.maximum(level[:, on_face], 1e-4)).astype(np.float32)
    face[columns] = seen[:, on_face] * gain.take(owner, axis=0) - np.float32(1.0)
    face_weight[columns] = 1.0
    stands = []
    for side, sign in enumerate((-1.0, 1.0)):
        out = sign * xi
        rim = level[:, (out > _RIM[0]) & (out < _RIM[1])].mean(axis=1)
        ground = level[:, out > _BESIDE].mean(axis=1)
        way = rim - ground
        # Channels put together as they tell strand from ground, and ground is 0.
        way /= np.maximum((way**2).sum(axis=1), 1e-12)[:, None] * (high - low)
        nothing = (ground * way).sum(axis=1) + low / (high - low)
        rows = seen[:, _rows(out >= _EDGE_FROM)]
        weight = way.astype(np.float32).take(owner, axis=0)
        cover = np.einsum("njc,nc->nj", rows, weight)
        cover -= nothing.astype(np.float32)[owner, None]
        np.clip(cover, np.float32(0.0), np.float32(1.0), out=cover)
        course = cover.sum(axis=1, dtype=float) * XI_STEP
        edge[columns, side] = course - (np.bincount(owner, course) / size)[owner]
        ratio = np.log(np.maximum(rim, 1e-4) / np.maximum(ground, 1e-4))
        stands.append(np.abs(ratio).max(axis=1))
    edge_weight[columns] = (np.minimum(1.0, np.minimum(*stands) / _STANDS_OUT) ** 2)[owner]
    return PlySigns(strand.s_mm, edge, edge_weight, face, face_weight, xi[on_face])


def _rows(chosen: NDArray[np.bool_]) -> slice:
    """Rows that follow one another, as a slice."""
    first = int(np.argmax(chosen))
    return slice(first, first + int(chosen.sum()))
