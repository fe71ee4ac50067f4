"""Light on a cylinder and on the plane below it, in closed forms, each with its slopes.

Lengths are in radii of the cylinder, x is measured from below its axis. Every function gives its
value alone, or value and slopes stacked along the second axis; all figures of a cut (k, 1), places
(k, m).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from measure.normal_curve import step_and_bell

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Real = TypeVar("Real", np.float32, np.float64)

_HARDEST: Final = 0.01
"""Softness of the hardest shadow's edge."""


def lamp_on_face(
    n_z: NDArray[Real],
    n_x: NDArray[Real],
    lean: NDArray[Real],
    softness: NDArray[Real],
    slopes: bool,
) -> tuple[NDArray[Real], ...]:
    """Light of a lamp on facets of normal (n_x, n_z): mean of max(0, n.l) / l_z over its disc.

    With slopes by lean and softness. A lamp of some size sets gradually round the strand.
    """
    # Its angular depth follows from the far shadow edge's by d(tan + sec) = sec (sec + tan).
    sec = np.sqrt(1.0 + lean**2)
    lift = sec + np.abs(lean)
    depth = np.maximum(softness / lift, 1e-3)
    height = (n_z - lean * n_x) / depth
    risen, rate = step_and_bell(height)
    value = depth * (height * risen + rate)
    if not slopes:
        return (value,)
    deeper = (softness > 1e-3 * lift) / lift
    by_lean = -n_x * risen - rate * (softness * deeper * (lean / sec + np.sign(lean)) / lift)
    return value, by_lean, rate * deeper


def lamp_shadow(
    x: NDArray[Real],
    rise: NDArray[Real],
    lean: NDArray[Real],
    softness: NDArray[Real],
    near_share: NDArray[Real],
    slopes: bool,
) -> tuple[NDArray[Real], ...]:
    """Share of a lamp's light that a cylinder `rise` high keeps from the ground.

    With slopes by x, lean, softness, near share and rise.
    """
    sec = np.sqrt(1.0 + lean**2)
    far = np.maximum(softness, _HARDEST)
    near = np.maximum(softness * near_share, _HARDEST)
    positive = lean >= 0
    before, behind = np.where(positive, near, far), np.where(positive, far, near)
    ends = np.empty((2, len(rise), x.shape[-1]), x.dtype)
    from_middle = x - rise * lean
    np.divide(from_middle + sec, before, out=ends[0])
    np.divide(from_middle - sec, behind, out=ends[1])
    (first, last), ((to_first, to_last), (first_rate, last_rate)) = ends, step_and_bell(ends)
    value = to_first - to_last
    if not slopes:
        return (value,)
    first_rate /= before
    last_rate /= behind
    by_x = first_rate - last_rate
    by_before, by_behind = -first_rate * first, last_rate * last
    near_moves, far_moves = softness * near_share > _HARDEST, softness > _HARDEST
    by_near = np.where(positive, by_before, by_behind)
    by_far = np.where(positive, by_behind, by_before)
    return (
        value,
        by_x,
        (first_rate + last_rate) * (lean / sec) - rise * by_x,
        by_far * far_moves + by_near * (near_share * near_moves),
        by_near * (softness * near_moves),
        -lean * by_x,
    )


def sky_hidden(x: NDArray[Real], rise: NDArray[Real], slopes: bool) -> tuple[NDArray[Real], ...]:
    """Share of an even sky's light that a cylinder `rise` high keeps from the ground.

    With slopes by x and rise.
    """
    square: NDArray[Real] = x * x + rise * rise
    value: NDArray[Real] = rise / square
    if not slopes:
        return (value,)
    return value, -2.0 * x * value / square, (1.0 - 2.0 * rise * value) / square


@dataclass(frozen=True)
class Exchange:
    """Form factors between a unit cylinder on the plane and the plane."""

    n_z: Floats
    n_x: Floats
    theta: Floats
    """Slopes of the facets' middles, their normals beside them, (facets,)."""
    x: Singles
    """Middles of the ground's cells (cells,)."""
    to_facets: Singles
    """(cells, facets)"""
    to_ground: Singles
    """(facets, cells)"""


@lru_cache(maxsize=1)
def exchange() -> Exchange:
    """Two-dimensional form factors by the crossed-strings rule (Hottel), computed once.

    Half the difference of sines of the directions to a piece's two ends.
    """
    facets = 96
    edges_t = np.linspace(-np.pi, np.pi, facets + 1)
    theta = 0.5 * (edges_t[1:] + edges_t[:-1])
    grid = np.concatenate([np.linspace(0, 3, 25), np.geomspace(3.2, 60, 24)])
    edges_x = np.concatenate([-grid[:0:-1], grid])
    x_cell = 0.5 * (edges_x[1:] + edges_x[:-1])
    px, pz = np.sin(theta), 1.0 + np.cos(theta)
    nx, nz = np.sin(theta), np.cos(theta)

    def sine_from_normal(x: Floats) -> Floats:
        dx, dz = x[None, :] - px[:, None], -pz[:, None]
        length = np.hypot(dx, dz)
        cosine = (dx * nx[:, None] + dz * nz[:, None]) / length
        sine = (dx * nz[:, None] - dz * nx[:, None]) / length
        # Behind the facet's own horizon the sine is held where it was there and adds nothing.
        return np.where(cosine > 0, sine, np.sign(theta)[:, None])

    ground_to_facet = 0.5 * np.abs(np.diff(sine_from_normal(edges_x), axis=1))

    # Seen from the ground the direction's sine from the vertical is what counts.
    ex, ez = np.sin(edges_t), 1.0 + np.cos(edges_t)
    dx = ex[None, :] - x_cell[:, None]
    sine = dx / np.maximum(np.hypot(dx, ez[None, :]), 1e-9)
    toward = (px[None, :] - x_cell[:, None]) * nx[None, :] + pz[None, :] * nz[None, :]
    facet_to_ground = 0.5 * np.abs(np.diff(sine, axis=1)) * (toward < 0)
    return Exchange(
        nz,
        nx,
        theta,
        x_cell.astype(np.float32),
        np.ascontiguousarray(ground_to_facet.T, np.float32),
        np.ascontiguousarray(facet_to_ground.T, np.float32),
    )
