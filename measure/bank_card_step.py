"""How light changes across a bank card's edge, and where the edge lies by it.

Nothing is supposed of the card's face but that it is even over the half millimetre behind its
edge. Outside lies paper whose light is known: it is darker beside the card, as a wall as high as
the card is thick takes away part of the sky (1 - a (1 - d / sqrt(d^2 + h^2)), a = 1/2 under an
even sky), lamps may throw soft shadows on it, and it keeps its colour in all of that, which a
card's face hardly has. Distances d are in mm, outwards of a line near the edge; light is a share
of bare paper's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr

from measure.results import Floats

INNER_MM: Final = 0.5
"""How far behind an edge the face is looked at, besides what the blur takes, and"""
OUTER_MM: Final = 1.8
"""how far before it the paper is."""

_MOST_OFF_MM: Final = 0.3
_MOST_U_MM: Final = 0.08
_PIXELS: Final = 400
"""Of one piece; more add nothing to what the card's own straightness allows."""

_SHADE_SD: Final = 0.25
_SHADOW_SD: Final = 0.15
_PENUMBRAS_MM: Final = ((0.25, 0.2), (0.5, 0.2), (0.85, 0.3))
"""Reach and softness of shadows on the paper; mixed, they stand for any soft one.

Softer than a picture's edges are: of a black card's edge and a shadow's the sharper is the card's.
"""

_WALL: Final = (0.5, 0.3)


@dataclass(frozen=True, eq=False)
class Optics:
    """What is known of a side's step before it is fitted."""

    sigma_mm: float
    height_mm: float
    lifted_mm: float
    """How far the face's edge is seen outside the outline; less than 0: inside, wall showing."""


@dataclass(frozen=True, eq=False)
class Pixels:
    """The pixels of one piece of a side."""

    d_mm: Floats
    """(n,) outside of the side's line."""
    share: Floats
    """(n, channels)"""
    printed: Floats
    """(n,)"""


@dataclass(frozen=True, eq=False)
class Fitted:
    """One piece of an outline as fitted."""

    off_mm: float
    """Where the outline lies outside of the line,"""
    u_mm: float
    """and the noise of that."""
    left_over: Floats
    """(20,) mean residual by distance from inside to outside, share of the paper's light."""
    shadow: float
    """Share of the paper's light that lamps' shadows take in this fit."""


def evidence(profiles: Floats, d_bins: Floats, optics: Optics, e: float) -> Floats:
    """How much better (p,) a card's edge at `e` explains profiles than a smooth change does.

    And what it leaves over (p,), mean square: (2, p).
    """
    inner = INNER_MM + 2 * optics.sigma_mm
    within = (d_bins > e - inner) & (d_bins < e + OUTER_MM)
    d, seen = d_bins[within], profiles[:, within]
    columns, fixed = step_columns(d, e, optics, seen.shape[2])
    flat = (seen - fixed[None, :, None]).transpose(0, 2, 1).reshape(len(seen), -1)
    q = np.linalg.qr(columns)[0]
    with_edge = np.sum(flat**2, axis=1) - np.sum((flat @ q) ** 2, axis=1)
    smooth = np.linalg.qr(np.vander((d - e) / OUTER_MM, 4))[0]
    rest = seen - np.einsum("ij,pjc->pic", smooth @ smooth.T, seen)
    floor = 0.012**2 * flat.shape[1]
    better = (np.sum(rest**2, axis=(1, 2)) - with_edge) / (with_edge + floor)
    return np.stack([better, with_edge / flat.shape[1]])


def step_columns(
    d: Floats, e: float, optics: Optics, channels: int, printed: Floats | float = 1.0
) -> tuple[Floats, Floats]:
    """Design (channels * n, m) of a side's step at `e` and the part (n,) that is not fitted.

    `printed` (n,) is the light of what the card lies on, bare paper 1.

    Columns: the face's light by channel, the wall's by channel where it shows, the sky that the
    card takes from the paper. The bare paper's light is 1. The face is taken to be even: where
    it could have a slope, a soft shadow would pass for it.
    """
    s = optics.sigma_mm
    face_at, seen_at = e + optics.lifted_mm, e + max(optics.lifted_mm, 0.0)
    outside = ndtr((d - seen_at) / s)
    face = ndtr((face_at - d) / s)
    own = [face]
    if optics.lifted_mm < 0:
        own.append(1 - outside - face)
    outside = outside * printed
    # What the blur mixes in is the light a little further out: the mean place of that paper.
    z = np.maximum((d - seen_at) / s, -6.0)
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    beside = np.maximum(seen_at - e + s * (z + bell / np.maximum(ndtr(z), 1e-12)), 0.0)
    shared = [-outside * (1 - beside / np.hypot(beside, optics.height_mm))]
    shared += [
        -outside * ndtr((e + reach - d) / np.hypot(soft, s)) for reach, soft in _PENUMBRAS_MM
    ]
    count = len(own)
    columns = np.zeros((channels * len(d), channels * count + len(shared)))
    for c in range(channels):
        rows = slice(c * len(d), (c + 1) * len(d))
        columns[rows, c * count : (c + 1) * count] = np.stack(own, axis=1)
        columns[rows, channels * count :] = np.stack(shared, axis=1)
    return columns, outside


def fit_piece(pixels: Pixels, optics: Optics) -> Fitted | None:
    """One piece of an outline, or None where it is not clear."""
    d, share, printed = pixels.d_mm, pixels.share, pixels.printed
    inner = INNER_MM + 2 * optics.sigma_mm
    used = (d > -inner) & (d < OUTER_MM)
    if np.count_nonzero(used) < 24:
        return None
    some = np.flatnonzero(used)
    if len(some) > _PIXELS:
        some = some[np.linspace(0, len(some) - 1, _PIXELS).astype(np.intp)]
    d, share, printed = d[some], share[some], printed[some]
    channels = share.shape[1]
    e, rms, u = 0.0, 0.02, np.inf
    for _turn in range(6):
        columns, fixed = step_columns(d, e, optics, channels, printed)
        wanted = (share - fixed[:, None]).T.ravel()
        held, toward = _held(columns.shape[1], channels, optics, rms)
        levels = _levels(columns, wanted, held, toward)
        model = columns @ levels + np.tile(fixed, channels)
        step = 0.01
        moved, moved_fixed = step_columns(d, e + step, optics, channels, printed)
        slope = (moved @ levels + np.tile(moved_fixed, channels) - model) / step
        design = np.column_stack([columns, slope])
        held = np.column_stack([held, np.zeros(len(held))])
        residual = share.T.ravel() - model
        # A mark on the card or a crumb beside it counts no more than a few sigmas.
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-4)
        weight = np.minimum(1.0, 3 * scale / np.maximum(np.abs(residual), 1e-9))
        root = np.sqrt(weight)[:, None]
        rms = max(float(np.sqrt(np.mean(weight * residual**2))), 0.003)
        whole = np.concatenate([design * root, held])
        normal = whole.T @ whole
        target = np.concatenate([(wanted + 0.0) * root[:, 0], toward])
        try:
            solution = np.linalg.solve(normal, whole.T @ target)
            variance = np.linalg.inv(normal)[-1, -1]
        except np.linalg.LinAlgError:
            return None
        change = float(np.clip(solution[-1], -0.12, 0.12))
        e += change
        u = rms * float(np.sqrt(max(variance, 0.0)))
        if abs(change) < 2e-4:
            break
    if not (u < _MOST_U_MM and abs(e) < _MOST_OFF_MM and rms < 0.15):
        return None
    at = np.clip((d + inner) / (inner + OUTER_MM) * 20, 0, 19.9).astype(np.intp)
    count = np.maximum(np.bincount(at, minlength=20), 1)
    rest = np.bincount(at, residual.reshape(channels, -1).mean(axis=0), 20) / count
    return Fitted(e, u, rest, float(np.sum(np.abs(levels[-len(_PENUMBRAS_MM) :]))))


def _levels(columns: Floats, wanted: Floats, held: Floats, toward: Floats) -> Floats:
    """Least-squares levels (m,), by normal equations: the held rows keep them solvable."""
    normal = columns.T @ columns + held.T @ held
    normal[np.diag_indices_from(normal)] += 1e-9 * len(columns)
    return np.asarray(np.linalg.solve(normal, columns.T @ wanted + held.T @ toward))


def _held(columns: int, channels: int, optics: Optics, noise: float) -> tuple[Floats, Floats]:
    """Rows and values that hold what a narrow wall or a bright face leaves open."""
    rows: list[Floats] = []
    values: list[float] = []

    def hold(column: int, value: float, sd: float) -> None:
        row = np.zeros(columns)
        row[column] = noise / sd
        rows.append(row)
        values.append(value * noise / sd)

    shared = 1 + len(_PENUMBRAS_MM)
    own = (columns - shared) // channels
    if own == 2:
        for c in range(channels):
            hold(c * own + 1, *_WALL)
    hold(channels * own, 0.4, _SHADE_SD)
    for k in range(1, shared):
        hold(channels * own + k, 0.0, _SHADOW_SD)
    return np.array(rows), np.array(values)
