"""What the spins page shows, read from the notebook, and how it is put into words. No widget."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, TypeVar

from app.bobbin_sources import one_line
from app.notebook.by_posture import PostureTally, by_posture
from app.notebook.errors import NotebookError
from app.notebook.records import Aim, Bobbin, Skein, Spin
from app.notebook.store import Notebook
from app.notebook.things import Tally
from app.window.bench_bar import POSTURE_NAMES, band_text
from app.window.preferences import Unit
from app.window.tips import forward
from measure.band import Band
from measure.yarn import wpi_from_diameter

T = TypeVar("T")

_MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


@dataclass(frozen=True)
class SpinRow:
    """A spin in the list."""

    spin: Spin
    bobbins: int


@dataclass(frozen=True)
class BobbinRow:
    """A bobbin in the table."""

    bobbin: Bobbin
    tally: Tally | None
    """None when it could not be read."""
    postures: tuple[PostureTally, ...]


@dataclass(frozen=True)
class Latest:
    """Where the person stopped."""

    bobbin: Bobbin
    spin: Spin
    at: datetime


@dataclass(frozen=True)
class Shelf:
    """All that the page shows of the notebook at one moment."""

    spins: tuple[SpinRow, ...] = ()
    spin: Spin | None = None
    bobbins: tuple[BobbinRow, ...] = ()
    bobbin_names: tuple[str, ...] = ()
    """Of all bobbins of the spin, those that the search leaves out too."""
    left_out: int = 0
    """Bobbins of the spin that the search leaves out."""
    latest: Latest | None = None
    undo_text: str | None = None
    redo_text: str | None = None
    trouble: NotebookError | None = None
    """Why it cannot be written to, or why not all of it could be read."""


@dataclass
class _Looker:
    """Reads piece by piece: what is damaged in one place can be read in another."""

    trouble: NotebookError | None = field(default=None)

    def tried(self, question: Callable[[], T], otherwise: T) -> T:
        try:
            return question()
        except NotebookError as error:
            self.trouble = self.trouble or error
            return otherwise


def look_up(notebook: Notebook, wanted: str, words: str) -> Shelf:
    """The spins that `words` find, and of the spin with the id `wanted` all that is shown.

    When that is not among them it is the spin of the last sitting, else the newest. What cannot
    be read is left out and said in `trouble`.
    """
    looker = _Looker(notebook.why_not)
    tried = looker.tried
    spins = tried(notebook.spins, list[Spin]())
    searching = bool(words.split())
    nothing: list[Spin | Bobbin | Skein] = []
    found = tried(lambda: notebook.search(words), nothing) if searching else nothing
    whole = {thing.id if isinstance(thing, Spin) else thing.spin_id
             for thing in found if not isinstance(thing, Bobbin)}  # fmt: skip
    bobbins_found = {thing.id for thing in found if isinstance(thing, Bobbin)}
    shown = whole | {thing.spin_id for thing in found if isinstance(thing, Bobbin | Skein)}
    if searching:
        spins = [spin for spin in spins if spin.id in shown]
    latest = tried(lambda: latest_of(notebook), None)
    by_id = {spin.id: spin for spin in spins}
    spin = by_id.get(wanted) or (by_id.get(latest.spin.id) if latest else None)
    spin = spin or (spins[0] if spins else None)
    bobbins: list[Bobbin] = []
    rows: list[BobbinRow] = []
    if spin is not None:
        id_ = spin.id
        bobbins = tried(lambda: notebook.bobbins(id_), list[Bobbin]())
        tallies = tried(lambda: notebook.tallies(id_), dict[str, Tally]())
        postures = tried(lambda: by_posture(notebook, id_), dict[str, tuple[PostureTally, ...]]())
        rows = [
            BobbinRow(bobbin, tallies.get(bobbin.id), postures.get(bobbin.id, ()))
            for bobbin in bobbins
            if not searching or id_ in whole or bobbin.id in bobbins_found
        ]

    def number_in(spin_id: str) -> int:
        return tried(lambda: len(notebook.bobbins(spin_id)), 0)

    counted_ = tuple(SpinRow(s, number_in(s.id)) for s in spins)
    return Shelf(
        spins=counted_,
        spin=spin,
        bobbins=tuple(rows),
        bobbin_names=tuple(bobbin.name for bobbin in bobbins),
        left_out=len(bobbins) - len(rows),
        latest=latest,
        undo_text=notebook.undo_text,
        redo_text=notebook.redo_text,
        trouble=looker.trouble,
    )


def latest_of(notebook: Notebook) -> Latest | None:
    """The bobbin of the last sitting with its spin and when that began."""
    bobbin = notebook.latest_bobbin()
    if bobbin is None:
        return None
    at = max(sitting.begun_at for sitting in notebook.sittings(bobbin.id))
    return Latest(bobbin, notebook.spin(bobbin.spin_id), at)


def band_of(aim: Aim) -> Band | None:
    """The band of an aim, when it has one that can be spun into."""
    if aim.band_low_mm is None or aim.band_high_mm is None:
        return None
    try:
        return Band(aim.band_low_mm, aim.band_high_mm)
    except ValueError:
        return None


# --- in words


def counted(number: int, word: str) -> str:
    """'1 reading', '3 readings'."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def grams_text(grams: float) -> str:
    """A weight as a kitchen scale shows it."""
    return f"{grams:.1f}".removesuffix(".0") + " g"


def thickness_text(diameter_mm: float, unit: Unit, wrap_factor: float) -> str:
    """A diameter in the unit chosen."""
    if unit == "mm":
        return f"{diameter_mm:.2f} mm"
    return f"{wpi_from_diameter(diameter_mm, wrap_factor):.1f} WPI"


def when_text(at: datetime, now: datetime) -> str:
    """A time as one says it: 'today 18:05', 'yesterday 18:05', '1 Mar 2026'; in the zone here."""
    local, today = at.astimezone(), now.astimezone().date()
    if local.date() == today:
        return f"today {local:%H:%M}"
    if local.date() == today - timedelta(days=1):
        return f"yesterday {local:%H:%M}"
    return f"{local.day} {_MONTHS[local.month - 1]} {local.year}"


def spin_line(row: SpinRow) -> str:
    """The second line of a spin in the list."""
    spin = row.spin
    parts = [one_line(spin.fibre), one_line(spin.colour_note), counted(row.bobbins, "bobbin")]
    return " · ".join(filter(None, parts))


def spin_words(spin: Spin, unit: Unit, wrap_factor: float) -> str:
    """What is known of a spin, a line each."""
    aim = spin.aim
    band = band_of(aim)
    wanted = [
        band_text(band, unit, wrap_factor) if band else "",
        aim.class_name,
        "" if aim.plies is None else ("singles" if aim.plies == 1 else f"{aim.plies} plies"),
        aim.note,
    ]
    made_ready = f"{grams_text(spin.prepared_g)} prepared" if spin.prepared_g is not None else ""
    fibre = " · ".join(filter(None, (spin.fibre, spin.colour_note, made_ready)))
    aimed = " · ".join(filter(None, wanted))
    return forward("\n".join(filter(None, (fibre, aimed and f"Aim: {aimed}", spin.note))))


def mean_text(row: BobbinRow, unit: Unit, wrap_factor: float) -> str:
    """The mean of the readings at the wheel; of another posture, named, when there are none."""
    if not row.postures:
        return ""
    first = row.postures[0]
    text = thickness_text(first.mean_diameter_mm, unit, wrap_factor)
    return text if first.posture == "tension" else f"{text} {first.posture}"


def bobbin_words(row: BobbinRow, unit: Unit, wrap_factor: float, *, now_spun: bool) -> str:
    """What is known of a bobbin, a line each."""
    bobbin = row.bobbin
    lines = ["Being spun now."] if now_spun else []
    for tally in row.postures:
        name = POSTURE_NAMES[tally.posture]
        mean = thickness_text(tally.mean_diameter_mm, unit, wrap_factor)
        lines.append(
            f"{name[0].upper()}{name[1:]}: {counted(tally.readings, 'reading')}, mean {mean}."
        )
    if not row.postures:
        lines.append("No reading yet.")
    weights = []
    if bobbin.empty_g is not None:
        weights.append(f"empty {grams_text(bobbin.empty_g)}")
    if bobbin.full_g is not None:
        weights.append(f"full {grams_text(bobbin.full_g)}")
    if bobbin.empty_g is not None and bobbin.full_g is not None:
        weights.append(f"so {grams_text(bobbin.full_g - bobbin.empty_g)} of yarn")
    if weights:
        lines.append(f"Bobbin: {', '.join(weights)}.")
    return forward("\n".join(filter(None, (*lines, bobbin.note))))
