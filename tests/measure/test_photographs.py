"""Real photographs: those inside scikit-image's package, read from there, never fetched.

No strand lies in any of them, so no reading may come; laid behind and round a drawn card they must
not disturb the reading of what lies on it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage
from analytic import draw
from analytic_types import Camera, Light, Strand, Truth

from measure import measure_picture, newest_card
from measure.picture import Picture, read_picture
from measure.settings import Settings

FOLDER = Path(skimage.__file__).parent / "data"
NAMES = [
    name
    for name in (
        "astronaut", "brick", "camera", "chelsea", "clock_motion", "coffee", "coins", "grass",
        "gravel", "horse", "ihc", "page", "phantom", "rocket", "text",
    )
    if (FOLDER / f"{name}.png").exists() or (FOLDER / f"{name}.jpg").exists()
]  # fmt: skip


@cache
def photograph(name: str) -> Picture:
    file = FOLDER / f"{name}.png"
    return read_picture(file if file.exists() else FOLDER / f"{name}.jpg")


def test_the_package_brings_photographs() -> None:
    assert len(NAMES) >= 8


@pytest.mark.parametrize("name", NAMES)
def test_no_reading_comes_from_a_photograph_without_a_strand(name: str) -> None:
    picture = photograph(name)
    # By the card or, as there is none, by a ruler: that is tried as well.
    assert [r.code for r in measure_picture(picture).refusals] == ["no_card"]
    # As a scan, whose scale nobody checks. Its tag is ours: none of these files has one.
    for dpi in (300.0, 600.0):
        scanned = replace(picture, dpi=(dpi, dpi), camera_made=False, focal_px=None)
        reading = measure_picture(scanned, settings=Settings(scale="dpi"))
        assert not reading.strands
        assert reading.refusals


STRAND = Strand(diameter_mm=1.3, albedo_rgb=(0.3, 0.12, 0.2), slope=0.01)


@pytest.fixture(scope="module")
def on_a_card() -> tuple[np.ndarray, Truth]:
    camera = Camera(px_per_mm=9.0, margin_mm=14.0, roll_deg=4.0, tilt_deg=4.0)
    light = Light(sky=0.6, lamp=0.2, unshaded=0.2, lean_deg=20.0, softness_mm=0.3, scatter=0.3)
    return draw(newest_card("pocket"), (STRAND,), light, camera, 5)


@pytest.mark.parametrize(
    ("name", "through_hole"),
    [("brick", False), ("brick", True), ("coffee", True), ("gravel", True), ("text", True)],
)
def test_a_photograph_behind_the_card_does_no_harm(
    name: str, through_hole: bool, on_a_card: tuple[np.ndarray, Truth]
) -> None:
    pixels, truth = on_a_card
    card = newest_card("pocket")
    hole = card.lane("open")
    behind = np.ones(pixels.shape[:2], np.uint8)
    for x, y, w, h, kept in (
        (0.0, 0.0, card.width_mm, card.height_mm, 0),
        (hole.x_mm, hole.y_mm, hole.width_mm, hole.height_mm, int(through_hole)),
    ):
        corners = truth.to_picture(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]))
        cv2.fillConvexPoly(behind, np.rint(corners).astype(np.int32), kept)
    photo = photograph(name).pixels
    if photo.ndim == 2:
        photo = np.repeat(photo[..., None], 3, axis=2)
    photo = cv2.resize(photo, pixels.shape[1::-1], interpolation=cv2.INTER_AREA)
    reading = measure_picture(np.where(behind[..., None] > 0, photo, pixels))
    assert [s.lane for s in reading.strands] == ["banded"], reading.refusals
    low, high = reading.strands[0].diameter_interval_mm
    assert low <= truth.strands[0].mean_diameter_mm <= high
