"""Steps of the light's descent within the limits of its figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from measure.light_descent import step_within
from measure.light_solver import LIGHT_PRIOR, RIM_PRIOR, Point


@pytest.mark.parametrize("seed", range(40))
def test_what_would_pass_a_limit_stops_there_and_the_others_make_the_best_of_it(seed: int) -> None:
    # SciPy's bounded linear least squares of the same parabola (Stark and Parker 1995). One figure
    # of the light or the rim begins near a limit, and only that one is pulled over it.
    random = np.random.default_rng(seed)
    limits = np.concatenate([LIGHT_PRIOR[:, 2:], RIM_PRIOR[:, 2:]])
    value = limits @ (0.5, 0.5)
    value[:2] = 0.3, 0.2
    near = int(random.integers(len(value)))
    value[near] = limits[near, 0] + 0.02 * np.ptp(limits[near])
    size = len(value) + 2
    design = np.eye(size) + 0.1 * random.normal(size=(size, size))
    wanted = 0.02 * random.normal(size=size)
    wanted[near] = -0.15 * np.ptp(limits[near])
    target = design @ wanted
    low, high = np.append(limits.T - value, [[-9.0] * 2, [9.0] * 2], axis=1)
    best = lsq_linear(design, target, (low, high), method="bvls").x

    point = Point(value[:7], value[None, 7:], np.zeros(1), np.zeros(1))
    step = step_within(design.T @ design, design.T @ target, point)
    assert value[near] + step[near] == pytest.approx(limits[near, 0])
    np.testing.assert_allclose(step, best, atol=1e-9)
    # To go there freely and be cut off would leave more.
    free = np.clip(wanted, low, high)
    left, more = (np.sum((design @ x - target) ** 2) for x in (step, free))
    assert left < more


def test_sky_and_lamp_change_places_where_they_are_all_of_the_light() -> None:
    # Of (sky - a)^2 + (lamp - b)^2 on the line sky + lamp = 1 the middle between is least.
    value = np.append(LIGHT_PRIOR[:, 0], RIM_PRIOR[:, 0])
    value[:2] = 0.7, 0.3
    pull = np.zeros(14)
    pull[:2] = 0.1, 0.3
    point = Point(value[:7], value[None, 7:], np.zeros(1), np.zeros(1))
    step = step_within(np.eye(14), pull, point)
    np.testing.assert_allclose(step[:2], (-0.1, 0.1), atol=1e-12)
