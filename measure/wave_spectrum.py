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

_BEYOND: Final = 1.6
"""Times the highest frequency asked for."""


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
    power[0] *= 0.5
    # Frequencies in the signal, in those asked for.
    over = np.arange(len(power), dtype=np.float32) / (size * pitch_mm)
    over = over / frequencies_per_mm[:, None].astype(np.float32)
    # What pooling leaves of each: sinc squared.
    half_angle = np.maximum(over * np.float32(np.pi / bins), np.float32(1e-6))
    power = power * np.square(np.sin(half_angle) / half_angle)
    varied = power.sum(axis=1)
    # Windows tell frequencies apart so well that nothing beyond is about any of them.
    count = int(np.searchsorted(over[-1], _BEYOND))
    over, power = over[:, :count] * np.float32(2.0 * np.pi), power[:, :count]
    varied -= np.einsum("qf,qf->q", power, np.exp(-np.square(over)))
    found = np.einsum("qf,qf->q", power, np.exp(-np.square(over - np.float32(2.0 * np.pi))))
    return np.asarray(found / np.maximum(varied, 1e-12), float)
