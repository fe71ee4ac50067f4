"""The calm figure of a running picture: a mean over frames, its honest interval, no flicker."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from measure.results import StrandReading
from measure.strand_place import StrandPlace

_RANDOM: Final = ("edges", "sampling")
"""Components of a reading's budget that differ from frame to frame by themselves."""
_LEAST_NOISE: Final = 0.002
"""Relative noise of a frame that is not believed to be less: one frame must not outweigh all."""
_ANOTHER_WIDTH: Final = 0.2
"""Change of an interval's width, in the logarithm, that is worth showing by itself."""


@dataclass(frozen=True, eq=False)
class Sample:
    """What one frame says of the strand that is meant."""

    time_s: float
    strand: StrandReading
    place: StrandPlace
    log_mm: float
    noise: float
    """Relative standard uncertainty of what differs from frame to frame."""
    shared: float
    """Relative half interval of what does not."""
    coverage: float
    """Half interval over standard uncertainty."""


@dataclass(frozen=True)
class Figure:
    """A diameter as its logarithm and the relative half width of its 95 % interval."""

    log_mm: float
    half: float


@dataclass(frozen=True)
class Mean:
    """What several frames say together."""

    log_mm: float
    half: float
    """Relative half width of the 95 % interval."""
    u: float
    """Relative standard uncertainty."""
    scatter: float
    """Relative standard deviation of single frames."""


def sample_of(time_s: float, strand: StrandReading, place: StrandPlace) -> Sample:
    """The sample of a frame taken at `time_s`, its doubt parted into own and shared."""
    diameter_mm = strand.diameter_mm
    u = strand.u_diameter_mm / diameter_mm
    low_mm, high_mm = strand.diameter_interval_mm
    coverage = (high_mm - low_mm) / 2 / strand.u_diameter_mm
    random = math.hypot(*(strand.budget_mm.get(name, 0.0) for name in _RANDOM)) / diameter_mm
    noise = min(max(random, _LEAST_NOISE), u)
    shared = coverage * math.sqrt(max(u**2 - noise**2, 0.0))
    return Sample(time_s, strand, place, math.log(diameter_mm), noise, shared, coverage)


def mean_of(samples: Sequence[Sample]) -> Mean:
    """Mean of log diameter weighted by each frame's own variance, with its interval.

    The frames' own part shrinks with their number, from the larger of what they claim and how
    they scatter; the shared part stays.
    """
    weights = np.array([s.noise**-2 for s in samples])
    logs = np.array([s.log_mm for s in samples])
    share = weights / weights.sum()
    log_mm = float(share @ logs)
    count = 1 / float(share @ share)
    spread = float(share @ (logs - log_mm) ** 2)
    if count > 1 + 1e-9:
        spread *= count / (count - 1)
    claimed = count / float(weights.sum())
    scatter = math.sqrt(max(spread, claimed))
    shared = float(share @ np.array([s.shared for s in samples]))
    coverage = float(share @ np.array([s.coverage for s in samples]))
    half = math.hypot(shared, coverage * scatter / math.sqrt(count))
    return Mean(log_mm, half, half / coverage, scatter)


def calmed(shown: Figure | None, mean: Mean) -> Figure:
    """What to show, given what was shown before: the same unless it has really moved."""
    if shown is None or abs(mean.log_mm - shown.log_mm) > max(mean.u / 3, mean.scatter / 2):
        return Figure(mean.log_mm, mean.half)
    if abs(math.log(mean.half / shown.half)) > _ANOTHER_WIDTH:
        return Figure(shown.log_mm, mean.half)
    return shown
