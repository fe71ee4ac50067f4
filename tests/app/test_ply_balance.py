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
from app.skein import look_at
from app.skein_report import sentences_of
from measure.ply_twist import single_turns_band

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
