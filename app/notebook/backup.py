"""Copies of a notebook and the way back, by SQLite's own online backup.

A copy is taken while windows go on logging, is one file that needs nothing beside it, and is
looked over before it takes its name. Going back replaces what is in the file and not the file:
another window that has it open sees the change and is not left writing into nowhere.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from app.notebook.errors import NotebookError, explained, problem
from app.notebook.file import BUSY_S, MAGIC, SUFFIX, connect, open_to_read, refuse_what_is_none
from app.notebook.schema import STEPS, bring_up, edition_of
from app.notebook.store import Notebook

_BESIDE: Final = ("-wal", "-shm", "-journal")
"""What SQLite keeps beside a file while it is in use; never to meet another file."""

_PAGES_AT_ONCE: Final = 2000
_STEPS_BETWEEN: Final = 100_000
"""Of SQLite's virtual machine, between two looks whether to stop."""


@dataclass(frozen=True)
class Restored:
    """What came back and where the replaced notebook went."""

    readings: int
    replaced: Path | None
    """None when there was no notebook before."""


def back_up(notebook: Notebook, target: Path) -> int:
    """Copy a notebook to one file, replacing an older copy there; gives its size in bytes.

    NotebookError `bad_target` when something else is there, `bad_backup` when the copy did not
    come out sound; what was at `target` is then still there.
    """
    with notebook.connection_beside() as db:
        copy_to(db, notebook.path, target)
    return target.stat().st_size


def restore(backup: Path, path: Path) -> Restored:
    """Make the notebook at `path` what the backup is; the one that was there is kept aside."""
    if backup.exists() and path.exists() and backup.samefile(path):
        raise problem("bad_target", name=path, detail="it is the backup itself")
    refuse_what_is_none(backup, make=False)
    if not path.parent.is_dir():
        raise problem("no_folder", name=path.parent)
    try:
        with open_to_read(backup) as source:
            _refuse_unsound(source, backup)
            aside = _free_name(path)
            was_there = path.exists() and path.stat().st_size > 0
            if not was_there or not _replace_content(source, path, aside):
                _replace_file(source, backup, path, aside)
    except sqlite3.Error as error:
        raise explained(error, backup) from error
    with Notebook.open(path, make=False) as notebook:
        return Restored(notebook.number_of_readings(), aside if was_there else None)


def _replace_content(source: sqlite3.Connection, path: Path, aside: Path) -> bool:
    """Copy the notebook at `path` aside and overwrite what is in it; False when it is damaged."""
    try:
        refuse_what_is_none(path, make=False)
        with closing(connect(path, "rw")) as now:
            if not edition_of(now):
                raise problem("not_a_notebook", name=path)
            copy_to(now, path, aside)
            _overwrite(source, now)
            bring_up(now)
            return True
    except (NotebookError, sqlite3.DatabaseError) as error:
        told = explained(error, path) if isinstance(error, sqlite3.Error) else error
        # A file that does not even begin like a notebook may be one by its name alone.
        lost = told.code == "not_a_notebook" and path.is_file() and path.suffix == SUFFIX
        if told.code in ("damaged", "bad_backup") or (lost and not is_database(path)):
            return False
        raise told from error


def _replace_file(source: sqlite3.Connection, backup: Path, path: Path, aside: Path) -> None:
    """Put a copy of the backup where a damaged notebook, or none, is; what is there goes aside."""
    fresh = aside.with_name(f".{aside.name[:100]}.part")
    try:
        copy_to(source, backup, fresh)
        _move_aside(path, aside)
        put_in_place(fresh, path)
    except OSError as error:
        raise problem("not_written", name=path, detail=error.strerror or error) from error
    finally:
        fresh.unlink(missing_ok=True)


class Stopped(Exception):  # noqa: N818 - nothing went wrong
    """A copy was no longer wanted; there is none."""


def copy_to(
    db: sqlite3.Connection,
    name: Path,
    target: Path,
    stopped: Callable[[], bool] = lambda: False,
) -> None:
    """Copy what `db` is open on, called `name`, to `target`: whole or not at all.

    Raises `Stopped` soon after `stopped` becomes true. NotebookError `bad_target`, `bad_backup`,
    `disk_full` or another when it did not work.
    """
    _refuse_target(name, target)
    part = target.with_name(f".{target.name[:100]}-{os.getpid()}.part")
    try:
        with closing(sqlite3.connect(part, isolation_level=None)) as copy:
            _overwrite(db, copy, stopped)
            copy.execute("PRAGMA journal_mode = DELETE")
            copy.set_progress_handler(stopped, _STEPS_BETWEEN)
            (found,) = copy.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise problem("bad_backup", name=name, detail=found)
        put_in_place(part, target)
    except sqlite3.Error as error:
        if stopped():
            raise Stopped from error
        told = explained(error, target)
        if told.code == "damaged":
            told = problem("bad_backup", name=name, detail=error)
        raise told from error
    except OSError as error:
        raise problem("not_written", name=target, detail=error.strerror or error) from error
    finally:
        for end in ("", *_BESIDE):
            with suppress(OSError):
                part.with_name(part.name + end).unlink(missing_ok=True)


def put_in_place(part: Path, target: Path) -> None:
    """Give a finished file its name, so that a power cut leaves the old one or the new one."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    part.replace(target)
    with suppress(OSError, AttributeError):  # Windows opens no folders, and needs none
        folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _overwrite(
    source: sqlite3.Connection,
    into: sqlite3.Connection,
    stopped: Callable[[], bool] = lambda: False,
) -> None:
    # The source reads one moment all along, so what others write does not begin a copy anew.
    held = source.in_transaction
    source.backup(into, pages=_PAGES_AT_ONCE if held else -1, progress=_patience(stopped))


def _patience(stopped: Callable[[], bool]) -> Callable[[int, int, int], object]:
    """Ends a copy that others do not let begin; SQLite's module would try for ever."""
    end = time.monotonic() + BUSY_S

    def progress(status: int, remaining: int, total: int) -> None:
        if stopped():
            raise Stopped
        if status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED) and time.monotonic() > end:
            error = sqlite3.OperationalError("database is locked")
            error.sqlite_errorcode = status
            raise error

    return progress


def _refuse_unsound(source: sqlite3.Connection, backup: Path) -> None:
    try:
        edition = edition_of(source)
        if not edition:
            raise problem("not_a_notebook", name=backup)
        if edition > len(STEPS):
            raise problem("newer_notebook", name=backup)
        (found,) = source.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as error:
        raise explained(error, backup) from error
    if found != "ok":
        raise problem("damaged", name=backup, detail=found)


def is_database(path: Path) -> bool:
    """Whether a file begins as SQLite's do."""
    with path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC


def _refuse_target(name: Path, target: Path) -> None:
    if not target.parent.is_dir():
        raise problem("no_folder", name=target.parent)
    if not target.exists() or (target.is_file() and target.stat().st_size == 0):
        return
    if name.exists() and target.samefile(name):
        raise problem("bad_target", name=target, detail="it is the notebook itself")
    try:
        refuse_what_is_none(target, make=False)
        with closing(connect(target, "ro")) as there:
            known = edition_of(there)
    except (NotebookError, sqlite3.Error):
        known = None
    if known is None:
        raise problem("bad_target", name=target, detail="it is something else than a notebook")


def _free_name(path: Path) -> Path:
    """A name beside `path` that tells when it was replaced and that nothing has."""
    stem = f"{path.stem}-replaced-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    free, number = path.with_name(stem + path.suffix), 1
    while free.exists():
        number += 1
        free = path.with_name(f"{stem}-{number}{path.suffix}")
    return free


def _move_aside(path: Path, aside: Path) -> None:
    """Move a file that is no longer sound, and what SQLite keeps beside it, out of the way."""
    for end in ("", *_BESIDE):
        old = path.with_name(path.name + end)
        try:
            if old.exists():
                old.replace(aside.with_name(aside.name + end))
        except OSError as error:
            raise problem("not_written", name=aside, detail=error.strerror or error) from error
