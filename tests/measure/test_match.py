"""Comparing bobbins against published worked examples, other code and simulated bobbins."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike
from scipy.stats import binom, ttest_ind

from measure.drift import ReadingPoint
from measure.equivalence import adjusted, difference_of
from measure.match import compare_bobbins, listed

# Two variables of a clinical study, fifteen patients a group, with the results of R's
# equivalence::tost for a margin of 0.6, as carried in the tests of statsmodels 0.15 (BSD-3),
# statsmodels/stats/tests/test_tost.py.
CLINIC_1 = (
    "2.84 2.51 2.41 2.95 3.14 3.79 4.14 3.85 3.02 3.45 5.37 3.81 4.19 3.16 3.84",
    "2.60 2.82 2.18 3.46 4.01 3.04 3.47 4.06 2.91 3.59 4.51 3.16 3.86 3.31 3.02",
)
CLINIC_2 = (
    "4.00 3.26 4.14 3.42 3.25 4.34 4.97 4.31 3.11 3.41 5.02 4.21 4.59 5.30 4.32",
    "3.76 3.66 3.65 3.60 3.48 2.87 3.24 3.92 3.99 4.21 4.21 3.31 3.61 2.97 2.73",
)


def values(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


def mean_of(sample: np.ndarray) -> tuple[float, float, float]:
    n = len(sample)
    return float(sample.mean()), float(sample.std(ddof=1)) / math.sqrt(n), n - 1.0


@pytest.mark.parametrize(
    ("samples", "difference", "u", "dof", "p"),
    [
        (CLINIC_1, 0.1646666666666667, 0.2531625991083627, 26.7484787582315, 0.04853083976236974),
        (CLINIC_2, 0.562666666666666, 0.2149871904637392, 24.11000151062728, 0.4317936812594803),
    ],
)
def test_two_one_sided_tests_come_out_as_published(
    samples: tuple[str, str], difference: float, u: float, dof: float, p: float
) -> None:
    found = difference_of(*mean_of(values(samples[0])), *mean_of(values(samples[1])))
    assert found.value == pytest.approx(difference, rel=1e-9)
    assert found.u == pytest.approx(u, rel=1e-9)
    assert found.dof == pytest.approx(dof, rel=1e-9)
    assert found.p_beyond(0.6) == pytest.approx(p, rel=1e-9)


@settings(max_examples=40)
@given(
    st.lists(st.floats(-1, 1), min_size=3, max_size=20).filter(lambda v: np.ptp(v) > 1e-3),
    st.lists(st.floats(-1, 1), min_size=3, max_size=20).filter(lambda v: np.ptp(v) > 1e-3),
)
def test_the_test_of_no_difference_is_scipys_welch_test(a: list[float], b: list[float]) -> None:
    found = difference_of(*mean_of(np.array(a)), *mean_of(np.array(b)))
    scipys = ttest_ind(a, b, equal_var=False)
    assert found.p_zero == pytest.approx(float(scipys.pvalue), rel=1e-8, abs=1e-12)
    interval = scipys.confidence_interval(0.95)
    assert_allclose(found.interval(), (interval.low, interval.high), rtol=1e-7, atol=1e-12)


def test_holms_steps_come_out_as_he_does_them() -> None:
    # By hand from Holm (1979): times 4, 3, 2, 1 in rising order, none below the one before.
    assert_allclose(adjusted([0.01, 0.04, 0.03, 0.005], 4), [0.03, 0.06, 0.06, 0.02])
    # At most two can be true: times 2, 2, 2, 1.
    assert_allclose(adjusted([0.01, 0.04, 0.03, 0.005], 2), [0.02, 0.06, 0.06, 0.01])
    assert_allclose(adjusted([0.9, 0.8], 2), [1.0, 1.0])


# --- bobbins ----------------------------------------------------------------------------------


def bobbin(logs: ArrayLike, shared: float = 0.0) -> list[ReadingPoint]:
    return [
        ReadingPoint(
            math.exp(v), math.hypot(0.005, shared) * math.exp(v), u_shared_mm=shared * math.exp(v)
        )
        for v in np.asarray(logs, dtype=float).tolist()
    ]


def spun(percent: float, n: int = 24, sd: float = 0.03, seed: int = 0) -> list[ReadingPoint]:
    """Readings up and down by turns about a mean so much thicker, with some noise."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=n)
    noise = sd * (noise - noise.mean()) / noise.std(ddof=1)
    return bobbin(math.log1p(percent / 100) + noise)


def test_matching_and_thicker_bobbins_are_told_in_a_sentence() -> None:
    found = compare_bobbins({"B1": spun(14, seed=1), "B2": spun(0, seed=2), "B3": spun(1, seed=3)})
    assert found.groups == (("B2", "B3"),)
    matched = re.fullmatch(
        r"B2 and B3 match; B1 is thicker by 13 % \((\d+) to (\d+) %\)", found.text
    )
    assert matched is not None
    assert int(matched[1]) in (11, 12)
    assert int(matched[2]) in (15, 16)
    assert found.pair("B2", "B1").verdict == "differ"
    assert found.pair("B1", "B2").beyond_margin
    with pytest.raises(KeyError):
        found.pair("B1", "B9")


def test_thinner_bobbins_and_two_groups() -> None:
    found = compare_bobbins(
        {"A": spun(0, seed=1), "B": spun(0.5, seed=2), "C": spun(1, seed=3)}
        | {"D": spun(-14, seed=4), "E": spun(-14.5, seed=5)}
    )
    assert found.groups == (("A", "B", "C"), ("D", "E"))
    assert re.fullmatch(
        r"A, B and C match; D and E match; D and E are thinner by 15 % \(14 to 16 %\)",
        found.text,
    )


def test_all_bobbins_alike() -> None:
    found = compare_bobbins({name: spun(0, seed=ord(name)) for name in "abcd"})
    assert found.text == "a, b, c and d match"


def test_undecided_is_said_with_what_it_would_take() -> None:
    few = compare_bobbins({"B1": spun(4, n=4, sd=0.06, seed=3), "B2": spun(0, n=40, seed=2)})
    pair = few.pair("B1", "B2")
    assert pair.verdict == "undecided"
    assert pair.further is not None
    name, count = pair.further
    assert name == "B1"
    assert few.text == f"cannot tell yet whether B1 and B2 match: about {count} more readings of B1"
    # With as many more like these it is decided.
    enough = compare_bobbins(
        {"B1": spun(4, n=4 + count, sd=0.06, seed=3), "B2": spun(0, n=40, seed=2)}
    )
    assert enough.pair("B1", "B2").verdict != "undecided"


def test_undecided_against_a_group_is_one_sentence() -> None:
    found = compare_bobbins(
        {"B1": spun(7, n=4, sd=0.06, seed=1), "B2": spun(0, seed=2), "B3": spun(1, seed=3)}
    )
    assert found.text.startswith(
        "B2 and B3 match; cannot tell yet whether B1 matches B2 and B3: about "
    )
    assert found.text.count("cannot tell") == 1


def test_what_no_number_of_readings_would_tell_is_said() -> None:
    found = compare_bobbins(
        {"B1": spun(5, n=30, sd=0.3, seed=1), "B2": spun(0, n=30, sd=0.3, seed=2)}
    )
    assert found.pair("B1", "B2").further is None
    assert found.text.endswith("nor would 200 more readings be likely to")


def test_sure_of_a_difference_within_the_margin_is_a_match() -> None:
    found = compare_bobbins(
        {"B1": spun(3, n=60, sd=0.02, seed=1), "B2": spun(0, n=60, sd=0.02, seed=2)}
    )
    pair = found.pair("B1", "B2")
    assert pair.interval_percent[0] > 0
    assert pair.verdict == "match"
    assert compare_bobbins(
        {"B1": spun(3, n=60, sd=0.02, seed=1), "B2": spun(0, n=60, sd=0.02, seed=2)},
        margin_percent=2,
    ).text.startswith("B1 is thicker than B2 by 3.0 % (")


def test_without_groups_every_pair_is_told() -> None:
    found = compare_bobbins({"a": spun(0, seed=1), "b": spun(20, seed=2), "c": spun(50, seed=3)})
    assert found.groups == ()
    assert len(found.sentences) == 3
    assert re.fullmatch(r"b is thicker than a by 20 % \(.*\)", found.sentences[0])
    assert re.fullmatch(r"c is thicker than a by 50 % \(.*\)", found.sentences[1])
    # Named the other way round it reads the same.
    other = compare_bobbins({"b": spun(20, seed=2), "a": spun(0, seed=1)})
    assert other.sentences[0] == found.sentences[0]


def test_what_is_shared_cancels_only_between_readings_taken_the_same_way() -> None:
    logs = 0.02 * np.tile([1.0, -1.0], 20)
    bobbins = {"B1": bobbin(logs, shared=0.05), "B2": bobbin(logs + 0.01, shared=0.05)}
    assert compare_bobbins(bobbins).text == "B1 and B2 match"
    assert compare_bobbins(bobbins, ways={"B1": 1, "B2": 1}).text == "B1 and B2 match"
    for ways in ({"B1": 1, "B2": 2}, {"B1": None, "B2": None}):
        assert compare_bobbins(bobbins, ways=ways).pair("B1", "B2").verdict == "undecided"


def test_of_several_cards_each_pair_is_judged_by_its_own() -> None:
    logs = 0.02 * np.tile([1.0, -1.0], 20)
    bobbins = {name: bobbin(logs + 0.01 * k, shared=0.05) for k, name in enumerate("abcd")}
    found = compare_bobbins(bobbins, ways={"a": 1, "b": 1, "c": 2, "d": 2})
    verdicts = {(p.first, p.second): p.verdict for p in found.pairs}
    assert {pair for pair, verdict in verdicts.items() if verdict == "match"} == {
        ("a", "b"),
        ("c", "d"),
    }
    # What two cards are off by: the root of the sum of squares, whichever two bobbins it is.
    low, high = found.pair("a", "c").interval_percent
    reach = 1.96 * math.hypot(0.05, 0.05)
    assert math.log1p(high / 100) - math.log1p(low / 100) > 2 * reach
    assert math.log1p(high / 100) - math.log1p(low / 100) < 2.2 * reach


def test_what_a_card_is_off_by_does_not_average_out_of_its_bobbins() -> None:
    logs = 0.02 * np.tile([1.0, -1.0], 20)
    thin = {name: bobbin(logs + 0.005 * k, shared=0.03) for k, name in enumerate("ab")}
    thick = {name: bobbin(logs + 0.3 + 0.005 * k, shared=0.03) for k, name in enumerate("cd")}
    ways = {"a": 1, "b": 1, "c": 2, "d": 2}
    found = compare_bobbins(thin | thick, ways=ways)
    said = re.search(r"c and d are thicker by \d+ % \((\d+) to (\d+) %\)", found.text)
    assert said is not None, found.text
    low, high = (math.log1p(int(end) / 100) for end in said.groups())
    assert high - low == pytest.approx(2 * 1.96 * math.hypot(0.03, 0.03), abs=0.02)


@pytest.mark.parametrize(
    ("bobbins", "message"),
    [
        ({}, "at least two bobbins"),
        ({"a": 2}, "at least two"),
        ({"a": 5, "b": 1}, "bobbin b has 1"),
    ],
)
def test_what_cannot_be_compared_is_refused(bobbins: dict[str, int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        compare_bobbins({name: bobbin(np.zeros(n)) for name, n in bobbins.items()})


def test_a_margin_is_above_nothing() -> None:
    with pytest.raises(ValueError, match="margin"):
        compare_bobbins({"a": spun(0), "b": spun(0)}, margin_percent=0)


@settings(max_examples=30)
@given(st.floats(-3, 3), st.permutations(["a", "b", "c"]))
def test_neither_unit_nor_order_changes_a_verdict(shift: float, order: list[str]) -> None:
    logs = {
        name: 0.05 * np.random.default_rng(seed).normal(size=12) + 0.04 * seed
        for seed, name in enumerate("abc")
    }
    plain = compare_bobbins({name: bobbin(v) for name, v in logs.items()})
    other = compare_bobbins({name: bobbin(logs[name] + shift) for name in order})
    for a, b in itertools.combinations("abc", 2):
        there, here = plain.pair(a, b), other.pair(a, b)
        assert there.verdict == here.verdict
        sign = 1 if there.first == here.first else -1
        assert math.log1p(here.percent / 100) == pytest.approx(
            sign * math.log1p(there.percent / 100), abs=1e-9
        )


def test_bobbins_all_alike_and_perfectly_read_match() -> None:
    assert (
        compare_bobbins({"a": bobbin(np.zeros(6)), "b": bobbin(np.zeros(6))}).text
        == "a and b match"
    )


@pytest.mark.parametrize("apart", [0.0, math.log(1.1)])
def test_a_false_claim_about_any_of_four_bobbins_is_made_once_in_twenty_at_most(
    apart: float,
) -> None:
    rng = np.random.default_rng(5)
    trials, wrong = 250, 0
    # Truly alike, or by turns exactly the margin apart: the hardest cases of either claim.
    truth = [0.0, apart, 0.0, apart]
    for _ in range(trials):
        found = compare_bobbins(
            {
                name: bobbin(t + 0.05 * rng.normal(size=15))
                for name, t in zip("abcd", truth, strict=True)
            }
        )
        for pair in found.pairs:
            differs = truth["abcd".index(pair.first)] != truth["abcd".index(pair.second)]
            if pair.verdict == ("match" if differs else "differ"):
                wrong += 1
                break
    assert wrong <= binom.ppf(0.9995, trials, 0.05)


def test_names_are_listed_as_people_do() -> None:
    assert listed(["a"]) == "a"
    assert listed(["a", "b"]) == "a and b"
    assert listed(["a", "b", "c"]) == "a, b and c"
