"""Ply twist from frame to frame, against strands drawn from closed forms."""

from __future__ import annotations

from dataclasses import replace

import pytest
from analytic_types import Camera
from plied import Lamp, PliedStrand, draw_plied, straight_plied

from measure.card import newest_card
from measure.live import LiveGauge, LiveState
from measure.picture import Picture, read_picture
from measure.pipeline import follow
from measure.results import PictureReading, StrandReading, Twist
from measure.settings import Settings
from measure.twist import twist_of

STRAND = PliedStrand(2, 0.55, 6.0, "S", streaks=0.15, rough=0.05)
TWISTED = Settings(scale="card", twist=True)
PLAIN = Settings(scale="card", twist=False)


@pytest.fixture(scope="module")
def picture() -> Picture:
    camera = Camera(px_per_mm=16.0, noise=0.008)
    return read_picture(draw_plied(newest_card("pocket"), (STRAND,), camera, 3, Lamp(0.4))[0])


@pytest.fixture(scope="module")
def frames(picture: Picture) -> list[PictureReading]:
    """One with twist, one without after it, one with it from what the first had found."""
    readings, seen = [], None
    for settings in (TWISTED, PLAIN, TWISTED):
        reading, seen = follow(picture, settings=settings, before=seen)
        readings.append(reading)
    return readings


def test_frames_tell_the_twist_that_was_drawn_where_it_is_looked_for(
    frames: list[PictureReading],
) -> None:
    first, between, again = (frame.strands[0] for frame in frames)
    for strand in (first, again):
        assert strand.turns_per_inch == pytest.approx(STRAND.turns_per_inch, rel=0.02)
        assert (strand.twist, strand.plies) == ("S", 2)
    assert between.twist_detail is None
    assert between.turns_per_inch is None
    # It is one picture: how its width is averaged does not hang on whether twist was looked for.
    assert between.diameter_mm == pytest.approx(first.diameter_mm, rel=0.01)


@pytest.mark.parametrize("before", [6.0, 6.6, 3.0, 12.0])
def test_a_twist_from_before_never_changes_what_is_found(before: float) -> None:
    """It is a place to begin: other twist than before, or half or double, is found all the same."""
    straight = straight_plied(STRAND, 60.0, 5)
    blur_mm = straight.half_width_mm / straight.px_across
    told = twist_of(straight, blur_mm, lambda: 0.001)
    from_before = twist_of(straight, blur_mm, lambda: 0.001, replace(told, turns_per_inch=before))
    assert from_before.turns_per_inch == pytest.approx(told.turns_per_inch, rel=1e-3)
    assert (from_before.twist, from_before.plies) == (told.twist, told.plies)


def frame(strand: StrandReading) -> PictureReading:
    return PictureReading(1280, 720, None, (strand,), ())


def nothing() -> PictureReading:
    return PictureReading(1280, 720, None, (), ())


def shown(gauge: LiveGauge, frames: list[PictureReading], start_s: float) -> LiveState:
    """The state after frames a tenth of a second apart."""
    state = LiveState()
    for i, one in enumerate(frames):
        state = gauge.update(one, start_s + i / 10)
    return state


def test_the_twist_told_stands_for_four_seconds_and_is_logged(frames: list[PictureReading]) -> None:
    told, plain = frames[0].strands[0], frames[1].strands[0]
    gauge = LiveGauge()
    states = [gauge.update(frame(told if i == 2 else plain), i / 10) for i in range(46)]
    assert states[1].twist is None
    assert all(state.twist is told.twist_detail for state in states[2:42])
    assert states[-1].twist is None
    (taken,) = (state.take for state in states if state.take is not None)
    assert taken.turns_per_inch == told.turns_per_inch
    assert taken.twist_detail is told.twist_detail
    assert taken.along is not told.along  # the reading in the middle, with that twist


def test_it_goes_with_the_strand(frames: list[PictureReading]) -> None:
    told, plain = frames[0].strands[0], frames[1].strands[0]
    gauge = LiveGauge()
    shown(gauge, [frame(told)] + 3 * [frame(plain)], 0.0)
    assert shown(gauge, 5 * [nothing()], 0.4).twist is None
    shown(gauge, [frame(told)], 1.0)
    thick = replace(
        plain,
        diameter_mm=2 * plain.diameter_mm,
        diameter_interval_mm=tuple(2 * x for x in plain.diameter_interval_mm),
    )
    assert shown(gauge, 3 * [frame(thick)], 1.1).twist is None


def test_a_reason_does_not_take_the_place_of_turns(frames: list[PictureReading]) -> None:
    told, plain = frames[0].strands[0], frames[1].strands[0]
    unseen = replace(plain, twist_detail=Twist(plies=None))
    gauge = LiveGauge()
    assert shown(gauge, [frame(unseen)], 0.0).twist is unseen.twist_detail
    assert shown(gauge, [frame(told), frame(unseen)], 0.1).twist is told.twist_detail
    gauge.forget_twist()
    assert shown(gauge, [frame(plain)], 0.4).twist is None
