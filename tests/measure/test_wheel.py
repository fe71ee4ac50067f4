"""What a twist asks of the wheel: arithmetic of turns, against sums done by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.wheel import (
    draft_mm_for_treadles,
    drive_ratio,
    seconds_per_draft,
    treadles_per_draft,
    turns_per_minute_counted,
)


def test_treadles_a_draft() -> None:
    # A draft of 10 inches at 6 turns per inch takes 60 turns: 5 of a wheel of 12 to 1.
    assert treadles_per_draft(6, 254, 12) == pytest.approx(5)
    # Counting both feet of a double treadle, 10.
    assert treadles_per_draft(6, 254, 12, 2) == pytest.approx(10)
    # 8 to 1 and one treadle an inch is 8 turns per inch (common practice, no source).
    assert treadles_per_draft(8, 25.4, 8) == pytest.approx(1)


def test_ratios() -> None:
    assert drive_ratio(45, 5) == pytest.approx(9)
    # A wheel of 540 mm that drives a whorl of 60.
    assert drive_ratio(540, 60) == pytest.approx(9)


def test_a_motor_wheel_by_counting() -> None:
    # 100 turns in 10 seconds are 600 a minute; 60 turns for a draft then take 6 seconds.
    assert turns_per_minute_counted(100, 10) == pytest.approx(600)
    assert seconds_per_draft(6, 254, 600) == pytest.approx(6)


@given(st.floats(0.5, 20), st.floats(1, 20), st.floats(2, 40), st.sampled_from([1.0, 2.0]))
def test_drafts_and_treadles_are_inverse(
    tpi: float, treadles: float, ratio: float, strokes: float
) -> None:
    draft = draft_mm_for_treadles(tpi, treadles, ratio, strokes)
    assert treadles_per_draft(tpi, draft, ratio, strokes) == pytest.approx(treadles)
    # The turns that went in are those wanted.
    assert treadles / strokes * ratio / (draft / 25.4) == pytest.approx(tpi)


def test_what_is_no_number_is_refused() -> None:
    for wrong in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="positive number"):
            treadles_per_draft(6, 254, wrong)
