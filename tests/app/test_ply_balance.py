"""Ply twist of a skein against the singles on its bobbins, on a real notebook."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import pytest
from logged_strands import a_strand

from app.notebook.store import Notebook
from app.ply_balance import balanced_singles
from app.skein import look_at
from app.skein_json import skein_object
from app.skein_report import sentences_of
from measure.ply_twist import single_turns_band
from measure.results import StrandReading

NOW = datetime(2026, 3, 9, 18, 0, tzinfo=UTC)
PLY_MM = 0.8
PLY_TPI = 5.0
# A two-ply is 1.637 plies wide (Cauchy), and this is what its twist balances, by the torques.
LOW, HIGH = single_turns_band(PLY_TPI, PLY_MM, 2)


@pytest.fixture
def notebook(tmp_path: Path) -> Iterator[Notebook]:
    with Notebook.open(tmp_path / "n.slubwise") as opened:
        yield opened


def said(
    notebook: Notebook, single: float | None, hand: Literal["S", "Z"] = "Z", plies: int = 2
) -> list[str]:
    """What is said of the twist of a skein plied S from bobbins of so much twist."""
    spin = notebook.add_spin("Harbour")
    bobbins = [notebook.add_bobbin(spin.id, name).id for name in ("B1", "B2")]
    for n, bobbin in enumerate(bobbins):
        strand = replace(
            a_strand(n, diameter_mm=PLY_MM),
            turns_per_inch=single,
            twist=None if single is None else hand,
        )
        sitting = notebook.begin_sitting(bobbin, NOW).id
        notebook.log(sitting, strand, taken_at=NOW, posture="tension", printed_card="", source="")
    skein = notebook.add_skein(spin.id, "Harbour 1", bobbins, method="plied")
    skein = notebook.update_skein(replace(skein, plies=plies))
    for n in range(3):
        strand = replace(
            a_strand(n, diameter_mm=1.6366 * PLY_MM), turns_per_inch=PLY_TPI, twist="S"
        )
        notebook.add_section(
            skein.id, strand, taken_at=NOW, washed=False, layer="inside", hour=n + 1,
            printed_card="desk 1", source="camera",
        )  # fmt: skip
    return [s for s in sentences_of(look_at(notebook, skein.id)) if "Ply twist" in s]


@pytest.mark.parametrize(
    ("single", "words"),
    [
        ((LOW * HIGH) ** 0.5, "in balance with"),
        (0.7 * LOW, "over-plied for"),
        (1.4 * HIGH, "under-plied for"),
    ],
)
def test_it_is_said_against_the_band_that_balances(
    notebook: Notebook, single: float, words: str
) -> None:
    (sentence,) = said(notebook, single)
    assert sentence.startswith(f"Ply twist is 5.0 TPI, {words} singles of {single:.1f} TPI: ")
    assert sentence.endswith(" would balance.")


def test_the_doubt_of_the_singles_widens_the_band(notebook: Notebook) -> None:
    """Singles are not known to 1 %: just past the end of what balances them is no verdict."""
    (sentence,) = said(notebook, 0.99 * LOW)
    assert "over-plied" not in sentence


@pytest.mark.parametrize(
    ("single", "hand", "plies"), [(None, "Z", 2), (9.0, "S", 2), (9.0, "Z", 1), (9.0, "Z", 7)]
)
def test_nothing_is_said_where_nothing_is_known(
    notebook: Notebook, single: float | None, hand: Literal["S", "Z"], plies: int
) -> None:
    assert said(notebook, single, hand, plies) == []


def test_the_skein_tells_it_to_programs_too(notebook: Notebook) -> None:
    (sentence,) = said(notebook, 0.7 * LOW)
    (skein,) = notebook.skeins(notebook.spins()[0].id)
    found = skein_object(look_at(notebook, skein.id))["ply_balance"]
    assert found["place"] == "more"
    assert found["single_turns_per_inch"] == pytest.approx(0.7 * LOW, rel=1e-3)
    assert found["balanced"][0] < found["balanced"][1] < found["turns_per_inch"] == 5.0
    assert found["sentence"].lower() in sentence.lower()


def a_ply(turns: float = PLY_TPI, plies: int = 2, twist: Literal["S", "Z"] = "S") -> StrandReading:
    return replace(
        a_strand(1, diameter_mm=1.63662 * PLY_MM),
        plies=plies,
        turns_per_inch=turns,
        turns_per_inch_interval=(0.99 * turns, 1.01 * turns),
        twist=twist,
    )


def test_a_picture_alone_tells_which_singles_its_twist_balances() -> None:
    found = balanced_singles(a_ply())
    assert found is not None
    # tan b = pi x 0.8 mm x 5 TPI, the axes of two plies being one ply apart: as 1 mm at 4 TPI.
    assert found.ply_angle_deg == pytest.approx(26.32, abs=0.01)
    low, high = found.turns_per_inch
    assert low < LOW < HIGH < high
    assert (low, high) == pytest.approx((LOW, HIGH), rel=0.05)
    assert (found.twist, found.named) == ("Z", None)
    assert "plied for" not in found.sentence


@pytest.mark.parametrize(
    ("single", "place"), [((LOW * HIGH) ** 0.5, "in"), (0.7 * LOW, "more"), (1.4 * HIGH, "less")]
)
def test_with_the_singles_named_it_is_said_against_their_band(single: float, place: str) -> None:
    found = balanced_singles(a_ply(), single)
    assert found is not None
    assert found.named is not None
    assert found.named.judged.place == place
    assert found.named.band.low < found.named.band.high
    assert "would balance" in found.sentence


@pytest.mark.parametrize("strand", [a_ply(plies=1), a_ply(plies=6), a_ply(turns=40.0)])
def test_no_balance_of_singles_cables_or_what_nothing_balances(strand: StrandReading) -> None:
    assert balanced_singles(strand, 9.0) is None
