"""The fit of the light where there is nothing to fit it to."""

from __future__ import annotations

import numpy as np

from measure.beside import Others
from measure.light_fit import MeanProfile, refit_light
from measure.shading import Light, Rim


def test_a_black_picture_tells_no_width() -> None:
    nothing = np.zeros(81)
    profile = MeanProfile(
        strand=0,
        ground="dark",
        u_mm=np.linspace(-2.0, 2.0, 81),
        light=np.zeros((81, 3)),
        weight=np.ones(81),
        level=np.zeros(3),
        blur_mm=0.05,
        view_tan=0.0,
        half_width_mm=0.4,
        middle_mm=0.0,
        noise=0.001,
        uneven=0.0,
        u_uneven=0.0,
        others=Others(nothing, nothing, nothing),
    )
    light, rim = Light(0.5, 0.1, 0.0, 0.3, 0.6, 0.2, 0.85), Rim(1.03, 0.05, 0.0, 0.5)
    fit = refit_light([profile], light, (rim,), no_ground=False, flat=False)
    # Nothing of it depends on the width: its standard uncertainty is as good as infinite.
    assert fit.u_log_half_width[0] > 100.0
