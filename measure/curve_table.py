"""Blurred curves of one light for ranges of half widths, laid out to be looked up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from measure.clipped import clipped
from measure.shading import Curves, Grid

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_TABLE_STEP: Final = 0.086
"""Farthest that log half widths of a table lie apart."""

FIGURES: Final = 8
"""Planes that a look-up fills: F and K, their slopes both ways, and scratch."""


@dataclass(frozen=True)
class Tables:
    """Blurred curves over log half width and xi, t tables.

    F is what multiplies the strand's brightness, K = G - 1 what the strand changes of what
    multiplies the ground's.
    """

    grid: Grid
    log_a0: Floats
    """(t,) least log half width of each,"""
    log_step: Floats
    """(t,) and from one row of it to the next."""
    curves: Singles
    """(2, t, k, count of the grid) F and K."""

    @property
    def log_a1(self) -> Floats:
        """(t,) largest log half width of each."""
        return np.asarray(self.log_a0 + self.log_step * (self.curves.shape[2] - 1))

    def curves_at(self, log_a: Floats) -> Singles:
        """F and K of every table (t, 2, count) for the half width nearest to one of each."""
        rows = np.rint((log_a - self.log_a0) / self.log_step).astype(np.intp)
        rows = clipped(rows, 0, self.curves.shape[2] - 1)
        return self.curves[:, np.arange(len(rows)), rows].swapaxes(0, 1)


def make_tables(
    curves: Curves,
    half_width_mm: Sequence[tuple[float, float]],
    blur_mm: Sequence[float],
    softness: Sequence[float],
) -> Tables:
    """A table for each of t curves, from the least to the largest half width of each.

    `softness` is the rim's, in half widths.
    """
    low, high = np.log(half_width_mm).T
    rows = max(2, 1 + math.ceil(float((high - low).max()) / _TABLE_STEP))
    step = (high - low) / (rows - 1)
    half = np.exp(low[:, None] + step[:, None] * np.arange(rows))
    sigma = np.hypot(np.array(blur_mm)[:, None] / half, np.array(softness)[:, None])
    # Blur multiplies real and imaginary part alike: one transform serves both curves.
    both = curves.face[:, 0] + 1j * (curves.ground[:, 0] - 1)
    square = np.square(fft.fftfreq(both.shape[-1], curves.grid.step / (2.0 * np.pi)))
    transfer = np.exp((-0.5 * sigma**2).astype(np.float32)[..., None] * square.astype(np.float32))
    blurred = fft.ifft(fft.fft(both)[:, None] * transfer.astype(np.complex64), overwrite_x=True)
    return Tables(curves.grid, low, step, np.array([blurred.real, blurred.imag]))


def look_up(
    tables: Tables, of: NDArray[np.int_], log_a: Floats, u_mm: Singles, u0_mm: Floats, out: Singles
) -> None:
    """F and K at places u (n, J) of n cuts, and their slopes, into `out` (FIGURES, n, J).

    Two planes each: the values, their slopes by steps of the grid, those by log half width where u
    stays; the last two are scratch. `of` (n,) numbers the table of each cut. Straight between the
    places of its table.
    """
    _, _, rows, count = tables.curves.shape
    step = tables.log_step[of]
    row = clipped((log_a - tables.log_a0[of]) / step, 0.0, rows - 1.001)
    row0 = row.astype(np.intp)
    per_mm = np.exp(-log_a) / tables.grid.step
    place = u_mm * per_mm.astype(np.float32)[:, None]
    place -= (u0_mm * per_mm).astype(np.float32)[:, None]
    middle = count // 2
    np.clip(place, np.float32(-middle), np.float32(count - 1.001 - middle), out=place)
    before = np.floor(place)
    at = before.astype(np.intp)
    at += (count * (rows * of + row0) + middle)[:, None]
    curves = tables.curves.reshape(2, -1)
    corners = out.reshape(4, 2, *at.shape)
    for corner, onward in zip(corners, (0, 1, count, count + 1), strict=True):
        curves.take(at + onward, axis=1, out=corner, mode="clip")
    value, by_step, by_row, by_both = corners
    by_both -= by_row
    by_step -= value
    by_row -= value
    by_both -= by_step
    beyond_row = (row - row0).astype(np.float32)[:, None]
    beyond = np.subtract(place, before, out=before)
    value += beyond_row * by_row
    by_step += beyond_row * by_both
    value += beyond * by_step
    by_row += np.multiply(beyond, by_both, out=by_both)
    by_row *= (1.0 / step).astype(np.float32)[:, None]
    by_row -= np.multiply(place, by_step, out=by_both)
