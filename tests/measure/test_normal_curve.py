"""The step and bell against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from measure.normal_curve import step_and_bell


@pytest.mark.parametrize(("kind", "off"), [(np.float32, 4e-7), (np.float64, 7.6e-8)])
def test_step_and_bell_are_the_normal_distribution_s(kind: type, off: float) -> None:
    u = np.linspace(-30.0, 30.0, 60_001).astype(kind)
    step, bell = step_and_bell(u)
    exact = u.astype(np.float64)
    assert step.dtype == bell.dtype == kind
    np.testing.assert_allclose(step, ndtr(exact), rtol=0, atol=off)
    np.testing.assert_allclose(
        bell, np.exp(-0.5 * exact**2) / np.sqrt(2 * np.pi), rtol=0, atol=min(off, 1e-7)
    )
