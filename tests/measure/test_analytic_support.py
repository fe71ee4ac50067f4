"""The drawn pictures that serve as truth must themselves be right; checked by independent sums.

Everything expected here comes from elementary geometry (area of a band, tangents to a circle) or
from a closed form written out beside the check.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from analytic import (
    FLAT,
    SCANNER,
    Camera,
    Floats,
    Light,
    OpenLane,
    Strand,
    draw,
    draw_linear,
    encode_srgb,
    to_jpeg,
    to_png,
)
from PIL import Image

from measure.card import MARKER_FAMILY, Card, newest_card

POCKET = newest_card("pocket")
DESK = newest_card("desk")
STRAIGHT = Camera(px_per_mm=20.0, distance_mm=None, noise=0.0, width_px=420, height_px=700)
"""Straight down, parallel rays, the middle part of the card."""

WHITE = Light(sky=0.0, unshaded=1.0)
"""Round strands that neither shade nor are shaded: only their outline shows."""


def markers_seen(linear: Floats) -> dict[int, Floats]:
    """Marker number to corners (4, 2), by OpenCV alone.

    In linear light: the sRGB curve would shift every dark edge by half its spread.
    """
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARKER_FAMILY), options)
    grey = np.ascontiguousarray(np.rint(255 * linear[..., 1]).astype(np.uint8))
    corners, numbers, _ = detector.detectMarkers(grey)
    if numbers is None:
        return {}
    return {int(n): c[0] for n, c in zip(numbers.ravel(), corners, strict=True)}


def column_sums(
    strand: Strand, light: Light, camera: Camera, x_mm: Floats, card: Card = POCKET
) -> tuple[Floats, Floats]:
    """Width in px of a black strand on paper down some columns, and which columns those are.

    Blur moves no light out of a column's sum as long as the ground is even along the column.
    """
    picture, truth = draw_linear(card, [strand], light, camera)
    lane = card.lane("open")
    middle = lane.y_mm + lane.height_mm / 2
    at = truth.to_picture(np.column_stack([x_mm, np.full_like(x_mm, middle)]))
    columns = np.unique(np.rint(at[:, 0]).astype(int))
    top, bottom = (
        truth.to_picture(np.array([[card.width_mm / 2, middle + d]]))[0, 1] for d in (-4.5, 4.5)
    )
    rows = slice(round(top), round(bottom))
    missing = 1 - picture[rows, columns, 1] / camera.exposure
    return missing.sum(axis=0), columns


@pytest.mark.parametrize("width_px", [4.0, 5.3, 9.7, 24.2, 60.1])
@pytest.mark.parametrize("slope", [0.0, 0.037])
def test_flat_strand_covers_its_own_area(width_px: float, slope: float) -> None:
    # A straight band of width d at slope m takes d * sqrt(1 + m^2) of every column.
    camera = replace(STRAIGHT, blur_px=0.9)
    strand = Strand("open", 0.013, width_px / 20, (0.0, 0.0, 0.0), slope=slope)
    sums, _ = column_sums(strand, FLAT, camera, np.linspace(33, 52, 40))
    assert np.abs(sums / (width_px * math.hypot(1, slope)) - 1).max() < 5e-4


def test_flat_strand_under_roll_keeps_its_area() -> None:
    # Turned by 30 degrees, every column cuts d / cos 30 of it.
    camera = replace(STRAIGHT, roll_deg=30.0, width_px=1100)
    strand = Strand("open", 0.0, 0.42, (0.0, 0.0, 0.0))
    picture, truth = draw_linear(POCKET, [strand], FLAT, camera)
    lane = POCKET.lane("open")
    middle = lane.y_mm + lane.height_mm / 2
    at = np.rint(truth.to_picture(np.array([[x, middle] for x in (35.0, 42.8, 50.0)]))).astype(int)
    for column, row in at:
        missing = 1 - picture[row - 60 : row + 61, column, 0] / camera.exposure
        assert missing.sum() == pytest.approx(0.42 * 20 / math.cos(math.radians(30)), rel=5e-4)


@pytest.mark.parametrize("diameter_mm", [0.2, 0.61, 2.0])
def test_round_strand_seen_straight_down_is_as_wide_as_it_is(diameter_mm: float) -> None:
    camera = STRAIGHT
    strand = Strand("open", -0.7, diameter_mm, (0.0, 0.0, 0.0), slope=0.02)
    sums, _ = column_sums(strand, WHITE, camera, np.linspace(33, 52, 40))
    assert np.abs(sums / (20 * diameter_mm * math.hypot(1, 0.02)) - 1).max() < 5e-4


def test_round_strand_seen_at_an_angle_is_wider_by_one_over_the_cosine() -> None:
    # Parallel rays at angle v across a cylinder: two tangent planes 2r apart meet the card
    # 2r / cos v apart; the card itself shrinks by cos v in the picture. (1/cos 21 = 1.0711, the
    # +7.2 % path-traced for the design.)
    camera = replace(STRAIGHT, tilt_deg=21.0)
    sums, _ = column_sums(
        Strand("open", 0.0, 0.8, (0.0, 0.0, 0.0)), WHITE, camera, np.linspace(33, 52, 40)
    )
    on_card_mm = sums / (20 * math.cos(math.radians(21)))
    assert on_card_mm == pytest.approx(0.8 * 1.0711, rel=5e-4)


def test_round_strand_under_a_near_camera_is_bounded_by_its_tangents() -> None:
    # Tangents from the camera's place to the circle, by the half-angle asin(r / distance).
    r, height, aside = 0.9, 120.0, 30.0
    camera = Camera(
        px_per_mm=20.0,
        noise=0.0,
        width_px=200,
        distance_mm=math.hypot(height, aside),
        tilt_azimuth_deg=90.0,
        tilt_deg=math.degrees(math.atan2(aside, height)),
    )
    offset = POCKET.height_mm / 2 - POCKET.lane("open").y_mm - POCKET.lane("open").height_mm / 2
    strand = Strand("open", offset + 8.0, 2 * r, (0.0, 0.0, 0.0))
    axis_y = 8.0
    to_axis = math.atan2(axis_y - aside, height - r)
    half = math.asin(r / math.hypot(axis_y - aside, height - r))
    edges_mm = [aside + height * math.tan(to_axis + sign * half) for sign in (-1, 1)]
    picture, truth = draw_linear(POCKET, [strand], WHITE, camera)
    middle = np.array([POCKET.width_mm / 2, POCKET.height_mm / 2])
    low, high = truth.to_picture(middle + np.array([[0.0, y] for y in edges_mm]))
    column = round(float(low[0]))
    cut = 1 - picture[int(low[1]) - 8 : int(high[1]) + 9, column, 0] / camera.exposure
    assert cut.sum() == pytest.approx(high[1] - low[1], rel=5e-4)
    rows = np.arange(int(low[1]) - 8, int(high[1]) + 9)
    assert (cut * rows).sum() / cut.sum() == pytest.approx((low[1] + high[1]) / 2, abs=0.01)


def test_shading_follows_the_closed_forms() -> None:
    # Sky beside a cylinder: x^2 / (x^2 + r^2), one half at the edge; a lamp leaning by t shades
    # from r (t - sqrt(1 + t^2)) to r (t + sqrt(1 + t^2)).
    r, lean = 1.0, 40.0
    t = math.tan(math.radians(lean))
    strand = Strand("open", 0.0, 2 * r, (0.0, 0.0, 0.0))
    camera = replace(STRAIGHT, px_per_mm=25.0, blur_px=0.5, width_px=64, height_px=900)
    lane = POCKET.lane("open")
    middle = lane.y_mm + lane.height_mm / 2
    far = r * (t + math.sqrt(1 + t * t))

    def ground(light: Light, off_mm: float) -> float:
        picture, truth = draw_linear(POCKET, [strand], light, camera)
        u, v = truth.to_picture(np.array([[POCKET.width_mm / 2, middle + off_mm]]))[0]
        column = picture[:, round(u), 0]
        return float(np.interp(v, np.arange(len(column)), column)) / camera.exposure

    for off in (1.3, -1.3, 2.0, 4.0):
        assert ground(Light(sky=1.0), off) == pytest.approx(off**2 / (off**2 + r**2), abs=0.003)
    soft = Light(sky=0.0, lamp=0.7, unshaded=0.3, lean_deg=lean, softness_mm=0.15)
    assert ground(soft, far) == pytest.approx(0.3 + 0.35, abs=0.005)
    assert ground(soft, far - 0.15) == pytest.approx(0.3 + 0.7 * 0.1587, abs=0.005)
    assert ground(soft, 1.5) == pytest.approx(0.3, abs=0.003)
    assert ground(soft, -1.4) == pytest.approx(1.0, abs=0.003)


def test_face_of_a_strand_is_lit_as_a_cylinder() -> None:
    # On top n is upright: sky 1, lamp 1 (normalised to open ground). Half a radius off, sky is
    # (1 + cos 30)/2 and a lamp leaning 30 degrees away from there meets it at cos 60 / cos 30.
    strand = Strand("open", 0.0, 4.0, (1.0, 0.5, 0.25))
    camera = replace(STRAIGHT, px_per_mm=25.0, blur_px=0.5, width_px=64, height_px=900)
    lane = POCKET.lane("open")
    middle = lane.y_mm + lane.height_mm / 2

    def face(light: Light, off_mm: float) -> Floats:
        picture, truth = draw_linear(POCKET, [strand], light, camera)
        u, v = truth.to_picture(np.array([[POCKET.width_mm / 2, middle + off_mm]]))[0]
        return np.asarray(picture[round(v), round(u)] / camera.exposure)

    sky, lamp = Light(), Light(sky=0.0, lamp=1.0, lean_deg=30.0)
    cos30 = math.cos(math.radians(30))
    assert face(sky, 0.0) == pytest.approx([1.0, 0.5, 0.25], abs=0.003)
    assert face(sky, 1.0)[0] == pytest.approx((1 + cos30) / 2, abs=0.01)
    assert face(lamp, 1.0)[0] == pytest.approx(0.5 / cos30, abs=0.02)
    assert face(lamp, -1.0)[0] == pytest.approx(1.0 / cos30, abs=0.02)
    half = Light(sky=0.0, lamp=1.0, lean_deg=30.0, scatter=0.5)
    assert face(half, 1.0)[0] == pytest.approx((0.5 / cos30 + 1) / 2, abs=0.02)


@pytest.mark.parametrize(
    ("card", "camera"),
    [
        (POCKET, Camera(px_per_mm=10.0, tilt_deg=25, tilt_azimuth_deg=70, roll_deg=17)),
        (POCKET, Camera(px_per_mm=10.0, tilt_deg=12, k1=-0.1, quarter_turns=1)),
        (DESK, Camera(px_per_mm=7.0, distance_mm=300, k1=0.1, quarter_turns=3, roll_deg=2)),
        (DESK, replace(SCANNER, px_per_mm=7.0, quarter_turns=2)),
    ],
)
def test_markers_stand_where_the_mapping_says(card: Card, camera: Camera) -> None:
    linear, truth = draw_linear(card, [], FLAT, camera)
    assert (linear.shape[1], linear.shape[0]) == truth.size_px
    seen = markers_seen(linear)
    assert set(seen) == {m.number for m in card.markers}
    off = np.stack([seen[m.number] - truth.to_picture(m.corners_mm()) for m in card.markers])
    # OpenCV's sub-pixel corner of a blurred square sits some 0.2 px inside it, the same on all
    # four corners, so a marker's middle is the finer check.
    assert np.hypot(off[..., 0], off[..., 1]).max() < 0.5
    assert np.abs(off.mean(axis=1)).max() < 0.05
    assert np.abs(off.mean(axis=(0, 1))).max() < 0.01


def test_a_mirrored_picture_hides_the_markers_and_is_mapped_all_the_same() -> None:
    camera = Camera(px_per_mm=10.0, tilt_deg=10, mirrored=True, quarter_turns=1)
    linear, truth = draw_linear(POCKET, [], FLAT, camera)
    assert not markers_seen(linear)
    upright = np.rot90(linear)[:, ::-1]
    width = upright.shape[1]
    seen = markers_seen(upright)
    for marker in POCKET.markers:
        u, v = truth.to_picture(marker.corners_mm()).mean(axis=0)
        u, v = v, linear.shape[1] - 1 - u
        assert seen[marker.number].mean(axis=0) == pytest.approx([width - 1 - u, v], abs=0.03)


@pytest.mark.parametrize("k1", [-0.1, 0.0, 0.1])
def test_printed_edges_stand_where_the_mapping_says(k1: float) -> None:
    # The area missing from a row across a marker's left edge tells where that edge is.
    camera = Camera(
        px_per_mm=14.0, tilt_deg=20, tilt_azimuth_deg=30, roll_deg=9, k1=k1, distance_mm=150
    )
    linear, truth = draw_linear(POCKET, [], FLAT, camera, ink=0.04)
    off = []
    for marker in POCKET.markers:
        y = marker.y_mm + marker.side_mm * np.linspace(0.4, 0.6, 41)
        edge = truth.to_picture(np.column_stack([np.full_like(y, marker.x_mm), y]))
        row = round(float(edge[20, 1]))
        expected = float(np.interp(row, edge[:, 1], edge[:, 0]))
        last = round(expected) + 6
        cut = linear[row, last - 12 : last + 1, 1] / camera.exposure
        off.append(last + 0.5 - ((1 - cut) / 0.96).sum() - expected)
    assert np.abs(off).max() < 0.01


def test_the_mapping_sets_scale_tilt_and_distortion_as_described() -> None:
    # At the card's centre, which is on the optical axis: px_per_mm square to the tilt, cos(tilt)
    # of it along; k1 moves a point at r_u focal lengths off the axis out by k1 r_u^3.
    camera = Camera(px_per_mm=8.0, tilt_deg=30, tilt_azimuth_deg=90.0, distance_mm=400)
    middle = np.array([POCKET.width_mm / 2, POCKET.height_mm / 2])
    _, truth = draw_linear(POCKET, [], FLAT, camera)
    across = np.ptp(truth.to_picture(middle + np.array([[-0.01, 0], [0.01, 0]]))[:, 0]) / 0.02
    along = np.ptp(truth.to_picture(middle + np.array([[0, -0.01], [0, 0.01]]))[:, 1]) / 0.02
    assert (across, along) == pytest.approx((8.0, 8.0 * math.cos(math.radians(30))), rel=1e-6)
    assert truth.camera_centre_mm == pytest.approx(
        (middle[0], middle[1] + 200, 400 * math.cos(math.radians(30)))
    )
    # A point below the axis is nearer to a camera that stands off towards +y: larger there.
    near, far = (
        np.ptp(truth.to_picture(middle + np.array([[-1, y], [1, y]]))[:, 0]) for y in (20, -20)
    )
    assert near / far == pytest.approx((400 + 20 * 0.5) / (400 - 20 * 0.5), rel=1e-6)
    bent = Camera(px_per_mm=8.0, distance_mm=100, k1=0.1)
    _, truth = draw_linear(POCKET, [], FLAT, bent)
    u = truth.to_picture(middle + np.array([[0.0, 0.0], [40.0, 0.0]]))[:, 0]
    assert np.diff(u) == pytest.approx(800 * (0.4 + 0.1 * 0.4**3), rel=1e-9)


def test_blur_is_the_camera_spread_and_the_element_together() -> None:
    # Second moment of an edge's slope down a column: blur^2 + 1/12 px^2, and 1/12 more for taking
    # the slope from neighbours one element apart.
    camera = replace(STRAIGHT, blur_px=1.2, width_px=600)
    picture, truth = draw_linear(POCKET, [], FLAT, camera)
    lane = POCKET.lane("banded")
    dark = next(b for b in lane.bands if b.ground == "dark" and b.from_mm > 30)
    u, v = truth.to_picture(np.array([[(dark.from_mm + dark.to_mm) / 2, lane.y_mm]]))[0]
    rows = np.arange(round(v) - 12, round(v) + 13)
    weight = -np.diff(picture[rows, round(u), 0])
    place = rows[:-1] + 0.5
    mean = (weight * place).sum() / weight.sum()
    assert mean == pytest.approx(v, abs=0.005)
    variance = (weight * (place - mean) ** 2).sum() / weight.sum()
    # Depends on where the edge falls between sub-samples, by up to 1/96 px^2.
    assert variance == pytest.approx(1.2**2 + 2 / 12, abs=0.011)
    assert truth.edge_spread_px == pytest.approx(math.sqrt(1.2**2 + 1 / 12))


def test_finer_sampling_changes_nothing_that_matters() -> None:
    camera = Camera(px_per_mm=10.0, tilt_deg=18, roll_deg=5, noise=0.0, width_px=256, height_px=520)
    strand = [Strand("open", 0.0, 0.45, (0.5, 0.2, 0.2)), Strand("banded", 1.0, 1.1)]
    light = Light(sky=0.4, lamp=0.4, unshaded=0.2, lean_deg=50, softness_mm=0.05)
    usual, truth = draw_linear(POCKET, strand, light, camera)
    fine, _ = draw_linear(POCKET, strand, light, camera, supersampling=12)
    lane = POCKET.lane("open")
    ends = truth.to_picture(np.array([[42.8, lane.y_mm + d] for d in (1.0, 9.0)]))
    rows = slice(*np.rint(ends[:, 1]).astype(int))
    change = usual[rows, 120:136] - fine[rows, 120:136]
    assert np.abs(change).max() < 0.002
    # In px of width of a black strand on paper: a fortieth of a per cent of the strand's 4.5 px.
    assert np.abs(change.sum(axis=0)).max() / camera.exposure < 0.0012


def test_the_window_has_no_shadow_and_its_own_light() -> None:
    strand = [Strand("open", 0.0, 1.0)]
    levels: tuple[tuple[OpenLane, float], ...] = (("bright", 1.15), ("dark", 0.01))
    for open_lane, level in levels:
        picture, truth = draw_linear(POCKET, strand, Light(), STRAIGHT, open_lane=open_lane)
        lane = POCKET.lane("open")
        u, v = np.rint(truth.to_picture(np.array([[42.8, lane.y_mm + 4.5]]))[0]).astype(int)
        assert picture[v, u] / STRAIGHT.exposure == pytest.approx([level] * 3, rel=1e-3)


def test_strand_ends_and_the_upper_of_two_crossing_strands() -> None:
    lane = POCKET.lane("open")
    middle = lane.y_mm + lane.height_mm / 2
    ended = Strand("open", 0.0, 1.0, (0.0, 0.0, 0.0), start_mm=40.0)
    upper = Strand("open", 0.0, 1.0, (1.0, 0.0, 0.0), slope=0.2)
    picture, truth = draw_linear(POCKET, [ended, upper], FLAT, STRAIGHT)
    at = np.array([[38.0, middle], [42.8, middle], [47.0, middle]])
    spots = [picture[v, u] / 0.8 for u, v in np.rint(truth.to_picture(at)).astype(int)]
    assert spots[0] == pytest.approx([1, 1, 1], abs=0.002)
    assert spots[1] == pytest.approx([1, 0, 0], abs=0.002)
    assert spots[2] == pytest.approx([0, 0, 0], abs=0.002)
    assert truth.strands[0].from_mm == pytest.approx(40.0)
    alone, _ = draw_linear(POCKET, [ended], FLAT, STRAIGHT)
    row = alone[round(truth.to_picture(at)[0, 1]), :, 0]
    assert (1 - row / 0.8).sum() == pytest.approx(420 / 2 + 20 * (42.8 - 40.0), abs=0.01)


def test_truth_of_a_strand_that_varies() -> None:
    def diameter(x: Floats) -> Floats:
        return 1.0 + 0.01 * (x - 10.0)

    strand = Strand("open", 0.0, diameter, (0.0, 0.0, 0.0))
    sums, columns = column_sums(strand, FLAT, STRAIGHT, np.linspace(33, 52, 40))
    _, truth = draw_linear(POCKET, [strand], FLAT, STRAIGHT)
    x_mm = POCKET.width_mm / 2 + (columns - (420 - 1) / 2) / 20
    assert sums == pytest.approx(20 * diameter(x_mm), rel=5e-4)
    seen = truth.strands[0]
    assert (seen.from_mm, seen.to_mm) == pytest.approx((42.8 - 10.5, 42.8 + 10.5), abs=0.03)
    assert seen.mean_diameter_mm == pytest.approx(1.328, abs=1e-3)
    assert seen.diameter_at(np.array([50.0])) == pytest.approx([1.4])


def test_noise_and_coding() -> None:
    # IEC 61966-2-1: linear 0.5 is coded 0.7354, 0.002 is on the straight part (12.92 x).
    assert encode_srgb(np.array([0.0, 0.002, 0.5, 1.0, 1.3])).tolist() == [0, 7, 188, 255, 255]
    camera = replace(STRAIGHT, noise=0.004, shot=0.0001, width_px=300)
    first, _ = draw(POCKET, [], FLAT, camera, seed=1)
    again, _ = draw(POCKET, [], FLAT, camera, seed=1)
    other, _ = draw(POCKET, [], FLAT, camera, seed=2)
    assert first.dtype == np.uint8
    assert (first == again).all()
    lane = POCKET.lane("open")
    v = round(350 + 20 * (lane.y_mm + 5.5 - POCKET.height_mm / 2))
    patch = np.s_[v - 60 : v + 60, 50:250]
    # At 0.8 the sRGB curve's slope is 1.055 / 2.4 * 0.8^(1/2.4 - 1) = 0.5007 per unit of light;
    # rounding to whole codes adds 1/12.
    wanted = math.hypot(255 * 0.5007 * math.sqrt(0.004**2 + 0.0001 * 0.8), math.sqrt(1 / 12))
    apart = first[patch].astype(float) - other[patch]
    assert apart.std() / math.sqrt(2) == pytest.approx(wanted, rel=0.03)


def test_files_carry_their_tags() -> None:
    picture, _ = draw(POCKET, [], FLAT, replace(STRAIGHT, px_per_mm=4.0), seed=1)
    png = Image.open(io.BytesIO(to_png(picture, dpi=600)))
    assert png.info["dpi"] == pytest.approx((600, 600), rel=1e-3)
    assert (np.asarray(png) == picture).all()
    jpeg = Image.open(io.BytesIO(to_jpeg(picture, 92, dpi=300, focal_35mm=26, orientation=6)))
    assert jpeg.info["dpi"] == (300, 300)
    assert jpeg.getexif()[0x0112] == 6
    assert jpeg.getexif().get_ifd(0x8769)[0xA405] == 26


@pytest.mark.parametrize(
    "make",
    [
        lambda: Light(sky=0.5, lamp=0.4),
        lambda: draw_linear(POCKET, [], FLAT, replace(SCANNER, k1=0.1)),
        lambda: draw_linear(POCKET, [], FLAT, Camera(distance_mm=40, k1=-0.4)),
    ],
)
def test_scenes_that_cannot_be_are_refused(make: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"sum to 1|parallel rays|k1"):
        make()
