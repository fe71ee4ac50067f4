"""What a ruler's marks count: which of them are longer says millimetres or parts of an inch.

Millimetre rulers lengthen every fifth and every tenth mark, half-millimetre ones every second,
tenth and twentieth; inch rulers halve: every second, fourth, eighth, sixteenth. Marks of one
length only, or lengthened in no such way, are no ruler (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.yarn import MM_PER_INCH

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


_LONGER: Final = 1.07
"""How much longer the marks of a higher rank must be."""
_OVERLAP: Final = 0.12
"""Share of marks that may be of the wrong length for their rank (dirt, numbers, faint ends)."""

_SHORTEST_PITCHES: Final = 0.7
"""Marks are no shorter than that, seen from the side at the most tilt."""

MM_MARK_PITCHES: Final = 1.8
"""The shortest marks of a millimetre ruler are 2 to 6 pitches long; of one in tenths of an inch"""
TENTH_MARK_PITCHES: Final = 1.5
"""hardly more than one (common practice, no source). In between only a person can tell."""
EIGHTH_MARK_PITCHES: Final = 1.15
SIXTEENTH_MARK_PITCHES: Final = 1.4
"""The same for eighths and sixteenths whose inch and half inch marks are alike."""


@dataclass(frozen=True)
class Division:
    """What one pitch is."""

    unit: str
    """'mm' or 'inch'."""
    pitch_mm: float
    name: str


MILLIMETRE: Final = Division("mm", 1.0, "millimetres")
HALF_MILLIMETRE: Final = Division("mm", 0.5, "half millimetres")
TENTH: Final = Division("inch", MM_PER_INCH / 10, "tenths of an inch")
TWENTIETH: Final = Division("inch", MM_PER_INCH / 20, "twentieths of an inch")


_PARTS: Final = {
    8: "eighths",
    16: "sixteenths",
    32: "thirty-seconds",
    64: "sixty-fourths",
}


def _binary(parts: int) -> Division:
    return Division("inch", MM_PER_INCH / parts, f"{_PARTS[parts]} of an inch")


def read_division(number: Ints, length: Floats, grain: float = 0.0) -> tuple[Division, ...]:
    """What the pitch can be, the likelier first, from marks' numbers and lengths in pitches.

    Lengths that differ by less than `grain`, the size of a pixel, do not differ.
    Empty when the marks are not lengthened as a ruler's are; more than one when they do not tell.
    """
    shortest = float(np.percentile(length, 10))
    if shortest < _SHORTEST_PITCHES:
        return ()
    # Steps of pixels make ranks of chance: only what is clearly more than one counts.
    length = np.where(length - shortest < 1.6 * grain, shortest, length)
    fifth, second = (_rank(number, length, n) for n in (5, 2))
    if second is not None:
        return _by_halves(number, length, second, shortest)
    decimal = fifth is not None and _higher(number, length, 5, fifth, 2)
    if decimal:
        return _decimal(shortest, MILLIMETRE, TENTH)
    return ()


def _decimal(shortest: float, metric: Division, imperial: Division) -> tuple[Division, ...]:
    """By how long the shortest marks would be in mm if the pitch were metric."""
    if shortest * metric.pitch_mm >= MM_MARK_PITCHES:
        return (metric,)
    if shortest * metric.pitch_mm <= TENTH_MARK_PITCHES:
        return (imperial,)
    return metric, imperial


def _by_halves(number: Ints, length: Floats, phase: int, shortest: float) -> tuple[Division, ...]:
    """Every second mark is longer: parts of an inch, or half millimetres."""
    step = 2
    fives = _within(number, length, step, phase, 5)
    twos = _within(number, length, step, phase, 2)
    if fives is not None and (twos is None or fives[1] > twos[1]):
        return _decimal(shortest, HALF_MILLIMETRE, TWENTIETH)
    while twos is not None and step < 64:
        step, phase = 2 * step, twos[0]
        twos = _within(number, length, step, phase, 2)
    members = length[(number - phase) % step == 0]
    expected = np.ptp(number) // step
    if step < 8 or len(members) < max(2, 0.8 * expected):
        return ()  # too little of the ruler to see where an inch begins
    if members.max() > _LONGER * members.min() and len(members) < 6:
        return ()  # inch and half inch, but too few of them
    if step > 8:
        return (_binary(step),)
    if shortest <= EIGHTH_MARK_PITCHES:
        return (_binary(8),)
    if shortest >= SIXTEENTH_MARK_PITCHES:
        return (_binary(16),)
    return _binary(8), _binary(16)


def _rank(number: Ints, length: Floats, every: int) -> int | None:
    """Phase of the marks, `every` apart, that are longer than all between; None when none are."""
    found = _within(number, length, 1, 0, every)
    return None if found is None else found[0]


def _higher(number: Ints, length: Floats, step: int, phase: int, times: int) -> bool:
    return _within(number, length, step, phase, times) is not None


def _within(
    number: Ints, length: Floats, step: int, phase: int, times: int
) -> tuple[int, float] | None:
    """Among marks at `phase` by `step`, the phase by `times` steps of those that are longer.

    With how much longer the shorter of them are than the longer of the others.
    """
    at = (number - phase) % step == 0
    count, long = (number[at] - phase) // step, length[at]
    best: tuple[int, float] | None = None
    for start in range(times):
        top = (count - start) % times == 0
        if top.sum() < 2 or (~top).sum() < 2:
            continue
        # Marks of a still higher rank may be among the top ones: only their lower end counts.
        clear = _ends(long[top])[0] / max(_ends(long[~top])[1], 1e-9)
        if clear >= _LONGER and (best is None or clear > best[1]):
            best = (phase + start * step, clear)
    return best


def _ends(length: Floats) -> tuple[float, float]:
    """Shortest and longest, those that may be wrong left out on either side."""
    ordered = np.sort(length)
    wrong = int(np.ceil(_OVERLAP * len(ordered))) if len(ordered) > 2 else 0
    return float(ordered[wrong]), float(ordered[len(ordered) - 1 - wrong])
