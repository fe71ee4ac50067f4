"""Removing for good: what goes, what stays, and that it is asked first."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from logged_strands import a_strand
from typer.testing import CliRunner

from app.notebook.errors import NotebookError
from app.notebook.exchange import export_json
from app.notebook.purge import purge, what_would_go
from app.notebook.records import Bobbin
from app.notebook.schema import TABLES
from app.notebook.store import Notebook
from app.notebook_commands import notebook_app

NOW = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
PICTURE = b"jpeg" * 50_000


def filled(notebook: Notebook, spin_id: str, name: str, readings: int = 2) -> Bobbin:
    bobbin = notebook.add_bobbin(spin_id, name)
    sitting = notebook.begin_sitting(bobbin.id, NOW)
    for seed in range(readings):
        notebook.log(
            sitting.id,
            a_strand(seed, entries=4),
            taken_at=NOW,
            posture="tension",
            printed_card="",
            source="",
            picture_jpeg=PICTURE if seed == 0 else None,
        )
    return bobbin


def section(notebook: Notebook, skein_id: str) -> str:
    strand = a_strand(1, entries=4)
    taken = notebook.add_section(
        skein_id, strand, taken_at=NOW, washed=True, printed_card="", source=""
    )
    return taken.id


@pytest.fixture
def some_deleted(notebook: Notebook) -> dict[str, str]:
    """Ids of bobbins by name: a spin and a bobbin deleted, a reading taken back, skeins across."""
    socks, gone = notebook.add_spin("Socks"), notebook.add_spin("Gone <b>")
    b1, b2, b3 = (filled(notebook, socks.id, name) for name in ("B1", "B2", "B3"))
    g1, g2 = (filled(notebook, gone.id, name) for name in ("G1", "G2"))
    kept = notebook.add_skein(socks.id, "S", [b1.id, b3.id])
    section(notebook, kept.id)
    notebook.take_back_section(section(notebook, kept.id))
    plied = notebook.add_skein(socks.id, "T", [b2.id])
    section(notebook, plied.id)
    notebook.delete(plied)
    notebook.add_skein(gone.id, "U", [g1.id, b1.id])
    notebook.take_back(notebook.readings(b1.id)[1].id)
    for thing in (b2, b3, gone):
        notebook.delete(thing)
    return {b.name: b.id for b in (b1, b2, b3, g1, g2)}


def rows(path: Path) -> dict[str, int]:
    with closing(sqlite3.connect(path)) as db:
        return {t: db.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in TABLES}


def test_what_was_deleted_goes_and_all_else_stays(
    notebook: Notebook, some_deleted: dict[str, str]
) -> None:
    before = rows(notebook.path)
    going = what_would_go(notebook)
    assert rows(notebook.path) == before, "looking changes nothing"
    assert going.spins == ("Gone <b>",)
    assert going.bobbins == (("B2", "Socks"),)
    assert going.skeins == (("T", "Socks"),)
    assert (going.taken_back, going.sections_taken_back) == (1, 1)
    assert going.kept == ("B3",), "a skein was plied from it"
    purged = purge(notebook)
    assert purged.gone == going
    after = rows(notebook.path)
    assert {t: before[t] - after[t] for t in TABLES} == going.counts
    # 3 bobbins with 2 readings and a picture each, and the reading taken back.
    assert {table: count for table, count in going.counts.items() if count} == {
        "spin": 1, "bobbin": 3, "sitting": 3, "reading": 7, "detail": 7, "picture": 3, "skein": 2,
        "skein_bobbin": 3, "section": 2, "section_detail": 2,
    }  # fmt: skip
    assert notebook.check().problems == ()
    (spin,) = notebook.spins()
    assert [b.name for b in notebook.bobbins(spin.id)] == ["B1"]
    assert [b.name for b in notebook.bobbins(spin.id, deleted=True)] == ["B3"]
    assert [s.name for s in notebook.skeins(spin.id)] == ["S"]
    assert len(notebook.readings(some_deleted["B3"])) == 2
    assert notebook.undo() is None, "there is no way back"
    assert purged.bytes_freed > 3 * len(PICTURE) * 0.9
    assert what_would_go(notebook).nothing


def test_a_deleted_spin_stays_whole_enough_for_the_skeins_plied_from_it(notebook: Notebook) -> None:
    away, here = notebook.add_spin("Away"), notebook.add_spin("Here")
    used, also, unused = (filled(notebook, away.id, name, 1) for name in "abc")
    notebook.add_skein(here.id, "S", [used.id])
    notebook.add_skein(away.id, "T", [also.id])
    for thing in (also, unused, away):
        notebook.delete(thing)
    going = what_would_go(notebook)
    assert (going.spins, going.bobbins) == ((), (("c", "Away"),))
    purge(notebook)
    assert notebook.check().problems == ()
    notebook.bring_back(away)
    assert [b.name for b in notebook.bobbins(away.id)] == ["a"]
    assert [b.name for b in notebook.bobbins(away.id, deleted=True)] == ["b"]


def test_another_window_is_told_when_it_wants_back_what_went(
    notebook: Notebook, some_deleted: dict[str, str]
) -> None:
    with Notebook.open(notebook.path) as other:
        other.delete(other.bobbin(some_deleted["B1"]))
        other.undo()
        other.take_back(other.readings(some_deleted["B1"])[0].id)
        purge(notebook)
        with pytest.raises(NotebookError) as caught:
            other.undo()
        assert caught.value.code == "gone"
        filled(other, other.spins()[0].id, "B9")
        assert other.check().problems == ()


def run(*arguments: object, answer: str | None = None) -> tuple[int, str, str]:
    result = CliRunner().invoke(notebook_app, [str(a) for a in arguments], input=answer)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def test_the_command_says_what_goes_and_asks(
    notebook: Notebook, some_deleted: dict[str, str], tmp_path: Path
) -> None:
    export_json(notebook, tmp_path / "before.json")
    before = rows(notebook.path)
    code, out, _ = run("purge", "--notebook", notebook.path, answer="n\n")
    assert code == 0
    assert 'Goes: the spin "Gone <b>" with everything in it.' in out
    assert 'Goes: the bobbin "B2" of "Socks".' in out
    assert "Goes: 1 reading that was taken back." in out
    assert "Goes: 1 section that was taken back." in out
    assert "In all 3 bobbins, 3 sittings, 7 readings, 3 pictures, 2 sections." in out
    assert 'Stays: the deleted bobbin "B3", since a skein was plied from it.' in out
    assert "Remove it for good? [y/N]" in out
    assert out.rstrip().endswith("Nothing was removed.")
    code, _, err = run("purge", "--notebook", notebook.path, answer="")
    assert code == 2
    assert "say --yes" in err
    assert rows(notebook.path) == before
    code, out, _ = run("purge", "--notebook", notebook.path, "--yes")
    assert code == 0
    assert f"Removed from {notebook.path}: 7 readings, 3 pictures" in out
    assert rows(notebook.path)["reading"] == before["reading"] - 7
    code, out, _ = run("purge", "--notebook", notebook.path)
    assert (code, out.splitlines()[-1]) == (
        0,
        f"There is nothing to remove from {notebook.path}.",
    )
