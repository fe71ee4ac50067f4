"""Hairs about a strand, an outline that wanders, specks: drawn at random, the core's width counted.

What counts as core is the definition's (docs/definitions.md): where at least half of the ground is
covered, averaged along 1 mm. It is counted here on the very cover that is drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from analytic_types import Floats, Fuzz, Specks, Strand
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

PITCH_MM: Final = 0.0125
CUT_MM: Final = 1.0
_SHIFT: Final = 4
"""Bits of a fraction of a cell in which lines are drawn."""


@dataclass(frozen=True)
class Hairiness:
    """How hairs stand off a strand."""

    cover: float
    """Of the ground just outside the core, mean."""
    length_mm: float
    """Mean way along a hair."""
    rough_mm: float
    """Standard deviation of either outline's wandering."""
    hair_mm: float = 0.025
    """Diameter of a hair: wool has 0.015 to 0.04 mm (common practice, no source)."""


def drawn_fuzz(
    random: np.random.Generator, radius_mm: float, hairiness: Hairiness, length_mm: float
) -> Fuzz:
    """Fuzz for a strand of that radius on a card of that length: loops and loose ends at random."""
    first = -0.1 * length_mm
    columns = int(1.2 * length_mm / PITCH_MM)
    reach = radius_mm + 3.0 * hairiness.length_mm
    rows = 2 * math.ceil(reach / PITCH_MM) + 1
    hairs = np.zeros((rows, columns), np.uint8)
    # A hair that leaves at 45 degrees on average hides its width times the root of two of a row.
    count = int(2 * 1.2 * length_mm * hairiness.cover / (hairiness.hair_mm * math.sqrt(2)))
    start = random.uniform(0, columns, count)
    side = random.choice([-1.0, 1.0], count)
    heading = random.uniform(0.25 * math.pi, 0.75 * math.pi, count)
    curl = random.normal(0.0, 1.2, count) / hairiness.length_mm
    long = random.exponential(hairiness.length_mm, count)
    steps = np.linspace(0.0, 1.0, 9)
    thick = max(1, round(hairiness.hair_mm / PITCH_MM))
    for x0, way, turn, bend, length in zip(start, side, heading, curl, long, strict=True):
        along = np.cumsum(np.append(0.0, np.cos(turn + bend * length * steps[1:]))) * length / 8
        away = np.cumsum(np.append(0.0, np.sin(turn + bend * length * steps[1:]))) * length / 8
        x = x0 + along / PITCH_MM
        y = (rows - 1) / 2 + way * (0.7 * radius_mm + away) / PITCH_MM
        points = np.rint(np.column_stack([x, y]) * (1 << _SHIFT)).astype(np.int32)
        cv2.polylines(hairs, [points], False, 255, thick, cv2.LINE_AA, _SHIFT)
    edges = []
    for _ in range(2):
        course = gaussian_filter1d(random.standard_normal(columns), 0.08 / PITCH_MM)
        edges.append((hairiness.rough_mm * course / course.std()).astype(np.float32))
    return Fuzz(first, PITCH_MM, hairs.astype(np.float32) / 255.0, edges[0], edges[1])


def core_diameter_mm(strand: Strand, x_mm: Floats) -> Floats:
    """Width of a fuzzy or translucent strand's core about places x (n,), by its definition."""
    given = strand.diameter_mm
    plain = np.asarray(given(x_mm) if callable(given) else np.full(len(x_mm), given), float)
    if strand.optical_depth is not None:
        # exp(-depth sqrt(1 - h^2)) is one half where the core ends.
        return np.asarray(plain * math.sqrt(1.0 - (math.log(2.0) / strand.optical_depth) ** 2))
    fuzz = strand.fuzz
    if fuzz is None:
        return plain
    x = fuzz.first_mm + fuzz.pitch_mm * np.arange(fuzz.hairs.shape[1])
    radius = 0.5 * np.asarray(given(x) if callable(given) else np.full(len(x), given), float)
    middle = len(fuzz.hairs) // 2
    width = np.zeros(len(x))
    for side, edge in ((-1, fuzz.upper_mm), (1, fuzz.lower_mm)):
        own = fuzz.hairs[middle:] if side > 0 else fuzz.hairs[middle::-1]
        off = (np.arange(len(own)) * fuzz.pitch_mm)[:, None]
        inside = np.clip((radius + edge - off) / fuzz.pitch_mm + 0.5, 0.0, 1.0)
        cover = inside + (1.0 - inside) * own
        cover = uniform_filter1d(cover, round(CUT_MM / fuzz.pitch_mm), axis=1)
        outside = np.argmax(cover < 0.5, axis=0)
        columns = np.arange(len(x))
        last, next_ = cover[outside - 1, columns], cover[outside, columns]
        width += (outside - 1 + (last - 0.5) / np.maximum(last - next_, 1e-9)) * fuzz.pitch_mm
    return np.interp(x_mm, x, width)


def drawn_specks(
    random: np.random.Generator,
    radius_mm: float,
    colour: tuple[float, float, float],
    length_mm: float,
) -> Specks:
    """Bits of that colour, some tenths of a millimetre across, one to three on each millimetre."""
    pitch = 0.05
    first = -0.1 * length_mm
    rows = 2 * math.ceil(1.2 * radius_mm / pitch) + 1
    share = np.zeros((rows, int(1.2 * length_mm / pitch)), np.uint8)
    for _ in range(int(1.2 * length_mm * random.uniform(1.0, 3.0))):
        place = (random.uniform(0, share.shape[1]), random.uniform(0, rows))
        axes = random.uniform(0.08, 0.25, 2) / pitch
        centre = (round(place[0] * 16), round(place[1] * 16))
        size = (round(axes.max() * 16), round(axes.min() * 16))
        turn = float(random.uniform(-40, 40))
        cv2.ellipse(share, centre, size, turn, 0, 360, 255, -1, cv2.LINE_AA, 4)
    return Specks(first, pitch, share.astype(np.float32) / 255.0, colour)
