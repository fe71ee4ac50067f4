"""Copies taken while logging goes on, and the way back."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from logged_strands import Log, a_strand

from app.notebook.backup import back_up, restore
from app.notebook.errors import NotebookError
from app.notebook.records import Sitting
from app.notebook.store import Notebook


def names(folder: Path) -> set[str]:
    return {file.name for file in folder.iterdir()}


def test_a_copy_is_one_file_that_needs_nothing_beside_it(
    notebook: Notebook, sitting: Sitting, log: Log, tmp_path: Path
) -> None:
    log(1)
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    copy = folder / "copy.slubwise"
    assert back_up(notebook, copy) == copy.stat().st_size
    log(2)
    assert back_up(notebook, copy) == copy.stat().st_size, "an older copy is replaced"
    assert names(folder) == {"copy.slubwise"}
    with closing(sqlite3.connect(f"{copy.as_uri()}?mode=ro&immutable=1", uri=True)) as db:
        assert db.execute("SELECT count(*) FROM reading").fetchone() == (2,)
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    with Notebook.open(copy) as opened:
        assert opened.check().readings == 2
        opened.add_spin("a copy is a notebook like any other")


def test_a_copy_taken_while_others_log_is_of_one_moment(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    copy = notebook.path.with_name("copy.slubwise")
    done = threading.Event()

    def keep_logging() -> None:
        with Notebook.open(notebook.path) as other:
            while not done.is_set():
                other.log(
                    sitting.id,
                    a_strand(1, entries=50),
                    taken_at=datetime.now(UTC),
                    posture="tension",
                    printed_card="",
                    source="",
                    picture_jpeg=b"p" * 5000,
                )

    thread = threading.Thread(target=keep_logging)
    thread.start()
    try:
        counts = []
        for _ in range(6):
            back_up(notebook, copy)
            with Notebook.open(copy) as opened:
                assert opened.check().problems == ()
                counts.append(len(opened.readings(sitting.bobbin_id)))
    finally:
        done.set()
        thread.join()
    assert counts == sorted(counts)
    assert 0 < counts[-1] <= len(notebook.readings(sitting.bobbin_id))


def test_going_back_is_seen_by_a_window_and_keeps_what_was_there(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    first = log(1)
    copy = notebook.path.with_name("copy.slubwise")
    back_up(notebook, copy)
    second = log(2)
    notebook.delete(notebook.bobbin(sitting.bobbin_id))
    notebook.changed_elsewhere()
    restored = restore(copy, notebook.path)
    assert restored.readings == 1
    assert notebook.changed_elsewhere()
    assert [r.id for r in notebook.readings(sitting.bobbin_id)] == [first.id]
    third = log(3)
    assert third.number == 2, "the window goes on in the restored notebook"
    with pytest.raises(NotebookError) as caught:
        notebook.undo()
    assert caught.value.code == "changed_meanwhile"
    assert restored.replaced is not None
    with Notebook.open(restored.replaced) as before:
        assert [r.id for r in before.readings(sitting.bobbin_id)] == [first.id, second.id]
    assert notebook.check().problems == ()


def test_going_back_where_there_is_nothing_makes_the_notebook(
    notebook: Notebook, log: Log, path: Path
) -> None:
    log(1)
    copy = path.with_name("copy.slubwise")
    back_up(notebook, copy)
    fresh = path.with_name("fresh.slubwise")
    # The log of a notebook that is no longer there must not get into this one.
    stale = path.with_name("fresh.slubwise-wal")
    stale.write_bytes(path.with_name(path.name + "-wal").read_bytes())
    assert len(stale.read_bytes()) > 4096
    restored = restore(copy, fresh)
    assert (restored.readings, restored.replaced) == (1, None)
    with Notebook.open(fresh) as opened:
        assert opened.check().problems == ()


def test_going_back_waits_for_its_turn_and_gives_up(
    notebook: Notebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.notebook.backup.BUSY_S", 0.3)
    monkeypatch.setattr("app.notebook.file.BUSY_S", 0.3)
    copy = notebook.path.with_name("copy.slubwise")
    back_up(notebook, copy)
    notebook.add_spin("kept")
    with notebook.transaction(), pytest.raises(NotebookError) as caught:
        restore(copy, notebook.path)
    assert caught.value.code == "busy"
    assert [s.name for s in notebook.spins()] == ["kept"]


def test_nothing_else_is_overwritten(notebook: Notebook, log: Log, path: Path) -> None:
    log(1)
    precious = path.with_name("precious.jpg")
    precious.write_bytes(b"\xff\xd8 a picture")
    foreign = path.with_name("foreign.db")
    with closing(sqlite3.connect(foreign)) as db:
        db.execute("CREATE TABLE t (x)")
    linked = path.with_name("linked.slubwise")
    linked.symlink_to(path)
    for target in (precious, foreign, path, linked, path.parent):
        before = target.read_bytes() if target.is_file() else b""
        with pytest.raises(NotebookError) as caught:
            back_up(notebook, target)
        assert caught.value.code == "bad_target"
        assert (target.read_bytes() if target.is_file() else b"") == before
    with pytest.raises(NotebookError) as caught:
        back_up(notebook, path.parent / "none" / "copy.slubwise")
    assert caught.value.code == "no_folder"
    copy = path.with_name("copy.slubwise")
    back_up(notebook, copy)
    for target in (precious, foreign):
        before = target.read_bytes()
        with pytest.raises(NotebookError) as caught:
            restore(copy, target)
        assert caught.value.code == "not_a_notebook"
        assert target.read_bytes() == before
    for code, source in (("bad_target", path), ("not_a_notebook", precious)):
        with pytest.raises(NotebookError) as caught:
            restore(source, path)
        assert caught.value.code == code
    assert len(notebook.readings(log(2).bobbin_id)) == 2


def test_a_notebook_whose_beginning_is_gone_comes_back_by_its_name(
    notebook: Notebook, log: Log, path: Path
) -> None:
    log(1)
    copy = path.with_name("copy.slubwise")
    back_up(notebook, copy)
    notebook.close()
    path.write_bytes(bytes(20_000))
    with pytest.raises(NotebookError) as caught:
        Notebook.open(path)
    assert caught.value.code == "not_a_notebook"
    restored = restore(copy, path)
    assert restored.readings == 1
    assert restored.replaced is not None
    assert restored.replaced.read_bytes() == bytes(20_000)
    assert not [name for name in names(path.parent) if name.endswith(".part")]


def test_many_goings_back_within_a_second_keep_each(notebook: Notebook) -> None:
    copy = notebook.path.with_name("copy.slubwise")
    back_up(notebook, copy)
    kept = {restore(copy, notebook.path).replaced for _ in range(3)}
    assert len(kept) == 3
    assert all(file is not None and file.exists() for file in kept)
