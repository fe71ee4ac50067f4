"""What the doubt of a fitted map means for lengths on the card and for the camera's place.

A map is moved a little along each of its independent doubts, and all of those maps are followed
at once: the sum of squares of what changes is the variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from measure.plane_map import NUDGE, Affine, Floats, Pinhole


@dataclass(frozen=True)
class PlaneDoubt:
    """A map (first) and the same moved by a small share of each independent one-sigma step."""

    axes: Floats
    """(1 + p, 3, 2) the card's two axes in the camera's frame,"""
    origin: Floats
    """(1 + p, 3) and its origin there."""
    log_focal: Floats
    """(1 + p, 1)"""
    k1: Floats
    """(1 + p, 1)"""
    k2: float
    perspective: bool
    """False for an affine map: its axes are px per mm, the third of them 0."""

    @staticmethod
    def of(plane: Pinhole | Affine) -> PlaneDoubt:
        """The doubt of one map."""
        maps = (plane, *plane.nudged)
        none = np.zeros((len(maps), 1))
        pinholes = [m for m in maps if isinstance(m, Pinhole)]
        if not pinholes:
            matrices = np.array([m.matrix for m in maps if isinstance(m, Affine)])
            axes = np.concatenate([matrices, np.zeros((len(maps), 1, 2))], axis=1)
            return PlaneDoubt(axes, np.zeros((len(maps), 3)), none, none, 0.0, False)
        return PlaneDoubt(
            np.array([m.rotation[:, :2] for m in pinholes]),
            np.array([m.origin_mm() for m in pinholes]),
            np.array([[m.log_focal] for m in pinholes]),
            np.array([[m.k1] for m in pinholes]),
            pinholes[0].k2,
            True,
        )

    def u_log_length(self, points_mm: Floats, along: Floats) -> Floats:
        """Relative standard uncertainty (n,) of lengths at points (n, 2) along unit (n, 2)."""
        turned = self.axes.transpose(0, 2, 1)
        way = along @ turned
        if not self.perspective:
            return _root_sum(np.log(np.hypot(way[..., 0], way[..., 1])))
        camera = points_mm @ turned + self.origin[:, None]
        depth = 1.0 / camera[..., 2]
        x, y = camera[..., 0] * depth, camera[..., 1] * depth
        by_x, by_y = (way[..., 0] - x * way[..., 2]), (way[..., 1] - y * way[..., 2])
        r2 = x * x + y * y
        gain = 1.0 + r2 * (self.k1 + self.k2 * r2)
        bend = 2.0 * (self.k1 + 2.0 * self.k2 * r2) * (x * by_x + y * by_y)
        px_per_mm = np.hypot(gain * by_x + bend * x, gain * by_y + bend * y) * depth
        return _root_sum(np.log(px_per_mm) + self.log_focal)

    def camera_covariance(self) -> Floats:
        """Covariance (3, 3) of the camera's centre in card coordinates, mm^2, z towards it."""
        third = np.cross(self.axes[:, :, 0], self.axes[:, :, 1])
        rotation = np.concatenate([self.axes, third[:, :, None]], axis=2)
        centre = -(self.origin[:, None] @ rotation)[:, 0] * [1.0, 1.0, -1.0]
        moved = (centre[1:] - centre[0]) / NUDGE
        return np.asarray(moved.T @ moved)


def _root_sum(values: Floats) -> Floats:
    """Root sum square (n,) of the changes of values (1 + p, n) from the first."""
    return np.asarray(np.sqrt(np.sum(((values[1:] - values[0]) / NUDGE) ** 2, axis=0)))
