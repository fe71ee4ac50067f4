"""Medians of small arrays, of which measuring takes very many; NumPy's own spends far longer on
its checks than on them. NaN is not looked for."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

_FEW: Final = 1000
"""Values that are put in order sooner than parted."""


def median(values: NDArray[Any]) -> float:
    """Median of all values of an array that is not empty."""
    ordered = values.flatten()
    middle = len(ordered) // 2
    few = len(ordered) < _FEW
    if few:
        ordered.sort()
    else:
        ordered.partition(middle)
    upper = float(ordered[middle])
    if len(ordered) % 2:
        return upper
    lower = ordered[middle - 1] if few else ordered[:middle].max()
    return 0.5 * (float(lower) + upper)


def quantile(values: NDArray[Any], share: float) -> float:
    """Quantile of all values of an array that is not empty, straight between two of them."""
    ordered = values.flatten()
    place = share * (len(ordered) - 1)
    low = int(place)
    ordered.partition(low)
    first = float(ordered[low])
    second = float(ordered[low + 1 :].min()) if low + 1 < len(ordered) else first
    return first + (place - low) * (second - first)


def medians(values: NDArray[Any], axis: int = 0) -> NDArray[Any]:
    """Medians along an axis of an array that is not empty there."""
    rest = [i for i in range(values.ndim) if i != axis % values.ndim]
    ordered = values.transpose(*rest, axis).copy()
    ordered.sort(axis=-1)
    count = ordered.shape[-1]
    upper = ordered[..., count // 2]
    if count % 2:
        return np.asarray(upper)
    return np.asarray(0.5 * (ordered[..., count // 2 - 1] + upper))


def medians_of_parts(values: NDArray[Any], first: NDArray[np.int_]) -> NDArray[np.float64]:
    """Medians (t,) of parts of values (n,) that begin at `first` (t + 1,), whose last is n.

    Those of empty parts mean nothing.
    """
    count = np.diff(first)
    ordered = np.append(values[np.lexsort((values, np.repeat(np.arange(len(count)), count)))], 0)
    low, high = first[:-1] + np.maximum(count - 1, 0) // 2, first[:-1] + count // 2
    return np.asarray(0.5 * (ordered[low].astype(np.float64) + ordered[high]))
