"""The notebook: sittings and readings, beside the spins, bobbins and skeins of `things`
and the skeins' `sections`."""

from __future__ import annotations

import functools
import json
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from app import program_version
from app.notebook.detail import OF_READING
from app.notebook.errors import NotebookError, problem
from app.notebook.file import GoOn, NotebookFile, own_path
from app.notebook.plain import is_whole, pack, to_plain
from app.notebook.records import Bobbin, LoggedReading, Posture, Sitting
from app.notebook.rows import (
    BOBBIN_COLUMNS,
    READING_COLUMNS,
    SITTING_COLUMNS,
    bobbin_of,
    clean,
    insert,
    new_id,
    reading_of,
    reading_values,
    sitting_of,
    sitting_values,
    time_text,
)
from app.notebook.sections import Sections
from app.notebook.shared import known_shared, scale_text
from measure.results import ScaleSummary, StrandReading

_program = functools.cache(program_version)  # looking the version up takes as long as logging

_PICTURE = "INSERT INTO picture (reading_id, jpeg) VALUES (?, ?)"


@dataclass(frozen=True)
class Check:
    """What looking the notebook over found."""

    problems: tuple[str, ...]
    """Each a line, as SQLite says it; none means sound."""
    readings: int
    """All of them, those taken back included."""


class Notebook(Sections):
    """One notebook file, open. Any thread may use it; one at a time gets its turn.

    Every method raises NotebookError when the notebook does not let it; whatever was committed
    before is still there then.
    """

    @classmethod
    def open(
        cls,
        path: Path | str | None = None,
        *,
        make: bool = True,
        go_on: GoOn = lambda _share: True,
    ) -> Self:
        """Open the notebook at `path`, by default the user's own, making it when there is none.

        With `make` False a missing one is a NotebookError `no_notebook`. One that can only be
        looked at opens, with the reason in `why_not`. Bringing an old one up to date may take
        minutes: `go_on` hears how far it is, 0 to 1, and calls it off by False.
        """
        file = own_path() if path is None else Path(path)
        return cls(NotebookFile(file, make=make, go_on=go_on))

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self._file.path

    @property
    def why_not(self) -> NotebookError | None:
        """Why nothing can be written to it; None when it can."""
        return self._file.why_not

    def changed_elsewhere(self) -> bool:
        """Whether another window or program wrote to it since this was last asked."""
        return self._file.changed_elsewhere()

    def close(self) -> None:
        """Close it; using it afterwards is a mistake."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # Sittings

    def begin_sitting(self, bobbin_id: str, at: datetime) -> Sitting:
        """Begin a session at the wheel on a bobbin."""
        self.bobbin(bobbin_id)
        sitting = Sitting(new_id(), bobbin_id, at.astimezone(UTC), None)
        with self._file.write() as db:
            db.execute(insert("sitting", SITTING_COLUMNS), sitting_values(sitting))
        return sitting

    def end_sitting(self, sitting_id: str, at: datetime) -> Sitting:
        """Say when a sitting ended."""
        with self._file.write() as db:
            done = db.execute(
                "UPDATE sitting SET ended_at = ? WHERE id = ?", (time_text(at), sitting_id)
            )
            if done.rowcount == 0:
                raise problem("gone", what="sitting")
        return self.sitting(sitting_id)

    def sitting(self, sitting_id: str) -> Sitting:
        """One sitting; NotebookError `gone` when there is none of that id."""
        return sitting_of(self._row("sitting", SITTING_COLUMNS, sitting_id))

    def sittings(self, bobbin_id: str) -> list[Sitting]:
        """The sittings on a bobbin, first first."""
        return [
            sitting_of(row)
            for row in self._file.rows(
                f"SELECT {', '.join(SITTING_COLUMNS)} FROM sitting WHERE bobbin_id = ? "
                "ORDER BY begun_at, id",
                (bobbin_id,),
            )
        ]

    def latest_bobbin(self) -> Bobbin | None:
        """The bobbin of the last sitting, to go on with; None when there is none."""
        columns = ", ".join(f"b.{name}" for name in BOBBIN_COLUMNS)
        rows = self._file.rows(
            f"SELECT {columns} FROM sitting s JOIN bobbin b ON b.id = s.bobbin_id "
            "JOIN spin p ON p.id = b.spin_id WHERE b.deleted_at IS NULL AND p.deleted_at IS NULL "
            "ORDER BY s.begun_at DESC LIMIT 1"
        )
        return bobbin_of(rows[0]) if rows else None

    # Readings

    def log(
        self,
        sitting_id: str,
        strand: StrandReading,
        *,
        taken_at: datetime,
        posture: Posture,
        printed_card: str,
        source: str,
        spun_g: float | None = None,
        note: str = "",
        picture_jpeg: bytes | None = None,
        scale: ScaleSummary | None = None,
        printed_card_id: str = "",
    ) -> LoggedReading:
        """Log a reading as the next of its bobbin; it is on the disk when this returns."""
        reading = LoggedReading(
            id=new_id(),
            sitting_id=sitting_id,
            bobbin_id="",
            number=0,
            taken_at=taken_at.astimezone(UTC),
            posture=posture,
            diameter_mm=float(strand.diameter_mm),
            u_diameter_mm=float(strand.u_diameter_mm),
            interval_mm=(
                float(strand.diameter_interval_mm[0]),
                float(strand.diameter_interval_mm[1]),
            ),
            cv_percent=strand.cv_percent,
            length_mm=float(strand.length_mm),
            turns_per_inch=strand.turns_per_inch,
            twist=strand.twist,
            spun_g=spun_g,
            note=clean(note),
            printed_card=clean(printed_card),
            source=clean(source),
            has_picture=picture_jpeg is not None,
            reading=strand,
            scale=scale,
            u_shared_mm=known_shared(strand),
            scale_from=scale_text(scale),
            printed_card_id=clean(printed_card_id),
        )
        values = reading_values(reading)
        packed = pack(strand)
        scale_json = None if scale is None else json.dumps(to_plain(scale), allow_nan=False)
        with self._file.write() as db:
            found = db.execute("SELECT bobbin_id FROM sitting WHERE id = ?", (sitting_id,))
            sitting = found.fetchone()
            if sitting is None:
                raise problem("gone", what="sitting")
            (bobbin_id,) = sitting
            (number,) = db.execute(
                "SELECT coalesce(max(number), 0) + 1 FROM reading WHERE bobbin_id = ?",
                (bobbin_id,),
            ).fetchone()
            reading = replace(reading, bobbin_id=bobbin_id, number=number)
            values |= {"bobbin_id": bobbin_id, "number": number}
            put_reading(db, values, packed, scale_json, _program(), picture_jpeg)
        return reading

    def readings(
        self, bobbin_id: str, since_number: int | None = None, *, taken_back: bool = False
    ) -> list[LoggedReading]:
        """A bobbin's readings by number, without `reading` and `scale`.

        With `since_number` only those after it; with `taken_back` those that were taken back
        instead of those that stand.
        """
        return [
            reading_of(row)
            for row in self._file.rows(
                f"SELECT {', '.join(READING_COLUMNS)} FROM reading WHERE bobbin_id = ? "
                f"AND number > ? AND taken_back_at IS {'NOT ' if taken_back else ''}NULL "
                "ORDER BY number",
                (bobbin_id, since_number or 0),
            )
        ]

    def reading(self, reading_id: str) -> LoggedReading:
        """One reading with everything the instrument said."""
        rows = self._file.rows(OF_READING.question, (reading_id,))
        return OF_READING.whole(self._light(reading_id), rows, self.path)

    def picture(self, reading_id: str) -> bytes | None:
        """The picture kept with a reading, as JPEG; None when none was."""
        rows = self._file.rows("SELECT jpeg FROM picture WHERE reading_id = ?", (reading_id,))
        return rows[0][0] if rows else None

    def take_back(self, reading_id: str) -> None:
        """Take a reading back, undoably; its number stays its own."""
        reading = self._light(reading_id)
        if reading.taken_back_at is None:
            after = {"taken_back_at": time_text(datetime.now(UTC))}
            text = f"take back reading {reading.number}"
            self._history.change(text, "reading", reading_id, after)

    def restore(self, reading_id: str) -> None:
        """Let a reading that was taken back stand again."""
        reading = self._light(reading_id)
        text = f"restore reading {reading.number}"
        self._history.change(text, "reading", reading_id, {"taken_back_at": None})

    def update_reading(self, reading: LoggedReading) -> LoggedReading:
        """Set a reading's note, posture and grams spun to what this record says."""
        values = reading_values(reading)
        after = {name: values[name] for name in ("note", "posture", "spun_g")}
        self._history.change(f"change reading {reading.number}", "reading", reading.id, after)
        return self._light(reading.id)

    def _light(self, reading_id: str) -> LoggedReading:
        return reading_of(self._row("reading", READING_COLUMNS, reading_id))

    def number_of_readings(self) -> int:
        """All readings, those taken back included."""
        return int(self._file.rows("SELECT count(*) FROM reading")[0][0])

    # The whole of it

    def connection_beside(self) -> AbstractContextManager[sqlite3.Connection]:
        """For copies and exports: a connection that sees one moment and holds nobody up."""
        return self._file.beside()

    def transaction(self) -> AbstractContextManager[sqlite3.Connection]:
        """For imports: all of it or nothing; the window's other work waits."""
        return self._file.write()

    def forget_changes(self) -> None:
        """Nothing done so far can be undone any more."""
        self._history.forget()

    def shrink(self) -> None:
        """Give the system back the room of what was removed; NotebookError when it is in use."""
        with self._file.read() as db:
            db.execute("VACUUM")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def check(self) -> Check:
        """Look the whole file over: SQLite's own checks, then whether all readings unpack.

        Takes its time on a large notebook: every page is read.
        """
        problems: list[str] = []
        readings = 0
        with self._file.beside() as db:
            try:
                problems += _problems(db)
                (readings,) = db.execute("SELECT count(*) FROM reading").fetchone()
            except sqlite3.DatabaseError as error:
                problems.append(str(error))
        return Check(tuple(problems), readings)


def put_reading(
    db: sqlite3.Connection,
    values: dict[str, Any],
    packed: tuple[bytes, bytes],
    scale: str | None,
    program: str,
    picture_jpeg: bytes | None,
) -> None:
    """Write all rows of one reading, inside a transaction."""
    db.execute(insert("reading", READING_COLUMNS), values)
    OF_READING.put(db, values["id"], packed, scale, program)
    if picture_jpeg is not None:
        db.execute(_PICTURE, (values["id"], picture_jpeg))


def _problems(db: sqlite3.Connection) -> Iterator[str]:
    for (line,) in db.execute("PRAGMA integrity_check"):
        if line != "ok":
            yield line
    for table, rowid, parent, _ in db.execute("PRAGMA foreign_key_check"):
        yield f"row {rowid} of {table} belongs to something missing in {parent}"
    for (id_,) in db.execute(
        "SELECT id FROM section WHERE id NOT IN (SELECT section_id FROM section_detail)"
    ):
        yield f"section {id_} has no detail"
    for table in ("detail", "picture"):
        column = "has_picture = 1 AND" if table == "picture" else ""
        for (id_,) in db.execute(
            f"SELECT id FROM reading WHERE {column} id NOT IN (SELECT reading_id FROM {table})"
        ):
            yield f"reading {id_} has no {table}"
    for id_, strand, arrays in db.execute("SELECT reading_id, strand, arrays FROM detail"):
        if not (is_whole(strand) and is_whole(arrays)):
            yield f"reading {id_} does not unpack"
    for id_, strand, arrays in db.execute("SELECT section_id, strand, arrays FROM section_detail"):
        if not (is_whole(strand) and is_whole(arrays)):
            yield f"section {id_} does not unpack"
