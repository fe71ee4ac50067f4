"""The light's fit to padded mean profiles: model, slopes and descent.

Brightness is linear in the model and solved for in closed form at every step (variable
projection, Golub and Pereyra 1973); light, rims and edges are found by damped least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.beside import Others, left_of_light
from measure.shading import Aspect, blur_with_slopes, light_up, outline

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_WIDTH_TIE: Final = 0.01
"""Relative difference of an even strand's width between its grounds."""
_PLACE_TIE: Final = 0.06
"""Difference of one strand's middle between its grounds, in half widths."""
LEVEL_TIE: Final = 0.08
"""Relative freedom of the ground's brightness."""
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
_LEAST_GAIN: Final = 0.05
"""Gain in weighted squares that moves no figure by a quarter of its standard uncertainty."""
_LONGEST_STEP: Final = np.array([0.3, 0.3, 0.5, 0.2, 0.3, 0.3, 0.3])
"""Of each figure of the light: its slopes do not hold farther."""
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
    level_prior: Floats
    """(n, C) weight of the ground's level as read where it is bare."""
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


def _basis(packed: Packed, point: Point) -> Singles:
    """F, G, and the slopes of each by the figures a profile depends on, (n, 2, 15, J)."""
    n = len(point.log_a)
    rims = point.rim[packed.strand]
    a = np.exp(point.log_a)
    narrow = packed.blur / a
    sigma = np.hypot(narrow, rims[:, 1])
    lights = np.repeat(within(point.light[None]), n, axis=0)
    softer = np.exp(rims[:, 4])
    lights[:, _SOFTNESS] *= softer
    lit = light_up(
        lights,
        rims[:, 0],
        packed.seen,
        packed.level_mean,
        packed.no_ground,
        slopes=True,
    )
    curves = blur_with_slopes(outline(lit, rims), sigma)
    xi = ((packed.u - point.u0[:, None]) / a[:, None]).astype(np.float32)
    grid = packed.seen.grid
    count = len(grid.xi)
    position = (xi - float(grid.xi[0])) * (1.0 / grid.step)
    np.clip(position, 0, count - 1.001, out=position)
    at = position.astype(np.intp)
    share = position - at.astype(np.float32)
    rows = curves.shape[2]
    index = at[:, None, None] + (count * np.arange(n * 2 * rows)).reshape(n, 2, rows, 1)
    flat = curves.ravel()
    first = flat.take(index)
    index += 1
    rise = flat.take(index) - first
    out = np.empty((n, 2, rows + 3, xi.shape[1]), np.float32)
    # In the order of a point's figures: the rim's softness comes before halo and halo length.
    value = out[:, :, :rows]
    np.multiply(share[:, None, None], rise, out=value)
    value += first
    by_xi = rise[:, :, 0] / grid.step
    by_sigma = value[:, :, -1].copy()
    softness = LIGHT_COUNT + 2
    value[:, :, softness + 1 :] = value[:, :, softness:-1].copy()
    np.multiply(by_sigma, _single(rims[:, 1] / sigma), out=out[:, :, softness])
    by_shade = out[:, :, 1 + _SOFTNESS]
    by_shade *= _single(softer)
    np.multiply(by_shade, float(point.light[_SOFTNESS]), out=out[:, :, -3])
    np.multiply(xi[:, None], by_xi, out=out[:, :, -2])
    out[:, :, -2] += by_sigma * _single(narrow**2 / sigma)
    np.negative(out[:, :, -2], out=out[:, :, -2])
    np.multiply(by_xi, _single(-1.0 / a), out=out[:, :, -1])
    if packed.others is not None and not packed.no_ground:
        _dim(out[:, 1], point, packed.others)
    return out


def _dim(ground: Singles, point: Point, others: Others) -> None:
    """The ground's curve and slopes (n, 15, J), in place, as other strands leave them."""
    left, slopes = left_of_light(within(point.light[None])[0], others)
    bare = ground[:, 0].copy()
    ground *= left.astype(np.float32)[:, None]
    # Sky, lamp, lean and bounce, behind the curve itself.
    for row, slope in zip((1, 2, 3, 7), slopes, strict=True):
        ground[:, row] += bare * slope.astype(np.float32)


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
    strand: Floats
    """(n, C) S"""
    ground: Floats
    """(n, C) g"""

    def rest(self, packed: Packed) -> Floats:
        """(n, J, C) what the fit leaves, relative to white."""
        return np.asarray(
            packed.y
            - self.curves[:, 0, :, None] * self.strand[:, None]
            - self.curves[:, 1, :, None] * self.ground[:, None]
        )


def evaluate(packed: Packed, point: Point) -> State:
    """The state at a point.

    All is linear in S and g, so sums over samples of products of curves hold all there is to know
    whatever the channel.
    """
    n = len(point.log_a)
    basis = _basis(packed, point)
    # Double: the cost is a small difference of large sums.
    flat = basis.reshape(n, -1, basis.shape[3]).astype(float)
    weighted = flat * packed.w[:, None]
    size = _LOCAL + 1
    gram = (weighted @ flat.transpose(0, 2, 1)).reshape(n, 2, size, 2, size)
    onto = (weighted @ packed.y).reshape(n, 2, size, -1)
    prior = packed.level_prior
    ff, fg = gram[:, 0, 0, 0, 0, None] + 1e-3, gram[:, 0, 0, 1, 0, None]
    gg = gram[:, 1, 0, 1, 0, None] + prior
    fy, gy = onto[:, 0, 0], onto[:, 1, 0] + prior * packed.level
    det = np.maximum(ff * gg - fg * fg, 1e-12)
    S = (gg * fy - fg * gy) / det
    g = (ff * gy - fg * fy) / det
    cost = packed.energy - float(np.sum(S * fy + g * gy))

    both = np.stack([S, g], axis=1)
    pairs = (both @ both.transpose(0, 2, 1))[:, :, None, :, None]
    slopes = gram[:, :, 1:, :, 1:]
    normal = (pairs * slopes).sum(axis=(1, 3))
    # What each slope has in common with F and G, (n, 14, C), a change of S and g would make up for.
    with_both = np.einsum("npkq,npc->nqkc", gram[:, :, 1:, :, 0], both)
    with_f, with_g = with_both[:, 0], with_both[:, 1]
    det_ = det[:, None]
    normal -= (gg[:, None] * with_f - fg[:, None] * with_g) / det_ @ with_f.transpose(0, 2, 1)
    normal -= (ff[:, None] * with_g - fg[:, None] * with_f) / det_ @ with_g.transpose(0, 2, 1)
    local = ((onto[:, :, 1:] - with_both) * both[:, :, None]).sum(axis=(1, 3))

    own = packed.own
    figures = np.concatenate([point.light, point.rim.ravel(), point.log_a, point.u0])
    departures = packed.ties @ figures - packed.tied_to
    return State(
        cost=cost + float(departures @ departures),
        normal=(own.transpose(0, 2, 1) @ normal @ own).sum(axis=0),
        downhill=np.einsum("nk,nkp->p", local, own) - departures @ packed.ties,
        curves=basis[:, :, 0],
        strand=S,
        ground=g,
    )


@dataclass(frozen=True)
class Stop:
    """Where a descent has come to, from where it can go on."""

    point: Point
    state: State
    damping: float
    settled: bool


def begin(packed: Packed, point: Point) -> Stop:
    """A descent that has not gone anywhere yet."""
    return Stop(point, evaluate(packed, point), 1e-2, False)


def descend(packed: Packed, start: Stop, steps: int, least_gain: float) -> Stop:
    """Levenberg-Marquardt within limits, until a step gains less than that share of the cost.

    Or less than what would move any figure by a fraction of its uncertainty.
    """
    point, state, damping = start.point, start.state, start.damping
    settled = start.settled
    for _ in range(steps):
        if settled:
            break
        H = state.normal + packed.tied
        weights = np.diag(H) + 1e-9
        least = max(least_gain * state.cost, _LEAST_GAIN)
        settled = True
        for _attempt in range(5):
            step = _step(H + np.diag(damping * weights), state.downhill, point)
            # What it will gain at most is known beforehand.
            if _gain(step, H, state.downhill) < least:
                break
            trial = _moved(point, step)
            there = evaluate(packed, trial)
            if there.cost < state.cost:
                settled = state.cost - there.cost < least
                point, state = trial, there
                damping = max(damping * 0.2, 1e-6)
                break
            damping = max(8.0 * damping, 0.02)
    return Stop(point, state, damping, settled)


def promised(packed: Packed, stop: Stop) -> float:
    """What the next step would gain at most if slopes held."""
    H = stop.state.normal + packed.tied
    downhill = stop.state.downhill
    return _gain(_step(H, downhill, stop.point), H, downhill)


def _gain(step: Floats, H: Floats, downhill: Floats) -> float:
    """What a step gains where slopes hold."""
    return 2.0 * float(step @ downhill) - float(step @ H @ step)


def _step(H: Floats, downhill: Floats, point: Point) -> Floats:
    """The step to the minimum of a parabola, leaving alone what stands at a limit and would pass.

    What is held there must not bend the others' way. Sky and lamp together are at most all of the
    light: where they are, one grows by as much as the other shrinks.
    """
    value = np.concatenate([point.light, point.rim.ravel()])
    strands = len(point.rim)
    low = np.concatenate([LIGHT_PRIOR[:, 2], np.tile(RIM_PRIOR[:, 2], strands)])
    high = np.concatenate([LIGHT_PRIOR[:, 3], np.tile(RIM_PRIOR[:, 3], strands)])
    size = len(downhill)
    full = point.light[0] + point.light[1] > 1.0 - 1e-9
    free = np.asarray(np.linalg.solve(H, downhill))
    ahead = free[: len(value)]
    if (
        not full
        and not (((value <= low) & (ahead < 0.0)) | ((value >= high) & (ahead > 0.0))).any()
    ):
        return free
    ways = np.eye(size)
    step = np.zeros(size)
    for _ in range(4):
        step = ways @ np.linalg.solve(ways.T @ H @ ways, ways.T @ downhill)
        there = step[: len(value)]
        passes = ((value <= low) & (there < 0.0)) | ((value >= high) & (there > 0.0))
        if full and step[0] + step[1] > 1e-12 and not passes[:2].any():
            full = False
            ways[1] -= ways[0]
            ways = np.delete(ways, 1, axis=1) if ways[1, 1] == 1.0 else ways
            continue
        if not passes.any():
            break
        gone = np.nonzero(passes)[0]
        ways = ways[:, ~(ways[gone] != 0.0).any(axis=0)]
    return step


def _moved(point: Point, step: Floats) -> Point:
    strands, n = len(point.rim), len(point.log_a)
    ahead = np.clip(step[:LIGHT_COUNT], -_LONGEST_STEP, _LONGEST_STEP)
    # A shadow hardened too soon is blind to where it should lie.
    ahead[3] = max(ahead[3], -0.5 * point.light[3])
    light = np.clip(point.light + ahead, LIGHT_PRIOR[:, 2], LIGHT_PRIOR[:, 3])
    excess = max(light[0] + light[1] - 1.0, 0.0)
    light[:2] = np.maximum(light[:2] - 0.5 * excess, 0.0)
    first = LIGHT_COUNT + RIM_COUNT * strands
    rim = np.clip(
        point.rim + step[LIGHT_COUNT:first].reshape(strands, RIM_COUNT),
        RIM_PRIOR[:, 2],
        RIM_PRIOR[:, 3],
    )
    log_a = point.log_a + np.clip(step[first : first + n], -0.3, 0.3)
    width = np.exp(point.log_a)
    u0 = point.u0 + np.clip(step[first + n :], -0.5 * width, 0.5 * width)
    return Point(within(light[None])[0], rim, log_a, u0)
