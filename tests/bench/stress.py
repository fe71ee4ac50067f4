"""The stress collection: hard pictures drawn on demand, each with its truth.

    python -m tests.bench.stress FOLDER [--first 0] [--count 50] [--only "light=dim" ...]

writes stress_NNNN.jpg or .png and stress_NNNN.json, as `tests.bench.renders` reads them. What
there is to combine stands in `KINDS` of `tests/support/stress_shots.py`; fibres, fuzz and plies
no closed form draws are in `tests.bench.render_yarn`. Everything follows from the numbers.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

from stress_shots import random_shot, tags_of, take

from measure import newest_card


def write(seed: int, folder: Path) -> Path:
    """Draw one shot and write it with its truth; gives the picture's path."""
    shot = random_shot(seed)
    taken = take(shot)
    path = folder / f"stress_{seed:04d}.{'png' if shot.quality is None else 'jpg'}"
    card = newest_card("pocket")
    truth = {
        "made": "drawn, not photographed",
        "card": "pocket",
        "kinds": shot.tags,
        "printer": shot.said,
        "light": {"name": shot.tags["light"]},
        "camera": {"kind": shot.tags["camera"]},
        "strands": [
            {
                "kind": shot.tags["strand"],
                "lane": s.lane,
                "y_mm": card.lane(s.lane).y_mm + card.lane(s.lane).height_mm / 2 + s.offset_mm,
                "diameter_mm": round(true_mm, 4),
                "albedo": [[]],
                "lift_mm": 0.0,
            }
            for s, true_mm in zip(shot.strands, taken.true_mm, strict=True)
        ],
    }
    path.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n")
    path.write_bytes(taken.data)
    return path


def main() -> None:
    """Draw and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--only", nargs="*", default=[], help="kinds wanted, as light=dim")
    asked = parser.parse_args()
    wanted = dict(pair.split("=", 1) for pair in asked.only)
    asked.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(asked.first, asked.first + asked.count):
        if wanted.items() <= tags_of(seed).items():
            print(write(seed, asked.folder).name, flush=True)


if __name__ == "__main__":
    main()
