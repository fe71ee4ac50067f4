"""The mapping between card and picture: pinhole or parallel rays, tilt, roll, distortion."""

from __future__ import annotations

import math

import numpy as np
from analytic_types import Camera, Floats

from measure.card import Card


class View:
    """The mapping between card and picture before mirror and quarter turns."""

    def __init__(self, card: Card, camera: Camera) -> None:
        tilt, azimuth = math.radians(camera.tilt_deg), math.radians(camera.tilt_azimuth_deg)
        roll = math.radians(camera.roll_deg)
        toward = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
        up = np.array([0.0, 0.0, 1.0])
        self.view = math.sin(tilt) * toward + math.cos(tilt) * up

        def turned(vector: Floats) -> Floats:
            along = vector @ toward
            turn = (math.cos(tilt) - 1) * toward - math.sin(tilt) * up
            return np.asarray(vector + along * turn)

        right, down = turned(np.array([1.0, 0, 0])), turned(np.array([0, 1.0, 0]))
        i = math.cos(roll) * right - math.sin(roll) * down
        j = math.sin(roll) * right + math.cos(roll) * down
        middle = np.array([card.width_mm / 2, card.height_mm / 2, 0.0])
        scale = camera.px_per_mm
        self.k1 = camera.k1
        self.focal_px: float | None = None
        self.centre_mm: Floats | None = None
        self.place_mm: tuple[float, float, float] | None = None
        if camera.distance_mm is None:
            if camera.k1:
                raise ValueError("parallel rays have no focal length to distort in")
            last = np.array([0.0, 0, 0, 1])
            rows = [scale * np.append(a, -a @ middle) for a in (i, j)]
        else:
            self.focal_px = scale * camera.distance_mm
            self.centre_mm = middle + camera.distance_mm * self.view
            x, y, z = self.centre_mm
            self.place_mm = (float(x), float(y), float(z))
            last = np.append(-self.view, self.view @ self.centre_mm)
            rows = [self.focal_px * np.append(a, -a @ self.centre_mm) for a in (i, j)]
        self.matrix = np.vstack([*rows, last])
        self.inverse = np.linalg.inv(self.matrix[:, [0, 1, 3]])
        self.inverse /= self.inverse[2, 2]
        corners = np.array(
            [
                [x, y]
                for x in (-camera.margin_mm, card.width_mm + camera.margin_mm)
                for y in (-camera.margin_mm, card.height_mm + camera.margin_mm)
            ]
        )
        self._refuse_folding(corners)
        reach = np.ceil(np.abs(self.centred(corners)).max(axis=0)).astype(int)
        self.width = camera.width_px or 2 * int(reach[0])
        self.height = camera.height_px or 2 * int(reach[1])
        self.middle = np.array([(self.width - 1) / 2, (self.height - 1) / 2])
        self.undistortion = self._undistortion()

    def centred(self, points_mm: Floats) -> Floats:
        """Card points to picture points counted from the principal point."""
        q = self._unbent(points_mm)
        if self.k1 and self.focal_px:
            q = q * (1 + self.k1 * (q**2).sum(axis=1, keepdims=True) / self.focal_px**2)
        return np.asarray(q)

    def _unbent(self, points_mm: Floats) -> Floats:
        p = np.asarray(points_mm, float)
        if p.shape[1] == 2:
            p = np.column_stack([p, np.zeros(len(p))])
        q = p @ self.matrix[:, :3].T + self.matrix[:, 3]
        return np.asarray(q[:, :2] / q[:, 2:])

    def _refuse_folding(self, corners: Floats) -> None:
        """The card must lie where a negative k1 has not yet turned the picture back inwards."""
        if self.k1 < 0 and self.focal_px:
            u = self._unbent(corners) / self.focal_px
            if 1 + 3 * self.k1 * (u**2).sum(axis=1).max() <= 0:
                raise ValueError("k1 folds the picture over")

    def _undistortion(self) -> Floats | None:
        """Polynomial in r_d^2 (focal units) of r_u / r_d, ascending, good to 1e-7."""
        if not self.k1 or not self.focal_px:
            return None
        reach = 1.02 * math.hypot(self.width, self.height) / 2 / self.focal_px
        u = np.linspace(0, 2 * reach, 20001)
        d = u * (1 + self.k1 * u**2)
        rising = np.nonzero(np.diff(d) <= 0)[0]
        stop = len(u) if not len(rising) else int(rising[0])
        if d[stop - 1] < reach:
            raise ValueError("k1 folds the picture over")
        keep = slice(0, int(np.searchsorted(d[:stop], reach)) + 1)
        ratio = 1 / (1 + self.k1 * u[keep] ** 2)
        fit = np.polynomial.Polynomial.fit(d[keep] ** 2, ratio, 8).convert()
        if np.abs(fit(d[keep] ** 2) - ratio).max() > 1e-7:
            raise ValueError("k1 is too strong for this field of view")
        return np.asarray(fit.coef)

    def plane(self, columns: Floats, rows: Floats) -> tuple[Floats, Floats]:
        """Card x and y (float32) where the rays of a grid of picture points meet the card."""
        u = (columns - self.middle[0])[None, :]
        v = (rows - self.middle[1])[:, None]
        m = self.inverse
        if self.undistortion is not None and self.focal_px:
            r2 = ((u / self.focal_px) ** 2 + (v / self.focal_px) ** 2).astype(np.float32)
            k = np.full_like(r2, self.undistortion[-1])
            for c in self.undistortion[-2::-1]:
                k *= r2
                k += np.float32(c)
            u, v = u.astype(np.float32) * k, v.astype(np.float32) * k
            m = m.astype(np.float32)
        x, y, w = (
            (m[k, 0] * u).astype(np.float32) + (m[k, 1] * v + m[k, 2]).astype(np.float32)
            for k in range(3)
        )
        x /= w
        y /= w
        return x, y

    def steps(self, points_mm: Floats) -> Floats:
        """Change (n, 2, 2) of card (x, y) per picture px along (column, row), at card points."""
        h = 0.01
        dx, dy = (
            (self.centred(points_mm + step) - self.centred(points_mm - step)) / (2 * h)
            for step in np.diag([h, h])
        )
        return np.linalg.inv(np.stack([dx, dy], axis=2))
