"""Make the sample pictures, all or those named, beside this script or in another folder.

    python -m sample_images.make_samples [NAME...] [--out FOLDER] [--variant llvm_ad_rgb]

Run it from the top of the repository with `pip install .[render]` done. Every picture has its
own seed, so it comes out the same whether made alone or with the rest.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from sample_images.develop import PHONE, SCANNER, WEBCAM
from sample_images.pictures import Laid, Picture, make_picture
from sample_images.scene import (
    GREY,
    NATURAL,
    NEAR_BLACK,
    PALE_PINK,
    PURPLE,
    RUST,
    TEAL,
    WHITE,
    Camera,
    Floats,
    Lamp,
    Light,
    LineLight,
)
from sample_images.yarn import Recipe

SKY: Final = Light("even sky")
WINDOW: Final = Light("soft lamp + sky", Lamp(0.6, 40, 105, 280))
DESK_LAMP: Final = Light("soft lamp + sky", Lamp(0.55, 35, 70, 160))
EVENING: Final = Light("soft lamp + sky", Lamp(0.7, 45, 290, 200))
BARE_BULB: Final = Light("hard lamp + sky", Lamp(0.6, 40, 80, 20))
SCAN_LINE: Final = Light("scanner line", LineLight(0.85, 35.0, 90.0))

USUAL: Final = Recipe(0.62, 14, "Z", fibres=190, cv_percent=7)
FINE: Final = Recipe(0.42, 21, "Z", fibres=120, cv_percent=7, hair_reach_mm=0.35)
STURDY: Final = Recipe(0.9, 10, "Z", fibres=230, cv_percent=8, wander_mm=8)
FUZZY: Final = Recipe(
    0.8, 9, "S", fibres=200, packing=0.38, rim=0.14, cv_percent=9, hairs_per_mm=10
)
TWO_PLY: Final = Recipe(
    0.5, 7.5, "S", plies=2, single_turns_per_inch=7, fibres=130, cv_percent=6, hairs_per_mm=6
)
THREE_PLY: Final = Recipe(
    0.48, 6, "S", plies=3, single_turns_per_inch=7, fibres=110, cv_percent=6, hairs_per_mm=6
)
TWO_PLY_Z: Final = replace(TWO_PLY, twist="Z", single_mm=0.6, turns_per_inch=6.0)


def _uneven(at_mm: Floats) -> Floats:
    """Growing thicker from left to right, with two slubs and a thin place on the way."""
    course = 1.0 + 0.0018 * at_mm
    for middle, reach, more in ((-52.0, 4.0, 0.7), (8.0, 5.0, -0.4), (46.0, 6.0, 0.55)):
        course = course + more * np.exp(-0.5 * ((at_mm - middle) / reach) ** 2)
    return np.asarray(course)


def _phone(
    px_per_mm: float,
    distance: float,
    tilt: float,
    azimuth: float,
    roll: float = 0.0,
    size_mm: tuple[float, float] = (94.0, 62.0),
    look_at_mm: tuple[float, float] | None = None,
) -> Camera:
    width, height = (round(side * px_per_mm / 4) * 4 for side in size_mm)
    return Camera(
        "phone", width, height, px_per_mm, distance, tilt, azimuth, roll, look_at_mm=look_at_mm
    )


def _webcam(distance: float, tilt: float, azimuth: float, *, mirrored: bool = False) -> Camera:
    return Camera("webcam", 1280, 720, 12.2, distance, tilt, azimuth, 1.0, mirrored=mirrored)


def _scanner(dpi: float) -> Camera:
    px_per_mm = dpi / 25.4
    return Camera("scanner", round(91 * px_per_mm), round(59 * px_per_mm), px_per_mm, None)


PICTURES: Final = (
    Picture(
        "three_singles_desk",
        "Three singles, natural, teal and near-black, side by side on the desk card by a window.",
        (
            Laid("banded", 6.0, USUAL, (NATURAL,), 0.4, 0.2),
            Laid("banded", 13.0, replace(USUAL, single_mm=0.75, cv_percent=10), (TEAL,), -0.3, 0.3),
            Laid("banded", 20.0, replace(FINE, single_mm=0.54), (NEAR_BLACK,), 0.2, -0.2),
        ),
        WINDOW,
        _phone(15.0, 300, 5, 80, 0.8, (196.0, 118.0)),
        PHONE,
        card="desk",
    ),
    Picture(
        "dyed_single_phone",
        "One single whose dye runs from near-black through teal and pink to white.",
        (Laid("banded", 5.5, USUAL, (NEAR_BLACK, TEAL, PALE_PINK, WHITE), 0.5, 0.3),),
        DESK_LAMP,
        _phone(17.0, 240, 6, 100, -1.0),
        PHONE,
    ),
    Picture(
        "drifting_thick_and_thin",
        "A single growing thicker along the desk card, with two slubs and a thin place.",
        (
            Laid(
                "banded",
                13.0,
                replace(USUAL, drift=_uneven, fibres=220, cv_percent=8),
                (RUST,),
                -0.3,
                0.4,
            ),
        ),
        WINDOW,
        _phone(14.0, 300, 4, 60, 0.5, (190.0, 58.0), (91.0, 32.0)),
        PHONE,
        card="desk",
    ),
    Picture(
        "two_ply_scan",
        "A two-ply S-plied yarn dyed from purple to teal, on a flatbed at 400 dpi.",
        (Laid("banded", 5.5, TWO_PLY, (PURPLE, TEAL), 0.6),),
        SCAN_LINE,
        _scanner(400),
        SCANNER,
    ),
    Picture(
        "three_ply_phone",
        "A three-ply S-plied yarn in pale pink, tilted phone.",
        (Laid("banded", 5.5, THREE_PLY, (PALE_PINK,), -0.5, 0.2),),
        EVENING,
        _phone(17.0, 230, 12, 85, 0.6),
        PHONE,
    ),
    Picture(
        "two_ply_z_phone",
        "A two-ply Z-plied yarn in grey under an even sky.",
        (Laid("banded", 5.5, TWO_PLY_Z, (GREY,), 0.3, 0.2),),
        SKY,
        _phone(16.0, 260, 3, 30, 2.0),
        PHONE,
    ),
    Picture(
        "open_lane_backlit",
        "A pale single over the cut-out open lane, held against a white screen.",
        (Laid("open", 5.5, USUAL, (PALE_PINK,), 0.4, 0.1),),
        DESK_LAMP,
        _phone(17.0, 240, 4, 110, 0.5),
        PHONE,
        behind="bright",
        screen=2.2,
    ),
    Picture(
        "open_lane_dark_room",
        "A white single over the cut-out open lane, nothing but a dark room behind.",
        (Laid("open", 5.5, STURDY, (WHITE,), -0.5, 0.1),),
        WINDOW,
        _phone(16.0, 260, 5, 80, -0.6),
        PHONE,
        behind="dark",
    ),
    Picture(
        "two_singles_webcam",
        "Two singles side by side before a webcam.",
        (
            Laid("banded", 3.2, STURDY, (PURPLE,), 0.3),
            Laid("banded", 7.9, replace(USUAL, single_mm=0.8), (NATURAL,), -0.2),
        ),
        WINDOW,
        _webcam(270, 5, 90),
        WEBCAM,
    ),
    Picture(
        "two_crossing",
        "Two singles that cross in the middle of the lane.",
        (
            Laid("banded", 5.5, USUAL, (TEAL,), 3.2),
            Laid("banded", 5.5, replace(USUAL, turns_per_inch=12), (NATURAL,), -3.0, over_mm=0.7),
        ),
        DESK_LAMP,
        _phone(17.0, 250, 4, 200, 0.3),
        PHONE,
    ),
    Picture(
        "near_black_scan",
        "A near-black single on a flatbed at 300 dpi, under light as hard as the shadow is black.",
        (Laid("banded", 5.5, STURDY, (NEAR_BLACK,), -0.4),),
        SCAN_LINE,
        _scanner(300),
        SCANNER,
        refused="strong_shadow",
    ),
    Picture(
        "fuzzy_single_phone",
        "An S-spun woollen single with much halo.",
        (Laid("banded", 5.5, FUZZY, (NATURAL,), 0.2, 0.3),),
        WINDOW,
        _phone(18.0, 230, 7, 120, 0.4),
        PHONE,
    ),
    Picture(
        "white_single_bare_bulb",
        "A white single under a small hard lamp: trust it on the dark ground alone.",
        (Laid("banded", 5.5, USUAL, (WHITE,), 0.4, -0.2),),
        BARE_BULB,
        _phone(17.0, 250, 3, 20, -0.8),
        PHONE,
    ),
    Picture(
        "no_card",
        "A single on a bare table: nothing says how big it is.",
        (Laid("banded", 20.0, STURDY, (PURPLE,), 2.0),),
        WINDOW,
        _phone(12.0, 260, 5, 80),
        PHONE,
        with_card=False,
        refused="no_card",
    ),
    Picture(
        "mirrored_webcam",
        "A webcam that mirrors its picture, as many do for the person before them.",
        (Laid("banded", 5.5, STURDY, (TEAL,), 0.4),),
        WINDOW,
        _webcam(270, 4, 90, mirrored=True),
        WEBCAM,
        refused="mirrored",
    ),
    Picture(
        "out_of_focus",
        "A fine single, the phone focused on something else.",
        (Laid("banded", 5.5, FINE, (TEAL,), 0.4),),
        WINDOW,
        _phone(15.0, 250, 3, 80),
        replace(PHONE, blur_px=5.0),
        refused="out_of_focus",
    ),
    Picture(
        "too_far_away",
        "A fine single from too far away: it is not two pixels wide.",
        (Laid("banded", 5.5, replace(FINE, single_mm=0.32), (PURPLE,), 0.3, beyond_mm=30.0),),
        WINDOW,
        Camera("webcam", 640, 480, 5.0, 400, 3, 90),
        replace(WEBCAM, blur_px=0.8),
        refused="too_few_pixels",
    ),
    Picture(
        "burnt_out",
        "A white single, so overexposed that its edges are lost in white.",
        (Laid("banded", 5.5, STURDY, (WHITE,), 0.4),),
        EVENING,
        _phone(14.0, 250, 4, 80),
        replace(PHONE, paper_level=2.6),
        hold_highlights=False,
        refused="clipped",
    ),
    Picture(
        "nothing_in_the_lanes",
        "The card with no strand on it.",
        (),
        DESK_LAMP,
        _phone(12.0, 250, 8, 60, 4.0),
        PHONE,
        refused="no_strand",
    ),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="pictures to make; all when none is named")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    parser.add_argument("--samples", type=int, default=25, help="light paths to a pixel")
    parser.add_argument("--variant", default="scalar_rgb", help="Mitsuba's: llvm_ad_rgb is faster")
    asked = parser.parse_args()
    unknown = set(asked.names) - {p.name for p in PICTURES}
    if unknown:
        parser.error(f"there is no picture {', '.join(sorted(unknown))}")
    asked.out.mkdir(parents=True, exist_ok=True)
    for picture in PICTURES:
        if asked.names and picture.name not in asked.names:
            continue
        start = time.perf_counter()
        path = make_picture(picture, asked.out, asked.samples, asked.variant)
        size = path.stat().st_size / 1e6
        print(f"{path.name}: {size:.2f} MB, {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
