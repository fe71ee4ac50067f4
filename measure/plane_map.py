"""Maps between the card's plane (true mm) and the picture (px), with their doubt.

Two of them: a pinhole camera with one term of radial lens distortion, and a plain affine map
for a flat-bed scan and for scales that no card gave. Both are frozen, hold the covariance of
their parameters, and can be stepped along them, which is how any length propagates its doubt.
Points are (..., 2) in any leading shape, float64.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FAR_MM: Final = 1e6
"""Height of the 'camera' of a view straight down from everywhere (a scan)."""

_CHUNK: Final = 16384
"""Points mapped at a time: the working arrays stay in the processor's cache."""


@dataclass(frozen=True)
class Pinhole:
    """A pinhole view of the card with radial distortion x_d = x (1 + k1 r^2 + k2 r^4).

    r is in units of the focal length; k2 is known beforehand or 0. Parameters, in the order of
    the covariance: rotation (3, radians, applied from the left), place of the pivot in the
    picture (2, px from the principal point, undistorted), log of its depth over the focal length,
    log focal length, k1, principal point (2, px), and the printed ink's outward spread (mm; it
    moves edges, not the map). So chosen, the focal length stands alone where a square-on view
    leaves it open.
    """

    pivot_mm: Floats
    """(2,) the place on the card that `rotation` leaves where it is."""
    rotation: Floats
    translation_mm: Floats
    """(3,) the pivot in the camera's frame."""
    log_focal: float
    k1: float
    centre_px: Floats
    ink_spread_mm: float
    covariance: Floats
    k2: float = 0.0

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return math.exp(self.log_focal)

    def to_picture(self, points_mm: Floats) -> Floats:
        """Pixels (..., 2) of points on the card (..., 2)."""
        flat = np.asarray(points_mm, float).reshape(-1, 2)
        out = np.empty_like(flat)
        R, t, f = self.rotation, self.origin_mm(), self.focal_px
        for start in range(0, len(flat), _CHUNK):
            X, Y = flat[start : start + _CHUNK].T
            depth = 1.0 / (R[2, 0] * X + R[2, 1] * Y + t[2])
            x = (R[0, 0] * X + R[0, 1] * Y + t[0]) * depth
            y = (R[1, 0] * X + R[1, 1] * Y + t[1]) * depth
            r2 = x * x + y * y
            gain = f + (f * r2) * (self.k1 + self.k2 * r2)
            out[start : start + _CHUNK, 0] = self.centre_px[0] + gain * x
            out[start : start + _CHUNK, 1] = self.centre_px[1] + gain * y
        return out.reshape(np.shape(points_mm))

    def to_card(self, points_px: Floats) -> Floats:
        """Millimetres (..., 2) on the card of pixels (..., 2); the inverse of `to_picture`."""
        flat = np.asarray(points_px, float).reshape(-1, 2)
        out = np.empty_like(flat)
        homography = np.column_stack([self.rotation[:, :2], self.origin_mm()])
        back = np.linalg.inv(homography)
        for start in range(0, len(flat), _CHUNK):
            x, y = ((flat[start : start + _CHUNK] - self.centre_px) / self.focal_px).T
            shrink = _undistorted(np.hypot(x, y), self.k1, self.k2)
            x, y = x * shrink, y * shrink
            depth = 1.0 / (back[2, 0] * x + back[2, 1] * y + back[2, 2])
            out[start : start + _CHUNK, 0] = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) * depth
            out[start : start + _CHUNK, 1] = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) * depth
        return out.reshape(np.shape(points_px))

    def jacobian(self, points_mm: Floats) -> Floats:
        """Pixels per mm (n, 2, 2) at points (n, 2): [pixel axis, card axis]."""
        camera = (points_mm - self.pivot_mm) @ self.rotation[:, :2].T + self.translation_mm
        return self._by_camera_point(camera) @ self.rotation[:, :2]

    def slopes_along(self, points_mm: Floats, outward: Floats, ways: Floats) -> Floats:
        """Change per parameter (n, 11) of printed points (n, 2), seen along unit `ways` (n, 2) px.

        `outward` (n, 2) is how a point moves per mm of ink spread.
        """
        px, py, pz = self.rotation[:, :2] @ (points_mm - self.pivot_mm).T
        tx, ty, tz = self.translation_mm.tolist()
        f = self.focal_px
        depth = 1.0 / (pz + tz)
        x, y = (px + tx) * depth, (py + ty) * depth
        wx, wy = ways.T
        r2 = x * x + y * y
        along = wx * x + wy * y
        # As `_by_camera_point`, along the ways.
        gain = f * depth * (1 + r2 * (self.k1 + self.k2 * r2))
        bend = f * depth * (2 * self.k1 + 4 * self.k2 * r2) * along
        gx, gy = gain * wx + bend * x, gain * wy + bend * y
        gz = -(gx * x + gy * y)
        reached = f * along
        out = np.empty((11, len(points_mm)))
        # A turn w moves the point by w x p, and g . (w x p) is w . (p x g).
        out[0] = py * gz - pz * gy
        out[1] = pz * gx - px * gz
        out[2] = px * gy - py * gx
        out[3], out[4] = gx * (tz / f), gy * (tz / f)
        out[5] = gx * tx + gy * ty + gz * tz
        out[6] = gz * tz + reached * (1 + r2 * (self.k1 + self.k2 * r2))
        out[7] = reached * r2
        out[8:10] = ways.T
        moved = self.rotation[:, :2] @ outward.T
        out[10] = gx * moved[0] + gy * moved[1] + gz * moved[2]
        return out.T

    def origin_mm(self) -> Floats:
        """The card's origin (3,) in the camera's frame."""
        return np.asarray(self.translation_mm - self.rotation[:, :2] @ self.pivot_mm)

    def _by_camera_point(self, camera: Floats) -> Floats:
        """Change of pixels (n, 2, 3) with the point in the camera's frame (n, 3)."""
        depth = 1.0 / camera[:, 2]
        x, y = camera[:, 0] * depth, camera[:, 1] * depth
        r2 = x * x + y * y
        scale = self.focal_px * depth
        gain = scale * (1 + r2 * (self.k1 + self.k2 * r2))
        bend = scale * (2 * self.k1 + 4 * self.k2 * r2)
        a = gain + bend * x * x
        b = bend * x * y
        c = gain + bend * y * y
        out = np.empty((len(camera), 2, 3))
        out[:, 0, 0], out[:, 0, 1] = a, b
        out[:, 1, 0], out[:, 1, 1] = b, c
        out[:, 0, 2] = -(a * x + b * y)
        out[:, 1, 2] = -(b * x + c * y)
        return out

    def stepped(self, step: Floats) -> Pinhole:
        """The map with its parameters moved by `step` (11,)."""
        turn = cv2.Rodrigues(np.asarray(step[:3], float))[0]
        move_x, move_y, nearer, zoom, bend = step[3:8].tolist()
        x, y, z = self.translation_mm.tolist()
        f = self.focal_px
        ratio = z / f * math.exp(nearer)
        seen = [(f * x / z + move_x) * ratio, (f * y / z + move_y) * ratio]
        return replace(
            self,
            rotation=turn @ self.rotation,
            translation_mm=np.array([*seen, ratio * f * math.exp(zoom)]),
            log_focal=self.log_focal + zoom,
            k1=self.k1 + bend,
            centre_px=self.centre_px + step[8:10],
            ink_spread_mm=self.ink_spread_mm + float(step[10]),
        )

    @cached_property
    def nudged(self) -> tuple[Pinhole, ...]:
        """Moved a little along each of its independent doubts, for `slopes_by_step`."""
        return _nudged(self)

    def camera_mm(self) -> Floats:
        """Camera centre (3,) in card coordinates, z from the card towards the camera."""
        x, y, z = -self.rotation.T @ self.origin_mm()
        # x right and y down leave a right-handed z pointing into the paper.
        return np.array([x, y, -z])


def _undistorted(radius: Floats, k1: float, k2: float) -> Floats:
    """Ratio of the undistorted to the distorted radius (n,), both in focal lengths."""
    if k1 == 0.0 and k2 == 0.0:
        return np.ones_like(radius)
    limit = 0.98 * _turning_radius(k1, k2)  # beyond it the map folds back
    r = np.minimum(radius, limit)
    for _ in range(12):
        r2 = r * r
        step = (r * (1 + r2 * (k1 + k2 * r2)) - radius) / (1 + r2 * (3 * k1 + 5 * k2 * r2))
        r = np.clip(r - step, 0.0, limit)
        if not step.size or np.max(np.abs(step)) < 1e-13:
            break
    return np.divide(r, radius, out=np.ones_like(radius), where=radius > 0)


def _turning_radius(k1: float, k2: float) -> float:
    """The radius, in focal lengths, at which a distorted radius no longer grows."""
    roots = np.roots([5 * k2, 3 * k1, 1.0])
    turns = [float(root.real) for root in roots if abs(root.imag) < 1e-12 and root.real > 0]
    return float(np.sqrt(min(turns))) if turns else np.inf


@dataclass(frozen=True)
class Affine:
    """Straight down from everywhere: px = matrix @ mm + offset.

    Parameters, in the order of the covariance: matrix (4, by rows, px per mm), offset (2, px),
    ink spread (mm).
    """

    matrix: Floats
    offset_px: Floats
    ink_spread_mm: float
    covariance: Floats

    def to_picture(self, points_mm: Floats) -> Floats:
        """Pixels (..., 2) of points on the card (..., 2)."""
        mapped: Floats = np.asarray(points_mm, float) @ self.matrix.T + self.offset_px
        return mapped

    def to_card(self, points_px: Floats) -> Floats:
        """Millimetres (..., 2) on the card of pixels (..., 2)."""
        back = np.linalg.inv(self.matrix)
        mapped: Floats = (np.asarray(points_px, float) - self.offset_px) @ back.T
        return mapped

    def jacobian(self, points_mm: Floats) -> Floats:
        """Pixels per mm (n, 2, 2): the same everywhere."""
        return np.broadcast_to(self.matrix, (len(points_mm), 2, 2))

    def slopes_along(self, points_mm: Floats, outward: Floats, ways: Floats) -> Floats:
        """Change per parameter (n, 7) of printed points (n, 2), seen along `ways` (n, 2) px."""
        out = np.empty((len(points_mm), 7))
        out[:, 0:2] = ways[:, :1] * points_mm
        out[:, 2:4] = ways[:, 1:] * points_mm
        out[:, 4:6] = ways
        out[:, 6] = np.sum(ways * (outward @ self.matrix.T), axis=1)
        return out

    def stepped(self, step: Floats) -> Affine:
        """The map with its parameters moved by `step` (7,)."""
        return replace(
            self,
            matrix=self.matrix + np.reshape(step[:4], (2, 2)),
            offset_px=self.offset_px + step[4:6],
            ink_spread_mm=self.ink_spread_mm + float(step[6]),
        )

    @cached_property
    def nudged(self) -> tuple[Affine, ...]:
        """Moved a little along each of its independent doubts, for `slopes_by_step`."""
        return _nudged(self)

    def camera_mm(self) -> Floats:
        """A point far above the origin: the view is straight down everywhere."""
        return np.array([0.0, 0.0, FAR_MM])


NUDGE: Final = 1e-4
"""Share of a standard deviation stepped to get a slope, so that propagation stays linear."""


def slopes_by_step(plane: Pinhole | Affine, value: Callable[[Pinhole | Affine], Floats]) -> Floats:
    """Change of a value (...) by each independent one-sigma step of the parameters (p, ...).

    The sum of its squares over the first axis is the value's variance.
    """
    base = value(plane)
    return np.array([(value(stepped) - base) / NUDGE for stepped in plane.nudged])


M = TypeVar("M", Pinhole, Affine)


def _nudged(plane: M) -> tuple[M, ...]:
    """The map moved by a small share of each of its independent one-sigma steps."""
    sizes = np.sqrt(np.maximum(np.diag(plane.covariance), 1e-300))
    values, vectors = np.linalg.eigh(plane.covariance / np.outer(sizes, sizes))
    steps = (sizes[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))).T
    return tuple(plane.stepped(NUDGE * step) for step in steps)
