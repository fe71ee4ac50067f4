"""Whether mean profiles are those of ink in the plane: two soft edges and nothing else.

A look ahead of the fit of the light: without shading a profile is p + q (Phi((u - l) / s) -
Phi((u - r) / s)), in closed form, so that a few Gauss-Newton steps tell how much of it that leaves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.clipped import clipped
from measure.normal_curve import step_and_bell

Floats = NDArray[np.float64]

_STEPS: Final = 6
_CORE: Final = 0.5
"""Half widths about the middle that surely are strand."""
_STILL: Final = 1e-6
_SETTLED: Final = 1e-3
"""Step, in 0.3 half widths and in log s, after which nothing changes that counts."""


@dataclass(frozen=True)
class FlatEdges:
    """Profiles' edges as ink would have them."""

    log_half_width: Floats
    """(n,)"""
    middle_mm: Floats
    """(n,)"""
    left_over: float
    """Weighted sum of the squared residuals over all samples and channels."""


def flat_edges(
    u: Floats, y: Floats, w: Floats, level: Floats, blur: Floats, log_a: Floats, u0: Floats
) -> FlatEdges:
    """Edges of n profiles `y` (n, J, C) at `u` (n, J) with weights `w` (n, J), zero where padded.

    `level` (n, C) is the bare ground, `blur` (n,) the camera's; `log_a`, `u0` (n,) say roughly
    where the edges are.
    """
    half = np.exp(log_a)
    core = w * (np.abs(u - u0[:, None]) < _CORE * half[:, None])
    colour = np.einsum("nj,njc->nc", core, y) / np.maximum(core.sum(axis=1), _STILL)[:, None]
    way = colour - level
    # Channels put together as they tell strand from ground: 0 there, 1 here.
    way /= np.maximum((way**2).sum(axis=1), _STILL)[:, None]
    shown = np.einsum("njc,nc->nj", y - level[:, None], way)
    edges = np.stack([_crossing(shown, u, w, u0, side) for side in (-1.0, 1.0)], axis=1)
    log_s = np.log(np.maximum(blur, _STILL))
    for _ in range(_STEPS):
        face, slopes, linear = _curves(u, edges, log_s)
        size = _solved(linear, w, shown[..., None])[..., 0]
        rest = shown - size[:, :1] - size[:, 1:] * face
        basis = np.concatenate([slopes * size[:, 1, None, None], linear], axis=2)
        step = _solved(basis, w, rest[..., None])[..., 0]
        farthest = 0.3 * half[:, None]
        edges += clipped(step[:, :2], -farthest, farthest)
        log_s += clipped(step[:, 2], -0.7, 0.7)
        if np.abs(step[:, :2] / farthest).max() < _SETTLED and np.abs(step[:, 2]).max() < _SETTLED:
            break
    _, _, linear = _curves(u, edges, log_s)
    rest_of_all = y - linear @ _solved(linear, w, y)
    left_over = float(np.einsum("nj,njc->", w, rest_of_all**2))
    width = np.maximum(edges[:, 1] - edges[:, 0], 1e-3 * half)
    return FlatEdges(np.log(0.5 * width), edges.mean(axis=1), left_over)


def _curves(u: Floats, edges: Floats, log_s: Floats) -> tuple[Floats, Floats, Floats]:
    """A strand's face (n, J), its slopes by both edges and by log s (n, J, 3), one and the face."""
    s = np.exp(log_s)[:, None]
    left, right = (u - edges[:, :1]) / s, (u - edges[:, 1:]) / s
    (from_left, at_left), (from_right, at_right) = step_and_bell(left), step_and_bell(right)
    face = from_left - from_right
    slopes = np.stack([-at_left / s, at_right / s, at_right * right - at_left * left], axis=2)
    return face, slopes, np.stack([np.ones_like(face), face], axis=2)


def _solved(basis: Floats, w: Floats, target: Floats) -> Floats:
    """Weighted least squares of every profile: basis (n, J, k), targets (n, J, q); (n, k, q)."""
    weighted = (basis * w[..., None]).transpose(0, 2, 1)
    gram, onto = weighted @ basis, weighted @ target
    scale = np.einsum("nkk->nk", gram).max(axis=1)[:, None, None] + _STILL
    gram += _STILL * scale * np.eye(gram.shape[1])
    return np.asarray(np.linalg.solve(gram, onto))


def _crossing(shown: Floats, u: Floats, w: Floats, u0: Floats, side: float) -> Floats:
    """Where each profile first falls to one half on one side of its middle, (n,)."""
    away = np.where(w > 0, side * (u - u0[:, None]), -1.0)
    below = np.where((away > 0) & (shown < 0.5), away, np.inf)
    at = below.min(axis=1)
    most = away.max(axis=1)
    return np.asarray(u0 + side * np.where(np.isfinite(at), at, most))
