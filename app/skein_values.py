"""What a person writes of a finished skein, turned into its record, or into one clear sentence."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any, Final, Literal

from app import UseError
from app.notebook.records import Skein
from app.notebook.skein_records import Amounts, Finish, Wanted
from app.quantities import Kind, parsed, written

AMOUNT_FIELDS: Final[dict[str, tuple[Kind, str, str | None, str]]] = {
    "weight": ("weight", "weight_g", "weight_within_g", "weight"),
    "circumference": (
        "length", "circumference_mm", "circumference_within_mm", "circumference",
    ),
    "rounds": ("number", "rounds", None, "rounds"),
    "counted": ("long length", "counted_m", "counted_within_percent", "counted length"),
    "sample_length": (
        "length", "sample_length_mm", "sample_length_within_mm", "length of the weighed piece",
    ),
    "sample_weight": (
        "weight", "sample_weight_g", "sample_weight_within_g", "weight of the weighed piece",
    ),
    "grist": ("grist", "grist_tex", "grist_within_percent", "grist"),
}  # fmt: skip
"""How each amount is written, the columns it goes to, and its name in a sentence."""

_UNITS: Final[dict[Kind, str]] = {
    "weight": "g", "length": "mm", "long length": "m", "grist": "tex", "number": "",
}  # fmt: skip
_HANG: Final = re.compile(r"\s*([\d.]+)\s*([sz]?)\s*", re.IGNORECASE)
_WRAPS: Final = re.compile(r"\s*([\d.]+)\s*(?:over|in|/)\s*(.+?)\s*", re.IGNORECASE)


def with_amount(amounts: Amounts, name: str, text: str) -> Amounts:
    """The amounts with one of `AMOUNT_FIELDS` as it was written; an empty text takes it away."""
    kind, value_name, within_name, words = AMOUNT_FIELDS[name]
    if not text.strip():
        cleared: dict[str, Any] = {value_name: None}
        if within_name is not None:
            cleared[within_name] = None
        return replace(amounts, **cleared)
    value, within = parsed(text, kind, words)
    changed: dict[str, Any] = {value_name: value}
    if within_name is not None:
        if within is not None and within_name.endswith("_percent") and kind != "grist":
            within = 100 * within / value
        changed[within_name] = within
    elif within is not None:
        raise UseError(f"{words}: a count is a whole number, or a part of one; leave out the ±.")
    return replace(amounts, **changed)


def amount_written(amounts: Amounts, name: str) -> str:
    """How one of `AMOUNT_FIELDS` would be written."""
    kind, value_name, within_name, _ = AMOUNT_FIELDS[name]
    within = None if within_name is None else getattr(amounts, within_name)
    percent = bool(within_name and within_name.endswith("_percent"))
    return written(getattr(amounts, value_name), within, _UNITS[kind], percent=percent)


def with_hang(finish: Finish, text: str) -> Finish:
    """The hang test from '0', '2 Z' or '1.5s'; empty: not made."""
    if not text.strip():
        return replace(finish, hang_turns=None, hang_twist=None)
    match = _HANG.fullmatch(text)
    turns = _float(match[1]) if match else None
    if match is None or turns is None:
        raise UseError(f"hang test: write turns and which way, such as '0' or '2 Z', not {text!r}.")
    way: Literal["S", "Z"] | None = {"S": "S", "Z": "Z"}.get(match[2].upper())  # type: ignore[assignment]
    return replace(finish, hang_turns=turns, hang_twist=way)


def hang_written(finish: Finish) -> str:
    """How a hang test would be written."""
    if finish.hang_turns is None:
        return ""
    return f"{finish.hang_turns:g} {finish.hang_twist or ''}".rstrip()


def with_wraps(amounts: Amounts, text: str) -> Amounts:
    """Wraps counted by hand from '27 over 2 in'; a bare number is over an inch; empty: none."""
    if not text.strip():
        return replace(amounts, wraps=None, wraps_over_mm=None)
    match = _WRAPS.fullmatch(text)
    count, over = (match[1], match[2]) if match else (text, "1 in")
    wraps = _float(count)
    if wraps is None or wraps <= 0:
        raise UseError(f"wraps: write them as '27 over 2 in', not {text!r}.")
    over_mm, _ = parsed(over, "length", "wraps")
    return replace(amounts, wraps=wraps, wraps_over_mm=over_mm)


def wraps_written(amounts: Amounts) -> str:
    """How counted wraps would be written."""
    if amounts.wraps is None or amounts.wraps_over_mm is None:
        return ""
    return f"{amounts.wraps:g} over {amounts.wraps_over_mm:g} mm"


def with_wanted_wpi(wanted: Wanted, text: str) -> Wanted:
    """Wraps wanted from '14 to 16', '14-16', '14'; empty: none."""
    if not text.strip():
        return replace(wanted, wanted_wpi_low=None, wanted_wpi_high=None)
    parts = re.split(r"\s*(?:to|-|–)\s*", text.strip())
    numbers = [_float(part) for part in parts]
    if len(numbers) > 2 or any(n is None or n <= 0 for n in numbers):
        raise UseError(f"wraps wanted: write them as '14 to 16', not {text!r}.")
    return replace(wanted, wanted_wpi_low=numbers[0], wanted_wpi_high=numbers[-1])


def wanted_wpi_written(wanted: Wanted) -> str:
    """How wraps wanted would be written."""
    ends = [f"{n:g}" for n in (wanted.wanted_wpi_low, wanted.wanted_wpi_high) if n is not None]
    return ends[0] if len(set(ends)) == 1 else " to ".join(ends)


def with_wanted_grist(wanted: Wanted, text: str) -> Wanted:
    """The pattern yarn's grist from '400 m/100g'; empty: none."""
    if not text.strip():
        return replace(wanted, wanted_tex=None)
    return replace(wanted, wanted_tex=parsed(text, "grist", "grist wanted")[0])


def day(text: str) -> str:
    """A day as YYYY-MM-DD; empty stays empty. UseError for what is none."""
    stripped = text.strip()
    if not stripped:
        return ""
    try:
        return date.fromisoformat(stripped).isoformat()
    except ValueError:
        raise UseError(f"day of washing: write it YYYY-MM-DD, not {text!r}.") from None


def with_written(skein: Skein, said: Mapping[str, Any]) -> Skein:
    """A skein with everything of `said` that is not None; keys are those of `slubwise skein set`.

    UseError names what cannot be used; whatever else is wrong the notebook says.
    """
    given = {name: value for name, value in said.items() if value is not None}
    amounts, finish, wanted, label = skein.amounts, skein.finish, skein.wanted, skein.label
    for name in AMOUNT_FIELDS:
        if name in given:
            amounts = with_amount(amounts, name, given[name])
    if "length_from" in given:
        amounts = replace(amounts, length_from=given["length_from"])
    if "wraps" in given:
        amounts = with_wraps(amounts, given["wraps"])
    if "hang" in given:
        finish = with_hang(finish, given["hang"])
    if "washed_on" in given:
        finish = replace(finish, washed_on=day(given["washed_on"]))
    if "finishing" in given:
        finish = replace(finish, finishing=given["finishing"])
    if "want_wpi" in given:
        wanted = with_wanted_wpi(wanted, given["want_wpi"])
    if "want_grist" in given:
        wanted = with_wanted_grist(wanted, given["want_grist"])
    for name, column in (("want", "wanted_class"), ("chart", "wanted_chart"), ("pattern",) * 2):
        if name in given:
            wanted = replace(wanted, **{column: given[name]})
    for name, column in (
        ("fibre", "fibre"), ("colourway", "colourway"), ("care", "care_line"),
        ("text", "label_text"),
    ):  # fmt: skip
        if name in given:
            label = replace(label, **{column: given[name]})
    if isinstance(given.get("plies"), str):
        given["plies"] = _plies(given["plies"])
    own: dict[str, Any] = {n: given[n] for n in ("method", "note", "plies") if n in given}
    if "counts" in given:
        own["counts_for_learning"] = given["counts"]
    return replace(skein, amounts=amounts, finish=finish, wanted=wanted, label=label, **own)


def _plies(text: str) -> int | None:
    if not text.strip():
        return None
    if not text.strip().isdecimal():
        raise UseError(f"plies: write a whole number, such as 3, not {text!r}.")
    return int(text)


def _float(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
