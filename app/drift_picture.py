"""Diameter along each strand as a picture: the drift, the wanted band, thick and thin places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from app.drawing import INK, PAPER, STRAND_COLOURS, font, merged_places, runs, triangle
from app.format import MM_PER_INCH, interval_text, rounded
from measure.results import Interval, PictureReading, StrandReading

# Drawn twice as large and shrunk: smooth lines from plain drawing calls.
_OVER: Final = 2
_WIDTH: Final = 1200
_PANEL: Final = 280
_LEFT, _RIGHT, _TOP, _BOTTOM = 90, 90, 44, 52
_TEXT: Final = 18
_BAND: Final = (214, 232, 214)
_FAINT: Final = (215, 215, 215)
_SOFT: Final = (150, 150, 150)
_KEY: Final = (95, 95, 95)

DRIFT_MM: Final = 10.0
"""The heavy line is the mean over this length of strand."""


def draw_drift(
    reading: PictureReading, bands_mm: Sequence[Interval] = (), band_name: str = "wanted"
) -> Image.Image:
    """One panel per strand, millimetres at the left, WPI at the right, all on the same scale.

    `bands_mm` are ranges of diameter to shade, one per strand or none; `band_name` says in a word
    or two what they are. Raises ValueError without a strand.
    """
    if not reading.strands:
        raise ValueError("there is no strand to draw")
    low, high = _range_mm(reading.strands, bands_mm)
    longest = max(float(s.along.position_mm.max(initial=1.0)) for s in reading.strands)
    height = _PANEL * len(reading.strands)
    image = Image.new("RGB", (_WIDTH * _OVER, height * _OVER), PAPER)
    draw = ImageDraw.Draw(image)
    for row, strand in enumerate(reading.strands):
        band = bands_mm[row] if bands_mm else None
        _Panel(draw, row * _PANEL, (low, high), longest).draw_strand(strand, band, band_name)
    return image.resize((_WIDTH, height), Image.Resampling.BOX)


def _range_mm(
    strands: tuple[StrandReading, ...], bands_mm: Sequence[Interval]
) -> tuple[float, float]:
    values = np.concatenate([s.along.diameter_mm for s in strands])
    values = values[np.isfinite(values)]
    ends = [float(v) for v in np.percentile(values, [0.5, 99.5])] if len(values) else []
    ends += [s.diameter_mm for s in strands]
    ends += [end for band in bands_mm for end in band]
    room = 0.15 * max(max(ends) - min(ends), 0.05 * max(ends))
    return max(0.0, min(ends) - room), max(ends) + room


def _steps(low: float, high: float, about: int) -> NDArray[np.float64]:
    """Round numbers between two ends, some `about` of them."""
    raw = (high - low) / about
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(next(power * m for m in (1.0, 2.0, 5.0, 10.0) if raw <= power * m * 1.0001))
    counts: NDArray[np.float64] = np.arange(np.ceil(low / step), np.floor(high / step) + 1)
    return counts * step


def _moving_mean(
    position: NDArray[np.float64], values: NDArray[np.float64], length: float
) -> NDArray[np.float64]:
    """Mean of the finite values within half a `length` of each place; NaN where there are none."""
    good = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(good, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(good)])
    first = np.searchsorted(position, position - length / 2, "left")
    stop = np.searchsorted(position, position + length / 2, "right")
    number = counts[stop] - counts[first]
    return np.where(number > 0, (sums[stop] - sums[first]) / np.maximum(number, 1), np.nan)


class _Panel:
    """One strand's axes: millimetres along and across, in the pixels of the large drawing."""

    def __init__(
        self, draw: ImageDraw.ImageDraw, top: int, range_mm: tuple[float, float], longest_mm: float
    ) -> None:
        self.draw = draw
        self.x0, self.x1 = _LEFT * _OVER, (_WIDTH - _RIGHT) * _OVER
        self.y0, self.y1 = (top + _TOP) * _OVER, (top + _PANEL - _BOTTOM) * _OVER
        self.low, self.high = range_mm
        self.longest_mm = longest_mm

    def x(self, position_mm: float) -> float:
        return self.x0 + (self.x1 - self.x0) * position_mm / self.longest_mm

    def y(self, diameter_mm: float) -> float:
        share = (diameter_mm - self.low) / (self.high - self.low)
        return self.y1 - (self.y1 - self.y0) * min(max(share, 0.0), 1.0)

    def words(
        self, x: float, y: float, text: str, anchor: str, fill: tuple[int, int, int] = INK
    ) -> None:
        self.draw.text((x, y), text, fill=fill, font=font(_TEXT * _OVER), anchor=anchor)

    def draw_strand(self, strand: StrandReading, band_mm: Interval | None, band_name: str) -> None:
        if band_mm is not None:
            self.draw.rectangle(
                (self.x0, self.y(band_mm[1]), self.x1, self.y(band_mm[0])), fill=_BAND
            )
        self._axes()
        along, colour = strand.along, STRAND_COLOURS[(strand.number - 1) % len(STRAND_COLOURS)]
        self._curve(along.position_mm, along.diameter_mm, _SOFT, _OVER)
        drift = _moving_mean(along.position_mm, along.diameter_mm, DRIFT_MM)
        drift = np.where(np.isfinite(along.diameter_mm), drift, np.nan)
        self._curve(along.position_mm, drift, colour, 3 * _OVER)
        for place in merged_places(strand):
            thick = place.kind == "thick"
            extreme = strand.diameter_mm * (1 + place.extreme_percent / 100)
            size = 6.0 * _OVER
            y = self.y(extreme) + (-2.0 if thick else 2.0) * size
            y = min(max(y, self.y0 + size), self.y1 - size)
            at = np.array([self.x((place.from_mm + place.to_mm) / 2), y])
            triangle(self.draw, at, np.array([0.0, -1.0 if thick else 1.0]), size)
        title = (
            f"Strand {strand.number}: "
            f"{interval_text(strand.diameter_mm, strand.diameter_interval_mm)} mm, "
            f"{interval_text(strand.wpi, strand.wpi_interval)} WPI"
        )
        if strand.cv_percent is not None:
            title += f", CV {strand.cv_percent:.1f} %"
        self.words(self.x0, self.y0 - 12 * _OVER, title, "ls")
        key = f"line: {DRIFT_MM:g} mm mean" + (f"; shaded: {band_name}" if band_mm else "")
        self.words(self.x1, self.y0 - 12 * _OVER, key, "rs", _KEY)

    def _axes(self) -> None:
        small = 5 * _OVER
        values = _steps(self.low, self.high, 5)
        decimals = max(0, -int(np.floor(np.log10(values[1] - values[0])))) if len(values) > 1 else 2
        for value in values:
            y = self.y(float(value))
            self.draw.line((self.x0, y, self.x1, y), fill=_FAINT, width=_OVER)
            self.words(self.x0 - 2 * small, y, rounded(float(value), decimals), "rm")
            if value > 0:
                self.words(self.x1 + 2 * small, y, f"{MM_PER_INCH / float(value):.1f}", "lm")
        for value in _steps(0.0, self.longest_mm, 8):
            x = self.x(float(value))
            self.draw.line((x, self.y1, x, self.y1 + small), fill=INK, width=_OVER)
            self.words(x, self.y1 + 2 * small, f"{value:g}", "mt")
        self.draw.rectangle((self.x0, self.y0, self.x1, self.y1), outline=INK, width=_OVER)
        self.words(self.x0 - 16 * small, self.y0 - 12 * _OVER, "mm", "ls")
        self.words(self.x1 + 16 * small, self.y0 - 12 * _OVER, "WPI", "rs")
        self.words(self.x1 + 16 * small, self.y1 + 2 * small, "mm along", "rt")

    def _curve(
        self,
        position_mm: NDArray[np.float64],
        diameter_mm: NDArray[np.float64],
        colour: tuple[int, int, int],
        width: int,
    ) -> None:
        for run in runs(diameter_mm, position_mm):
            points = [
                (self.x(float(p)), self.y(float(d)))
                for p, d in zip(position_mm[run], diameter_mm[run], strict=True)
            ]
            self.draw.line(points, fill=colour, width=width, joint="curve")
