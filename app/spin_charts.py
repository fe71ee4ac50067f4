"""The drawings of a spin's report: drift, bobbins beside each other, forecast, the skein."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Protocol

import numpy as np

from app.figure import (
    BAND,
    BLUE,
    FAINT,
    INK,
    PALE_BLUE,
    QUIET,
    RED,
    Area,
    Dot,
    Figure,
    Line,
    Mark,
    Words,
    box,
    shortened,
)
from app.format import rounded
from measure.drift import Drift
from measure.precision import Precision
from measure.results import Floats, Interval
from measure.yarn import wpi_from_diameter

WIDTH_MM: Final = 174.0
_LEFT: Final = 13.0
_RIGHT: Final = 12.0
_SMALL: Final = 2.4
_CLEAR_OF_UNIT: Final = 4.0
_IN_A_ROW: Final = 60
"""Readings side by side that still can be told apart."""
_RINGS_MM: Final = 1.2
"""Nearer to each other, readings are points and not rings."""


@dataclass(frozen=True)
class ChartBobbin:
    """What the drawings need of a bobbin."""

    name: str
    diameters_mm: tuple[float, ...]
    intervals_mm: tuple[Interval, ...]
    taken_at: tuple[datetime, ...]
    sittings: tuple[str, ...]
    """Which sitting each reading belongs to."""
    drift: Drift
    precision: Precision | None


@dataclass(frozen=True)
class Bar:
    """A range of wraps per inch with its middle."""

    name: str
    wpi: float
    wpi_range: Interval
    forecast: bool


class _Scale(Protocol):
    """From a value to a place."""

    def __call__(self, value: float, /) -> float: ...


def drift_figures(
    bobbins: Sequence[ChartBobbin], band_mm: Interval | None, wrap_factor: float
) -> list[Figure]:
    """Every reading in the order taken, bobbin beside bobbin, in as many rows as that takes."""
    seen = [b for b in bobbins if b.diameters_mm]
    if not seen:
        return []
    low, high = _range_mm(seen, band_mm)
    return [_drift_row(row, (low, high), band_mm, wrap_factor) for row in _rows(seen)]


def _rows(bobbins: Sequence[ChartBobbin]) -> list[list[ChartBobbin]]:
    rows: list[list[ChartBobbin]] = [[]]
    for bobbin in bobbins:
        held = sum(len(b.diameters_mm) + 2 for b in rows[-1])
        if rows[-1] and held + len(bobbin.diameters_mm) > _IN_A_ROW:
            rows.append([])
        rows[-1].append(bobbin)
    return rows


def _range_mm(bobbins: Sequence[ChartBobbin], band_mm: Interval | None) -> Interval:
    ends = [end for b in bobbins for pair in b.intervals_mm for end in pair if math.isfinite(end)]
    ends += [d for b in bobbins for d in b.diameters_mm]
    ends += band_mm or ()
    room = max(0.06 * (max(ends) - min(ends)), 0.01 * max(ends))
    return max(0.0, min(ends) - room), max(ends) + room


def _drift_row(
    bobbins: Sequence[ChartBobbin],
    range_mm: Interval,
    band_mm: Interval | None,
    wrap_factor: float,
) -> Figure:
    top, bottom, height = 7.0, 52.0, 58.0
    low, high = range_mm

    def y(mm: float) -> float:
        share = (mm - low) / (high - low)
        return bottom - (bottom - top) * min(max(share, 0.0), 1.0)

    marks: list[Mark] = []
    right = WIDTH_MM - _RIGHT
    if band_mm is not None:
        marks.append(box(_LEFT, y(band_mm[1]), right, y(band_mm[0]), BAND))
    marks += _across(range_mm, y, _LEFT, right, wrap_factor)
    slots = sum(len(b.diameters_mm) + 1 for b in bobbins)
    step = min((right - _LEFT) / slots, 12.0)
    x = _LEFT
    for number, bobbin in enumerate(bobbins):
        width = step * (len(bobbin.diameters_mm) + 1)
        if number:
            marks.append(Line(((x, top), (x, bottom)), QUIET, 0.25))
        name = shortened(bobbin.name, width - 2, 2.9)
        marks.append(Words(x + 1, top - 2.2, name, 2.9, bold=True))
        marks += _readings(bobbin, x, step, (top, bottom), y)
        x += width
    marks += _frame(_LEFT, top, right, bottom)
    told = "; ".join(
        f"{b.name}: {len(b.diameters_mm)} readings, {b.drift.sentence}" for b in bobbins
    )
    return Figure(WIDTH_MM, height, tuple(marks), f"Diameter of each reading. {told}.")


def _readings(
    bobbin: ChartBobbin, left: float, step: float, ends: Interval, y: _Scale
) -> list[Mark]:
    marks: list[Mark] = []
    top, bottom = ends
    xs = [left + step * (n + 1) for n in range(len(bobbin.diameters_mm))]
    last_day = -math.inf
    for n, (x, at) in enumerate(zip(xs, bobbin.taken_at, strict=True)):
        first = n == 0 or bobbin.sittings[n] != bobbin.sittings[n - 1]
        if first and n:
            middle = x - step / 2
            marks.append(Line(((middle, top), (middle, bottom)), FAINT, 0.25, 0.8))
        if first and x - last_day > 11:
            marks.append(Words(x, bottom + 3.6, day_text(at), _SMALL, QUIET, "middle"))
            last_day = x
    drift = bobbin.drift
    for values in (drift.lower_mm, drift.upper_mm):
        marks += _curve(xs, values, y, QUIET, 0.2, 1.0)
    radius = min(0.95, 0.32 * step)
    for n, x in enumerate(xs):
        low, high = bobbin.intervals_mm[n]
        if math.isfinite(high - low) and step > _RINGS_MM:
            marks.append(Line(((x, y(low)), (x, y(high))), PALE_BLUE, min(0.7, 0.3 * step)))
    marks += _curve(xs, drift.ewma_mm, y, BLUE, 0.5)
    for n, (x, mm) in enumerate(zip(xs, bobbin.diameters_mm, strict=True)):
        if n in drift.alarms:
            marks.append(Dot(x, y(mm), radius * 1.15, RED, square=True))
        elif step < _RINGS_MM:
            marks.append(Dot(x, y(mm), max(radius, 0.2), BLUE))
        else:
            marks.append(Dot(x, y(mm), radius, "#ffffff", BLUE))
    return marks


def _curve(
    xs: Sequence[float], values: Floats, y: _Scale, colour: str, width: float, dash: float = 0.0
) -> list[Mark]:
    marks: list[Mark] = []
    run: list[tuple[float, float]] = []
    for x, value in [*zip(xs, values.tolist(), strict=True), (0.0, math.nan)]:
        if math.isfinite(value):
            run.append((x, y(value)))
        else:
            if len(run) > 1:
                marks.append(Line(tuple(run), colour, width, dash))
            run = []
    return marks


def _across(
    range_mm: Interval, y: _Scale, left: float, right: float, wrap_factor: float
) -> list[Mark]:
    """Lines at round diameters: millimetres at the left, wraps per inch at the right."""
    marks: list[Mark] = [
        Words(left - 1.5, 4.6, "mm", _SMALL, QUIET, "end"),
        Words(right + 1.5, 4.6, "WPI", _SMALL, QUIET),
    ]
    values, decimals = steps(*range_mm, 5)
    for value in values:
        at = y(value)
        marks.append(Line(((left, at), (right, at)), FAINT, 0.15))
        marks.append(Words(left - 1.5, at + 0.85, rounded(value, decimals), _SMALL, INK, "end"))
        if value > 0:
            wpi = f"{wpi_from_diameter(value, wrap_factor):.1f}"
            marks.append(Words(right + 1.5, at + 0.85, wpi, _SMALL))
    return marks


def _frame(left: float, top: float, right: float, bottom: float) -> list[Mark]:
    around = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    return [Line(around, QUIET, 0.25)]


def bobbins_figure(
    bobbins: Sequence[ChartBobbin], band_mm: Interval | None, wrap_factor: float
) -> Figure | None:
    """Where each bobbin's readings lie, its mean with its interval, and how far they spread."""
    seen = [b for b in bobbins if b.diameters_mm]
    if not seen:
        return None
    ends = [d for b in seen for d in b.diameters_mm] + list(band_mm or ())
    ends += [e for b in seen if b.precision for e in b.precision.mean_interval_mm]
    ends = [end for end in ends if math.isfinite(end)]
    room = max(0.06 * (max(ends) - min(ends)), 0.01 * max(ends))
    low, high = max(0.0, min(ends) - room), max(ends) + room
    left, right, top, pitch = 32.0, WIDTH_MM - 6.0, 6.0, 8.5
    bottom = top + pitch * len(seen)

    def x(mm: float) -> float:
        return left + (right - left) * min(max((mm - low) / (high - low), 0.0), 1.0)

    marks: list[Mark] = []
    if band_mm is not None:
        marks.append(box(x(band_mm[0]), top, x(band_mm[1]), bottom, BAND))
    values, decimals = steps(low, high, 7)
    marks += _scale(values, decimals, x, left, (top, bottom), "mm")
    for value in values:
        if value > 0 and x(value) > left + _CLEAR_OF_UNIT:
            wpi = f"{wpi_from_diameter(value, wrap_factor):.1f}"
            marks.append(Words(x(value), top - 1.6, wpi, _SMALL, QUIET, "middle"))
    marks.append(Words(left - 2, top - 1.6, "WPI", _SMALL, QUIET, "end"))
    for row, bobbin in enumerate(seen):
        middle = top + pitch * (row + 0.5)
        if row:
            at = top + pitch * row
            marks.append(Line(((left, at), (right, at)), FAINT, 0.15))
        name = shortened(bobbin.name, left - 3, 2.9)
        marks.append(Words(left - 2, middle + 1, name, 2.9, INK, "end"))
        marks += [Dot(x(mm), middle - 1.4, 0.75, "#ffffff", BLUE) for mm in bobbin.diameters_mm]
        found = bobbin.precision
        if found is not None and all(map(math.isfinite, found.mean_interval_mm)):
            a, b = found.mean_interval_mm
            marks.append(Line(((x(a), middle + 2), (x(b), middle + 2)), BLUE, 0.9))
            marks.append(Dot(x(found.mean_mm), middle + 2, 1.1, BLUE, square=True))
    marks += _frame(left, top, right, bottom)
    told = "; ".join(
        f"{b.name}: mean {b.precision.mean_mm:.3f} mm" for b in seen if b.precision is not None
    )
    says = f"Readings of each bobbin above, its mean and interval below. {told}."
    return Figure(WIDTH_MM, bottom + 5, tuple(marks), says)


def _scale(
    values: Sequence[float],
    decimals: int,
    x: Callable[[float], float],
    left: float,
    rows: tuple[float, float],
    unit: str,
) -> list[Mark]:
    """Lines down a chart at these values, the values under them and their unit beside those."""
    top, bottom = rows
    marks: list[Mark] = []
    for value in values:
        marks.append(Line(((x(value), top), (x(value), bottom)), FAINT, 0.15))
        if x(value) > left + _CLEAR_OF_UNIT:
            text = rounded(value, decimals)
            marks.append(Words(x(value), bottom + 3.4, text, _SMALL, INK, "middle"))
    marks.append(Words(left - 2, bottom + 3.4, unit, _SMALL, QUIET, "end"))
    return marks


def forecast_figure(bars: Sequence[Bar]) -> Figure | None:
    """What was forecast and what came out, on one scale of wraps per inch."""
    if not bars:
        return None
    ends = [end for bar in bars for end in bar.wpi_range]
    room = max(0.08 * (max(ends) - min(ends)), 0.3)
    low, high = max(0.0, min(ends) - room), max(ends) + room
    left, right, top, pitch = 52.0, WIDTH_MM - 6.0, 2.0, 7.0
    bottom = top + pitch * len(bars)

    def x(wpi: float) -> float:
        return left + (right - left) * (wpi - low) / (high - low)

    marks: list[Mark] = []
    marks += _scale(*steps(low, high, 7), x, left, (top, bottom), "WPI")
    for row, bar in enumerate(bars):
        middle = top + pitch * (row + 0.5)
        a, b = bar.wpi_range
        marks.append(Words(left - 2, middle + 1, bar.name, 2.7, INK, "end"))
        marks.append(
            box(x(a), middle - 1.3, x(b), middle + 1.3, PALE_BLUE if bar.forecast else BLUE)
        )
        marks.append(
            Dot(x(bar.wpi), middle, 1.0, "#ffffff", BLUE if bar.forecast else INK, square=True)
        )
    marks += _frame(left, top, right, bottom)
    told = "; ".join(f"{b.name}: {b.wpi_range[0]:.1f} to {b.wpi_range[1]:.1f} WPI" for b in bars)
    return Figure(WIDTH_MM, bottom + 5, tuple(marks), f"{told}.")


def ribbon_figure(strip_mm: Floats) -> Figure | None:
    """A skein's sections one after the other, each place as wide as the yarn was read there."""
    step = max(1, -(-len(strip_mm) // 700))
    padded = np.append(strip_mm, np.full(-len(strip_mm) % step, np.nan)).reshape(-1, step)
    whole = np.isfinite(padded).all(axis=1)
    if not whole.any():
        return None
    values = np.where(whole, np.where(np.isfinite(padded), padded, 0.0).mean(axis=1), np.nan)
    height, pitch = 9.0, WIDTH_MM / len(values)
    per_mm = 0.94 * height / float(np.nanmax(values))
    marks: list[Mark] = []
    ends = np.flatnonzero(np.diff(whole.astype(np.int8))) + 1
    for run in np.split(np.arange(len(values)), ends):
        if not whole[run[0]]:
            continue
        xs = (pitch * (run + 0.5)).tolist()
        halves = (values[run] * per_mm / 2).tolist()
        above = [(x, height / 2 - h) for x, h in zip(xs, halves, strict=True)]
        under = [(x, height / 2 + h) for x, h in zip(xs, halves, strict=True)]
        marks.append(Area((*above, *under[::-1]), BLUE))
    says = (
        "The sections one after the other, as thick as each was read, all on one scale; a gap is "
        "where nothing was read."
    )
    return Figure(WIDTH_MM, height, tuple(marks), says)


def steps(low: float, high: float, about: int) -> tuple[list[float], int]:
    """Round numbers between two ends, some `about` of them, and the decimals they need."""
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * m for m in (1.0, 2.0, 5.0, 10.0) if raw <= power * m * 1.0001)
    counts = range(math.ceil(low / step), math.floor(high / step) + 1)
    return [n * step for n in counts], max(0, -math.floor(math.log10(step) + 1e-9))


def day_text(at: datetime) -> str:
    """'5 Mar'."""
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    return f"{at.day} {months[at.month - 1]}"
