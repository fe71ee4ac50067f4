"""Between the rows of skeins and their sections and the records."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields
from datetime import date
from typing import Any, Final, get_args

from app.notebook.errors import problem
from app.notebook.records import Skein
from app.notebook.rows import (
    Row,
    clean,
    clean_name,
    float_or_none,
    number_or_nan,
    text_or_none,
    time_of,
    time_or_none,
    time_text,
)
from app.notebook.skein_records import (
    LAYERS,
    Amounts,
    Finish,
    LabelWords,
    LengthFrom,
    Section,
    Wanted,
)

_OWN: Final = (
    "id", "spin_id", "name", "method", "note", "made_at", "deleted_at", "plies",
    "counts_for_learning",
)  # fmt: skip
_PARTS: Final = {"finish": Finish, "amounts": Amounts, "wanted": Wanted, "label": LabelWords}
SKEIN_COLUMNS: Final = (*_OWN, *(f.name for part in _PARTS.values() for f in fields(part)))
SECTION_COLUMNS: Final = (
    "id", "skein_id", "number", "taken_at", "washed", "layer", "hour", "diameter_mm",
    "u_diameter_mm", "low_mm", "high_mm", "cv_percent", "length_mm", "turns_per_inch", "twist",
    "note", "printed_card", "source", "taken_back_at",
)  # fmt: skip

_ABOVE_ZERO: Final = {
    "weight_g": "weight of the skein",
    "circumference_mm": "circumference of the skein",
    "rounds": "number of rounds",
    "sample_length_mm": "length of the weighed piece",
    "sample_weight_g": "weight of the weighed piece",
    "grist_tex": "grist",
    "counted_m": "counted length",
    "wraps": "number of wraps",
    "wraps_over_mm": "length that was wrapped",
    "wanted_wpi_low": "lower number of wraps wanted",
    "wanted_wpi_high": "upper number of wraps wanted",
    "wanted_tex": "grist wanted",
}
_ZERO_OR_MORE: Final = {
    "weight_within_g": "doubt of the weight",
    "circumference_within_mm": "doubt of the circumference",
    "sample_length_within_mm": "doubt of the piece's length",
    "sample_weight_within_g": "doubt of the piece's weight",
    "grist_within_percent": "doubt of the grist",
    "counted_within_percent": "doubt of the counted length",
    "hang_turns": "number of turns",
}


def skein_of(row: Row, bobbin_ids: Iterable[str]) -> Skein:
    """The skein of a row of SKEIN_COLUMNS and the bobbins it was plied from."""
    value = dict(zip(SKEIN_COLUMNS, row, strict=True))
    parts = {
        name: part(**{f.name: value[f.name] for f in fields(part)}) for name, part in _PARTS.items()
    }
    return Skein(
        id=value["id"],
        spin_id=value["spin_id"],
        name=value["name"],
        bobbin_ids=tuple(bobbin_ids),
        method=value["method"],
        note=value["note"],
        made_at=time_of(value["made_at"]),
        deleted_at=time_or_none(value["deleted_at"]),
        plies=value["plies"],
        counts_for_learning=bool(value["counts_for_learning"]),
        **parts,
    )


def skein_values(skein: Skein) -> dict[str, Any]:
    """The row of a skein, without its bobbins; NotebookError when it makes no sense."""
    values: dict[str, Any] = {
        "id": skein.id,
        "spin_id": skein.spin_id,
        "name": clean_name(skein.name),
        "method": clean(skein.method),
        "note": clean(skein.note),
        "made_at": time_text(skein.made_at),
        "deleted_at": text_or_none(skein.deleted_at),
        "plies": skein.plies,
        "counts_for_learning": int(skein.counts_for_learning),
    }
    for name, part in _PARTS.items():
        for f in fields(part):
            value = getattr(getattr(skein, name), f.name)
            values[f.name] = clean(value) if isinstance(value, str) else float_or_none(value)
    values["hang_twist"] = skein.finish.hang_twist
    _check(values)
    return values


def _check(values: dict[str, Any]) -> None:
    """Refuse amounts that are none, a day that is none, a range that runs backwards."""
    for name, words in _ABOVE_ZERO.items():
        if values[name] is not None and not 0 < values[name] < math.inf:
            raise problem("bad_value", detail=f"The {words} must be a number above 0.")
    for name, words in _ZERO_OR_MORE.items():
        if values[name] is not None and not 0 <= values[name] < math.inf:
            raise problem("bad_value", detail=f"The {words} must be a number, 0 or more.")
    for name in ("grist_within_percent", "counted_within_percent"):
        if values[name] is not None and values[name] >= 100:
            raise problem("bad_value", detail=f"The {_ZERO_OR_MORE[name]} must be below 100 %.")
    if values["plies"] is not None and not 1 <= values["plies"] <= 1000:
        raise problem("bad_value", detail="The number of plies must be 1 or more.")
    if values["hang_twist"] not in (None, "S", "Z"):
        raise problem("bad_value", detail="A hanging skein turns S or Z.")
    if values["length_from"] not in get_args(LengthFrom):
        raise problem("bad_value", detail="The length is not known in that way.")
    low, high = values["wanted_wpi_low"], values["wanted_wpi_high"]
    if low is not None and high is not None and low > high:
        raise problem("bad_value", detail="The wraps wanted run from more to fewer.")
    if values["washed_on"]:
        try:
            same = date.fromisoformat(values["washed_on"]).isoformat() == values["washed_on"]
        except ValueError:
            same = False
        if not same:
            raise problem("bad_value", detail="The day of washing is written YYYY-MM-DD.")


def section_of(row: Row) -> Section:
    """The section of a row of SECTION_COLUMNS, without what the lists leave out."""
    (id_, skein, number, taken, washed, layer, hour, diameter, u, low, high, cv, length, tpi, twist,
     note, card, source, back) = row  # fmt: skip
    return Section(
        id=id_,
        skein_id=skein,
        number=number,
        taken_at=time_of(taken),
        washed=bool(washed),
        layer=layer,
        hour=hour,
        diameter_mm=diameter,
        u_diameter_mm=number_or_nan(u),
        interval_mm=(number_or_nan(low), number_or_nan(high)),
        cv_percent=cv,
        length_mm=number_or_nan(length),
        turns_per_inch=tpi,
        twist=twist,
        note=note,
        printed_card=card,
        source=source,
        taken_back_at=time_or_none(back),
    )


def section_values(section: Section) -> dict[str, Any]:
    """The row of a section; NotebookError when it makes no sense."""
    if section.layer is not None and section.layer not in LAYERS:
        raise problem("bad_value", detail=f"A section lies {', '.join(LAYERS)}, or nobody said.")
    if section.hour is not None and not 1 <= section.hour <= 12:
        raise problem("bad_value", detail="The place round the skein is an hour from 1 to 12.")
    if not (0 < section.diameter_mm < math.inf):
        raise problem("bad_value", detail="The section has no diameter.")
    # SQLite keeps "not a number" as NULL, and it comes back as that.
    return {
        "id": section.id,
        "skein_id": section.skein_id,
        "number": section.number,
        "taken_at": time_text(section.taken_at),
        "washed": int(section.washed),
        "layer": section.layer,
        "hour": section.hour,
        "diameter_mm": float(section.diameter_mm),
        "u_diameter_mm": float(section.u_diameter_mm),
        "low_mm": float(section.interval_mm[0]),
        "high_mm": float(section.interval_mm[1]),
        "cv_percent": float_or_none(section.cv_percent),
        "length_mm": float(section.length_mm),
        "turns_per_inch": float_or_none(section.turns_per_inch),
        "twist": section.twist,
        "note": clean(section.note),
        "printed_card": clean(section.printed_card),
        "source": clean(section.source),
        "taken_back_at": text_or_none(section.taken_back_at),
    }
