"""The sections of skeins in the notebook: readings taken round a finished skein."""

from __future__ import annotations

import functools
import json
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from app import program_version
from app.notebook.detail import OF_SECTION
from app.notebook.errors import problem
from app.notebook.plain import pack, to_plain
from app.notebook.rows import clean, insert, new_id, time_text
from app.notebook.skein_records import Layer, Section
from app.notebook.skein_rows import SECTION_COLUMNS, section_of, section_values
from app.notebook.things import Things
from measure.results import ScaleSummary, StrandReading

_program = functools.cache(program_version)


class Sections(Things):
    """Sections of skeins; taking one back and changing what is said of it can be undone."""

    def add_section(
        self,
        skein_id: str,
        strand: StrandReading,
        *,
        taken_at: datetime,
        washed: bool,
        printed_card: str,
        source: str,
        layer: Layer | None = None,
        hour: int | None = None,
        note: str = "",
        scale: ScaleSummary | None = None,
    ) -> Section:
        """Keep a reading as the next section of a skein; it is on the disk when this returns."""
        section = Section(
            id=new_id(),
            skein_id=skein_id,
            number=1,
            taken_at=taken_at.astimezone(UTC),
            washed=washed,
            layer=layer,
            hour=hour,
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
            note=clean(note),
            printed_card=clean(printed_card),
            source=clean(source),
            reading=strand,
            scale=scale,
        )
        values = section_values(section)
        packed = pack(strand)
        scale_text = None if scale is None else json.dumps(to_plain(scale), allow_nan=False)
        with self._file.write() as db:
            if db.execute("SELECT 1 FROM skein WHERE id = ?", (skein_id,)).fetchone() is None:
                raise problem("gone", what="skein")
            number = next_number(db, skein_id)
            put_section(db, values | {"number": number}, packed, scale_text, _program())
        return replace(section, number=number)

    def sections(self, skein_id: str, *, taken_back: bool = False) -> list[Section]:
        """A skein's sections by number, without `reading` and `scale`; or those taken back."""
        return [
            section_of(row)
            for row in self._file.rows(
                f"SELECT {', '.join(SECTION_COLUMNS)} FROM section WHERE skein_id = ? "
                f"AND taken_back_at IS {'NOT ' if taken_back else ''}NULL ORDER BY number",
                (skein_id,),
            )
        ]

    def section(self, section_id: str) -> Section:
        """One section with everything the instrument said."""
        light = self._light_section(section_id)
        rows = self._file.rows(OF_SECTION.question, (section_id,))
        return OF_SECTION.whole(light, rows, self._file.path)

    def take_back_section(self, section_id: str) -> None:
        """Take a section back, undoably; its number stays its own."""
        section = self._light_section(section_id)
        if section.taken_back_at is None:
            after = {"taken_back_at": time_text(datetime.now(UTC))}
            text = f"take back section {section.number}"
            self._history.change(text, "section", section_id, after)

    def restore_section(self, section_id: str) -> None:
        """Let a section that was taken back stand again."""
        section = self._light_section(section_id)
        text = f"restore section {section.number}"
        self._history.change(text, "section", section_id, {"taken_back_at": None})

    def update_section(self, section: Section) -> Section:
        """Set a section's note, place and whether it was washed to what this record says."""
        values = section_values(section)
        after = {name: values[name] for name in ("note", "layer", "hour", "washed")}
        self._history.change(f"change section {section.number}", "section", section.id, after)
        return self._light_section(section.id)

    def _light_section(self, section_id: str) -> Section:
        return section_of(self._row("section", SECTION_COLUMNS, section_id))


def next_number(db: sqlite3.Connection, skein_id: str) -> int:
    """The number of a skein's next section."""
    question = "SELECT coalesce(max(number), 0) + 1 FROM section WHERE skein_id = ?"
    (number,) = db.execute(question, (skein_id,)).fetchone()
    return int(number)


def put_section(
    db: sqlite3.Connection,
    values: dict[str, Any],
    packed: tuple[bytes, bytes],
    scale: str | None,
    program: str,
) -> None:
    """Write all rows of one section, inside a transaction."""
    db.execute(insert("section", SECTION_COLUMNS), values)
    OF_SECTION.put(db, values["id"], packed, scale, program)
