"""Errors of readings of rendered pictures with their truth beside them, by light, camera and kind.

    python -m tests.bench.renders FOLDER... [--worst 10] [--write docs/accuracy.md --title TEXT]

A picture NAME.jpg or NAME.png has its truth in NAME.json, as `tests.bench.render_tubes`,
`tests.bench.render_yarn` and `sample_images.make_samples` write them. Strands laid above the card
are counted apart: a reading of them ought to be refused or cautioned.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

import cv2
import numpy as np
from half_level import cuts_of, half_level_diameter

from measure import StrandReading, measure_picture, newest_card, read_picture
from measure.errors import MeasureError
from measure.profiles import Cuts
from measure.scale import Scale
from tests.bench.accuracy import write_between
from tests.bench.score_table import HEAD, row

_NEAR_MM = 1.6


@dataclass(frozen=True)
class Rendered:
    """One strand of a rendered picture and what was read of it."""

    picture: str
    number: int
    lane: str
    light: str
    camera: str
    kind: str
    lifted: bool
    truth_mm: float
    reading: StrandReading | None
    refused: str | None
    half_level_mm: float | None

    @property
    def error_percent(self) -> float:
        """Reading less truth in per cent of the truth."""
        return _error(self.reading.diameter_mm if self.reading else None, self.truth_mm)

    @property
    def half_level_error_percent(self) -> float:
        """The half-level route's error."""
        return _error(self.half_level_mm, self.truth_mm)

    @property
    def covered(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        assert self.reading is not None
        low, high = self.reading.diameter_interval_mm
        return low <= self.truth_mm <= high

    @property
    def silent_miss(self) -> bool:
        """More than 5 % off and not a word of caution."""
        return (
            self.reading is not None and abs(self.error_percent) > 5.0 and not self.reading.cautions
        )


def _error(measured: float | None, truth: float) -> float:
    return math.nan if measured is None else 100.0 * (measured / truth - 1.0)


def scores_of(truth_file: Path) -> list[Rendered]:
    """Every strand of one rendered picture scored."""
    truth: dict[str, Any] = json.loads(truth_file.read_text(encoding="utf-8"))
    file = next(f for f in (truth_file.with_suffix(s) for s in (".jpg", ".png")) if f.exists())
    picture = read_picture(file)
    reading = measure_picture(picture)
    scale: Scale | None = None
    cuts: list[Cuts] = []
    with contextlib.suppress(MeasureError):  # the reading says so itself
        scale, cuts = cuts_of(picture)
    left = list(reading.strands)
    codes = [r.code for r in reading.refusals]
    out = []
    for number, drawn in enumerate(truth["strands"]):
        one = None
        if scale is not None:
            at = [
                abs(_middle_mm(scale, r, drawn["lane"], truth["card"]) - drawn["y_mm"])
                for r in left
            ]
            if at and min(at) < _NEAR_MM:
                one = left.pop(int(np.argmin(at)))
        code = None
        if one is None:
            code = codes.pop(0) if codes else "missed"
        true_mm = drawn.get("diameter_mm", drawn.get("core_mean_mm"))
        out.append(
            Rendered(
                picture=truth_file.stem,
                number=number,
                lane=drawn["lane"],
                light=truth["light"]["name"],
                camera=truth["camera"]["kind"],
                kind=_kind(drawn),
                lifted=drawn["lift_mm"] > 0,
                truth_mm=float(true_mm),
                reading=one,
                refused=code,
                half_level_mm=_half_level(cuts, drawn),
            )
        )
    return out


def _kind(drawn: dict[str, Any]) -> str:
    name = drawn["kind"] if drawn["kind"] != "yarn" else f"{drawn.get('plies', 1)}-ply yarn"
    return f"{name}, dyed along" if len(drawn["albedo"]) > 1 else name


def _middle_mm(scale: Scale, reading: StrandReading, lane: str, card: str) -> float:
    """Card y where the reading's centreline passes the card's middle; far away in another lane."""
    if reading.lane != lane:
        return math.inf
    place = scale.to_card(reading.outline.centre_px)
    half = newest_card("desk" if card == "desk" else "pocket").width_mm / 2
    return float(np.interp(half, place[:, 0], place[:, 1]))


def _half_level(cuts: list[Cuts], drawn: dict[str, Any]) -> float | None:
    for one in cuts:
        region = one.line.region
        place = region.to_card(np.column_stack([one.along_mm, one.across_mm]))
        middle = float(np.interp(np.mean(place[:, 0]), place[:, 0], place[:, 1]))
        if region.name == drawn["lane"] and abs(middle - drawn["y_mm"]) < _NEAR_MM:
            return half_level_diameter(one)
    return None


def report(scores: list[Rendered]) -> str:
    """The table: all, then by light, by camera, by kind and by lane, those lifted apart."""
    lying = [s for s in scores if not s.lifted]
    lines = [HEAD, row("all", lying)]
    keys: tuple[Callable[[Rendered], str], ...] = (
        lambda s: s.light,
        lambda s: s.camera,
        lambda s: s.kind,
        lambda s: f"{s.lane} lane",
    )
    for key in keys:
        lines += [
            row(name, [s for s in lying if key(s) == name])
            for name in sorted({key(s) for s in lying})
        ]
    if len(lying) < len(scores):
        lines.append(row("laid above the card", [s for s in scores if s.lifted]))
    return "\n".join(lines)


def worst(scores: list[Rendered], count: int) -> str:
    """The farthest off, every silent one and every interval that misses."""
    found = [s for s in scores if s.reading is not None]
    found.sort(key=lambda s: -abs(s.error_percent))
    lines = []
    for place, s in enumerate(found):
        if place >= count and not s.silent_miss and s.covered:
            continue
        assert s.reading is not None
        low, high = s.reading.diameter_interval_mm
        gap = s.reading.agreement_percent
        lines.append(
            f"{s.picture} strand {s.number} ({s.lane}): {s.error_percent:+.2f} % of "
            f"{s.truth_mm:.3f} mm ({s.reading.width_px:.0f} px), interval +-"
            f"{50 * (high - low) / s.truth_mm:.1f} %{'' if s.covered else ' MISSES'}, light - dark "
            f"{'-' if gap is None else f'{gap:+.1f} %'}, "
            f"{','.join(c.code for c in s.reading.cautions) or 'no caution'}"
            f"{' SILENT' if s.silent_miss else ''}"
        )
    return "\n".join(lines)


def main() -> None:
    """Measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="+", type=Path)
    parser.add_argument("--worst", type=int, default=0, help="list the worst")
    parser.add_argument("--write", type=Path, help="put the table into this Markdown file")
    parser.add_argument("--title", default="renders", help="names the table's markers there")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    files = [
        f
        for folder in chosen.folder
        for f in sorted(folder.glob("*.json"))
        if not f.with_suffix(".mp4").exists()
    ]
    scores = [
        score
        for f in files
        if not (json.loads(f.read_text(encoding="utf-8")).get("expect") or {}).get("refused")
        for score in scores_of(f)
    ]
    if not scores:
        parser.error("no truth found there")
    table = report(scores)
    print(table)
    if chosen.worst:
        print("\n" + worst(scores, chosen.worst))
    if chosen.write:
        marks = (f"<!-- bench: {chosen.title} -->", f"<!-- end of bench: {chosen.title} -->")
        write_between(chosen.write, *marks, table)


if __name__ == "__main__":
    main()
