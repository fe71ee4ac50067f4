"""The printer check on drawn bank cards: error of the factors and how often the interval holds.

`python -m tests.bench.printer_check --cases 60`, some four seconds each; a Markdown table.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from drawn_bank_card import draw_bank_card, random_case

from measure.errors import MeasureError
from measure.picture import read_picture
from measure.printer_check import check_by_picture


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=60)
    count = parser.parse_args().cases
    rows: dict[str, list[tuple[float, float]]] = {"soft light": [], "some lamplight": []}
    refusals: dict[str, int] = {}
    for seed in range(count):
        scene, card, focal_px = random_case(seed, lamps=True)
        picture = replace(read_picture(draw_bank_card(scene, card)), focal_px=focal_px)
        try:
            found = check_by_picture(picture).factors
        except MeasureError as error:
            refusals[error.code] = refusals.get(error.code, 0) + 1
            continue
        group = "some lamplight" if scene.lamp else "soft light"
        for value, u, true in zip(
            (found.x, found.y), (found.u_x, found.u_y), scene.printer, strict=True
        ):
            rows[group].append((value / true - 1, (value - true) / u))
    print("| light | factors | median error | 95th percentile | within the 95 % interval |")
    print("|---|---|---|---|---|")
    for group, values in rows.items():
        if not values:
            continue
        errors, scores = np.abs(np.array(values)).T
        print(
            f"| {group} | {len(values)} | {100 * np.median(errors):.2f} % "
            f"| {100 * np.percentile(errors, 95):.2f} % "
            f"| {100 * np.mean(scores < 1.959964):.0f} % |"
        )
    told = ", ".join(f"{code} {number}" for code, number in sorted(refusals.items())) or "none"
    print(f"\nRefused: {told}, of {count} pictures.")


if __name__ == "__main__":
    main()
