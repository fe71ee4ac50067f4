"""Twist of strands drawn from closed forms, and of rendered ones: how many answered, how far off.

    python -m tests.bench.twist [FOLDER...] [--cases 20] [--seed 2000]

Draws pictures of two strands each (`tests/support/plied_cases.py`) and reads them; FOLDER holds
pictures with their truth, as `tests.bench.render_plied` makes them. Seeds below 2000 and renders
whose names begin with "tuning", and two more, are what figures in the code were set on. Below the
table stands the processor time that looking for twist takes a strand, alone and from what the frame
before told.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from measure import PictureReading, StrandReading, Twist, measure_picture, pipeline
from measure.card import newest_card

sys.path.append(str(Path(__file__).parents[1] / "support"))


SET_ON_TOO: Final = ("proof_f", "proof_o")
"""Renders that were only read at first, and showed faults that were then mended."""


class Clock:
    """Stands in for the pipeline's look at twist, and times it."""

    def __init__(self) -> None:
        self.alone_ms: list[float] = []
        self.following_ms: list[float] = []
        self._measure = pipeline.measure_twist
        pipeline.measure_twist = self

    def __call__(self, *given: Any) -> Twist:
        """What it would give, measured twice: as in a still, and as in the frame after it."""
        begun = time.process_time()
        twist = self._measure(*given)
        between = time.process_time()
        self._measure(*given[:4], twist)
        self.alone_ms.append(1000 * (between - begun))
        self.following_ms.append(1000 * (time.process_time() - between))
        return twist

    def sentence(self) -> str:
        """Medians over all strands."""
        alone, following = np.median(self.alone_ms), np.median(self.following_ms)
        return f"{alone:.0f} ms of processor a strand, {following:.0f} ms from the frame before"


@dataclass(frozen=True)
class Outcome:
    """One strand: what is true of its twist, and what was read; None where it was refused."""

    group: str
    plies: int
    turns_per_inch: float
    twist: str
    read: StrandReading | None


def drawn(seed: int) -> Iterator[Outcome]:
    """Two strands drawn from closed forms."""
    from plied import draw_plied, mean_turns_per_inch
    from plied_cases import plied_case

    card = newest_card("pocket")
    case = plied_case(seed)
    picture, _ = draw_plied(card, case.strands, case.camera, seed, case.lamp)
    reading = measure_picture(picture)
    lane = card.lane("banded")
    half = lane.width_mm / 2
    for strand in case.strands:
        y_mm = lane.y_mm + lane.height_mm / 2 + strand.offset_mm
        share = (y_mm - lane.y_mm) / lane.height_mm
        turns = mean_turns_per_inch(strand, -half, half)
        group = "drawn, striped" if len(strand.albedo) > 1 else "drawn"
        yield Outcome(
            group, strand.plies, turns, strand.twist, _at(reading, share, len(case.strands))
        )


def rendered(folder: Path) -> Iterator[Outcome]:
    """The strands of pictures with their truth beside them."""
    lane = newest_card("pocket").lane("banded")
    for file in sorted(folder.glob("*.json")):
        truth: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        picture = next((p for p in folder.glob(f"{file.stem}.*") if p.suffix != ".json"), None)
        if picture is None or "expect" not in truth or truth["card"] != "pocket":
            continue
        if truth["expect"]["refused"]:
            continue
        reading = measure_picture(picture)
        for strand in truth["strands"]:
            share = (strand["y_mm"] - lane.y_mm) / lane.height_mm
            yield Outcome(
                "rendered, set on" if _set_on(file.stem) else "rendered",
                strand["plies"],
                strand["turns_per_inch"],
                strand["twist"],
                _at(reading, share, len(truth["strands"])),
            )


def _set_on(name: str) -> bool:
    return name.startswith("tuning") or name in SET_ON_TOO


def _at(reading: PictureReading, share: float, count: int) -> StrandReading | None:
    """The strand read in the upper (share below a half) or the lower part of the lane.

    None too where one of two (`count`) was overlooked, so that nothing tells which was read.
    """
    middles = sorted(reading.strands, key=lambda s: float(s.outline.centre_px[:, 1].mean()))
    if len(middles) == 2:
        return middles[0] if share < 0.5 else middles[1]
    refused = [r for r in reading.refusals if r.strand is not None]
    if len(middles) == 1 and not refused:
        return middles[0] if count == 1 else None
    if len(middles) == 1:
        first = middles[0].number < min(r.strand or 0 for r in refused)
        return middles[0] if first == (share < 0.5) else None
    return None


def table(outcomes: list[Outcome]) -> str:
    """One row per group, Markdown."""
    rows = [
        "| strands | usable | answered | median error | 95th percentile | wrong hand | no hand "
        "| plies right | in the interval |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    groups: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        if outcome.read is None:
            continue
        name = f"{outcome.group}, {'single' if outcome.plies == 1 else 'plied'}"
        groups.setdefault(name, []).append(outcome)
    for name, members in sorted(groups.items()):
        given = [(o, o.read) for o in members if o.read and o.read.turns_per_inch is not None]
        counted = [(o, o.read) for o in members if o.read and o.read.plies is not None]
        errors = np.array([abs(r.turns_per_inch / o.turns_per_inch - 1) for o, r in given])  # type: ignore[operator]
        inside = sum(
            r.turns_per_inch_interval[0] <= o.turns_per_inch <= r.turns_per_inch_interval[1]  # type: ignore[index]
            for o, r in given
        )
        middle, far = (
            (f"{100 * np.median(errors):.2f} %", f"{100 * np.percentile(errors, 95):.2f} %")
            if len(errors)
            else ("", "")
        )
        rows.append(
            f"| {name} | {len(members)} | {len(given)} | {middle} | {far} "
            f"| {sum(r.twist not in (None, o.twist) for o, r in given)} "
            f"| {sum(r.twist is None for _, r in given)} "
            f"| {sum(r.plies == o.plies for o, r in counted)} of {len(counted)} "
            f"| {inside} of {len(given)} |"
        )
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--cases", type=int, default=20)
    parser.add_argument("--seed", type=int, default=2000)
    asked = parser.parse_args()
    outcomes: list[Outcome] = []
    clock = Clock()
    for folder in asked.folders:
        outcomes += rendered(folder)
    for seed in range(asked.seed, asked.seed + asked.cases):
        outcomes += drawn(seed)
        print(f"{seed}", file=sys.stderr, flush=True)
    print(table(outcomes))
    print(f"\n{clock.sentence()}")


if __name__ == "__main__":
    main()
