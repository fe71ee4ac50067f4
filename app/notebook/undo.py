"""What a window changed, so that it can be undone and redone.

Nothing is removed from the notebook here: deleting, taking back and renaming are all new values
in a row, and the old ones are kept here. (`purge` removes, when a person asks for it.) Logging is
not among them: Ctrl-Z after a reading that logged itself in between would undo the wrong thing; a
reading is taken back by itself.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from app.notebook.errors import NotebookError, problem
from app.notebook.file import NotebookFile

MOST_CHANGES: Final = 500

NAMES: Final = {
    "spin": "spin", "bobbin": "bobbin", "skein": "skein", "reading": "reading",
    "section": "section",
}  # fmt: skip


@dataclass(frozen=True)
class RowChange:
    """New values in one row, and the old ones."""

    table: str
    id: str
    before: dict[str, Any]
    after: dict[str, Any]


@dataclass(frozen=True)
class Change:
    """What was done at once, and is undone at once."""

    text: str
    """What was done, to stand behind "Undo": 'delete bobbin "B2"'."""
    rows: tuple[RowChange, ...]


class History:
    """The changes made through one window, last first; each is one transaction."""

    def __init__(self, file: NotebookFile) -> None:
        self._file = file
        self._done: deque[Change] = deque(maxlen=MOST_CHANGES)
        self._undone: deque[Change] = deque(maxlen=MOST_CHANGES)

    @property
    def undo_text(self) -> str | None:
        """What would be undone, or None."""
        return self._done[-1].text if self._done else None

    @property
    def redo_text(self) -> str | None:
        """What would be done again, or None."""
        return self._undone[-1].text if self._undone else None

    def change(self, text: str, table: str, id_: str, after: Mapping[str, Any]) -> None:
        """Set columns of a row; NotebookError `gone` when there is no such row."""
        self.change_all(text, table, {id_: after})

    def change_all(self, text: str, table: str, after: Mapping[str, Mapping[str, Any]]) -> None:
        """Set columns of several rows, by their ids, as one change."""
        rows = []
        with self._file.write() as db:
            for id_, values in after.items():
                before = current(db, table, id_, values)
                if before != values:
                    _set(db, table, id_, values)
                    rows.append(RowChange(table, id_, before, dict(values)))
        if rows:
            self.remember(Change(text, tuple(rows)))

    def remember(self, change: Change) -> None:
        """Keep a change that was already committed; what was undone before is past redoing."""
        self._done.append(change)
        self._undone.clear()

    def forget(self) -> None:
        """Forget all changes: what they were of is not there any more."""
        self._done.clear()
        self._undone.clear()

    def undo(self) -> str | None:
        """Take the last change back and say which it was; None when there is none."""
        return self._turn(self._done, self._undone, back=True)

    def redo(self) -> str | None:
        """Do again what was undone last and say what; None when there is nothing."""
        return self._turn(self._undone, self._done, back=False)

    def _turn(self, pile: deque[Change], other: deque[Change], *, back: bool) -> str | None:
        """Set the rows of the pile's last change to what they are turned to; all or none."""
        if not pile:
            return None
        change = pile[-1]
        try:
            with self._file.write() as db:
                for row in change.rows:
                    now, then = (row.after, row.before) if back else (row.before, row.after)
                    if current(db, row.table, row.id, now) != now:
                        raise problem("changed_meanwhile", what=change.text)
                    _set(db, row.table, row.id, then)
        except NotebookError as error:
            # What another window overtook is never to be undone; a full disk passes.
            if error.code in ("changed_meanwhile", "gone"):
                pile.pop()
            raise
        other.append(pile.pop())
        return change.text


def current(
    db: sqlite3.Connection, table: str, id_: str, columns: Mapping[str, Any]
) -> dict[str, Any]:
    """The values that a row has in these columns; `bobbin_ids` of a skein is one of them."""
    plain = [name for name in columns if name != "bobbin_ids"]
    row = db.execute(f"SELECT {', '.join([*plain, '1'])} FROM {table} WHERE id = ?", (id_,))
    found = row.fetchone()
    if found is None:
        raise problem("gone", what=NAMES[table])
    values = dict(zip(plain, found[:-1], strict=True))
    if "bobbin_ids" in columns:
        values["bobbin_ids"] = bobbins_of_skein(db, id_)
    return values


def bobbins_of_skein(db: sqlite3.Connection, skein_id: str) -> tuple[str, ...]:
    """The bobbins that a skein was plied from, in order."""
    question = "SELECT bobbin_id FROM skein_bobbin WHERE skein_id = ? ORDER BY place"
    return tuple(bobbin for (bobbin,) in db.execute(question, (skein_id,)))


def set_bobbins_of_skein(db: sqlite3.Connection, skein_id: str, ids: tuple[str, ...]) -> None:
    """Say anew which bobbins a skein was plied from."""
    db.execute("DELETE FROM skein_bobbin WHERE skein_id = ?", (skein_id,))
    db.executemany(
        "INSERT INTO skein_bobbin (skein_id, place, bobbin_id) VALUES (?, ?, ?)",
        [(skein_id, place, bobbin) for place, bobbin in enumerate(ids)],
    )


def _set(db: sqlite3.Connection, table: str, id_: str, values: Mapping[str, Any]) -> None:
    plain = {name: value for name, value in values.items() if name != "bobbin_ids"}
    if plain:
        columns = ", ".join(f"{name} = :{name}" for name in plain)
        db.execute(f"UPDATE {table} SET {columns} WHERE id = :id", plain | {"id": id_})
    if "bobbin_ids" in values:
        set_bobbins_of_skein(db, id_, values["bobbin_ids"])
