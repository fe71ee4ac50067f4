"""The normal distribution's two curves together, a blurred step and a blurred line.

SciPy's own step takes ten times as long as the exponential that both of them need.
"""

from __future__ import annotations

import math
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

Real = TypeVar("Real", np.float32, np.float64)

_NEARNESS: Final = 0.2316419
_TERMS: Final = (1.330274429, -1.821255978, 1.781477937, -0.356563782, 0.319381530)
"""Abramowitz and Stegun 1964, 26.2.17, from the highest power; off by 7.5e-8 at most."""
_BELL_TOP: Final = 1.0 / math.sqrt(2.0 * math.pi)


def step_and_bell(u: NDArray[Real]) -> tuple[NDArray[Real], NDArray[Real]]:
    """Share of a normal distribution below u standard deviations, and its density there.

    As right as single precision is, in either.
    """
    bell: NDArray[Real] = u * u
    bell *= -0.5
    np.exp(bell, out=bell)
    bell *= _BELL_TOP
    near: NDArray[Real] = np.abs(u)
    near *= _NEARNESS
    near += 1.0
    np.reciprocal(near, out=near)
    beyond: NDArray[Real] = near * _TERMS[0]
    for term in _TERMS[1:]:
        beyond += term
        beyond *= near
    beyond *= bell
    np.subtract(0.5, beyond, out=beyond)
    np.copysign(beyond, u, out=beyond)
    beyond += 0.5
    return beyond, bell
