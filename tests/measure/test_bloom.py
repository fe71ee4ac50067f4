"""What skeins teach: against a plain regression, known limits, and simulated spinners."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

import measure.bloom as bloom
from measure.bloom import STEPS, Known, Pair, fibres_alike, learn
from measure.ply_geometry import ply_factor
from tests.bench.plan import outcomes


def skein(
    name: str = "S",
    ply: float = 0.0,
    wash: float = 0.0,
    *,
    plies: int = 2,
    method: bloom.Method = "plied",
    fibre: str = "merino top",
    u: float = 0.01,
    single: float = 0.5,
    tex: float | None = None,
) -> Pair:
    """A skein whose yarn is so much over geometry, in logarithms."""
    plied = single * ply_factor(plies) * math.exp(ply)
    washed = plied * math.exp(wash)
    sizes = (Known(d, u * d) for d in (single, plied, washed))
    first, second, third = sizes
    grist = None if tex is None else Known(tex, u * tex)
    return Pair(name, method, fibre, plies, first, None, second, third, grist)


# --- the first guess --------------------------------------------------------------------------


def test_the_first_guess_holds_every_published_rule() -> None:
    # Finished yarn over its single: a two-ply 1.5 (askthebellwether.blogspot.com 2007/08) to 2
    # (a spinner's blog, 28 to 14 wraps); a three-ply 2 (the first again).
    for plies, rules in ((2, (1.5, 2.0)), (3, (2.0,))):
        low, high = learn([], "plied", plies, "wool").finished.interval
        for rule in rules:
            assert low < rule / ply_factor(plies) < high


def test_the_first_guess_of_density_holds_every_published_skein() -> None:
    # By k = wraps/root(yd/lb) and density 0.978976 k^2: 16 WPI at 1900 yd/lb and 18 at 1700
    # (A. Franquemont, interweave.com), tight wraps of 14 per inch at 280 (textilelinks.com) not:
    # those are squeezed as in cloth.
    low, high = learn([], "plied", 2, "wool").density.interval
    for wraps, grist in ((16, 1900), (18, 1700)):
        assert low < 0.978976 * wraps**2 / grist < high
    assert high < 0.978976 * 14**2 / 280


def test_nothing_is_learned_from_one_stage() -> None:
    alone = Pair("A", "plied", "wool", 2, washed_mm=Known(1.0, 0.01))
    assert not alone.teaches
    found = learn([alone], "plied", 2, "wool")
    assert found.lessons == ()
    assert found.finished.interval == learn([], "plied", 2, "wool").finished.interval


# --- against a plain regression -----------------------------------------------------------------


def test_it_is_the_conditional_of_one_large_normal(monkeypatch: pytest.MonkeyPatch) -> None:
    # With the chances known, the prediction is the textbook conditional of a joint normal of all
    # unknowns, written out here without any kernel: level, method, fibre, chance of each step.
    monkeypatch.setattr(bloom, "_CHANCES", np.array([1.0]))
    pairs = [
        skein("A", 0.10, 0.08),
        skein("B", 0.05, 0.15, method="chain-plied", plies=3),
        skein("C", -0.05, 0.0, fibre="linen", u=0.03),
    ]
    found = learn(pairs, "plied", 2, "merino top").finished
    # Unknowns of ply and wash: g, method plied-any, chained-any, plied-2, chained-3, fibre 1, 2,
    # and a chance for each skein and for the next.
    n = 7 + 4
    variances = np.zeros(2 * n)
    rows = np.zeros((4, 2, 2 * n))
    for s, step in enumerate((STEPS[bloom.PLY], STEPS[bloom.WASH])):
        at = s * n
        half = step.method**2 / 2
        variances[at : at + n] = [
            step.general**2, half, half, half, half, step.fibre**2, step.fibre**2,
            *[step.chance**2] * 4,
        ]  # fmt: skip
        for k, parts in enumerate(((0, 1, 3, 5), (0, 2, 4, 5), (0, 1, 3, 6), (0, 1, 3, 5))):
            rows[k, s, [at + p for p in (*parts, 7 + k)]] = 1
    observed, values, noise = [], [], np.zeros((6, 6))
    for k, pair in enumerate(pairs):
        assert pair.single_mm is not None
        assert pair.plied_mm is not None
        assert pair.washed_mm is not None
        wide = math.log(ply_factor(pair.plies) * pair.single_mm.value)
        observed += [rows[k, 0], rows[k, 0] + rows[k, 1]]
        values += [math.log(pair.plied_mm.value) - wide, math.log(pair.washed_mm.value) - wide]
        u2 = (pair.plied_mm.u / pair.plied_mm.value) ** 2
        noise[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = u2 * np.array([[2, 1], [1, 2]])
    design = np.array([*observed, rows[3, 0] + rows[3, 1]])
    joint = design @ np.diag(variances) @ design.T
    joint[:6, :6] += noise
    mean = np.array([0.0, 0.05, 0.0, 0.05, 0.0, 0.05, 0.05])
    weights = np.linalg.solve(joint[:6, :6], joint[:6, 6])
    assert found.mean == pytest.approx(mean[6] + weights @ (np.array(values) - mean[:6]), abs=1e-5)
    assert found.sd == pytest.approx(math.sqrt(joint[6, 6] - joint[6, :6] @ weights), rel=1e-3)
    # And the weights of the chances are those of that normal's density.
    monkeypatch.undo()
    free = learn(pairs, "plied", 2, "merino top").finished
    chances = np.tile([0.0] * 7 + [1.0] * 4, 2) > 0
    logs = []
    for multiple in bloom._CHANCES:
        scaled = np.where(chances, multiple**2, 1.0) * variances
        covariance = design[:6] @ np.diag(scaled) @ design[:6].T + noise
        spread = -0.5 * (math.log(multiple) / bloom._CHANCE_SPREAD) ** 2
        logs.append(spread + multivariate_normal(mean[:6], covariance).logpdf(values))
    expected = np.exp(np.array(logs) - max(logs))
    np.testing.assert_allclose(free.weights, expected / expected.sum(), rtol=0.02, atol=1e-4)


def test_a_pull_is_what_changes_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bloom, "_CHANCES", np.array([1.0]))
    pairs = [skein("A", 0.1, 0.1), skein("B", 0.2, 0.1, fibre="linen"), skein("C", 0.0, 0.0)]
    whole = learn(pairs, "plied", 2, "merino top")
    for k, lesson in enumerate(whole.lessons):
        without = learn(pairs[:k] + pairs[k + 1 :], "plied", 2, "merino top")
        change = whole.finished.middle / without.finished.middle - 1
        assert lesson.pull_percent == pytest.approx(100 * change, abs=1e-6)


# --- limits known beforehand --------------------------------------------------------------------


def test_many_skeins_alike_are_believed() -> None:
    pairs = [skein(f"S{k}", 0.12, 0.06, tex=300) for k in range(40)]
    found = learn(pairs, "plied", 2, "merino top")
    assert found.ply.mean == pytest.approx(0.12, abs=0.01)
    assert found.wash.mean == pytest.approx(0.06, abs=0.01)
    assert found.finished.mean == pytest.approx(0.18, abs=0.01)
    washed = 0.5 * ply_factor(2) * math.exp(0.18)
    # Mass of a metre over the circle of its width.
    assert found.density.middle == pytest.approx(0.3 / (math.pi / 4 * washed**2), rel=0.03)


def test_likeness_decides_how_much_is_believed() -> None:
    pairs = [skein(f"S{k}", 0.15, 0.1) for k in range(4)]
    same = learn(pairs, "plied", 2, "merino top").finished
    kin = learn(pairs, "plied", 3, "merino roving").finished
    other = learn(pairs, "chain-plied", 3, "linen").finished
    nothing = learn([], "plied", 2, "merino top").finished
    assert 0.25 > same.mean > kin.mean > other.mean > nothing.mean
    assert same.sd < kin.sd < other.sd < nothing.sd


def test_stages_that_are_missing_are_done_without() -> None:
    whole = skein("A", 0.1, 0.1)
    only_ends = replace(whole, plied_mm=None)
    found = learn([only_ends], "plied", 2, "merino top")
    assert found.lessons[0].ply_percent is None
    assert found.finished.mean > 0.05
    relaxed = replace(whole, single_mm=None, relaxed_mm=Known(0.52, 0.005))
    assert learn([relaxed], "plied", 2, "merino top").finished.sd < found.finished.sd * 1.2
    loose = replace(whole, relaxed_mm=Known(0.6, 0.005))
    assert learn([loose], "plied", 2, "merino top").relax.mean > STEPS[bloom.RELAX].guess


def test_a_slip_stands_apart_and_honest_scatter_does_not() -> None:
    noise = np.random.default_rng(4).normal(0, 0.03, (8, 2))
    pairs = [skein(f"S{k}", 0.1 + a, 0.05 + b) for k, (a, b) in enumerate(noise)]
    assert not any(lesson.stands_apart for lesson in learn(pairs, "plied", 2, "wool").lessons)
    # The single read instead of the plied yarn: as thick as 1/1.64 of it.
    slip = skein("slip", 0.1 - math.log(ply_factor(2)), 0.05)
    found = learn([*pairs, slip], "plied", 2, "wool").lessons
    assert [lesson.pair.name for lesson in found if lesson.stands_apart] == ["slip"]


def test_fibres_are_alike_by_their_words() -> None:
    assert fibres_alike("Shetland and silk", "silk, SHETLAND 60/40") == 1
    assert fibres_alike("merino", "linen") == 0
    assert fibres_alike("merino top", "merino roving") == pytest.approx(1 / 3)
    assert fibres_alike("", "") == 1
    assert fibres_alike("", "merino") == 0


# --- invariances ----------------------------------------------------------------------------------


@settings(max_examples=10)
@given(st.floats(0.3, 3), st.permutations(range(3)))
def test_neither_unit_nor_order_matters(scale: float, order: list[int]) -> None:
    pairs = [skein("A", 0.1, 0.1), skein("B", 0.2, 0.0, fibre="linen"), skein("C", 0.0, 0.1)]

    def scaled(known: Known | None) -> Known | None:
        return None if known is None else Known(scale * known.value, scale * known.u)

    other = [
        replace(
            pairs[k],
            single_mm=scaled(pairs[k].single_mm),
            plied_mm=scaled(pairs[k].plied_mm),
            washed_mm=scaled(pairs[k].washed_mm),
        )
        for k in order
    ]
    one, two = (learn(p, "plied", 2, "merino top").finished for p in (pairs, other))
    assert two.mean == pytest.approx(one.mean, abs=1e-9)
    assert two.sd == pytest.approx(one.sd, rel=1e-9)


def test_sizes_without_doubt_can_be_learned_from() -> None:
    found = learn([skein("A", 0.1, 0.1, u=0.0)] * 3, "plied", 2, "merino top").finished
    assert math.isfinite(found.mean)
    assert found.sd > 0


def test_what_is_no_skein_is_refused() -> None:
    with pytest.raises(ValueError, match="no measured size"):
        Known(0.0)
    with pytest.raises(ValueError, match="no such way"):
        Pair("A", "plied", "wool", 0)
    with pytest.raises(ValueError, match="no way"):
        learn([], "plied", 0, "wool")


# --- simulated spinners: the short version of tests/bench/plan.py ---------------------------------


def test_the_interval_holds_the_yarn_and_halves_after_four_skeins() -> None:
    found = list(outcomes(80, 3, (0, 4), kinds=("same fibre",)))
    held = {n: np.mean([o.held for o in found if o.skeins == n]) for n in (0, 4)}
    length = {n: np.mean([o.length for o in found if o.skeins == n]) for n in (0, 4)}
    # 95 % +/- 3 %; 80 spinners know the mean share to about one per cent.
    assert 0.92 <= held[0] <= 0.98
    assert 0.92 <= held[4] <= 0.98
    assert length[4] <= 0.5 * length[0]
