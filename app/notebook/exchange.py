"""A notebook as JSON, without losing a bit, and the way back (docs/formats.md)."""

from __future__ import annotations

import base64
import binascii
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

from app import program_version
from app.notebook.backup import is_database, put_in_place
from app.notebook.detail import OF_READING, OF_SECTION
from app.notebook.errors import NotebookError, problem
from app.notebook.json_stream import members
from app.notebook.plain import from_plain, pack, to_plain
from app.notebook.records import Bobbin, LoggedReading, Sitting, Skein, Spin
from app.notebook.rows import (
    BOBBIN_COLUMNS,
    READING_COLUMNS,
    SITTING_COLUMNS,
    SPIN_COLUMNS,
    bobbin_of,
    bobbin_values,
    clean,
    insert,
    reading_of,
    reading_values,
    sitting_of,
    sitting_values,
    spin_of,
    spin_values,
)
from app.notebook.sections import next_number, put_section
from app.notebook.shared import known_shared, scale_text
from app.notebook.skein_records import Section
from app.notebook.skein_rows import (
    SECTION_COLUMNS,
    SKEIN_COLUMNS,
    section_of,
    section_values,
    skein_of,
    skein_values,
)
from app.notebook.store import Notebook, put_reading
from app.notebook.undo import bobbins_of_skein, set_bobbins_of_skein

EDITION: Final = 2
"""Of the JSON; a reader refuses a later one."""


@dataclass(frozen=True)
class _Part:
    """One list of the JSON and the table it is kept in."""

    table: str
    kind: type[Any]
    columns: tuple[str, ...]
    record: Callable[[sqlite3.Connection, Any], Any]
    values: Callable[[Any], dict[str, Any]]


_PARTS: Final = {
    "spins": _Part("spin", Spin, SPIN_COLUMNS, lambda _, row: spin_of(row), spin_values),
    "bobbins": _Part(
        "bobbin", Bobbin, BOBBIN_COLUMNS, lambda _, row: bobbin_of(row), bobbin_values
    ),
    "sittings": _Part(
        "sitting", Sitting, SITTING_COLUMNS, lambda _, row: sitting_of(row), sitting_values
    ),
    "skeins": _Part(
        "skein",
        Skein,
        SKEIN_COLUMNS,
        lambda db, row: skein_of(row, bobbins_of_skein(db, row[0])),
        skein_values,
    ),
}


@dataclass(frozen=True)
class Imported:
    """What an import added; `known` were in the notebook already and were left as they are."""

    spins: int = 0
    bobbins: int = 0
    sittings: int = 0
    skeins: int = 0
    readings: int = 0
    known: int = 0
    sections: int = 0


def export_json(notebook: Notebook, target: Path, *, pictures: bool = True) -> int:
    """Write everything in a notebook, what was deleted too, as JSON; gives how many readings."""
    with notebook.connection_beside() as db, writing(target) as file:
        return _write_json(db, file, notebook.path, pictures)


def import_json(notebook: Notebook, source: Path) -> Imported:
    """Add everything in an exported file that this notebook does not have, or nothing at all.

    What has the same id is the same thing and is left as it is here. A reading whose number is
    taken in its bobbin gets the next. NotebookError `bad_import` says what is wrong with the file.
    """
    try:
        with source.open(encoding="utf-8-sig") as file, notebook.transaction() as db:
            return _Importer(db).everything(file)
    except NotebookError as error:
        if error.code != "bad_value":
            raise
        raise problem("bad_import", name=source, detail=error.text.rstrip(".")) from error
    except (ValueError, OverflowError, RecursionError) as error:
        raise problem("bad_import", name=source, detail=str(error)[:200]) from error
    except OSError as error:
        raise problem("bad_import", name=source, detail=error.strerror or error) from error


@contextmanager
def writing(target: Path, newline: str = "\n") -> Iterator[IO[str]]:
    """A text file that takes its name only when all of it is written; never a notebook's name."""
    if not target.parent.is_dir():
        raise problem("no_folder", name=target.parent)
    if target.is_dir():
        raise problem("bad_target", name=target, detail="it is a folder")
    if target.exists() and is_database(target):
        raise problem("bad_target", name=target, detail="it is a notebook or another database")
    part = target.with_name(f".{target.name[:100]}-{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline=newline) as file:
            yield file
        put_in_place(part, target)
    except OSError as error:
        raise problem("not_written", name=target, detail=error.strerror or error) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _write_json(db: sqlite3.Connection, file: IO[str], name: Path, pictures: bool) -> int:
    head = {
        "slubwise": program_version(),
        "notebook": EDITION,
        "written_at": to_plain(datetime.now(UTC)),
    }
    file.write(_text(head)[:-1])
    for key, part in _PARTS.items():
        records = (part.record(db, row) for row in _all(db, part.table, part.columns))
        _write_list(file, key, map(to_plain, records))
    _write_list(file, "sections", _sections(db, name))
    return _write_list(file, "readings", _readings(db, name, pictures), end="\n}\n")


def _write_list(file: IO[str], key: str, items: Iterator[Any], end: str = "") -> int:
    """One element a line, so that the file can be looked at and compared."""
    file.write(f',\n"{key}": [')
    count = 0
    for item in items:
        file.write(("," if count else "") + "\n" + _text(item))
        count += 1
    file.write(("\n]" if count else "]") + end)
    return count


def _text(plain: Any) -> str:
    return json.dumps(plain, allow_nan=False, ensure_ascii=False)


def _all(db: sqlite3.Connection, table: str, columns: tuple[str, ...]) -> Iterator[Any]:
    order = {"reading": "bobbin_id, number", "section": "skein_id, number"}.get(table, "rowid")
    return db.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {order}")


def _readings(db: sqlite3.Connection, name: Path, pictures: bool) -> Iterator[dict[str, Any]]:
    for row in _all(db, "reading", READING_COLUMNS):
        reading = reading_of(row)
        found = db.execute(OF_READING.question, (reading.id,)).fetchone()
        plain = OF_READING.plain(reading, found, name)
        plain["has_picture"] = reading.has_picture and pictures
        plain["picture_jpeg"] = None
        if plain["has_picture"]:
            question = "SELECT jpeg FROM picture WHERE reading_id = ?"
            (jpeg,) = db.execute(question, (reading.id,)).fetchone()
            plain["picture_jpeg"] = base64.b64encode(jpeg).decode("ascii")
        yield plain


def _sections(db: sqlite3.Connection, name: Path) -> Iterator[dict[str, Any]]:
    for row in _all(db, "section", SECTION_COLUMNS):
        section = section_of(row)
        found = db.execute(OF_SECTION.question, (section.id,)).fetchone()
        yield OF_SECTION.plain(section, found, name)


class _Importer:
    """Adds records inside one transaction; foreign keys are looked at when it is committed."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._counts = dict.fromkeys(Imported.__dataclass_fields__, 0)

    def everything(self, file: IO[str]) -> Imported:
        self._db.execute("PRAGMA defer_foreign_keys = ON")  # lists may come in any order
        edition, seen = None, dict.fromkeys((*_PARTS, "sections", "readings"), 0)
        for key, value in members(file):
            if key == "notebook":
                edition = value
                if type(value) is not int or value < 1:
                    raise ValueError("it does not say which edition it is")
                if value > EDITION:
                    raise ValueError("a newer Slubwise wrote it; this one cannot read it")
            if key in seen:
                if edition is None:
                    raise ValueError("it is not an exported notebook")
                added = self._take(key, value, f"{key}[{seen[key]}]")
                self._counts[key if added else "known"] += 1
                seen[key] += 1
        if edition is None:
            raise ValueError("it is not an exported notebook")
        broken = self._db.execute("PRAGMA foreign_key_check").fetchone()
        if broken is not None:
            raise ValueError(f"a {broken[0]} in it belongs to a {broken[2]} that is missing")
        return Imported(**self._counts)

    def _take(self, key: str, plain: Any, at: str) -> bool:
        """Add one thing; False when it is known."""
        if key == "readings":
            return self._reading(plain, at)
        if key == "sections":
            return self._section(plain, at)
        part = _PARTS[key]
        record = from_plain(part.kind, plain, at=at)
        if self._known(part.table, record.id):
            return False
        self._db.execute(insert(part.table, part.columns), part.values(record))
        if isinstance(record, Skein):
            set_bobbins_of_skein(self._db, record.id, record.bobbin_ids)
        return True

    def _known(self, table: str, id_: str) -> bool:
        if not id_:
            raise ValueError(f"a {table} in it has no id")
        found = self._db.execute(f"SELECT 1 FROM {table} WHERE id = ?", (id_,)).fetchone()
        return found is not None

    def _reading(self, plain: Any, at: str) -> bool:
        reading: LoggedReading = from_plain(LoggedReading, plain, at=at)
        if self._known("reading", reading.id):
            return False
        if reading.reading is None:
            raise ValueError(f"{at}.reading is missing")
        jpeg = _jpeg(plain.get("picture_jpeg"), at)
        if (jpeg is not None) != reading.has_picture:
            raise ValueError(f"{at}.picture_jpeg and has_picture do not agree")
        values = reading_values(reading)
        if "u_shared_mm" not in plain:  # written before lists had it
            values["u_shared_mm"] = known_shared(reading.reading)
            values["scale_from"] = clean(scale_text(reading.scale))
        taken = self._db.execute(
            "SELECT 1 FROM reading WHERE bobbin_id = ? AND number = ?",
            (reading.bobbin_id, reading.number),
        ).fetchone()
        if taken is not None:
            (values["number"],) = self._db.execute(
                "SELECT max(number) + 1 FROM reading WHERE bobbin_id = ?", (reading.bobbin_id,)
            ).fetchone()
        scale = reading.scale
        put_reading(
            self._db,
            values,
            pack(reading.reading),
            None if scale is None else json.dumps(to_plain(scale), allow_nan=False),
            str(plain.get("program", "")),
            jpeg,
        )
        return True

    def _section(self, plain: Any, at: str) -> bool:
        section: Section = from_plain(Section, plain, at=at)
        if self._known("section", section.id):
            return False
        if section.reading is None:
            raise ValueError(f"{at}.reading is missing")
        values = section_values(section)
        taken = self._db.execute(
            "SELECT 1 FROM section WHERE skein_id = ? AND number = ?",
            (section.skein_id, section.number),
        ).fetchone()
        if taken is not None:
            values["number"] = next_number(self._db, section.skein_id)
        scale = section.scale
        put_section(
            self._db,
            values,
            pack(section.reading),
            None if scale is None else json.dumps(to_plain(scale), allow_nan=False),
            str(plain.get("program", "")),
        )
        return True


def _jpeg(text: object, at: str) -> bytes | None:
    if text is None:
        return None
    try:
        if isinstance(text, str):
            return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        pass
    raise ValueError(f"{at}.picture_jpeg is not base64")
