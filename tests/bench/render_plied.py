"""Fibre-built plied yarn of known twist on the pocket card's banded lane, for the twist bench.

    python -m tests.bench.render_plied FOLDER [NAME...] [--variant llvm_ad_rgb]

writes NAME.jpg or NAME.png and NAME.json (the truth) for every case, or for those named. Names
that begin with "tuning" are what figures in the code were set on; the others were only ever read,
but for those that `tests.bench.twist` names.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

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
SKY: Final = Light("even sky")
WINDOW: Final = Light("soft lamp + sky", Lamp(0.6, 40, 105, 280))
LAMP: Final = Light("soft lamp + sky", Lamp(0.55, 35, 300, 180))
ALONG: Final = Light("soft lamp + sky", Lamp(0.5, 40, 20, 220))
SCAN_LINE: Final = Light("scanner line", LineLight(0.85))

Side = tuple[int, float, float, Literal["S", "Z"], *tuple[Rgb, ...]]
"""Plies, single's diameter mm, turns per inch, twist, and one colour or one for each ply."""
_DEVELOPMENT: Final = {"phone": PHONE, "scanner": SCANNER, "webcam": WEBCAM}


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
FAR: Final = _phone(13, 300, 8, 150, 1.2)
WEB: Final = Camera("webcam", 1280, 420, 13.0, 260, 5, 90, look_at_mm=BANDED_MIDDLE_MM)


def _laid(side: Side, at_mm: float, angle_deg: float, sag_mm: float) -> Laid:
    plies, single_mm, turns, twist, *rest = side
    colours = tuple(rest)
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


def _case(name: str, above: Side, below: Side, light: Light, camera: Camera) -> Picture:
    strands = (_laid(above, 3.0, 0.4, 0.2), _laid(below, 8.0, -0.3, -0.1))
    return Picture(name, "", strands, light, camera, _DEVELOPMENT[camera.kind])


CASES: Final = (
    _case("tuning_a", (2, 0.45, 8.0, "S", NATURAL), (3, 0.50, 6.0, "Z", TEAL), WINDOW, USUAL),
    _case("tuning_b", (4, 0.40, 6.0, "S", PALE_PINK), (2, 0.30, 12.0, "Z", RUST), SKY, NEAR),
    _case("tuning_c", (3, 0.90, 3.0, "S", GREY), (2, 0.22, 16.0, "Z", PURPLE), SCAN_LINE, SCAN_600),
    _case("tuning_d", (2, 1.20, 2.0, "Z", WHITE), (4, 0.25, 10.0, "S", TEAL), LAMP, TILTED),
    _case(
        "tuning_e",
        (2, 0.60, 5.0, "S", NATURAL, RUST),
        (3, 0.35, 9.0, "Z", NATURAL, NATURAL, PURPLE),
        ALONG,
        USUAL,
    ),
    _case("tuning_f", (1, 0.80, 9.0, "S", NATURAL), (1, 0.65, 14.0, "Z", TEAL), WINDOW, NEAR),
    _case(
        "tuning_g", (4, 0.70, 3.0, "Z", NEAR_BLACK), (3, 0.70, 4.0, "S", NATURAL), WINDOW, SCAN_400
    ),
    _case("tuning_h", (2, 0.75, 4.0, "Z", PURPLE), (2, 0.55, 6.5, "S", WHITE), SKY, WEB),
    _case("proof_a", (2, 0.40, 9.0, "Z", TEAL), (4, 0.50, 4.5, "S", NATURAL), LAMP, USUAL),
    _case("proof_b", (3, 0.28, 11.0, "S", PALE_PINK), (2, 0.95, 3.0, "Z", GREY), WINDOW, NEAR),
    _case("proof_c", (2, 0.24, 15.0, "S", NATURAL), (3, 1.00, 2.2, "Z", RUST), SCAN_LINE, SCAN_600),
    _case("proof_d", (4, 0.32, 8.0, "Z", PURPLE), (2, 0.50, 7.0, "S", WHITE), SKY, TILTED),
    _case(
        "proof_e",
        (3, 0.60, 5.0, "Z", NATURAL, TEAL, NATURAL),
        (2, 0.35, 10.0, "S", PALE_PINK, PURPLE),
        WINDOW,
        USUAL,
    ),
    _case(
        "proof_f",
        (3, 0.42, 7.0, "S", NEAR_BLACK),
        (4, 0.60, 3.5, "Z", PALE_PINK),
        SCAN_LINE,
        SCAN_400,
    ),
    _case("proof_g", (1, 0.90, 8.0, "Z", RUST), (2, 0.80, 4.5, "S", NATURAL), ALONG, NEAR),
    _case("proof_h", (3, 0.55, 5.5, "Z", GREY), (2, 0.65, 5.5, "S", RUST), WINDOW, WEB),
    _case("tuning_i", (1, 1.20, 6.0, "Z", NATURAL), (1, 0.55, 10.0, "S", PURPLE), SKY, NEAR),
    _case("tuning_j", (1, 0.75, 12.0, "S", GREY), (1, 1.00, 4.5, "Z", RUST), SCAN_LINE, SCAN_600),
    _case("tuning_k", (1, 1.50, 3.5, "S", PALE_PINK), (1, 0.90, 9.0, "Z", NEAR_BLACK), LAMP, USUAL),
    _case("proof_i", (2, 0.70, 4.0, "S", NEAR_BLACK), (3, 0.45, 6.5, "Z", WHITE), SKY, USUAL),
    _case("proof_j", (4, 0.45, 5.0, "Z", RUST), (3, 0.80, 3.2, "S", PALE_PINK), LAMP, NEAR),
    _case("proof_k", (2, 0.30, 13.0, "S", PURPLE), (4, 0.28, 9.5, "Z", NATURAL), WINDOW, NEAR),
    _case("proof_l", (3, 0.38, 8.0, "S", GREY), (2, 1.10, 2.4, "Z", TEAL), SCAN_LINE, SCAN_400),
    _case(
        "proof_m",
        (2, 0.55, 6.0, "Z", WHITE, TEAL),
        (3, 0.50, 6.0, "S", NATURAL, RUST, NATURAL),
        SKY,
        NEAR,
    ),
    _case(
        "proof_n", (2, 0.85, 3.6, "S", PALE_PINK), (2, 0.42, 8.5, "Z", NEAR_BLACK), ALONG, TILTED
    ),
    _case("proof_o", (4, 0.80, 2.2, "S", TEAL), (3, 0.26, 12.0, "Z", RUST), SCAN_LINE, SCAN_600),
    _case("proof_p", (3, 0.65, 4.5, "S", PURPLE), (2, 0.34, 11.0, "Z", GREY), LAMP, TILTED),
    _case("proof_q", (4, 0.36, 7.5, "S", NEAR_BLACK), (4, 0.55, 4.0, "Z", WHITE), WINDOW, USUAL),
    _case(
        "proof_r",
        (2, 0.48, 7.5, "Z", PALE_PINK, RUST),
        (2, 0.75, 4.2, "S", GREY, NATURAL),
        SCAN_LINE,
        SCAN_600,
    ),
    _case("proof_s", (3, 0.32, 10.0, "Z", TEAL), (2, 0.26, 14.0, "S", NEAR_BLACK), SKY, NEAR),
    _case("proof_t", (2, 0.60, 5.0, "Z", RUST), (3, 0.95, 2.5, "S", WHITE), ALONG, USUAL),
    _case("proof_u", (4, 0.42, 6.0, "Z", GREY), (2, 0.90, 3.3, "S", PURPLE), SCAN_LINE, SCAN_400),
    _case(
        "proof_v",
        (3, 0.55, 5.5, "S", PURPLE, WHITE, WHITE),
        (4, 0.45, 5.0, "Z", NATURAL, TEAL, NATURAL, TEAL),
        WINDOW,
        NEAR,
    ),
    _case("proof_w", (2, 0.38, 10.0, "S", NATURAL), (3, 0.72, 3.8, "Z", NEAR_BLACK), SKY, FAR),
    _case("proof_x", (4, 0.65, 3.0, "S", PURPLE), (2, 0.52, 6.8, "Z", TEAL), WINDOW, FAR),
    _case("single_a", (1, 1.10, 7.0, "S", NATURAL), (1, 0.70, 11.0, "Z", TEAL), WINDOW, NEAR),
    _case("single_b", (1, 0.85, 7.0, "Z", PALE_PINK), (1, 1.40, 4.0, "S", GREY), SKY, USUAL),
    _case(
        "single_c", (1, 0.60, 13.0, "S", RUST), (1, 0.95, 8.5, "Z", NATURAL), SCAN_LINE, SCAN_600
    ),
    _case("single_d", (1, 1.70, 3.0, "Z", PURPLE), (1, 0.80, 10.0, "S", WHITE), LAMP, NEAR),
    _case("single_e", (1, 1.00, 5.5, "S", TEAL), (1, 1.25, 7.5, "Z", NEAR_BLACK), ALONG, NEAR),
    _case(
        "tuning_l",
        (2, 0.50, 6.0, "Z", TEAL, WHITE),
        (4, 0.42, 5.0, "S", RUST, NATURAL, RUST, NATURAL),
        SKY,
        NEAR,
    ),
    _case(
        "tuning_m",
        (3, 0.60, 4.5, "S", PALE_PINK, PURPLE, PURPLE),
        (2, 0.32, 11.0, "Z", GREY, TEAL),
        WINDOW,
        USUAL,
    ),
    _case(
        "stripes_a",
        (2, 0.65, 4.5, "Z", RUST, WHITE),
        (3, 0.42, 7.0, "S", TEAL, PALE_PINK, TEAL),
        LAMP,
        NEAR,
    ),
    _case(
        "stripes_b",
        (4, 0.50, 4.2, "Z", NATURAL, PURPLE, NATURAL, PURPLE),
        (2, 0.40, 8.5, "S", NEAR_BLACK, RUST),
        SKY,
        USUAL,
    ),
    _case(
        "stripes_c",
        (2, 0.30, 12.0, "Z", WHITE, GREY),
        (2, 0.95, 2.8, "S", TEAL, NATURAL),
        SCAN_LINE,
        SCAN_600,
    ),
    _case(
        "stripes_d",
        (3, 0.80, 3.4, "S", GREY, PALE_PINK, GREY),
        (4, 0.34, 7.0, "Z", PURPLE, WHITE, WHITE, WHITE),
        WINDOW,
        NEAR,
    ),
    _case(
        "stripes_e",
        (2, 0.55, 5.5, "S", NATURAL, PALE_PINK),
        (3, 0.50, 5.0, "Z", RUST, RUST, TEAL),
        ALONG,
        USUAL,
    ),
    _case("single_f", (1, 0.50, 12.0, "Z", NATURAL), (1, 0.65, 8.0, "S", PURPLE), WINDOW, USUAL),
    _case(
        "single_g", (1, 0.45, 14.0, "S", TEAL), (1, 0.75, 9.5, "Z", PALE_PINK), SCAN_LINE, SCAN_400
    ),
    _case("single_h", (1, 0.60, 7.0, "S", WHITE), (1, 0.55, 15.0, "Z", RUST), SKY, NEAR),
)


def _make(picture: Picture, folder: Path, samples: int, variant: str) -> Path:
    """Widths are counted coarsely: it is the twist that is wanted here."""
    return make_picture(picture, folder, samples, variant, truth_per_mm=40)


if __name__ == "__main__":
    render_named(__doc__, CASES, _make, 16)
