"""What can still be read of a damaged notebook, saved to a new one.

The damaged file is not touched: a copy of it is read, row by row, stepping over what SQLite cannot
give. What hangs in the air afterwards is given something to hang on: a reading whose bobbin is
lost goes to a bobbin that says so.
"""

from __future__ import annotations

import ast
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from app import program_version
from app.notebook.errors import NotebookError, explained, problem
from app.notebook.file import connect, refuse_what_is_none
from app.notebook.plain import is_whole, pack
from app.notebook.records import Aim, Bobbin, LoggedReading, Sitting, Skein, Spin
from app.notebook.rows import (
    BOBBIN_COLUMNS,
    READING_COLUMNS,
    SITTING_COLUMNS,
    SPIN_COLUMNS,
    bobbin_of,
    bobbin_values,
    insert,
    new_id,
    reading_of,
    sitting_of,
    sitting_values,
    spin_of,
    spin_values,
    time_of,
)
from app.notebook.schema import TABLES
from app.notebook.shared import fill_in_what_is_shared
from app.notebook.skein_records import Section
from app.notebook.skein_rows import (
    SECTION_COLUMNS,
    SKEIN_COLUMNS,
    section_of,
    skein_of,
    skein_values,
)
from app.notebook.store import Notebook
from measure.results import Along, Caution, Outline, StrandReading

_FAILURES: Final = 20_000
"""Rows in a row that cannot be had, after which a table is taken to be at its end."""
_LOST: Final = "Lost"


@dataclass(frozen=True)
class Salvaged:
    """What came through."""

    readings: int
    main_figures_only: int
    """Of the readings, those of which the profile along the strand was lost."""
    without_bobbin: int
    """Of the readings, those whose bobbin or sitting was lost."""


def salvage(damaged: Path, target: Path) -> Salvaged:
    """Save what can be read of the notebook at `damaged` to a new one at `target`.

    NotebookError `beyond_salvage` when not even the list of its tables can be read.
    """
    refuse_what_is_none(damaged, make=False)
    if target.exists():
        raise problem("bad_target", name=target, detail="there is something of that name already")
    Notebook.open(target).close()
    try:
        with (
            tempfile.TemporaryDirectory(prefix="slubwise-") as folder,
            closing(_copy_of(damaged, Path(folder))) as old,
            closing(connect(target, "rw")) as new,
        ):
            new.execute("PRAGMA foreign_keys = OFF")
            new.execute("BEGIN IMMEDIATE")
            for table in TABLES:
                _save_table(old, new, table)
            saved = _hang_up(new)
            new.execute("COMMIT")
    except sqlite3.Error as error:
        _remove(target)
        told = explained(error, damaged)
        if told.code == "damaged":
            told = problem("beyond_salvage", name=damaged, detail=error)
        raise told from error
    except OSError as error:
        _remove(target)
        raise problem("not_written", name=target, detail=error.strerror or error) from error
    except BaseException:
        _remove(target)
        raise
    return saved


def _remove(target: Path) -> None:
    for end in ("", "-wal", "-shm"):
        with suppress(OSError):
            target.with_name(target.name + end).unlink(missing_ok=True)


def _copy_of(damaged: Path, folder: Path) -> sqlite3.Connection:
    copy = folder / "notebook.slubwise"
    shutil.copyfile(damaged, copy)
    _fill_up(copy)
    log = damaged.with_name(damaged.name + "-wal")
    if log.exists():
        shutil.copyfile(log, copy.with_name(copy.name + "-wal"))
    db = connect(copy, "rw")
    db.execute("PRAGMA cell_size_check = OFF")
    db.execute("PRAGMA foreign_keys = OFF")
    return db


def _fill_up(copy: Path) -> None:
    """Make a file that was cut short as long as its header says, or SQLite reads none of it.

    Source: https://www.sqlite.org/fileformat2.html, bytes 16 (page size) and 28 (pages).
    """
    with copy.open("rb+") as file:
        header = file.read(32)
        page_size = int.from_bytes(header[16:18], "big")
        length = (page_size if page_size > 1 else 65536) * int.from_bytes(header[28:32], "big")
        if length > copy.stat().st_size:
            with suppress(OSError):
                file.truncate(length)


def _save_table(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> None:
    """Save the rows of one table; what an older edition did not keep gets its default."""
    blank = {
        name: None if default is None else ast.literal_eval(default)
        for _, name, _, _, default, _ in new.execute(f"PRAGMA table_info({table})")
    }
    known = {row[1] for row in old.execute(f"PRAGMA table_info({table})")}
    if not known:
        return
    columns = [name for name in blank if name in known]
    sql = insert(table, blank).replace("INSERT", "INSERT OR IGNORE", 1)
    for row in _rows(old, table, columns):
        values = blank | dict(zip(columns, row, strict=True))
        if _makes_sense(table, tuple(values.values())):
            with suppress(sqlite3.IntegrityError, OverflowError):
                new.execute(sql, values)


def _rows(db: sqlite3.Connection, table: str, columns: list[str]) -> Iterator[tuple[Any, ...]]:
    """All rows that can be had: from the front, from the back, and one by one in between."""
    names = ", ".join(["rowid", *columns])
    first, last = 0, None
    try:
        for row in db.execute(f"SELECT {names} FROM {table} NOT INDEXED ORDER BY rowid"):
            first = row[0]
            yield row[1:]
        return
    except (sqlite3.DatabaseError, ValueError):  # ValueError: text that is not UTF-8 any more
        pass
    try:
        question = f"SELECT {names} FROM {table} NOT INDEXED WHERE rowid > ? ORDER BY rowid DESC"
        for row in db.execute(question, (first,)):
            last = row[0]
            yield row[1:]
    except (sqlite3.DatabaseError, ValueError):
        pass
    failures, rowid = 0, first + 1
    while failures < _FAILURES and (last is None or rowid < last):
        failures += 1
        with suppress(sqlite3.DatabaseError, ValueError):
            found = db.execute(f"SELECT {names} FROM {table} WHERE rowid = ?", (rowid,)).fetchone()
            if found is not None:
                failures = 0
                yield found[1:]
        rowid += 1


def _makes_sense(table: str, row: tuple[Any, ...]) -> bool:
    """Whether a row is one that this program could have written."""
    try:
        match table:
            case "spin":
                spin_values(spin_of(row))
            case "bobbin":
                bobbin_values(bobbin_of(row))
            case "sitting":
                sitting_values(sitting_of(row))
            case "reading":
                reading_of(row)
            case "skein":
                skein_values(skein_of(row, ()))
            case "section":
                section_of(row)
            case "detail" | "section_detail":
                return is_whole(row[1]) and is_whole(row[2])
    except (ValueError, TypeError, AttributeError, NotebookError):
        return False
    return True


def _hang_up(db: sqlite3.Connection) -> Salvaged:
    """Give what lost its place a place, and take away what lost its reading."""
    missing = "SELECT r.id FROM reading r LEFT JOIN {0} ON {1} WHERE {2} IS NULL"
    db.execute("DELETE FROM section_detail WHERE section_id NOT IN (SELECT id FROM section)")
    for (id_,) in db.execute(
        "SELECT id FROM section WHERE id NOT IN (SELECT section_id FROM section_detail)"
    ).fetchall():
        row = db.execute(f"SELECT {', '.join(SECTION_COLUMNS)} FROM section WHERE id = ?", (id_,))
        packed = pack(_main_figures(section_of(row.fetchone())))
        db.execute(
            "INSERT INTO section_detail (section_id, strand, arrays, program) VALUES (?, ?, ?, ?)",
            (id_, *packed, program_version()),
        )
    for table in ("detail", "picture"):
        db.execute(f"DELETE FROM {table} WHERE reading_id NOT IN (SELECT id FROM reading)")
    db.execute(
        "UPDATE reading SET has_picture = 0 "
        "WHERE has_picture = 1 AND id NOT IN (SELECT reading_id FROM picture)"
    )
    bare = db.execute(missing.format("detail d", "d.reading_id = r.id", "d.reading_id")).fetchall()
    for (id_,) in bare:
        row = db.execute(f"SELECT {', '.join(READING_COLUMNS)} FROM reading WHERE id = ?", (id_,))
        packed = pack(_main_figures(reading_of(row.fetchone())))
        db.execute(
            "INSERT INTO detail (reading_id, strand, arrays, program) VALUES (?, ?, ?, ?)",
            (id_, *packed, program_version()),
        )
    homeless = db.execute(
        missing.format("sitting s", "s.id = r.sitting_id AND s.bobbin_id = r.bobbin_id", "s.id")
        + " UNION SELECT r.id FROM reading r LEFT JOIN bobbin b ON b.id = r.bobbin_id "
        "LEFT JOIN spin p ON p.id = b.spin_id WHERE p.id IS NULL"
    ).fetchall()
    _rehouse(db)
    db.execute(
        "DELETE FROM skein_bobbin WHERE skein_id NOT IN (SELECT id FROM skein) "
        "OR bobbin_id NOT IN (SELECT id FROM bobbin)"
    )
    fill_in_what_is_shared(db)
    (readings,) = db.execute("SELECT count(*) FROM reading").fetchone()
    return Salvaged(readings, len(bare), len(homeless))


def _rehouse(db: sqlite3.Connection) -> None:
    """Make stand-ins for the sittings, bobbins, skeins and spins something still points at."""
    now = datetime.now(UTC)
    for id_, bobbin, first in db.execute(
        "SELECT sitting_id, bobbin_id, min(taken_at) FROM reading "
        "WHERE sitting_id NOT IN (SELECT id FROM sitting) GROUP BY sitting_id"
    ).fetchall():
        db.execute(
            insert("sitting", SITTING_COLUMNS),
            sitting_values(Sitting(id_, bobbin, time_of(first), None)),
        )
    stray: str | None = None
    for number, (id_,) in enumerate(
        db.execute(
            "SELECT DISTINCT bobbin_id FROM sitting WHERE bobbin_id NOT IN (SELECT id FROM bobbin)"
        ).fetchall(),
        start=1,
    ):
        stray = stray or new_id()
        bobbin_row = Bobbin(id_, stray, f"{_LOST} bobbin {number}", "", None, None, number, now)
        db.execute(insert("bobbin", BOBBIN_COLUMNS), bobbin_values(bobbin_row))
    for number, (id_, first) in enumerate(
        db.execute(
            "SELECT skein_id, min(taken_at) FROM section "
            "WHERE skein_id NOT IN (SELECT id FROM skein) GROUP BY skein_id"
        ).fetchall(),
        start=1,
    ):
        stray = stray or new_id()
        skein = Skein(id_, stray, f"{_LOST} skein {number}", (), "", "", time_of(first))
        db.execute(insert("skein", SKEIN_COLUMNS), skein_values(skein))
    for (id_,) in db.execute(
        "SELECT spin_id FROM bobbin WHERE spin_id NOT IN (SELECT id FROM spin) "
        "UNION SELECT spin_id FROM skein WHERE spin_id NOT IN (SELECT id FROM spin)"
    ).fetchall():
        spin = Spin(id_, f"{_LOST} spin", "", "", None, Aim(), "", now)
        db.execute(insert("spin", SPIN_COLUMNS), spin_values(spin))


def _main_figures(reading: LoggedReading | Section) -> StrandReading:
    """A strand of which only what the lists show is known."""
    none = np.zeros(0)
    line = np.zeros((0, 2))
    low, high = reading.interval_mm
    return StrandReading(
        number=1,
        lane="picture",
        ground="both",
        diameter_mm=reading.diameter_mm,
        u_diameter_mm=reading.u_diameter_mm,
        diameter_interval_mm=reading.interval_mm,
        wpi=25.4 / reading.diameter_mm,
        wpi_interval=(25.4 / high, 25.4 / low) if 0 < low <= high else (0.0, np.inf),
        weight_classes=(),
        cv_percent=reading.cv_percent,
        length_mm=reading.length_mm,
        along=Along(none, none, none, np.zeros(0, np.str_)),
        uneven_places=(),
        halo_ratio=1.0,
        light_mm=None,
        dark_mm=None,
        agreement_percent=None,
        budget_mm={},
        width_px=np.nan,
        outline=Outline(line, line, line),
        cautions=(
            Caution(
                "salvaged", "Only the main figures of this reading were saved from a damaged file."
            ),
        ),
        turns_per_inch=reading.turns_per_inch,
        twist=reading.twist,
    )
