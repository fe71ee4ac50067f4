"""How strong waves are in signals with hardly any gaps, by one Fourier transform.

The power of all local waves of a frequency, in every window about it, is that of the whole signal
about that frequency, as far as the window tells frequencies apart (Parseval): close to what fits in
single windows find (`measure.waves`), for far less work. It is not near where the strand is half
hidden or where its waves are slow beside it, since ends of windows and of stretches then count.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]
Reals = NDArray[np.floating[Any]]

_APART: Final = 0.02
"""Lines of the spectrum nearer than this, relative, count as one: no window tells them apart."""
_LINES: Final = np.unique(np.exp(np.arange(0.0, 16.0, _APART)).astype(int))
"""From which line on each piece of them counts as one, the mean's aside."""


def shares_by_spectrum(
    values: Reals, weight: Floats, pitch_mm: float, frequencies_per_mm: Floats, bins: int
) -> Floats:
    """Roughly what share (q,) of the signals' local variance a wave of each frequency explains.

    `values` (n, k), `weight` (n,) of samples so far apart. Windows are Gaussian with a standard
    deviation of one period, in which samples are pooled into so many `bins`; frequencies rise.
    """
    weighed = np.multiply(values.T, np.sqrt(weight), dtype=np.float32)
    # Mostly powers of two: that is quicker than the next size that has no large factor.
    size = 64 * fft.next_fast_len(-(-len(weight) // 64))
    spectrum = fft.rfft(weighed, size, axis=1)
    power = np.square(spectrum.real).sum(axis=0) + np.square(spectrum.imag).sum(axis=0)
    # The mean is no wave: windows leave nothing of it.
    begin = _LINES[: np.searchsorted(_LINES, len(power))]
    line = 0.5 * (begin + np.append(begin[1:], len(power)) - 1.0)
    power = np.add.reduceat(power, begin)
    # Frequencies in the signal, in those asked for.
    over = (line / (size * pitch_mm * frequencies_per_mm[:, None])).astype(np.float32)
    # What pooling leaves of each: sinc squared.
    half_angle = over * np.float32(np.pi / bins)
    power = power * np.square(np.sin(half_angle) / half_angle)
    over *= np.float32(2.0 * np.pi)
    varied = np.einsum("qf,qf->q", power, np.float32(1.0) - np.exp(-np.square(over)))
    found = np.einsum("qf,qf->q", power, np.exp(-np.square(over - np.float32(2.0 * np.pi))))
    return np.asarray(found / np.maximum(varied, 1e-12), float)
