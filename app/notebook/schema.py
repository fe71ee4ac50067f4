"""The tables of a notebook and the steps from one edition of them to the next.

SQLite keeps our mark in `application_id` and the edition in `user_version`. A step and the number
it leads to are one transaction: both are there or neither. A step that was ever released is never
changed; a new edition is a new step at the end.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from app.notebook.shared import Told, fill_in_what_is_shared, unheard

APPLICATION_ID: Final = 0x536C7562
""""Slub" in ASCII."""


@dataclass(frozen=True)
class Step:
    """What leads from the edition before to the next: statements, then whatever needs Python."""

    statements: tuple[str, ...]
    and_then: Callable[[sqlite3.Connection, Told], None] | None = None
    """Tells how far it has come where it goes through many rows."""


# The light columns of `reading` are what lists and charts need; all that the instrument said is
# in `detail`, so that a bobbin opens by reading a few pages however many readings there are.
# Deleting sets a time and touches nothing below: what is in a deleted bobbin goes and comes with
# it. `bobbin_id` in `reading` repeats the sitting's, and the double key keeps the two the same.
STEPS: Final[tuple[Step, ...]] = (
    Step(
        (
            """CREATE TABLE spin (
                id TEXT NOT NULL PRIMARY KEY,
                name TEXT NOT NULL,
                fibre TEXT NOT NULL,
                colour_note TEXT NOT NULL,
                prepared_g REAL,
                band_low_mm REAL,
                band_high_mm REAL,
                plies INTEGER,
                class_name TEXT NOT NULL,
                aim_note TEXT NOT NULL,
                note TEXT NOT NULL,
                made_at TEXT NOT NULL,
                deleted_at TEXT
            )""",
            """CREATE TABLE bobbin (
                id TEXT NOT NULL PRIMARY KEY,
                spin_id TEXT NOT NULL REFERENCES spin (id),
                name TEXT NOT NULL,
                note TEXT NOT NULL,
                empty_g REAL,
                full_g REAL,
                place INTEGER NOT NULL,
                made_at TEXT NOT NULL,
                deleted_at TEXT
            )""",
            "CREATE INDEX bobbin_of_spin ON bobbin (spin_id, place)",
            """CREATE TABLE sitting (
                id TEXT NOT NULL PRIMARY KEY,
                bobbin_id TEXT NOT NULL REFERENCES bobbin (id),
                begun_at TEXT NOT NULL,
                ended_at TEXT,
                UNIQUE (id, bobbin_id)
            )""",
            "CREATE INDEX sitting_of_bobbin ON sitting (bobbin_id, begun_at)",
            "CREATE INDEX sitting_by_time ON sitting (begun_at)",
            """CREATE TABLE reading (
                id TEXT NOT NULL PRIMARY KEY,
                sitting_id TEXT NOT NULL,
                bobbin_id TEXT NOT NULL,
                number INTEGER NOT NULL CHECK (number >= 1),
                taken_at TEXT NOT NULL,
                posture TEXT NOT NULL
                    CHECK (posture IN ('tension', 'relaxed', 'plied', 'washed')),
                diameter_mm REAL NOT NULL CHECK (diameter_mm > 0),
                u_diameter_mm REAL,
                low_mm REAL,
                high_mm REAL,
                cv_percent REAL,
                length_mm REAL,
                turns_per_inch REAL,
                twist TEXT CHECK (twist IN ('S', 'Z')),
                spun_g REAL,
                note TEXT NOT NULL,
                printed_card TEXT NOT NULL,
                source TEXT NOT NULL,
                has_picture INTEGER NOT NULL CHECK (has_picture IN (0, 1)),
                taken_back_at TEXT,
                UNIQUE (bobbin_id, number),
                FOREIGN KEY (sitting_id, bobbin_id) REFERENCES sitting (id, bobbin_id)
            )""",
            """CREATE TABLE detail (
                reading_id TEXT NOT NULL PRIMARY KEY REFERENCES reading (id),
                strand BLOB NOT NULL,
                arrays BLOB NOT NULL,
                scale TEXT,
                program TEXT NOT NULL
            )""",
            """CREATE TABLE picture (
                reading_id TEXT NOT NULL PRIMARY KEY REFERENCES reading (id),
                jpeg BLOB NOT NULL
            )""",
            """CREATE TABLE skein (
                id TEXT NOT NULL PRIMARY KEY,
                spin_id TEXT NOT NULL REFERENCES spin (id),
                name TEXT NOT NULL,
                method TEXT NOT NULL,
                note TEXT NOT NULL,
                made_at TEXT NOT NULL,
                deleted_at TEXT
            )""",
            "CREATE INDEX skein_of_spin ON skein (spin_id)",
            """CREATE TABLE skein_bobbin (
                skein_id TEXT NOT NULL REFERENCES skein (id),
                place INTEGER NOT NULL,
                bobbin_id TEXT NOT NULL REFERENCES bobbin (id),
                PRIMARY KEY (skein_id, place)
            )""",
            "CREATE INDEX skein_of_bobbin ON skein_bobbin (bobbin_id)",
        ),
    ),
    # What readings may share with others, which lists need to tell drift from doubt: how much
    # of their doubt, the kind of scale it came from, and which print of the card.
    Step(
        (
            "ALTER TABLE reading ADD COLUMN u_shared_mm REAL",
            "ALTER TABLE reading ADD COLUMN scale_from TEXT NOT NULL DEFAULT ''",
            "ALTER TABLE reading ADD COLUMN printed_card_id TEXT NOT NULL DEFAULT ''",
        ),
        fill_in_what_is_shared,
    ),
    # What is written of a finished skein, and the sections that are read round it.
    Step(
        (
            *(
                f"ALTER TABLE skein ADD COLUMN {column}"
                for column in (
                    "plies INTEGER",
                    "counts_for_learning INTEGER NOT NULL DEFAULT 1",
                    "washed_on TEXT NOT NULL DEFAULT ''",
                    "finishing TEXT NOT NULL DEFAULT ''",
                    "hang_turns REAL",
                    "hang_twist TEXT CHECK (hang_twist IN ('S', 'Z'))",
                    "weight_g REAL",
                    "weight_within_g REAL",
                    "circumference_mm REAL",
                    "circumference_within_mm REAL",
                    "rounds REAL",
                    "sample_length_mm REAL",
                    "sample_length_within_mm REAL",
                    "sample_weight_g REAL",
                    "sample_weight_within_g REAL",
                    "grist_tex REAL",
                    "grist_within_percent REAL",
                    "counted_m REAL",
                    "counted_within_percent REAL",
                    "length_from TEXT NOT NULL DEFAULT ''",
                    "wraps REAL",
                    "wraps_over_mm REAL",
                    "pattern TEXT NOT NULL DEFAULT ''",
                    "wanted_chart TEXT NOT NULL DEFAULT ''",
                    "wanted_class TEXT NOT NULL DEFAULT ''",
                    "wanted_wpi_low REAL",
                    "wanted_wpi_high REAL",
                    "wanted_tex REAL",
                    "fibre TEXT NOT NULL DEFAULT ''",
                    "colourway TEXT NOT NULL DEFAULT ''",
                    "care_line TEXT NOT NULL DEFAULT ''",
                    "label_text TEXT NOT NULL DEFAULT ''",
                )
            ),
            """CREATE TABLE section (
                id TEXT NOT NULL PRIMARY KEY,
                skein_id TEXT NOT NULL REFERENCES skein (id),
                number INTEGER NOT NULL CHECK (number >= 1),
                taken_at TEXT NOT NULL,
                washed INTEGER NOT NULL CHECK (washed IN (0, 1)),
                layer TEXT CHECK (layer IN ('outside', 'middle', 'inside')),
                hour INTEGER CHECK (hour BETWEEN 1 AND 12),
                diameter_mm REAL NOT NULL CHECK (diameter_mm > 0),
                u_diameter_mm REAL,
                low_mm REAL,
                high_mm REAL,
                cv_percent REAL,
                length_mm REAL,
                turns_per_inch REAL,
                twist TEXT CHECK (twist IN ('S', 'Z')),
                note TEXT NOT NULL,
                printed_card TEXT NOT NULL,
                source TEXT NOT NULL,
                taken_back_at TEXT,
                UNIQUE (skein_id, number)
            )""",
            """CREATE TABLE section_detail (
                section_id TEXT NOT NULL PRIMARY KEY REFERENCES section (id),
                strand BLOB NOT NULL,
                arrays BLOB NOT NULL,
                scale TEXT,
                program TEXT NOT NULL
            )""",
        ),
    ),
)
"""How an empty file becomes today's notebook, an edition at a time."""

TABLES: Final = (
    "spin", "bobbin", "sitting", "reading", "detail", "picture", "skein", "skein_bobbin",
    "section", "section_detail",
)  # fmt: skip
"""All tables, each after those that it refers to."""


def edition_of(db: sqlite3.Connection) -> int | None:
    """The edition of a notebook, 0 for a file with nothing in it, None for anybody else's."""
    (mark,) = db.execute("PRAGMA application_id").fetchone()
    (edition,) = db.execute("PRAGMA user_version").fetchone()
    if mark == APPLICATION_ID and edition >= 1:
        return int(edition)
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return 0 if mark == 0 and edition == 0 and tables == 0 else None


def bring_up(db: sqlite3.Connection, steps: Sequence[Step] = STEPS, told: Told = unheard) -> None:
    """Take the notebook through all steps that it has not had, in one transaction.

    Safe when another process does the same: whoever comes second finds it done. Whatever a step
    or `told` raises is passed on, and the notebook is as it was.
    """
    db.execute("BEGIN IMMEDIATE")
    try:
        edition = edition_of(db)
        if edition is not None and edition < len(steps):
            for step in steps[edition:]:
                for statement in step.statements:
                    db.execute(statement)
                if step.and_then is not None:
                    step.and_then(db, told)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {len(steps)}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
