"""The scale against drawn pictures of the card, whose view is known, and against OpenCV.

Truth is `analytic.draw`: closed forms, nothing of the measuring code but the card's geometry.
Outside checks: cv2.findHomography, cv2.solvePnP and cv2.projectPoints (OpenCV's own corner
arithmetic), the photographs that ship with scikit-image, and the inch of 25.4 mm exactly
(international yard and pound agreement, 1959).
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import pytest
import skimage.data
from analytic import SCANNER, Camera, Light, Strand, Truth, draw, to_jpeg
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from measure.card import Card, newest_card
from measure.errors import MeasureError
from measure.linear_light import decode_srgb, encode_srgb
from measure.picture import Picture, read_picture
from measure.plane_map import Pinhole
from measure.scale import Scale, find_scale, scale_from_dpi, scale_from_marks
from measure.settings import Printer

Floats = NDArray[np.float64]

DESK, POCKET = newest_card("desk"), newest_card("pocket")
NEAR = Camera(px_per_mm=8.0, distance_mm=130.0)
"""A phone-like view of the pocket card: focal length 0.9 times the picture's diagonal."""

WAYS = (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([0.6, 0.8]))


def picture_of(pixels: Any, **facts: Any) -> Picture:
    return replace(Picture(pixels, None, None, False, "drawn"), **facts)


@lru_cache(maxsize=8)
def drawn(card: Card, camera: Camera, seed: int = 0) -> tuple[NDArray[np.uint8], Truth]:
    return draw(card, (), Light(), camera, seed)


def places(card: Card, inset_mm: float = 1.0) -> Floats:
    x = np.linspace(inset_mm, card.width_mm - inset_mm, 13)
    y = np.linspace(inset_mm, card.height_mm - inset_mm, 7)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def true_mm_per_px(truth: Truth, points: Floats, way: Floats) -> Floats:
    """By central differences of the drawn view over 2 um."""
    ends = truth.to_picture(points + 1e-3 * way) - truth.to_picture(points - 1e-3 * way)
    return np.asarray(2e-3 / np.linalg.norm(ends, axis=1))


def u_of_fit(scale: Scale, points: Floats, way: Floats) -> Floats:
    """What the fit alone leaves open; the drawn card came from no printer."""
    return np.sqrt(scale.u_relative(points, way) ** 2 - scale.u_common**2)


def assert_true(
    scale: Scale, truth: Truth, card: Card, px: float = 0.1, relative: float = 1e-3
) -> None:
    points = places(card)
    off_px = np.linalg.norm(scale.to_picture(points) - truth.to_picture(points), axis=1)
    assert off_px.max() < px
    for way in WAYS:
        error = scale.mm_per_px(points, way) / true_mm_per_px(truth, points, way) - 1
        assert np.abs(error).max() < relative
        assert np.mean(np.abs(error) < 3 * u_of_fit(scale, points, way)) >= 0.95
    assert np.allclose(scale.to_card(scale.to_picture(points)), points, rtol=0, atol=1e-9)


def off_direction_deg(scale: Scale, truth: Truth, card: Card) -> float:
    """Angle at the card's middle between the found and the true line of sight."""
    middle = np.array([card.width_mm / 2, card.height_mm / 2, 0.0])
    assert truth.camera_centre_mm is not None
    a, b = scale.camera_mm - middle, np.array(truth.camera_centre_mm) - middle
    sine = np.linalg.norm(np.cross(a, b)) / np.linalg.norm(a) / np.linalg.norm(b)
    return float(np.degrees(np.arcsin(min(1.0, sine))))


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_quarter_turns(turns: int) -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, tilt_deg=12, quarter_turns=turns))
    scale = find_scale(picture_of(pixels))
    assert_true(scale, truth, POCKET)
    assert off_direction_deg(scale, truth, POCKET) < 0.3
    assert scale.markers_seen == len(POCKET.markers)
    assert scale.card is POCKET


@pytest.mark.parametrize(
    ("tilt", "azimuth", "k1", "roll"),
    [(0, 0, 0, 37), (15, 0, 0.1, 0), (15, 200, -0.1, 0), (35, 90, 0, 5), (35, 330, 0.1, 0)],
)
def test_tilt_and_distortion(tilt: float, azimuth: float, k1: float, roll: float) -> None:
    camera = replace(NEAR, tilt_deg=tilt, tilt_azimuth_deg=azimuth, k1=k1, roll_deg=roll)
    pixels, truth = drawn(POCKET, camera)
    scale = find_scale(picture_of(pixels))
    assert_true(scale, truth, POCKET)
    assert scale.tilt_deg == pytest.approx(tilt, abs=0.5)
    assert off_direction_deg(scale, truth, POCKET) < 0.5
    # Within what the stated covariance allows: chi-square of 3 degrees, 99.9 % is 16.3.
    off = scale.camera_mm - np.array(truth.camera_centre_mm)
    assert off @ np.linalg.solve(scale.u_camera_mm, off) < 16.3


@pytest.mark.parametrize("blur", [0.6, 1.3, 2.0])
def test_blur_noise_and_jpeg(blur: float) -> None:
    camera = replace(NEAR, px_per_mm=11, tilt_deg=8, blur_px=blur, noise=0.01, shot=1e-4)
    pixels, truth = drawn(POCKET, camera)
    scale = find_scale(read_picture(to_jpeg(pixels, 80)))
    assert_true(scale, truth, POCKET)
    assert scale.blur_px == pytest.approx(truth.edge_spread_px, rel=0.04)


def test_the_desk_card_from_a_webcam() -> None:
    camera = Camera(px_per_mm=3.3, distance_mm=300, tilt_deg=6, noise=0.01)
    pixels, truth = drawn(DESK, camera)
    scale = find_scale(picture_of(pixels))
    assert_true(scale, truth, DESK)
    assert scale.card is DESK


def test_truth_lies_within_the_uncertainty_over_many_seeds() -> None:
    camera = replace(NEAR, tilt_deg=10, noise=0.04)
    points, outside, count = places(POCKET), 0, 0
    for seed in range(5):
        pixels, truth = drawn(POCKET, camera, seed)
        scale = find_scale(picture_of(pixels))
        for way in WAYS:
            error = scale.mm_per_px(points, way) / true_mm_per_px(truth, points, way) - 1
            outside += int(np.sum(np.abs(error) > 3 * u_of_fit(scale, points, way)))
            count += len(points)
    assert outside <= 0.05 * count


def test_doubt_grows_with_the_noise_and_away_from_the_markers_seen() -> None:
    camera = replace(NEAR, tilt_deg=10)
    point, way = np.array([[40.0, 27.0]]), WAYS[1]
    quiet, _ = drawn(POCKET, camera)
    noisy, _ = drawn(POCKET, replace(camera, noise=0.15))
    u = [u_of_fit(find_scale(picture_of(pixels)), point, way)[0] for pixels in (quiet, noisy)]
    assert u[1] > 2 * u[0]
    half = quiet.copy()
    half[:, : half.shape[1] // 2] = 90
    partial = find_scale(picture_of(half))
    seen, hidden = u_of_fit(partial, np.array([[70.0, 27.0], [10.0, 27.0]]), way)
    assert hidden > 2 * seen
    assert seen > u[0]


def test_half_the_card_hidden() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, px_per_mm=10, tilt_deg=10))
    hidden = pixels.copy()
    hidden[:, : pixels.shape[1] * 55 // 100] = (150, 110, 90)
    scale = find_scale(picture_of(hidden))
    assert scale.markers_seen <= 9
    assert_true(scale, truth, POCKET)


def test_a_thumb_over_markers_and_a_strand_across_them() -> None:
    pixels, truth = draw(
        POCKET, (Strand("banded", 0.0, 1.2),), Light(), replace(NEAR, px_per_mm=10, tilt_deg=5), 1
    )
    covered = pixels.copy()
    h, w = pixels.shape[:2]
    cv2.ellipse(covered, (w // 3, h), (w // 7, h // 3), 0, 0, 360, (190, 140, 120), -1)
    cv2.line(covered, (0, h // 10), (w, h // 3), (40, 60, 90), 9, cv2.LINE_AA)
    scale = find_scale(picture_of(covered))
    assert 5 <= scale.markers_seen < len(POCKET.markers)
    assert_true(scale, truth, POCKET)


def test_a_cropped_picture_has_its_lens_axis_off_the_middle() -> None:
    pixels, truth = drawn(DESK, Camera(px_per_mm=7, tilt_deg=25, distance_mm=200))
    x0, y0 = pixels.shape[1] // 3, pixels.shape[0] // 5
    scale = find_scale(picture_of(np.ascontiguousarray(pixels[y0:, x0:])))
    points = places(DESK)
    seen_at = truth.to_picture(points) - [x0, y0]
    inside = (seen_at > 0).all(axis=1)
    off_px = np.linalg.norm(scale.to_picture(points) - seen_at, axis=1)
    assert off_px[inside].max() < 0.1
    assert isinstance(scale.plane, Pinhole)
    true_axis = (np.array(pixels.shape[1::-1]) - 1) / 2 - [x0, y0]
    u_axis = np.sqrt(np.diag(scale.plane.covariance)[8:10])
    assert np.all(np.abs(scale.plane.centre_px - true_axis) < 3 * u_axis)
    assert u_axis[0] < 10
    off = scale.camera_mm - np.array(truth.camera_centre_mm)
    assert np.all(np.abs(off) < 3 * np.sqrt(np.diag(scale.u_camera_mm)))


def test_spread_ink_does_not_change_the_scale() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, px_per_mm=10))
    # Dark grown by one picture element all round: the print spread by 0.1 mm.
    grown = cv2.erode(pixels, np.ones((3, 3), np.uint8))
    scale = find_scale(picture_of(grown))
    assert_true(scale, truth, POCKET)
    assert scale.plane.ink_spread_mm == pytest.approx(0.1, abs=0.01)


def test_a_bent_card_widens_the_doubt_where_it_is_bent() -> None:
    pixels, _ = drawn(DESK, Camera(px_per_mm=7, tilt_deg=20, distance_mm=250))
    h, w = pixels.shape[:2]
    rows, columns = np.mgrid[0:h, 0:w].astype(np.float32)
    # Its right half rises to 3 mm: that moves it by tan(20 deg) times its height in the picture.
    rise_mm = 3 * np.clip((columns - w / 2) / (w / 2), 0, 1) ** 2
    bent = cv2.remap(
        pixels, columns, (rows + 7 * 0.364 * rise_mm).astype(np.float32), cv2.INTER_CUBIC
    )
    flat_scale, scale = find_scale(picture_of(pixels)), find_scale(picture_of(bent))
    right = np.array([[165.0, 35.0]])
    assert u_of_fit(scale, right, WAYS[1])[0] > 0.002
    assert u_of_fit(scale, right, WAYS[1])[0] > 10 * u_of_fit(flat_scale, right, WAYS[1])[0]


def test_agrees_with_opencv_on_the_same_card() -> None:
    """cv2.findHomography and cv2.solvePnP on corners by cv2.cornerSubPix in linear light."""
    pixels, truth = drawn(POCKET, replace(NEAR, px_per_mm=12, tilt_deg=18, noise=0.0))
    scale = find_scale(picture_of(pixels, focal_px=truth.focal_px))
    corners_mm = np.concatenate([m.corners_mm() for m in POCKET.markers])
    rough = truth.to_picture(corners_mm) + 0.7
    grey = decode_srgb(pixels[..., 1])
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    found = cv2.cornerSubPix(
        grey, rough.astype(np.float32).reshape(-1, 1, 2), (4, 4), (-1, -1), stop
    ).reshape(-1, 2)
    homography = cv2.findHomography(corners_mm, found, cv2.RANSAC, 2.0)[0]
    points = places(POCKET)
    theirs = cv2.perspectiveTransform(points[None], homography)[0]
    assert np.linalg.norm(scale.to_picture(points) - theirs, axis=1).max() < 0.15
    h, w = grey.shape
    focal = truth.focal_px
    matrix = np.array([[focal, 0, (w - 1) / 2], [0, focal, (h - 1) / 2], [0, 0, 1.0]])
    flat = np.column_stack([corners_mm, np.zeros(len(corners_mm))])
    _, turn, shift = cv2.solvePnP(flat, found.astype(float), matrix, None)
    centre = (-cv2.Rodrigues(turn)[0].T @ shift).ravel() * [1, 1, -1]
    u = np.sqrt(np.diag(scale.u_camera_mm))
    assert np.all(np.abs(scale.camera_mm - centre) < 4 * u + 0.01 * np.linalg.norm(centre))


def test_the_map_is_opencvs_distortion_model() -> None:
    """cv2.projectPoints with the same pose and k1 lands on the same pixels."""
    turn = cv2.Rodrigues(np.array([0.3, -0.2, 0.5]))[0]
    plane = Pinhole(
        np.array([40.0, 20.0]), turn, np.array([5.0, -3.0, 180.0]), np.log(1500.0), -0.08,
        np.array([640.0, 360.0]), 0.0, np.zeros((11, 11)),
    )  # fmt: skip
    points = places(POCKET)
    flat = np.column_stack([points - plane.pivot_mm, np.zeros(len(points))])
    matrix = np.array([[1500.0, 0, 640], [0, 1500, 360], [0, 0, 1]])
    distortion = np.array([-0.08, 0, 0, 0])
    theirs = cv2.projectPoints(
        flat, cv2.Rodrigues(turn)[0], plane.translation_mm, matrix, distortion
    )[0].reshape(-1, 2)
    assert np.allclose(plane.to_picture(points), theirs, rtol=0, atol=1e-8)
    assert np.allclose(plane.to_card(theirs), points, rtol=0, atol=1e-8)


def test_any_leading_shape_is_mapped_and_comes_back() -> None:
    pixels, _ = drawn(POCKET, replace(NEAR, tilt_deg=12))
    scale = find_scale(picture_of(pixels))
    points = places(POCKET)[:90].reshape(3, 5, 6, 2)
    there = scale.to_picture(points)
    assert there.shape == points.shape
    assert np.array_equal(there[1, 2, 3], scale.to_picture(points[1, 2, 3]))
    assert np.allclose(scale.to_card(there), points, rtol=0, atol=1e-9)


@settings(max_examples=3, deadline=None, derandomize=True)
@given(
    roll=st.floats(-180, 180),
    px_per_mm=st.floats(5, 9),
    tilt=st.floats(0, 20),
    seed=st.integers(0, 9),
)
def test_turning_and_scaling_the_picture_leaves_millimetres_alone(
    roll: float, px_per_mm: float, tilt: float, seed: int
) -> None:
    camera = replace(NEAR, roll_deg=roll, px_per_mm=px_per_mm, tilt_deg=tilt)
    pixels, truth = draw(POCKET, (), Light(), camera, seed)
    scale = find_scale(picture_of(pixels))
    ends = np.array([[12.0, 22.0], [71.0, 31.0]])
    seen = scale.to_card(truth.to_picture(ends))
    length = np.linalg.norm(seen[1] - seen[0])
    assert length == pytest.approx(np.hypot(59.0, 9.0), rel=2e-4)


def test_the_printers_factors_stretch_the_millimetres() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, tilt_deg=8))
    printer = Printer(x=0.94, y=0.97, u_relative=0.0005)
    scale = find_scale(picture_of(pixels), printer)
    nominal = places(POCKET)
    off = scale.to_picture(nominal * [0.94, 0.97]) - truth.to_picture(nominal)
    assert np.abs(off).max() < 0.1
    plain = find_scale(picture_of(pixels))
    middle = np.array([[40.0, 25.0]])
    assert scale.u_relative(middle, WAYS[1])[0] < plain.u_relative(middle, WAYS[1])[0]
    ratio = scale.mm_per_px(middle * [0.94, 0.97], WAYS[0]) / plain.mm_per_px(middle, WAYS[0])
    assert ratio[0] == pytest.approx(0.94, rel=1e-4)


@pytest.mark.parametrize(("factor", "u"), [(0.0, 0.001), (float("nan"), 0.001), (1.0, -0.1)])
def test_an_absurd_printer_is_not_taken(factor: float, u: float) -> None:
    with pytest.raises(ValueError, match="printer"):
        Printer(x=factor, u_relative=u)


def test_a_known_focal_length_fixes_the_camera_and_an_unknown_one_says_so() -> None:
    pixels, truth = drawn(POCKET, NEAR)
    assert truth.camera_centre_mm is not None
    height = truth.camera_centre_mm[2]
    known = find_scale(picture_of(pixels, focal_px=truth.focal_px))
    blind = find_scale(picture_of(pixels))
    assert known.camera_mm[2] == pytest.approx(height, rel=0.03)
    assert np.sqrt(known.u_camera_mm[2, 2]) / height < 0.05
    assert np.sqrt(blind.u_camera_mm[2, 2]) / height > 0.3
    assert abs(blind.camera_mm[2] - height) < 2 * np.sqrt(blind.u_camera_mm[2, 2])


def test_a_scan_is_seen_straight_down_everywhere() -> None:
    pixels, truth = drawn(POCKET, replace(SCANNER, px_per_mm=300 / 25.4, roll_deg=1.5))
    scale = find_scale(picture_of(pixels, dpi=(300.0, 300.0)))
    assert_true(scale, truth, POCKET)
    assert scale.camera_mm[2] == 1e6
    assert scale.tilt_deg is None
    stretched = cv2.resize(pixels, None, fx=1.03, fy=1.0, interpolation=cv2.INTER_CUBIC)
    other = find_scale(picture_of(stretched, dpi=(300.0, 300.0)))
    point = np.array([[40.0, 25.0]])
    ratio = scale.mm_per_px(point, WAYS[0]) / other.mm_per_px(point, WAYS[0])
    assert ratio[0] == pytest.approx(1.03, rel=1e-3)


def test_a_photograph_with_a_fitting_dpi_tag_is_no_scan() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, px_per_mm=300 / 25.4, tilt_deg=10))
    scale = find_scale(picture_of(pixels, dpi=(300.0, 300.0)))
    assert scale.camera_mm[2] < 1e4
    assert_true(scale, truth, POCKET)


def test_grey_and_sixteen_bit_pictures_give_the_same() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, tilt_deg=5))
    grey = np.ascontiguousarray(pixels[..., 1])
    deep = pixels.astype(np.uint16) * 257
    for other in (grey, deep):
        assert_true(find_scale(picture_of(other)), truth, POCKET)


def test_the_card_that_shows_most_markers_is_taken() -> None:
    desk, truth = drawn(DESK, Camera(px_per_mm=6, distance_mm=250))
    pocket, _ = drawn(POCKET, replace(NEAR, px_per_mm=6))
    both = np.full((desk.shape[0] + pocket.shape[0], desk.shape[1], 3), 90, np.uint8)
    both[: desk.shape[0]] = desk
    both[desk.shape[0] :, : pocket.shape[1]] = pocket
    scale = find_scale(picture_of(both))
    assert scale.card is DESK
    points = places(DESK)
    assert np.abs(scale.to_picture(points) - truth.to_picture(points)).max() < 0.1


def test_uneven_light_moves_nothing() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, px_per_mm=10, tilt_deg=5))
    w = pixels.shape[1]
    gain = np.exp(-1.2 * np.arange(w) / w)[None, :, None]
    dimmed = encode_srgb(decode_srgb(pixels) * gain)
    assert_true(find_scale(picture_of(dimmed)), truth, POCKET)


def test_mirrored_pictures_are_refused() -> None:
    pixels, _ = drawn(POCKET, replace(NEAR, mirrored=True, quarter_turns=1))
    with pytest.raises(MeasureError, match="mirrored") as refusal:
        find_scale(picture_of(pixels))
    assert refusal.value.code == "mirrored"


def test_too_much_tilt_is_refused() -> None:
    pixels, _ = drawn(POCKET, replace(NEAR, tilt_deg=43))
    with pytest.raises(MeasureError, match=r"4[23] degrees") as refusal:
        find_scale(picture_of(pixels))
    assert refusal.value.code == "tilted_too_far"


def test_one_marker_is_too_few() -> None:
    pixels, truth = drawn(POCKET, replace(NEAR, px_per_mm=10))
    first = POCKET.markers[0].corners_mm()
    (left, top), (right, bottom) = truth.to_picture(np.array([first[0] - 1, first[2] + 0.8]))
    alone = np.full_like(pixels, 200)
    window = np.s_[int(top) : int(bottom) + 1, int(left) : int(right) + 1]
    alone[window] = pixels[window]
    with pytest.raises(MeasureError) as refusal:
        find_scale(picture_of(alone))
    assert refusal.value.code == "too_few_markers"


@pytest.mark.parametrize("name", ["camera", "coffee", "text", "page"])
def test_photographs_without_a_card(name: str) -> None:
    """Photographs shipped with scikit-image."""
    with pytest.raises(MeasureError) as refusal:
        find_scale(picture_of(getattr(skimage.data, name)()))
    assert refusal.value.code == "no_card"
    assert refusal.value.advice


def test_dpi_scale() -> None:
    picture = picture_of(np.zeros((600, 900), np.uint8), dpi=(300.0, 600.0))
    scale = scale_from_dpi(picture)
    assert not scale.verified
    assert scale.card is None
    inch = scale.to_card(np.array([[0.0, 0.0], [300.0, 600.0]]))
    assert np.ptp(inch, axis=0) == pytest.approx([25.4, 25.4], rel=1e-12)
    assert scale.u_relative(inch, WAYS[1]) == pytest.approx([0.01, 0.01])
    assert scale.camera_mm[2] == 1e6


@pytest.mark.parametrize(
    "facts",
    [
        {"dpi": None},
        {"dpi": (72.0, 72.0)},
        {"dpi": (96.0, 96.0)},
        {"dpi": (300.0, 300.0), "camera_made": True},
        {"dpi": (300.0, 300.0), "focal_px": 3000.0},
    ],
)
def test_dpi_that_no_scanner_wrote_is_refused(facts: dict[str, Any]) -> None:
    with pytest.raises(MeasureError) as refusal:
        scale_from_dpi(picture_of(np.zeros((600, 900), np.uint8), **facts))
    assert refusal.value.code == "no_dpi"


def test_a_card_gives_its_own_scale_and_no_dpi_tag_does() -> None:
    pixels, _ = drawn(POCKET, replace(SCANNER, px_per_mm=300 / 25.4))
    with pytest.raises(MeasureError) as refusal:
        scale_from_dpi(picture_of(pixels, dpi=(300.0, 300.0)))
    assert refusal.value.code == "card_seen"


def test_marks_scale() -> None:
    picture = picture_of(np.zeros((600, 900), np.uint8))
    scale = scale_from_marks(picture, np.array([100.0, 50.0]), np.array([400.0, 450.0]), 25.0)
    ends = scale.to_card(np.array([[0.0, 0.0], [30.0, 40.0]]))
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(2.5, rel=1e-12)
    # Two marks of 1 px on 500 px, and the 1 % for a view that nobody knows to be square.
    expected = np.hypot(np.sqrt(2) / 500, 0.01)
    assert scale.u_relative(ends, WAYS[0]) == pytest.approx([expected, expected])


@pytest.mark.parametrize(("far", "distance"), [(5.0, 20.0), (300.0, 0.0), (300.0, float("nan"))])
def test_marks_that_give_no_scale(far: float, distance: float) -> None:
    picture = picture_of(np.zeros((600, 900), np.uint8))
    with pytest.raises(MeasureError) as refusal:
        scale_from_marks(picture, np.array([10.0, 10.0]), np.array([10.0 + far, 10.0]), distance)
    assert refusal.value.code == "bad_marks"
