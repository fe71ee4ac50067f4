"""Blurred curves of one light for a range of half widths, laid out to be looked up."""

from __future__ import annotations

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
class Table:
    """Blurred curves over log half width and xi, F as real and G as imaginary part."""

    grid: Grid
    log_a0: float
    log_step: float
    curves: NDArray[np.complex64]
    """(k, count of the grid): one look-up serves both curves."""


def make_table(
    curves: Curves, half_width_mm: tuple[float, float], blur_mm: float, softness: float
) -> Table:
    """Tables from the least to the largest half width; `softness` is the rim's, in half widths."""
    low, high = np.log(half_width_mm)
    logs = np.linspace(low, high, max(2, 1 + int(np.ceil((high - low) / _TABLE_STEP))))
    face, ground = blur_curves(curves, np.hypot(blur_mm / np.exp(logs), softness))
    return Table(
        curves.grid,
        float(low),
        float(logs[1] - logs[0]),
        (face + 1j * ground).astype(np.complex64),
    )


def look_up(table: Table, log_a: Floats, xi: Singles) -> tuple[Singles, Singles, Singles]:
    """F and G by turns, their slopes by log a at constant xi, and by steps of xi; each (n, 2J)."""
    k = np.clip((log_a - table.log_a0) / table.log_step, 0, len(table.curves) - 1.001)
    k0 = k.astype(np.intp)
    fk = (k - k0).astype(np.float32)[:, None]
    count = len(table.grid.xi)
    position = xi * np.float32(1.0 / table.grid.step)
    position -= np.float32(table.grid.xi[0] / table.grid.step)
    np.clip(position, 0, np.float32(count - 1.001), out=position)
    whole = np.floor(position)
    position -= whole
    at = whole.astype(np.intp)
    # F and G side by side as they come: real numbers are multiplied far faster than complex ones.
    fi = twice(position)
    at += k0[:, None] * count
    curves = table.curves.ravel()

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
    tilt *= np.float32(1.0 / table.log_step)
    return low, tilt, low_rise


def twice(values: Singles) -> Singles:
    """Each value of every row (n, J) two times over, (n, 2J); many times faster than repeat."""
    out = np.empty((*values.shape, 2), np.float32)
    out[..., 0] = values
    out[..., 1] = values
    return out.reshape(len(values), -1)
