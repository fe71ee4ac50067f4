"""Time of measuring a 12 MP photograph and of following a live camera, on one thread.

    python -m tests.bench.speed [--repeats 25] [--seed 0] [--keep FOLDER]

A desk card with three strands fills a picture of 4000 x 3000: once with so little noise that its
JPEG is small and quickly decoded, once with a telephone's and at the quality they write; then a
pocket card with two and with one. Each is read in a process of its own, since drawing changes what
memory costs afterwards. Times are the processor's, of runs by turns: the least of them, which is
what the work takes (as Python's `timeit` has it), and the median, in which is also what others do
on the machine. The plain route (scikit-image: Otsu's threshold, skeleton, distance transform) gets
our map of the card for nothing and reads the light bands of the banded lane; its rectifying and
reading are timed.

The live frames are 1920 x 1080, the pocket card with one strand in a hand that is not quite steady;
their time is the processor's, from the array to the reading.
"""

# ruff: noqa: E402
from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import argparse
import multiprocessing
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

import cv2
import numpy as np
from analytic import Camera, Light, Strand, Truth, draw, to_jpeg
from drawn_cases import assigned, centre_mm
from numpy.typing import NDArray
from plain_route import light_bands_mm, plain_strands

from measure import Settings, follow, measure_picture, newest_card, pipeline, read_picture
from measure.picture import Picture
from measure.scale import find_scale

SIZE_PX: Final = (4000, 3000)
TARGET: Final = 1.5
PLAIN_REPEATS: Final = 5
LIVE_PX: Final = (1920, 1080)
LIVE_FRAMES: Final = 4
LIVE_TARGET_MS: Final = 50.0
"""Half of what may pass from frame to number: the window draws on the same core."""
STAGES: Final = (
    "find_scale",
    "measure_edge_spread",
    "find_strands",
    "cut_strand",
    "measure_diameters",
    "measure_twist",
    "read_strand",
)


@dataclass(frozen=True)
class Kind:
    """What a picture shows, how noisy it is and how it is written."""

    name: str
    card: str
    strands: int
    noise: float
    shot: float
    quality: int


KINDS: Final = (
    Kind("desk card, three strands, hardly any noise, quality 90", "desk", 3, 0.004, 1.5e-4, 90),
    Kind("desk card, three strands, a telephone's noise, quality 95", "desk", 3, 0.012, 6e-4, 95),
    Kind("pocket card, two strands, a telephone's noise, quality 95", "pocket", 2, 0.012, 6e-4, 95),
    Kind("pocket card, one strand, a telephone's noise, quality 95", "pocket", 1, 0.012, 6e-4, 95),
)


def photograph(seed: int, kind: Kind = KINDS[0]) -> tuple[bytes, Truth]:
    """The picture and its truth."""
    card = newest_card(kind.card)
    px_per_mm = min(
        (s - 40) / m for s, m in zip(SIZE_PX, (card.width_mm, card.height_mm), strict=True)
    )
    camera = Camera(
        px_per_mm=px_per_mm,
        distance_mm=300.0,
        tilt_deg=3.0,
        blur_px=0.9,
        noise=kind.noise,
        shot=kind.shot,
        width_px=SIZE_PX[0],
        height_px=SIZE_PX[1],
    )
    light = Light(sky=0.5, lamp=0.25, unshaded=0.25, lean_deg=30.0, softness_mm=0.2, scatter=0.2)
    strands = [
        Strand("banded", -4.0, 0.8, (0.25, 0.08, 0.35), slope=0.004),
        Strand("banded", 4.0, 1.4, (0.1, 0.3, 0.25), slope=-0.003),
        Strand("open", 0.0, 1.0, (0.3, 0.3, 0.3)),
    ]
    pixels, truth = draw(card, strands[: kind.strands], light, camera, seed)
    return to_jpeg(pixels, kind.quality), truth


def live_frames(seed: int) -> list[NDArray[np.uint8]]:
    """Frames of a webcam, each a little moved from the one before."""
    light = Light(sky=0.4, lamp=0.5, unshaded=0.1, lean_deg=30.0, softness_mm=0.2)
    frames = []
    for step in range(LIVE_FRAMES):
        camera = Camera(
            px_per_mm=19.0,
            distance_mm=260.0,
            tilt_deg=6.0 + 0.2 * step,
            tilt_azimuth_deg=70.0,
            roll_deg=3.0 + 0.3 * step,
            noise=0.008,
            shot=5e-4,
            width_px=LIVE_PX[0],
            height_px=LIVE_PX[1],
        )
        strand = Strand("banded", 0.5 + 0.3 * step, 0.9, (0.35, 0.2, 0.3), slope=0.01 * step)
        frames.append(draw(newest_card("pocket"), [strand], light, camera, seed + step)[0])
    return frames


def live_ms(seed: int, repeats: int) -> dict[str, list[float]]:
    """Milliseconds of processor time per frame: each by itself, and each following the last."""
    frames = live_frames(seed)
    there_and_back = [*frames, *frames[-2:0:-1]] * repeats
    spent: dict[str, list[float]] = {"each by itself": [], "following": []}
    _, seen = follow(frames[0])
    for frame in there_and_back:
        start = time.process_time()
        follow(frame)
        between = time.process_time()
        _, seen = follow(frame, before=seen)
        spent["each by itself"].append(1e3 * (between - start))
        spent["following"].append(1e3 * (time.process_time() - between))
    return spent


class Clock:
    """Adds up the time spent in named functions."""

    def __init__(self) -> None:
        self.spent_s: dict[str, float] = {}

    def timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, its time added under its name."""

        def run(*given: Any, **named: Any) -> Any:
            start = time.process_time()
            try:
                return function(*given, **named)
            finally:
                spent = time.process_time() - start
                self.spent_s[name] = self.spent_s.get(name, 0.0) + spent

        return run


_data = b""
"""The picture of this process, which only reads it."""


def begin(data: bytes) -> None:
    """A process that has nothing to do but to read one picture, again and again."""
    global _data
    _data = data
    cv2.setNumThreads(1)
    measure_picture(data)  # tables and caches that live as long as the program


def once() -> tuple[dict[str, float], dict[str, float]]:
    """Seconds for decoding the picture, measuring it, measuring it without the look for twist; and
    for each stage of one more measurement."""
    start = time.process_time()
    picture = read_picture(_data)
    decoded = time.process_time()
    measure_picture(picture)
    measured = time.process_time()
    measure_picture(picture, settings=Settings(twist=False))
    done = time.process_time()
    spent = {
        "decoding": decoded - start,
        "measuring": measured - decoded,
        "measuring, no look for twist": done - measured,
    }
    return spent, by_stage(picture)


def once_plainly() -> float:
    """Seconds of the plain route, which is given our map of the card."""
    picture = read_picture(_data)
    scale = find_scale(picture)
    start = time.process_time()
    plain_strands(picture.pixels, scale, light_bands_mm(scale))
    return time.process_time() - start


def by_stage(picture: Picture) -> dict[str, float]:
    """Seconds in each stage of one measurement."""
    clock = Clock()
    kept = {name: getattr(pipeline, name) for name in STAGES}
    try:
        for name, function in kept.items():
            setattr(pipeline, name, clock.timed(name, function))
        measure_picture(picture)
    finally:
        for name, function in kept.items():
            setattr(pipeline, name, function)
    return clock.spent_s


class Runs:
    """One picture, read again and again in a process of its own, which did not draw it."""

    def __init__(self, kind: Kind, seed: int, keep: Path | None) -> None:
        self.kind = kind
        self.data, self.truth = photograph(seed, kind)
        if keep:
            name = f"{kind.card}_{kind.strands}_quality_{kind.quality}.jpg"
            (keep / name).write_bytes(self.data)
        context = multiprocessing.get_context("spawn")
        self.process = ProcessPoolExecutor(1, context, begin, (self.data,))
        self.spent_s: dict[str, list[float]] = {}
        self.stages_s: list[dict[str, float]] = []

    def once(self) -> None:
        """Decode and measure it."""
        spent, stages = self.process.submit(once).result()
        for name, seconds in spent.items():
            self.spent_s.setdefault(name, []).append(seconds)
        self.stages_s.append(stages)

    def once_plainly(self) -> None:
        """Read it by the plain route."""
        seconds = self.process.submit(once_plainly).result()
        self.spent_s.setdefault("plain route, card for nothing", []).append(seconds)

    def errors(self) -> tuple[list[float], list[float]]:
        """How far off, relative, we and the plain route are for each strand read."""
        picture = read_picture(self.data)
        scale = find_scale(picture)
        plain = plain_strands(picture.pixels, scale, light_bands_mm(scale))
        card = newest_card(self.kind.card)
        found, _ = assigned(measure_picture(picture), self.truth, self.kind.card)
        ours, theirs = [], []
        for drawn, one in zip(self.truth.strands, found, strict=True):
            if one is not None:
                ours.append(abs(one.diameter_mm / drawn.mean_diameter_mm - 1))
            y = float(centre_mm(card, drawn.strand, np.array([card.width_mm / 2]))[0, 1])
            near = [p.width_mm for p in plain if abs(p.y_mm - y) < 2.0]
            if near:
                theirs.append(abs(float(np.mean(near)) / drawn.mean_diameter_mm - 1))
        return ours, theirs

    def tables(self) -> None:
        """Print what it took."""
        width, height = SIZE_PX
        print(f"{self.kind.name}: {len(self.data) / 1e6:.1f} MB, {width} x {height}\n")
        print("| what | least s | of decoding | median s | of decoding | strands read | error % |")
        print("|---|---|---|---|---|---|---|")
        decode_s = self.spent_s["decoding"]
        least, usual = min(decode_s), float(np.median(decode_s))
        ours, theirs = self.errors()
        for name, spent in self.spent_s.items():
            low, middle = min(spent), float(np.median(spent))
            times = f"{low:.3f} | {low / least:.2f} | {middle:.3f} | {middle / usual:.2f}"
            errors = {"measuring": ours, "plain route, card for nothing": theirs}.get(name, [])
            said = f"{len(errors)} | {100 * float(np.mean(errors)):.2f}" if errors else "|"
            print(f"| {name} | {times} | {said} |")
        print("\n| stage | least s | of decoding |\n|---|---|---|")
        for name in STAGES:
            seconds = min(stages.get(name, 0.0) for stages in self.stages_s)
            print(f"| {name} | {seconds:.3f} | {seconds / least:.2f} |")
        print()


def main() -> None:
    """Draw, time, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=25)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path, help="write the pictures into this folder too")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    runs = [Runs(kind, chosen.seed, chosen.keep) for kind in KINDS]
    for _ in range(chosen.repeats):
        for one in runs:
            one.once()
    # By itself: it turns over so much memory that what comes after it is slower.
    for _ in range(PLAIN_REPEATS):
        for one in runs:
            one.once_plainly()
    for one in runs:
        one.process.shutdown()
        one.tables()
    print(f"asked for: measuring <= {TARGET} times decoding\n")

    print(f"live, {LIVE_PX[0]} x {LIVE_PX[1]}, asked for: {LIVE_TARGET_MS:.0f} ms\n")
    print("| frames | least ms | median ms | 95th percentile ms |\n|---|---|---|---|")
    for name, spent in live_ms(chosen.seed, chosen.repeats).items():
        middle, late = np.percentile(spent, [50, 95])
        print(f"| {name} | {min(spent):.0f} | {middle:.0f} | {late:.0f} |")


if __name__ == "__main__":
    main()
