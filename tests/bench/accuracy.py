"""Errors of readings of drawn pictures, by group, beside the half-level route.

    python -m tests.bench.accuracy [--cases 40] [--seed 0] [--group flat ...] [--jobs 2]
                                   [--worst 5] [--write docs/accuracy.md]

A case is its group and its seed: `--group shaded --seed 17 --cases 1` draws that one again.
With `--write`, the part of the file between the markers "bench: drawn" is replaced.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

import cv2
import numpy as np
from drawn_cases import GROUPS, Score, random_case, scores_of
from half_level import half_level_readings

from tests.bench.score_table import HEAD, row

BEGIN, END = "<!-- bench: drawn -->", "<!-- end of bench: drawn -->"

TARGETS = {
    "flat": "median <= 0.3, p95 <= 1 from 8 px up, <= 2 from 4 to 8 px, |light - dark| <= 0.5 %",
    "shaded": "median <= 1, p95 <= 3",
    "tilt": "a change against the square-on picture less than its interval",
    "open": "as shaded",
    "uneven": "as shaded; diameters varying by 5 to 15 % along",
    "jpeg": "as shaded; the same scenes as JPEG, quality 75 to 92, 4:2:0",
}


def one_case(group_and_seed: tuple[str, int]) -> list[Score]:
    """Scores of one case, in whichever process."""
    cv2.setNumThreads(1)
    return scores_of(random_case(*group_and_seed), half_level_readings)


def all_scores(groups: Sequence[str], seeds: range, jobs: int) -> list[Score]:
    """Scores of every case, in order."""
    cases = [(group, seed) for group in groups for seed in seeds]
    if jobs == 1:
        return [score for case in cases for score in one_case(case)]
    with ProcessPoolExecutor(jobs) as pool:
        return [score for found in pool.map(one_case, cases) for score in found]


def report(scores: list[Score]) -> str:
    """The table of drawn pictures and what else each group is asked for."""
    lines = [HEAD]
    notes = []
    for group in GROUPS:
        mine = [s for s in scores if s.group == group]
        if not mine:
            continue
        if group == "flat":
            lines.append(row("flat, 4 to 8 px", [s for s in mine if s.width_px < 8]))
            lines.append(row("flat, 8 px and more", [s for s in mine if s.width_px >= 8]))
            gaps = [s.reading.agreement_percent for s in mine if s.reading]
            known = np.abs([g for g in gaps if g is not None])
            if len(known):
                notes.append(
                    f"- flat: |light - dark| median {np.median(known):.2f} %, "
                    f"p95 {np.percentile(known, 95):.2f} %, n = {len(known)}"
                )
        else:
            lines.append(row(group, mine))
        changes = [s.change_of_interval for s in mine if s.change_of_interval is not None]
        if changes:
            inside = 100 * float(np.mean(np.array(changes) < 1))
            notes.append(
                f"- {group}: change against square on, in half widths of the interval: median "
                f"{np.median(changes):.2f}, largest {max(changes):.2f}; below 1 in {inside:.0f} %"
            )
        if group == "uneven":
            rms = [s.profile_rms_percent for s in mine if s.profile_rms_percent is not None]
            if rms:
                notes.append(
                    f"- uneven: rms error of the running profile, median {np.median(rms):.2f} %, "
                    f"p95 {np.percentile(rms, 95):.2f} %"
                )
        notes.append(f"- {group}, asked for: {TARGETS[group]}")
    return "\n".join([*lines, "", *notes])


def worst(scores: list[Score], count: int) -> str:
    """The farthest off of each group, and every silent one, with how to draw it again."""
    lines = []
    for group in GROUPS:
        mine = [s for s in scores if s.group == group and s.reading is not None]
        mine.sort(key=lambda s: -abs(s.error_percent))
        for s in mine[:count]:
            assert s.reading is not None
            low, high = s.reading.diameter_interval_mm
            gap = s.reading.agreement_percent
            cautions = ",".join(c.code for c in s.reading.cautions) or "no caution"
            lines.append(
                f"{group} seed {s.seed} strand {s.number}: {s.error_percent:+.2f} % of "
                f"{s.truth_mm:.3f} mm ({s.width_px:.1f} px), interval +-"
                f"{50 * (high - low) / s.truth_mm:.1f} %{'' if s.covered else ' MISSES'}, "
                f"light - dark {'-' if gap is None else f'{gap:+.1f} %'}, ground "
                f"{s.reading.ground}, {cautions}{' SILENT' if s.silent_miss else ''}"
            )
        lines += [
            f"{group} seed {s.seed} strand {s.number}: {s.refused} "
            f"({s.truth_mm:.3f} mm, {s.width_px:.1f} px)"
            for s in scores
            if s.group == group and s.refused is not None
        ]
    return "\n".join(lines)


def write_between(path: Path, begin: str, end: str, text: str) -> None:
    """Replace what stands between two marker lines of a file, adding them when there are none."""
    old = path.read_text(encoding="utf-8") if path.exists() else ""
    block = f"{begin}\n\n{text}\n\n{end}\n"
    if begin in old and end in old:
        head, rest = old.split(begin, 1)
        new = head + block + rest.split(end, 1)[1].lstrip("\n")
    else:
        new = (old.rstrip("\n") + "\n\n" if old else "") + block
    path.write_text(new, encoding="utf-8")


def main() -> None:
    """Draw, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40, help="pictures per group")
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    parser.add_argument("--group", nargs="+", choices=GROUPS, default=list(GROUPS))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--worst", type=int, default=0, help="list the worst of each group")
    parser.add_argument("--write", type=Path, help="put the table into this Markdown file")
    chosen = parser.parse_args()
    seeds = range(chosen.seed, chosen.seed + chosen.cases)
    scores = all_scores(chosen.group, seeds, chosen.jobs)
    table = report(scores)
    print(table)
    if chosen.worst:
        print("\n" + worst(scores, chosen.worst))
    if chosen.write:
        said = f"`python -m tests.bench.accuracy --cases {chosen.cases} --seed {chosen.seed}`"
        write_between(chosen.write, BEGIN, END, f"Made by {said}.\n\n{table}")


if __name__ == "__main__":
    main()
