"""Old notebooks are brought up to date, newer ones are left alone."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from logged_strands import SCALE, Log, a_strand
from notebook_bits import bits

from app.notebook.backup import restore
from app.notebook.errors import NotebookError
from app.notebook.file import NotebookFile
from app.notebook.records import Sitting
from app.notebook.salvage import salvage
from app.notebook.schema import APPLICATION_ID, STEPS, Step, bring_up, edition_of
from app.notebook.shared import Told, unheard
from app.notebook.store import Notebook

HERE = Path(__file__).parent


def old_notebook(path: Path, edition: int = len(STEPS)) -> None:
    """A notebook that an edition wrote, from the script that is kept of it."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((HERE / f"edition_{edition}.sql").read_text(encoding="utf-8"))


def version_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        (version,) = db.execute("PRAGMA user_version").fetchone()
        return int(version)


def test_every_edition_ever_written_is_kept_and_opens(path: Path) -> None:
    assert len(list(HERE.glob("edition_*.sql"))) == len(STEPS)
    for edition in range(1, len(STEPS) + 1):
        old = path.with_name(f"edition-{edition}.slubwise")
        old_notebook(old, edition)
        with Notebook.open(old) as notebook:
            assert notebook.why_not is None
            (spin,) = notebook.spins()
            assert (spin.name, spin.aim.band_high_mm, spin.prepared_g) == ("Grey sock", 0.55, 120.5)
            first, second = notebook.bobbins(spin.id)
            assert [b.name for b in notebook.bobbins(spin.id, deleted=True)] == ["B3"]
            assert [r.number for r in notebook.readings(first.id)] == [1, 2, 3]
            assert [r.number for r in notebook.readings(second.id)] == [1, 2]
            for seed, light in enumerate(notebook.readings(first.id)):
                whole = notebook.reading(light.id)
                assert whole.note == f"n{seed}"
                assert whole.scale == SCALE
                # Of the strand's budget the scale alone is shared.
                assert light.u_shared_mm == 0.6 * whole.u_diameter_mm
                assert light.scale_from == "card desk 1"
                assert bool(light.printed_card_id) == (edition > 1)
                assert bits(whole.reading) == bits(a_strand(seed, entries=8))
            assert notebook.picture(notebook.readings(first.id)[1].id) == b"\xff\xd8\xff"
            assert notebook.skeins(spin.id)[0].bobbin_ids == (second.id, first.id)
            assert notebook.check().problems == ()
        assert version_of(old) == len(STEPS)


def test_the_kept_script_has_the_tables_that_are_made_today(path: Path) -> None:
    """A step that was released is never changed: the tables are those of the kept script."""
    fresh = path.with_name("fresh.slubwise")
    old_notebook(path, len(STEPS))
    Notebook.open(fresh).close()
    tables = []
    for file in (path, fresh):
        with closing(sqlite3.connect(file)) as db:
            made = db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL")
            tables.append({name: " ".join(sql.split()) for name, sql in made})
    assert tables[0] == tables[1]


@pytest.fixture
def small_folder(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(disk)]
    if shutil.which("mount") is None or os.geteuid() != 0:
        pytest.skip("only root can mount a small disk")
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no small disk can be mounted here")
    yield disk
    subprocess.run(["umount", disk], check=True)


@pytest.mark.skipif(sys.platform == "win32", reason="mounts a small disk")
def test_an_old_notebook_that_cannot_be_written_to_can_be_looked_at(small_folder: Path) -> None:
    path = small_folder / "old.slubwise"
    old_notebook(path, 1)
    with path.with_name("ballast").open("wb", buffering=0) as ballast, suppress(OSError):
        while ballast.write(bytes(4096)):
            pass
    before = path.read_bytes()

    def looked_at(code: str) -> None:
        with Notebook.open(path) as notebook:
            assert notebook.why_not is not None
            assert notebook.why_not.code == code
            assert str(path) in notebook.why_not.text
            (spin,) = notebook.spins()
            first = notebook.readings(notebook.bobbins(spin.id)[0].id)
            assert [r.scale_from for r in first] == ["card desk 1"] * 3
            with pytest.raises(NotebookError) as caught:
                notebook.add_spin("x")
            assert caught.value.code == code
        assert path.read_bytes() == before
        assert version_of(path) == 1

    looked_at("disk_full")
    path.with_name("ballast").unlink()
    subprocess.run(["mount", "-o", "remount,ro", small_folder], check=True)
    looked_at("read_only")
    subprocess.run(["mount", "-o", "remount,rw", small_folder], check=True)
    with Notebook.open(path) as notebook:
        notebook.add_spin("x")
    assert version_of(path) == len(STEPS)


def test_an_old_notebook_that_is_damaged_is_saved_as_one_of_today(path: Path) -> None:
    old_notebook(path, 1)
    with closing(sqlite3.connect(path)) as db:
        lost = db.execute("SELECT reading_id FROM detail LIMIT 1").fetchone()
        db.execute("UPDATE detail SET strand = x'00' WHERE reading_id = ?", lost)
        db.commit()
    new = path.with_name("new.slubwise")
    saved = salvage(path, new)
    assert (saved.readings, saved.main_figures_only, saved.without_bobbin) == (6, 1, 0)
    with Notebook.open(new) as notebook:
        (spin,) = notebook.spins()
        readings = [r for b in notebook.bobbins(spin.id) for r in notebook.readings(b.id)]
        for reading in readings:
            told = None if (reading.id,) == lost else 0.6 * reading.u_diameter_mm
            assert reading.u_shared_mm == told, "what is not known is not taken for nothing"
        assert notebook.check().problems == ()


def fill_colours(db: sqlite3.Connection, _told: Told = unheard) -> None:
    for (id_,) in db.execute("SELECT id FROM bobbin").fetchall():
        db.execute("UPDATE bobbin SET colour = ? WHERE id = ?", (f"colour of {id_}", id_))


NEXT = (*STEPS, Step(("ALTER TABLE bobbin ADD COLUMN colour TEXT",), fill_colours))
"""An edition that might come."""


def test_an_older_notebook_goes_through_the_steps_and_is_kept_as_it_was(path: Path) -> None:
    old_notebook(path)
    file = NotebookFile(path, steps=NEXT)
    try:
        rows = file.rows("SELECT id, colour FROM bobbin")
        assert len(rows) == 3
        assert all(colour == f"colour of {id_}" for id_, colour in rows)
        assert file.why_not is None
    finally:
        file.close()
    assert version_of(path) == len(NEXT)
    kept = path.with_name(f"{path.stem}-edition-{len(STEPS)}.slubwise")
    assert version_of(kept) == len(STEPS)
    with Notebook.open(kept) as notebook:
        assert [s.name for s in notebook.spins()] == ["Grey sock"]


def stumble(db: sqlite3.Connection, _told: Told) -> None:
    fill_colours(db)
    raise RuntimeError("in the middle of a step")


def die(db: sqlite3.Connection, _told: Told) -> None:
    fill_colours(db)
    os._exit(9)


def many_readings(path: Path, number: int) -> None:
    """A notebook of the first edition with so many readings more on its first bobbin."""
    old_notebook(path, 1)
    with closing(sqlite3.connect(path)) as db:
        (one,) = db.execute("SELECT id FROM reading ORDER BY rowid").fetchone()
        for table, key in (("reading", "id"), ("detail", "reading_id")):
            columns = [name for _, name, *_ in db.execute(f"PRAGMA table_info({table})")]
            new = {key: "'more ' || value", "number": "1000 + value"}
            db.execute(
                f"INSERT INTO {table} SELECT {', '.join(new.get(c, c) for c in columns)} "
                f"FROM {table}, (WITH RECURSIVE n(value) AS (SELECT 1 UNION ALL "
                f"SELECT value + 1 FROM n WHERE value < {number}) SELECT value FROM n) "
                f"WHERE {key} = ?",
                (one,),
            )
        db.commit()


def test_bringing_many_readings_up_to_date_tells_how_far_it_is(path: Path) -> None:
    many_readings(path, 2500)
    shares: list[float] = []

    def go_on(share: float) -> bool:
        shares.append(share)
        return True

    with Notebook.open(path, go_on=go_on) as notebook:
        assert notebook.number_of_readings() > 2500
    filled = [share for share in shares if share]
    assert len(filled) >= 3  # a thousand at a time
    assert filled == sorted(filled)
    assert filled[-1] == 1.0


@pytest.mark.parametrize("until", [0.0, 0.5], ids=["in the copy", "halfway"])
def test_called_off_it_is_as_it_was(path: Path, until: float) -> None:
    many_readings(path, 2500)
    with closing(sqlite3.connect(path)) as db:
        before = list(db.iterdump())
    with pytest.raises(NotebookError) as caught:
        Notebook.open(path, go_on=lambda share: share < until)
    assert caught.value.code == "called_off"
    assert version_of(path) == 1
    with closing(sqlite3.connect(path)) as db:
        assert list(db.iterdump()) == before
    assert not list(path.parent.glob(".*.part"))
    with Notebook.open(path) as notebook:
        assert notebook.check().problems == ()
    assert version_of(path) == len(STEPS)


def test_a_step_that_fails_leaves_the_notebook_as_it_was(path: Path) -> None:
    old_notebook(path)
    broken = (*STEPS, Step(NEXT[-1].statements, stumble))
    with pytest.raises(RuntimeError):
        NotebookFile(path, steps=broken)
    assert version_of(path) == len(STEPS)
    with Notebook.open(path) as notebook:
        assert notebook.check().problems == ()
        assert len(notebook.spins()) == 1
    NotebookFile(path, steps=NEXT).close()
    assert version_of(path) == len(NEXT), "and it is taken when it works"


@pytest.mark.skipif(sys.platform == "win32", reason="forks")
def test_a_program_that_dies_within_a_step_leaves_the_notebook_as_it_was(path: Path) -> None:
    old_notebook(path)
    child = os.fork()
    if child == 0:
        try:
            NotebookFile(path, steps=(*STEPS, Step(NEXT[-1].statements, die)))
        finally:
            os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    with Notebook.open(path) as notebook:
        assert notebook.why_not is None
        assert notebook.check().problems == ()
    assert version_of(path) == len(STEPS)


def test_whoever_comes_second_finds_it_done(path: Path) -> None:
    old_notebook(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        bring_up(db, NEXT)
        bring_up(db, NEXT)
        assert edition_of(db) == len(NEXT)


def newer(path: Path) -> None:
    """Make it a notebook of an edition that this program does not know."""
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {len(STEPS) + 1}")


def test_a_newer_notebook_can_be_looked_at_and_is_not_written_to(
    path: Path, notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    log(1)
    notebook.close()
    newer(path)
    before = path.read_bytes()
    with Notebook.open(path) as opened:
        assert opened.why_not is not None
        assert opened.why_not.code == "newer_notebook"
        (light,) = opened.readings(sitting.bobbin_id)
        assert opened.reading(light.id).reading is not None
        for change in (
            lambda: opened.add_spin("x"),
            lambda: opened.take_back(light.id),
            lambda: opened.begin_sitting(sitting.bobbin_id, sitting.begun_at),
        ):
            with pytest.raises(NotebookError) as caught:
                change()
            assert caught.value.code == "newer_notebook"
            assert "newer Slubwise" in caught.value.text
            assert "Install the newer version" in caught.value.advice
    assert path.read_bytes() == before
    with pytest.raises(NotebookError) as caught:
        restore(path, path.with_name("other.slubwise"))
    assert caught.value.code == "newer_notebook"


def test_a_newer_notebook_with_other_tables_is_told_too(path: Path, notebook: Notebook) -> None:
    spin = notebook.add_spin("x")
    notebook.close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("ALTER TABLE bobbin RENAME TO spool")
    newer(path)
    with Notebook.open(path) as opened:
        with pytest.raises(NotebookError) as caught:
            opened.bobbins(spin.id)
        assert caught.value.code == "newer_notebook"


def test_the_mark_is_ours(path: Path, notebook: Notebook) -> None:
    notebook.close()
    # https://www.sqlite.org/fileformat2.html: the application id is at byte 68 of the file.
    assert path.read_bytes()[68:72] == b"Slub"
    assert APPLICATION_ID.to_bytes(4, "big") == b"Slub"
