"""A plain ruler as the scale: drawn rulers of exact pitch with a strand of known width beside.

The drawings are closed forms (`drawn_ruler`); an inch is 25.4 mm (international yard and pound
agreement, 1959).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drawn_ruler import (
    RANKS_EIGHTH,
    RANKS_HALF_MM,
    RANKS_TENTH,
    RANKS_THIRTYSECOND,
    SIXTEENTHS,
    Marks,
    Scene,
    Shot,
    draw_ruler,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from measure import MeasureError, PictureReading, measure_picture
from measure.picture import Picture, read_picture
from measure.ruler import view_ruler
from measure.ruler_marks import Division, read_division
from measure.scale import scale_from_ruler
from measure.settings import Settings

SMALL = Shot(px_per_mm=9.0, size_px=(700, 420))


def photograph(scene: Scene, shot: Shot, focal_off: float = 1.02) -> Picture:
    """A drawing as a phone hands it over, its Exif focal length some per cent off."""
    focal_px = shot.focal_px and shot.focal_px * focal_off
    return replace(read_picture(draw_ruler(scene, shot)), focal_px=focal_px)


def reading_of(scene: Scene, shot: Shot, **chosen: Any) -> PictureReading:
    return measure_picture(photograph(scene, shot), settings=Settings(**chosen))


def holds(reading: PictureReading, truth_mm: float) -> bool:
    assert len(reading.strands) == 1, reading.refusals
    low, high = reading.strands[0].diameter_interval_mm
    assert high - low < 0.25 * truth_mm
    return low <= truth_mm <= high


CASES = {
    "white, millimetres": (Scene(), SMALL),
    "black, tilted along": (
        Scene(face="black", table=0.7),
        replace(SMALL, tilt_deg=20, azimuth_deg=0, roll_deg=12),
    ),
    "steel, tilted across, 1/16": (
        Scene(marks=SIXTEENTHS, face="steel"),
        replace(SMALL, tilt_deg=20, azimuth_deg=90, roll_deg=-3),
    ),
    "wood on wood, askew": (
        Scene(face="wood", grain=0.1, table=0.7, albedo=0.05),
        replace(SMALL, tilt_deg=12, azimuth_deg=215, roll_deg=63),
    ),
    "both edges, marks missing, a scan": (
        Scene(other=SIXTEENTHS, marks=Marks(missing=(3, 4, -17, 11)), ruler_width_mm=20),
        replace(SMALL, distance_mm=None, roll_deg=180.4, aim_mm=(0.0, -1.0)),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_strand_beside_a_ruler_is_read_within_its_interval(name: str) -> None:
    scene, shot = CASES[name]
    reading = reading_of(scene, shot)
    assert scene.diameter_mm is not None
    assert holds(reading, scene.diameter_mm)
    scale = reading.scale
    assert scale is not None
    assert scale.source == "ruler"
    assert not scale.verified
    assert scale.marks == ("sixteenths of an inch" if scene.marks is SIXTEENTHS else "millimetres")
    codes = {c.code for c in reading.strands[0].cautions}
    assert {"ruler_scale", "one_ground"} <= codes
    assert "no_shade" not in codes, "there is no card that it might be held above"
    assert scale.ticks_px is not None
    # The strokes drawn for the spinner stand on marks: their feet lie whole pitches apart.
    apart = to_plane(shot, scale.ticks_px[:, 0])[:, 0] / scene.marks.pitch_mm
    np.testing.assert_allclose(apart, np.rint(apart), atol=0.1)
    if shot.tilt_deg:
        assert scale.tilt_deg == pytest.approx(shot.tilt_deg, abs=3)


def to_plane(shot: Shot, px: np.ndarray) -> np.ndarray:
    h = np.column_stack([px, np.ones(len(px))]) @ np.linalg.inv(shot.homography()).T
    return h[:, :2] / h[:, 2:]


@settings(max_examples=3, deadline=None, derandomize=True)
@given(st.floats(-180, 180), st.floats(0, 20), st.floats(0, 360))
def test_however_it_is_turned_the_scale_lies_within_its_doubt(
    roll: float, tilt: float, azimuth: float
) -> None:
    shot = replace(SMALL, roll_deg=roll, tilt_deg=tilt, azimuth_deg=azimuth, size_px=(620, 520))
    scale = scale_from_ruler(photograph(Scene(diameter_mm=None), shot))
    ends = np.array([[0.0, -13.5, 1.0], [0.0, -14.5, 1.0]]) @ shot.homography().T
    on_card = scale.to_card(ends[:, :2] / ends[:, 2:])
    length = float(np.linalg.norm(on_card[0] - on_card[1]))
    u = scale.u_relative(on_card.mean(axis=0, keepdims=True), on_card[0] - on_card[1])[0]
    assert u < 0.03
    assert abs(length - 1.0) < 3.0 * u


@pytest.mark.parametrize(
    ("marks", "name"),
    [
        (Marks(0.5, RANKS_HALF_MM, 20, 0.1), "half millimetres"),
        (Marks(25.4 / 32, RANKS_THIRTYSECOND, 32, 0.14), "thirty-seconds of an inch"),
        (Marks(25.4 / 8, RANKS_EIGHTH, 8, 0.3), "eighths of an inch"),
        (Marks(2.54, RANKS_TENTH, 10, 0.25), "tenths of an inch"),
    ],
)
def test_other_divisions_are_told_by_their_longer_marks(marks: Marks, name: str) -> None:
    shot = Shot(px_per_mm=12.0, size_px=(1000, 300), aim_mm=(0.0, 3.0))
    view = view_ruler(read_picture(draw_ruler(Scene(marks, diameter_mm=None), shot)))
    assert view.division.name == name
    assert view.division.pitch_mm == pytest.approx(marks.pitch_mm)


def lengths(count: int, *ranks: tuple[int, float]) -> tuple[np.ndarray, np.ndarray]:
    number = np.arange(count)
    length = np.zeros(count)
    for every, long in reversed(ranks):
        length[number % every == 0] = long
    return number, length


def names(divisions: tuple[Division, ...]) -> list[str]:
    return [d.name for d in divisions]


def test_what_the_marks_do_not_tell_is_asked() -> None:
    # Shortest marks 1.65 pitches long: millimetres with short marks, or tenths with long ones.
    number, length = lengths(60, (10, 3.5), (5, 2.5), (1, 1.65))
    assert names(read_division(number, length)) == ["millimetres", "tenths of an inch"]
    # Sixteenths whose inch and half inch are alike look like eighths.
    number, length = lengths(60, (8, 3.5), (4, 2.6), (2, 1.9), (1, 1.25))
    assert len(read_division(number, length)) == 2


def test_one_length_or_no_system_is_no_ruler() -> None:
    for ranks in (((1, 3.0),), ((3, 5.0), (1, 3.0)), ((7, 5.0), (1, 3.0)), ((4, 5.0), (1, 3.0))):
        assert read_division(*lengths(80, *ranks)) == ()
    random = np.random.default_rng(4)
    for _ in range(200):
        assert read_division(np.arange(60), random.uniform(2, 5, 60)) == ()
    # Half a millimetre ruler's worth of an inch ruler: where an inch begins does not show.
    number, length = lengths(20, (16, 6.0), (8, 5.0), (4, 4.0), (2, 3.0), (1, 2.0))
    assert read_division(number, length) == ()


def test_the_question_and_its_answer() -> None:
    ranks = ((10, 3.6), (5, 2.3), (1, 1.4))
    scene = Scene(Marks(1.0, ranks, 10, 0.18), inset_mm=0.0, table=0.7)
    pixels = draw_ruler(scene, SMALL)
    asked = measure_picture(pixels)
    assert [r.code for r in asked.refusals] == ["ruler_unit"]
    answered = measure_picture(pixels, settings=Settings(scale="ruler", ruler="mm"))
    assert holds(answered, 1.1)
    other = measure_picture(pixels, settings=Settings(scale="ruler", ruler="inch"))
    assert other.scale is not None
    assert answered.scale is not None
    ratio = other.scale.mm_per_px / answered.scale.mm_per_px
    assert ratio == pytest.approx(2.54, rel=1e-6)


def test_only_the_card_means_only_the_card() -> None:
    pixels = draw_ruler(Scene(), SMALL)
    reading = measure_picture(pixels, settings=Settings(scale="card"))
    assert [r.code for r in reading.refusals] == ["no_card"]
    inches = measure_picture(pixels, settings=Settings(scale="ruler", ruler="inch"))
    assert [r.code for r in inches.refusals] == ["no_ruler"]


# ------------------------------------------------------------------------- what is no ruler


def _grid(rows: int = 320, columns: int = 440) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[0:rows, 0:columns]
    return x.astype(float), y.astype(float)


def striped_cloth() -> np.ndarray:
    """Stripes right across, every fifth and tenth of them broader."""
    x, y = _grid()
    at = (x + 0.1 * y) / 9.0
    number = np.rint(at).astype(int)
    half = np.where(number % 10 == 0, 0.3, np.where(number % 5 == 0, 0.22, 0.12))
    return np.where(np.abs(at - number) < half, 0.2, 0.7)


def bricks() -> np.ndarray:
    x, y = _grid()
    row = np.floor(y / 22).astype(int)
    joint = (np.mod(x + 20 * (row % 2), 40) < 3) | (np.mod(y, 22) < 3)
    return np.where(joint, 0.75, 0.35)


def fringe() -> np.ndarray:
    """A comb: teeth of one length along one edge, as regular as a ruler's marks."""
    x, y = _grid()
    teeth = (np.mod(x, 10) < 3) & (y > 150) & (y < 150)
    return np.where(teeth | (y < 150), 0.15, 0.8)


def fringe_of_three() -> np.ndarray:
    """The same with every third tooth longer."""
    x, y = _grid()
    long = np.floor(x / 10).astype(int) % 3 == 0
    teeth = (np.mod(x, 10) < 3) & (y > 150) & (y < np.where(long, 215, 195))
    return np.where(teeth, 0.15, 0.8)


def weave() -> np.ndarray:
    x, y = _grid()
    return 0.5 + 0.2 * np.sign(np.sin(x / 3) * np.sin(y / 3))


def noise() -> np.ndarray:
    return np.random.default_rng(2).uniform(0, 1, (320, 440))


@pytest.mark.parametrize("pattern", [striped_cloth, bricks, fringe, fringe_of_three, weave, noise])
def test_a_regular_pattern_alone_is_no_ruler(pattern: Any) -> None:
    picture = read_picture(pattern())
    for unit in (None, "mm", "inch"):
        with pytest.raises(MeasureError) as refused:
            view_ruler(picture, unit)
        assert refused.value.code == "no_ruler"
