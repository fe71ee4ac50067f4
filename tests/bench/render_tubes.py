"""Smooth tubes of known diameter on the pocket card, path traced: the tuning set.

    python -m tests.bench.render_tubes FOLDER [NAME...] [--variant llvm_ad_rgb]

writes NAME.jpg or NAME.png and NAME.json (the truth) for every case, or for those named. The
pictures are too many to keep in the repository; the bench makes them where it is told to.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal, Protocol, TypeVar

from measure.card import Card, newest_card
from sample_images.develop import (
    PHONE,
    SCANNER,
    WEBCAM,
    Development,
    develop,
    encode,
    exposed,
    seed_of,
)
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
    Curves,
    Lamp,
    Light,
    LineLight,
    Rgb,
    Scene,
    dyed,
    render,
    straight,
)

Behind = Literal["uncut", "desk", "bright", "dark"]


@dataclass(frozen=True)
class Tube:
    """One strand: its lane, where in it (mm from the lane's top edge), and what it is."""

    lane: Literal["banded", "open"]
    at_mm: float
    diameter_mm: float
    colours: tuple[Rgb, ...]
    slope: float = 0.0
    sag_mm: float = 0.0
    lift_mm: float = 0.0


@dataclass(frozen=True)
class Case:
    """One picture."""

    name: str
    tubes: tuple[Tube, ...]
    light: Light
    camera: Camera
    development: Development
    behind: Behind = "uncut"


SKY: Final = Light("even sky")


def _soft(share: float, lean: float, azimuth: float, side: float = 200.0) -> Light:
    return Light("soft lamp + sky", Lamp(share, lean, azimuth, side))


def _hard(share: float, lean: float, azimuth: float, side: float = 15.0) -> Light:
    return Light("hard lamp + sky", Lamp(share, lean, azimuth, side))


def _line(azimuth: float) -> Light:
    return Light("scanner line", LineLight(0.85, 40.0, azimuth))


def _phone(
    px_per_mm: float, distance: float, tilt: float, azimuth: float, roll: float = 0.0
) -> Camera:
    size = (round(94 * px_per_mm / 2) * 2, round(61 * px_per_mm / 2) * 2)
    return Camera("phone", *size, px_per_mm, distance, tilt, azimuth, roll)


def _webcam(distance: float, tilt: float, azimuth: float, roll: float = 0.0) -> Camera:
    return Camera("webcam", 1280, 720, 12.4, distance, tilt, azimuth, roll)


def _scanner(dpi: float, turn: float = 0.0) -> Camera:
    px_per_mm = dpi / 25.4
    size = (round(92 * px_per_mm), round(60 * px_per_mm))
    return Camera("scanner", *size, px_per_mm, None, roll_deg=turn)


def _four(
    a: tuple[float, Rgb], b: tuple[float, Rgb], c: tuple[float, Rgb], d: tuple[float, Rgb]
) -> tuple[Tube, ...]:
    """Two tubes a lane, slightly askew and bowed, as strands lie."""
    return (
        Tube("banded", 3.0, a[0], (a[1],), 0.006, 0.15),
        Tube("banded", 8.0, b[0], (b[1],), -0.008, -0.2),
        Tube("open", 3.0, c[0], (c[1],), -0.004, 0.1),
        Tube("open", 8.0, d[0], (d[1],), 0.01, 0.0),
    )


_MIX_A = _four((0.50, NEAR_BLACK), (1.10, PALE_PINK), (0.80, TEAL), (0.45, WHITE))
_MIX_B = _four((0.75, PURPLE), (0.40, WHITE), (1.20, NEAR_BLACK), (0.60, PALE_PINK))
_MIX_C = _four((1.40, TEAL), (0.60, NATURAL), (0.55, PURPLE), (1.00, GREY))
_MIX_D = _four((0.90, WHITE), (0.35, NEAR_BLACK), (0.42, RUST), (1.50, NATURAL))
_DYED = (
    Tube("banded", 3.0, 0.70, (NEAR_BLACK, TEAL, PALE_PINK, WHITE), 0.004),
    Tube("banded", 8.0, 1.20, (PURPLE, PALE_PINK, RUST, NATURAL), -0.006, 0.2),
    Tube("open", 3.0, 0.50, (WHITE, TEAL, NEAR_BLACK), 0.0),
    Tube("open", 8.0, 0.90, (RUST, PURPLE), 0.008),
)
_OPEN = (
    Tube("banded", 5.5, 0.65, (TEAL,), 0.01, 0.2),
    Tube("open", 3.0, 0.45, (PALE_PINK,), 0.004),
    Tube("open", 8.0, 1.10, (PURPLE,), -0.006),
)

CASES: Final = (
    Case("sky_phone_square", _MIX_A, SKY, _phone(18, 250, 0, 0, 0.6), PHONE),
    Case("soft_phone_tilt8", _MIX_B, _soft(0.6, 40, 100), _phone(18, 220, 8, 70, -1.2), PHONE),
    Case("hard_phone_tilt4", _MIX_C, _hard(0.75, 45, 80), _phone(17, 250, 4, 200), PHONE),
    Case("line_scanner_600", _MIX_A, _line(90), _scanner(600), SCANNER),
    Case("soft_webcam", _MIX_C, _soft(0.5, 35, 300), _webcam(280, 6, 90, 2.0), WEBCAM),
    Case("bright_open_phone", _OPEN, _soft(0.5, 40, 60), _phone(18, 240, 3, 0), PHONE, "bright"),
    Case("dark_open_phone", _OPEN, _soft(0.6, 35, 110), _phone(18, 240, 5, 120), PHONE, "dark"),
    Case("hard_phone_across60", _MIX_B, _hard(0.7, 60, 90), _phone(18, 260, 2, 10, 1.5), PHONE),
    Case("dyed_soft_phone", _DYED, _soft(0.65, 45, 250), _phone(19, 230, 6, 45), PHONE),
    Case("sky_phone_tilt22", _MIX_D, SKY, _phone(19, 240, 22, 92, 0.5), PHONE),
    Case("line_scanner_400_turned", _MIX_B, _line(0), _scanner(400, 1.0), SCANNER),
    Case("soft_phone_along", _MIX_D, _soft(0.7, 45, 5), _phone(15, 300, 10, 330), PHONE),
    Case("hard_phone_oblique", _MIX_A, _hard(0.6, 35, 40), _phone(20, 200, 5, 270), PHONE),
    Case("sky_webcam", _MIX_D, SKY, _webcam(250, 3, 30), WEBCAM),
    Case(
        "lifted_soft_phone",
        tuple(replace(t, lift_mm=1.5) for t in _MIX_C),
        _soft(0.55, 40, 95),
        _phone(18, 210, 3, 90),
        PHONE,
    ),
    Case("line_scanner_300", _MIX_D, _line(270), _scanner(300), SCANNER),
    Case("dyed_hard_phone", _DYED, _hard(0.65, 50, 120), _phone(18, 250, 5, 90), PHONE),
    Case(
        "soft_phone_near_soft_focus",
        _MIX_A,
        _soft(0.5, 30, 200, 300.0),
        _phone(22, 160, 6, 150),
        replace(PHONE, blur_px=1.5, noise=0.015),
    ),
)


def curves_of(tube: Tube, card: Card) -> Curves:
    """The tube on the card, running off both of its ends."""
    lane = card.lane(tube.lane)
    line = straight(
        -12.0,
        card.width_mm + 12.0,
        lane.y_mm + tube.at_mm,
        tube.diameter_mm,
        x_middle_mm=card.width_mm / 2,
        slope=tube.slope,
        sag_mm=tube.sag_mm,
        lift_mm=tube.lift_mm,
    )
    if len(tube.colours) == 1:
        return Curves((line,), tube.colours[0])
    return dyed(line, tube.colours)


def truth_of(tube: Tube, card: Card) -> dict[str, Any]:
    """What is true of a tube on that card, as it stands beside its picture."""
    return {
        "lane": tube.lane,
        "y_mm": round(card.lane(tube.lane).y_mm + tube.at_mm, 4),
        "diameter_mm": tube.diameter_mm,
        "albedo": [list(c) for c in tube.colours],
        "kind": "tube",
        "slope": tube.slope,
        "sag_mm": tube.sag_mm,
        "lift_mm": tube.lift_mm,
    }


def make(case: Case, folder: Path, samples: int, variant: str) -> Path:
    """Render one case and write it with its truth; gives the picture's path."""
    card = newest_card("pocket")
    strands = tuple(curves_of(tube, card) for tube in case.tubes)
    seed = seed_of(case.name)
    scene = Scene(card, strands, case.light, behind=case.behind)
    light = render(scene, case.camera, samples, seed & 0xFFFF, variant)
    how = exposed(light, case.development)
    if case.camera.kind == "scanner":
        how = replace(how, dpi=case.camera.px_per_mm * 25.4)
    path = folder / f"{case.name}.{how.format}"
    truth = {
        "card": card.kind,
        "strands": [truth_of(tube, card) for tube in case.tubes],
        "light": asdict(case.light),
        "camera": asdict(case.camera) | {"focal_px": case.camera.focal_px},
        "development": asdict(how),
        "open_lane": case.behind,
        "lift_mm": max(t.lift_mm for t in case.tubes),
    }
    path.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n")
    # The picture goes last and in one step, for whoever watches the folder.
    part = path.with_suffix(".part")
    part.write_bytes(encode(develop(light, how, seed), how, case.camera))
    part.replace(path)
    return path


class Named(Protocol):
    """A picture to render, known by its name."""

    @property
    def name(self) -> str:
        """Stem of its files."""


Shown = TypeVar("Shown", bound=Named)


def render_named(
    about: str | None,
    cases: Sequence[Shown],
    make_one: Callable[[Shown, Path, int, str], Path],
    samples: int,
) -> None:
    """The command line of a tuning set: every case rendered into a folder, or those named."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--samples", type=int, default=samples)
    parser.add_argument("--variant", default="scalar_rgb")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for case in cases:
        if asked.names and case.name not in asked.names:
            continue
        start = time.perf_counter()
        path = make_one(case, asked.folder, asked.samples, asked.variant)
        print(f"{path.name}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    render_named(__doc__, CASES, make, 36)
