"""What can go wrong with a notebook, in sentences, and SQLite's own errors told in them."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Final

PROBLEMS: Final[dict[str, tuple[str, str]]] = {
    "newer_notebook": (
        "{name} was last written by a newer Slubwise, so this one does not write into it.",
        "Install the newer version; until then it can be looked at here.",
    ),
    "read_only": (
        "{name} cannot be written to: the file or its folder is read-only.",
        "Give yourself the right to write there, or copy the notebook to a folder of your own.",
    ),
    "not_brought_up": (
        "{name} is of an older Slubwise and was not brought up to date, since no copy of it "
        "as it is could be kept beside it: {detail}",
        "Make room for that copy; until then it can be looked at here.",
    ),
    "called_off": (
        "{name} is of an older Slubwise and was not brought up to date, as that was called off; "
        "it is as it was.",
        "Open it again when there is time for it.",
    ),
    "disk_full": (
        "The disk is full, so nothing more could be written to {name}; "
        "everything logged before is safe.",
        "Free some space on that disk and do it again.",
    ),
    "disk_failed": (
        "{name} could not be read or written ({detail}).",
        "See whether the disk is connected, within its quota and sound; "
        "everything logged before is kept as far as the disk keeps it.",
    ),
    "damaged": (
        "{name} is damaged ({detail}).",
        'Leave it as it is, save what can be read with "slubwise notebook salvage NEW", '
        'or go back to a backup with "slubwise notebook restore BACKUP": daily ones are beside it, '
        'in the folder that ends in "-backups".',
    ),
    "beyond_salvage": (
        "Nothing can be read of {name} any more ({detail}): the list of what is in it is damaged.",
        'Go back to a backup with "slubwise notebook restore BACKUP": daily ones are beside it, in '
        'the folder that ends in "-backups". Keep the damaged file all the same.',
    ),
    "not_a_notebook": (
        "{name} is not a Slubwise notebook, or its beginning is damaged; it was left as it is.",
        "Name another file; a damaged notebook comes back from a backup "
        'with "slubwise notebook restore BACKUP".',
    ),
    "no_notebook": (
        "There is no notebook at {name}.",
        "Check the name, or log a reading first: that makes one.",
    ),
    "no_folder": (
        "The folder {name} does not exist.",
        "Make it first, or name another.",
    ),
    "busy": (
        "{name} is held by another program and did not become free.",
        "Close the other window or let it finish, then do it again.",
    ),
    "gone": (
        "That {what} is not in the notebook.",
        "It may have been another notebook that was open; choose again from the list.",
    ),
    "changed_meanwhile": (
        '"{what}" cannot be undone or redone: it was changed elsewhere in the meantime.',
        "Look at how it stands now and change it by hand.",
    ),
    "bad_value": (
        "{detail}",
        "Correct it and do it again; nothing was changed.",
    ),
    "bad_import": (
        "{name} cannot be imported: {detail}.",
        "Export it again from the notebook it came from; nothing was changed here.",
    ),
    "bad_target": (
        "{name} is not overwritten: {detail}.",
        "Choose another name.",
    ),
    "not_written": (
        "{name} could not be written ({detail}).",
        "Choose another place.",
    ),
    "bad_backup": (
        "The copy of {name} did not come out whole ({detail}), so it was thrown away.",
        'See what is wrong with "slubwise notebook check".',
    ),
}
"""Every code with its sentence and its advice; codes are stable (docs/formats.md)."""

_LITTLE_SPACE_BYTES: Final = 1 << 20


class NotebookError(Exception):
    """What the notebook could not do: `code` is stable, `text` the cause, `advice` what to do."""

    def __init__(self, code: str, text: str, advice: str) -> None:
        super().__init__(code, text, advice)
        self.code = code
        self.text = text
        self.advice = advice

    def __str__(self) -> str:
        return self.text


def problem(code: str, **values: object) -> NotebookError:
    """The error of that code with its blanks filled in."""
    text, advice = PROBLEMS[code]
    return NotebookError(code, text.format(**values), advice.format(**values))


def explained(error: sqlite3.Error, path: Path) -> NotebookError:
    """What an error of SQLite's means for the notebook at `path`.

    Source of the numbers: https://www.sqlite.org/rescode.html, the low byte being the kind.
    """
    code: int | None = getattr(error, "sqlite_errorcode", None)
    kind = None if code is None else code & 0xFF
    if kind == sqlite3.SQLITE_FULL:
        return problem("disk_full", name=path)
    if kind in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return problem("damaged", name=path, detail=error)
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return problem("busy", name=path)
    if kind in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and _no_space(path):
        # The shared-memory file beside the notebook finds no room, and SQLite says it so.
        return problem("disk_full", name=path)
    if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN):
        return problem("read_only", name=path)
    if kind == sqlite3.SQLITE_CONSTRAINT:
        return problem("bad_value", detail=f"This does not fit into the notebook ({error}).")
    return problem("disk_failed", name=path, detail=error)


def _no_space(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < _LITTLE_SPACE_BYTES
    except OSError:
        return False
