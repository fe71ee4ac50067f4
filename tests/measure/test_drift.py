"""What is said of a bobbin's drift: known series, invariances and simulated bobbins."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike
from scipy.stats import binom

from measure.band import Band
from measure.drift import (
    FIRST_READINGS,
    RECENT_READINGS,
    Drift,
    ReadingPoint,
    trend_of,
    watch_drift,
)
from measure.results import OWN_PARTS, SHARED_PARTS

DEFINITIONS = Path(__file__).parents[2] / "docs" / "definitions.md"


def bobbin(
    logs: ArrayLike, *, u: float = 0.01, grams: float | None = 0.9, cv: float | None = 9.0
) -> list[ReadingPoint]:
    """Readings of these log diameters, each as unsure, `grams` spun between two of them."""
    return [
        ReadingPoint(
            diameter_mm=math.exp(log),
            u_diameter_mm=u * math.exp(log),
            cv_percent=cv,
            spun_g=None if grams is None else grams * place,
            sitting="first",
        )
        for place, log in enumerate(np.asarray(logs, dtype=float).tolist())
    ]


def scatter(n: int, sd: float, seed: int = 1) -> np.ndarray:
    return sd * np.random.default_rng(seed).normal(size=n)


# --- sentences --------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "taken"), [(0, "none"), (1, "1"), (4, "4")])
def test_too_few_readings_are_said_to_be(n: int, taken: str) -> None:
    drift = watch_drift(bobbin(np.zeros(n)), Band(0.5, 2.0))
    assert drift.state == "too_few"
    assert drift.sentence == f"not enough readings yet (5 needed, {taken} taken)"
    assert drift.trend is None
    assert drift.trend_percent is None
    assert len(drift.ewma_mm) == len(drift.lower_mm) == n


def test_a_steady_bobbin() -> None:
    drift = watch_drift(bobbin(scatter(40, 0.03)))
    assert drift.state == "steady"
    assert re.fullmatch(
        r"steady: no drift larger than [4-9] % over the last 20 readings, about 17 g",
        drift.sentence,
    )
    assert drift.alarms == ()


def test_a_spin_growing_thicker() -> None:
    rise = np.clip(np.arange(34) - 14, 0, None) * math.log(1.10) / 19
    drift = watch_drift(bobbin(scatter(34, 0.02) + rise))
    assert drift.state == "thicker"
    said = re.fullmatch(
        r"drifting thicker: (\d+) % \((\d+) to (\d+) %\) over the last 20 readings, about 17 g",
        drift.sentence,
    )
    assert said is not None
    size, low, high = (int(number) for number in said.groups())
    assert low <= 10 <= high
    assert abs(size - 10) <= 4
    assert drift.alarms[-1] == 33


def test_the_same_spin_growing_thinner_is_said_in_the_same_words() -> None:
    rise = np.clip(np.arange(34) - 14, 0, None) * math.log(1.10) / 19
    logs = scatter(34, 0.02) + rise
    thicker, thinner = watch_drift(bobbin(logs)), watch_drift(bobbin(-logs))
    assert thinner.state == "thinner"
    assert thinner.sentence.startswith("drifting thinner: ")
    assert "-" not in thinner.sentence
    assert thinner.alarms == thicker.alarms
    assert thicker.trend_percent is not None
    assert thinner.trend_percent is not None
    # Per cent of a ratio and of the ratio turned over.
    assert 1 + thinner.trend_percent / 100 == pytest.approx(1 / (1 + thicker.trend_percent / 100))


def test_a_drift_that_has_stopped_is_told_against_the_first_readings() -> None:
    logs = scatter(50, 0.02) + 0.1 * (np.arange(50) >= 20)
    drift = watch_drift(bobbin(logs, grams=None))
    assert re.fullmatch(
        r"thicker than the first 8 readings by \d+ % \(\d+ to \d+ %\), "
        r"no clear drift over the last 20 readings",
        drift.sentence,
    )
    assert drift.from_first_interval is not None
    assert drift.from_first_interval[0] < 100 * math.expm1(0.1) < drift.from_first_interval[1]


def test_a_step_is_told_as_a_step_and_not_as_more_than_it_was() -> None:
    truth = math.log(1.1)
    logs = scatter(40, 0.02) + truth * (np.arange(40) >= 30)
    drift = watch_drift(bobbin(logs))
    assert re.fullmatch(
        r"thicker by a step: \d+ % \(\d+ to \d+ %\) in the last 10 readings against the 10 "
        r"before, about 9 g",
        drift.sentence,
    )
    assert drift.step is not None
    low, high = drift.step.interval_percent
    assert low < 10 < high
    assert drift.trend is not None
    # Of a line through equal numbers before and after a step, n large: 3/2 of it.
    assert drift.trend.percent > 13
    thinner = watch_drift(bobbin(-logs))
    assert thinner.sentence.startswith("thinner by a step: ")
    assert "-" not in thinner.sentence
    early = watch_drift(bobbin(logs[26:34], grams=None))
    assert re.fullmatch(
        r"too early to call: thicker by \d+ % \(\d+ to \d+ %\) in the last 4 readings against the "
        r"4 before",
        early.sentence,
    )


def test_a_drift_that_is_coming_back_and_one_that_has_come_back() -> None:
    hump = 0.3 * np.exp(-(((np.arange(60) - 25) / 8.0) ** 2))
    logs = scatter(60, 0.01) + hump
    coming = watch_drift(bobbin(logs[:42]))
    assert re.match(r"thicker than .*, but coming back: \d+ % \(", coming.sentence)
    come = next(
        d for d in (watch_drift(bobbin(logs[:n])) for n in range(43, 61)) if d.state != "thicker"
    )
    assert come.sentence == "back near the first 8 readings for the last reading"


def test_a_change_that_chance_could_make_is_not_called_a_drift() -> None:
    logs = np.linspace(0, 0.1, 7) + scatter(7, 0.01)
    drift = watch_drift(bobbin(logs))
    assert drift.state == "unclear"
    assert re.match(r"too early to call: thicker by \d+ % \(.* over all 7 readings", drift.sentence)


def test_much_scatter_rules_little_out() -> None:
    drift = watch_drift(bobbin(scatter(9, 0.1), grams=None))
    assert drift.state == "unclear"
    assert re.fullmatch(
        r"no drift seen, but \d\d % over all 9 readings cannot be ruled out yet", drift.sentence
    )


def test_readings_of_quite_different_yarns_tell_no_drift() -> None:
    drift = watch_drift(bobbin(scatter(9, 0.6), grams=None))
    assert drift.state == "unclear"
    assert drift.sentence == "readings too far apart to tell a drift over all 9 readings"


@pytest.mark.parametrize(
    ("middle", "words"),
    [
        (1.0, "; within the band"),
        (1.2, "; thinner than the band"),
        (0.8, "; thicker than the band"),
        (1 / 1.095, "; in the band, near its edge"),
        (1 / 1.103, "; at the band's thick edge"),
        (1 / 0.897, "; at the band's thin edge"),
    ],
)
def test_the_band_is_told_beside_the_drift(middle: float, words: str) -> None:
    logs = scatter(40, 0.02)
    logs -= watch_drift(bobbin(logs)).ewma_mm[-1] - 1
    drift = watch_drift(bobbin(logs), Band.around_mm(middle, 10))
    assert drift.sentence.endswith(words)
    outside = bool(drift.outside_band) and drift.outside_band[-1] == 39
    assert outside == ("than the band" in words)


def test_steady_asks_for_less_drift_where_the_band_is_narrow() -> None:
    readings = bobbin(scatter(40, 0.03))
    assert watch_drift(readings, Band.around_mm(1.0, 10)).state == "steady"
    assert watch_drift(readings, Band.around_mm(1.0, 2)).state == "unclear"


# --- numbers ----------------------------------------------------------------------------------


def test_variation_is_told_apart() -> None:
    rng = np.random.default_rng(3)
    drift = watch_drift(bobbin(np.hypot(0.04, 0.02) * rng.normal(size=400), u=0.02, cv=12.0))
    assert drift.within_percent == pytest.approx(12)
    assert drift.reading_percent == pytest.approx(2)
    # Of some 270 degrees of freedom; pulling far differences in takes a hundredth.
    assert drift.between_percent == pytest.approx(4, rel=0.15)
    unknown = watch_drift(bobbin(np.zeros(9), cv=None))
    assert unknown.within_percent is None


def test_doubt_that_all_readings_share_does_not_hide_a_drift() -> None:
    logs = scatter(30, 0.02) + 0.15 * np.arange(30) / 29
    own = bobbin(logs, u=0.01)
    shared = [
        ReadingPoint(
            r.diameter_mm, math.hypot(r.u_diameter_mm, 0.05), u_shared_mm=0.05, spun_g=r.spun_g
        )
        for r in own
    ]
    assert_allclose(watch_drift(shared).upper_mm, watch_drift(own).upper_mm, rtol=1e-6)
    assert watch_drift(shared).state == "thicker"


def test_the_trend_runs_against_grams_where_they_are_known_and_rise() -> None:
    grams = np.array([0, 1, 2, 3, 10, 20, 30, 40.0])
    logs = 0.005 * grams

    def weighed(values: list[float | None]) -> list[ReadingPoint]:
        return [
            ReadingPoint(math.exp(log), 0.01, spun_g=g)
            for log, g in zip(logs.tolist(), values, strict=True)
        ]

    trend = trend_of(weighed(grams.tolist()))
    assert trend.by == "gram"
    assert trend.percent == pytest.approx(100 * math.expm1(0.2), rel=1e-4)
    assert trend.line.slope == pytest.approx(0.005, rel=1e-4)
    assert trend_of(weighed([None, *grams[1:].tolist()])).by == "reading"
    backwards = trend_of(weighed([40.0, *grams[1:].tolist()]))
    assert backwards.by == "reading"
    assert backwards.grams is None


def test_the_trend_is_that_of_the_last_readings_alone() -> None:
    logs = scatter(60, 0.02)
    drift = watch_drift(bobbin(logs))
    assert drift.trend == trend_of(bobbin(logs)[-RECENT_READINGS:])


def test_the_chart_is_blank_until_the_first_readings_are_in() -> None:
    drift = watch_drift(bobbin(scatter(FIRST_READINGS, 0.02)))
    assert np.isnan(drift.centre_mm).all()
    assert np.isfinite(drift.ewma_mm).all()
    assert drift.first_readings == 0
    more = watch_drift(bobbin(scatter(FIRST_READINGS + 2, 0.02)))
    assert more.first_readings == FIRST_READINGS
    assert np.isnan(more.centre_mm).sum() == FIRST_READINGS
    assert np.all(more.lower_mm[FIRST_READINGS:] < more.centre_mm[FIRST_READINGS:])


def test_one_slub_raises_no_alarm() -> None:
    logs = scatter(40, 0.03)
    logs[25] = 0.6
    assert watch_drift(bobbin(logs)).alarms == ()


logs_of_readings = st.lists(st.floats(-0.4, 0.4), min_size=5, max_size=40)


@settings(max_examples=60)
@given(logs_of_readings, st.floats(-3, 3))
def test_another_unit_changes_nothing_said(logs: list[float], shift: float) -> None:
    plain = watch_drift(bobbin(logs), Band.around_mm(1.0, 10))
    other = watch_drift(bobbin(np.array(logs) + shift), Band.around_mm(math.exp(shift), 10))
    assert _near_a_limit(plain) or other.alarms == plain.alarms
    assert_allclose(other.ewma_mm, plain.ewma_mm * math.exp(shift), rtol=1e-9)
    assert_allclose(other.upper_mm, plain.upper_mm * math.exp(shift), rtol=1e-6)
    assert_allclose(other.trend_interval, plain.trend_interval, rtol=1e-5, atol=1e-6)


def _near_a_limit(drift: Drift) -> bool:
    gaps = np.concatenate([drift.ewma_mm / drift.upper_mm - 1, drift.ewma_mm / drift.lower_mm - 1])
    return bool(np.nanmin(np.abs(gaps), initial=1.0) < 1e-9)


@settings(max_examples=60)
@given(logs_of_readings)
def test_the_other_way_round_the_trend_has_the_other_sign(logs: list[float]) -> None:
    there = trend_of(bobbin(logs, grams=None)).line
    back = trend_of(bobbin(logs[::-1], grams=None)).line
    assert back.slope == pytest.approx(-there.slope, rel=1e-6, abs=1e-10)
    assert back.u_slope == pytest.approx(there.u_slope, rel=1e-5, abs=1e-9)


def test_the_trend_of_simulated_bobbins_holds_the_truth() -> None:
    rng = np.random.default_rng(9)
    held, trials = 0, 400
    for _ in range(trials):
        logs = 0.08 * np.arange(20) / 19 + math.hypot(0.04, 0.015) * rng.normal(size=20)
        low, high = trend_of(bobbin(logs, u=0.015)).interval_percent
        held += low <= 100 * math.expm1(0.08) <= high
    assert binom.ppf(0.0005, trials, 0.935) <= held <= binom.ppf(0.9995, trials, 0.97)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
def test_readings_all_alike_are_steady(scale: float) -> None:
    drift = watch_drift(bobbin(np.full(30, math.log(scale))))
    assert drift.state == "steady"
    assert drift.alarms == ()
    assert drift.trend_percent == pytest.approx(0, abs=1e-9)


def test_a_point_that_cannot_be_is_refused() -> None:
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="positive number"):
            ReadingPoint(bad, 0.01)
    with pytest.raises(ValueError, match="shared part"):
        ReadingPoint(1.0, 0.01, u_shared_mm=0.02)


def test_the_shared_parts_are_parts_of_the_budget() -> None:
    named = set(re.findall(r"^\| `(\w+)` \|", DEFINITIONS.read_text("utf-8"), re.MULTILINE))
    assert set(SHARED_PARTS) <= named
    assert not set(SHARED_PARTS) & set(OWN_PARTS)
