"""What must not matter: how the picture is turned, tilted, bent, scaled, lit or coded."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw, encode_srgb, to_jpeg, to_png
from drawn_cases import assigned
from numpy.typing import NDArray

from measure import Printer, Settings, StrandReading, measure_picture, newest_card
from measure.linear_light import decode_srgb

CARD = newest_card("pocket")
LIGHT = Light(sky=0.5, lamp=0.25, unshaded=0.25, lean_deg=25.0, softness_mm=0.2, scatter=0.3)
CAMERA = Camera(px_per_mm=15.0, distance_mm=250.0)
TRUE_MM = (1.2, 0.8)
STRANDS = (
    Strand(offset_mm=-2.4, diameter_mm=TRUE_MM[0], albedo_rgb=(0.3, 0.12, 0.4), slope=0.008),
    Strand(offset_mm=2.4, diameter_mm=TRUE_MM[1], albedo_rgb=(0.1, 0.35, 0.35), slope=-0.006),
)


@lru_cache(maxsize=1)
def plain() -> NDArray[np.uint8]:
    pixels, _ = draw(CARD, STRANDS, LIGHT, CAMERA, seed=5)
    return pixels


def read(data: bytes, settings: Settings | None = None) -> list[StrandReading]:
    found = measure_picture(data, settings=settings).strands
    assert len(found) == 2
    return sorted(found, key=lambda r: -r.diameter_mm)


@lru_cache(maxsize=1)
def reference() -> list[StrandReading]:
    return read(to_png(plain()))


def half_interval(one: StrandReading) -> float:
    return (one.diameter_interval_mm[1] - one.diameter_interval_mm[0]) / 2


def check_same(found: list[StrandReading], share_of_interval: float) -> None:
    for one, still in zip(found, reference(), strict=True):
        allowed = share_of_interval * half_interval(still)
        assert one.diameter_mm == pytest.approx(still.diameter_mm, abs=allowed)


def test_the_reference_is_right() -> None:
    # Asked for of shaded strands: 3 %.
    for one, true in zip(reference(), TRUE_MM, strict=True):
        assert one.diameter_mm == pytest.approx(true, rel=0.03)


# ------------------------------------------------------------------------- turned, mirrored


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_quarter_turns_change_nothing(turns: int) -> None:
    turned = np.ascontiguousarray(np.rot90(plain(), turns))
    found = read(to_png(turned))
    check_same(found, 0.35)
    # Numbers go down the card, not down the picture.
    assert [r.number for r in found] == [r.number for r in reference()]


@pytest.mark.parametrize("turns", [0, 1])
def test_a_mirrored_picture_is_refused(turns: int) -> None:
    mirrored = np.ascontiguousarray(np.rot90(plain()[:, ::-1], turns))
    reading = measure_picture(to_png(mirrored))
    assert not reading.strands
    assert [r.code for r in reading.refusals] == ["mirrored"]


# ------------------------------------------------------------------------------ tilted, bent


@pytest.mark.parametrize(
    "camera",
    [
        replace(CAMERA, tilt_deg=20.0, tilt_azimuth_deg=90.0, roll_deg=12.0, px_per_mm=16.0),
        replace(CAMERA, tilt_deg=35.0, tilt_azimuth_deg=215.0, k1=-0.1, px_per_mm=18.0),
        replace(CAMERA, tilt_deg=28.0, tilt_azimuth_deg=0.0, k1=0.1, quarter_turns=1),
    ],
    ids=["20 across", "35 oblique, barrel", "28 along, pincushion"],
)
def test_tilt_and_distortion_change_a_reading_by_less_than_its_interval(camera: Camera) -> None:
    # Asked for: tilt to 35 degrees, quarter turns and k1 of +-0.1.
    pixels, truth = draw(CARD, STRANDS, LIGHT, camera, seed=6)
    found, invented = assigned(measure_picture(to_png(pixels)), truth)
    assert not invented
    for one, still, true in zip(found, reference(), TRUE_MM, strict=True):
        assert one is not None
        assert abs(one.diameter_mm - still.diameter_mm) < half_interval(one)
        assert abs(one.diameter_mm / true - 1) < 0.03


# ---------------------------------------------------------------------------- scaled, recoded


def test_a_picture_made_smaller_reads_the_same() -> None:
    smaller = cv2.resize(plain(), None, fx=0.75, fy=0.75, interpolation=cv2.INTER_AREA)
    check_same(read(to_png(smaller)), 1.0)


def test_a_jpeg_reads_the_same() -> None:
    check_same(read(to_jpeg(plain(), 90)), 1.0)


def test_exposure_and_white_balance_change_nothing() -> None:
    linear = decode_srgb(plain()).astype(float) * np.array([0.75, 0.62, 0.5])
    check_same(read(to_png(encode_srgb(linear))), 0.5)


def test_a_larger_canvas_changes_nothing() -> None:
    # A photograph cropped or padded unevenly: its lens axis is no longer in the middle.
    padded = cv2.copyMakeBorder(plain(), 60, 0, 0, 110, cv2.BORDER_CONSTANT, value=(150, 150, 150))
    check_same(read(to_png(padded)), 0.5)


# -------------------------------------------------------------------------------- units


def test_a_printer_that_prints_large_makes_strands_thicker_in_proportion() -> None:
    larger = read(to_png(plain()), Settings(printer=Printer(1.02, 1.02)))
    for one, still in zip(larger, reference(), strict=True):
        # Cuts stay 1 mm long, so that they fall elsewhere: a third of the interval, no more.
        allowed = 0.35 * half_interval(still)
        assert one.diameter_mm == pytest.approx(1.02 * still.diameter_mm, abs=allowed)
        assert one.diameter_mm / still.diameter_mm == pytest.approx(1.02, abs=0.005)


def test_wraps_are_inches_over_diameter() -> None:
    # 25.4 mm to the inch, exactly (international yard and pound agreement, 1959).
    for one in reference():
        assert one.wpi * one.diameter_mm == pytest.approx(25.4, rel=1e-12)
        low, high = one.diameter_interval_mm
        assert one.wpi_interval == pytest.approx((25.4 / high, 25.4 / low), rel=1e-12)
    squeezed = read(to_png(plain()), Settings(wrap_factor=0.8))
    for one, still in zip(squeezed, reference(), strict=True):
        assert one.diameter_mm == still.diameter_mm
        assert one.wpi == pytest.approx(still.wpi / 0.8, rel=1e-12)


def test_a_reading_is_the_same_every_time_and_whole() -> None:
    again = read(to_png(plain()))
    for one, still in zip(again, reference(), strict=True):
        assert one.diameter_mm == still.diameter_mm
        assert np.array_equal(one.along.diameter_mm, still.along.diameter_mm)
        # The budget adds up as the GUM says: u^2 is the sum of its parts' squares.
        parts = math.sqrt(sum(u * u for u in one.budget_mm.values()))
        assert one.u_diameter_mm == pytest.approx(parts, rel=1e-9)
        # The running profile is sampled at least every 0.25 mm where it runs.
        steps = np.diff(one.along.position_mm)
        assert np.median(steps) <= 0.2501


def test_outlines_lie_on_the_strand() -> None:
    for one, true in zip(reference(), TRUE_MM, strict=True):
        width = np.hypot(*(one.outline.right_px - one.outline.left_px).T)
        assert np.median(width) == pytest.approx(true * CAMERA.px_per_mm, rel=0.04)
