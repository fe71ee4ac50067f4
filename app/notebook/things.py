"""Spins, bobbins and skeins in the notebook: made, changed, put away, found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, Literal

from app.notebook.errors import problem
from app.notebook.file import NotebookFile
from app.notebook.records import Aim, Bobbin, Skein, Spin
from app.notebook.rows import (
    BOBBIN_COLUMNS,
    SPIN_COLUMNS,
    bobbin_of,
    bobbin_values,
    clean,
    insert,
    new_id,
    spin_of,
    spin_values,
    time_of,
    time_text,
)
from app.notebook.skein_rows import SKEIN_COLUMNS, skein_of, skein_values
from app.notebook.undo import Change, History, RowChange, bobbins_of_skein, set_bobbins_of_skein

Kind = Literal["spin", "bobbin", "skein"]

_KEPT: Final = ("made_at", "deleted_at", "spin_id")
"""What a change of name or note leaves as it is."""


@dataclass(frozen=True)
class Tally:
    """What a bobbin holds, for a list of bobbins; readings taken back are not counted."""

    sittings: int
    readings: int
    first_at: datetime | None
    last_at: datetime | None
    mean_diameter_mm: float | None


@dataclass(frozen=True)
class Contents:
    """What goes along when something is deleted, and comes back with it."""

    bobbins: int
    sittings: int
    readings: int
    pictures: int
    skeins: int
    """Of a spin: they go along. Of a bobbin: they were plied from it, and stay."""
    sections: int
    """Of the skeins that go along, and of a skein itself."""


class Things:
    """Spins, bobbins and skeins; every change can be undone."""

    def __init__(self, file: NotebookFile) -> None:
        self._file = file
        self._history = History(file)

    # Spins

    def spins(self, *, deleted: bool = False) -> list[Spin]:
        """All spins, newest first; or those that were deleted."""
        return [
            spin_of(row)
            for row in self._file.rows(
                f"SELECT {', '.join(SPIN_COLUMNS)} FROM spin "
                f"WHERE deleted_at IS {'NOT ' if deleted else ''}NULL ORDER BY made_at DESC, id"
            )
        ]

    def spin(self, spin_id: str) -> Spin:
        """One spin, deleted or not; NotebookError `gone` when there is none of that id."""
        return spin_of(self._row("spin", SPIN_COLUMNS, spin_id))

    def add_spin(
        self,
        name: str,
        *,
        fibre: str = "",
        colour_note: str = "",
        prepared_g: float | None = None,
        aim: Aim | None = None,
        note: str = "",
    ) -> Spin:
        """Make a spin."""
        spin = Spin(
            new_id(), name, fibre, colour_note, prepared_g, aim or Aim(), note, datetime.now(UTC)
        )
        self._add("spin", SPIN_COLUMNS, spin_values(spin))
        return self.spin(spin.id)

    def update_spin(self, spin: Spin) -> Spin:
        """Set everything a person may change about a spin to what this record says."""
        self._update("spin", spin_values(spin))
        return self.spin(spin.id)

    # Bobbins

    def bobbins(self, spin_id: str, *, deleted: bool = False) -> list[Bobbin]:
        """The bobbins of a spin in their order; or those that were deleted."""
        return [
            bobbin_of(row)
            for row in self._file.rows(
                f"SELECT {', '.join(BOBBIN_COLUMNS)} FROM bobbin WHERE spin_id = ? AND "
                f"deleted_at IS {'NOT ' if deleted else ''}NULL ORDER BY place, made_at, id",
                (spin_id,),
            )
        ]

    def move_bobbin(self, bobbin_id: str, by: int) -> None:
        """Let a bobbin stand so many places further down among its spin's; up when below 0.

        One change to undo, however many bobbins make room. Beyond the ends it stays as it is.
        """
        bobbin = self.bobbin(bobbin_id)
        places = places_after_move(self.bobbins(bobbin.spin_id), bobbin_id, by)
        self._history.change_all(
            f"move bobbin {quoted(bobbin.name)}",
            "bobbin",
            {id_: {"place": place} for id_, place in places.items()},
        )

    def bobbin(self, bobbin_id: str) -> Bobbin:
        """One bobbin, deleted or not; NotebookError `gone` when there is none of that id."""
        return bobbin_of(self._row("bobbin", BOBBIN_COLUMNS, bobbin_id))

    def add_bobbin(
        self,
        spin_id: str,
        name: str,
        *,
        note: str = "",
        empty_g: float | None = None,
        full_g: float | None = None,
    ) -> Bobbin:
        """Make a bobbin, after all others of its spin."""
        self.spin(spin_id)
        bobbin = Bobbin(new_id(), spin_id, name, note, empty_g, full_g, 0, datetime.now(UTC))
        self._add("bobbin", BOBBIN_COLUMNS, bobbin_values(bobbin))
        return self.bobbin(bobbin.id)

    def update_bobbin(self, bobbin: Bobbin) -> Bobbin:
        """Set everything a person may change about a bobbin, its place too, to this record's."""
        self._update("bobbin", bobbin_values(bobbin))
        return self.bobbin(bobbin.id)

    def tallies(self, spin_id: str) -> dict[str, Tally]:
        """What each bobbin of a spin holds, by the bobbin's id."""
        sittings: dict[str, int] = dict(
            self._file.rows(
                "SELECT b.id, count(s.id) FROM bobbin b LEFT JOIN sitting s ON s.bobbin_id = b.id "
                "WHERE b.spin_id = ? GROUP BY b.id",
                (spin_id,),
            )
        )
        readings = {
            row[0]: row[1:]
            for row in self._file.rows(
                "SELECT r.bobbin_id, count(*), min(r.taken_at), max(r.taken_at), "
                "avg(r.diameter_mm) FROM bobbin b JOIN reading r ON r.bobbin_id = b.id "
                "WHERE b.spin_id = ? AND r.taken_back_at IS NULL GROUP BY r.bobbin_id",
                (spin_id,),
            )
        }
        tallies = {}
        for bobbin_id, count in sittings.items():
            number, first, last, mean = readings.get(bobbin_id, (0, None, None, None))
            tallies[bobbin_id] = Tally(
                count, number, first and time_of(first), last and time_of(last), mean
            )
        return tallies

    # Skeins

    def skeins(self, spin_id: str, *, deleted: bool = False) -> list[Skein]:
        """The skeins of a spin, oldest first; or those that were deleted."""
        with self._file.read() as db:
            rows = db.execute(
                f"SELECT {', '.join(SKEIN_COLUMNS)} FROM skein WHERE spin_id = ? AND "
                f"deleted_at IS {'NOT ' if deleted else ''}NULL ORDER BY made_at, id",
                (spin_id,),
            ).fetchall()
            return [skein_of(row, bobbins_of_skein(db, row[0])) for row in rows]

    def skein(self, skein_id: str) -> Skein:
        """One skein, deleted or not; NotebookError `gone` when there is none of that id."""
        row = self._row("skein", SKEIN_COLUMNS, skein_id)
        with self._file.read() as db:
            return skein_of(row, bobbins_of_skein(db, skein_id))

    def add_skein(
        self,
        spin_id: str,
        name: str,
        bobbin_ids: Sequence[str],
        *,
        method: str = "",
        note: str = "",
    ) -> Skein:
        """Make a skein plied from these bobbins, which may be of other spins as well.

        `update_skein` says the rest of it.
        """
        self.spin(spin_id)
        for bobbin_id in bobbin_ids:
            self.bobbin(bobbin_id)
        skein = Skein(
            new_id(), spin_id, name, tuple(bobbin_ids), method, note, datetime.now(UTC)
        )  # fmt: skip
        self._add("skein", SKEIN_COLUMNS, skein_values(skein), bobbin_ids=skein.bobbin_ids)
        return self.skein(skein.id)

    def update_skein(self, skein: Skein) -> Skein:
        """Set everything a person may change about a skein, its bobbins too, to this record's."""
        for bobbin_id in skein.bobbin_ids:
            self.bobbin(bobbin_id)
        self._update("skein", skein_values(skein) | {"bobbin_ids": skein.bobbin_ids})
        return self.skein(skein.id)

    # All three

    def delete(self, thing: Spin | Bobbin | Skein) -> str:
        """Put something away, undoably; says what went along (`what_goes_along`).

        What lies there already, put away here or in another window, stays as it is.
        """
        kind = _kind(thing)
        along = self.what_goes_along(thing.id)
        if self._row(kind, ("deleted_at",), thing.id) != (None,):
            return along
        self._history.change(
            f"delete {kind} {quoted(thing.name)}",
            kind,
            thing.id,
            {"deleted_at": time_text(datetime.now(UTC))},
        )
        return along

    def bring_back(self, thing: Spin | Bobbin | Skein) -> None:
        """Restore something that was deleted, with all that went along."""
        kind = _kind(thing)
        text = f"restore {kind} {quoted(thing.name)}"
        self._history.change(text, kind, thing.id, {"deleted_at": None})

    def contents(self, thing_id: str) -> Contents:
        """What a spin, a bobbin or a skein holds; what is deleted already is not counted."""
        bobbins = [
            id_
            for (id_,) in self._file.rows(
                "SELECT id FROM bobbin WHERE spin_id = ? AND deleted_at IS NULL", (thing_id,)
            )
        ]
        (skeins,) = self._file.rows(
            "SELECT count(*) FROM skein WHERE deleted_at IS NULL AND (spin_id = :id OR id IN "
            "(SELECT skein_id FROM skein_bobbin WHERE bobbin_id = :id))",
            {"id": thing_id},
        )[0]
        sittings = readings = pictures = 0
        for bobbin_id in bobbins or [thing_id]:
            found = self._file.rows(
                "SELECT (SELECT count(*) FROM sitting WHERE bobbin_id = :id), count(*), "
                "coalesce(sum(has_picture), 0) FROM reading "
                "WHERE bobbin_id = :id AND taken_back_at IS NULL",
                {"id": bobbin_id},
            )[0]
            sittings, readings, pictures = (
                a + b for a, b in zip((sittings, readings, pictures), found, strict=True)
            )
        (sections,) = self._file.rows(
            "SELECT count(*) FROM section t JOIN skein k ON k.id = t.skein_id "
            "WHERE t.taken_back_at IS NULL AND (k.id = :id OR (k.spin_id = :id "
            "AND k.deleted_at IS NULL))",
            {"id": thing_id},
        )[0]
        return Contents(len(bobbins), sittings, readings, pictures, skeins, sections)

    def what_goes_along(self, thing_id: str) -> str:
        """What goes along when a spin, bobbin or skein is deleted, as a sentence."""
        held = self.contents(thing_id)
        is_bobbin = bool(self._file.rows("SELECT 1 FROM bobbin WHERE id = ?", (thing_id,)))
        parts = [
            _count(number, word)
            for number, word in (
                (held.bobbins, "bobbin"),
                (0 if is_bobbin else held.skeins, "skein"),
                (held.sittings, "sitting"),
                (held.readings, "reading"),
                (held.pictures, "picture"),
                (held.sections, "section"),
            )
            if number
        ]
        text = f"Along with it: {_listed(parts)}." if parts else "Nothing else goes along."
        if is_bobbin and held.skeins:
            stay = "stays" if held.skeins == 1 else "stay"
            text += f" {_count(held.skeins, 'skein')} plied from it {stay}."
        return text

    def search(self, text: str) -> list[Spin | Bobbin | Skein]:
        """Spins, bobbins and skeins that have every word of `text` in a name or note.

        Capitals do not matter. Newest first; without a word, nothing.
        """
        words = clean(text).casefold().split()
        found: list[Spin | Bobbin | Skein] = []
        if not words:
            return found
        for spin in self.spins():
            aim = spin.aim
            parts = (spin.name, spin.fibre, spin.colour_note, spin.note, aim.class_name, aim.note)
            if _has(words, *parts):
                found.append(spin)
            found += [b for b in self.bobbins(spin.id) if _has(words, b.name, b.note)]
            found += [
                s
                for s in self.skeins(spin.id)
                if _has(words, s.name, s.method, s.note, s.wanted.pattern, s.label.label_text)
            ]
        return found

    # Undo

    @property
    def undo_text(self) -> str | None:
        """What `undo` would undo, to stand behind "Undo"; None when there is nothing."""
        return self._history.undo_text

    @property
    def redo_text(self) -> str | None:
        """What `redo` would do again; None when there is nothing."""
        return self._history.redo_text

    def undo(self) -> str | None:
        """Undo the last change made through this window, logging aside; says which it was.

        NotebookError `changed_meanwhile` when another window changed the same thing since.
        """
        return self._history.undo()

    def redo(self) -> str | None:
        """Do again what was undone last; says what."""
        return self._history.redo()

    def _row(self, table: str, columns: Sequence[str], id_: str) -> tuple[Any, ...]:
        rows = self._file.rows(f"SELECT {', '.join(columns)} FROM {table} WHERE id = ?", (id_,))
        if not rows:
            raise problem("gone", what=table)
        return rows[0]

    def _add(
        self,
        table: Kind,
        columns: Sequence[str],
        values: dict[str, Any],
        *,
        bobbin_ids: tuple[str, ...] = (),
    ) -> None:
        with self._file.write() as db:
            if table == "bobbin":
                question = "SELECT coalesce(max(place) + 1, 0) FROM bobbin WHERE spin_id = ?"
                (values["place"],) = db.execute(question, (values["spin_id"],)).fetchone()
            db.execute(insert(table, columns), values)
            if bobbin_ids:
                set_bobbins_of_skein(db, values["id"], bobbin_ids)
        # Undoing it is deleting it: what was logged on it meanwhile must not be lost.
        away = {"deleted_at": time_text(datetime.now(UTC))}
        text = f"make {table} {quoted(values['name'])}"
        made = RowChange(table, values["id"], away, {"deleted_at": None})
        self._history.remember(Change(text, (made,)))

    def _update(self, table: Kind, values: dict[str, Any]) -> None:
        after = {name: value for name, value in values.items() if name not in (*_KEPT, "id")}
        text = f"change {table} {quoted(values['name'])}"
        self._history.change(text, table, values["id"], after)


def places_after_move(bobbins: Sequence[Bobbin], bobbin_id: str, by: int) -> dict[str, int]:
    """New places, by id, of those of a spin's bobbins that change theirs in a move."""
    at = next((i for i, bobbin in enumerate(bobbins) if bobbin.id == bobbin_id), None)
    if at is None or not 0 <= at + by < len(bobbins):
        return {}
    wanted = list(bobbins)
    wanted.insert(at + by, wanted.pop(at))
    places = [bobbin.place for bobbin in bobbins]
    if len(set(places)) < len(places):
        places = list(range(len(places)))
    return {
        bobbin.id: place
        for bobbin, place in zip(wanted, places, strict=True)
        if bobbin.place != place
    }


def quoted(name: str) -> str:
    """A name within a sentence, on one line and not too long."""
    line = " ".join(name.split())
    return f'"{line if len(line) <= 40 else line[:39] + "…"}"'


def _kind(thing: Spin | Bobbin | Skein) -> Kind:
    return "spin" if isinstance(thing, Spin) else "bobbin" if isinstance(thing, Bobbin) else "skein"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _listed(parts: Sequence[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _has(words: Sequence[str], *texts: str) -> bool:
    whole = "\n".join(texts).casefold()
    return all(word in whole for word in words)
