from __future__ import annotations

from itertools import pairwise

import pytest

from app.window.frame import SourceState
from app.window.sources.camera_watch import (
    CameraId,
    CameraOffer,
    CameraWatch,
    Step,
    best_offer,
)

NAME = "Desk camera"
RUNNING = SourceState("running", detail="1920 x 1080, 30 a second")


def opened(watch: CameraWatch, now_s: float) -> None:
    assert watch.step(now_s, present=True) == Step(open=True)


def running(watch: CameraWatch, now_s: float) -> None:
    opened(watch, now_s)
    watch.saw_frame(now_s, RUNNING.detail)
    assert watch.step(now_s, present=True) == Step(state=RUNNING)


def waiting(step: Step) -> str:
    assert step.state is not None
    assert step.state.kind == "waiting"
    assert step.state.advice
    return step.state.text


def test_a_camera_is_opened_and_runs_once_a_picture_comes() -> None:
    watch = CameraWatch(NAME)
    opened(watch, 10.0)
    assert watch.step(10.5, present=True) == Step()
    watch.saw_frame(11.0, RUNNING.detail)
    assert watch.step(11.1, present=True) == Step(state=RUNNING)


def test_a_camera_that_is_not_connected_is_waited_for_and_opened_when_it_comes() -> None:
    watch = CameraWatch(NAME)
    for now_s in (0.0, 0.5):
        step = watch.step(now_s, present=False)
        assert waiting(step) == "Desk camera is not connected."
        assert not step.open
    opened(watch, 1.0)


def test_a_camera_that_is_unplugged_is_closed_and_taken_up_again_at_once() -> None:
    watch = CameraWatch(NAME)
    running(watch, 10.0)
    watch.saw_error("device lost")
    step = watch.step(10.2, present=False)
    assert step.close
    assert waiting(step) == "Desk camera is not connected."
    assert not watch.step(10.7, present=False).close
    running(watch, 10.9)


def test_a_camera_that_another_program_holds_is_tried_again_less_and_less_often() -> None:
    watch = CameraWatch(NAME)
    now_s, tries = 0.0, []
    while now_s < 60.0:
        step = watch.step(now_s, present=True)
        if step.open:
            tries.append(now_s)
            watch.saw_error("Device or resource busy")
        elif step.close:
            assert waiting(step) == "Desk camera gives no picture (Device or resource busy)."
        now_s += 0.25
    pauses = [b - a for a, b in pairwise(tries)]
    assert pauses[0] <= 2.0
    assert pauses == sorted(pauses)
    assert max(pauses) <= 9.0
    # Free again: it runs, and the next fault is met quickly as the first was.
    while not watch.step(now_s, present=True).open:
        now_s += 0.25
    watch.saw_frame(now_s, RUNNING.detail)
    assert watch.step(now_s, present=True).state == RUNNING
    watch.saw_error("Device or resource busy")
    assert watch.step(now_s, present=True).close
    assert watch.step(now_s + 1.5, present=True).open


def test_a_camera_that_says_nothing_at_all_is_closed_and_tried_again() -> None:
    watch = CameraWatch(NAME)
    opened(watch, 0.0)
    assert watch.step(3.9, present=True) == Step()
    step = watch.step(4.1, present=True)
    assert step.close
    assert waiting(step) == "Desk camera gives no picture."
    opened(watch, 5.5)


def test_a_picture_that_stands_still_for_long_is_noticed() -> None:
    watch = CameraWatch(NAME)
    running(watch, 10.0)
    watch.saw_frame(12.0, RUNNING.detail)
    assert watch.step(15.9, present=True).state == RUNNING
    assert watch.step(16.1, present=True).close


@pytest.mark.parametrize(
    ("among", "expected"),
    [
        ([CameraId("Other", "1"), CameraId("Desk camera", "2")], 1),
        # Two of the same make: the one at the socket it had.
        ([CameraId("Desk camera", "1"), CameraId("Desk camera", "2")], 1),
        # Plugged in elsewhere.
        ([CameraId("Other", "1"), CameraId("Desk camera", "9")], 1),
        # Another camera at the same socket is never taken for it.
        ([CameraId("Other", "2")], None),
        ([], None),
    ],
)
def test_a_camera_is_found_again_by_name_and_socket(
    among: list[CameraId], expected: int | None
) -> None:
    assert CameraId("Desk camera", "2").among(among) == expected


def test_the_key_keeps_name_and_id() -> None:
    camera = CameraId("Camera: left, 100 % ü", "2f6465762f766964656f30")
    assert CameraId.from_key(camera.key) == camera


def offer(width: int, height: int, rate: float, effort: int = 0) -> CameraOffer:
    return CameraOffer(width, height, rate, effort)


@pytest.mark.parametrize(
    ("offers", "expected"),
    [
        ([], None),
        # The usual webcam: uncompressed is slow at full size, JPEG is not.
        (
            [offer(1920, 1080, 5, 1), offer(1920, 1080, 30, 2), offer(640, 480, 30, 1)],
            offer(1920, 1080, 30, 2),
        ),
        # No more pixels than a live picture can be measured with.
        ([offer(3840, 2160, 30), offer(1920, 1080, 30)], offer(1920, 1080, 30)),
        ([offer(3840, 2160, 30), offer(2560, 1440, 30)], offer(2560, 1440, 30)),
        # Fluent before large, large before 30 or 60.
        ([offer(1920, 1080, 15), offer(1280, 720, 30)], offer(1280, 720, 30)),
        ([offer(1280, 720, 60), offer(1920, 1080, 25)], offer(1920, 1080, 25)),
        ([offer(1920, 1080, 60), offer(1920, 1080, 30)], offer(1920, 1080, 30)),
        # Where fluent is too coarse for a strand, size goes first.
        ([offer(640, 480, 30), offer(1600, 1200, 10)], offer(1600, 1200, 10)),
        ([offer(640, 480, 30), offer(1600, 1200, 2)], offer(640, 480, 30)),
        # Of equals the one that is least work.
        (
            [offer(1280, 720, 30, 2), offer(1280, 720, 30, 0), offer(1280, 720, 30, 1)],
            offer(1280, 720, 30, 0),
        ),
    ],
)
def test_the_format_is_the_most_pixels_that_still_flow(
    offers: list[CameraOffer], expected: CameraOffer | None
) -> None:
    which = best_offer(offers)
    assert (None if which is None else offers[which]) == expected
