"""Fibre-built yarn of known core width on the pocket card's banded lane: the tuning set.

    python -m tests.bench.render_yarn FOLDER [NAME...] [--variant llvm_ad_rgb]

writes NAME.jpg or NAME.png and NAME.json (the truth) for every case, or for those named.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

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
    Lamp,
    Light,
    LineLight,
    Rgb,
)
from sample_images.yarn import Recipe
from tests.bench.render_tubes import render_named

BANDED_MIDDLE_MM: Final = (42.8, 16.99)
"""What the camera looks at: the middle of the pocket card's banded lane."""

SKY: Final = Light("even sky")
FINE: Final = Recipe(0.42, 22, "Z", fibres=110, cv_percent=8, hair_reach_mm=0.35)
USUAL: Final = Recipe(0.65, 14, "Z", fibres=170, cv_percent=7)
FUZZY: Final = Recipe(
    0.8, 9, "S", fibres=170, packing=0.38, rim=0.14, cv_percent=10, hairs_per_mm=10
)
THICK: Final = Recipe(1.2, 7, "Z", fibres=200, cv_percent=12, wander_mm=9)
TWO: Final = Recipe(
    0.5, 8, "S", plies=2, single_turns_per_inch=7, fibres=110, cv_percent=6, hairs_per_mm=6
)
THREE: Final = Recipe(
    0.45, 6.5, "S", plies=3, single_turns_per_inch=8, fibres=90, cv_percent=6, hairs_per_mm=6
)
TWO_Z: Final = Recipe(0.36, 11, "Z", plies=2, single_turns_per_inch=9, fibres=90, cv_percent=8)


def _phone(px_per_mm: float, distance: float, tilt: float, azimuth: float, roll: float) -> Camera:
    size = (round(94 * px_per_mm), round(30 * px_per_mm))
    return Camera(
        "phone", *size, px_per_mm, distance, tilt, azimuth, roll, look_at_mm=BANDED_MIDDLE_MM
    )


def _scanner(dpi: float) -> Camera:
    px_per_mm = dpi / 25.4
    size = (round(92 * px_per_mm), round(30 * px_per_mm))
    return Camera("scanner", *size, px_per_mm, None, look_at_mm=BANDED_MIDDLE_MM)


def _two(a: tuple[Recipe, tuple[Rgb, ...]], b: tuple[Recipe, tuple[Rgb, ...]]) -> tuple[Laid, ...]:
    return (
        Laid("banded", 3.0, a[0], a[1], 0.3, 0.1),
        Laid("banded", 8.0, b[0], b[1], -0.4, -0.1),
    )


_A = _two((USUAL, (NATURAL,)), (TWO, (TEAL,)))
_B = _two((FINE, (PURPLE,)), (THREE, (PALE_PINK,)))
_C = _two((FUZZY, (NEAR_BLACK,)), (USUAL, (WHITE,)))
_D = _two((TWO_Z, (RUST,)), (THICK, (GREY,)))
_SOFT = Light("soft lamp + sky", Lamp(0.6, 40, 100, 200))

CASES: Final = (
    Picture("soft_phone_a", "", _A, _SOFT, _phone(18, 250, 5, 80, 0.7), PHONE),
    Picture("sky_phone_b", "", _B, SKY, _phone(18, 220, 3, 200, -0.8), PHONE),
    Picture(
        "hard_phone_c",
        "",
        _C,
        Light("hard lamp + sky", Lamp(0.7, 45, 80, 15)),
        _phone(18, 250, 4, 10, 0.0),
        PHONE,
    ),
    Picture(
        "line_scanner_d", "", _D, Light("scanner line", LineLight(0.85)), _scanner(600), SCANNER
    ),
    Picture(
        "soft_phone_d_tilt15",
        "",
        _D,
        Light("soft lamp + sky", Lamp(0.55, 35, 300, 250)),
        _phone(19, 240, 15, 95, 0.4),
        replace(PHONE, blur_px=1.3),
    ),
    Picture("sky_phone_c", "", _C, SKY, _phone(17, 280, 6, 150, 1.0), PHONE),
    Picture(
        "soft_webcam_a",
        "",
        _A,
        Light("soft lamp + sky", Lamp(0.5, 40, 80, 200)),
        Camera("webcam", 1280, 420, 13.0, 260, 5, 90, look_at_mm=BANDED_MIDDLE_MM),
        WEBCAM,
    ),
    Picture(
        "line_scanner_b_400",
        "",
        _B,
        Light("scanner line", LineLight(0.85, 40.0, 0.0)),
        _scanner(400),
        SCANNER,
    ),
)


if __name__ == "__main__":
    render_named(__doc__, CASES, make_picture, 25)
