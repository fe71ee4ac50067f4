"""A few of the stress collection's pictures, kept as files: they are read, and rightly, or refused.

Drawn by `tests.bench.stress` (each file's truth says from which number) and chosen to show many
kinds at once; how often intervals hold is for `tests.bench.calibration` to say, on pictures that
nobody chose.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from stress_shots import random_shot, take

from measure import PictureReading, Settings, follow, measure_picture, read_picture
from measure.settings import Printer

KEPT = sorted((Path(__file__).parent / "hard_pictures").glob("*.json"))
REFUSED = {"crossing": 1, "grey_ink": 1}
"""Strands that are refused in them besides, by part of the name."""


def reading_of(seed: int) -> PictureReading:
    """What is read in a shot of the collection that is drawn anew."""
    shot = random_shot(seed)
    return measure_picture(take(shot).data, settings=shot.settings)


def test_many_kinds_are_kept() -> None:
    kinds = {kind for path in KEPT for kind in json.loads(path.read_text())["kinds"].values()}
    assert len(kinds) >= 25
    assert sum(file.stat().st_size for file in KEPT[0].parent.iterdir()) < 3_000_000


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_a_hard_picture_is_read_within_its_interval(path: Path) -> None:
    truth: dict[str, Any] = json.loads(path.read_text())
    picture = next(f for f in path.parent.glob(f"{path.stem}.*") if f.suffix != ".json")
    printer = Printer(truth["printer"], truth["printer"])
    reading = measure_picture(picture, settings=Settings(printer=printer, twist=False))
    true_mm = {i: s["diameter_mm"] for i, s in enumerate(truth["strands"], start=1)}
    assert reading.strands
    for strand in reading.strands:
        low, high = strand.diameter_interval_mm
        assert low <= true_mm[strand.number] <= high
        off = strand.diameter_mm / true_mm[strand.number] - 1
        assert abs(off) <= 0.05 or strand.cautions
    refused = sum(n for part, n in REFUSED.items() if part in path.stem)
    assert len(reading.strands) >= len(true_mm) - refused


def test_a_black_strand_that_passes_for_a_grey_one_is_refused() -> None:
    # Fine black strands under a scanner's lamp, colour fringes on their edges: on light ground one
    # with its shadow looks like a grey strand, which would show on the dark bands as well.
    reading = reading_of(50399)
    assert not reading.strands
    assert {r.code for r in reading.refusals} == {"strong_shadow"}


def test_a_stripe_of_light_is_no_strand() -> None:
    # A rolling exposure under a flickering lamp: the empty open lane is banded light and dark.
    reading = reading_of(40056)
    assert {strand.lane for strand in reading.strands} == {"banded"}


@pytest.mark.parametrize(("seed", "code"), [(54089, "off_card"), (62223, "strong_shadow")])
def test_a_strand_above_its_sharp_shadow_is_refused(seed: int, code: str) -> None:
    # Several millimetres above the card, its shadow falls clear of it: taken for a cylinder with
    # its own shadow it would read a fifth to a half too thin. The second is black with specks, so
    # that light ground alone tells of it.
    reading = reading_of(seed)
    assert not reading.strands
    assert {r.code for r in reading.refusals} == {code}


def test_a_strand_unlike_a_cylinder_is_cautioned_for() -> None:
    # Two plies under a hard lamp, 5 % too thin: its face is what tells.
    (strand,) = (s for s in reading_of(98694).strands if s.budget_mm["plies"] == 0.0)
    assert "no_cylinder" in [c.code for c in strand.cautions]


def test_plies_that_show_but_cannot_be_counted_are_allowed_for() -> None:
    # Two plies, as black as the ink they lie on in part.
    reading = reading_of(55009)
    thin = min(reading.strands, key=lambda strand: strand.diameter_mm)
    assert thin.plies is None
    assert "perhaps_plied" in [c.code for c in thin.cautions]
    assert thin.budget_mm["plies"] > 0.005 * thin.diameter_mm


def test_that_it_may_be_plied_is_kept_between_looks_for_twist() -> None:
    shot = random_shot(55009)
    picture = read_picture(take(shot).data)
    codes, seen = [], None
    for twist in (True, False):
        reading, seen = follow(picture, settings=replace(shot.settings, twist=twist), before=seen)
        thin = min(reading.strands, key=lambda strand: strand.diameter_mm)
        assert thin.budget_mm["plies"] > 0.005 * thin.diameter_mm
        codes.append([c.code for c in thin.cautions])
    assert all("perhaps_plied" in each for each in codes)
