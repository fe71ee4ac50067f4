"""Fibre-built plied yarn of known twist on the pocket card's banded lane, for the twist bench.

    python -m tests.bench.render_plied FOLDER [NAME...] [--variant llvm_ad_rgb]

writes NAME.jpg or NAME.png and NAME.json (the truth) for every case, or for those named. Names
that begin with "tuning" are what figures in the code were set on; those that begin with "proof"
were only ever read.
"""

from __future__ import annotations

from typing import Final, Literal

from sample_images.develop import PHONE, SCANNER, WEBCAM, Development
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
    Lamp,
    Light,
    LineLight,
    Rgb,
)
from sample_images.yarn import Recipe
from tests.bench.render_tubes import render_named

BANDED_MIDDLE_MM: Final = (42.8, 16.99)
SKY: Final = Light("even sky")
WINDOW: Final = Light("soft lamp + sky", Lamp(0.6, 40, 105, 280))
LAMP: Final = Light("soft lamp + sky", Lamp(0.55, 35, 300, 180))
ALONG: Final = Light("soft lamp + sky", Lamp(0.5, 40, 20, 220))
SCAN_LINE: Final = Light("scanner line", LineLight(0.85))

Side = tuple[int, float, float, Literal["S", "Z"], tuple[Rgb, ...]]
"""Plies, single's diameter mm, turns per inch, twist, and one colour or one for each ply."""


def _phone(px_per_mm: float, distance: float, tilt: float, azimuth: float, roll: float) -> Camera:
    size = (round(94 * px_per_mm), round(30 * px_per_mm))
    return Camera(
        "phone", *size, px_per_mm, distance, tilt, azimuth, roll, look_at_mm=BANDED_MIDDLE_MM
    )


def _scanner(dpi: float) -> Camera:
    px_per_mm = dpi / 25.4
    size = (round(92 * px_per_mm), round(30 * px_per_mm))
    return Camera("scanner", *size, px_per_mm, None, look_at_mm=BANDED_MIDDLE_MM)


NEAR: Final = _phone(20, 230, 4, 80, 0.6)
USUAL: Final = _phone(17, 250, 6, 200, -0.9)
TILTED: Final = _phone(18, 240, 12, 95, 0.4)
SCAN_400: Final = _scanner(400)
SCAN_600: Final = _scanner(600)
WEB: Final = Camera("webcam", 1280, 420, 13.0, 260, 5, 90, look_at_mm=BANDED_MIDDLE_MM)


def _laid(side: Side, at_mm: float, angle_deg: float, sag_mm: float) -> Laid:
    plies, single_mm, turns, twist, colours = side
    recipe = Recipe(
        single_mm,
        turns,
        twist,
        plies,
        single_turns_per_inch=0.0 if plies == 1 else 0.6 * turns,
        fibres=170 if plies == 1 else 110 if plies < 4 else 90,
        cv_percent=6,
        hairs_per_mm=6,
        hair_reach_mm=min(0.45, 0.5 * single_mm + 0.15),
        turns_cv_percent=5,
    )
    of_plies = colours if len(colours) > 1 else ()
    return Laid("banded", at_mm, recipe, colours[:1], angle_deg, sag_mm, of_plies=of_plies)


def _case(
    name: str, above: Side, below: Side, light: Light, camera: Camera, how: Development
) -> Picture:
    strands = (_laid(above, 3.0, 0.4, 0.2), _laid(below, 8.0, -0.3, -0.1))
    return Picture(name, "", strands, light, camera, how)


CASES: Final = (
    _case(
        "tuning_a",
        (2, 0.45, 8.0, "S", (NATURAL,)),
        (3, 0.50, 6.0, "Z", (TEAL,)),
        WINDOW,
        USUAL,
        PHONE,
    ),
    _case(
        "tuning_b",
        (4, 0.40, 6.0, "S", (PALE_PINK,)),
        (2, 0.30, 12.0, "Z", (RUST,)),
        SKY,
        NEAR,
        PHONE,
    ),
    _case(
        "tuning_c",
        (3, 0.90, 3.0, "S", (GREY,)),
        (2, 0.22, 16.0, "Z", (PURPLE,)),
        SCAN_LINE,
        SCAN_600,
        SCANNER,
    ),
    _case(
        "tuning_d",
        (2, 1.20, 2.0, "Z", (WHITE,)),
        (4, 0.25, 10.0, "S", (TEAL,)),
        LAMP,
        TILTED,
        PHONE,
    ),
    _case(
        "tuning_e",
        (2, 0.60, 5.0, "S", (NATURAL, RUST)),
        (3, 0.35, 9.0, "Z", (NATURAL, NATURAL, PURPLE)),
        ALONG,
        USUAL,
        PHONE,
    ),
    _case(
        "tuning_f",
        (1, 0.80, 9.0, "S", (NATURAL,)),
        (1, 0.65, 14.0, "Z", (TEAL,)),
        WINDOW,
        NEAR,
        PHONE,
    ),
    _case(
        "tuning_g",
        (4, 0.70, 3.0, "Z", (NEAR_BLACK,)),
        (3, 0.70, 4.0, "S", (NATURAL,)),
        WINDOW,
        SCAN_400,
        SCANNER,
    ),
    _case(
        "tuning_h",
        (2, 0.75, 4.0, "Z", (PURPLE,)),
        (2, 0.55, 6.5, "S", (WHITE,)),
        SKY,
        WEB,
        WEBCAM,
    ),
    _case(
        "proof_a",
        (2, 0.40, 9.0, "Z", (TEAL,)),
        (4, 0.50, 4.5, "S", (NATURAL,)),
        LAMP,
        USUAL,
        PHONE,
    ),
    _case(
        "proof_b",
        (3, 0.28, 11.0, "S", (PALE_PINK,)),
        (2, 0.95, 3.0, "Z", (GREY,)),
        WINDOW,
        NEAR,
        PHONE,
    ),
    _case(
        "proof_c",
        (2, 0.24, 15.0, "S", (NATURAL,)),
        (3, 1.00, 2.2, "Z", (RUST,)),
        SCAN_LINE,
        SCAN_600,
        SCANNER,
    ),
    _case(
        "proof_d",
        (4, 0.32, 8.0, "Z", (PURPLE,)),
        (2, 0.50, 7.0, "S", (WHITE,)),
        SKY,
        TILTED,
        PHONE,
    ),
    _case(
        "proof_e",
        (3, 0.60, 5.0, "Z", (NATURAL, TEAL, NATURAL)),
        (2, 0.35, 10.0, "S", (PALE_PINK, PURPLE)),
        WINDOW,
        USUAL,
        PHONE,
    ),
    _case(
        "proof_f",
        (3, 0.42, 7.0, "S", (NEAR_BLACK,)),
        (4, 0.60, 3.5, "Z", (PALE_PINK,)),
        SCAN_LINE,
        SCAN_400,
        SCANNER,
    ),
    _case(
        "proof_g",
        (1, 0.90, 8.0, "Z", (RUST,)),
        (2, 0.80, 4.5, "S", (NATURAL,)),
        ALONG,
        NEAR,
        PHONE,
    ),
    _case(
        "proof_h",
        (3, 0.55, 5.5, "Z", (GREY,)),
        (2, 0.65, 5.5, "S", (RUST,)),
        WINDOW,
        WEB,
        WEBCAM,
    ),
)


if __name__ == "__main__":
    render_named(__doc__, CASES, make_picture, 16)
