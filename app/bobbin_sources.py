"""Where bobbins to compare come from: the notebook, or files that `slubwise measure` wrote."""

from __future__ import annotations

import csv
import io
import json
import math
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol, TypeVar

import numpy as np

from app import UseError
from app.notebook.shared import scale_words
from app.reading_points import points_of
from measure.band import Band
from measure.drift import ReadingPoint
from measure.results import Along, shared_doubt_mm

if TYPE_CHECKING:
    from app.notebook.records import Bobbin, LoggedReading, Posture, Spin
    from app.notebook.store import Notebook

FILE_ENDINGS: Final = (".json", ".csv")

_NAME_LETTERS: Final = 60
_TWIST: Final = ("S", "Z")


class CardUsed(NamedTuple):
    """What gave readings their millimetres."""

    scale_from: str
    """"card desk 1", "dpi", "marks"; empty: not known."""
    print_id: str
    """Which print of the card; empty: nobody said."""

    @property
    def print_unknown(self) -> bool:
        """True where it may have been one print of the card or another."""
        return self.print_id == "" and self.scale_from not in ("dpi", "marks")


@dataclass(frozen=True)
class ComparedBobbin:
    """One bobbin's readings, in the order taken."""

    name: str
    """One printable line, unlike that of any other bobbin compared."""
    points: tuple[ReadingPoint, ...]
    cards: frozenset[CardUsed]
    """What the readings were measured on; more than one, and their scales do not cancel."""
    length_mm: float
    """Of strand that was measured, all readings together."""
    turns_per_inch: float | None
    """Mean over the readings that have it."""
    twist: str | None
    """S or Z where all readings that have it agree."""
    net_g: float | None
    band: Band | None
    left_out: int
    """Readings in another posture."""
    along: tuple[Along, ...] = ()
    """Profiles of some of the readings, where they were asked for or the file has them."""


def one_line(text: str) -> str:
    """`text` on one line, without controls, marks of writing direction or halves of characters."""
    kept = "".join(" " if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Cn") else c for c in text)
    line = " ".join(kept.split())
    return line if len(line) <= _NAME_LETTERS else line[: _NAME_LETTERS - 1] + "…"


def named_apart(names: Iterable[str]) -> list[str]:
    """Names as single lines, numbered where two would be the same or one is empty."""
    taken: set[str] = set()
    out = []
    for raw in names:
        name = one_line(raw) or "bobbin"
        candidate, number = name, 1
        while candidate in taken:
            number += 1
            candidate = f"{name} ({number})"
        taken.add(candidate)
        out.append(candidate)
    return out


# --- from the notebook ------------------------------------------------------------------------


def spin_called(notebook: Notebook, name: str | None) -> Spin:
    """The spin of that name, or the one last spun; UseError when there is none or several."""
    spins = notebook.spins()
    if name is None:
        latest = notebook.latest_bobbin()
        if latest is None:
            raise UseError(f"{notebook.path} has no readings yet; log some, or name files.")
        return notebook.spin(latest.spin_id)
    return _the_one(spins, name, "spin", "--spin")


def bobbins_called(notebook: Notebook, spin: Spin, names: Sequence[str]) -> list[Bobbin]:
    """The spin's bobbins of those names, or all of them."""
    bobbins = notebook.bobbins(spin.id)
    if not bobbins:
        raise UseError(
            f"the spin {one_line(spin.name)} has no bobbins; choose another with --spin."
        )
    return [_the_one(bobbins, name, "bobbin", "its name") for name in names] or bobbins


class _Named(Protocol):
    @property
    def name(self) -> str: ...


_Thing = TypeVar("_Thing", bound=_Named)


def _the_one(things: Sequence[_Thing], name: str, kind: str, option: str) -> _Thing:
    found = [t for t in things if t.name == name]
    found = found or [t for t in things if t.name.casefold() == name.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        raise UseError(f"two or more {kind}s are called {name!r}; rename one of them first.")
    known = ", ".join(one_line(t.name) for t in things[:12]) or "none"
    raise UseError(f"there is no {kind} called {name!r}; known are {known}. Correct {option}.")


def from_notebook(
    notebook: Notebook,
    spin: Spin,
    bobbins: Sequence[Bobbin],
    posture: Posture | None,
    *,
    profiles: int = 0,
) -> list[ComparedBobbin]:
    """These bobbins with their readings in one posture, by default the one most were taken in.

    With the profiles of up to so many readings of each, spread evenly along it.
    """
    logged = {bobbin.id: notebook.readings(bobbin.id) for bobbin in bobbins}
    if posture is None:
        counts = Counter(r.posture for readings in logged.values() for r in readings)
        posture = counts.most_common(1)[0][0] if counts else "tension"
    band = None
    low, high = spin.aim.band_low_mm, spin.aim.band_high_mm
    # The band is meant for the single at the wheel.
    if posture == "tension" and low is not None and high is not None and 0 < low < high:
        band = Band(low, high)
    card_used = _card_reader([r for readings in logged.values() for r in readings])
    out = []
    for bobbin, name in zip(bobbins, named_apart(b.name for b in bobbins), strict=True):
        kept = [r for r in logged[bobbin.id] if r.posture == posture]
        net = None
        if bobbin.full_g is not None and bobbin.empty_g is not None:
            net = bobbin.full_g - bobbin.empty_g
        out.append(
            ComparedBobbin(
                name=name,
                points=points_of(kept),
                cards=frozenset(map(card_used, kept)),
                length_mm=math.fsum(r.length_mm for r in kept),
                turns_per_inch=_mean([r.turns_per_inch for r in kept]),
                twist=_agreed([r.twist for r in kept]),
                net_g=net if net is not None and net > 0 else None,
                band=band,
                left_out=len(logged[bobbin.id]) - len(kept),
                along=_profiles(notebook, kept, profiles),
            )
        )
    return out


def _profiles(
    notebook: Notebook, readings: Sequence[LoggedReading], most: int
) -> tuple[Along, ...]:
    step = max(1, -(-len(readings) // most)) if most else 0
    whole = (notebook.reading(r.id).reading for r in readings[::step]) if step else ()
    return tuple(strand.along for strand in whole if strand is not None)


def _card_reader(readings: Sequence[LoggedReading]) -> Callable[[LoggedReading], CardUsed]:
    """What tells which card each of these readings was measured on.

    Names change and are given again, so a print is told by its id. One that has a name alone, from
    before there were ids, is the print that has that name, when just one has.
    """
    ids: dict[str, set[str]] = {}
    for r in readings:
        if r.printed_card_id:
            ids.setdefault(r.printed_card, set()).add(r.printed_card_id)

    def card_used(r: LoggedReading) -> CardUsed:
        named = ids.get(r.printed_card, set())
        return CardUsed(
            r.scale_from,
            r.printed_card_id
            or (next(iter(named)) if r.printed_card and len(named) == 1 else r.printed_card),
        )

    return card_used


# --- from files -------------------------------------------------------------------------------


def from_files(paths: Sequence[Path]) -> list[ComparedBobbin]:
    """One bobbin per file, called like it; its strands are the readings, in the file's order."""
    return [
        _from_rows(
            path, name, _json_rows(path) if path.suffix.lower() == ".json" else _csv_rows(path)
        )
        for path, name in zip(paths, named_apart(path.stem for path in paths), strict=True)
    ]


def _text_of(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UseError(f"{path} is no text in UTF-8; give a file of slubwise measure.") from error
    except OSError as error:
        raise UseError(f"{path} could not be read: {error.strerror or error}.") from error


def _json_rows(path: Path) -> list[Mapping[str, Any]]:
    """The strands of a `--json` file, each with its picture's card."""
    try:
        document = json.loads(_text_of(path))
    except (json.JSONDecodeError, RecursionError) as error:
        raise UseError(
            f"{path} is no JSON ({error}); give a file of slubwise measure --json."
        ) from None
    rows: list[Mapping[str, Any]] = []
    for picture in _pictures(document):
        strands = picture.get("strands")
        if not isinstance(strands, list) or not all(isinstance(s, dict) for s in strands):
            break
        scale = picture.get("scale")
        scale = scale if isinstance(scale, dict) else {}
        on = scale_words(scale.get("source"), scale.get("card"))
        rows.extend(strand | {"on": CardUsed(on, "")} for strand in strands)
    else:
        return rows
    raise UseError(f"{path} is not what slubwise measure --json writes; give such a file.")


def _pictures(document: object) -> list[dict[str, Any]]:
    """The pictures of a document; what is none becomes one that says nothing."""
    several = document.get("pictures", [document]) if isinstance(document, dict) else [{}]
    if not isinstance(several, list):
        return [{}]
    return [picture if isinstance(picture, dict) else {} for picture in several]


def _csv_rows(path: Path) -> list[Mapping[str, Any]]:
    """The rows of a `--csv` file."""
    try:
        reader = csv.DictReader(io.StringIO(_text_of(path), newline=""), strict=True)
        rows = list(reader)
    except csv.Error as error:
        raise UseError(
            f"{path} is no CSV ({error}); give a file of slubwise measure --csv."
        ) from None
    columns = reader.fieldnames or ()
    if not {"diameter_mm", "u_diameter_mm"} <= set(columns):
        raise UseError(
            f"{path} has no columns diameter_mm and u_diameter_mm; "
            "give a file of slubwise measure --csv."
        )
    return [row | {"on": _card_of_row(row)} for row in rows]


def _card_of_row(row: Mapping[str, Any]) -> CardUsed:
    """Of a row as `slubwise measure` or as `slubwise notebook export` writes it."""
    on = row.get("scale_from") or scale_words(row.get("scale_source"), row.get("card"))
    return CardUsed(on, row.get("printed_card_id") or "")


def _from_rows(path: Path, name: str, rows: Sequence[Mapping[str, Any]]) -> ComparedBobbin:
    points = []
    for number, row in enumerate(rows, start=1):
        try:
            points.append(_point(row))
        except (ValueError, TypeError) as error:
            raise UseError(
                f"reading {number} in {path} cannot be used: {error}. Correct it or take it out."
            ) from None
    return ComparedBobbin(
        name=name,
        points=tuple(points),
        cards=frozenset(row["on"] for row in rows),
        length_mm=math.fsum(_number(row, "length_mm") or 0.0 for row in rows),
        turns_per_inch=_mean([_number(row, "turns_per_inch") for row in rows]),
        twist=_agreed([row.get("twist") for row in rows]),
        net_g=None,
        band=None,
        left_out=0,
        along=tuple(along for row in rows if (along := _along(row)) is not None),
    )


def _along(row: Mapping[str, Any]) -> Along | None:
    """The profile of a `--json` strand; None where there is none that can be read."""
    kept = row.get("along")
    if not isinstance(kept, dict):
        return None
    try:
        place, width, u = (
            np.array(kept[key], dtype=np.float64)
            for key in ("position_mm", "diameter_mm", "u_diameter_mm")
        )
        ground = np.array(kept["ground"], dtype=np.str_)
    except (KeyError, TypeError, ValueError):
        return None
    same = place.ndim == 1 and place.shape == width.shape == u.shape == ground.shape
    if not (same and len(place) and np.all(np.isfinite(place)) and np.all(np.diff(place) >= 0)):
        return None
    return Along(place, width, u, ground)


def _point(row: Mapping[str, Any]) -> ReadingPoint:
    diameter, u = _number(row, "diameter_mm"), _number(row, "u_diameter_mm")
    if diameter is None or u is None:
        raise ValueError("it has no diameter_mm or no u_diameter_mm")
    return ReadingPoint(
        diameter_mm=diameter,
        u_diameter_mm=u,
        cv_percent=_number(row, "cv_percent"),
        spun_g=_number(row, "spun_g"),
        u_shared_mm=_shared(row, u),
    )


def _shared(row: Mapping[str, Any], u: float) -> float:
    """The doubt a reading shares; all of it where that is not told, which is the careful guess."""
    budget = row.get("budget_mm")
    if isinstance(budget, dict):
        return shared_doubt_mm({part: _number(budget, part) or 0.0 for part in budget}, u)
    shared = _number(row, "u_shared_mm")
    return u if shared is None else min(shared, u)


def _number(row: Mapping[str, Any], key: str) -> float | None:
    value = row.get(key)
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        raise ValueError(f"{key} is {value}, not a number")
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ValueError(f"{key} is {value!r:.40}, not a number") from None
    if not math.isfinite(number):
        raise ValueError(f"{key} is {number}")
    return number


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None


def _agreed(values: Iterable[Any]) -> str | None:
    known = {value for value in values if value in _TWIST}
    return str(known.pop()) if len(known) == 1 else None
