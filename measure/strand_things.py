"""Connected things in a region laid flat, followed column by column all at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.medians import medians_of_parts

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Mask = NDArray[np.bool_]
Whole = NDArray[np.int_]

_OF_ITS_DEPTH: Final = np.float32(0.35)


@dataclass(frozen=True, eq=False)
class Things:
    """Connected things, none with a gap between its columns: t things of m columns of n cells.

    Columns stand thing by thing, from left to right; cells column by column, downwards.
    """

    first: Whole
    """(t + 1,) where each thing's columns begin, and where the last one's end."""
    owner: Whole
    """(m,) the thing of each column,"""
    column: Whole
    """(m,) its place in the region,"""
    start: Whole
    """(m + 1,) where its cells begin, and where the last one's end,"""
    top: Whole
    """(m,) its uppermost row,"""
    span: Whole
    """(m,) rows from there to its lowest one,"""
    filled: Whole
    """(m,) and how many of those are the thing's."""
    cells: Whole
    """(n,) places in the raveled region."""

    def __len__(self) -> int:
        return len(self.first) - 1

    def columns_of(self, thing: int) -> slice:
        """Where a thing's columns are."""
        return slice(int(self.first[thing]), int(self.first[thing + 1]))

    def cells_of(self, thing: int) -> slice:
        """Where a thing's cells are."""
        columns = self.columns_of(thing)
        return slice(int(self.start[columns.start]), int(self.start[columns.stop]))

    def medians(self, values: NDArray[np.generic]) -> Floats:
        """Median (t,) over each thing's columns of values (m,)."""
        return medians_of_parts(values, self.first)

    def count(self, marked: Mask) -> Whole:
        """How many (t,) of each thing's columns (m,) are marked."""
        return np.bincount(self.owner[marked], minlength=len(self))


def find_things(mask: NDArray[np.uint8], strength: Singles, shortest: int) -> Things:
    """What is connected in a mask (R, K) and shows in at least `shortest` columns.

    Each is cut back to what has at least a third of its own depth: shadows fade out over many
    radii, and without this a strand's would reach the lane's edge or its neighbour's.
    """
    rough = _connected(mask, shortest)
    if not len(rough):
        return rough
    own = strength.take(rough.cells)
    depth = rough.medians(np.maximum.reduceat(own, rough.start[:-1])).astype(np.float32)
    limit = (_OF_ITS_DEPTH * depth)[rough.owner]
    deep = rough.cells[own > np.repeat(limit, rough.filled)]
    out = np.zeros_like(mask)
    out.reshape(-1)[deep] = 1
    return _connected(out, shortest)


def _connected(mask: NDArray[np.uint8], shortest: int) -> Things:
    """What is connected in a mask and shows in at least `shortest` columns."""
    _, above, _, rows = cv2.boundingRect(mask)
    # OpenCV's time grows with the empty rows too. Turned over, cells come column by column.
    turned = np.asarray(cv2.transpose(mask[above : above + max(rows, 1)]))
    at = np.flatnonzero(turned.view(np.bool_))
    count, labels = cv2.connectedComponents(turned, connectivity=8)
    # NumPy sorts short whole numbers ten times as fast.
    short = np.uint16 if count <= 0xFFFF else np.int32
    label: NDArray[np.integer[Any]] = np.asarray(labels, np.int32).take(at).astype(short)
    order = np.argsort(label, kind="stable")
    at, label = at[order], label[order]
    column = at // turned.shape[1]
    row = at - turned.shape[1] * column + above
    start = np.flatnonzero(_begins(label, column))
    first = np.flatnonzero(_begins(label[start]))
    filled, columns = _lengths(start, len(at)), _lengths(first, len(start))
    kept = columns >= shortest
    if not kept.all():
        own = np.repeat(kept, columns)
        cells = np.repeat(own, filled)
        row, column = row[cells], column[cells]
        filled, columns = filled[own], columns[kept]
        start, first = np.cumsum(filled) - filled, np.cumsum(columns) - columns
    top, bottom = row[start], row[start + filled - 1]
    return Things(
        first=np.append(first, len(start)),
        owner=np.repeat(np.arange(len(first)), columns),
        column=column[start],
        start=np.append(start, len(row)),
        top=top,
        span=bottom + 1 - top,
        filled=filled,
        cells=row * mask.shape[1] + column,
    )


def _begins(*keys: NDArray[np.integer[Any]]) -> Mask:
    """Marks (n,) where any of the keys (n,) is not what it was before."""
    out = np.ones(len(keys[0]), bool)
    out[1:] = False
    for key in keys:
        out[1:] |= key[1:] != key[:-1]
    return out


def _lengths(start: Whole, end: int) -> Whole:
    """How far it is from each start (n,) to the next, and from the last to the end."""
    out = np.empty_like(start)
    np.subtract(start[1:], start[:-1], out=out[:-1])
    out[-1:] = end - start[-1:]
    return out
