"""Which with which: closed forms, and every division tried by a plain program beside it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from numpy.testing import assert_allclose

from measure.bobbin_profile import BobbinProfile, Profiles, profiles_of
from measure.drift import ReadingPoint
from measure.pairing import (
    LEFT_OVER_PERCENT,
    REWINDING_PERCENT,
    End,
    Plying,
    recommend_pairing,
)
from measure.ply_geometry import ply_factor

CELLS = 48


def profiles(
    *diameters: Sequence[float], lengths: Sequence[float] = (), scatter: float = 0.0
) -> Profiles:
    """Bobbins A, B, ... of these diameters from their beginning on."""
    return Profiles(
        tuple(
            BobbinProfile(name, lengths[k] if lengths else 1.0, np.array(d, dtype=float), 0.0)
            for k, (name, d) in enumerate(zip("ABCDEFGHIJKL", diameters, strict=False))
        ),
        scatter,
    )


def slope(start: float, end: float) -> list[float]:
    return np.linspace(start, end, CELLS).tolist()


def wild(k: int, seed: int, lengths: Sequence[float] = ()) -> Profiles:
    rng = np.random.default_rng(seed)
    waves = rng.normal(size=(k, 3)) * [0.1, 0.1, 0.05]
    x = np.linspace(-1, 1, CELLS)
    return profiles(*(np.exp(a + b * x + c * np.cos(3 * x)) for a, b, c in waves), lengths=lengths)


def names(plying: Plying) -> set[frozenset[str]]:
    return {frozenset(end.name for end in group.ends) for group in plying.groups}


# --- closed forms -----------------------------------------------------------------------------


def test_two_bobbins_that_both_grew_thicker_are_plied_head_to_tail() -> None:
    found = recommend_pairing(profiles(slope(0.9, 1.1), slope(0.9, 1.1)), 2)
    # One rewound: 0.9 meets 1.1 all along. As they come: the whole slope stays.
    assert sum(end.rewound for end in found.best.groups[0].ends) == 1
    assert found.best.drift_percent == pytest.approx(0, abs=1e-9)
    assert_allclose(found.best.groups[0].diameter_mm, ply_factor(2), rtol=1e-12)
    # CV of a slope from 0.9 to 1.1 in 48 cells: 0.2/sqrt(12) times root of (48 + 1)/(48 - 1).
    assert found.own.drift_percent == pytest.approx(100 * 0.2 / math.sqrt(12) * math.sqrt(49 / 47))
    assert found.worst.drift_percent == pytest.approx(found.own.drift_percent)
    assert [end.rewound for end in found.own.groups[0].ends] == [False, False]


def test_a_bobbin_comes_off_in_the_reverse_of_how_it_went_on() -> None:
    found = recommend_pairing(profiles(slope(0.8, 1.0), slope(1.0, 1.0)), 2)
    first, last = found.own.groups[0].diameter_mm[[0, -1]] / ply_factor(2)
    assert first == pytest.approx(1.0)
    assert last == pytest.approx(0.9)


def test_thick_goes_with_thin() -> None:
    flat = [[d] * CELLS for d in (0.8, 0.9, 1.1, 1.2)]
    found = recommend_pairing(profiles(*flat), 2)
    assert names(found.best) == {frozenset("AD"), frozenset("BC")}
    assert names(found.worst) == {frozenset("AB"), frozenset("CD")}
    assert found.best.drift_percent == pytest.approx(0, abs=1e-9)
    assert found.worst.drift_percent == pytest.approx(15)
    assert not any(end.rewound for group in found.best.groups for end in group.ends)


@pytest.mark.parametrize("plies", [2, 3, 4])
def test_the_plies_own_scatter_averages_by_the_root_of_their_number(plies: int) -> None:
    # The doubling law: n independent strands have a CV 1/sqrt(n) of one strand's.
    flat = profiles(*[[1.0] * CELLS] * plies, scatter=20.0)
    found = recommend_pairing(flat, plies)
    assert found.best.cv_percent == pytest.approx(20 / math.sqrt(plies))
    low, high = found.best.wpi_interval
    middle, reach = 25.4 / ply_factor(plies), 1.96 * 0.2 / math.sqrt(plies)
    assert_allclose((low, high), (middle / (1 + reach), middle / (1 - reach)), rtol=0.005)
    assert "makes no difference" in found.sentence


# --- every division tried ---------------------------------------------------------------------


def divisions(names: tuple[str, ...], n: int, spare: int) -> Iterator[list[tuple[str, ...]]]:
    if not names:
        yield []
        return
    first, rest = names[0], names[1:]
    for mates in itertools.combinations(rest, n - 1):
        left = tuple(name for name in rest if name not in mates)
        for tail in divisions(left, n, spare):
            yield [(first, *mates), *tail]
    if spare:
        yield from divisions(rest, n, spare - 1)


def plain_costs(found: Profiles, division: list[tuple[End, ...]], n: int) -> tuple[float, float]:
    """The cost as the module's text defines it, cell by cell, with and without rewinding."""
    plied = {end.name for group in division for end in group}
    cell = max(b.length for b in found.bobbins) / CELLS
    cells = {b.name: b.in_cells(cell) for b in found.bobbins if b.name in plied}
    everything = np.concatenate(list(cells.values()))
    mean = everything.mean()
    left, total, trouble = (LEFT_OVER_PERCENT / 100) ** 2, 0.0, 0.0
    for group in division:
        strands = []
        for end in group:
            strands.append(list(cells[end.name] if end.rewound else cells[end.name][::-1]))
            if end.rewound:
                trouble += len(strands[-1]) / n * (REWINDING_PERCENT / 100) ** 2
        while all(strands):
            meeting = [strand.pop(0) for strand in strands]
            total += (sum(meeting) / n / mean - 1) ** 2
        total += sum(((d / mean - 1) ** 2 + left) / n for strand in strands for d in strand)
    return (total + trouble) / (len(everything) / n), total / (len(everything) / n)


@pytest.mark.parametrize(
    ("k", "n", "lengths"),
    [
        (2, 2, ()),
        (4, 2, ()),
        (6, 2, ()),
        (5, 2, ()),
        (6, 3, ()),
        (5, 3, ()),
        (4, 4, ()),
        (4, 2, (1.0, 0.7, 0.85, 1.0)),
        (5, 2, (1.0, 0.7, 0.85, 1.0, 0.4)),
        (5, 3, (1.0, 0.9, 0.85, 1.0, 0.95)),
    ],
)
def test_no_division_is_better_than_the_best_or_worse_than_the_worst(
    k: int, n: int, lengths: tuple[float, ...]
) -> None:
    found = wild(k, seed=10 * k + n, lengths=lengths)
    costs, raw = [], []
    for division in divisions(tuple("ABCDEFGHIJKL"[:k]), n, k % n):
        turns = itertools.product((False, True), repeat=n * len(division))
        for turn in turns:
            flags = iter(turn)
            ends = [tuple(End(name, next(flags)) for name in group) for group in division]
            charged, plain = plain_costs(found, ends, n)
            costs.append(charged)
            raw.append(plain)
    told = recommend_pairing(found, n)
    best = [group.ends for group in told.best.groups]
    worst = [group.ends for group in told.worst.groups]
    assert told.best.cost == pytest.approx(min(costs), rel=1e-9)
    assert plain_costs(found, best, n)[0] == pytest.approx(min(costs), rel=1e-9)
    assert plain_costs(found, worst, n)[1] == pytest.approx(max(raw), rel=1e-9)
    assert len(told.best.left_over) == k % n


def test_without_rewinding_all_come_off_as_they_are() -> None:
    found = recommend_pairing(wild(6, seed=1), 2, may_rewind=False)
    assert not any(end.rewound for group in found.best.groups for end in group.ends)
    assert recommend_pairing(wild(6, seed=1), 2).best.cost < found.best.cost


def test_twelve_bobbins_are_divided_better_than_by_chance() -> None:
    told = recommend_pairing(wild(12, seed=2), 2)
    assert told.best.drift_percent < 0.5 * told.own.drift_percent < told.worst.drift_percent
    rng = np.random.default_rng(3)
    for _ in range(12):
        order = rng.permutation(list("ABCDEFGHIJKL")).tolist()
        turned = rng.integers(0, 2, 12).tolist()
        own = [
            [End(order[i], bool(turned[i])), End(order[i + 1], bool(turned[i + 1]))]
            for i in range(0, 12, 2)
        ]
        chance = recommend_pairing(wild(12, seed=2), 2, own=own).own
        assert told.best.cost <= chance.cost
        assert chance.drift_percent <= told.worst.drift_percent + 1e-9


def test_the_evenness_foretold_is_that_of_the_yarn_plied() -> None:
    rng = np.random.default_rng(6)
    x = (np.arange(400) + 0.5) / 400
    foretold, true, in_order = [], [], []
    for _ in range(25):
        drifts = [0.06 * a + 0.15 * b * (x - 0.5) for a, b in rng.normal(size=(4, 2))]
        at = (np.arange(20) + 0.5) / 20
        readings = {
            name: [
                ReadingPoint(0.8 * math.exp(v), 1e-6)
                for v in np.interp(at, x, drift) + 0.04 * rng.normal(size=20)
            ]
            for name, drift in zip("ABCD", drifts, strict=True)
        }
        told = recommend_pairing(profiles_of(readings), 2)
        for plying, out in ((told.best, true), (told.own, in_order)):
            plied = [
                sum(
                    np.exp(drifts["ABCD".index(e.name)])[:: 1 if e.rewound else -1]
                    for e in group.ends
                )
                for group in plying.groups
            ]
            yarn = np.concatenate(plied)
            out.append(100 * math.hypot(yarn.std() / yarn.mean(), 0.04 / math.sqrt(2)))
        foretold.append(told.best.cv_percent)
    # Twenty readings with a scatter of 4 % on each of four bobbins.
    assert np.mean(foretold) == pytest.approx(np.mean(true), rel=0.1)
    assert np.mean(true) < 0.8 * np.mean(in_order)


def test_another_unit_of_length_or_thickness_changes_no_choice() -> None:
    plain = wild(6, seed=4, lengths=(1, 0.9, 0.8, 1, 0.95, 1))
    other = Profiles(
        tuple(
            BobbinProfile(b.name, 37 * b.length, 0.4 * b.diameter_mm, b.u_percent)
            for b in plain.bobbins
        ),
        plain.scatter_percent,
    )
    there, here = recommend_pairing(plain, 3), recommend_pairing(other, 3)
    assert str(there.best) == str(here.best)
    assert here.best.drift_percent == pytest.approx(there.best.drift_percent)
    assert here.best.groups[0].length == pytest.approx(37 * there.best.groups[0].length)


def test_what_is_left_over_is_told() -> None:
    found = recommend_pairing(
        profiles([1.0] * CELLS, [1.0] * CELLS, [1.0] * CELLS, lengths=(1.0, 0.5, 1.0)), 2
    )
    assert names(found.best) == {frozenset("AC")}
    assert found.best.left_over == ("B",)
    assert found.best.left_over_share == pytest.approx(0.2)
    assert found.own.left_over == ("C",)
    assert found.own.left_over_share == pytest.approx(1.5 / 2.5)


def test_sentences() -> None:
    told = recommend_pairing(profiles(slope(0.9, 1.1), slope(0.9, 1.1), scatter=3.0), 2)
    # One scatter of 3/sqrt(2) % about 1.6366 mm, nothing else; the slope's 5.9 % beside it.
    assert told.sentence == (
        "ply A + B rewound: 14.9 to 16.2 WPI, CV 2.1 %; taken in order 14 to 17 WPI, CV 6.3 %; "
        "at worst 14 to 17 WPI, CV 6.3 %"
    )
    own = [[End("A", True), End("B", False)]]
    both = profiles(slope(0.9, 1.1), slope(0.9, 1.1), scatter=3.0)
    ill = recommend_pairing(both, 2, own=[[End("B", False), End("A", False)]])
    assert "; as you have it 14 to 17 WPI, CV 6.3 %; " in ill.sentence
    again = recommend_pairing(both, 2, own=own)
    assert again.sentence.startswith("your own choice is as even as any: 14.9 to 16.2 WPI")


@pytest.mark.parametrize(
    ("k", "plies", "own", "message"),
    [
        (3, 1, None, "2 to 6 plies"),
        (3, 7, None, "2 to 6 plies"),
        (2, 3, None, "3 plies need 3 to 12 bobbins, not 2"),
        (4, 2, [["A", "A"]], "none of them twice"),
        (4, 2, [["A", "Z"]], "none of them twice"),
        (4, 2, [["A", "B", "C"]], "each name 2"),
        (4, 2, [], "each name 2"),
    ],
)
def test_what_cannot_be_plied_is_refused(
    k: int, plies: int, own: list[list[str]] | None, message: str
) -> None:
    ends = None if own is None else [[End(name, False) for name in group] for group in own]
    with pytest.raises(ValueError, match=message):
        recommend_pairing(wild(k, seed=0), plies, own=ends)


def test_two_bobbins_of_one_name_are_refused() -> None:
    bobbin = BobbinProfile("A", 1.0, np.ones(4), 0.0)
    with pytest.raises(ValueError, match="same name"):
        recommend_pairing(Profiles((bobbin, bobbin), 0.0), 2)
