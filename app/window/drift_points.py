"""Readings as points of the drift chart: where each one goes, what it is, and its words.

No widget and no plot here: arrays in, arrays out. Heights are the natural logarithm of the
diameter in mm, so that equal steps are equal ratios and WPI is the same scale turned over.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from app.format import interval_text
from app.notebook.records import LoggedReading
from app.window.preferences import Unit
from measure.band import Band
from measure.results import Floats, Interval
from measure.yarn import wpi_from_diameter

Along = Literal["number", "time", "grams"]
Place = Literal["in", "thicker", "thinner", "none"]

_NOTE_LETTERS: Final = 120
_SMALLEST_SHARE: Final = 0.2
"""An interval that reaches to nothing is drawn down to this share of its diameter."""
_PAUSE_SHARE: Final = 0.04
"""Width of the gap between sittings on the time axis, of all the time spun."""
# fmt: off
_MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)
# fmt: on

PLACE_WORDS: Final[dict[Place, str]] = {
    "in": "in the band",
    "thicker": "thicker than the band",
    "thinner": "thinner than the band",
    "none": "",
}


@dataclass(frozen=True)
class Sitting:
    """A run of points of one sitting: entries `first` to `stop` - 1."""

    first: int
    stop: int
    from_x: float
    """Where it begins on the axis: half way from the sitting before."""
    begun_at: datetime
    """When its first reading was taken, in local time."""


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class Points:
    """What is plotted, one entry per reading that has a place on the axis, (n,)."""

    readings: tuple[LoggedReading, ...] = ()
    order: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, np.intp))
    """Which of all the readings each one is, from 0."""
    x: Floats = field(default_factory=_none)
    y: Floats = field(default_factory=_none)
    low: Floats = field(default_factory=_none)
    high: Floats = field(default_factory=_none)
    """Ends of the 95 % intervals, as heights."""
    place: NDArray[np.str_] = field(default_factory=lambda: np.zeros(0, "<U7"))
    sure: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    """False where the interval crosses an edge of the band."""
    sittings: tuple[Sitting, ...] = ()
    along: Along = "number"
    left_out: int = 0
    """Readings without a place on the axis: nobody said how much fibre was spun by then."""


def arrange(readings: Sequence[LoggedReading], along: Along, band: Band | None) -> Points:
    """Readings, in the order they were taken, as points against number, time or grams spun."""
    if along == "grams":
        order = np.array([k for k, r in enumerate(readings) if r.spun_g is not None], np.intp)
    else:
        order = np.arange(len(readings), dtype=np.intp)
    if not len(order):
        return Points(along=along, left_out=len(readings))
    kept = tuple(readings[k] for k in order.tolist())
    diameter = np.array([r.diameter_mm for r in kept])
    ends = np.array([r.interval_mm for r in kept])
    ends[:, 0] = np.maximum(ends[:, 0], diameter * _SMALLEST_SHARE)
    starts = [
        0,
        *(k + 1 for k, (a, b) in enumerate(pairwise(kept)) if a.sitting_id != b.sitting_id),
    ]
    stops = [*starts[1:], len(kept)]
    x = _across(kept, along, starts)
    place, sure = _judged(diameter, ends, band)
    edges = [float(x[0])] + [float(x[k - 1] + x[k]) / 2 for k in starts[1:]]
    return Points(
        readings=kept,
        order=order,
        x=x,
        y=np.log(diameter),
        low=np.log(ends[:, 0]),
        high=np.log(ends[:, 1]),
        place=place,
        sure=sure,
        sittings=tuple(
            Sitting(first, stop, edge, kept[first].taken_at.astimezone())
            for first, stop, edge in zip(starts, stops, edges, strict=True)
        ),
        along=along,
        left_out=len(readings) - len(kept),
    )


def _across(kept: tuple[LoggedReading, ...], along: Along, starts: list[int]) -> Floats:
    """Places on the axis; time is minutes spun, with a gap that stands for any pause."""
    if along == "number":
        return np.array([r.number for r in kept], dtype=np.float64)
    if along == "grams":
        return np.array([r.spun_g for r in kept], dtype=np.float64)
    minutes = np.array([r.taken_at.timestamp() / 60 for r in kept])
    steps = np.diff(minutes, prepend=minutes[0])
    between = np.zeros(len(kept), bool)
    between[starts[1:]] = True
    spun = float(steps[~between].sum())
    steps[between] = max(1.0, _PAUSE_SHARE * spun)
    return np.cumsum(steps)


def _judged(
    diameter: Floats, ends: Floats, band: Band | None
) -> tuple[NDArray[np.str_], NDArray[np.bool_]]:
    """As `Band.judge` says, of all readings at once."""
    if band is None:
        return np.full(len(diameter), "none"), np.ones(len(diameter), bool)
    thicker, thinner = diameter > band.high_mm, diameter < band.low_mm
    within = (band.low_mm <= ends[:, 0]) & (ends[:, 1] <= band.high_mm)
    sure = np.select(
        [thicker, thinner], [ends[:, 0] > band.high_mm, ends[:, 1] < band.low_mm], within
    )
    return np.select([thicker, thinner], ["thicker", "thinner"], "in"), sure


def thickness_text(diameter_mm: float, interval_mm: Interval, unit: Unit, wrap: float) -> str:
    """'22.4 (21.9 to 22.9) WPI' or the same in mm."""
    if unit == "mm":
        return f"{interval_text(diameter_mm, interval_mm)} mm"
    low, high = interval_mm
    ends = (
        wpi_from_diameter(high, wrap),
        wpi_from_diameter(low, wrap) if low > 0 else math.inf,
    )
    return f"{interval_text(wpi_from_diameter(diameter_mm, wrap), ends)} WPI"


def details(points: Points, entry: int, unit: Unit, wrap: float) -> str:
    """What is known of one point, a line each, as plain text."""
    reading = points.readings[entry]
    lines = [
        f"Reading {reading.number} · {moment_text(reading.taken_at.astimezone())}",
        thickness_text(reading.diameter_mm, reading.interval_mm, unit, wrap),
    ]
    place: Place = points.place[entry].item()
    if place != "none":
        unsure = "" if points.sure[entry] else ", its interval crosses the edge"
        lines.append(PLACE_WORDS[place] + unsure)
    more = []
    if reading.cv_percent is not None:
        more.append(f"CV {reading.cv_percent:.1f} %")
    if reading.turns_per_inch is not None:
        more.append(f"{reading.turns_per_inch:.1f} TPI {reading.twist or ''}".strip())
    if reading.spun_g is not None:
        more.append(f"{reading.spun_g:g} g spun")
    if more:
        lines.append(" · ".join(more))
    note = " ".join(reading.note.split())
    if note:
        lines.append(note if len(note) <= _NOTE_LETTERS else note[: _NOTE_LETTERS - 1] + "…")
    return "\n".join(lines)


def day_text(at: datetime, with_year: bool = False) -> str:
    """'25 Nov', whatever language the system speaks: the window's words are English."""
    day = f"{at.day} {_MONTHS[at.month - 1]}"
    return f"{day} {at.year}" if with_year else day


def moment_text(at: datetime) -> str:
    """'25 Nov 2026, 10:42'."""
    return f"{day_text(at, with_year=True)}, {at:%H:%M}"


def summary(points: Points, unit: Unit, wrap: float) -> str:
    """All of it in a sentence or two."""
    n = len(points.readings)
    if not n:
        return "No readings."
    first, last = points.readings[0], points.readings[-1]
    said = [f"{n} reading{'s' if n > 1 else ''}"]
    if len(points.sittings) > 1:
        said.append(f"in {len(points.sittings)} sittings")
    days = [day_text(r.taken_at.astimezone(), with_year=True) for r in (first, last)]
    said.append(f"on {days[0]}" if days[0] == days[1] else f"from {days[0]} to {days[1]}")
    text = " ".join(said)
    if points.place[0] != "none":
        counts = {p: int((points.place == p).sum()) for p in ("in", "thicker", "thinner")}
        text += (
            f"; {counts['in']} in the band, {counts['thicker']} thicker, "
            f"{counts['thinner']} thinner"
        )
    return f"{text}. Newest {thickness_text(last.diameter_mm, last.interval_mm, unit, wrap)}."


def edge_words(band: Band, unit: Unit, wrap: float) -> tuple[str, str]:
    """The band's edges in the unit, the thin one first."""
    if unit == "mm":
        return f"{band.low_mm:.2f} mm", f"{band.high_mm:.2f} mm"
    return f"{band.high_wpi(wrap):.3g} WPI", f"{band.low_wpi(wrap):.3g} WPI"
