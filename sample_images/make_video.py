"""Make the sample video, live_single.mp4, and its truth beside this script or elsewhere.

    python -m sample_images.make_video [--out FOLDER] [--renders FOLDER] [--variant llvm_ad_rgb]

Run it from the top of the repository with `pip install .[render] av` done. `--renders` keeps what
was rendered, so that stopping and starting again loses nothing.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from dataclasses import asdict, replace
from itertools import groupby
from pathlib import Path
from typing import Any, Final

import numpy as np

from measure.card import Card, newest_card
from sample_images.develop import WEBCAM, seed_of
from sample_images.make_samples import WINDOW
from sample_images.scene import RUST, Camera, Floats
from sample_images.video import (
    FRAMES_A_SECOND,
    SHUTTER,
    Presentation,
    Renderer,
    Shot,
    frames,
    moved,
    story,
    write_mp4,
)
from sample_images.yarn import Path as Course
from sample_images.yarn import Recipe, place, spin, widths

NAME: Final = "live_single"
SHOWS: Final = (
    "A single brought to the pocket card, held and taken away, four times; the third time it is "
    "drawn along to a thicker stretch and held again."
)
SIZE: Final = (1280, 720)
# Wider and higher than the frames, for the camera to turn in.
CAMERA: Final = Camera("webcam", 1408, 800, 12.2, 270, 5, 90, 1.0)
HOW: Final = replace(WEBCAM, blur_px=1.0, noise=0.0025, noise_floor=0.001, sharpen=0.3)
BARE_FRAMES: Final = 18
END_FRAMES: Final = 20
DRAWN_MM: Final = 112.0
RECIPE: Final = Recipe(1.12, 10, "Z", fibres=260, cv_percent=6, wander_mm=8)


def _thicker_further_on(at_mm: Floats) -> Floats:
    """As spun to begin with, a fifth thicker from some 62 mm on."""
    return np.asarray(1.0 + 0.22 / (1.0 + np.exp(-(at_mm - 57.0) / 1.5)))


def _presentations(card: Card) -> tuple[Presentation, ...]:
    middle = card.lane("banded").y_mm + card.lane("banded").height_mm / 2
    made = []
    for number, (single_mm, off_mm, angle, sag) in enumerate(
        (
            (1.12, -0.3, 0.7, 0.3),
            (1.20, 0.4, -0.9, 0.2),
            (1.14, 0.1, 0.4, -0.3),
            (0.93, -0.5, -0.5, 0.25),
        )
    ):
        seed = seed_of(f"{NAME}{number}")
        drawn = number == 2
        recipe = replace(RECIPE, single_mm=single_mm, drift=_thicker_further_on if drawn else None)
        if number == 3:
            # Spun finer, it is spun smoother.
            recipe = replace(recipe, fibres=200, hairs_per_mm=3.0, hair_reach_mm=0.3)
        made.append(
            Presentation(
                f"strand{number + 1}",
                spin(recipe, -70.0, 70.0 + (DRAWN_MM if drawn else 0.0), seed),
                Course(card.width_mm / 2, middle + off_mm, angle, sag),
                RUST,
                seed,
                frames_in=14,
                frames_held=60,
                frames_out=14,
                drawn_mm=DRAWN_MM if drawn else 0.0,
                frames_drawn=32 if drawn else 0,
                frames_held_again=60 if drawn else 0,
            )
        )
    return tuple(made)


def _strand_truth(one: Presentation, drawn: float, card: Card) -> dict[str, Any]:
    """What lies in the lane while a strand is held, as in the sample pictures' truth."""
    strand = moved(one.strand, drawn * one.drawn_mm)
    lane = card.lane("banded")
    left = math.ceil(lane.x_mm - one.course.x_mm)
    right = math.floor(lane.x_mm + lane.width_mm - one.course.x_mm)
    found = widths(strand, left, right)
    places = place(one.course, found.at_mm, found.centre_mm)
    mean_mm = float(np.nanmean(found.core_mm))
    return {
        "lane": "banded",
        "y_mm": round(one.course.y_mm, 4),
        "core_mean_mm": round(mean_mm, 4),
        "core_cv_percent": round(float(np.nanstd(found.core_mm)) / mean_mm * 100, 2),
        "halo_mean_mm": round(float(np.nanmean(found.halo_mm)), 4),
        "wpi": round(25.4 / mean_mm, 3),
        "plies": 1,
        "turns_per_inch": one.strand.recipe.turns_per_inch,
        "twist": one.strand.recipe.twist,
        "albedo": list(one.colour),
        "cuts": {
            "x_mm": np.round(places[:, 0], 4).tolist(),
            "core_mm": np.round(found.core_mm, 4).tolist(),
        },
    }


def _stretches(shots: list[Shot], card: Card) -> list[dict[str, Any]]:
    """Runs of frames alike: nothing there, a strand on the move, or one held still."""
    out: list[dict[str, Any]] = []
    first = 0

    def kind(shot: Shot) -> tuple[str, str, float]:
        if shot.presentation is None:
            return "bare", "", 0.0
        name = shot.presentation.name
        return ("held", name, shot.drawn) if shot.still == 1.0 else ("moving", name, 0.0)

    for (state, _, drawn), run in groupby(shots, key=kind):
        count = len(same := list(run))
        one = same[0].presentation
        out.append(
            {
                "state": state,
                "first_frame": first,
                "last_frame": first + count - 1,
                "from_s": round(first / FRAMES_A_SECOND, 3),
                "to_s": round((first + count) / FRAMES_A_SECOND, 3),
                "strand": _strand_truth(one, drawn, card) if one and state == "held" else None,
            }
        )
        first += count
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    parser.add_argument("--renders", type=Path, help="folder that keeps what was rendered")
    parser.add_argument("--variant", default="scalar_rgb", help="Mitsuba's: llvm_ad_rgb is faster")
    asked = parser.parse_args()
    card = newest_card("pocket")
    shots = list(story(_presentations(card), BARE_FRAMES, END_FRAMES))
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.renders or Path(scratch)
        renderer = Renderer(card, WINDOW, CAMERA, asked.variant, folder)
        renderer.prepare(shots)
        file = asked.out / f"{NAME}.mp4"
        write_mp4(frames(shots, renderer, CAMERA, SIZE, HOW, seed_of(NAME)), SIZE, file)
    stretches = _stretches(shots, card)
    truth = {
        "shows": SHOWS,
        "made": "rendered, not photographed",
        "card": "pocket",
        "frames_a_second": FRAMES_A_SECOND,
        "frames": len(shots),
        "width_px": SIZE[0],
        "height_px": SIZE[1],
        "band_wpi": [20.0, 24.0],
        "stretches": stretches,
        "light": asdict(WINDOW),
        "camera": asdict(CAMERA) | {"focal_px": CAMERA.focal_px, "shutter": SHUTTER},
        "development": asdict(HOW),
    }
    for stretch in stretches:
        if stretch["strand"]:
            print(f"{stretch['from_s']:.2f} s: {stretch['strand']['wpi']:.2f} WPI", flush=True)
    file.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n")
    print(f"{file.name}: {file.stat().st_size / 1e6:.2f} MB, {len(shots)} frames", flush=True)


if __name__ == "__main__":
    main()
