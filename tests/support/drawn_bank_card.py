"""A bank-size card drawn lying on a printed sheet: truth for the printer check.

Closed forms: every edge is a step blurred by the camera's spread and the pixel's own square (as
the Gaussian of the same variance), placed by a pinhole view of true millimetres. The card is a
slab of ISO/IEC 7810's size with round corners, seen with the height of its top face and, where
the view is from the side, its wall; an even sky darkens the paper beside it as a wall of that
height does, 1/2 (1 + d / sqrt(d^2 + h^2)), and a lamp may throw its shadow. Nothing of the
measuring code is used but where the sheet's ink lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from analytic import Camera, encode_srgb
from analytic_view import View
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from measure.card import Card, dark_rectangles_mm, newest_card
from measure.check_frame import CUT_STROKE_MM, cut_dashes_mm, frame_ink_mm

Floats = NDArray[Any]

ID1_MM = (85.60, 53.98)  # ISO/IEC 7810, nominal


@dataclass(frozen=True)
class BankCard:
    """A card of true size `size_mm`, its middle `off_mm` from the outline's, turned by `turn_deg`.

    Colours are reflectances relative to paper. `print_seed` None is a plain face.
    """

    size_mm: tuple[float, float] = ID1_MM
    off_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    radius_mm: float = 3.18
    thickness_mm: float = 0.76
    stand_off_mm: float = 0.0
    face_rgb: tuple[float, float, float] = (0.10, 0.15, 0.45)
    wall_rgb: tuple[float, float, float] = (0.7, 0.7, 0.7)
    print_seed: int | None = 1


@dataclass(frozen=True)
class Scene:
    """Printer (true over nominal size), camera, light. The lamp's share comes off the sky's."""

    printer: tuple[float, float] = (1.0, 1.0)
    camera: Camera = field(
        default_factory=lambda: Camera(px_per_mm=8.0, distance_mm=250.0, blur_px=0.8, noise=0.004)
    )
    lamp: float = 0.0
    lamp_lean: tuple[float, float] = (0.5, 0.2)
    """Tangent of the lamp's lean along x and y: which way and how far shadows fall, per height."""
    lamp_soft_mm: float = 0.15
    kind: str = "pocket"
    ink: float = 0.04
    seed: int = 0


def draw_bank_card(
    scene: Scene, card: BankCard | None, cover_mm: tuple[float, float, float, float] | None = None
) -> NDArray[np.uint8]:
    """The picture (h, w, 3), 8-bit sRGB. `cover_mm` is a grey thing lying over all of it.

    It is a box x0, y0, x1, y1 in the printed card's own mm.
    """
    printed = newest_card("pocket" if scene.kind == "pocket" else "desk")
    printer = np.array(scene.printer)
    reach = 18.0 if scene.kind == "pocket" else 4.0
    size = (np.array([printed.width_mm, printed.height_mm]) + 2 * reach) * printer
    sheet = cast(Card, SimpleNamespace(width_mm=size[0], height_mm=size[1]))
    camera = replace(scene.camera, margin_mm=0.0)
    view = View(sheet, camera)
    columns, rows = np.arange(view.width) * 1.0, np.arange(view.height) * 1.0
    x, y = (a.astype(np.float64) for a in view.plane(columns, rows))
    spread_px = math.sqrt(camera.blur_px**2 + 1 / 12)
    hidden = None
    if card is not None:
        # Well inside the card's outline, however it is turned (by some degrees) and seen.
        inner = np.array(card.size_mm) / 2 - 6.0
        centre = np.array([printed.width_mm, printed.height_mm]) / 2 + np.array(card.off_mm)
        hidden = (*(centre - inner), *(centre + inner))
    ground = _ground(printed, scene, x, y, reach, spread_px, hidden)
    light = ground[..., None] * np.ones(3)
    slant = (
        1 + 0.15 * (columns / view.width - 0.5)[None, :] + 0.1 * (rows / view.height - 0.5)[:, None]
    )
    if card is not None:
        light = _with_card(light, scene, card, view, x, y, size, spread_px)
    if cover_mm is not None:
        x0, y0, x1, y1 = cover_mm
        px, py = x / printer[0] - reach, y / printer[1] - reach
        light[(px > x0) & (px < x1) & (py > y0) & (py < y1)] = 0.2
    light = light * slant[..., None] * camera.exposure * np.array(camera.white_balance)
    random = np.random.default_rng(scene.seed)
    sd = np.sqrt(camera.noise**2 + camera.shot * np.maximum(light, 0))
    return encode_srgb(light + sd * random.standard_normal(light.shape))


def _gradient(field: Floats) -> Floats:
    """Size of a field's change per pixel."""
    down, across = np.gradient(field)
    return np.hypot(down, across)


def _ground(
    printed: Card,
    scene: Scene,
    x: Floats,
    y: Floats,
    reach: float,
    spread_px: float,
    hidden: tuple[float, float, float, float] | None,
) -> Floats:
    """Light of the printed sheet, bare paper 1, by the share of ink in each blurred pixel.

    What lies wholly in the box `hidden` (x0, y0, x1, y1 in printed mm) is not seen and left out.
    """
    fx, fy = scene.printer
    sx, sy = spread_px * _gradient(x), spread_px * _gradient(y)
    rects = [dark_rectangles_mm(printed)]
    if scene.kind == "pocket":
        rects += [frame_ink_mm(), cut_dashes_mm()]
    else:
        w, h, s = printed.width_mm, printed.height_mm, CUT_STROKE_MM / 2
        sides = [(-s, -s, w, 2 * s), (-s, h - s, w, 2 * s), (-s, -s, 2 * s, h)]
        rects.append(np.array([*sides, (w - s, -s, 2 * s, h)]))
    ink = np.zeros_like(x)
    # A lattice of picture points tells which part of the picture a rectangle can touch.
    step = 8
    coarse_x, coarse_y = x[::step, ::step], y[::step, ::step]
    pad = 1.6 * step * max(float(_gradient(x).max()), float(_gradient(y).max()))
    for left, top, width, height in np.concatenate(rects):
        if hidden is not None and (
            hidden[0] < left
            and left + width < hidden[2]
            and hidden[1] < top
            and top + height < hidden[3]
        ):
            continue
        x0, x1 = (left + reach) * fx, (left + width + reach) * fx
        y0, y1 = (top + reach) * fy, (top + height + reach) * fy
        hit = (coarse_x > x0 - pad) & (coarse_x < x1 + pad)
        hit &= (coarse_y > y0 - pad) & (coarse_y < y1 + pad)
        r, c = np.nonzero(hit.any(axis=1))[0], np.nonzero(hit.any(axis=0))[0]
        if not len(r):
            continue
        box = np.s_[r[0] * step : (r[-1] + 1) * step, c[0] * step : (c[-1] + 1) * step]
        across = ndtr((x[box] - x0) / sx[box]) - ndtr((x[box] - x1) / sx[box])
        down = ndtr((y[box] - y0) / sy[box]) - ndtr((y[box] - y1) / sy[box])
        ink[box] += across * down
    return 1 - (1 - scene.ink) * np.minimum(ink, 1)


def _with_card(
    light: Floats,
    scene: Scene,
    card: BankCard,
    view: View,
    x: Floats,
    y: Floats,
    sheet_mm: Floats,
    spread_px: float,
) -> Floats:
    """The ground with the card and its shading on it."""
    turn = math.radians(card.turn_deg)
    middle = sheet_mm / 2 + np.array(card.off_mm)

    def outside(px: Floats, py: Floats) -> Floats:
        """Distance from the card's outline, mm, less than 0 inside."""
        dx, dy = px - middle[0], py - middle[1]
        u = np.abs(math.cos(turn) * dx + math.sin(turn) * dy) - card.size_mm[0] / 2
        v = np.abs(-math.sin(turn) * dx + math.cos(turn) * dy) - card.size_mm[1] / 2
        r = card.radius_mm
        qu, qv = u + r, v + r
        corner = np.hypot(np.maximum(qu, 0), np.maximum(qv, 0)) - r
        return np.asarray(np.where((qu > 0) & (qv > 0), corner, np.maximum(u, v)))

    def lifted(height: float) -> Floats:
        if view.centre_mm is None:
            toward = view.view / view.view[2]
            return outside(x + toward[0] * height, y + toward[1] * height)
        share = height / view.centre_mm[2]
        return outside(x + (view.centre_mm[0] - x) * share, y + (view.centre_mm[1] - y) * share)

    def cover(distance: Floats) -> Floats:
        pitch = np.maximum(_gradient(distance), 1e-9)
        return np.asarray(ndtr(-distance / (pitch * spread_px)))

    top = card.stand_off_mm + card.thickness_mm
    upper, lower = lifted(top), lifted(card.stand_off_mm)
    face, all_of_it = cover(upper), cover(np.minimum(upper, lower))
    # What the blur mixes in beside the outline is the paper just outside, not at the very edge.
    on_ground = outside(x, y)
    sigma = np.maximum(_gradient(on_ground), 1e-9) * spread_px
    z = on_ground / sigma
    beside = on_ground + sigma * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) / np.maximum(
        ndtr(z), 1e-12
    )
    beside = np.where(z < -6, 0.0, np.maximum(beside, 0.0))
    sky = 0.5 * (1 + beside / np.sqrt(beside**2 + top**2))
    lamp = np.ones_like(x)
    if scene.lamp:
        sx, sy = scene.lamp_lean
        shifted = np.min(
            [outside(x - k * sx * top, y - k * sy * top) for k in np.linspace(0, 1, 6)], axis=0
        )
        soft = math.hypot(scene.lamp_soft_mm, float(np.median(sigma)))
        lamp = ndtr(shifted / soft)
    shade = (1 - scene.lamp) * sky + scene.lamp * lamp
    out = light * shade[..., None] * (1 - all_of_it)[..., None]
    out += (all_of_it - face)[..., None] * np.array(card.wall_rgb) * 0.55
    out += face[..., None] * _face(card, x - middle[0], y - middle[1], turn)
    return np.asarray(out)


def _face(card: BankCard, dx: Floats, dy: Floats, turn: float) -> Floats:
    """Colours (h, w, 3) of the card's upper side: base colour, a gradient, print that runs off."""
    base = np.array(card.face_rgb)
    colours = np.broadcast_to(base, (*dx.shape, 3)).copy()
    if card.print_seed is None:
        return colours
    random = np.random.default_rng(card.print_seed)
    u = math.cos(turn) * dx + math.sin(turn) * dy
    v = -math.sin(turn) * dx + math.cos(turn) * dy

    def other() -> Floats:
        return np.clip(base * random.uniform(0.5, 1.3, 3) + random.uniform(-0.05, 0.12, 3), 0.02, 1)

    across = random.uniform(-1, 1, 2)
    ramp = np.clip(0.5 + (across[0] * u / 86 + across[1] * v / 54), 0, 1)
    colours += ramp[..., None] * (other() - base)
    for _ in range(random.integers(0, 3)):  # blots with soft edges
        field = gaussian_filter(random.standard_normal((30, 40)), 2.5)
        field /= field.std()
        i = np.clip((v + 32) / 64 * 29, 0, 28.99)
        j = np.clip((u + 48) / 96 * 39, 0, 38.99)
        i0, j0 = i.astype(int), j.astype(int)
        a, b = i - i0, j - j0
        value = (field[i0, j0] * (1 - a) + field[i0 + 1, j0] * a) * (1 - b) + (
            field[i0, j0 + 1] * (1 - a) + field[i0 + 1, j0 + 1] * a
        ) * b
        blot = ndtr((value - random.uniform(0, 1)) / 0.1)[..., None]
        colours = colours * (1 - blot) + blot * other()
    if random.random() < 0.5:  # a stripe from edge to edge, as on the back of many cards
        y0 = random.uniform(-22, -12)
        stripe = (ndtr((v - y0) / 0.1) - ndtr((v - y0 - 12.7) / 0.1))[..., None]
        colours = colours * (1 - stripe) + 0.03 * stripe
    for _ in range(random.integers(0, 12)):  # words and fields
        w, h = random.uniform(1, 25), random.uniform(0.8, 9)
        x0, y0 = random.uniform(-38, 38 - w), random.uniform(-23, 23 - h)
        box = (ndtr((u - x0) / 0.1) - ndtr((u - x0 - w) / 0.1)) * (
            ndtr((v - y0) / 0.1) - ndtr((v - y0 - h) / 0.1)
        )
        colours = colours * (1 - box[..., None]) + box[..., None] * random.uniform(0.03, 0.9, 3)
    return np.asarray(np.clip(colours, 0.02, 1.0))


_CASE_PX_PER_MM = 7.0


def random_case(seed: int, lamps: bool = False) -> tuple[Scene, BankCard, float | None]:
    """A printer from 0.94 to 1.03, a card of any colours and print, a view tilted to 20 degrees.

    And the focal length in pixels for every second one, as if its file told. `lamps` puts some
    light of a lamp into four of ten.

    The card is made within its limits, 85.47-85.72 x 53.92-54.03 x 0.68-0.84 mm (ISO/IEC 7810,
    the first two from memory).
    """
    random = np.random.default_rng([7, seed])
    scale = random.uniform(0.94, 1.03)
    known = bool(seed % 2)
    distance = math.exp(random.uniform(math.log(120.0), math.log(380.0)))
    camera = Camera(
        px_per_mm=_CASE_PX_PER_MM,
        distance_mm=distance,
        tilt_deg=random.uniform(0, 20),
        tilt_azimuth_deg=random.uniform(0, 360),
        roll_deg=random.uniform(-15, 15),
        blur_px=random.uniform(0.5, 1.4),
        noise=random.uniform(0.001, 0.008),
        exposure=random.uniform(0.5, 0.9),
        white_balance=tuple(random.uniform(0.9, 1.05, 3)),
    )
    shade = random.uniform(0.03, 0.8) * random.uniform(0.5, 1.2, 3)
    card = BankCard(
        size_mm=(random.uniform(85.47, 85.72), random.uniform(53.92, 54.03)),
        off_mm=tuple(random.uniform(-1.2, 1.2, 2)),
        turn_deg=random.uniform(-3, 3),
        radius_mm=random.uniform(2.88, 3.48),
        thickness_mm=random.uniform(0.68, 0.84),
        stand_off_mm=random.choice([0.0, 0.2]),
        face_rgb=tuple(np.clip(shade, 0.03, 0.85)),
        wall_rgb=tuple(np.full(3, random.uniform(0.2, 0.9))),
        print_seed=seed,
    )
    printer = (scale * random.uniform(0.996, 1.004), scale * random.uniform(0.996, 1.004))
    scene = Scene(printer=printer, camera=camera, seed=seed)
    if lamps and random.random() < 0.4:
        scene = replace(
            scene,
            lamp=random.uniform(0, 0.5),
            lamp_lean=tuple(random.uniform(-1, 1, 2)),
            lamp_soft_mm=random.uniform(0.05, 0.4),
        )
    return scene, card, _CASE_PX_PER_MM * distance if known else None
