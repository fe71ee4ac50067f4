"""The camera's meters against drawn pictures whose blur, exposure, size and tilt are known."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import pytest
from analytic import Camera, Light, Strand, draw
from numpy.typing import NDArray

from measure import CameraHelp, follow, newest_card, read_picture
from measure.camera_help import camera_help
from measure.linear_light import decode_srgb, encode_srgb

CARD = newest_card("pocket")
CAMERA = Camera(px_per_mm=10.0, distance_mm=230, tilt_deg=4, blur_px=0.8, noise=0.004)
STRAND = Strand(diameter_mm=0.9, albedo_rgb=(0.3, 0.12, 0.4), offset_mm=0.5)
LIGHT = Light(sky=0.5, lamp=0.2, unshaded=0.3, lean_deg=20, softness_mm=0.2, scatter=0.3)


@lru_cache(maxsize=16)
def drawn(camera: Camera = CAMERA, strands: tuple[Strand, ...] = (STRAND,)) -> NDArray[np.uint8]:
    return draw(CARD, strands, LIGHT, camera, 5)[0]


def help_for(pixels: NDArray[Any], strand_mm: float | None = None) -> CameraHelp:
    picture = read_picture(pixels)
    reading, seen = follow(picture)
    return camera_help(picture, reading, seen, strand_mm)


def poor(found: CameraHelp) -> list[str]:
    return [meter.name for meter in found.meters if meter.state == "poor"]


def test_a_camera_that_stands_well() -> None:
    found = help_for(drawn())
    assert poor(found) == []
    assert found.advice == ""
    # The blur drawn and a pixel's own aperture, 1/12 px^2, in quadrature.
    assert found.focus.value == pytest.approx(np.sqrt(0.8**2 + 1 / 12), rel=0.03)
    assert found.blur_mm == pytest.approx(np.sqrt(0.8**2 + 1 / 12) / 10, rel=0.04)
    assert found.pixels.value == pytest.approx(9.0, rel=0.03)
    assert found.pixels.unit == "px"
    assert found.tilt.value == pytest.approx(4.0, abs=0.5)
    # Paper white is drawn at an exposure of 0.8.
    assert found.light.value == pytest.approx(80.0, abs=3.0)
    assert found.glare.value == 0.0
    assert found.strand_mm == pytest.approx(0.9, rel=0.03)


def test_without_a_strand_it_is_set_up_for_the_one_aimed_at() -> None:
    bare = drawn(strands=())
    fine, thick = help_for(bare), help_for(bare, 2.0)
    assert fine.pixels.unit == thick.pixels.unit == "px/mm"
    assert fine.pixels.value == pytest.approx(10.0, rel=0.02)
    # 8 px across 0.5 mm are 16 px/mm; 10 of them there are, at 62.5 % of the distance 16 would be.
    assert poor(fine) == ["pixels"]
    assert "63 %" in fine.advice or "62 %" in fine.advice
    assert poor(thick) == []
    assert thick.advice.startswith("Lay the strand")
    assert thick.needed_blur_mm == pytest.approx(4 * fine.needed_blur_mm)


def test_out_of_focus() -> None:
    found = help_for(drawn(replace(CAMERA, blur_px=2.6)))
    assert "focus" in poor(found)
    assert found.focus.value == pytest.approx(np.sqrt(2.6**2 + 1 / 12), rel=0.05)
    assert found.advice.startswith("Focus on the card")


def test_a_card_that_moved() -> None:
    light = decode_srgb(drawn())
    moved = encode_srgb(cv2.blur(light, (1, 7)))
    found = help_for(moved)
    assert "focus" in poor(found)
    # 7 px of even motion spread as sqrt(7^2 / 12) px, besides what was there; the ramp they make
    # of an edge is not quite the curve that is fitted to it.
    assert found.focus.value == pytest.approx(np.sqrt(7**2 / 12 + 0.8**2 + 1 / 12), rel=0.2)
    assert found.advice == "Hold card and camera still."


def test_a_lamp_mirrored_in_the_card() -> None:
    light = decode_srgb(drawn())
    rows, columns = np.indices(light.shape[:2])
    away = np.hypot(rows - 330, columns - 300) / 60
    found = help_for(encode_srgb(light + 0.5 * np.exp(-0.5 * away**2)[..., None]))
    assert "glare" in poor(found)
    assert found.advice.startswith("Move the lamp")


def test_burnt_paper() -> None:
    found = help_for(drawn(replace(CAMERA, exposure=1.25)))
    assert poor(found) == ["glare"]
    assert found.advice.startswith("Lower the exposure")


def test_too_dark() -> None:
    found = help_for(drawn(replace(CAMERA, exposure=0.06)))
    assert "light" in poor(found)
    assert found.light.value == pytest.approx(6.0, abs=0.5)
    assert found.advice == "Give the card more light."


def test_too_far_away() -> None:
    found = help_for(drawn(replace(CAMERA, px_per_mm=6.0, blur_px=0.6)))
    assert "pixels" in poor(found)
    # 5.4 px across want 8.
    assert "68 %" in found.advice or "67 %" in found.advice


def test_a_strand_that_was_refused_counts() -> None:
    found = help_for(drawn(replace(CAMERA, px_per_mm=4.0, blur_px=0.5), (STRAND,)))
    assert found.pixels.unit == "px"
    assert found.pixels.value == pytest.approx(3.6, abs=1.0)
    assert "closer" in found.advice


def test_held_askew() -> None:
    found = help_for(drawn(replace(CAMERA, px_per_mm=13.0, tilt_deg=27)))
    assert poor(found) == ["tilt"]
    assert found.advice.startswith("Hold the camera straight above")


def test_without_a_card() -> None:
    found = help_for(np.full((400, 600, 3), 140, np.uint8))
    assert [meter.state for meter in found.meters] == ["unknown"] * 2 + ["good"] + ["unknown"] * 2
    assert "markers" in found.advice
    dark = help_for(np.full((400, 600, 3), 30, np.uint8))
    assert dark.advice == "Give the card more light."


def test_grey_and_sixteen_bit_pictures_are_helped_alike() -> None:
    colour = drawn()
    deep = colour.astype(np.uint16) * 257
    for pixels in (colour[..., 1].copy(), deep):
        found = help_for(pixels)
        assert poor(found) == []
        assert found.light.value == pytest.approx(80.0, abs=4.0)
