"""Pictures of a ruler of exact pitch with a strand beside it, drawn point by point.

The ruler's face and the table are one plane, x along the marks. Every picture element is the mean
of 2 x 2 rays, each with the exact share of strand and marks across, then blurred by a Gaussian and
noisy, sRGB-coded. Digits are OpenCV's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np

from measure.linear_light import encode_srgb

Floats = np.ndarray[Any, np.dtype[np.float64]]

FACES = {
    "white": (0.85, 0.05),
    "black": (0.03, 0.75),
    "steel": (0.45, 0.06),
    "wood": (0.42, 0.05),
}
"""Linear light of the face and of the marks."""
RANKS_MM = ((10, 6.0), (5, 4.5), (1, 3.0))
RANKS_HALF_MM = ((20, 6.5), (10, 5.0), (2, 3.8), (1, 2.6))
RANKS_SIXTEENTH = ((16, 7.0), (8, 5.6), (4, 4.5), (2, 3.5), (1, 2.6))
RANKS_THIRTYSECOND = ((32, 7.6), (16, 6.4), (8, 5.2), (4, 4.1), (2, 3.2), (1, 2.4))
RANKS_EIGHTH = ((8, 7.0), (4, 5.5), (2, 4.2), (1, 3.0))
RANKS_TENTH = ((10, 6.5), (5, 4.8), (1, 3.2))
Ranks = tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Marks:
    """One edge's marks."""

    pitch_mm: float = 1.0
    ranks: Ranks = RANKS_MM
    numbered: int = 10
    """Every so many marks bear a digit."""
    width_mm: float = 0.18
    missing: tuple[int, ...] = ()


SIXTEENTHS = Marks(25.4 / 16, RANKS_SIXTEENTH, 16, 0.25)


@dataclass(frozen=True)
class Scene:
    """A ruler whose upper edge lies at y = 0, and a strand above it at y = -strand_mm."""

    marks: Marks = field(default_factory=Marks)
    other: Marks | None = None
    """Marks along the lower edge."""
    face: str = "white"
    ruler_width_mm: float = 26.0
    inset_mm: float = 0.4
    """Of the marks' feet from the ruler's edge."""
    table: float = 0.6
    grain: float = 0.0
    """Of the table, share of its light."""
    strand_at_mm: float = 14.0
    diameter_mm: float | None = 1.1
    albedo: float = 0.15


@dataclass(frozen=True)
class Shot:
    """Where from."""

    px_per_mm: float = 12.0
    size_px: tuple[int, int] = (960, 640)
    roll_deg: float = 0.0
    tilt_deg: float = 0.0
    azimuth_deg: float = 90.0
    distance_mm: float | None = 200.0
    """None: parallel rays, a scanner's."""
    aim_mm: tuple[float, float] = (0.0, -2.0)
    blur_px: float = 0.7
    noise: float = 0.004
    seed: int = 1

    def _axes(self) -> tuple[Floats, Floats, Floats]:
        """Towards the camera, and the picture's x and y, in the plane's coordinates."""
        t, a, r = (math.radians(v) for v in (self.tilt_deg, self.azimuth_deg, self.roll_deg))
        toward = np.array([math.cos(a), math.sin(a), 0.0])
        up = np.array([0.0, 0.0, 1.0])
        turn = cv2.Rodrigues(np.cross(up, toward) * t)[0]
        right, down = turn @ np.array([1.0, 0, 0]), turn @ np.array([0, 1.0, 0])
        return (
            turn @ up,
            math.cos(r) * right - math.sin(r) * down,
            math.sin(r) * right + math.cos(r) * down,
        )

    def eye_mm(self) -> Floats | None:
        """Where the camera is; None for parallel rays."""
        if self.distance_mm is None:
            return None
        return np.array([*self.aim_mm, 0.0]) + self.distance_mm * self._axes()[0]

    def homography(self) -> Floats:
        """From plane (x, y, 1) in mm to picture."""
        view, i, j = self._axes()
        aim = np.array([*self.aim_mm, 0.0])
        middle = (np.array(self.size_px) - 1) / 2
        s = self.px_per_mm
        if self.distance_mm is None:
            rows = [s * np.append(v, -v @ aim) for v in (i, j)]
            last = np.array([0.0, 0, 0, 1])
        else:
            eye = aim + self.distance_mm * view
            rows = [s * self.distance_mm * np.append(v, -v @ eye) for v in (i, j)]
            last = np.append(-view, view @ eye)
        full = np.vstack([*rows, last])
        full[:2] += np.outer(middle, full[2])
        return full[:, [0, 1, 3]]

    @property
    def focal_px(self) -> float | None:
        return None if self.distance_mm is None else self.px_per_mm * self.distance_mm


def draw_ruler(scene: Scene, shot: Shot) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The picture, (rows, columns, 3)."""
    columns, rows = shot.size_px
    s = 2
    back = np.linalg.inv(shot.homography())
    u = (np.arange(columns * s) + 0.5) / s - 0.5
    light = np.zeros((rows, columns), np.float32)
    for top in range(0, rows, 64):
        count = min(64, rows - top)
        v = top + (np.arange(count * s) + 0.5) / s - 0.5
        w = back[2, 0] * u[None] + back[2, 1] * v[:, None] + back[2, 2]
        x = (back[0, 0] * u[None] + back[0, 1] * v[:, None] + back[0, 2]) / w
        y = (back[1, 0] * u[None] + back[1, 1] * v[:, None] + back[1, 2]) / w
        fine = _light(scene, shot.eye_mm(), x.astype(np.float32), y.astype(np.float32))
        light[top : top + count] = fine.reshape(count, s, columns, s).mean(axis=(1, 3))
    light = cv2.GaussianBlur(light, (0, 0), shot.blur_px)
    random = np.random.default_rng(shot.seed)
    colour = light[..., None] * np.array([1.0, 0.97, 0.92])
    colour += random.normal(0, shot.noise, colour.shape)
    return encode_srgb(np.clip(colour, 0, 1).astype(np.float32))


def _light(scene: Scene, eye: Floats | None, x: Any, y: Any) -> Any:
    out = np.full(x.shape, scene.table, np.float32)
    if scene.grain:
        out *= 1 + scene.grain * _grain(x, y)
    ruler = _ruler(scene, x, y)
    on_ruler = (y > 0) & (y < scene.ruler_width_mm)
    out = np.where(on_ruler, ruler, out)
    if scene.diameter_mm is not None:
        _lay_strand(scene, eye, x, y, out)
    return out


def _lay_strand(scene: Scene, eye: Floats | None, x: Any, y: Any, out: Any) -> None:
    """A cylinder on the table under an even sky: its shade on the ground, then its face.

    In the section square to it the ray through (y, 0) from the eye passes the axis at distance h;
    ground at distance u from the line of contact has u^2 / (u^2 + r^2) of the sky (radiometry).
    """
    assert scene.diameter_mm is not None
    r = scene.diameter_mm / 2
    off = y + scene.strand_at_mm
    out *= off**2 / (off**2 + r * r)
    e_y, e_z = (0.0, 1.0) if eye is None else (eye[1] - y, eye[2])
    size = np.hypot(e_y, e_z)
    e_y, e_z = e_y / size, e_z / size
    h = off * e_z + r * e_y
    step = np.abs(np.gradient(y, axis=0)) + np.abs(np.gradient(y, axis=1))
    cover = np.clip((r - np.abs(h)) / np.maximum(step, 1e-6) + 0.5, 0, 1)
    share = np.clip(h / r, -1, 1)
    n_z = np.sqrt(1 - share**2) * e_z - share * e_y
    face = scene.albedo * (0.7 * (1 + n_z) / 2 + 0.3)
    out += cover * (face - out)


def _ruler(scene: Scene, x: Any, y: Any) -> Any:
    face, ink = FACES[scene.face]
    skin = np.full(x.shape, face, np.float32)
    if scene.face == "wood":
        skin *= 1 + 0.25 * _grain(x, y)
    elif scene.face == "steel":
        skin *= (1 + 0.08 * np.sin(40.0 * y) + 0.1 * np.sin(0.05 * x)).astype(np.float32)
    marked = _marked(scene.marks, x, y - scene.inset_mm)
    if scene.other is not None:
        far = scene.ruler_width_mm - scene.inset_mm - y
        marked = np.maximum(marked, _marked(scene.other, x, far))
    return skin + marked * (ink - skin)


def _marked(marks: Marks, x: Any, depth: Any) -> Any:
    """Share of ink at each ray, exact across the marks; `depth` is in mm from the feet."""
    number = np.rint(x / marks.pitch_mm).astype(int)
    off = np.abs(x - number * marks.pitch_mm)
    reach = np.zeros(x.shape, np.float32)
    for every, length in reversed(marks.ranks):
        reach = np.where(number % every == 0, np.float32(length), reach)
    for gone in marks.missing:
        reach[number == gone] = 0.0
    step = np.abs(np.gradient(x, axis=0)) + np.abs(np.gradient(x, axis=1))
    ink = np.clip((marks.width_mm / 2 - off) / np.maximum(step, 1e-6) + 0.5, 0, 1)
    ink[(depth < 0) | (depth > reach)] = 0.0
    if marks.numbered:
        ink[_digits(marks, x, depth)] = 1.0
    return ink


_DIGIT_PX_PER_MM = 12


def _digits(marks: Marks, x: Any, depth: Any) -> Any:
    """Numbers beyond the longest marks, 2.5 mm high."""
    step = marks.numbered * marks.pitch_mm
    longest = max(length for _, length in marks.ranks)
    number = np.rint(x / step).astype(int)
    ink = np.zeros(x.shape, bool)
    size = int(5 * _DIGIT_PX_PER_MM)
    for value in np.unique(number):
        here = (number == value) & (depth > longest + 0.6) & (depth < longest + 3.6)
        if not here.any():
            continue
        plate = np.zeros((3 * _DIGIT_PX_PER_MM, size), np.uint8)
        cv2.putText(plate, str(abs(int(value))), (8, 32), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 255, 3)
        column = ((x[here] - value * step + 2.0) * _DIGIT_PX_PER_MM).astype(int)
        row = ((depth[here] - longest - 0.6) * _DIGIT_PX_PER_MM).astype(int)
        good = (column >= 0) & (column < size)
        hit = np.zeros(column.shape, bool)
        hit[good] = plate[row[good].clip(0, plate.shape[0] - 1), column[good]] > 127
        ink[here] = hit
    return ink


def _grain(x: Any, y: Any) -> Any:
    """Streaks along x, from -1 to 1."""
    wave = y + 0.4 * np.sin(0.11 * x + 0.7) + 0.15 * np.sin(0.31 * x)
    return (
        0.5 * np.sin(5.1 * wave) + 0.3 * np.sin(11.7 * wave + 1.0) + 0.2 * np.sin(23.0 * wave)
    ).astype(np.float32)
