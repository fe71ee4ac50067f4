"""The copy of the notebook that is made each day by itself."""

from __future__ import annotations

import os
from datetime import date, timedelta
from pathlib import Path

import pytest
from logged_strands import Log

from app.notebook.backup import restore
from app.notebook.daily import MOST_KEPT, copies_of, folder_of_copies, keep_copy, why_no_copy
from app.notebook.errors import NotebookError
from app.notebook.store import Notebook

FIRST = date(2026, 3, 1)


def grow_older(path: Path) -> None:
    """Let the copies be of long ago, so that what is done now is later whatever the clock does."""
    for copy in copies_of(path):
        os.utime(copy, (1_700_000_000, 1_700_000_000))


def test_one_a_day_while_anything_is_done_and_the_last_few_are_kept(
    notebook: Notebook, log: Log
) -> None:
    path = notebook.path
    assert keep_copy(notebook, FIRST) is None, "nothing is logged yet"
    for day in range(MOST_KEPT + 2):
        log(day)
        made = keep_copy(notebook, FIRST + timedelta(days=day))
        assert made is not None
        assert made.parent == folder_of_copies(path)
        with Notebook.open(made, make=False) as copy:
            assert copy.number_of_readings() == day + 1
            assert copy.check().problems == ()
        assert keep_copy(notebook, FIRST + timedelta(days=day)) is None, "one a day"
        grow_older(path)
    days = [FIRST + timedelta(days=day) for day in range(2, MOST_KEPT + 2)]
    assert [p.stem for p in copies_of(path)] == [d.isoformat() for d in days]
    assert keep_copy(notebook, FIRST + timedelta(days=20)) is not None


def test_a_day_without_a_change_needs_none(notebook: Notebook, log: Log) -> None:
    log(1)
    made = keep_copy(notebook, FIRST)
    assert made is not None
    for file in (notebook.path, notebook.path.with_name(notebook.path.name + "-wal")):
        os.utime(file, (1_700_000_000, 1_700_000_000))
    assert keep_copy(notebook, FIRST + timedelta(days=1)) is None
    log(2)
    assert keep_copy(notebook, FIRST + timedelta(days=1)) is not None


def test_other_files_beside_it_are_left_alone(notebook: Notebook, log: Log) -> None:
    log(1)
    folder = folder_of_copies(notebook.path)
    folder.mkdir()
    mine = [folder / "2020-01-01.txt", folder / "before the wedding.slubwise"]
    for file in mine:
        file.write_text("mine", "utf-8")
    for day in range(MOST_KEPT + 2):
        log(day)
        keep_copy(notebook, FIRST + timedelta(days=day))
        grow_older(notebook.path)
    assert all(file.read_text("utf-8") == "mine" for file in mine)
    assert len(list(folder.iterdir())) == MOST_KEPT + 2


def test_logging_goes_on_while_it_is_made_and_it_stops_when_told(
    notebook: Notebook, log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.notebook.backup._PAGES_AT_ONCE", 1)
    for seed in range(5):
        log(seed)
    looks = 0

    def never() -> bool:
        nonlocal looks
        looks += 1
        if looks == 3:
            log(5)  # in the middle of the copy, by the window's own connection
        return False

    made = keep_copy(notebook, FIRST, never)
    assert made is not None
    assert looks > 10
    with Notebook.open(made, make=False) as copy:
        assert copy.number_of_readings() == 5, "of one moment"
        assert copy.check().problems == ()
    assert notebook.number_of_readings() == 6
    grow_older(notebook.path)
    assert keep_copy(notebook, FIRST + timedelta(days=1), lambda: True) is None
    assert len(list(folder_of_copies(notebook.path).iterdir())) == 1, "and leaves nothing behind"


def test_what_goes_wrong_is_a_sentence(
    notebook: Notebook, log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    log(1)
    folder_of_copies(notebook.path).write_text("a file where the folder should be", "utf-8")
    with pytest.raises(NotebookError) as caught:
        keep_copy(notebook, FIRST)
    assert "Today's copy of the notebook could not be made" in why_no_copy(caught.value)
    folder_of_copies(notebook.path).unlink()
    log_beside = notebook.path.with_name(notebook.path.name + "-wal")
    size = notebook.path.stat().st_size + log_beside.stat().st_size
    usage = type("Usage", (), {"free": 2 * size - 1})
    monkeypatch.setattr("shutil.disk_usage", lambda _: usage)
    with pytest.raises(NotebookError) as caught:
        keep_copy(notebook, FIRST)
    assert caught.value.code == "not_written"
    assert "too little room" in caught.value.text


def test_a_copy_is_a_backup_like_any_other(notebook: Notebook, log: Log) -> None:
    log(1)
    made = keep_copy(notebook, FIRST)
    log(2)
    assert made is not None
    assert restore(made, notebook.path).readings == 1
