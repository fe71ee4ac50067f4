"""The scene of a drawn picture: ground, shading and strands at the sub-samples of a tile."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from analytic_types import Camera, Floats, Fuzz, Light, OpenLane, Strand
from analytic_view import View
from scipy.special import ndtr

from measure.card import Card, dark_rectangles_mm

BRIGHT_HOLE = 1.15
DARK_HOLE = 0.01
BACKGROUND = 0.35


class Shape:
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
        self.plain = strand.flatness == 1.0 and strand.lift_mm == 0.0
        self.stops = 1.0 if strand.optical_depth is None else 1.0 - _mean_passing(strand)

    def height(self, radius: Floats) -> Floats:
        """Of the axis above the card, mm."""
        return np.asarray(radius * np.float32(self.strand.flatness) + self.strand.lift_mm)

    def radius(self, x: Floats) -> Floats:
        if self.table is None:
            return np.asarray(self.largest, np.float32)
        at = np.clip((x - self.first) / self.pitch, 0, len(self.table) - 2)
        index = at.astype(np.int32)
        low = self.table[index]
        return np.asarray(low + (at - index.astype(np.float32)) * (self.table[index + 1] - low))

    def centre(self, x: Floats) -> Floats:
        y = self.strand.slope * x
        y += self.y0 - self.strand.slope * self.x0
        if self.bend:
            y += self.strand.bend_amplitude_mm * np.sin(self.bend * x)
        return y

    def slope(self, x: Floats) -> Floats:
        if not self.bend:
            return np.asarray(self.strand.slope, np.float32)
        steepest = self.strand.bend_amplitude_mm * self.bend
        return np.asarray(self.strand.slope + steepest * np.cos(self.bend * x))

    def across(self, x: Floats, y: Floats) -> Floats:
        """Signed distance of card points from the centreline, square to it, in the plane."""
        m = self.slope(x)
        return np.asarray((y - self.centre(x)) / np.sqrt(1 + m * m))

    def ended(self, x: Floats, w: Floats) -> Floats | float:
        """Share of an endless strand's shading that its ends leave, 1/2 at an end."""
        share: Floats | float = 1.0
        for end, sign in ((self.strand.start_mm, 1), (self.strand.end_mm, -1)):
            if end is not None:
                along = sign * (x - end)
                far = np.sqrt(along**2 + w**2 + np.float32(self.largest**2))
                share = share * (0.5 + 0.5 * along / far)
        return share


def _mean_passing(strand: Strand) -> float:
    """Share of light from above that comes through: exp(-depth chord), mean over the width."""
    across = (np.arange(200) + 0.5) / 200
    return float(np.exp(-(strand.optical_depth or 0.0) * np.sqrt(1 - across**2)).mean())


def _steps_share(distance: Floats, pitch: Any) -> Floats:
    """Share of a sub-sample of that pitch on the positive side of an edge."""
    share = distance / pitch
    share += np.float32(0.5)
    return np.asarray(np.clip(share, 0, 1, out=share))


def _between(place: Floats, first: Any, last: Any, pitch: Any) -> Floats:
    """Share of a sub-sample of that pitch between two edges farther apart than it is wide."""
    share = np.abs(place - (first + last) / 2)
    np.subtract((last - first) / 2, share, out=share)
    return _steps_share(share, pitch)


class Scene:
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
        self.view = View(card, camera)
        self.shapes = [Shape(s, card) for s in strands]
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
            else max(shadow, sky, self._reach_of_sight()) * s.largest
            + max(tan, self._lean_of_sight()) * s.strand.lift_mm
            + soft * float(s.height(np.asarray(s.largest))) / s.largest
            + (s.strand.fuzz.reach_mm if s.strand.fuzz else 0.0)
            + 6 * spread
            for s in self.shapes
        ]

    def _covered(self, k: int, x: Floats, y: Floats, s: int) -> Floats:
        """Share of each sub-sample inside rectangle k, whose sides are wider than one."""
        p = (self.pitches[:, k] / s).astype(np.float32)
        across = _between(x, np.float32(self.x0[k]), np.float32(self.x1[k]), (p[0] + p[1]) / 2)
        across *= _between(y, np.float32(self.y0[k]), np.float32(self.y1[k]), (p[2] + p[3]) / 2)
        return across

    def busy(self, columns: tuple[int, int], rows: tuple[int, int]) -> bool:
        """Whether any edge or strand lies in or near a tile, so that one sample is not enough."""
        if self.shaded(columns, rows):
            return True
        x, y = self._around(columns, rows)
        left, right, top, bottom = x.min(), x.max(), y.min(), y.max()
        touch = (self.x0 < right) & (self.x1 > left) & (self.y0 < bottom) & (self.y1 > top)
        inside = (self.x0 < left) & (self.x1 > right) & (self.y0 < top) & (self.y1 > bottom)
        return bool((touch & ~inside).any())

    def shaded(self, columns: tuple[int, int], rows: tuple[int, int]) -> bool:
        """Whether any strand or its shade lies in or near a tile."""
        x, y = self._around(columns, rows)
        step = 2 * max(np.abs(np.diff(x)).max(), np.abs(np.diff(y, axis=0)).max())
        near = zip(self.shapes, self.near, strict=True)
        return any(bool((np.abs(s.across(x, y)) < n + step).any()) for s, n in near)

    def shade(self, columns: Floats, rows: Floats) -> Floats:
        """What is left of the light (rows, columns, 1) on ground far from every strand."""
        if self.light.flat:
            return np.ones((len(rows), len(columns), 1), np.float32)
        return self._ground_light(*self.view.plane(columns, rows), 1)[..., None]

    def _around(self, columns: tuple[int, int], rows: tuple[int, int]) -> tuple[Floats, Floats]:
        pad = 6 * self.camera.blur_px + 2
        return self.view.plane(
            np.linspace(columns[0] - pad, columns[1] + pad, 33),
            np.linspace(rows[0] - pad, rows[1] + pad, 33),
        )

    def tile(self, columns: Floats, rows: Floats, s: int) -> tuple[Floats, list[Patch]]:
        """Grey ground (rows, columns) at sub-samples, and the strands lying over it."""
        x, y = self.view.plane(columns, rows)
        ground = np.zeros_like(x)
        card, hole = self._ink(x, y, s, ground)
        middle = self.view.middle
        slant_x = (1 + 0.15 * (columns - middle[0]) / self.view.width).astype(np.float32)
        slant_y = (0.1 * (rows - middle[1]) / self.view.height).astype(np.float32)
        table = np.float32(BACKGROUND) * (slant_x[None, :] + slant_y[:, None])
        ground *= self.ink - self.paper
        ground += self.paper
        if card is not None:
            ground *= card
            ground += (1 - card) * table
        if not self.light.flat and self.shapes:
            ground *= self._ground_light(x, y, s)
        if hole is not None:
            ground *= 1 - hole
            ground += np.float32(self.hole) * hole
        patches: list[Patch] = []
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
    ) -> tuple[Floats | None, Floats | None]:
        """Fill the share of ink; give the share of card (None: all) and of the window."""
        pad = 2 * self.pitches.max(axis=0) / s
        touch = (self.x0 - pad < x.max()) & (self.x1 + pad > x.min())
        touch &= (self.y0 - pad < y.max()) & (self.y1 + pad > y.min())
        whole = self.x0[0] + pad[0] < x.min() and self.x1[0] - pad[0] > x.max()
        whole &= self.y0[0] + pad[0] < y.min() and self.y1[0] - pad[0] > y.max()
        card = None if whole else self._covered(0, x, y, s)
        hole = self._covered(1, x, y, s) if self.hole is not None and touch[1] else None
        which = np.nonzero(touch[2:])[0] + 2
        thin = max(1, s)
        coarse_x, coarse_y = x[::thin, ::thin], y[::thin, ::thin]
        reach = 2 * s * pad
        for k in (int(n) for n in which):
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
        sky = np.ones_like(x)
        lamp = np.ones_like(x) if light.lamp else None
        far_x, far_y = x[s // 2 :: s, s // 2 :: s], y[s // 2 :: s, s // 2 :: s]
        for shape, near in zip(self.shapes, self.near, strict=True):
            w = shape.across(far_x, far_y)
            # Away from the strand the sky's share changes so slowly that one value per picture
            # element does for all its sub-samples.
            if light.sky:
                slow = np.maximum(self._sky(shape, far_x, w), np.float32(1e-3))
                sky *= np.repeat(np.repeat(slow, s, axis=0), s, axis=1)
            step = 2 * max(np.abs(np.diff(w, axis=0)).max(), np.abs(np.diff(w, axis=1)).max())
            box = _box(np.abs(w) < near + step, s, x.shape)
            if box is not None and light.sky and s > 1:
                exact = self._sky(shape, x[box], shape.across(x[box], y[box]))
                coarse = slow[
                    box[0].start // s : box[0].stop // s, box[1].start // s : box[1].stop // s
                ]
                sky[box] *= exact / np.repeat(np.repeat(coarse, s, axis=0), s, axis=1)
            if lamp is None:
                continue
            low, high = self._shadow(shape)
            box = _box((w > low - step) & (w < high + step), s, x.shape)
            if box is not None:
                lamp[box] *= self._lamp(shape, x[box], shape.across(x[box], y[box]), s)
        sky *= np.float32(light.sky)
        sky += np.float32(light.unshaded)
        if lamp is not None:
            sky += np.float32(light.lamp) * lamp
        return sky

    def _sky(self, shape: Shape, x: Floats, w: Floats) -> Floats:
        """Share of an even sky's light beside a strand, radiometry of a diffuse plane."""
        radius = shape.radius(x)
        square = radius**2
        if shape.plain:
            hidden = square / (w * w + square)
        else:
            # (cos of the lower tangent's elevation - cos of the upper's) / 2, both tangents of the
            # ellipse of half axes a and b whose middle is H above the ground: their cotangents
            # are the roots of (H^2 - b^2) C^2 - 2 |w| H C + (w^2 - a^2) = 0.
            b = radius * np.float32(shape.strand.flatness)
            above = shape.height(radius)
            away = np.abs(w)
            if shape.strand.lift_mm > 0:
                lead = above * above - b * b
                root = np.sqrt(away * away * b * b + square * lead)
                low, high = (away * above + root) / lead, (away * above - root) / lead
                hidden = (low / np.sqrt(1 + low * low) - high / np.sqrt(1 + high * high)) / 2
            else:
                high = (w * w - square) / (2 * np.maximum(away, np.float32(1e-6)) * b)
                hidden = (1 - high / np.sqrt(1 + high * high)) / 2
        return np.asarray(1 - np.float32(shape.stops) * shape.ended(x, w) * hidden)

    def _shadow_of(self, shape: Shape, radius: Any) -> tuple[Any, Any]:
        """Where a lamp's shadow begins and ends on the ground, mm off the axis."""
        t = math.tan(math.radians(self.light.lean_deg))
        flat = shape.strand.flatness
        middle = t * (radius * flat + shape.strand.lift_mm)
        half = radius * math.sqrt(1 + (flat * t) ** 2)
        return middle - half, middle + half

    def _softness(self, shape: Shape, radius: float) -> float:
        """Of the shadow's edge: it grows with the way from strand to ground."""
        if self.light.lamp_size is not None:
            return self.light.lamp_size * float(shape.height(np.asarray(radius)))
        if shape.plain:
            return self.light.softness_mm
        return self.light.softness_mm * float(shape.height(np.asarray(radius))) / radius

    def _shadow(self, shape: Shape) -> tuple[float, float]:
        """Where a lamp's shadow and its soft edges begin and end, mm off the axis."""
        r = shape.largest
        soft = 5.5 * self._softness(shape, r) + 3 / self.camera.px_per_mm
        low, high = self._shadow_of(shape, r)
        lift = shape.strand.lift_mm * math.tan(math.radians(self.light.lean_deg))
        return min(low, lift, 0) - soft, max(high, lift, 0) + soft

    def _lamp(self, shape: Shape, x: Floats, w: Floats, s: int) -> Floats:
        r = shape.radius(x)
        low, high = self._shadow_of(shape, r)
        soft = np.float32(
            max(self._softness(shape, shape.largest), 0.5 / (self.camera.px_per_mm * s))
        )
        dark = ndtr((w - np.asarray(low, np.float32)) / soft)
        dark -= ndtr((w - np.asarray(high, np.float32)) / soft)
        return np.asarray(1 - np.float32(shape.stops) * shape.ended(x, w) * dark)

    def _face(self, number: int, shape: Shape, x: Floats, y: Floats, s: int) -> Patch | None:
        """Cover and brightness of a strand where it is seen, by casting rays at its cylinder."""
        strand, fuzz = shape.strand, shape.strand.fuzz
        thin = max(1, s)
        w = shape.across(x[::thin, ::thin], y[::thin, ::thin])
        reach = 1.0 if self.light.flat else self._reach_of_sight()
        far = 1.1 * reach * shape.largest + self._lean_of_sight() * strand.lift_mm
        far += reach * fuzz.reach_mm if fuzz else 0.0
        step = 2 * max(np.abs(np.diff(w, axis=0)).max(), np.abs(np.diff(w, axis=1)).max())
        box = _box(np.abs(w) < far + step, thin, x.shape)
        if box is None:
            return None
        x, y = x[box], y[box]
        at, e_n, e_z = x, np.float32(0), np.float32(1)
        # Heights drawn out by this make an ellipse a circle; what is seen of it stays the same.
        tall = np.float32(1 / strand.flatness)
        if not self.light.flat:
            dx, dy, dz = self._towards_camera(x, y)
            at = x + shape.height(shape.radius(x)) * (dx / dz)
        m = shape.slope(at)
        root = np.sqrt(1 + m * m)
        r = shape.radius(at)
        w = (y - shape.centre(at) - m * (x - at)) / root
        if not self.light.flat:
            d_n = (dy - m * dx) / root
            length = np.sqrt(d_n * d_n + dz * dz * tall * tall)
            e_n, e_z = d_n / length, dz * tall / length
        h = w * e_z + shape.height(r) * tall * e_n
        place = [[float(x.mean()), float(y.mean())]]
        change = self.view.steps(np.array(place))[0] / s
        m0 = float(np.mean(m))
        pitch = np.abs(change[1] - m0 * change[0]).max() / math.sqrt(1 + m0 * m0)
        pitch = np.float32(pitch * float(np.mean(e_z)))
        upper, lower, hairs = (0.0, 0.0, None) if fuzz is None else _fuzz_at(fuzz, at, h)
        cover = _steps_share(r + lower - h, pitch) + _steps_share(r + upper + h, pitch) - 1
        cover = np.maximum(cover, 0)
        out = np.clip(h / (r + np.where(h > 0, lower, upper)) if fuzz else h / r, -1, 1)
        facing = np.sqrt(1 - out * out)
        if strand.optical_depth is not None:
            cover *= 1 - np.exp(-np.float32(strand.optical_depth) * facing)
        along = np.float32(np.abs(change[0]).max())
        ends = np.float32(1)
        if strand.start_mm is not None:
            ends = ends * _steps_share(at - np.float32(strand.start_mm), along)
        if strand.end_mm is not None:
            ends = ends * _steps_share(np.float32(strand.end_mm) - at, along)
        cover *= ends
        face = cover.copy()
        light = self.light
        if not light.flat:
            n_z = (facing * e_z - out * e_n) * tall
            n_y = facing * e_n + out * e_z
            if strand.flatness != 1.0:
                unit = np.sqrt(n_z * n_z + n_y * n_y)
                n_z, n_y = n_z / unit, n_y / unit
            t = np.float32(math.tan(math.radians(light.lean_deg)))
            lit = np.float32(0.5 * light.sky) * (1 + n_z) + np.float32(light.unshaded)
            if light.lamp:
                lit += np.float32(light.lamp) * np.maximum(0, n_z - t * n_y)
            face *= np.float32(1 - light.scatter) * lit + np.float32(light.scatter)
        if hairs is not None:
            hairs = hairs * ends * (1 - cover)
            open_air = 1.0 if light.flat else 0.75 * (light.sky + light.lamp) + light.unshaded
            face += hairs * np.float32(open_air)
            cover = cover + hairs
        return Patch(number, box, cover.astype(np.float32), face.astype(np.float32))

    def _lean_of_sight(self) -> float:
        """Largest tangent of the lean at which any of the card is seen."""
        reach = self._reach_of_sight()
        return (reach * reach - 1) / (2 * reach)

    def _reach_of_sight(self) -> float:
        """Farthest a cylinder's outline is seen from its axis, in the plane, in radii."""
        towards = self.view.view
        if self.view.centre_mm is not None:
            cx, cy, cz = self.view.centre_mm
            far_x = max(abs(cx - self.x0[0]), abs(cx - self.x1[0]))
            far_y = max(abs(cy - self.y0[0]), abs(cy - self.y1[0]))
            towards = np.array([far_x, far_y, cz]) / math.hypot(far_x, far_y, cz)
        return float((1 + math.hypot(towards[0], towards[1])) / towards[2])

    def _towards_camera(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        if self.view.centre_mm is None:
            d = self.view.view.astype(np.float32)
            return np.asarray(d[0]), np.asarray(d[1]), np.asarray(d[2])
        c = self.view.centre_mm.astype(np.float32)
        return c[0] - x, c[1] - y, np.asarray(c[2])


@dataclass
class Patch:
    """A strand's share of the sub-samples in a box of a tile, and that share times its light."""

    number: int
    box: tuple[slice, slice]
    cover: Floats
    face: Floats

    def hide(self, upper: Patch) -> None:
        """Take away what a strand lying over this one covers."""
        (a, b), (c, d) = self.box, upper.box
        rows = slice(max(a.start, c.start), min(a.stop, c.stop))
        columns = slice(max(b.start, d.start), min(b.stop, d.stop))
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return
        mine = np.s_[
            rows.start - a.start : rows.stop - a.start,
            columns.start - b.start : columns.stop - b.start,
        ]
        its = np.s_[
            rows.start - c.start : rows.stop - c.start,
            columns.start - d.start : columns.stop - d.start,
        ]
        self.face[mine] *= 1 - upper.cover[its]


def _fuzz_at(fuzz: Fuzz, at: Floats, h: Floats) -> tuple[Floats, Floats, Floats]:
    """What is added to the radius towards -y and +y, and the hairs' cover, at places (h off the
    axis as seen)."""
    column = ((at - fuzz.first_mm) / fuzz.pitch_mm).astype(np.float32)
    nearest = np.clip(np.rint(column).astype(np.int32), 0, len(fuzz.upper_mm) - 1)
    row = ((h + fuzz.reach_mm) / fuzz.pitch_mm).astype(np.float32)
    hairs = cv2.remap(fuzz.hairs, column, row, cv2.INTER_LINEAR, borderValue=0.0)
    return fuzz.upper_mm[nearest], fuzz.lower_mm[nearest], np.asarray(hairs)


def _box(hit: Floats, thin: int, shape: tuple[int, int]) -> tuple[slice, slice] | None:
    """Smallest box of the full grid that holds all hits of a thinned one and their neighbours."""
    rows, columns = np.nonzero(hit.any(axis=1))[0], np.nonzero(hit.any(axis=0))[0]
    if not len(rows):
        return None
    return (
        slice(max(0, (rows[0] - 1) * thin), min(shape[0], (rows[-1] + 2) * thin)),
        slice(max(0, (columns[0] - 1) * thin), min(shape[1], (columns[-1] + 2) * thin)),
    )
