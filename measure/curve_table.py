"""Blurred curves of one light for ranges of half widths, laid out to be looked up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.shading import Curves, Grid, blur_curves

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_TABLE_STEP: Final = 0.086
"""Farthest that log half widths of a table lie apart."""


@dataclass(frozen=True)
class Tables:
    """Blurred curves over log half width and xi, F as real and G as imaginary part, t tables."""

    grid: Grid
    log_a0: Floats
    """(t,) least log half width of each,"""
    log_step: Floats
    """(t,) and from one row of it to the next."""
    curves: NDArray[np.complex64]
    """(t, k, count of the grid): one look-up serves both curves."""

    def row_of(self, number: int, half_width_mm: float) -> int:
        """Row of table `number` nearest to a half width."""
        row = round((math.log(half_width_mm) - self.log_a0[number]) / self.log_step[number])
        return int(min(max(row, 0), self.curves.shape[1] - 1))


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
    half = np.exp(np.linspace(low, high, rows))
    face, ground = blur_curves(curves, np.hypot(np.array(blur_mm) / half, softness))
    both = np.empty((len(low), rows, face.shape[-1]), np.complex64)
    both.real, both.imag = face.swapaxes(0, 1), ground.swapaxes(0, 1)
    return Tables(curves.grid, low, (high - low) / (rows - 1), both)


def look_up(
    tables: Tables, of: NDArray[np.int_], log_a: Floats, xi: Singles
) -> tuple[Singles, Singles, Singles]:
    """F and G by turns, their slopes by log a at constant xi, and by steps of xi; each (n, 2J).

    `of` (n,) numbers the table of each cut.
    """
    rows = tables.curves.shape[1]
    step = tables.log_step[of]
    k = np.clip((log_a - tables.log_a0[of]) / step, 0, rows - 1.001)
    k0 = k.astype(np.intp)
    fk = (k - k0).astype(np.float32)[:, None]
    count = len(tables.grid.xi)
    position = xi * np.float32(1.0 / tables.grid.step)
    position -= np.float32(tables.grid.xi[0] / tables.grid.step)
    np.clip(position, 0, np.float32(count - 1.001), out=position)
    whole = np.floor(position)
    position -= whole
    at = whole.astype(np.intp)
    # F and G side by side as they come: real numbers are multiplied far faster than complex ones.
    fi = twice(position)
    at += (count * (rows * of + k0))[:, None]
    curves = tables.curves.ravel()

    def taken(places: NDArray[np.intp]) -> Singles:
        return curves.take(places).view(np.float32)

    low, low_rise = taken(at), taken(at + 1)
    at += count
    tilt, high_rise = taken(at), taken(at + 1)
    low_rise -= low
    high_rise -= tilt
    low += fi * low_rise
    tilt += fi * high_rise
    tilt -= low
    high_rise -= low_rise
    high_rise *= fk
    low_rise += high_rise
    low += fk * tilt
    tilt *= (1.0 / step).astype(np.float32)[:, None]
    return low, tilt, low_rise


def twice(values: Singles) -> Singles:
    """Each value of every row (n, J) two times over, (n, 2J); many times faster than repeat."""
    out = np.empty((*values.shape, 2), np.float32)
    out[..., 0] = values
    out[..., 1] = values
    return out.reshape(len(values), -1)
