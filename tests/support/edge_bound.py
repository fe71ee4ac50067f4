"""How finely a width can be read at all: Cramer-Rao bounds for blurred edges in noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from analytic import draw_linear
from analytic_types import Camera, Floats, Light, Strand, Truth

from measure import newest_card


def u_edge_px(noise: float, contrast: float, blur_px: float) -> float:
    """Bound on the place of one Gaussian-blurred edge in one row of pixels.

    From Fisher's information of samples one pixel apart, contrast^2 / noise^2 times the integral
    of the squared Gaussian: u = (noise / contrast) sqrt(2 sqrt(pi) blur). Good from a blur of
    half a pixel up, below which where the edge falls between pixels matters.
    """
    return noise / contrast * math.sqrt(2.0 * math.sqrt(math.pi) * blur_px)


def u_width_px(noise: float, contrasts: tuple[float, ...], blur_px: float, rows: float) -> float:
    """Bound on the distance of two such edges over `rows` rows, channels of independent noise."""
    contrast = math.sqrt(sum(c * c for c in contrasts))
    return math.sqrt(2.0 / rows) * u_edge_px(noise, contrast, blur_px)


def rounding_noise(linear: Floats) -> Floats:
    """Standard deviation in linear light that rounding to 8-bit sRGB codes adds, per level.

    A code's step is 1/255; the curve of IEC 61966-2-1 stretches it; the error is even over a step.
    """
    x = np.clip(np.asarray(linear, float), 1e-6, 1.0)
    code = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    slope = np.where(code <= 0.04045, 1 / 12.92, 2.4 / 1.055 * ((code + 0.055) / 1.055) ** 1.4)
    return np.asarray(slope / 255.0 / math.sqrt(12.0))


def u_cut_mm(strand: Strand, light: Light, camera: Camera) -> dict[str, float]:
    """Bound on the diameter from a 1 mm cut of a drawn strand, on either ground of the pocket card.

    Fisher's information of diameter and place together, summed over the pixels of the drawn
    picture by numeric derivatives; everything else (light, brightness of strand and ground) taken
    as known, so no real reading can quite reach it. Rounding to 8 bits counts as noise. The
    strand lies in the banded lane, seen square on.
    """
    card = newest_card("pocket")
    lane = card.lane("banded")
    middle_x = card.width_mm / 2
    bands = {b.ground: b for b in lane.bands if abs(b.from_mm + b.to_mm - 2 * middle_x) < 26}
    # Only the two bands at the card's middle, across the lane, are drawn.
    reach = 1.0 + max(abs(x - middle_x) for b in bands.values() for x in (b.from_mm, b.to_mm))
    half_height = card.height_mm / 2 - lane.y_mm
    small = replace(
        camera,
        width_px=2 * math.ceil(reach * camera.px_per_mm),
        height_px=2 * math.ceil(half_height * camera.px_per_mm),
    )
    step_mm = 0.1 / camera.px_per_mm

    def seen(name: str, step: float) -> tuple[Floats, Truth]:
        value = getattr(strand, name)
        moved = replace(strand, **{name: value + step})
        picture, truth = draw_linear(card, [moved], light, small)
        return picture.astype(float), truth

    level, truth = seen("offset_mm", 0.0)
    variance = camera.noise**2 + camera.shot * level + rounding_noise(level) ** 2
    slopes = [
        (seen(name, step_mm)[0] - seen(name, -step_mm)[0]) / (2.0 * step_mm)
        for name in ("diameter_mm", "offset_mm")
    ]
    out = {}
    for ground, band in bands.items():
        middle = 0.5 * (band.from_mm + band.to_mm)
        corners = np.array(
            [[middle - 3.0, lane.y_mm + 0.5], [middle + 3.0, lane.y_mm + lane.height_mm - 0.5]]
        )
        (left, top), (right, bottom) = np.rint(truth.to_picture(corners)).astype(int)
        box = np.s_[top:bottom, left:right]
        per_cut = camera.px_per_mm / (right - left)
        information = np.array(
            [[float(np.sum((a * b / variance)[box])) * per_cut for b in slopes] for a in slopes]
        )
        out[ground] = float(np.sqrt(np.linalg.inv(information)[0, 0]))
    return out
