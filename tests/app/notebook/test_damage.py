"""Damaged files, files that are no notebook, and what is saved of them."""

from __future__ import annotations

import random
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from logged_strands import a_strand
from notebook_bits import bits

from app.notebook.backup import back_up, restore
from app.notebook.errors import NotebookError
from app.notebook.records import LoggedReading
from app.notebook.salvage import Salvaged, salvage
from app.notebook.store import Notebook

PAGE = 4096
UUID = re.compile(rb"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
NOW = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, list[LoggedReading]]:
    """A notebook of four bobbins with 40 readings each, and what was logged."""
    path = tmp_path_factory.mktemp("sound") / "n.slubwise"
    logged = []
    with Notebook.open(path) as notebook:
        spin = notebook.add_spin("Wool")
        for name in ("B1", "B2", "B3", "B4"):
            bobbin = notebook.add_bobbin(spin.id, name)
            sitting = notebook.begin_sitting(bobbin.id, NOW)
            for seed in range(40):
                reading = notebook.log(
                    sitting.id,
                    a_strand(seed, entries=60),
                    taken_at=NOW + timedelta(minutes=seed),
                    posture="tension",
                    printed_card="desk 1",
                    source="camera",
                    note=f"{name} {seed}",
                    picture_jpeg=b"p" * 3000 if seed % 10 == 0 else None,
                )
                logged.append(replace(reading, scale=None))
        notebook.add_skein(spin.id, "S", [b.id for b in notebook.bobbins(spin.id)])
    return path.read_bytes(), logged


def pages_of(content: bytes, table: str, path: Path) -> list[int]:
    """Numbers from 0 of the pages that hold a table's rows, by SQLite's own account."""
    path.write_bytes(content)
    with closing(sqlite3.connect(path)) as db:
        try:
            rows = db.execute(
                "SELECT pageno - 1 FROM dbstat WHERE name = ? AND pagetype = 'leaf'", (table,)
            ).fetchall()
        except sqlite3.OperationalError:
            pytest.skip("this SQLite was built without dbstat")
    path.unlink()
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    return [number for (number,) in rows]


def hurt(content: bytes, pages: list[int], seed: int = 0) -> bytes:
    """The file with these pages overwritten by noise."""
    changed = bytearray(content)
    for page in pages:
        changed[page * PAGE : (page + 1) * PAGE] = random.Random(seed).randbytes(PAGE)
    return bytes(changed)


def all_readings(notebook: Notebook) -> dict[str, LoggedReading]:
    return {
        light.id: light
        for spin in notebook.spins()
        for bobbin in notebook.bobbins(spin.id)
        for light in notebook.readings(bobbin.id)
    }


@pytest.mark.parametrize("which", [1, -1])
@pytest.mark.parametrize("table", ["reading", "detail", "picture"])
def test_what_a_bad_page_does_not_hold_is_saved(
    sound: tuple[bytes, list[LoggedReading]], path: Path, table: str, which: int
) -> None:
    content, logged = sound
    pages = pages_of(content, table, path)
    assert len(pages) > 2
    page = pages[which]
    path.write_bytes(hurt(content, [page]))
    at_risk = {id_.decode() for id_ in UUID.findall(content[page * PAGE : (page + 1) * PAGE])}
    with Notebook.open(path) as notebook:
        assert notebook.check().problems
    before = path.read_bytes()
    target = path.with_name("saved.slubwise")
    saved = salvage(path, target)
    assert path.read_bytes() == before
    with Notebook.open(target) as notebook:
        assert notebook.check().problems == ()
        there = all_readings(notebook)
        assert saved.readings == len(there)
        for seed, reading in enumerate(logged):
            if reading.id in at_risk and table == "reading":
                continue
            assert replace(there[reading.id], has_picture=reading.has_picture) == reading
            if reading.id not in at_risk:
                whole = notebook.reading(reading.id)
                assert bits(whole.reading) == bits(a_strand(seed % 40, entries=60))
                if reading.has_picture:
                    assert notebook.picture(reading.id) == b"p" * 3000
        if table == "detail":
            assert 0 < saved.main_figures_only <= len(at_risk)
            poor = [notebook.reading(id_) for id_ in there]
            told = [r for r in poor if r.reading and r.reading.cautions[0].code == "salvaged"]
            assert len(told) == saved.main_figures_only
            assert all(r.reading and r.reading.diameter_mm == r.diameter_mm for r in told)


@pytest.mark.parametrize("table", ["spin", "bobbin", "sitting", "skein"])
def test_readings_that_lost_their_bobbin_find_another(
    sound: tuple[bytes, list[LoggedReading]], path: Path, table: str
) -> None:
    content, logged = sound
    path.write_bytes(hurt(content, pages_of(content, table, path)))
    target = path.with_name("saved.slubwise")
    saved = salvage(path, target)
    with Notebook.open(target) as notebook:
        assert notebook.check().problems == ()
        assert all_readings(notebook) == {r.id: r for r in logged}
        names = {b.name for s in notebook.spins() for b in notebook.bobbins(s.id)}
        assert ("Lost bobbin 1" in names) == (table == "bobbin")
    assert saved == Salvaged(160, 0, 0 if table == "skein" else 160)


def test_a_sound_notebook_is_saved_whole(
    sound: tuple[bytes, list[LoggedReading]], path: Path
) -> None:
    content, logged = sound
    path.write_bytes(content)
    assert salvage(path, path.with_name("saved.slubwise")) == Salvaged(len(logged), 0, 0)
    with pytest.raises(NotebookError) as caught:
        salvage(path, path.with_name("saved.slubwise"))
    assert caught.value.code == "bad_target"


def test_a_file_cut_short_gives_what_is_left(
    sound: tuple[bytes, list[LoggedReading]], path: Path
) -> None:
    content, logged = sound
    path.write_bytes(content[: len(content) // PAGE // 2 * PAGE])
    with pytest.raises(NotebookError) as caught, Notebook.open(path) as notebook:
        all_readings(notebook)
    assert caught.value.code == "damaged"
    assert "salvage" in caught.value.advice
    saved = salvage(path, path.with_name("saved.slubwise"))
    assert 0 < saved.readings < len(logged)
    with Notebook.open(path.with_name("saved.slubwise")) as notebook:
        assert notebook.check().problems == ()
        assert all_readings(notebook).keys() <= {r.id for r in logged}


def test_when_the_list_of_tables_is_gone_a_backup_is_the_way(
    sound: tuple[bytes, list[LoggedReading]], path: Path
) -> None:
    content, logged = sound
    copy = path.with_name("copy.slubwise")
    path.write_bytes(content)
    with Notebook.open(path) as notebook:
        back_up(notebook, copy)
    path.write_bytes(content[:100] + b"\xa5" * (PAGE - 100) + content[PAGE:])
    for use, code in (
        (lambda: Notebook.open(path), "damaged"),
        (lambda: salvage(path, path.with_name("saved.slubwise")), "beyond_salvage"),
    ):
        with pytest.raises(NotebookError) as caught:
            use()
        assert caught.value.code == code
        assert "restore" in caught.value.advice
    assert "salvage" not in caught.value.advice, "that is what was just tried"
    assert not path.with_name("saved.slubwise").exists()
    restored = restore(copy, path)
    assert restored.readings == len(logged)
    assert restored.replaced is not None
    assert b"\xa5" * 100 in restored.replaced.read_bytes(), "the damaged one is kept aside"
    with Notebook.open(path) as notebook:
        assert all_readings(notebook) == {r.id: r for r in logged}


def test_a_damaged_notebook_is_not_backed_up_over_a_good_copy(
    sound: tuple[bytes, list[LoggedReading]], path: Path
) -> None:
    content, _ = sound
    copy = path.with_name("copy.slubwise")
    path.write_bytes(content)
    with Notebook.open(path) as notebook:
        back_up(notebook, copy)
    good = copy.read_bytes()
    path.write_bytes(hurt(content, pages_of(content, "reading", path.with_name("x"))[:1]))
    with Notebook.open(path) as notebook:
        with pytest.raises(NotebookError) as caught:
            back_up(notebook, copy)
        assert caught.value.code == "bad_backup"
    assert copy.read_bytes() == good
    with pytest.raises(NotebookError) as caught:
        restore(path, path.with_name("other.slubwise"))
    assert caught.value.code == "damaged", "and is not gone back to"


def test_one_flipped_bit_in_a_reading_is_found(
    sound: tuple[bytes, list[LoggedReading]], path: Path
) -> None:
    content, logged = sound
    path.write_bytes(content)
    with closing(sqlite3.connect(path)) as db:
        id_ = logged[50].id
        (arrays,) = db.execute("SELECT arrays FROM detail WHERE reading_id = ?", (id_,)).fetchone()
        flipped = bytearray(arrays)
        flipped[len(flipped) // 2] ^= 4
        db.execute("UPDATE detail SET arrays = ? WHERE reading_id = ?", (bytes(flipped), id_))
        db.commit()
    with Notebook.open(path) as notebook:
        assert notebook.check().problems == (f"reading {id_} does not unpack",)
        with pytest.raises(NotebookError) as caught:
            notebook.reading(id_)
        assert caught.value.code == "damaged"
        assert "reading 11" in caught.value.text
        assert notebook.reading(logged[51].id).reading is not None


@pytest.mark.parametrize(
    "content",
    [
        b"x",
        b"spin;bobbin;wpi\n" * 100,
        b"\xff\xd8\xff\xe0" + bytes(5000),
        b"SQLite format 2\0" + bytes(5000),
    ],
)
def test_any_other_file_is_refused_and_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    for make in (True, False):
        with pytest.raises(NotebookError) as caught:
            Notebook.open(path, make=make)
        assert caught.value.code == "not_a_notebook"
        assert str(path) in caught.value.text
    assert path.read_bytes() == content
    assert [p.name for p in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("mark", ["user_version = 7", "application_id = 5", "user_version = 0"])
def test_another_programs_database_is_refused_and_left_alone(path: Path, mark: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE reading (id TEXT)")
        db.execute(f"PRAGMA {mark}")
        db.commit()
    before = path.read_bytes()
    with pytest.raises(NotebookError) as caught:
        Notebook.open(path)
    assert caught.value.code == "not_a_notebook"
    assert path.read_bytes() == before


def test_an_empty_file_becomes_a_notebook_and_a_folder_does_not(path: Path) -> None:
    path.touch()
    with Notebook.open(path) as notebook:
        notebook.add_spin("x")
    for code, where in (("not_a_notebook", path.parent), ("no_folder", path.parent / "a" / "b")):
        with pytest.raises(NotebookError) as caught:
            Notebook.open(where)
        assert caught.value.code == code
    with pytest.raises(NotebookError) as caught:
        Notebook.open(path.parent / "none.slubwise", make=False)
    assert caught.value.code == "no_notebook"
    assert not (path.parent / "none.slubwise").exists()
