"""Make the pictures of the sample spin and the story that goes with them, in `spin` beside this.

    python -m sample_images.make_spin [NAME...] [--out FOLDER] [--variant llvm_ad_rgb]

Three bobbins over eight days, the second growing thicker unnoticed; plied three-ply; washed.
`story.json` says who spun what when; `slubwise demo --spin` measures the pictures and makes a
notebook of both. Run it from the top of the repository with `pip install .[render]` done. Every
picture has a seed of its own, so it comes out the same whether made alone or with the rest.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from sample_images.develop import PHONE, seed_of
from sample_images.pictures import Laid, Picture, make_picture
from sample_images.scene import Camera, Lamp, Light, Rgb
from sample_images.yarn import Recipe

BRACKEN: Final[tuple[Rgb, ...]] = ((0.46, 0.23, 0.09), (0.36, 0.20, 0.10))
SCATTER: Final = 0.025
"""How far the stretches that are held to the card differ from each other, relative."""
WASHED_FULLER: Final = 1.07
TRUTH_PER_MM: Final = 80
"""Samples to the mm that the true widths are counted on."""
PX_PER_MM: Final = 13.0
LANE_MIDDLE_MM: Final = (42.8, 16.99)
"""Middle of the pocket card's banded lane: the picture shows it and the markers beside it."""

MORNING: Final = Light("soft lamp + sky", Lamp(0.55, 40, 105, 300))
AFTERNOON: Final = Light("soft lamp + sky", Lamp(0.45, 30, 80, 320))
EVENING: Final = Light("soft lamp + sky", Lamp(0.6, 38, 285, 240))

SINGLE: Final = Recipe(0.62, 12, "Z", fibres=170, cv_percent=8, hairs_per_mm=4)
PLIED: Final = Recipe(
    0.62, 6.2, "S", plies=3, single_turns_per_inch=6, fibres=130, cv_percent=7, hairs_per_mm=4
)
WASHED: Final = replace(PLIED, packing=0.40, turns_per_inch=5.9, rim=0.11, hairs_per_mm=6)


@dataclass(frozen=True)
class Shot:
    """One picture of the story: what is held to the card, when, and what the spinner writes."""

    name: str
    recipe: Recipe
    at: str
    light: Light
    said: dict[str, Any]


def _held(name: str, recipe: Recipe, single_mm: float) -> Recipe:
    rng = np.random.default_rng(seed_of(name) + 1)
    return replace(recipe, single_mm=round(single_mm * (1 + SCATTER * rng.normal()), 4))


def _single(bobbin: int, share: float) -> float:
    """Diameter aimed at, mm, when `share` of a bobbin is spun: the second one drifts at the end."""
    if bobbin == 2:
        return 0.61 * (1 + 0.75 * max(0.0, share - 0.6))
    return 0.62 if bobbin == 1 else 0.625


# Bobbin by bobbin, sitting by sitting: when each reading was taken and the grams spun by then.
SITTINGS: Final[dict[int, tuple[tuple[Light, tuple[tuple[str, float], ...]], ...]]] = {
    1: (
        (MORNING, (("05T09:20", 3), ("05T09:55", 10), ("05T10:40", 16))),
        (EVENING, (("06T19:10", 23), ("06T19:50", 31))),
    ),
    2: (
        (AFTERNOON, (("07T15:05", 2), ("07T15:40", 5), ("07T16:20", 8))),
        (EVENING, (("08T19:30", 10), ("08T20:05", 13), ("08T20:45", 16))),
        (MORNING, (("09T10:10", 18), ("09T10:50", 21), ("09T11:20", 24))),
        (EVENING, (("10T19:15", 27), ("10T19:50", 31), ("10T20:25", 34))),
    ),
    3: (
        (AFTERNOON, (("11T14:30", 3), ("11T15:10", 10), ("11T15:55", 16))),
        (MORNING, (("12T09:40", 24), ("12T10:15", 31))),
    ),
}
FULL_G: Final = {1: 32.6, 2: 35.4, 3: 32.1}
"""Fibre on each full bobbin; the reel itself weighs `EMPTY_G`."""
EMPTY_G: Final = {1: 86.0, 2: 85.4, 3: 86.3}

# Sections: when, layer and hour of the clock in the hanging skein, and how much of the bobbins
# was spun before that place. What was spun last is plied first and lies inside.
UNWASHED_AT: Final = (
    ("14T11:00", "outside", 12, 0.08),
    ("14T11:05", "middle", 7, 0.45),
    ("14T11:10", "inside", 3, 0.92),
    ("14T11:15", "outside", 10, 0.25),
)
WASHED_AT: Final = (
    ("17T10:00", "outside", 12, 0.12),
    ("17T10:05", "middle", 7, 0.50),
    ("17T10:10", "inside", 3, 0.90),
    ("17T10:15", "outside", 10, 0.30),
    ("17T10:20", "middle", 5, 0.68),
)


def _shots() -> list[Shot]:
    shots = []
    for bobbin, sittings in SITTINGS.items():
        number = 0
        for sitting, (light, readings) in enumerate(sittings, start=1):
            for at, grams in readings:
                number += 1
                name = f"bobbin-{bobbin}-{number}"
                recipe = _held(name, SINGLE, _single(bobbin, grams / FULL_G[bobbin]))
                said = {"bobbin": bobbin, "sitting": sitting, "spun_g": grams}
                shots.append(Shot(name, recipe, _time(at), light, said))
    for washed, places in ((False, UNWASHED_AT), (True, WASHED_AT)):
        for number, (at, layer, hour, share) in enumerate(places, start=1):
            name = f"{'washed' if washed else 'plied'}-{number}"
            single = sum(_single(bobbin, share) for bobbin in (1, 2, 3)) / 3
            fuller = WASHED_FULLER if washed else 1.0
            recipe = _held(name, WASHED if washed else PLIED, single * fuller)
            said = {"section": {"washed": washed, "layer": layer, "hour": hour}}
            shots.append(Shot(name, recipe, _time(at), AFTERNOON, said))
    return shots


def _time(at: str) -> str:
    return f"2026-03-{at}:00+00:00"


def _picture(shot: Shot) -> Picture:
    rng = np.random.default_rng(seed_of(shot.name) + 2)
    camera = Camera(
        "phone",
        round(90 * PX_PER_MM / 4) * 4,
        round(31 * PX_PER_MM / 4) * 4,
        PX_PER_MM,
        float(np.round(rng.uniform(230, 280))),
        float(np.round(rng.uniform(2, 8), 1)),
        float(np.round(rng.uniform(40, 140))),
        float(np.round(rng.normal(0, 1), 1)),
        look_at_mm=LANE_MIDDLE_MM,
    )
    angle, sag, away = (float(np.round(v, 2)) for v in rng.normal(0, (0.4, 0.15, 0.4)))
    laid = Laid("banded", 5.5 + away, shot.recipe, BRACKEN, angle, sag, beyond_mm=6.0)
    return Picture(
        shot.name,
        "A strand of the sample spin on the pocket card.",
        (laid,),
        shot.light,
        camera,
        replace(PHONE, quality=85),
    )


def _story(shots: list[Shot]) -> dict[str, Any]:
    """Everything a notebook is to say of the spin but what the pictures will be measured to be."""
    return {
        "made": "rendered, not photographed; a story made up for show",
        "spin": {
            "name": "Bracken three-ply",
            "fibre": "Corriedale wool, combed top",
            "colour_note": "Bracken, one dye pot",
            "prepared_g": 105.0,
            "aim": {
                "band_low_mm": 0.55,
                "band_high_mm": 0.68,
                "plies": 3,
                "class_name": "Super Fine",
                "note": "Hard-wearing three-ply for mittens.",
            },
            "note": "",
        },
        "bobbins": [
            {
                "name": name,
                "empty_g": EMPTY_G[number],
                "full_g": round(EMPTY_G[number] + FULL_G[number], 1),
            }
            for number, name in ((1, "First"), (2, "Second"), (3, "Third"))
        ],
        "skein": {
            "name": "Bracken",
            "method": "three-ply from three bobbins",
            "plies": 3,
            "finish": {
                "washed_on": "2026-03-15",
                "finishing": "warm soak, snapped and hung without weight",
                "hang_turns": 0.0,
            },
            "amounts": {
                "weight_g": 97.5,
                "weight_within_g": 0.5,
                "circumference_mm": 1480.0,
                "circumference_within_mm": 10.0,
                "rounds": 216.0,
            },
            "wanted": {"pattern": "Mittens, plain rib"},
            "label": {
                "care_line": "Hand wash in cool water, dry flat.",
                "label_text": "Spun on a wheel and plied from three bobbins.",
            },
        },
        "pictures": [{"file": f"{s.name}.jpg", "taken_at": s.at} | s.said for s in shots],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="pictures to make; all when none is named")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent / "spin")
    parser.add_argument("--samples", type=int, default=9, help="light paths to a pixel")
    parser.add_argument("--variant", default="scalar_rgb", help="Mitsuba's: llvm_ad_rgb is faster")
    parser.add_argument("--story", action="store_true", help="write the story alone, no picture")
    asked = parser.parse_args()
    shots = _shots()
    unknown = set(asked.names) - {shot.name for shot in shots}
    if unknown:
        parser.error(f"there is no picture {', '.join(sorted(unknown))}")
    asked.out.mkdir(parents=True, exist_ok=True)
    story = json.dumps(_story(shots), indent=1, ensure_ascii=False)
    (asked.out / "story.json").write_text(story + "\n", encoding="utf-8")
    for shot in shots:
        if asked.story or (asked.names and shot.name not in asked.names):
            continue
        start = time.perf_counter()
        path = make_picture(_picture(shot), asked.out, asked.samples, asked.variant, TRUTH_PER_MM)
        size = path.stat().st_size / 1e3
        print(f"{path.name}: {size:.0f} kB, {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
