"""Markers whose places are foretold: which of them are there, and how far they lie off.

A marker's modules are a pattern that nothing else shows. Where a view of the card foretells it
(the picture before, or the markers found so far) a few hundred pixels tell whether it is there
and how far it has moved; nothing need be searched.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.card import CARDS, MARKER_MODULES, Card, marker_modules
from measure.results import Floats

_ALIKE: Final = 0.6
"""Correlation of pixels with the modules printed from which it is that marker."""

_LEAST_CONTRAST: Final = 8.0 / 255.0

_WIDE: Final = np.stack(np.meshgrid(*[np.arange(-3, 4) * 0.5] * 2), axis=-1).reshape(-1, 2)
"""Shifts tried at first, in modules."""
_MIDDLES: Final = np.stack(
    np.meshgrid(*[np.arange(MARKER_MODULES) - (MARKER_MODULES - 1) / 2] * 2), axis=-1
).reshape(-1, 2)
"""Middles of a marker's modules about its own, in modules."""
_LINE: Final = np.arange(-4, 5) * 0.2
_CROSS: Final = np.concatenate(
    [np.stack([_LINE, 0 * _LINE], axis=1), np.stack([0 * _LINE, _LINE], axis=1)]
)
"""Shifts tried then: along the marker's rows, and along its columns."""
_LEADERS: Final = 8
"""Markers that show how the card has moved."""


def match_markers(
    pixels: NDArray[Any], card: Card, foretold_px: Floats
) -> tuple[NDArray[np.intp], Floats]:
    """Which of a card's markers lie within some 1.5 modules of their foretold corners.

    `foretold_px` (m, 4, 2) holds the corners of all the card's markers. Gives the indices (n,)
    of those that do and their corners (n, 4, 2), good to a tenth of a module.
    """
    height, width = pixels.shape[:2]
    inside = np.all((foretold_px >= 0) & (foretold_px <= [width - 1, height - 1]), axis=(1, 2))
    chosen = np.nonzero(inside)[0]
    if not len(chosen):
        return chosen, np.empty((0, 4, 2))
    corners = foretold_px[chosen]
    pattern = _patterns(card.kind, card.edition)[chosen]
    some = np.unique(np.linspace(0, len(chosen) - 1, _LEADERS).astype(np.intp))
    for leaders in (some, np.arange(len(chosen))):
        axes, places = _modules_px(corners[leaders])
        scores = _correlation(pixels, places, _WIDE @ axes, pattern[leaders])
        alike = scores.max(axis=1) >= _ALIKE
        if np.count_nonzero(alike) >= min(3, len(chosen)):
            break
    else:
        return chosen[:0], corners[:0]
    shift_px = (_WIDE[scores.argmax(axis=1)][:, None] @ axes)[:, 0]
    middles = corners[leaders].mean(axis=1)
    corners = corners + _carried(middles[alike], shift_px[alike], corners)
    axes, places = _modules_px(corners)
    scores = _correlation(pixels, places, _CROSS @ axes, pattern)
    there = scores.max(axis=1) >= _ALIKE
    # Pixels within a module are alike, so the best places form a plateau: its middle counts.
    weight = np.maximum(scores - 0.7 * scores.max(axis=1, keepdims=True), 0.0)
    moved = np.stack(
        [
            np.sum(part * _LINE, axis=1) / np.maximum(part.sum(axis=1), 1e-9)
            for part in np.split(weight, 2, axis=1)
        ],
        axis=1,
    )
    return chosen[there], (corners + moved[:, None] @ axes)[there]


def _modules_px(corners: Floats) -> tuple[Floats, Floats]:
    """One module to the right and down (n, 2, 2), and middles of all modules (n, 64, 2), px."""
    right = (corners[:, 1] - corners[:, 0] + corners[:, 2] - corners[:, 3]) / (2 * MARKER_MODULES)
    down = (corners[:, 3] - corners[:, 0] + corners[:, 2] - corners[:, 1]) / (2 * MARKER_MODULES)
    axes = np.stack([right, down], axis=1)
    return axes, corners.mean(axis=1)[:, None] + _MIDDLES @ axes


def _carried(places: Floats, shifts: Floats, to: Floats) -> Floats:
    """Shifts (..., 2) of points `to` by the turn, growth and shift that fits (n, 2) at places."""
    if len(places) < 3:
        return np.broadcast_to(np.median(shifts, axis=0), to.shape)
    middle = places.mean(axis=0)
    (x, y), one, none = (places - middle).T, np.ones(len(places)), np.zeros(len(places))
    design = np.concatenate(
        [np.stack([x, -y, one, none], axis=1), np.stack([y, x, none, one], axis=1)]
    )
    a, b, right, down = np.linalg.lstsq(design, shifts.T.ravel(), rcond=None)[0]
    away = to - middle
    return np.stack(
        [
            a * away[..., 0] - b * away[..., 1] + right,
            b * away[..., 0] + a * away[..., 1] + down,
        ],
        axis=-1,
    )


def _correlation(pixels: NDArray[Any], places: Floats, shifts: Floats, pattern: Floats) -> Floats:
    """Correlation (n, k) of the pixels at places (n, p, 2) moved by shifts (n, k, 2).

    With patterns (n, p) of zero mean and unit length.
    """
    values = _values(pixels, places, shifts)
    count = pattern.shape[1]
    product = (values @ pattern[:, :, None].astype(np.float32))[:, :, 0]
    ones = np.ones((count, 1), np.float32)
    total = (values @ ones)[:, :, 0]
    spread2 = (np.square(values) @ ones)[:, :, 0] - total**2 / count
    floor2 = np.float32(count * (_LEAST_CONTRAST / 2) ** 2)
    return np.asarray(product / np.sqrt(np.maximum(spread2, floor2)), np.float64)


def _values(pixels: NDArray[Any], places: Floats, shifts: Floats) -> NDArray[np.float32]:
    """Green (n, k, p), 0..1, of the pixels nearest to places (n, p, 2) moved by (n, k, 2)."""
    height, width = pixels.shape[:2]
    index = np.zeros((len(places), shifts.shape[1], places.shape[1]), np.int32)
    for axis, (size, stride) in enumerate(((width, 1), (height, width))):
        start = places[:, None, :, axis].astype(np.float32) + np.float32(0.5)
        at = (start + shifts[:, :, None, axis].astype(np.float32)).astype(np.int32)
        index += np.clip(at, 0, size - 1, out=at) * np.int32(stride)
    if pixels.ndim == 3:
        index *= np.int32(3)
        index += np.int32(1)
    full = np.float32(np.iinfo(pixels.dtype).max)
    return np.take(pixels.reshape(-1), index).astype(np.float32) / full


@lru_cache(maxsize=8)
def _patterns(kind: str, edition: int) -> Floats:
    """Modules (m, 64) of a card's markers, paper positive, of zero mean and unit length."""
    card = next(c for c in CARDS if (c.kind, c.edition) == (kind, edition))
    paper = np.array([~marker_modules(m.number) for m in card.markers], float)
    paper = paper.reshape(len(card.markers), -1)
    paper -= paper.mean(axis=1, keepdims=True)
    out: Floats = paper / np.linalg.norm(paper, axis=1, keepdims=True)
    out.setflags(write=False)
    return out
