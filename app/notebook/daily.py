"""A copy of the notebook each day, beside it, the last few kept: made by itself, off to the side.

What is copied is what the notebook held when the day's copy was made, mostly all of the days
before. A day on which nothing was logged or changed needs none.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Final

from app.notebook.backup import Stopped, copy_to
from app.notebook.errors import NotebookError, problem
from app.notebook.store import Notebook

MOST_KEPT: Final = 3
"""Copies kept: of the last days on which anything was done."""

_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}")


def folder_of_copies(path: Path) -> Path:
    """Where the daily copies of the notebook at `path` are kept."""
    return path.with_name(f"{path.stem}-backups")


def copies_of(path: Path) -> list[Path]:
    """The daily copies of a notebook, oldest first."""
    folder = folder_of_copies(path)
    if not folder.is_dir():
        return []
    found = (p for p in folder.iterdir() if p.suffix == path.suffix and _DAY.fullmatch(p.stem))
    return sorted(found)


def keep_copy(
    notebook: Notebook, today: date, stopped: Callable[[], bool] = lambda: False
) -> Path | None:
    """Make the day's copy where it is due, and drop the oldest beyond `MOST_KEPT`.

    None when it is not due: there is one of today, nothing changed since the last one, there is
    nothing to copy, the notebook can only be looked at, or `stopped` became true. Logging goes on
    meanwhile. NotebookError when it could not be made, or would fill the disk.
    """
    path = notebook.path
    target = folder_of_copies(path) / f"{today.isoformat()}{path.suffix}"
    copies = copies_of(path)
    if notebook.why_not is not None or target.exists() or not _changed_since(path, copies):
        return None
    try:
        target.parent.mkdir(exist_ok=True)
        free = shutil.disk_usage(target.parent).free
    except OSError as error:
        raise problem("not_written", name=target, detail=error.strerror or error) from error
    # A copy must not take the room that the next readings need.
    if free < 2 * sum(size for size, _ in _files(path)):
        raise problem("not_written", name=target, detail="too little room would be left")
    try:
        with notebook.connection_beside() as db:
            if db.execute("SELECT 1 FROM reading LIMIT 1").fetchone() is None:
                return None
            copy_to(db, path, target, stopped)
    except Stopped:
        return None
    for old in copies_of(path)[:-MOST_KEPT]:
        with suppress(OSError):
            old.unlink()
    return target


def _changed_since(path: Path, copies: list[Path]) -> bool:
    """Whether the notebook's file or its log was written to after the last copy was made."""
    if not copies:
        return True
    last = copies[-1].stat().st_mtime_ns
    return any(size and changed > last for size, changed in _files(path))


def _files(path: Path) -> list[tuple[int, int]]:
    """Size and time of the last change, ns, of a notebook's file and of its log."""
    found = []
    for file in (path, path.with_name(path.name + "-wal")):
        with suppress(FileNotFoundError):
            stat = file.stat()
            found.append((stat.st_size, stat.st_mtime_ns))
    return found


def why_no_copy(error: NotebookError) -> str:
    """What to say, once, when the day's copy could not be made."""
    return (
        f"Today's copy of the notebook could not be made: {error.text} {error.advice} "
        "The notebook itself is as it was."
    )
