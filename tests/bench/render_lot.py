"""Smooth tubes drawn by lot on the pocket card's banded lane, path traced, most of them thin.

    python -m tests.bench.render_lot FOLDER FIRST COUNT [--samples 16] [--variant llvm_ad_rgb]

writes the pictures numbered from FIRST on with their truth. Every number is one scene of two or
three tubes, developed as by a good camera and, at half the pixels, by a poorer one, so that what
light does is rendered once for both. Even numbers go into FOLDER/seen, figures in the code may be
set on them; odd ones into FOLDER/aside, to be read only.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from measure.card import newest_card
from sample_images.develop import Development, develop, encode, exposed
from sample_images.scene import Camera, Floats, Lamp, Light, LineLight, Rgb, Scene, render
from tests.bench.render_tubes import Tube, curves_of, truth_of
from tests.bench.render_yarn import BANDED_MIDDLE_MM

_VIEW_MM: Final = (94.0, 30.0)
_DPI: Final = 600.0


@dataclass(frozen=True)
class Case:
    """One scene and its two developments, the second of half as many pixels."""

    number: int
    tubes: tuple[Tube, ...]
    light: Light
    camera: Camera
    developments: tuple[Development, Development]


def case_of(number: int) -> Case:
    """The case of that number, the same on every machine."""
    rng = np.random.default_rng([number, 1853])
    lights = ("even sky", "soft lamp + sky", "hard lamp + sky", "scanner line")
    name = lights[rng.choice(4, p=(0.25, 0.35, 0.2, 0.2))]
    share, lean, azimuth = rng.uniform(0.45, 0.75), rng.uniform(20.0, 55.0), rng.uniform(0, 360)
    if name == "scanner line":
        azimuth = float(rng.choice([0.0, 90.0, 270.0]))
        light = Light(name, LineLight(0.85, rng.uniform(35.0, 45.0), azimuth))
    elif name == "even sky":
        light = Light(name)
    else:
        side = rng.uniform(150.0, 350.0) if name.startswith("soft") else rng.uniform(10.0, 40.0)
        light = Light(name, Lamp(share, lean, azimuth, side))
    places = np.array([2.3, 5.5, 8.7] if rng.random() < 0.25 else [3.0, 8.0])
    places += rng.uniform(-0.4, 0.4, len(places))
    tubes = tuple(
        Tube(
            "banded",
            float(at),
            round(float(np.exp(rng.uniform(np.log(0.40), np.log(1.30)))), 4),
            (_colour(rng),),
            rng.uniform(-0.012, 0.012),
            rng.uniform(-0.2, 0.2),
        )
        for at in places
    )
    scanner = isinstance(light.lamp, LineLight)
    developments = tuple(_development(rng, scanner, poor) for poor in (False, True))
    return Case(number, tubes, light, _camera(rng, scanner), (developments[0], developments[1]))


def _colour(rng: np.random.Generator) -> Rgb:
    """From nearly black to white, dyed by chance."""
    level = rng.uniform(np.sqrt(0.03), np.sqrt(0.8)) ** 2
    dye = level * np.exp(rng.normal(0.0, rng.choice([0.05, 0.5]), 3))
    r, g, b = np.clip(dye, 0.02, 0.82).round(3).tolist()
    return (r, g, b)


def _camera(rng: np.random.Generator, scanner: bool) -> Camera:
    px_per_mm = _DPI / 25.4 if scanner else rng.uniform(15.0, 20.0)
    width, height = (2 * round(side * px_per_mm / 2) for side in _VIEW_MM)
    tilt = 0.0 if scanner else abs(rng.normal(0.0, 6.0))
    return Camera(
        "scanner" if scanner else "phone",
        width,
        height,
        px_per_mm,
        None if scanner else rng.uniform(200.0, 320.0),
        tilt,
        rng.uniform(0.0, 360.0),
        rng.uniform(-1.5, 1.5),
        BANDED_MIDDLE_MM,
    )


def _development(rng: np.random.Generator, scanner: bool, poor: bool) -> Development:
    low, high = (0.9, 1.4) if poor and not scanner else (0.6, 1.1)
    noise = rng.uniform(0.012, 0.02) if poor else rng.uniform(0.005, 0.012)
    return Development(
        "png" if scanner else "jpg",
        0 if scanner else int(rng.integers(75, 90) if poor else rng.integers(88, 96)),
        rng.uniform(low, high),
        rng.uniform(0.7, 0.85),
        0.5 * noise if scanner else noise,
        rng.uniform(0.002, 0.005),
        (1.0, rng.uniform(0.97, 1.0), rng.uniform(0.95, 1.0)),
        0.0 if scanner else rng.uniform(0.0, 0.1),
    )


def _halved(light: Floats) -> Floats:
    """Each two by two pixels as one, as a sensor of larger pixels would see them."""
    rows, columns = light.shape[:2]
    return np.asarray(light.reshape(rows // 2, 2, columns // 2, 2, 3).mean(axis=(1, 3)))


def make(case: Case, folder: Path, samples: int, variant: str) -> None:
    """Render one case and write its two pictures, each with its truth."""
    card = newest_card("pocket")
    scene = Scene(card, tuple(curves_of(tube, card) for tube in case.tubes), case.light)
    folder = folder / ("aside" if case.number % 2 else "seen")
    folder.mkdir(parents=True, exist_ok=True)
    full = render(scene, case.camera, samples, case.number, variant)
    view = case.camera
    width, height = view.width_px // 2, view.height_px // 2
    half = replace(view, width_px=width, height_px=height, px_per_mm=view.px_per_mm / 2)
    for name, light, camera, how in (
        ("full", full, view, case.developments[0]),
        ("half", _halved(full), half, case.developments[1]),
    ):
        held = exposed(light, how)
        if camera.kind == "scanner":
            held = replace(held, dpi=camera.px_per_mm * 25.4)
        path = folder / f"lot_{case.number:03d}_{name}.{held.format}"
        truth = {
            "card": card.kind,
            "strands": [truth_of(tube, card) for tube in case.tubes],
            "light": asdict(case.light),
            "camera": asdict(camera) | {"focal_px": camera.focal_px},
            "development": asdict(held),
        }
        path.write_bytes(encode(develop(light, held, case.number), held, camera))
        path.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n")


def main() -> None:
    """Render what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("first", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("--samples", type=int, default=16)
    parser.add_argument("--variant", default="scalar_rgb")
    asked = parser.parse_args()
    for number in range(asked.first, asked.first + asked.count):
        start = time.perf_counter()
        make(case_of(number), asked.folder, asked.samples, asked.variant)
        print(f"{number}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
