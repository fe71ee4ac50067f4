"""Dim strands of which a dark ground shows nothing but their brightest bits."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.medians import median

Floats = NDArray[np.float64]

_DIM: Final = 0.25
"""Brightness below which a strand may show on a dark ground only where it is brightest (ours)."""
_THINNER: Final = 0.08
_RAGGED: Final = 0.08
_TIMES_AS_RAGGED: Final = 4.0
"""How much thinner, log, a dark ground shows a dim strand of which that is so, the spread of log
diameters along it, and how many times that along the light ground: drawn black strands with bright
specks spread by 0.2 to 0.5 there and read 20 to 60 % too narrow, by 0.003 to 0.08 on light ground
(ours)."""


def shows_in_bits(on_dark: Floats, on_light: Floats, brightness: float) -> bool:
    """Whether a strand of that brightness shows on dark ground only where it is brightest.

    By the log widths, (m,) and (n,), of its cuts on either ground. A single slub spreads the cuts
    of a ground as well, but moves no median.
    """
    if brightness > _DIM or median(on_light) - median(on_dark) <= _THINNER:
        return False
    return float(on_dark.std()) > max(_RAGGED, _TIMES_AS_RAGGED * float(on_light.std()))
