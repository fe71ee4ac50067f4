"""Removing for good what was deleted: only when a person asks for it, and after saying what goes.

Whatever refers to something that goes, goes along, as the tables' own foreign keys tell. What
still has a use stays: a deleted bobbin that a skein was plied from, and its spin.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from app.notebook.errors import NotebookError
from app.notebook.schema import TABLES
from app.notebook.store import Notebook


@dataclass(frozen=True)
class Purge:
    """What goes, or went."""

    spins: tuple[str, ...]
    """Names of deleted spins; all in them goes along."""
    bobbins: tuple[tuple[str, str], ...]
    """Deleted bobbins of spins that stay: (name, name of the spin)."""
    skeins: tuple[tuple[str, str], ...]
    """Deleted skeins of spins that stay, likewise."""
    taken_back: int
    """Readings taken back, of bobbins that stay."""
    sections_taken_back: int
    """Sections taken back, of skeins that stay."""
    counts: dict[str, int]
    """Rows that go, by table, everything together."""
    kept: tuple[str, ...]
    """Names of deleted bobbins that stay, since skeins were plied from them."""

    @property
    def nothing(self) -> bool:
        """True when nothing is there to remove."""
        return not any(self.counts.values())


@dataclass(frozen=True)
class Purged:
    """What went, and whether the file became smaller by it."""

    gone: Purge
    bytes_freed: int
    """0 when another program had the file in use; the room is then used for what comes."""


def what_would_go(notebook: Notebook) -> Purge:
    """What `purge` would remove now."""
    with notebook.connection_beside() as db:
        return _mark(db)


def purge(notebook: Notebook) -> Purged:
    """Remove for good what was deleted or taken back, in one transaction; there is no way back."""
    with notebook.transaction() as db:
        gone = _mark(db)
        for table in reversed(TABLES):
            db.execute(f"DELETE FROM {table} WHERE rowid IN (SELECT id FROM temp.gone_{table})")
    notebook.forget_changes()
    before = _size(notebook.path)
    with suppress(NotebookError):
        notebook.shrink()
    return Purged(gone, max(before - _size(notebook.path), 0))


def _size(path: Path) -> int:
    return sum(
        file.stat().st_size
        for end in ("", "-wal")
        if (file := path.with_name(path.name + end)).exists()
    )


_OWN: Final = {
    "spin": "id IN (SELECT id FROM temp.gone_spins)",
    "bobbin": "id IN (SELECT id FROM temp.gone_bobbins)",
    "skein": "deleted_at IS NOT NULL",
    "reading": "taken_back_at IS NOT NULL",
    "section": "taken_back_at IS NOT NULL",
}
"""What goes by itself; whatever refers to it goes along."""


def _mark(db: sqlite3.Connection) -> Purge:
    """Put the rows that go into temporary tables, gone_TABLE (id: the rowid), and say which."""
    spins, bobbins, kept = _things_that_go(db)
    for name, ids in (("gone_spins", spins), ("gone_bobbins", bobbins)):
        db.execute(f"DROP TABLE IF EXISTS temp.{name}")
        db.execute(f"CREATE TEMP TABLE {name} (id TEXT PRIMARY KEY)")
        db.executemany(f"INSERT INTO temp.{name} VALUES (?)", [(id_,) for id_ in sorted(ids)])
    counts = {}
    for table in TABLES:  # each after those that it refers to
        goes = [_OWN[table]] if table in _OWN else []
        goes += _refers_to_what_goes(db, table)
        db.execute(f"DROP TABLE IF EXISTS temp.gone_{table}")
        db.execute(
            f"CREATE TEMP TABLE gone_{table} AS "
            f"SELECT rowid AS id FROM main.{table} WHERE {' OR '.join(goes) or '0'}"
        )
        (counts[table],) = db.execute(f"SELECT count(*) FROM temp.gone_{table}").fetchone()
    return Purge(
        spins=tuple(
            name
            for (name,) in db.execute(
                "SELECT name FROM spin WHERE rowid IN (SELECT id FROM temp.gone_spin) "
                "ORDER BY made_at, id"
            )
        ),
        bobbins=_of_spins_that_stay(db, "bobbin"),
        skeins=_of_spins_that_stay(db, "skein"),
        taken_back=db.execute(
            "SELECT count(*) FROM reading WHERE taken_back_at IS NOT NULL "
            "AND bobbin_id NOT IN (SELECT id FROM temp.gone_bobbins)"
        ).fetchone()[0],
        sections_taken_back=db.execute(
            "SELECT count(*) FROM section WHERE taken_back_at IS NOT NULL AND skein_id NOT IN "
            "(SELECT id FROM skein WHERE rowid IN (SELECT id FROM temp.gone_skein))"
        ).fetchone()[0],
        counts=counts,
        kept=kept,
    )


def _things_that_go(db: sqlite3.Connection) -> tuple[set[str], set[str], tuple[str, ...]]:
    """Ids of spins and of bobbins that go, and names of deleted bobbins that stay."""
    spins = {id_ for (id_,) in db.execute("SELECT id FROM spin WHERE deleted_at IS NOT NULL")}
    bobbins = db.execute("SELECT id, spin_id, name, deleted_at FROM bobbin").fetchall()
    plied = db.execute(
        "SELECT b.bobbin_id, s.spin_id FROM skein_bobbin b JOIN skein s ON s.id = b.skein_id "
        "WHERE s.deleted_at IS NULL"
    ).fetchall()
    while True:
        # A spin that stays keeps its skeins, and those their bobbins, and those their spins.
        used = {bobbin for bobbin, spin in plied if spin not in spins}
        stay = {spin for id_, spin, _, _ in bobbins if id_ in used} & spins
        if not stay:
            break
        spins -= stay
    gone = {id_ for id_, spin, _, at in bobbins if (at or spin in spins) and id_ not in used}
    kept = tuple(name for id_, _, name, at in bobbins if at and id_ in used)
    return spins, gone, kept


def _refers_to_what_goes(db: sqlite3.Connection, table: str) -> list[str]:
    """A condition for each foreign key of a table: that the row it refers to goes."""
    keys: dict[int, tuple[str, list[str]]] = {}
    for number, _, parent, own, other, *_ in db.execute(f"PRAGMA main.foreign_key_list({table})"):
        pairs = keys.setdefault(number, (parent, []))[1]
        pairs.append(f"p.{other} = main.{table}.{own}")
    return [
        f"EXISTS (SELECT 1 FROM main.{parent} p WHERE {' AND '.join(pairs)} "
        f"AND p.rowid IN (SELECT id FROM temp.gone_{parent}))"
        for parent, pairs in keys.values()
    ]


def _of_spins_that_stay(db: sqlite3.Connection, table: str) -> tuple[tuple[str, str], ...]:
    return tuple(
        db.execute(
            f"SELECT t.name, p.name FROM {table} t JOIN spin p ON p.id = t.spin_id "
            f"WHERE t.rowid IN (SELECT id FROM temp.gone_{table}) "
            "AND p.rowid NOT IN (SELECT id FROM temp.gone_spin) ORDER BY p.made_at, t.made_at, t.id"
        ).fetchall()
    )
