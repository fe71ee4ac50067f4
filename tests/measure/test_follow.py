"""Following a card from picture to picture: as quick as it may be, the numbers are those of one.

Truth is `analytic.draw`, closed forms. What is followed is held against the same picture measured
by itself, which knows nothing of the pictures before.
"""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from analytic import Camera, Light, Strand, Truth, draw
from numpy.typing import NDArray

from measure import PictureReading, Printer, Seen, Settings, follow, measure_picture, newest_card
from measure.marker_matching import match_markers

CARD = newest_card("pocket")
CAMERA = Camera(
    px_per_mm=10.0, distance_mm=230, tilt_deg=5, width_px=960, height_px=600, noise=0.006
)
STRAND = Strand(diameter_mm=0.9, albedo_rgb=(0.3, 0.12, 0.4), offset_mm=0.5)
LAMP = Light(sky=0.4, lamp=0.5, unshaded=0.1, lean_deg=30, softness_mm=0.2)
SKY = Light(sky=0.8, unshaded=0.2)

SMALL_PART = 0.2
"""Of the interval's half: how far a followed reading may lie from one of its own."""


@lru_cache(maxsize=24)
def drawn(
    strands: tuple[Strand, ...], light: Light, camera: Camera, seed: int = 0
) -> tuple[NDArray[np.uint8], Truth]:
    return draw(CARD, strands, light, camera, seed)


def codes(reading: PictureReading) -> list[str]:
    return [r.code for r in reading.refusals]


def assert_same(followed: PictureReading, truth: Truth, pixels: NDArray[np.uint8]) -> None:
    alone = measure_picture(pixels)
    assert followed.scale is not None
    assert alone.scale is not None
    assert followed.scale.markers_seen == alone.scale.markers_seen
    assert codes(followed) == codes(alone)
    for refused in followed.refusals:
        assert refused.strand is None or refused.outline is not None
    assert len(followed.strands) == len(alone.strands) == len(truth.strands)
    for mine, own, true in zip(followed.strands, alone.strands, truth.strands, strict=True):
        low, high = own.diameter_interval_mm
        assert abs(mine.diameter_mm - own.diameter_mm) < SMALL_PART * (high - low) / 2
        width = mine.diameter_interval_mm[1] - mine.diameter_interval_mm[0]
        assert width == pytest.approx(high - low, rel=0.25)
        # Each interval holds the truth 19 times in 20; half as wide again hardly ever misses.
        assert abs(mine.diameter_mm - true.mean_diameter_mm) < 0.75 * width


def test_a_card_held_in_an_unsteady_hand() -> None:
    seen: Seen | None = None
    for step in range(4):
        strand = replace(STRAND, offset_mm=0.5 + 0.15 * step, slope=0.005 * step)
        camera = replace(CAMERA, roll_deg=0.4 * step, tilt_deg=5 + 0.3 * step)
        pixels, truth = drawn((strand,), LAMP, camera, step)
        reading, seen = follow(pixels, before=seen)
        assert_same(reading, truth, pixels)


@pytest.mark.parametrize(
    "camera",
    [
        replace(CAMERA, roll_deg=172),
        replace(CAMERA, quarter_turns=1),
        replace(CAMERA, px_per_mm=8.0, tilt_deg=14, tilt_azimuth_deg=200),
        replace(CAMERA, px_per_mm=13.0, width_px=1280, height_px=720),
    ],
    ids=["turned", "on its side", "further off", "another camera"],
)
def test_what_has_changed_a_lot_is_looked_for_anew(camera: Camera) -> None:
    first, _ = drawn((STRAND,), LAMP, CAMERA)
    _, seen = follow(first)
    pixels, truth = drawn((STRAND,), LAMP, camera)
    reading, _ = follow(pixels, before=seen)
    assert_same(reading, truth, pixels)


def test_light_that_changes() -> None:
    seen: Seen | None = None
    for light in (LAMP, SKY, replace(LAMP, lean_deg=-30), LAMP):
        pixels, truth = drawn((STRAND,), light, CAMERA)
        reading, seen = follow(pixels, before=seen)
        assert_same(reading, truth, pixels)


def test_strands_come_and_go() -> None:
    second = Strand(diameter_mm=0.6, albedo_rgb=(0.1, 0.3, 0.3), offset_mm=-3.0)
    other_lane = replace(second, lane="open", offset_mm=0.0)
    seen: Seen | None = None
    for strands in ((), (STRAND,), (second, STRAND), (), (other_lane,), (STRAND,)):
        pixels, truth = drawn(strands, LAMP, CAMERA)
        reading, seen = follow(pixels, before=seen)
        if strands:
            assert_same(reading, truth, pixels)
        else:
            assert codes(reading) == ["no_strand"]


def test_a_card_that_leaves_and_comes_back() -> None:
    pixels, truth = drawn((STRAND,), LAMP, CAMERA)
    _, seen = follow(pixels)
    assert seen.scale is not None
    bare = np.full_like(pixels, 120)
    reading, seen = follow(bare, before=seen)
    assert codes(reading) == ["no_card"]
    assert seen.scale is None
    reading, seen = follow(pixels, before=seen)
    assert_same(reading, truth, pixels)


def test_a_hand_over_half_the_card() -> None:
    pixels, _ = drawn((STRAND,), LAMP, CAMERA)
    _, seen = follow(pixels)
    covered = pixels.copy()
    covered[:, :420] = (150, 110, 90)
    for picture in (covered, covered, pixels):
        reading, seen = follow(picture, before=seen)
        alone = measure_picture(picture)
        assert reading.scale is not None
        assert alone.scale is not None
        assert reading.scale.markers_seen == alone.scale.markers_seen
        low, high = alone.strands[0].diameter_interval_mm
        gap = abs(reading.strands[0].diameter_mm - alone.strands[0].diameter_mm)
        assert gap < SMALL_PART * (high - low) / 2


def test_another_printer_is_another_card() -> None:
    pixels, _ = drawn((STRAND,), LAMP, CAMERA)
    _, seen = follow(pixels)
    settings = Settings(printer=Printer(1.02, 1.02))
    reading, _ = follow(pixels, settings=settings, before=seen)
    alone = measure_picture(pixels, settings=settings)
    assert reading.strands[0].diameter_mm == pytest.approx(alone.strands[0].diameter_mm, rel=2e-3)


def test_what_is_kept_is_no_picture_and_can_be_sent_to_another_process() -> None:
    pixels, _ = drawn((STRAND,), LAMP, CAMERA)
    _, seen = follow(pixels)
    kept = pickle.dumps(seen)
    assert len(kept) < pixels.nbytes / 10
    again, _ = follow(pixels, before=pickle.loads(kept))
    here, _ = follow(pixels, before=seen)
    assert again.strands[0].diameter_mm == here.strands[0].diameter_mm


@pytest.mark.parametrize("shift_px", [(0, 0), (3, -2), (-7, 6)])
def test_markers_are_found_where_they_have_moved_to(shift_px: tuple[int, int]) -> None:
    pixels, truth = drawn((), LAMP, replace(CAMERA, tilt_deg=20, roll_deg=9))
    corners_mm = np.array([m.corners_mm() for m in CARD.markers])
    true = truth.to_picture(corners_mm.reshape(-1, 2)).reshape(-1, 4, 2)
    index, corners = match_markers(pixels, CARD, true - shift_px)
    assert list(index) == list(range(len(CARD.markers)))
    assert np.abs(corners - true).max() < 1.5


def test_a_marker_that_is_another_is_not_taken_for_it() -> None:
    pixels, truth = drawn((), LAMP, CAMERA)
    corners_mm = np.array([m.corners_mm() for m in CARD.markers])
    true = truth.to_picture(corners_mm.reshape(-1, 2)).reshape(-1, 4, 2)
    index, _ = match_markers(pixels, CARD, np.roll(true, 1, axis=0))
    assert len(index) == 0
