"""The light's fit to padded mean profiles: model, slopes and descent.

Brightness is linear in the model and solved for in closed form at every step (variable
projection, Golub and Pereyra 1973); light, rims and edges are found by damped least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.shading import Grid, Lit, blur_curves, light_up, outline

Floats = NDArray[np.float64]

_WIDTH_TIE: Final = 0.02
"""Relative difference of one strand's width between its grounds (thick and thin places)."""
_PLACE_TIE: Final = 0.06
"""Difference of one strand's middle between its grounds, in half widths."""
LEVEL_TIE: Final = 0.08
"""Relative freedom of the ground's brightness."""
_FREE_SD: Final = 0.6
"""How much of the light a strand lying there does not shade: none, but for flat drawings."""

# Middle, spread, low and high of sky, lamp, lean, softness, near share, scatter, bounce and a rim's
# rise, softness, halo and halo length: assumptions of ours that only matter where data do not.
LIGHT_PRIOR: Final = np.array(
    [
        [0.45, 0.6, 0.0, 1.0],
        [0.25, 0.6, 0.0, 1.0],
        [0.0, 1.2, -3.0, 3.0],
        [0.30, 0.3, 0.02, 2.0],
        [0.60, 0.3, 0.1, 1.2],
        [0.10, 0.2, 0.0, 1.0],
        [0.95, 0.2, 0.0, 1.3],
    ]
)
RIM_PRIOR: Final = np.array(
    [
        [1.02, 0.06, 0.95, 2.5],
        [0.04, 0.08, 0.005, 0.6],
        [0.0, 0.06, 0.0, 0.6],
        [0.5, 0.3, 0.15, 3.0],
    ]
)
_STEP_LIGHT: Final = np.array([0.01, 0.01, 0.02, 0.03, 0.03, 0.01, 0.02])
_STEP_RIM: Final = np.array([0.02, 0.01, 0.005, 0.03])
_STEP_LOG_A: Final = 0.01
LIGHT_COUNT: Final = len(_STEP_LIGHT)
RIM_COUNT: Final = len(_STEP_RIM)


@dataclass(frozen=True)
class Point:
    """A trial: light (7,), rims (strands, 4), log half widths and middles (profiles,)."""

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
    blur: Floats
    view: Floats
    no_ground: bool
    grid: Grid
    prior: Floats
    """(7, 2) middle and spread of each light figure before this lane was looked at."""

    def lit(self, lights: Floats, rise: Floats) -> Lit:
        """Lit profiles: every profile under every light (m, 7), (m n, count), lights outermost.

        `rise` (m n,) is the height of each row's axis.
        """
        n = len(self.view)
        return light_up(
            np.repeat(lights, n, axis=0),
            rise,
            np.tile(self.view, len(lights)),
            np.tile(self.level.mean(axis=1), len(lights)),
            self.no_ground,
            self.grid,
        )


def within(lights: Floats) -> Floats:
    """Light rows (m, 7) with sky and lamp held to a sum of at most one."""
    total = np.maximum(lights[:, :1] + lights[:, 1:2], 1.0)
    return np.concatenate([lights[:, :2] / total, lights[:, 2:]], axis=1)


def _basis(
    packed: Packed, lit: Lit, rims: Floats, log_a: Floats, u0: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """F, G and their slopes by xi, (k, J), of k rows: the n profiles, over and over.

    `rims` (k, 4), `log_a` and `u0` (k,) are per row.
    """
    k, n = len(log_a), len(packed.view)
    repeats = k // n
    a = np.exp(log_a)
    sigma = np.hypot(np.tile(packed.blur, repeats) / a, rims[:, 1])
    face, gap = blur_curves(outline(lit, rims), sigma)
    xi = (np.tile(packed.u, (repeats, 1)) - u0[:, None]) / a[:, None]
    step, count = packed.grid.step, len(packed.grid.xi)
    position = np.clip((xi - packed.grid.xi[0]) / step, 0, count - 1.001)
    at = position.astype(np.int32)
    fraction = position - at
    at += (np.arange(k, dtype=np.int32) * count)[:, None]
    low_f, high_f = face.ravel()[at], face.ravel()[at + 1]
    low_g, high_g = gap.ravel()[at], gap.ravel()[at + 1]
    rise_f, rise_g = high_f - low_f, high_g - low_g
    return low_f + fraction * rise_f, low_g + fraction * rise_g, rise_f / step, rise_g / step


@dataclass(frozen=True)
class _Solved:
    """Brightnesses for given curves, and what projecting them out needs."""

    S: Floats
    g: Floats
    rest: Floats
    """(n, J, C) whitened residual."""
    w_face: Floats
    w_ground: Floats
    """(n, J) whitened curves F and G."""
    ff: Floats
    fg: Floats
    gg: Floats
    det: Floats

    def without_brightness(self, d: Floats) -> Floats:
        """Whitened change (n, J, C) less what a change of S and g would make up for."""
        fd = np.einsum("nj,njc->nc", self.w_face, d)
        gd = np.einsum("nj,njc->nc", self.w_ground, d)
        s = (self.gg * fd - self.fg * gd) / self.det
        t = (self.ff * gd - self.fg * fd) / self.det
        made_up = self.w_face[..., None] * s[:, None, :]
        return np.asarray(d - made_up - self.w_ground[..., None] * t[:, None, :])


def _solve(packed: Packed, F: Floats, G: Floats) -> _Solved:
    root = np.sqrt(packed.w)
    wF, wG = root * F, root * G
    y = root[..., None] * packed.y
    prior = 1.0 / (LEVEL_TIE * np.maximum(packed.level, 0.03)) ** 2
    ff = (wF * wF).sum(axis=1)[:, None] + 1e-3
    fg = (wF * wG).sum(axis=1)[:, None]
    gg = (wG * wG).sum(axis=1)[:, None] + prior
    fy = np.einsum("nj,njc->nc", wF, y)
    gy = np.einsum("nj,njc->nc", wG, y) + prior * packed.level
    det = np.maximum(ff * gg - fg * fg, 1e-12)
    S = (gg * fy - fg * gy) / det
    g = (ff * gy - fg * fy) / det
    rest = y - wF[..., None] * S[:, None, :] - wG[..., None] * g[:, None, :]
    return _Solved(S, g, rest, wF, wG, ff, fg, gg, det)


def _penalties(packed: Packed, point: Point) -> Floats:
    light = (point.light - packed.prior[:, 0]) / packed.prior[:, 1]
    rim = ((point.rim - RIM_PRIOR[:, 0]) / RIM_PRIOR[:, 1]).ravel()
    n = len(point.log_a)
    widths, places = np.zeros(n), np.zeros(n)
    for strand in range(len(point.rim)):
        own = packed.strand == strand
        if own.sum() > 1:
            widths[own] = (point.log_a[own] - point.log_a[own].mean()) / _WIDTH_TIE
            half = float(np.exp(point.log_a[own].mean()))
            places[own] = (point.u0[own] - point.u0[own].mean()) / (_PLACE_TIE * half)
    free = np.array([(1.0 - point.light[0] - point.light[1]) / _FREE_SD])
    return np.concatenate([light, free, rim, widths, places])


def _residuals(packed: Packed, point: Point) -> tuple[Floats, Floats]:
    """Whitened residual (m,) and penalties of a point."""
    lit = packed.lit(within(point.light[None]), point.rim[packed.strand, 0])
    F, G, _, _ = _basis(packed, lit, point.rim[packed.strand], point.log_a, point.u0)
    return _solve(packed, F, G).rest.ravel(), _penalties(packed, point)


@dataclass(frozen=True)
class State:
    """A point's whitened residual (m,), its Jacobian (m, p), penalties and theirs."""

    rest: Floats
    jacobian: Floats
    penalty: Floats
    penalty_jacobian: Floats

    @property
    def cost(self) -> float:
        """What the fit makes as small as it can."""
        return float(np.sum(self.rest**2) + np.sum(self.penalty**2))


def _linearise(packed: Packed, point: Point) -> State:
    n, j, c = packed.y.shape
    strands = len(point.rim)
    rims = point.rim[packed.strand]
    # All steps in one go: the point, each light figure, each rim figure, the half widths. Only the
    # light and the rise, which comes first of the rim, change what is lit.
    forward = point.light + _STEP_LIGHT <= LIGHT_PRIOR[:, 3]
    steps = np.where(forward, _STEP_LIGHT, -_STEP_LIGHT)
    here = point.light[None]
    lights = np.concatenate([here, here + np.diag(steps), here])
    rise = np.tile(rims[:, 0], len(lights))
    rise[-n:] += _STEP_RIM[0]
    lit = packed.lit(within(lights), rise)
    base = [getattr(lit, name)[:n] for name in ("face", "ground", "thrown")]
    extra = RIM_COUNT
    lit = Lit(
        lit.grid,
        *(
            np.concatenate([getattr(lit, name), np.tile(b, (extra, 1))])
            for name, b in zip(("face", "ground", "thrown"), base, strict=True)
        ),
    )
    rows = 2 + LIGHT_COUNT + extra
    all_rims = np.tile(rims, (rows, 1))
    all_a = np.tile(point.log_a, rows)
    for k in range(1, RIM_COUNT):
        first = (1 + LIGHT_COUNT + k) * n
        all_rims[first : first + n, k] += _STEP_RIM[k]
    all_a[-n:] += _STEP_LOG_A
    F_all, G_all, Fx_all, Gx_all = _basis(packed, lit, all_rims, all_a, np.tile(point.u0, rows))
    F, G, F_x, G_x = F_all[:n], G_all[:n], Fx_all[:n], Gx_all[:n]
    solved = _solve(packed, F, G)
    root = np.sqrt(packed.w)[..., None]
    a = np.exp(point.log_a)[:, None]

    def change(dF: Floats, dG: Floats) -> Floats:
        d = solved.S[:, None, :] * dF[..., None] + solved.g[:, None, :] * dG[..., None]
        return solved.without_brightness(d * root)

    def stepped(row: int, step: float) -> Floats:
        part = slice(row * n, row * n + n)
        return change((F_all[part] - F) / step, (G_all[part] - G) / step)

    first = LIGHT_COUNT + RIM_COUNT * strands
    J = np.zeros((first + 2 * n, n, j, c))
    for k in range(LIGHT_COUNT):
        J[k] = stepped(1 + k, steps[k])
    for k in range(RIM_COUNT):
        d = stepped(1 + LIGHT_COUNT + k, _STEP_RIM[k])
        for i in range(n):
            J[LIGHT_COUNT + RIM_COUNT * packed.strand[i] + k, i] = d[i]
    by_a = stepped(rows - 1, _STEP_LOG_A)
    by_u = change(-F_x / a, -G_x / a)
    for i in range(n):
        J[first + i, i] = by_a[i]
        J[first + n + i, i] = by_u[i]

    P = np.zeros((1 + first + 2 * n, first + 2 * n))
    P[np.arange(LIGHT_COUNT), np.arange(LIGHT_COUNT)] = 1.0 / packed.prior[:, 1]
    P[LIGHT_COUNT, :2] = -1.0 / _FREE_SD
    own_rims = LIGHT_COUNT + np.arange(RIM_COUNT * strands)
    P[1 + own_rims, own_rims] = np.tile(1.0 / RIM_PRIOR[:, 1], strands)
    for strand in range(strands):
        own = np.nonzero(packed.strand == strand)[0]
        if len(own) > 1:
            centred = np.eye(len(own)) - 1.0 / len(own)
            half = float(np.exp(point.log_a[own].mean()))
            P[np.ix_(1 + first + own, first + own)] = centred / _WIDTH_TIE
            P[np.ix_(1 + first + n + own, first + n + own)] = centred / (_PLACE_TIE * half)
    return State(solved.rest.ravel(), J.reshape(len(J), n * j * c), _penalties(packed, point), P)


def descend(packed: Packed, point: Point, steps: int, least_gain: float) -> tuple[Point, State]:
    """Levenberg-Marquardt from `point` with limits kept by clipping, and where it ended.

    While steps go well the Jacobian is carried along by Broyden's update (1965), which costs one
    evaluation instead of sixteen; it is worked out anew when they do not, and at the end.
    """
    damping = 1e-2
    state = _linearise(packed, point)
    age = 0
    for _ in range(steps):
        J, P = state.jacobian, state.penalty_jacobian
        H = J @ J.T + P.T @ P
        weights = np.diag(H) + 1e-9
        gradient = J @ state.rest - P.T @ state.penalty
        gain = 0.0
        for _attempt in range(5 if age == 0 else 1):
            step = np.asarray(np.linalg.solve(H + damping * np.diag(weights), gradient), float)
            trial = _moved(point, step)
            rest, penalty = _residuals(packed, trial)
            new_cost = float(np.sum(rest**2) + np.sum(penalty**2))
            if new_cost < state.cost:
                gain = (state.cost - new_cost) / state.cost
                damping = max(damping * 0.2, 1e-6)
                break
            damping *= 8.0
        if gain > 0.0:
            moved = _difference(trial, point)
            change = state.rest - rest - moved @ J
            scaled = weights * moved
            carried = J + np.outer(scaled, change) / max(float(scaled @ moved), 1e-300)
            point, state = trial, State(rest, carried, penalty, P)
            age += 1
        if gain < least_gain:
            if age == 0:
                break
            # Perhaps only the carried Jacobian is worn out.
            state, age = _linearise(packed, point), 0
            if gain > 0.0:
                break
    return point, state if age == 0 else _linearise(packed, point)


def _difference(to: Point, start: Point) -> Floats:
    """The step from one point to another, in the order of the Jacobian's rows."""
    return np.concatenate(
        [
            to.light - start.light,
            (to.rim - start.rim).ravel(),
            to.log_a - start.log_a,
            to.u0 - start.u0,
        ]
    )


def _moved(point: Point, step: Floats) -> Point:
    strands, n = len(point.rim), len(point.log_a)
    light = np.clip(point.light + step[:LIGHT_COUNT], LIGHT_PRIOR[:, 2], LIGHT_PRIOR[:, 3])
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
