"""The descent to the light that suits mean profiles best: damped least squares within limits.

Several starts descend side by side, since their states are worked out faster together.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.clipped import clipped
from measure.light_solver import (
    LIGHT_COUNT,
    LIGHT_PRIOR,
    RIM_COUNT,
    RIM_PRIOR,
    Packed,
    Point,
    State,
    evaluate,
    within,
)

Floats = NDArray[np.float64]

_LEAST_GAIN: Final = 0.05
"""Gain in weighted squares that moves no figure by a quarter of its standard uncertainty."""
_NEAR: Final = 1e-9
"""How far beyond a limit is still at it."""
_LONGEST_STEP: Final = np.array([0.3, 0.3, 0.5, 0.2, 0.3, 0.3, 0.3])
"""Of each figure of the light: its slopes do not hold farther."""


@dataclass(frozen=True)
class Stop:
    """Where a descent has come to, from where it can go on."""

    point: Point
    state: State
    damping: float
    settled: bool


def begin(packed: Packed, points: Sequence[Point]) -> list[Stop]:
    """Descents that have not gone anywhere yet."""
    states = evaluate(packed, points)
    return [Stop(at, state, 1e-2, False) for at, state in zip(points, states, strict=True)]


def descend(packed: Packed, starts: Sequence[Stop], steps: int, least_gain: float) -> list[Stop]:
    """Levenberg-Marquardt within limits from each start, until a step gains less than that share
    of the cost.

    Or less than what would move any figure by a fraction of its uncertainty.
    """
    out = list(starts)
    ways = [_descent(packed, start, steps, least_gain) for start in starts]
    answers: dict[int, State | None] = dict.fromkeys(range(len(ways)))
    while answers:
        trials: dict[int, Point] = {}
        for i, state in answers.items():
            try:
                trials[i] = ways[i].send(state)
            except StopIteration as done:
                out[i] = done.value
        states = evaluate(packed, list(trials.values())) if trials else []
        answers = dict(zip(trials, states, strict=True))
    return out


def _descent(
    packed: Packed, start: Stop, steps: int, least_gain: float
) -> Generator[Point, State | None, Stop]:
    """One descent: gives the points it wants to know, is sent their states."""
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
            step = step_within(H + np.diag(damping * weights), state.downhill, point)
            # What it will gain at most is known beforehand.
            if _gain(step, H, state.downhill) < least:
                break
            trial = _moved(point, step)
            there = yield trial
            assert there is not None
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
    return _gain(step_within(H, downhill, stop.point), H, downhill)


def _gain(step: Floats, H: Floats, downhill: Floats) -> float:
    """What a step gains where slopes hold."""
    return 2.0 * float(step @ downhill) - float(step @ H @ step)


def step_within(H: Floats, downhill: Floats, point: Point) -> Floats:
    """The step to the minimum of a parabola that ends within limits.

    What would pass a limit goes just there, and must not bend the others' way. Sky and lamp
    together are at most all of the light: where they are, one grows by as much as the other
    shrinks.
    """
    value = np.concatenate([point.light, point.rim.ravel()])
    low, high = _limits(len(point.rim))
    low, high = low - value, high - value
    count, size = len(value), len(downhill)
    full = point.light[0] + point.light[1] > 1.0 - 1e-9
    step = np.asarray(np.linalg.solve(H, downhill))
    passes = (step[:count] < low) | (step[:count] > high)
    if not full and not passes.any():
        return step
    held, free, among, together = np.zeros(size), np.ones(size, bool), H, False
    for _ in range(4):
        if full and step[0] + step[1] > 1e-12 and not passes[:2].any():
            full, together = False, bool(free[0])
            if together:
                # From here on sky stands for both of them.
                among = H.copy()
                among[0] -= among[1]
                among[:, 0] -= among[:, 1]
                free[1] = False
        elif passes.any():
            gone = np.flatnonzero(passes)
            held[gone] = np.where(step[gone] < low[gone], low[gone], high[gone])
            free[gone] = False
            free[0] &= not (together and passes[1])
        else:
            break
        some = np.flatnonzero(free)
        left = downhill - H @ held
        if together:
            left[0] -= left[1]
        step = held.copy()
        step[some] += np.linalg.solve(among[some][:, some], left[some])
        if together and free[0]:
            step[1] -= step[0]
        passes = (step[:count] < low - _NEAR) | (step[:count] > high + _NEAR)
    return step


@lru_cache(maxsize=32)
def _limits(strands: int) -> tuple[Floats, Floats]:
    """Least and largest figures of a light and of so many rims."""
    low, high = (
        np.concatenate([LIGHT_PRIOR[:, end], np.tile(RIM_PRIOR[:, end], strands)]) for end in (2, 3)
    )
    return low, high


def _moved(point: Point, step: Floats) -> Point:
    strands, n = len(point.rim), len(point.log_a)
    ahead = clipped(step[:LIGHT_COUNT], -_LONGEST_STEP, _LONGEST_STEP)
    # A shadow hardened too soon is blind to where it should lie.
    ahead[3] = max(ahead[3], -0.5 * point.light[3])
    light = clipped(point.light + ahead, LIGHT_PRIOR[:, 2], LIGHT_PRIOR[:, 3])
    excess = max(light[0] + light[1] - 1.0, 0.0)
    light[:2] = np.maximum(light[:2] - 0.5 * excess, 0.0)
    first = LIGHT_COUNT + RIM_COUNT * strands
    rim = clipped(
        point.rim + step[LIGHT_COUNT:first].reshape(strands, RIM_COUNT),
        RIM_PRIOR[:, 2],
        RIM_PRIOR[:, 3],
    )
    log_a = point.log_a + clipped(step[first : first + n], -0.3, 0.3)
    width = np.exp(point.log_a)
    u0 = point.u0 + clipped(step[first + n :], -0.5 * width, 0.5 * width)
    return Point(within(light[None])[0], rim, log_a, u0)
