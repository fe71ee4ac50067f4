"""What the instrument said in full, kept beside the light row of a reading or of a section."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeVar

from app.notebook.errors import NotebookError, problem
from app.notebook.plain import from_plain, to_plain, unpack
from app.notebook.records import LoggedReading
from app.notebook.skein_records import Section
from measure.results import ScaleSummary

Kept = TypeVar("Kept", LoggedReading, Section)


@dataclass(frozen=True)
class Detail:
    """One table of it."""

    table: str
    key: str
    kind: str
    """What it is the detail of,"""
    of: str
    """and what that belongs to."""

    @property
    def question(self) -> str:
        """The SQL for the row of one id."""
        return f"SELECT strand, arrays, scale, program FROM {self.table} WHERE {self.key} = ?"

    def put(
        self,
        db: sqlite3.Connection,
        id_: str,
        packed: tuple[bytes, bytes],
        scale: str | None,
        program: str,
    ) -> None:
        """Write the row of one id, inside a transaction."""
        db.execute(
            f"INSERT INTO {self.table} ({self.key}, strand, arrays, scale, program) "
            "VALUES (?, ?, ?, ?, ?)",
            (id_, *packed, scale, program),
        )

    def whole(self, light: Kept, rows: Sequence[Any], name: Path) -> Kept:
        """The record with everything the instrument said; NotebookError where that is damaged."""
        try:
            ((strand, arrays, scale, _),) = rows
            return replace(
                light,
                reading=unpack(strand, arrays),
                scale=None if scale is None else from_plain(ScaleSummary, json.loads(scale)),
            )
        except ValueError as error:
            raise self._damaged(light, name) from error

    def plain(self, light: Kept, row: Any, name: Path) -> dict[str, Any]:
        """The same as plain data, the scale as it was written, for an export."""
        try:
            strand, arrays, scale, program = row or (b"", b"", None, "")
            plain: dict[str, Any] = to_plain(replace(light, reading=unpack(strand, arrays)))
        except ValueError as error:
            raise self._damaged(light, name) from error
        plain["scale"] = None if scale is None else json.loads(scale)
        plain["program"] = program
        return plain

    def _damaged(self, light: LoggedReading | Section, name: Path) -> NotebookError:
        detail = f"{self.kind} {light.number} of its {self.of} is not whole"
        return problem("damaged", name=name, detail=detail)


OF_READING: Final = Detail("detail", "reading_id", "reading", "bobbin")
OF_SECTION: Final = Detail("section_detail", "section_id", "section", "skein")
