"""Pictures of strands on the printed card, drawn from closed forms: the truth of the accuracy tests.

The scene is a set of formulas, not a mesh: every picture element is an integral of them over its
own area. Card coordinates are those of `measure.card` (mm, x right, y down) with z up towards the
viewer; picture coordinates have (0, 0) in the middle of the first element. Nothing in here calls
the measuring code apart from the card's geometry.

What is exact: the width of a strand summed down any picture column or along any picture row
(partly covered sub-samples carry their exact share). What is left out: light thrown from one
strand on to another, and the falling off of the light over the picture.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.special import ndtr

from measure.card import Card, dark_rectangles_mm

Floats = NDArray[Any]
OpenLane = Literal["paper", "bright", "dark"]

TILE_PX = 128
BRIGHT_HOLE = 1.15
DARK_HOLE = 0.01
BACKGROUND = 0.35


@dataclass(frozen=True)
class Strand:
    """A round strand along a lane; its middle is `offset_mm` off the lane's, at half the card's x.

    `diameter_mm` may be a function of x in mm that varies slowly. `albedo_rgb` is relative to
    paper white. `start_mm` and `end_mm` (x on the card) end it inside the lane.
    """

    lane: Literal["banded", "open"] = "banded"
    offset_mm: float = 0.0
    diameter_mm: float | Callable[[Floats], Floats] = 1.0
    albedo_rgb: tuple[float, float, float] = (0.2, 0.2, 0.2)
    slope: float = 0.0
    bend_amplitude_mm: float = 0.0
    bend_period_mm: float = 60.0
    start_mm: float | None = None
    end_mm: float | None = None


@dataclass(frozen=True)
class Light:
    """Light shares on open ground (they sum to 1) and how the lamp falls.

    `lean_deg` is the lamp's lean across the strand; positive throws the shadow towards +y.
    `softness_mm` is the standard deviation of the shadow's (Gaussian) edge. `scatter` is the share
    of the strand's face that is evenly bright whatever the light. `flat` makes strands plain ink.
    """

    flat: bool = False
    sky: float = 1.0
    lamp: float = 0.0
    unshaded: float = 0.0
    lean_deg: float = 0.0
    softness_mm: float = 0.1
    scatter: float = 0.0

    def __post_init__(self) -> None:
        if abs(self.sky + self.lamp + self.unshaded - 1.0) > 1e-9:
            raise ValueError("sky, lamp and unshaded must sum to 1")


FLAT = Light(flat=True)


@dataclass(frozen=True)
class Camera:
    """Where the picture is taken from, and how it blurs, bends and adds noise.

    `px_per_mm` holds at the card's centre, which lies on the optical axis, square to the view.
    `distance_mm` None means parallel rays (a scanner when not tilted). The camera stands off by
    `tilt_deg` towards `tilt_azimuth_deg` (0 = +x, 90 = +y); `roll_deg` turns the card clockwise in
    the picture. `k1`: x_d = x_u (1 + k1 r_u^2) in units of the focal length, principal point in
    the middle of the picture. `blur_px` is the standard deviation of the Gaussian spread before
    the picture element's own square, which adds 1/12 px^2 of variance. Noise variance in linear
    light is noise^2 + shot * level. A mirror swaps left and right; quarter turns are clockwise and
    come after it. `exposure` is the linear level of paper white.
    """

    px_per_mm: float = 20.0
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 90.0
    roll_deg: float = 0.0
    distance_mm: float | None = 250.0
    k1: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.003
    shot: float = 0.0
    quarter_turns: int = 0
    mirrored: bool = False
    width_px: int | None = None
    height_px: int | None = None
    margin_mm: float = 3.0
    exposure: float = 0.8
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)


SCANNER = Camera(distance_mm=None, px_per_mm=600 / 25.4)


@dataclass(frozen=True)
class StrandTruth:
    """One strand over the part of it that the picture shows in its lane."""

    strand: Strand
    from_mm: float
    to_mm: float
    x_mm: Floats
    diameter_mm: Floats
    mean_diameter_mm: float

    def diameter_at(self, x_mm: Floats) -> Floats:
        """True diameters at places along the card."""
        return np.interp(x_mm, self.x_mm, self.diameter_mm)


@dataclass(frozen=True)
class Truth:
    """What a drawn picture shows."""

    strands: tuple[StrandTruth, ...]
    to_picture: Callable[[Floats], Floats]
    """Card points (n, 2) on the card or (n, 3) above it, mm, to picture points (n, 2), px."""
    camera_centre_mm: tuple[float, float, float] | None
    """None for parallel rays."""
    px_per_mm: float
    blur_px: float
    edge_spread_px: float
    """Standard deviation of an edge in the picture: blur and the picture element together."""
    focal_px: float | None
    size_px: tuple[int, int]
    """Width and height of the picture as returned."""


class _View:
    """The mapping between card and picture before mirror and quarter turns."""

    def __init__(self, card: Card, camera: Camera) -> None:
        tilt, azimuth = math.radians(camera.tilt_deg), math.radians(camera.tilt_azimuth_deg)
        roll = math.radians(camera.roll_deg)
        toward = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
        up = np.array([0.0, 0.0, 1.0])
        self.view = math.sin(tilt) * toward + math.cos(tilt) * up

        def turned(vector: Floats) -> Floats:
            along = vector @ toward
            return vector + along * (math.cos(tilt) - 1) * toward - along * math.sin(tilt) * up

        right, down = turned(np.array([1.0, 0, 0])), turned(np.array([0, 1.0, 0]))
        i = math.cos(roll) * right - math.sin(roll) * down
        j = math.sin(roll) * right + math.cos(roll) * down
        middle = np.array([card.width_mm / 2, card.height_mm / 2, 0.0])
        scale = camera.px_per_mm
        self.k1 = camera.k1
        self.focal_px = None
        self.centre_mm = None
        if camera.distance_mm is None:
            if camera.k1:
                raise ValueError("parallel rays have no focal length to distort in")
            last = np.array([0.0, 0, 0, 1])
            rows = [scale * np.append(a, -a @ middle) for a in (i, j)]
        else:
            self.focal_px = scale * camera.distance_mm
            self.centre_mm = middle + camera.distance_mm * self.view
            last = np.append(-self.view, self.view @ self.centre_mm)
            rows = [self.focal_px * np.append(a, -a @ self.centre_mm) for a in (i, j)]
        self.matrix = np.vstack([*rows, last])
        self.inverse = np.linalg.inv(self.matrix[:, [0, 1, 3]])
        corners = np.array(
            [
                [x, y]
                for x in (-camera.margin_mm, card.width_mm + camera.margin_mm)
                for y in (-camera.margin_mm, card.height_mm + camera.margin_mm)
            ]
        )
        reach = np.ceil(np.abs(self.centred(corners)).max(axis=0)).astype(int)
        self.width = camera.width_px or 2 * int(reach[0])
        self.height = camera.height_px or 2 * int(reach[1])
        self.middle = np.array([(self.width - 1) / 2, (self.height - 1) / 2])
        self.undistortion = self._undistortion()

    def centred(self, points_mm: Floats) -> Floats:
        """Card points to picture points counted from the principal point."""
        p = np.asarray(points_mm, float)
        if p.shape[1] == 2:
            p = np.column_stack([p, np.zeros(len(p))])
        q = p @ self.matrix[:, :3].T + self.matrix[:, 3]
        q = q[:, :2] / q[:, 2:]
        if self.k1 and self.focal_px:
            q = q * (1 + self.k1 * (q**2).sum(axis=1, keepdims=True) / self.focal_px**2)
        return q

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
        x = (m[0, 0] * u + (m[0, 1] * v + m[0, 2])).astype(np.float32)
        y = (m[1, 0] * u + (m[1, 1] * v + m[1, 2])).astype(np.float32)
        if self.centre_mm is None:
            return x / np.float32(m[2, 2]), y / np.float32(m[2, 2])
        w = (m[2, 0] * u + (m[2, 1] * v + m[2, 2])).astype(np.float32)
        return x / w, y / w

    def steps(self, points_mm: Floats) -> Floats:
        """Change (n, 2, 2) of card (x, y) per picture px along (column, row), at card points."""
        h = 0.01
        dx = (self.centred(points_mm + [h, 0]) - self.centred(points_mm - [h, 0])) / (2 * h)
        dy = (self.centred(points_mm + [0, h]) - self.centred(points_mm - [0, h])) / (2 * h)
        return np.linalg.inv(np.stack([dx, dy], axis=2))


class _Shape:
    """A strand's centreline and radius as functions of x in mm."""

    def __init__(self, strand: Strand, card: Card) -> None:
        lane = card.lane(strand.lane)
        self.strand = strand
        self.y0 = lane.y_mm + lane.height_mm / 2 + strand.offset_mm
        self.x0 = card.width_mm / 2
        self.bend = 2 * math.pi / strand.bend_period_mm if strand.bend_amplitude_mm else 0.0
        self.first = -0.25 * card.width_mm
        self.pitch = 0.02
        self.table: Floats | None = None
        if callable(strand.diameter_mm):
            x = self.first + self.pitch * np.arange(int(1.5 * card.width_mm / self.pitch))
            self.table = (np.asarray(strand.diameter_mm(x)) / 2).astype(np.float32)
            self.largest = float(self.table.max())
        else:
            self.largest = strand.diameter_mm / 2

    def radius(self, x: Floats) -> Floats | np.float32:
        if self.table is None:
            return np.float32(self.largest)
        at = np.clip((x - self.first) / self.pitch, 0, len(self.table) - 2)
        index = at.astype(np.int32)
        low = self.table[index]
        return low + (at - index) * (self.table[index + 1] - low)

    def centre(self, x: Floats) -> Floats:
        y = self.strand.slope * (x - self.x0) + self.y0
        if self.bend:
            y = y + self.strand.bend_amplitude_mm * np.sin(self.bend * x)
        return y

    def slope(self, x: Floats) -> Floats | float:
        if not self.bend:
            return self.strand.slope
        return self.strand.slope + self.strand.bend_amplitude_mm * self.bend * np.cos(self.bend * x)

    def across(self, x: Floats, y: Floats) -> Floats:
        """Signed distance of card points from the centreline's shadow on the plane, square to it."""
        m = self.slope(x)
        return (y - self.centre(x)) / np.sqrt(1 + m * m)

    def ended(self, x: Floats, w: Floats) -> Floats | float:
        """Share of an endless strand's shading that its ends leave, 1/2 at an end."""
        share: Floats | float = 1.0
        for end, sign in ((self.strand.start_mm, 1), (self.strand.end_mm, -1)):
            if end is not None:
                along = sign * (x - end)
                far = np.sqrt(along**2 + w**2 + np.float32(self.largest**2))
                share = share * (0.5 + 0.5 * along / far)
        return share


def _steps_share(distance: Floats, pitch: Floats | float) -> Floats:
    """Share of a sub-sample of that pitch on the positive side of an edge."""
    return np.clip(distance / pitch + 0.5, 0, 1)


class _Scene:
    """Everything that stays the same from tile to tile."""

    def __init__(
        self,
        card: Card,
        strands: tuple[Strand, ...],
        light: Light,
        camera: Camera,
        paper: float,
        ink: float,
        open_lane: OpenLane,
    ) -> None:
        self.light, self.camera, self.paper, self.ink = light, camera, paper, ink
        self.view = _View(card, camera)
        self.shapes = [_Shape(s, card) for s in strands]
        hole = card.lane("open")
        self.hole = {"paper": None, "bright": BRIGHT_HOLE * paper, "dark": DARK_HOLE}[open_lane]
        sheet = [0.0, 0.0, card.width_mm, card.height_mm]
        window = [hole.x_mm, hole.y_mm, hole.width_mm, hole.height_mm]
        rects = np.vstack([sheet, window, dark_rectangles_mm(card)])
        self.x0, self.y0 = rects[:, 0], rects[:, 1]
        self.x1, self.y1 = self.x0 + rects[:, 2], self.y0 + rects[:, 3]
        xm, ym = (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2
        edges = ((self.x0, ym), (self.x1, ym), (xm, self.y0), (xm, self.y1))
        self.pitches = np.stack(
            [
                np.abs(self.view.steps(np.column_stack(e))[:, k]).max(axis=1)
                for e, k in zip(edges, (0, 0, 1, 1), strict=True)
            ]
        )
        spread = camera.blur_px / camera.px_per_mm
        tan = abs(math.tan(math.radians(light.lean_deg))) if light.lamp else 0.0
        shadow = tan + math.sqrt(1 + tan * tan)
        soft = 5 * light.softness_mm if light.lamp else 0.0
        sky = 8.0 if light.sky else 0.0
        self.near = [
            1.5 * s.largest + 6 * spread
            if light.flat
            else max(shadow, sky) * s.largest + soft + 6 * spread
            for s in self.shapes
        ]

    def _covered(self, k: int, x: Floats, y: Floats, s: int) -> Floats:
        """Share of each sub-sample inside rectangle k."""
        p = (self.pitches[:, k] / s).astype(np.float32)
        across = _steps_share(x - np.float32(self.x0[k]), p[0])
        across += _steps_share(np.float32(self.x1[k]) - x, p[1])
        down = _steps_share(y - np.float32(self.y0[k]), p[2])
        down += _steps_share(np.float32(self.y1[k]) - y, p[3])
        return np.maximum(across - 1, 0) * np.maximum(down - 1, 0)

    def busy(self, columns: tuple[int, int], rows: tuple[int, int]) -> bool:
        """Whether any edge or strand lies in or near a tile, so that one sample is not enough."""
        pad = 6 * self.camera.blur_px + 2
        x, y = self.view.plane(
            np.linspace(columns[0] - pad, columns[1] + pad, 33),
            np.linspace(rows[0] - pad, rows[1] + pad, 33),
        )
        step = 2 * max(np.abs(np.diff(x)).max(), np.abs(np.diff(y, axis=0)).max())
        near = zip(self.shapes, self.near, strict=True)
        if any((np.abs(s.across(x, y)) < n + step).any() for s, n in near):
            return True
        left, right, top, bottom = x.min(), x.max(), y.min(), y.max()
        touch = (self.x0 < right) & (self.x1 > left) & (self.y0 < bottom) & (self.y1 > top)
        inside = (self.x0 < left) & (self.x1 > right) & (self.y0 < top) & (self.y1 > bottom)
        return bool((touch & ~inside).any())

    def tile(self, columns: Floats, rows: Floats, s: int) -> tuple[Floats, list[_Patch]]:
        """Grey ground (rows, columns) at sub-samples, and the strands lying over it."""
        x, y = self.view.plane(columns, rows)
        ground = np.zeros_like(x)
        card, hole = self._ink(x, y, s, ground)
        middle = self.view.middle
        table = BACKGROUND * (
            1
            + 0.15 * (columns - middle[0])[None, :] / self.view.width
            + 0.1 * (rows - middle[1])[:, None] / self.view.height
        )
        ground *= self.ink - self.paper
        ground += self.paper
        ground *= card
        ground += (1 - card) * table.astype(np.float32)
        if not self.light.flat and self.shapes:
            ground *= self._ground_light(x, y, s)
        if hole is not None:
            ground *= 1 - hole
            ground += np.float32(self.hole) * hole
        patches: list[_Patch] = []
        for number, shape in enumerate(self.shapes):
            patch = self._face(number, shape, x, y, s)
            if patch is None:
                continue
            ground[patch.box] *= 1 - patch.cover
            for lower in patches:
                lower.hide(patch)
            patches.append(patch)
        return ground, patches

    def _ink(
        self, x: Floats, y: Floats, s: int, ink: Floats
    ) -> tuple[Floats, Floats | None]:
        """Fill the share of ink; give the share of card and that of the window."""
        pad = 2 * self.pitches.max(axis=0) / s
        touch = (self.x0 - pad < x.max()) & (self.x1 + pad > x.min())
        touch &= (self.y0 - pad < y.max()) & (self.y1 + pad > y.min())
        card = self._covered(0, x, y, s)
        hole = self._covered(1, x, y, s) if self.hole is not None and touch[1] else None
        which = np.nonzero(touch[2:])[0] + 2
        thin = max(1, s)
        coarse_x, coarse_y = x[::thin, ::thin], y[::thin, ::thin]
        reach = 2 * s * pad
        for k in which:
            box = _box(
                (coarse_x > self.x0[k] - reach[k])
                & (coarse_x < self.x1[k] + reach[k])
                & (coarse_y > self.y0[k] - reach[k])
                & (coarse_y < self.y1[k] + reach[k]),
                thin,
                x.shape,
            )
            if box is not None:
                ink[box] += self._covered(k, x[box], y[box], s)
        return card, hole

    def _ground_light(self, x: Floats, y: Floats, s: int) -> Floats:
        """Light on the ground as a share of open ground's."""
        light = self.light
        t = math.tan(math.radians(light.lean_deg))
        sky: Floats | float = 1.0
        lamp: Floats | float = 1.0
        pitch = 1 / (self.camera.px_per_mm * s)
        soft = np.float32(max(light.softness_mm, 0.5 * pitch))
        for shape in self.shapes:
            w = shape.across(x, y)
            r = shape.radius(x)
            ended = shape.ended(x, w)
            if light.sky:
                square = w * w
                sky = sky * (1 - ended * (r * r / (square + r * r)))
            if light.lamp:
                root = math.sqrt(1 + t * t)
                reach = (abs(t) + root) * shape.largest + 6 * soft
                if np.abs(w).min() < reach:
                    dark = ndtr((w - r * np.float32(t - root)) / soft)
                    dark -= ndtr((w - r * np.float32(t + root)) / soft)
                    lamp = lamp * (1 - ended * dark)
        return np.asarray(light.sky * sky + light.lamp * lamp + light.unshaded, np.float32)

    def _face(self, number: int, shape: _Shape, x: Floats, y: Floats, s: int) -> _Patch | None:
        """Cover and brightness of a strand where it is seen, by casting rays at its cylinder."""
        thin = max(1, s)
        w = shape.across(x[::thin, ::thin], y[::thin, ::thin])
        lifted = 0.0 if self.light.flat else 2.0 + 4.0 * math.tan(self._steepest())
        step = 2 * max(np.abs(np.diff(w, axis=0)).max(), np.abs(np.diff(w, axis=1)).max())
        box = _box(np.abs(w) < (1.2 + lifted) * shape.largest + step, thin, x.shape)
        if box is None:
            return None
        x, y = x[box], y[box]
        at, e_n, e_z = x, np.float32(0), np.float32(1)
        if not self.light.flat:
            dx, dy, dz = self._towards_camera(x, y)
            at = x + shape.radius(x) * (dx / dz)
        m = shape.slope(at)
        root = np.sqrt(1 + m * m)
        r = shape.radius(at)
        w = (y - shape.centre(at) - m * (x - at)) / root
        if not self.light.flat:
            d_n = (dy - m * dx) / root
            length = np.sqrt(d_n * d_n + dz * dz)
            e_n, e_z = d_n / length, dz / length
        h = w * e_z + r * e_n
        place = [[float(x.mean()), float(y.mean())]]
        change = self.view.steps(np.array(place))[0] / s
        m0 = float(np.mean(m))
        pitch = np.abs(change[1] - m0 * change[0]).max() / math.sqrt(1 + m0 * m0)
        pitch = np.float32(pitch * float(np.mean(e_z)))
        cover = np.maximum(_steps_share(r - h, pitch) + _steps_share(r + h, pitch) - 1, 0)
        along = np.float32(np.abs(change[0]).max())
        if shape.strand.start_mm is not None:
            cover *= _steps_share(at - np.float32(shape.strand.start_mm), along)
        if shape.strand.end_mm is not None:
            cover *= _steps_share(np.float32(shape.strand.end_mm) - at, along)
        face = cover.copy()
        if not self.light.flat:
            light = self.light
            out = np.clip(h / r, -1, 1)
            facing = np.sqrt(1 - out * out)
            n_z = facing * e_z - out * e_n
            n_y = facing * e_n + out * e_z
            t = np.float32(math.tan(math.radians(light.lean_deg)))
            lit = np.float32(0.5 * light.sky) * (1 + n_z) + np.float32(light.unshaded)
            if light.lamp:
                lit += np.float32(light.lamp) * np.maximum(0, n_z - t * n_y)
            face *= np.float32(1 - light.scatter) * lit + np.float32(light.scatter)
        return _Patch(number, box, cover.astype(np.float32), face.astype(np.float32))

    def _steepest(self) -> float:
        """Steepest angle (rad) from upright under which the card is seen."""
        if self.view.centre_mm is None:
            return math.acos(min(1.0, float(self.view.view[2])))
        far = np.hypot(
            np.maximum(abs(self.view.centre_mm[0] - self.x0[0]), abs(self.view.centre_mm[0] - self.x1[0])),
            np.maximum(abs(self.view.centre_mm[1] - self.y0[0]), abs(self.view.centre_mm[1] - self.y1[0])),
        )
        return math.atan2(float(far), float(self.view.centre_mm[2]))

    def _towards_camera(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        if self.view.centre_mm is None:
            d = self.view.view.astype(np.float32)
            return np.asarray(d[0]), np.asarray(d[1]), np.asarray(d[2])
        c = self.view.centre_mm.astype(np.float32)
        return c[0] - x, c[1] - y, np.asarray(c[2])


@dataclass
class _Patch:
    """A strand's share of the sub-samples in a box of a tile, and that share times its light."""

    number: int
    box: tuple[slice, slice]
    cover: Floats
    face: Floats

    def hide(self, upper: _Patch) -> None:
        """Take away what a strand lying over this one covers."""
        (a, b), (c, d) = self.box, upper.box
        rows = slice(max(a.start, c.start), min(a.stop, c.stop))
        columns = slice(max(b.start, d.start), min(b.stop, d.stop))
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return
        mine = np.s_[rows.start - a.start : rows.stop - a.start,
                     columns.start - b.start : columns.stop - b.start]
        its = np.s_[rows.start - c.start : rows.stop - c.start,
                    columns.start - d.start : columns.stop - d.start]
        self.face[mine] *= 1 - upper.cover[its]


def _box(hit: Floats, thin: int, shape: tuple[int, int]) -> tuple[slice, slice] | None:
    """Smallest box of the full grid that holds all hits of a thinned one and their neighbours."""
    rows, columns = np.nonzero(hit.any(axis=1))[0], np.nonzero(hit.any(axis=0))[0]
    if not len(rows):
        return None
    return (
        slice(max(0, (rows[0] - 1) * thin), min(shape[0], (rows[-1] + 2) * thin)),
        slice(max(0, (columns[0] - 1) * thin), min(shape[1], (columns[-1] + 2) * thin)),
    )


def _spread(count: int, s: int, sigma_px: float, reach: int) -> Floats:
    """Matrix (count, s * count + 2 * reach) that blurs sub-samples and averages them to elements."""
    k = np.arange(-reach, reach + 1)
    gauss = np.exp(-0.5 * (k / (s * sigma_px)) ** 2) if reach else np.ones(1)
    kernel = np.convolve(gauss / gauss.sum(), np.full(s, 1 / s))
    matrix = np.zeros((count, s * count + 2 * reach), np.float32)
    for i in range(count):
        matrix[i, i * s : i * s + len(kernel)] = kernel
    return matrix


def linear_picture(scene: _Scene, s: int) -> Floats:
    """The picture (h, w, 3) in linear light, paper white 1, before exposure and noise."""
    view, sigma = scene.view, scene.camera.blur_px
    picture = np.empty((view.height, view.width, 3), np.float32)
    reach = math.ceil(5 * s * sigma)
    matrices: dict[int, Floats] = {}
    for top in range(0, view.height, TILE_PX):
        bottom = min(view.height, top + TILE_PX)
        for left in range(0, view.width, TILE_PX):
            right = min(view.width, left + TILE_PX)
            out = picture[top:bottom, left:right]
            if not scene.busy((left, right), (top, bottom)):
                flat, _ = scene.tile(np.arange(left, right) * 1.0, np.arange(top, bottom) * 1.0, 1)
                out[:] = flat[..., None]
                continue
            places = [
                first + (np.arange(-reach, s * (last - first) + reach) + 0.5) / s - 0.5
                for first, last in ((left, right), (top, bottom))
            ]
            for n in (right - left, bottom - top):
                if n not in matrices:
                    matrices[n] = _spread(n, s, sigma, reach)
            across, down = matrices[right - left], matrices[bottom - top]
            ground, patches = scene.tile(places[0], places[1], s)
            out[:] = (down @ ground @ across.T)[..., None]
            for patch in patches:
                rows, columns = patch.box
                seen = down[:, rows] @ patch.face @ across[:, columns].T
                out += seen[..., None] * np.float32(scene.shapes[patch.number].strand.albedo_rgb)
    return picture


def encode_srgb(linear: Floats) -> NDArray[np.uint8]:
    """Linear light 0..1 to 8-bit sRGB by the curve of IEC 61966-2-1."""
    x = np.clip(linear, 0, 1)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    return np.rint(255 * coded).astype(np.uint8)


def draw_linear(
    card: Card,
    strands: list[Strand] | tuple[Strand, ...],
    light: Light,
    camera: Camera,
    paper: float = 1.0,
    ink: float = 0.04,
    open_lane: OpenLane = "paper",
    supersampling: int | None = None,
) -> tuple[Floats, Truth]:
    """The picture (h, w, 3) in linear light without noise, mirror and quarter turns applied."""
    scene = _Scene(card, tuple(strands), light, camera, paper, ink, open_lane)
    thinnest = min((2 * s.largest * camera.px_per_mm for s in scene.shapes), default=99.0)
    s = supersampling or (6 if thinnest < 8 else 4)
    picture = linear_picture(scene, s)
    picture *= np.float32(camera.exposure) * np.float32(camera.white_balance)
    if camera.mirrored:
        picture = picture[:, ::-1]
    picture = np.ascontiguousarray(np.rot90(picture, -camera.quarter_turns))
    return picture, _truth(card, scene)


def draw(
    card: Card,
    strands: list[Strand] | tuple[Strand, ...],
    light: Light,
    camera: Camera,
    seed: int,
    paper: float = 1.0,
    ink: float = 0.04,
    open_lane: OpenLane = "paper",
) -> tuple[NDArray[np.uint8], Truth]:
    """The picture (h, w, 3) as 8-bit sRGB, and what is true of it.

    `paper` and `ink` are reflectances. `open_lane` "paper": the window is not cut out; "bright":
    lit from behind at 1.15 x paper white; "dark": darkness behind it. No shadow falls in a window.
    """
    linear, truth = draw_linear(card, strands, light, camera, paper, ink, open_lane)
    if camera.noise or camera.shot:
        random = np.random.default_rng(seed)
        noise = random.standard_normal(linear.shape, dtype=np.float32)
        if camera.shot:
            noise *= np.sqrt(camera.noise**2 + camera.shot * np.maximum(linear, 0))
        else:
            noise *= np.float32(camera.noise)
        linear = linear + noise
    return encode_srgb(linear), truth


def _truth(card: Card, scene: _Scene) -> Truth:
    view, camera = scene.view, scene.camera
    width, height = view.width, view.height
    turns = camera.quarter_turns % 4

    def to_picture(points_mm: Floats) -> Floats:
        p = view.centred(np.atleast_2d(points_mm)) + view.middle
        u, v = p[:, 0], p[:, 1]
        if camera.mirrored:
            u = width - 1 - u
        w, h = width, height
        for _ in range(turns):
            u, v = h - 1 - v, u
            w, h = h, w
        return np.column_stack([u, v])

    size = (height, width) if turns % 2 else (width, height)
    strands = []
    for shape in scene.shapes:
        lane, strand = card.lane(shape.strand.lane), shape.strand
        start = max(lane.x_mm, strand.start_mm if strand.start_mm is not None else -np.inf)
        end = min(lane.x_mm + lane.width_mm, strand.end_mm if strand.end_mm is not None else np.inf)
        x = np.linspace(start, end, 1 + max(2, round((end - start) / 0.02)))
        p = to_picture(np.column_stack([x, shape.centre(x)]))
        seen = ((p > -0.5) & (p < np.array(size) - 0.5)).all(axis=1)
        x = x[seen]
        diameter = np.broadcast_to(2 * np.asarray(shape.radius(x), float), x.shape).copy()
        strands.append(
            StrandTruth(
                strand, float(x[0]), float(x[-1]), x, diameter, float(np.mean(diameter))
            )
        )
    return Truth(
        tuple(strands),
        to_picture,
        None if view.centre_mm is None else tuple(float(c) for c in view.centre_mm),
        camera.px_per_mm,
        camera.blur_px,
        math.sqrt(camera.blur_px**2 + 1 / 12),
        view.focal_px,
        size,
    )


def to_png(picture: NDArray[np.uint8], dpi: float | None = None) -> bytes:
    """The picture as a PNG file."""
    out = io.BytesIO()
    extra: dict[str, Any] = {} if dpi is None else {"dpi": (dpi, dpi)}
    Image.fromarray(picture).save(out, "PNG", compress_level=1, **extra)
    return out.getvalue()


def to_jpeg(
    picture: NDArray[np.uint8],
    quality: int = 90,
    dpi: float | None = None,
    focal_35mm: float | None = None,
    orientation: int | None = None,
) -> bytes:
    """The picture as a JPEG file; `focal_35mm` and `orientation` go into its EXIF tags."""
    out = io.BytesIO()
    extra: dict[str, Any] = {} if dpi is None else {"dpi": (round(dpi), round(dpi))}
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    if focal_35mm is not None:
        exif.get_ifd(0x8769)[0xA405] = round(focal_35mm)
    if len(exif) or focal_35mm is not None:
        extra["exif"] = exif.tobytes()
    Image.fromarray(picture).save(out, "JPEG", quality=quality, **extra)
    return out.getvalue()
