"""The step and bell in single precision against SciPy's in double."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from measure.normal_curve import step_and_bell


def test_step_and_bell_are_the_normal_distribution_s() -> None:
    u = np.linspace(-30.0, 30.0, 60_001).astype(np.float32)
    step, bell = step_and_bell(u)
    exact = u.astype(np.float64)
    assert step.dtype == bell.dtype == np.float32
    np.testing.assert_allclose(step, ndtr(exact), rtol=0, atol=4e-7)
    np.testing.assert_allclose(
        bell, np.exp(-0.5 * exact**2) / np.sqrt(2 * np.pi), rtol=0, atol=1e-7
    )
