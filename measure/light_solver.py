"""The light's fit to padded mean profiles: model, slopes and normal equations.

Brightness is linear in the model and solved for in closed form at every step (variable
projection, Golub and Pereyra 1973).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.beside import Others, left_of_light
from measure.shading import BY_SIGMA, Aspect, blur_with_slopes, light_up, outline

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_WIDTH_TIE: Final = 0.01
"""Relative difference of an even strand's width between its grounds."""
_PLACE_TIE: Final = 0.06
"""Difference of one strand's middle between its grounds, in half widths."""
LEVEL_TIE: Final = 0.08
"""Relative freedom of the ground's brightness."""
LEAST_BRIGHT: Final = 1e-3
"""Weight that holds a strand's brightness to none where nothing shows it."""
_FREE_SD: Final = 0.6
"""How much of the light a strand lying there does not shade: none, but for flat drawings."""

# Middle, spread, low and high of sky, lamp, lean, softness, near share, scatter, bounce and a rim's
# rise, softness, halo, halo length and shade: assumptions of ours, only for where data do not tell.
LIGHT_PRIOR: Final = np.array(
    [
        [0.45, 0.6, 0.0, 1.0],
        [0.25, 0.6, 0.0, 1.0],
        [0.0, 1.2, -3.0, 3.0],
        [0.30, 0.3, 0.02, 2.0],
        [0.60, 0.3, 0.1, 1.2],
        [0.10, 0.2, 0.0, 1.0],
        [0.95, 0.15, 0.0, 1.3],
    ]
)
RIM_PRIOR: Final = np.array(
    [
        [1.02, 0.04, 0.95, 2.5],
        [0.04, 0.08, 0.005, 0.6],
        [0.0, 0.05, 0.0, 0.6],
        [0.5, 0.3, 0.15, 3.0],
        [0.0, 0.3, -1.2, 1.2],
    ]
)
LIGHT_COUNT: Final = len(LIGHT_PRIOR)
_SOFTNESS: Final = 3
"""Place of the shadow's softness among the light's figures."""
RIM_COUNT: Final = len(RIM_PRIOR)
_LOCAL: Final = LIGHT_COUNT + RIM_COUNT + 2
"""Figures one profile depends on: light, rim, log half width, middle."""


@dataclass(frozen=True)
class Point:
    """A trial: light (7,), rims (strands, 5), log half widths and middles (profiles,)."""

    light: Floats
    rim: Floats
    log_a: Floats
    u0: Floats


@dataclass(frozen=True)
class Packed:
    """Profiles padded to one length; profiles of one strand on one ground make a group."""

    strand: NDArray[np.int_]
    u: Floats
    y: Floats
    w: Floats
    level: Floats
    level_mean: Floats
    """(n,) over channels."""
    level_known: Floats
    """(n, C, 2, 2) what is known of S and g beforehand, and"""
    level_aim: Floats
    """(n, C, 2) that times what it says: of the ground, its level as read where it is bare."""
    blur: Floats
    seen: Aspect
    others: Others | None
    """(n, J) each, what other strands do to the ground; None without any."""
    no_ground: bool
    energy: float
    """Weighted sum of the squared samples, levels among them."""
    uneven: Floats
    """(n,) how much thicker, log, the strand itself is there than on all its grounds."""
    u_uneven: Floats
    own: Floats
    """(n, 14, p) which of a point's figures each profile depends on."""
    ties: Floats
    """(q, p) slopes of the departures from what is likely beforehand, in units of their spread."""
    tied_to: Floats
    """(q,) what they depart from."""
    tied: Floats
    """(p, p) normal equations of the ties."""


def figures_of(strand: NDArray[np.int_], strands: int) -> Floats:
    """Which of a point's figures each profile depends on, as ones in (n, 14, p)."""
    n, first = len(strand), LIGHT_COUNT + RIM_COUNT * strands
    own = np.zeros((n, _LOCAL, first + 2 * n))
    light, rim, rows = np.arange(LIGHT_COUNT), np.arange(RIM_COUNT), np.arange(n)
    own[:, light, light] = 1.0
    own[rows[:, None], LIGHT_COUNT + rim, LIGHT_COUNT + RIM_COUNT * strand[:, None] + rim] = 1.0
    own[rows, -2, first + rows] = 1.0
    own[rows, -1, first + n + rows] = 1.0
    return own


def ties_of(
    strand: NDArray[np.int_],
    strands: int,
    half_width_mm: Floats,
    uneven: Floats,
    u_uneven: Floats,
    prior: Floats,
) -> tuple[Floats, Floats]:
    """What is likely beforehand, as departures `ties` (q, p) @ figures - `tied_to` (q,).

    In units of their spread: light and rims near what is usual, little light that nothing shades,
    one width and one place of a strand on all its grounds, but for its own thick and thin places.
    """
    n, first = len(strand), LIGHT_COUNT + RIM_COUNT * strands
    ties = np.zeros((1 + first + 2 * n, first + 2 * n))
    tied_to = np.zeros(len(ties))
    middle = np.concatenate([prior[:, 0], np.tile(RIM_PRIOR[:, 0], strands)])
    spread = np.concatenate([prior[:, 1], np.tile(RIM_PRIOR[:, 1], strands)])
    own = np.arange(first)
    ties[own, own], tied_to[:first] = 1.0 / spread, middle / spread
    ties[first, :2], tied_to[first] = -1.0 / _FREE_SD, -1.0 / _FREE_SD
    for number in range(strands):
        mine = first + np.nonzero(strand == number)[0]
        if len(mine) < 2:
            continue
        centred = np.eye(len(mine)) - 1.0 / len(mine)
        half = float(half_width_mm[strand == number].mean())
        width_tie = np.hypot(_WIDTH_TIE, float(u_uneven[strand == number].max()))
        ties[np.ix_(1 + mine, mine)] = centred / width_tie
        tied_to[1 + mine] = centred @ uneven[strand == number] / width_tie
        ties[np.ix_(1 + n + mine, n + mine)] = centred / (_PLACE_TIE * half)
    return ties, tied_to


def within(lights: Floats) -> Floats:
    """Light rows (m, 7) with sky and lamp held to a sum of at most one."""
    total = np.maximum(lights[:, :1] + lights[:, 1:2], 1.0)
    return np.concatenate([lights[:, :2] / total, lights[:, 2:]], axis=1)


@dataclass(frozen=True)
class _Trials:
    """m points side by side: light (m, 7), rims of every profile (m, n, 5), log half widths and
    middles (m, n)."""

    light: Floats
    rims: Floats
    log_a: Floats
    u0: Floats


def _basis(packed: Packed, trials: _Trials) -> Singles:
    """F, G, and the slopes of each by the figures a profile depends on, (m, n, 2, 15, J)."""
    m, n = trials.log_a.shape
    k = m * n
    rims = trials.rims.reshape(k, -1)
    a = np.exp(trials.log_a)
    narrow = (packed.blur / a).ravel()
    sigma = np.hypot(narrow, rims[:, 1])
    lights = np.repeat(within(trials.light), n, axis=0)
    softer = np.exp(rims[:, 4])
    lights[:, _SOFTNESS] *= softer
    lit = light_up(
        lights,
        rims[:, 0],
        packed.seen.times(m),
        np.concatenate([packed.level_mean] * m),
        packed.no_ground,
        slopes=True,
    )
    curves = blur_with_slopes(outline(lit, rims), sigma)
    xi = ((packed.u - trials.u0[..., None]) / a[..., None]).astype(np.float32).reshape(k, -1)
    grid = packed.seen.grid
    rows, count = curves.shape[2:]
    position = xi - np.float32(grid.xi[0])
    position *= np.float32(1.0 / grid.step)
    np.minimum(np.maximum(position, 0.0, out=position), count - 1.001, out=position)
    before = np.floor(position)
    at = before.astype(np.intp)
    position -= before
    index = at[:, None, None] + (count * np.arange(k * 2 * rows)).reshape(k, 2, rows, 1)
    flat = curves.ravel()
    first = flat.take(index)
    index += 1
    rise = flat.take(index)
    rise -= first
    out = np.empty((k, 2, rows + 3, xi.shape[1]), np.float32)
    value = np.multiply(position[:, None, None], rise, out=out[:, :, :rows])
    value += first
    # After the rows in a point's order: by a rim's shade, by log half width, by middle.
    by_sigma = value[:, :, BY_SIGMA].copy()
    value[:, :, BY_SIGMA] *= _single(rims[:, 1] / sigma)
    by_shade = value[:, :, 1 + _SOFTNESS]
    by_shade *= _single(softer)
    np.multiply(by_shade, _single(np.repeat(trials.light[:, _SOFTNESS], n)), out=out[:, :, -3])
    by_xi = rise[:, :, 0]
    by_sigma *= _single(-(narrow**2) / sigma)
    by_xi *= np.float32(-1.0 / grid.step)
    np.multiply(xi[:, None], by_xi, out=out[:, :, -2])
    out[:, :, -2] += by_sigma
    np.multiply(by_xi, _single(1.0 / a.ravel()), out=out[:, :, -1])
    out = out.reshape(m, n, *out.shape[1:])
    if packed.others is not None and not packed.no_ground:
        _dim(out[:, :, 1], trials.light, packed.others)
    return out


def _dim(ground: Singles, lights: Floats, others: Others) -> None:
    """The ground's curve and slopes (m, n, 15, J), in place, as other strands leave them."""
    left, slopes = left_of_light(within(lights)[:, None, None], others)
    bare = ground[:, :, 0].copy()
    ground *= left.astype(np.float32)[:, :, None]
    # Sky, lamp, lean and bounce, behind the curve itself.
    for row, slope in zip((1, 2, 3, 7), slopes, strict=True):
        ground[:, :, row] += bare * slope.astype(np.float32)


def _single(values: Floats) -> Singles:
    """A figure of every profile, (n, 1, 1)."""
    return values.astype(np.float32)[:, None, None]


@dataclass(frozen=True)
class State:
    """A point's cost, its normal equations and what its brightnesses came out as."""

    cost: float
    normal: Floats
    """(p, p) of the data alone, brightnesses projected out."""
    downhill: Floats
    """(p,)"""
    curves: Singles
    """(n, 2, J) F and G."""
    bright: Floats
    """(n, C, 2) S and g"""

    def rest(self, packed: Packed) -> Floats:
        """(n, J, C) what the fit leaves, relative to white."""
        return np.asarray(packed.y - (self.bright @ self.curves).swapaxes(1, 2))


def _inverses(two: Floats) -> Floats:
    """Of symmetric matrices (..., 2, 2), by Cramer's rule."""
    ff, fg, gg = two[..., 0, 0], two[..., 0, 1], two[..., 1, 1]
    out = np.empty_like(two)
    out[..., 0, 0], out[..., 1, 1] = gg, ff
    out[..., 0, 1] = out[..., 1, 0] = -fg
    out /= np.maximum(ff * gg - fg * fg, 1e-12)[..., None, None]
    return out


def evaluate(packed: Packed, points: Sequence[Point]) -> list[State]:
    """The states at m points; NumPy spends far less on many at a time than on each by itself.

    All is linear in S and g, so sums over samples of products of curves hold all there is to know
    whatever the channel.
    """
    m, n = len(points), len(packed.strand)
    trials = _Trials(
        np.array([point.light for point in points]),
        np.array([point.rim for point in points])[:, packed.strand],
        np.array([point.log_a for point in points]),
        np.array([point.u0 for point in points]),
    )
    basis = _basis(packed, trials)
    # Double: the cost is a small difference of large sums.
    flat = basis.reshape(m, n, -1, basis.shape[-1]).astype(float)
    weighted = flat * packed.w[:, None]
    size = _LOCAL + 1
    # (m, n, 2, 15, 2, 15), (m, n, 2, 15, C): F before G, each before its slopes.
    gram = (weighted @ flat.swapaxes(2, 3)).reshape(m, n, 2, size, 2, size)
    onto = (weighted @ packed.y).reshape(m, n, 2, size, -1)
    # Of every channel by itself: normal equations of S and g (m, n, C, 2, 2), and what they give.
    known = gram[:, :, None, :, 0, :, 0] + packed.level_known
    aim = onto[:, :, :, 0].swapaxes(2, 3) + packed.level_aim
    freed = _inverses(known)
    both = (freed @ aim[..., None])[..., 0]
    cost = packed.energy - (both * aim).sum(axis=(1, 2, 3))

    pairs = (both.swapaxes(2, 3) @ both).reshape(m, n, 1, 4)
    slopes = np.ascontiguousarray(gram[:, :, :, 1:, :, 1:].transpose(0, 1, 2, 4, 3, 5))
    normal = (pairs @ slopes.reshape(m, n, 4, -1)).reshape(m, n, _LOCAL, _LOCAL)
    # What each slope has in common with F and G, (14, 2) of every channel, a change of S and g
    # would make up for.
    across = np.ascontiguousarray(gram[:, :, :, 1:, :, 0]).reshape(m, n, 2, -1)
    common = (both @ across).reshape(m, n, -1, _LOCAL, 2)
    normal -= (common @ freed @ common.swapaxes(3, 4)).sum(axis=2)
    local = (onto[:, :, :, 1:] * both.transpose(0, 1, 3, 2)[:, :, :, None]).sum(axis=(2, 4))
    local -= (common @ both[..., None])[..., 0].sum(axis=2)

    own = packed.own
    figures = [np.concatenate([p.light, p.rim.ravel(), p.log_a, p.u0]) for p in points]
    departures = np.array(figures) @ packed.ties.T - packed.tied_to
    cost += (departures**2).sum(axis=1)
    normal = (own.transpose(0, 2, 1) @ normal @ own).sum(axis=1)
    downhill = (local[:, :, None] @ own)[:, :, 0].sum(axis=1) - departures @ packed.ties
    return [
        State(float(cost[i]), normal[i], downhill[i], basis[i, :, :, 0], both[i]) for i in range(m)
    ]
