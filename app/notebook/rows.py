"""Between rows of the notebook's tables and its records."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final

from app.notebook.errors import problem
from app.notebook.records import POSTURES, Aim, Bobbin, LoggedReading, Sitting, Spin

SPIN_COLUMNS: Final = (
    "id", "name", "fibre", "colour_note", "prepared_g", "band_low_mm", "band_high_mm", "plies",
    "class_name", "aim_note", "note", "made_at", "deleted_at",
)  # fmt: skip
BOBBIN_COLUMNS: Final = (
    "id", "spin_id", "name", "note", "empty_g", "full_g", "place", "made_at", "deleted_at",
)  # fmt: skip
SITTING_COLUMNS: Final = ("id", "bobbin_id", "begun_at", "ended_at")
READING_COLUMNS: Final = (
    "id", "sitting_id", "bobbin_id", "number", "taken_at", "posture", "diameter_mm",
    "u_diameter_mm", "low_mm", "high_mm", "cv_percent", "length_mm", "turns_per_inch", "twist",
    "spun_g", "note", "printed_card", "source", "has_picture", "taken_back_at",
    "u_shared_mm", "scale_from", "printed_card_id",
)  # fmt: skip

Row = tuple[Any, ...]


def new_id() -> str:
    """An id that nothing has had before."""
    return str(uuid.uuid4())


def time_text(time: datetime) -> str:
    """A time as the notebook keeps it: UTC, of one length, so that text order is time order."""
    if time.tzinfo is None:
        raise ValueError("a time without its time zone could be any of several")
    return time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ").rjust(27, "0")


def time_of(text: str) -> datetime:
    """The time that was kept so."""
    return datetime.fromisoformat(text).astimezone(UTC)


def clean(text: str) -> str:
    """Text that can be kept in UTF-8: half a character of UTF-16 becomes U+FFFD."""
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def insert(table: str, columns: Iterable[str]) -> str:
    """An INSERT with named blanks."""
    names = tuple(columns)
    return (
        f"INSERT INTO {table} ({', '.join(names)}) "
        f"VALUES ({', '.join(':' + name for name in names)})"
    )


def spin_of(row: Row) -> Spin:
    """The spin of a row of SPIN_COLUMNS."""
    (id_, name, fibre, colour, grams, low, high, plies, class_, aim_note, note, made, gone) = row
    aim = Aim(low, high, plies, class_, aim_note)
    return Spin(id_, name, fibre, colour, grams, aim, note, time_of(made), time_or_none(gone))


def spin_values(spin: Spin) -> dict[str, Any]:
    """The row of a spin; NotebookError when it makes no sense."""
    aim = spin.aim
    for what, value in (
        ("prepared weight", spin.prepared_g),
        ("lower edge of the band", aim.band_low_mm),
        ("upper edge of the band", aim.band_high_mm),
    ):
        check_amount(what, value)
    low, high = aim.band_low_mm, aim.band_high_mm
    if low is not None and high is not None and low > high:
        raise problem("bad_value", detail="The lower edge of the band lies above the upper one.")
    if aim.plies is not None and not 1 <= aim.plies <= 1000:
        raise problem("bad_value", detail="The number of plies must be 1 or more.")
    return {
        "id": spin.id,
        "name": clean_name(spin.name),
        "fibre": clean(spin.fibre),
        "colour_note": clean(spin.colour_note),
        "prepared_g": spin.prepared_g,
        "band_low_mm": low,
        "band_high_mm": high,
        "plies": aim.plies,
        "class_name": clean(aim.class_name),
        "aim_note": clean(aim.note),
        "note": clean(spin.note),
        "made_at": time_text(spin.made_at),
        "deleted_at": text_or_none(spin.deleted_at),
    }


def bobbin_of(row: Row) -> Bobbin:
    """The bobbin of a row of BOBBIN_COLUMNS."""
    id_, spin, name, note, empty, full, place, made, gone = row
    return Bobbin(
        id_, spin, name, note, empty, full, place, time_of(made), time_or_none(gone)
    )  # fmt: skip


def bobbin_values(bobbin: Bobbin) -> dict[str, Any]:
    """The row of a bobbin; NotebookError when it makes no sense."""
    check_amount("weight of the empty bobbin", bobbin.empty_g)
    check_amount("weight of the full bobbin", bobbin.full_g)
    if bobbin.empty_g is not None and bobbin.full_g is not None and bobbin.empty_g > bobbin.full_g:
        raise problem("bad_value", detail="The empty bobbin is heavier than the full one.")
    return {
        "id": bobbin.id,
        "spin_id": bobbin.spin_id,
        "name": clean_name(bobbin.name),
        "note": clean(bobbin.note),
        "empty_g": bobbin.empty_g,
        "full_g": bobbin.full_g,
        "place": bobbin.place,
        "made_at": time_text(bobbin.made_at),
        "deleted_at": text_or_none(bobbin.deleted_at),
    }


def sitting_of(row: Row) -> Sitting:
    """The sitting of a row of SITTING_COLUMNS."""
    id_, bobbin, begun, ended = row
    return Sitting(id_, bobbin, time_of(begun), time_or_none(ended))


def sitting_values(sitting: Sitting) -> dict[str, Any]:
    """The row of a sitting."""
    return {
        "id": sitting.id,
        "bobbin_id": sitting.bobbin_id,
        "begun_at": time_text(sitting.begun_at),
        "ended_at": text_or_none(sitting.ended_at),
    }


def reading_of(row: Row) -> LoggedReading:
    """The reading of a row of READING_COLUMNS, without what the lists leave out."""
    (id_, sitting, bobbin, number, taken, posture, diameter, u, low, high, cv, length, tpi, twist,
     grams, note, card, source, picture, back, shared, scale, card_id) = row  # fmt: skip
    return LoggedReading(
        id=id_,
        sitting_id=sitting,
        bobbin_id=bobbin,
        number=number,
        taken_at=time_of(taken),
        posture=posture,
        diameter_mm=diameter,
        u_diameter_mm=number_or_nan(u),
        interval_mm=(number_or_nan(low), number_or_nan(high)),
        cv_percent=cv,
        length_mm=number_or_nan(length),
        turns_per_inch=tpi,
        twist=twist,
        spun_g=grams,
        note=note,
        printed_card=card,
        source=source,
        has_picture=bool(picture),
        taken_back_at=time_or_none(back),
        u_shared_mm=shared,
        scale_from=scale,
        printed_card_id=card_id,
    )


def reading_values(reading: LoggedReading) -> dict[str, Any]:
    """The row of a reading; NotebookError when it makes no sense."""
    if reading.posture not in POSTURES:
        raise problem("bad_value", detail=f"A strand does not lie {str(reading.posture)[:40]!r}.")
    check_amount("weight spun so far", reading.spun_g)
    if not (0 < reading.diameter_mm < math.inf):
        raise problem("bad_value", detail="The reading has no diameter.")
    # SQLite keeps "not a number" as NULL, and it comes back as that.
    return {
        "id": reading.id,
        "sitting_id": reading.sitting_id,
        "bobbin_id": reading.bobbin_id,
        "number": reading.number,
        "taken_at": time_text(reading.taken_at),
        "posture": reading.posture,
        "diameter_mm": float(reading.diameter_mm),
        "u_diameter_mm": float(reading.u_diameter_mm),
        "low_mm": float(reading.interval_mm[0]),
        "high_mm": float(reading.interval_mm[1]),
        "cv_percent": float_or_none(reading.cv_percent),
        "length_mm": float(reading.length_mm),
        "turns_per_inch": float_or_none(reading.turns_per_inch),
        "twist": reading.twist,
        "spun_g": float_or_none(reading.spun_g),
        "note": clean(reading.note),
        "printed_card": clean(reading.printed_card),
        "source": clean(reading.source),
        "has_picture": int(reading.has_picture),
        "taken_back_at": text_or_none(reading.taken_back_at),
        "u_shared_mm": float_or_none(reading.u_shared_mm),
        "scale_from": clean(reading.scale_from),
        "printed_card_id": clean(reading.printed_card_id),
    }


def check_amount(what: str, value: float | None) -> None:
    """Refuse a weight or width that is none."""
    if value is not None and not 0 <= value < math.inf:
        raise problem("bad_value", detail=f"The {what} must be a number, 0 or more.")


def clean_name(text: str) -> str:
    """A name that can be kept; NotebookError when there is nothing in it."""
    if not text.strip():
        raise problem("bad_value", detail="A name needs at least one letter.")
    return clean(text)


def number_or_nan(value: float | None) -> float:
    """What was kept as NULL because it is not a number."""
    return math.nan if value is None else value


def float_or_none(value: float | None) -> float | None:
    """A plain float of whatever kind of number, or none."""
    return None if value is None else float(value)


def text_or_none(time: datetime | None) -> str | None:
    """A time as the notebook keeps it, or none."""
    return None if time is None else time_text(time)


def time_or_none(text: str | None) -> datetime | None:
    """The time that was kept so, or none."""
    return None if text is None else time_of(text)
