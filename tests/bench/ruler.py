"""Readings of strands beside drawn rulers: error and whether the interval holds it.

    python -m tests.bench.ruler [--cases 40] [--seed 0] [--write docs/accuracy.md]

Rulers of every face in millimetres or sixteenths, turned by any angle, tilted up to 20 degrees,
strands of 0.5 to 2 mm; half of the pictures state their focal length (3 % off), half do not.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

import numpy as np
from drawn_ruler import FACES, SIXTEENTHS, Marks, Scene, Shot, draw_ruler

from measure import measure_picture
from measure.picture import read_picture
from tests.bench.accuracy import write_between

BEGIN, END = "<!-- bench: ruler -->", "<!-- end of bench: ruler -->"


@dataclass(frozen=True)
class Score:
    """One picture's reading against its truth."""

    group: str
    refused: str | None
    error_percent: float = 0.0
    half_width_percent: float = 0.0

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return abs(self.error_percent) <= self.half_width_percent


def one_case(seed: int) -> Score:
    """Draw, read, compare."""
    random = np.random.default_rng([11, seed])
    known = bool(seed % 2)
    diameter = float(np.exp(random.uniform(np.log(0.5), np.log(2.0))))
    scene = Scene(
        marks=SIXTEENTHS if random.random() < 0.4 else Marks(),
        face=str(random.choice(list(FACES))),
        table=float(random.uniform(0.4, 0.8)),
        grain=float(random.choice([0.0, 0.03])),
        strand_at_mm=float(random.uniform(9.0, 18.0)),
        diameter_mm=diameter,
        albedo=float(random.uniform(0.03, 0.3)),
    )
    tilt = float(random.uniform(0.0, 20.0))
    shot = Shot(
        px_per_mm=float(random.uniform(9.0, 14.0)),
        size_px=(960, 720),
        roll_deg=float(random.uniform(-180, 180)),
        tilt_deg=tilt,
        azimuth_deg=float(random.uniform(0, 360)),
        distance_mm=float(random.uniform(150, 300)),
        seed=seed,
    )
    group = (
        f"tilt {'0 to 10' if tilt < 10 else '10 to 20'}, focal length {'' if known else 'un'}known"
    )
    picture = read_picture(draw_ruler(scene, shot))
    if known and shot.focal_px:
        picture = replace(picture, focal_px=shot.focal_px * float(random.normal(1.0, 0.03)))
    reading = measure_picture(picture)
    if len(reading.strands) != 1:
        return Score(group, reading.refusals[0].code if reading.refusals else "several")
    low, high = reading.strands[0].diameter_interval_mm
    error = 100 * (reading.strands[0].diameter_mm / diameter - 1)
    return Score(group, None, error, 50 * (high - low) / diameter)


def report(scores: list[Score]) -> str:
    """The table."""
    lines = [
        "| pictures | all | read | median error % | p95 % | bias % | half interval, median % "
        "| interval holds % | refused |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for group in sorted({s.group for s in scores}):
        mine = [s for s in scores if s.group == group]
        read = [s for s in mine if s.refused is None]
        error = np.array([s.error_percent for s in read] or [np.nan])
        codes = Counter(s.refused for s in mine if s.refused)
        said = ", ".join(f"{count} {code}" for code, count in codes.most_common()) or "none"
        lines.append(
            f"| {group} | {len(mine)} | {len(read)} | {np.median(np.abs(error)):.2f} | "
            f"{np.percentile(np.abs(error), 95):.2f} | {error.mean():+.2f} | "
            f"{np.median([s.half_width_percent for s in read] or [np.nan]):.1f} | "
            f"{100 * np.mean([s.holds for s in read] or [np.nan]):.0f} | {said} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Draw, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    parser.add_argument("--write", type=Path, help="put the table into this Markdown file")
    chosen = parser.parse_args()
    scores = []
    for seed in range(chosen.seed, chosen.seed + chosen.cases):
        scores.append(one_case(seed))
        if scores[-1].refused or not scores[-1].holds:
            print(f"seed {seed}: {scores[-1]}", file=sys.stderr, flush=True)
    table = report(scores)
    print(table)
    if chosen.write:
        said = f"`python -m tests.bench.ruler --cases {chosen.cases} --seed {chosen.seed}`"
        write_between(chosen.write, BEGIN, END, f"Made by {said}.\n\n{table}")


if __name__ == "__main__":
    main()
