"""Scatter of the width from cut to cut on smooth strands, against the Cramer-Rao bound.

    python -m tests.bench.edge_scatter [--repeats 3] [--seed 0]

Strands of one diameter, drawn flat and shaded; cuts of 1 mm that do not overlap, on each ground
apart. The bound is that of the drawn pixels' own noise and rounding with everything but the
edges known (`edge_bound.u_cut_mm`); the closed form for a pair of edges stands beside it for the
flat ones.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

import numpy as np
from analytic import Camera, Light, Strand, draw, to_png
from edge_bound import u_cut_mm, u_width_px

from measure import measure_picture, newest_card

Ground = Literal["light", "dark"]

TARGET: Final = 1.5
SHADED: Final = Light(sky=0.5, lamp=0.3, unshaded=0.2, lean_deg=30.0, softness_mm=0.15, scatter=0.2)


@dataclass(frozen=True)
class Smooth:
    """One smooth strand and how it is seen."""

    name: str
    width_px: float
    albedo_rgb: tuple[float, float, float]
    light: Light
    blur_px: float = 0.8
    noise: float = 0.005
    px_per_mm: float = 20.0
    slope: float = 0.01

    @property
    def strand(self) -> Strand:
        """As it is drawn."""
        return Strand(
            diameter_mm=self.width_px / self.px_per_mm,
            albedo_rgb=self.albedo_rgb,
            slope=self.slope,
        )

    @property
    def camera(self) -> Camera:
        """A scanner's: parallel rays, square on."""
        return Camera(
            px_per_mm=self.px_per_mm, distance_mm=None, blur_px=self.blur_px, noise=self.noise
        )


GREY: Final = (0.3, 0.3, 0.3)
PURPLE: Final = (0.25, 0.08, 0.35)
FLAT_INK: Final = Light(flat=True)

SMOOTH: Final = (
    Smooth("flat grey 10 px", 10.0, GREY, FLAT_INK),
    Smooth("flat grey 24 px", 24.0, GREY, FLAT_INK),
    Smooth("flat purple 16 px, soft", 16.0, PURPLE, FLAT_INK, blur_px=1.2),
    Smooth("flat grey 40 px, noisy", 40.0, GREY, FLAT_INK, noise=0.01),
    Smooth("shaded grey 14 px", 14.0, GREY, SHADED),
    Smooth("shaded purple 24 px", 24.0, PURPLE, SHADED),
    Smooth("shaded purple 24 px, noisy", 24.0, PURPLE, SHADED, noise=0.01),
)


def scatter_mm(smooth: Smooth, seed: int) -> dict[Ground, tuple[float, int]]:
    """Standard deviation of the diameters of 1 mm cuts about their ground's mean, and how many.

    Raises ValueError where the strand was not read.
    """
    pixels, _ = draw(newest_card("pocket"), [smooth.strand], smooth.light, smooth.camera, seed)
    reading = measure_picture(to_png(pixels, 25.4 * smooth.px_per_mm))
    if len(reading.strands) != 1:
        raise ValueError(f"{smooth.name}: {[r.code for r in reading.refusals]}")
    along = reading.strands[0].along
    out: dict[Ground, tuple[float, int]] = {}
    for ground in ("light", "dark"):
        here = along.ground == ground
        position, diameter = along.position_mm[here], along.diameter_mm[here]
        kept: list[int] = []
        for i, at in enumerate(position):
            if not kept or at - position[kept[-1]] >= 0.99:
                kept.append(i)
        if len(kept) > 5:
            out[ground] = float(np.std(diameter[kept], ddof=1)), len(kept)
    return out


def closed_form_mm(smooth: Smooth, ground: Ground) -> float | None:
    """The bound for a pair of edges of one contrast; None for shaded strands, which have none."""
    if not smooth.light.flat:
        return None
    behind = 1.0 if ground == "light" else 0.04
    exposure = smooth.camera.exposure
    contrasts = tuple(exposure * abs(behind - a) for a in smooth.albedo_rgb)
    blur_px = float(np.hypot(smooth.blur_px, np.sqrt(1 / 12)))
    width_px = u_width_px(smooth.noise, contrasts, blur_px, smooth.px_per_mm)
    return width_px / smooth.px_per_mm


def main() -> None:
    """Draw, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=3, help="pictures of each strand")
    parser.add_argument("--seed", type=int, default=0)
    chosen = parser.parse_args()
    print("| strand | ground | cuts | scatter um | bound um | closed form um | ratio |")
    print("|---|---|---|---|---|---|---|")
    ratios = []
    for smooth in SMOOTH:
        found = [scatter_mm(smooth, chosen.seed + k) for k in range(chosen.repeats)]
        bounds = u_cut_mm(smooth.strand, smooth.light, smooth.camera)
        for ground in ("light", "dark"):
            parts = [f[ground] for f in found if ground in f]
            if not parts:
                continue
            count = sum(n for _, n in parts)
            scatter = float(np.sqrt(sum(s * s * n for s, n in parts) / count))
            bound = bounds[ground]
            plain = closed_form_mm(smooth, ground)
            ratios.append(scatter / bound)
            print(
                f"| {smooth.name} | {ground} | {count} | {1000 * scatter:.2f} "
                f"| {1000 * bound:.2f} | {'-' if plain is None else f'{1000 * plain:.2f}'} "
                f"| {ratios[-1]:.2f} |"
            )
    print(f"\nmedian ratio {np.median(ratios):.2f}, largest {max(ratios):.2f}; asked for: {TARGET}")


if __name__ == "__main__":
    main()
