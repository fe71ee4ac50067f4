"""Where a strand lay in the picture and how its thickness ran there, to know it again.

Frames of a running picture are told nothing of each other: this is what tells whether the strand
of one frame is that of another, whether it lay still between them, or was drawn along.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.results import Floats, StrandReading

_GRID_MM: Final = 0.5
_STATIONS: Final = np.linspace(0.0, 1.0, 24)
_BRIDGED_MM: Final = 2.0
"""Longest gap in the running diameter that is bridged (bands' edges leave such gaps)."""
_FEWEST: Final = 24
"""Places two profiles must share to be compared: 12 mm."""
_TELLING: Final = 0.5
"""Least share of a profile's variance that must be the strand's own, not noise."""


@dataclass(frozen=True)
class Match:
    """How one profile of thickness fits onto another."""

    shift_mm: float
    """How far the strand was drawn along, to the right positive, where they fit best."""
    fit: float
    """Correlation there over the correlation that noise would leave of a perfect match."""


@dataclass(frozen=True, eq=False)
class StrandPlace:
    """A strand's centreline in picture pixels and its thickness along it."""

    lane: str
    width_px: float
    centre_px: Floats
    """(n, 2), left to right, all finite."""
    first: int
    """Number of the first entry of `thickness`, counted along `axis` in steps of the grid from
    the picture's origin, so that two frames' entries with one number are one place."""
    thickness: Floats
    """Diameter less its mean, over the mean, every half millimetre; 0 in gaps, (m,)."""
    known: Floats
    """1 where there is a thickness, 0 in gaps, (m,)."""
    telling: float
    """Share of the thickness's variance that is the strand's own and not noise, 0 to 1."""
    axis: Floats
    """Unit vector along the strand, (2,)."""

    @classmethod
    def of(cls, strand: StrandReading) -> StrandPlace | None:
        """The place of a reading; None when it has no outline to go by."""
        centre = np.asarray(strand.outline.centre_px, dtype=np.float64)
        good: NDArray[np.bool_] = np.asarray(np.isfinite(centre).all(axis=1))
        if np.count_nonzero(good) < 2:
            return None
        centre = centre[good]
        way = centre[-1] - centre[0]
        length = float(np.hypot(*way))
        if length == 0:
            return None
        axis = way / length
        grid_px = _GRID_MM * strand.width_px / strand.diameter_mm
        along = centre @ axis / grid_px
        diameter = u = None
        if len(strand.along.diameter_mm) == len(good):
            diameter = strand.along.diameter_mm[good]
            u = strand.along.u_diameter_mm[good]
        first, thickness, known, telling = _thickness(along, diameter, u)
        return cls(strand.lane, strand.width_px, centre, first, thickness, known, telling, axis)

    def offset_widths(self, other: StrandPlace) -> tuple[float, float]:
        """How far across `other` lies from here, at the left and the right half, in widths.

        Where the two do not lie side by side, each is taken to go on straight.
        """
        across = np.array([-self.axis[1], self.axis[0]])
        u0, v0 = self.centre_px @ self.axis, self.centre_px @ across
        u1, v1 = other.centre_px @ self.axis, other.centre_px @ across
        low, high = max(u0[0], u1.min()), min(u0[-1], u1.max())
        if high - low < 0.3 * (u0[-1] - u0[0]):
            ends = np.array([u0[0], u0[-1]])
            gap = np.polyval(np.polyfit(u1, v1, 1), ends) - np.polyval(np.polyfit(u0, v0, 1), ends)
        else:
            at = low + (high - low) * _STATIONS
            order = np.argsort(u1)
            apart = np.interp(at, u1[order], v1[order]) - np.interp(at, u0, v0)
            # The median of each half; sorted here, as np.median takes ten times as long.
            gap = np.sort(apart.reshape(2, -1), axis=1)[:, len(_STATIONS) // 4]
        return float(gap[0] / self.width_px), float(gap[1] / self.width_px)

    def apart_widths(self, other: StrandPlace) -> float:
        """How far across `other` lies from here where it lies farther, in widths."""
        return max(map(abs, self.offset_widths(other)))

    def match(self, other: StrandPlace, reach_mm: float) -> Match | None:
        """The shift within `reach_mm` at which `other`'s thickness fits this one's best.

        None when either runs too evenly, too noisily or too short to be known again.
        """
        if min(self.telling, other.telling) < _TELLING:
            return None
        a, b, in_a, in_b = self.thickness, other.thickness, self.known, other.known
        # Entry k of a full correlation pairs b[i + k - len(a) + 1] with a[i].
        shifts = np.arange(len(a) + len(b) - 1) - (len(a) - 1) + other.first - self.first
        n = np.correlate(in_b, in_a, "full")
        near = (np.abs(shifts) * _GRID_MM <= reach_mm) & (n >= _FEWEST)
        if not near.any():
            return None
        n = np.maximum(n, 1)
        sum_a, sum_b = np.correlate(in_b, a, "full"), np.correlate(b, in_a, "full")
        products = np.correlate(b, a, "full") - sum_a * sum_b / n
        var_a = np.correlate(in_b, a * a, "full") - sum_a**2 / n
        var_b = np.correlate(b * b, in_a, "full") - sum_b**2 / n
        spread = np.sqrt(np.maximum(var_a, 0) * np.maximum(var_b, 0))
        r = np.where(near & (spread > 0), products / np.where(spread > 0, spread, 1.0), -1.0)
        best = int(np.argmax(r))
        attainable = float(np.sqrt(self.telling * other.telling))
        return Match(float(shifts[best]) * _GRID_MM, float(r[best]) / attainable)


def _thickness(
    along: Floats, diameter_mm: Floats | None, u_mm: Floats | None
) -> tuple[int, Floats, Floats, float]:
    """First grid number, relative thickness on the grid, where it is known, and its telling."""
    nothing = (0, np.zeros(0), np.zeros(0), 0.0)
    if diameter_mm is None or u_mm is None:
        return nothing
    good = np.isfinite(diameter_mm) & np.isfinite(u_mm)
    if np.count_nonzero(good) < _FEWEST:
        return nothing
    along, diameter_mm, u_mm = along[good], diameter_mm[good], u_mm[good]
    order = np.argsort(along)
    along, diameter_mm = along[order], diameter_mm[order]
    at = np.arange(math.ceil(along[0]), math.floor(along[-1]) + 1, dtype=np.float64)
    if len(at) < _FEWEST:
        return nothing
    mean = float(diameter_mm.mean())
    thickness = np.interp(at, along, diameter_mm) / mean - 1.0
    right = np.clip(np.searchsorted(along, at), 1, len(along) - 1)
    known = (along[right] - along[right - 1] <= _BRIDGED_MM / _GRID_MM).astype(np.float64)
    thickness *= known
    count = float(known.sum())
    if count < _FEWEST:
        return nothing
    variance = float(thickness @ thickness) / count - (float(thickness.sum()) / count) ** 2
    noise = float(u_mm @ u_mm) / len(u_mm) / mean**2
    telling = max(0.0, 1.0 - noise / variance) if variance > 0 else 0.0
    return int(at[0]), thickness, known, telling
