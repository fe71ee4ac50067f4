"""Random cases of drawn plied strands: yarns, colours, lights and cameras as people have them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from analytic_types import Camera
from plied import Lamp, PliedStrand, Rgb

COLOURS: Final[tuple[Rgb, ...]] = (
    (0.85, 0.80, 0.68),
    (0.94, 0.94, 0.93),
    (0.80, 0.62, 0.64),
    (0.25, 0.08, 0.35),
    (0.06, 0.30, 0.32),
    (0.50, 0.16, 0.06),
    (0.24, 0.23, 0.22),
    (0.04, 0.04, 0.04),
)
OUTSIDE: Final = {1: 1.0, 2: 2.0, 3: 1 + 2 / math.sqrt(3), 4: 1 + math.sqrt(2)}
"""Diameter of the circle round n touching plies, in plies' diameters."""


@dataclass(frozen=True)
class PliedCase:
    """What to draw."""

    strands: tuple[PliedStrand, ...]
    camera: Camera
    lamp: Lamp
    seed: int


def plied_case(seed: int) -> PliedCase:
    """A picture of two strands, 2 to 16 turns per inch, ply angles from 12 to 42 degrees."""
    random = np.random.default_rng(seed)
    strands = tuple(_strand(random, offset) for offset in (-2.6, 2.6))
    scanned = random.random() < 0.25
    camera = Camera(
        px_per_mm=float(
            random.choice([300, 400, 600]) / 25.4 if scanned else random.uniform(14, 20)
        ),
        distance_mm=None if scanned else 250.0,
        tilt_deg=0.0 if scanned else float(random.uniform(0, 7)),
        tilt_azimuth_deg=float(random.uniform(0, 360)),
        roll_deg=float(random.uniform(-2, 2)),
        blur_px=float(random.uniform(0.6, 1.2)),
        noise=0.004,
        shot=0.0001,
    )
    lamp = Lamp(
        float(random.choice([0.0, 0.4, 0.6])),
        float(random.uniform(20, 45)),
        float(random.uniform(0, 360)),
    )
    return PliedCase(strands, camera, lamp, seed)


def _strand(random: np.random.Generator, offset_mm: float) -> PliedStrand:
    plies = int(random.choice([1, 2, 2, 3, 3, 4, 4]))
    turns = float(np.exp(random.uniform(math.log(2.0), math.log(16.0))))
    angle = math.radians(random.uniform(12.0, 42.0))
    outside_mm = math.tan(angle) * 25.4 / (math.pi * turns)
    outside_mm = float(np.clip(outside_mm, 0.4, 2.6))
    # Held to what is spun: the angle stays between those limits where the width was held.
    turns = float(np.clip(turns, *(np.tan(np.radians([12.0, 42.0])) * 25.4 / np.pi / outside_mm)))
    colours = [COLOURS[i] for i in random.permutation(len(COLOURS))[:2]]
    poled = plies > 1 and random.random() < 0.25
    of_plies = tuple(colours[i % 2] for i in range(plies)) if poled else (colours[0],)
    return PliedStrand(
        plies,
        outside_mm / OUTSIDE[plies],
        turns,
        "S" if random.random() < 0.5 else "Z",
        of_plies,
        offset_mm,
        float(random.uniform(-0.01, 0.01)),
        swing=float(random.uniform(0, 0.08)),
        streaks=float(random.uniform(0.04, 0.12)),
        rough=float(random.uniform(0.02, 0.07)),
    )
