"""Weight classes against the published charts and the rule that says what an interval touches."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.results import WeightClass
from measure.weight_class import (
    BELLAONLINE,
    CHARTS,
    CRAFT_YARN_COUNCIL,
    SPIN_OFF,
    ClassRange,
    WeightChart,
    chart_named,
    classes_touched,
)

charts = st.sampled_from(list(CHARTS.values()))
wraps = st.floats(0.2, 80)


def numbers(chart: WeightChart, wpi: float, low: float, high: float) -> list[int]:
    return [c.number for c in classes_touched(chart, wpi, (low, high))]


def test_the_councils_chart_is_as_published() -> None:
    # Craft Yarn Council, Standard Yarn Weight System: names as copied at 222handspun.com,
    # wraps as copied at ihookdesign.com/what-is-wpi (Lace printed there as 30-40+).
    assert [(c.number, c.name, c.wpi_low, c.wpi_high) for c in CRAFT_YARN_COUNCIL.classes] == [
        (0, "Lace", 30, None),
        (1, "Super Fine", 14, 30),
        (2, "Fine", 12, 18),
        (3, "Light", 11, 15),
        (4, "Medium", 9, 12),
        (5, "Bulky", 6, 9),
        (6, "Super Bulky", 5, 6),
        (7, "Jumbo", 1, 4),
    ]


def test_the_magazines_chart_is_as_published() -> None:
    # Spin Off magazine, "Yarn Standards" (scribd.com/document/657653690).
    assert [(c.name, c.wpi_low, c.wpi_high) for c in SPIN_OFF.classes] == [
        ("Lace", 18, None),
        ("Fingering", 16, 18),
        ("Sport", 14, 15),
        ("DK", 12, 13),
        ("Worsted", 10, 11),
        ("Bulky", 8, 9),
        ("Super bulky", None, 7),
    ]


def test_the_third_chart_is_as_published() -> None:
    # bellaonline.com article 34962: <=5 | 6-8 | 9-11 | 12-15 | 16-18 | 19+.
    assert [(c.wpi_low, c.wpi_high) for c in reversed(BELLAONLINE.classes)] == [
        (None, 5),
        (6, 8),
        (9, 11),
        (12, 15),
        (16, 18),
        (19, None),
    ]


def test_geometric_middles_of_the_councils_classes() -> None:
    # Root of the product of the two printed ends, worked by hand.
    middles = [round(c.middle_wpi, 1) for c in CRAFT_YARN_COUNCIL.classes]
    assert middles == [34.6, 20.5, 14.7, 12.8, 10.4, 7.3, 5.5, 2.0]


@pytest.mark.parametrize(
    ("wpi", "members"),
    [
        (3, {7}),
        (5, {6}),
        (6, {5, 6}),
        (7, {5}),
        (9, {4, 5}),
        (10, {4}),
        (11, {3, 4}),
        (12, {2, 3, 4}),
        (12.5, {2, 3}),
        (13.4, {2, 3}),
        (14.5, {1, 2, 3}),
        (15, {1, 2, 3}),
        (16, {1, 2}),
        (18, {1, 2}),
        (20, {1}),
        (30, {0, 1}),
        (31, {0}),
        (45, {0}),
    ],
)
def test_one_value_is_in_every_council_class_that_holds_it(wpi: float, members: set[int]) -> None:
    # The council's ranges read by hand, both ends included.
    assert set(numbers(CRAFT_YARN_COUNCIL, wpi, wpi, wpi)) == members


def test_the_gaps_of_the_councils_chart_name_their_neighbours() -> None:
    # 4 to 5 is in no class and neither is anything below 1. Nearest first, in log WPI: the two
    # neighbours are equally far at root 20 = 4.472.
    assert numbers(CRAFT_YARN_COUNCIL, 4.2, 4.2, 4.2) == [7, 6]
    assert numbers(CRAFT_YARN_COUNCIL, 4.46, 4.46, 4.46) == [7, 6]
    assert numbers(CRAFT_YARN_COUNCIL, 4.48, 4.48, 4.48) == [6, 7]
    assert numbers(CRAFT_YARN_COUNCIL, 4.9, 4.9, 4.9) == [6, 7]
    assert numbers(CRAFT_YARN_COUNCIL, 0.5, 0.5, 0.5) == [7]
    # The gap's ends belong to their classes alone.
    assert numbers(CRAFT_YARN_COUNCIL, 4, 4, 4) == [7]
    assert numbers(CRAFT_YARN_COUNCIL, 5, 5, 5) == [6]


def test_a_chart_in_whole_wraps_has_a_gap_between_each_two() -> None:
    assert numbers(SPIN_OFF, 13.4, 13.4, 13.4) == [3, 2]
    assert numbers(SPIN_OFF, 13.6, 13.6, 13.6) == [2, 3]
    assert numbers(SPIN_OFF, 18, 18, 18) == [0, 1]
    assert numbers(SPIN_OFF, 17, 17, 17) == [1]
    assert numbers(BELLAONLINE, 18.4, 18.3, 18.6) == [1, 0]
    assert numbers(BELLAONLINE, 2, 2, 2) == [5]


def test_beyond_a_closed_chart_the_last_class_is_named() -> None:
    chart = WeightChart(
        "two", "Two", "ours", (ClassRange(0, "thin", 10, 20), ClassRange(1, "thick", 5, 9))
    )
    assert numbers(chart, 25, 24, 26) == [0]
    assert numbers(chart, 3, 2, 4) == [1]
    assert numbers(chart, 9.8, 9.7, 9.9) == [0, 1]


def test_the_charts_disagree_about_twenty_wraps() -> None:
    # Super Fine by the council, Lace by the other two.
    for chart, name in ((CRAFT_YARN_COUNCIL, "Super Fine"), (SPIN_OFF, "Lace")):
        assert [c.name for c in classes_touched(chart, 20, (19.5, 20.5))] == [name]
    assert [c.name for c in classes_touched(BELLAONLINE, 20, (19.5, 20.5))] == ["Lace"]


def test_the_class_that_holds_the_value_comes_first() -> None:
    # 29 is Super Fine only, though the middle of Lace (34.6) is nearer than its own (20.5).
    assert classes_touched(CRAFT_YARN_COUNCIL, 29, (28, 30.5)) == (
        WeightClass(1, "Super Fine"),
        WeightClass(0, "Lace"),
    )
    # 14.5 is in three; by middles 14.7, 12.8, 20.5.
    assert numbers(CRAFT_YARN_COUNCIL, 14.5, 14.2, 14.8) == [2, 3, 1]


def test_a_wide_interval_touches_all_that_lies_in_it() -> None:
    assert numbers(CRAFT_YARN_COUNCIL, 10, 8, 13) == [4, 3, 5, 2]
    assert set(numbers(CRAFT_YARN_COUNCIL, 10, 0.5, math.inf)) == set(range(8))


@given(charts, wraps, st.floats(0, 1), st.floats(0, 1), st.floats(0, 0.5))
def test_classes_only_grow_with_the_interval(
    chart: WeightChart, wpi: float, below: float, above: float, more: float
) -> None:
    small = numbers(chart, wpi, wpi * (1 - below), wpi * (1 + above))
    large = numbers(chart, wpi, wpi * max(0, 1 - below - more), wpi * (1 + above + more))
    assert small
    assert set(small) <= set(large)
    assert len(set(large)) == len(large)


@given(charts, wraps, st.floats(0, 0.9), st.floats(0, 2))
def test_the_answer_is_the_union_over_the_interval(
    chart: WeightChart, wpi: float, below: float, above: float
) -> None:
    low, high = wpi * (1 - below), wpi * (1 + above)
    ends = [x for c in chart.classes for x in (c.wpi_low, c.wpi_high) if x is not None]
    inside = sorted({low, high, *(x for x in ends if low <= x <= high)})
    # Every stretch between two printed ends is all in the same classes: one point stands for it.
    points = [*inside, *((a + b) / 2 for a, b in pairwise(inside))]
    union = {n for x in points for n in numbers(chart, x, x, x)}
    assert set(numbers(chart, wpi, low, high)) == union


@given(charts, st.floats(0.2, 80), st.floats(0, 0.3))
def test_first_is_a_class_that_holds_the_value_where_one_does(
    chart: WeightChart, wpi: float, doubt: float
) -> None:
    touched = numbers(chart, wpi, wpi * (1 - doubt), wpi * (1 + doubt))
    holding = {
        c.number
        for c in chart.classes
        if (c.wpi_low or 0) <= wpi <= (math.inf if c.wpi_high is None else c.wpi_high)
    }
    assert set(touched[: len(holding)]) == holding


def test_charts_are_chosen_by_name() -> None:
    assert chart_named("craft-yarn-council") is CRAFT_YARN_COUNCIL
    assert next(iter(CHARTS)) == "craft-yarn-council"
    with pytest.raises(ValueError, match="'guess'; choose one of craft-yarn-council, spin-off"):
        chart_named("guess")


@pytest.mark.parametrize(
    ("wpi", "interval"), [(0, (0, 1)), (math.nan, (1, 2)), (10, (11, 9)), (10, (-1, 11))]
)
def test_what_is_no_interval_is_refused(wpi: float, interval: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="is no wraps-per-inch value and interval"):
        classes_touched(CRAFT_YARN_COUNCIL, wpi, interval)
