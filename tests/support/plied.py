"""Plied strands drawn from closed forms on the printed card: truth for the tests of twist.

n round plies of diameter d touch and wind round a common axis at radius R = d / (2 sin(pi / n)),
so that ply k of a strand with T turns to the millimetre lies at R (sin, cos) of 2 pi (T s + k / n)
across and above the axis. Seen from above its outline is the largest and smallest of its plies'
edges, and what shows at a place is the highest of the plies there: nothing is fitted or traced.
Faces are lit by an even sky and one far lamp (Lambert), darker the deeper they lie between the
plies (our assumption), and carry lengthwise streaks as fibres do. Nothing in here calls the
measuring code apart from the card's geometry and the shape of its results.

A view straight down the strand is assumed when its relief is drawn: the camera may stand askew by
some degrees, no more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from analytic import draw_linear, encode_srgb
from analytic_types import FLAT, Camera, Floats, Truth
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from measure.card import Card
from measure.straightened import Straightened

Rgb = tuple[float, float, float]
SUPERSAMPLING = 3
SWING_MM = 60.0
"""Length of the wave in which twist strays."""
COLUMNS = 160
"""Picture columns drawn at a time."""


@dataclass(frozen=True)
class PliedStrand:
    """`plies` strands of `ply_mm` each on the banded lane, `offset_mm` off its middle.

    `albedo` is one colour or one for each ply, relative to paper white. `swing` is how far the
    twist strays from its mean along the strand (relative, one slow wave over the card), `streaks`
    the depth of the fibres' texture. A single (one ply) shows its twist by its streaks alone.
    """

    plies: int
    ply_mm: float
    turns_per_inch: float
    twist: Literal["S", "Z"]
    albedo: tuple[Rgb, ...] = ((0.6, 0.55, 0.5),)
    offset_mm: float = 0.0
    slope: float = 0.0
    swing: float = 0.0
    streaks: float = 0.06
    rough: float = 0.0
    """Unevenness of each ply's diameter (relative standard deviation)."""
    grooves: float = 0.6
    """How much less of the sky the deepest places see than their slope alone says."""
    scatter: float = 0.25
    """Share of the face that is evenly bright, since fibres scatter (our assumption)."""

    @property
    def axis_mm(self) -> float:
        """Distance of the plies' axes from the strand's."""
        return 0.0 if self.plies == 1 else self.ply_mm / 2 / math.sin(math.pi / self.plies)


@dataclass(frozen=True)
class Lamp:
    """A far lamp besides an even sky: its share of the light, its lean and where it leans to.

    The azimuth is the card's: 0 along the strand, 90 across it towards +y.
    """

    share: float = 0.0
    lean_deg: float = 40.0
    azimuth_deg: float = 90.0


def width_mm(strand: PliedStrand, turned: Floats) -> Floats:
    """Width seen square on at places that many turns along (...,): largest less smallest edge."""
    phase = 2 * np.pi * (turned[..., None] + np.arange(strand.plies) / strand.plies)
    across = strand.axis_mm * np.sin(phase)
    return np.asarray(across.max(axis=-1) - across.min(axis=-1) + strand.ply_mm)


def draw_plied(
    card: Card,
    strands: tuple[PliedStrand, ...],
    camera: Camera,
    seed: int,
    lamp: Lamp | None = None,
) -> tuple[NDArray[np.uint8], Truth]:
    """The picture (h, w, 3) as 8-bit sRGB, and what is true of its view."""
    lamp = lamp or Lamp()
    picture, truth = draw_linear(card, (), FLAT, camera)
    picture = np.array(picture, np.float32)
    random = np.random.default_rng(seed)
    for strand in strands:
        lay_plied(picture, card, strand, camera, truth, lamp, random)
    if camera.noise or camera.shot:
        spread = np.sqrt(camera.noise**2 + camera.shot * np.maximum(picture, 0))
        picture += random.standard_normal(picture.shape, dtype=np.float32) * spread
    return encode_srgb(picture), truth


def uneven_width_mm(strand: PliedStrand, s: Floats, wide: list[Floats]) -> Floats:
    """Width seen square on at places s (n,) mm from its middle, plies as uneven as `wide` says."""
    wave = 2 * math.pi / SWING_MM
    hand = 1.0 if strand.twist == "Z" else -1.0
    rate = hand * strand.turns_per_inch / 25.4
    turned = rate * (s + strand.swing / wave * np.sin(wave * s))
    phase = 2 * np.pi * (turned[:, None] + np.arange(strand.plies) / strand.plies)
    across = strand.axis_mm * np.sin(phase)
    own = strand.ply_mm / 2 * np.stack([_at(course, s) for course in wide], axis=1)
    return np.asarray((across + own).max(axis=1) - (across - own).min(axis=1))


def straight_plied(
    strand: PliedStrand,
    length_mm: float,
    seed: int,
    *,
    lamp: Lamp | None = None,
    px_across: float = 16.0,
    noise: float = 0.01,
    covered: tuple[tuple[float, float], ...] = (),
) -> Straightened:
    """The strand as a straightened picture would show it, on bands of 12 mm, light and dark.

    `covered` places, mm along it, are marked as not seen. Blur is half a pixel or so: that of
    averaging what is drawn over each grid cell.
    """
    random = np.random.default_rng(seed)
    half = 0.5 * float(width_mm(strand, np.linspace(0, 1, 720)).mean())
    step = max(2 * half / px_across, 2 * half / 14)
    fine = 3
    xi = np.arange(-17, 18) * 0.1
    s = np.arange(0, length_mm, step / fine)
    u = (np.arange(-17 * fine - 1, 17 * fine + 2) / (10 * fine)) * half
    field, wide = _streak_field(strand, random), wandering(strand, 2 * length_mm, random)
    grid_u, grid_s = np.meshgrid(u, s - length_mm / 2)
    cover, face, shade = _seen(strand, grid_s, grid_u, lamp or Lamp(), field, wide)
    band = (s // 12).astype(int)
    ground = np.where(band % 2 == 0, 0.04, 0.9)[:, None]
    light = (ground * shade * (1 - cover))[..., None] + face
    n = len(s) // fine
    light = light[: n * fine].reshape(n, fine, len(xi), fine, 3).mean(axis=(1, 3))
    light += noise * random.standard_normal(light.shape)
    s_mm = (np.arange(n) + 0.5 * (fine - 1) / fine) * step
    stretch = (s_mm // 12).astype(int)
    edge = np.abs(s_mm - np.rint(s_mm / 12) * 12)
    stretch[edge < 0.4] = -1
    for start, stop in covered:
        stretch[(s_mm > start) & (s_mm < stop)] = -1
    return Straightened(s_mm, xi, light.astype(np.float32), stretch, half, px_across)


def mean_turns_per_inch(strand: PliedStrand, from_mm: float, to_mm: float) -> float:
    """Mean twist between two places along it, counted from the strand's middle."""
    wave = 2 * math.pi / SWING_MM
    more = strand.swing / wave * (math.sin(wave * to_mm) - math.sin(wave * from_mm))
    return strand.turns_per_inch * (1 + more / (to_mm - from_mm))


def lay_plied(
    picture: Floats,
    card: Card,
    strand: PliedStrand,
    camera: Camera,
    truth: Truth,
    lamp: Lamp,
    random: np.random.Generator,
    wide: list[Floats] | None = None,
) -> None:
    """Put one strand into the picture of a bare card, linear light, by a view without distortion.

    `wide` is each ply's diameter over its mean every 0.1 mm, the strand's middle in the middle;
    drawn at random without it.
    """
    corners = np.array([[0.0, 0.0], [card.width_mm, 0.0], [0.0, 40.0], [card.width_mm, 40.0]])
    to_card = cv2.getPerspectiveTransform(
        truth.to_picture(corners).astype(np.float32), corners.astype(np.float32)
    )
    lane = card.lane("banded")
    middle_y = lane.y_mm + lane.height_mm / 2 + strand.offset_mm
    x0 = card.width_mm / 2
    reach = 2.2 * (2 * strand.axis_mm + strand.ply_mm)
    field = _streak_field(strand, random)
    wide = wide or wandering(strand, card.width_mm, random)
    m, root, k = strand.slope, math.hypot(1.0, strand.slope), SUPERSAMPLING
    ends = truth.to_picture(np.array([[0.0, middle_y], [card.width_mm, middle_y]]))
    first, last = int(max(ends[0, 0] - 2, 0)), int(min(ends[1, 0] + 3, picture.shape[1]))
    pad = math.ceil(4 * camera.blur_px)
    for left in range(first, last, COLUMNS):
        right = min(left + COLUMNS, last)
        near = to_card @ np.array([[left, ends[0, 1], 1.0], [right, ends[1, 1], 1.0]]).T
        x_card = near[0] / near[2]
        y_card = middle_y + m * (x_card - x0)
        box_mm = [
            [x, y + side * reach] for x, y in zip(x_card, y_card, strict=True) for side in (-1, 1)
        ]
        rows_px = truth.to_picture(box_mm)[:, 1]
        top = max(int(rows_px.min()) - pad, 0)
        bottom = min(int(rows_px.max()) + pad + 1, picture.shape[0])
        columns = left - pad + (np.arange((right - left + 2 * pad) * k) + 0.5) / k - 0.5
        rows = top + (np.arange((bottom - top) * k) + 0.5) / k - 0.5
        x, y = _mapped(to_card, columns.astype(np.float32), rows.astype(np.float32))
        u = (y - np.float32(middle_y) - m * (x - x0)) / root
        s = ((x - x0) + m * (y - np.float32(middle_y))) / root
        seen = _seen(strand, s, u, lamp, field, wide)
        size = (len(columns) // k, bottom - top)
        cover, face, shade = (
            cv2.resize(
                cv2.GaussianBlur(f.astype(np.float32), (0, 0), max(camera.blur_px, 1e-3) * k),
                size,
                interpolation=cv2.INTER_AREA,
            )[:, pad : pad + right - left]
            for f in seen
        )
        box = picture[top:bottom, left:right]
        box *= (shade * (1 - cover))[..., None]
        box += camera.exposure * face


def _mapped(matrix: Floats, columns: Floats, rows: Floats) -> tuple[Floats, Floats]:
    c, r = columns[None, :], rows[:, None]
    w = matrix[2, 0] * c + matrix[2, 1] * r + matrix[2, 2]
    x = (matrix[0, 0] * c + matrix[0, 1] * r + matrix[0, 2]) / w
    y = (matrix[1, 0] * c + matrix[1, 1] * r + matrix[1, 2]) / w
    return x, y


def _seen(
    strand: PliedStrand, s: Floats, u: Floats, lamp: Lamp, field: Floats | None, wide: list[Floats]
) -> tuple[Floats, Floats, Floats]:
    """Cover (h, w), face (h, w, 3) and how much light the ground beside keeps (h, w)."""
    n, r, radius = strand.plies, strand.ply_mm / 2, strand.axis_mm
    # S is a left-handed helix: with +u down the picture its front runs to -u as s grows.
    hand = 1.0 if strand.twist == "Z" else -1.0
    turns = hand * strand.turns_per_inch / 25.4
    wave = 2 * np.pi / SWING_MM
    turned = turns * (s + strand.swing / wave * np.sin(wave * s))
    rate = turns * (1 + strand.swing * np.cos(wave * s))
    height = np.full(s.shape, -np.inf, np.float32)
    out = {name: np.zeros(s.shape, np.float32) for name in ("across", "along", "ply", "around")}
    for ply in range(n):
        phase = 2 * np.pi * (turned + ply / n)
        axis_u, axis_h = radius * np.sin(phase), radius * np.cos(phase)
        own = r * _at(wide[ply], s)
        off = u - axis_u
        inside = own**2 - off**2
        up = np.sqrt(np.maximum(inside, 1e-6))
        h = np.where(inside > 0, axis_h + up, -np.inf)
        higher = h > height
        height = np.where(higher, h, height)
        by_u = -off / up
        by_s = 2 * np.pi * rate * (-radius * np.sin(phase) - by_u * radius * np.cos(phase))
        for name, value in (("across", by_u), ("along", by_s), ("ply", ply), ("around", off / own)):
            out[name] = np.where(higher, value, out[name])
    cover = np.isfinite(height)
    steep = 1 / np.sqrt(1 + out["across"] ** 2 + out["along"] ** 2)
    lean, azimuth = math.radians(lamp.lean_deg), math.radians(lamp.azimuth_deg)
    towards = (
        math.tan(lean) * math.cos(azimuth),
        math.tan(lean) * math.sin(azimuth),
    )
    facing = steep * (1 - out["along"] * towards[0] - out["across"] * towards[1])
    top = radius + r
    deep = np.clip((top - np.where(cover, height, top)) / (2 * top), 0, 1)
    lit = (1 - lamp.share) * 0.5 * (1 + steep) * (1 - strand.grooves * deep)
    lit += lamp.share * np.maximum(facing, 0.0)
    lit = (1 - strand.scatter) * lit + strand.scatter
    if field is not None:
        lit *= 1 + strand.streaks * _streaks(strand, s, turned, out["around"], field)
    colours = np.array(strand.albedo)[out["ply"].astype(int) % len(strand.albedo)]
    face = np.where(cover, lit, 0.0)[..., None] * colours
    # The ground is shaded by the strand as a whole: a cylinder of its mean width, its axis as high
    # as bumps hold it (the share of sky that a raised cylinder hides, a lamp's shadow under it).
    half = strand.ply_mm / 2 * (1 + n / math.pi if n > 1 else 1.0)
    sky = 1 - top * half / (u**2 + top**2)
    t = towards[1]
    low, high = -t * top - half * math.hypot(1, t), -t * top + half * math.hypot(1, t)
    soft = 0.25 * half
    shadow = 1 / (1 + np.exp(-(u - low) / soft)) - 1 / (1 + np.exp(-(u - high) / soft))
    shade = (1 - lamp.share) * sky + lamp.share * (1 - shadow)
    return cover.astype(float), face, shade


def wandering(strand: PliedStrand, length_mm: float, random: np.random.Generator) -> list[Floats]:
    """Each ply's diameter over its mean every 0.1 mm, from -length to +length; uneven over 6 mm."""
    if not strand.rough:
        return [np.ones(2) for _ in range(strand.plies)]
    courses = []
    for _ in range(strand.plies):
        course = gaussian_filter(random.standard_normal(int(20 * length_mm)), 30.0)
        courses.append(1 + strand.rough * course / course.std())
    return courses


def _at(course: Floats, s: Floats) -> Floats:
    where = np.clip((s * 10.0 + len(course) / 2).astype(np.int32), 0, len(course) - 1)
    return course[where].astype(np.float32)


def _streak_field(strand: PliedStrand, random: np.random.Generator) -> Floats | None:
    """Unit texture, one turn of a fibre bundle down and 128 mm across, drawn out lengthwise."""
    if not strand.streaks:
        return None
    field = gaussian_filter(random.standard_normal((256, 1024)), (3.0, 40.0), mode="wrap")
    return np.asarray(field / field.std(), np.float32)


def _streaks(
    strand: PliedStrand, s: Floats, turned: Floats, around: Floats, field: Floats
) -> Floats:
    """Texture of unit depth: along the helix of a single, along the axis in plied yarn."""
    angle = np.arcsin(np.clip(around, -1, 1))
    if strand.plies == 1:
        angle = angle - 2 * np.pi * turned
    row = np.mod(angle / (2 * np.pi) * 256, 256)
    column = np.mod(s * 8.0 + 512, 1024)
    return np.asarray(
        cv2.remap(
            field,
            column.astype(np.float32),
            row.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )
    )
