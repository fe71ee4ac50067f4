"""How sure a bobbin's mean and spread are, and how many more readings would make them sure.

Readings that resemble their neighbours say less than as many independent ones: each mean rests
on an effective sample size. A drift or a step that is beyond doubt is no doubt about the mean,
since readings taken all along a bobbin see it evenly: then it is the readings' scatter about it
that counts. What all readings have in common, such as the card's scale, does not average out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtri, ndtri, stdtrit

from measure.drift import ReadingPoint, step_of, trend_of
from measure.results import Floats, Interval
from measure.trend import FEWEST_READINGS
from measure.uncertainty import Budget, Component, effective_sample_size

_MUCH_SHARED: Final = 0.7
_HARDLY: Final = 0.9
"""Shared doubt, as a part of the tolerance, from which on it is told beside the number of further
readings, and from which on no number is told: it would be in the hundreds (ours)."""

MOST_READINGS: Final = 500
"""More readings than this nobody takes of one bobbin."""


@dataclass(frozen=True)
class LogMean:
    """Mean of the logarithm of diameter over a bobbin's readings and how well it is known."""

    mean: float
    sd: float
    """Standard deviation of the readings, about their drift or step where it is beyond doubt."""
    u: float
    """Standard uncertainty from the readings' scatter, without what they share."""
    dof: float
    readings: int
    n_effective: float
    u_shared: float
    """Relative doubt that all readings share."""


@dataclass(frozen=True)
class Precision:
    """A bobbin's mean diameter and spread, each with its 95 % interval."""

    readings: int
    n_effective: float
    """How many independent readings they are worth."""
    mean_mm: float
    """Arithmetic mean of the diameters, the one that wraps add up to."""
    mean_interval_mm: Interval
    known_to_percent: float
    """Half width of that interval, in per cent of the mean."""
    shared_percent: float
    """The part of that which no number of readings takes away: its own 95 % half width."""
    spread_percent: float
    """Standard deviation of the yarn from reading to reading, drift included, less their doubt."""
    spread_interval_percent: Interval
    within_percent: float | None
    """CV of diameter along the strand, root mean square over the readings."""
    cv_percent: float | None
    """CV of the bobbin's diameter, within and between readings together."""
    log_mean: LogMean

    def further_readings(self, tolerance_percent: float) -> int | None:
        """About how many more readings would bring the mean within this tolerance.

        0 when it is there already. None when there is nothing to go by yet (fewer than
        `FEWEST_READINGS`) or no number of readings would do.
        """
        if self.known_to_percent <= tolerance_percent:
            return 0
        if self.readings < FEWEST_READINGS:
            return None
        needed = readings_needed(
            100 * self.log_mean.sd,
            tolerance_percent,
            worth=self.n_effective / self.readings,
            u_shared_percent=100 * self.log_mean.u_shared,
        )
        return None if needed is None else max(needed - self.readings, 1)

    def sentence(self, tolerance_percent: float) -> str:
        """How well the mean is known, and what would bring it within the tolerance."""
        known = f"the mean is known to {_figure(self.known_to_percent)} %"
        wanted = f"{tolerance_percent:g} %"
        if self.known_to_percent <= tolerance_percent:
            return f"{known}, within the {wanted} wanted"
        if self.readings < FEWEST_READINGS:
            return f"{known}; {FEWEST_READINGS} readings are needed to tell how many make {wanted}"
        further = self.further_readings(tolerance_percent)
        if self.shared_percent >= _HARDLY * tolerance_percent:
            never = "not" if further is None else "hardly"
            return (
                f"{known}; more readings will {never} make it {wanted}, since card and camera "
                f"alone leave {_figure(self.shared_percent)} %"
            )
        if further is None:
            return f"{known}; it would take more than {MOST_READINGS} readings to make it {wanted}"
        more = "reading" if further == 1 else "readings"
        text = f"{known}; about {further} more {more} would make it {wanted}"
        if self.shared_percent > _MUCH_SHARED * tolerance_percent:
            text += f" (card and camera alone leave {_figure(self.shared_percent)} %)"
        return text


def _figure(percent: float) -> str:
    return f"{percent:.0f}" if percent >= 9.95 else f"{percent:.1f}"


def log_mean_of(readings: Sequence[ReadingPoint]) -> LogMean:
    """Mean log diameter of at least two readings in the order taken, evenly along the bobbin."""
    if len(readings) < 2:
        raise ValueError("a bobbin's mean needs at least two readings")
    y = np.array([r.log_diameter for r in readings])
    n = len(y)
    mean, about, used = float(y.mean()), y - y.mean(), 1
    step = step_of(readings)
    if step is not None:
        about, used = _about_levels(y, step.before), 3  # two levels and where they change
    elif n >= FEWEST_READINGS and trend_of(readings).clear:
        about, used = _about_line(y), 2
    sd = math.sqrt(float(about @ about) / (n - used))
    n_effective = effective_sample_size(about)
    shared = float(np.mean([r.u_shared_mm / r.diameter_mm for r in readings]))
    return LogMean(
        mean=mean,
        sd=sd,
        u=sd / math.sqrt(n_effective),
        dof=max((n - used) * _worth_in_dof(n_effective / n), 1.0),
        readings=n,
        n_effective=n_effective,
        u_shared=shared,
    )


def _worth_in_dof(worth: float) -> float:
    """How many degrees of freedom each reading adds to a variance when it is worth so many.

    A first-order series of correlation r is worth (1 - r)/(1 + r) for its mean and
    (1 - r^2)/(1 + r^2) for its variance (Bayley and Hammersley 1946, from memory).
    """
    return 2 * worth / (1 + worth * worth)


def _about_line(y: Floats) -> Floats:
    """Residuals of the least-squares line through values in their order, (n,)."""
    x = np.arange(len(y)) - (len(y) - 1) / 2
    residuals: Floats = y - y.mean() - x * (float(x @ y) / float(x @ x))
    return residuals


def _about_levels(y: Floats, at: int) -> Floats:
    """Residuals about the mean of the first `at` values and that of the rest, (n,)."""
    return np.concatenate([y[:at] - y[:at].mean(), y[at:] - y[at:].mean()])


def precision_of(readings: Sequence[ReadingPoint]) -> Precision:
    """Mean and spread of a bobbin from two or more readings spread along it, in the order taken.

    ValueError for fewer than two: one reading says nothing of how the rest of the bobbin is.
    """
    logs = log_mean_of(readings)
    diameters = np.array([r.diameter_mm for r in readings])
    mean = float(diameters.mean())
    budget = Budget((Component("readings", logs.u, logs.dof), Component("shared", logs.u_shared)))
    reach = budget.expanded()
    y = np.log(diameters)
    own = float(np.mean([r.u_own**2 for r in readings]))
    total = float(y.var(ddof=1))
    # Limits of a variance by chi-square; chdtri takes the upper tail.
    low, high = (total * logs.dof / float(chdtri(logs.dof, tail)) for tail in (0.025, 0.975))
    cvs = [r.cv_percent for r in readings if r.cv_percent is not None]
    within = math.sqrt(math.fsum(cv * cv for cv in cvs) / len(cvs)) if cvs else None
    spread = 100 * math.sqrt(max(total - own, 0.0))
    return Precision(
        readings=logs.readings,
        n_effective=logs.n_effective,
        mean_mm=mean,
        mean_interval_mm=(mean * math.exp(-reach), mean * math.exp(reach)),
        known_to_percent=100 * math.sinh(reach),
        shared_percent=100 * math.sinh(float(ndtri(0.975)) * logs.u_shared),
        spread_percent=spread,
        spread_interval_percent=(
            100 * math.sqrt(max(low - own, 0.0)),
            100 * math.sqrt(max(high - own, 0.0)),
        ),
        within_percent=within,
        cv_percent=None if within is None else math.hypot(within, spread),
        log_mean=logs,
    )


def readings_needed(
    sd_percent: float,
    tolerance_percent: float,
    *,
    worth: float = 1.0,
    u_shared_percent: float = 0.0,
) -> int | None:
    """Fewest readings whose mean has a 95 % interval no wider than plus or minus the tolerance.

    `sd_percent` is the standard deviation of one reading, `worth` how many independent readings
    one of them is worth, `u_shared_percent` the doubt they share. By Student's t, so of
    independent readings with one degree of freedom fewer than there are. None when
    `MOST_READINGS` would not do.
    """
    if not (sd_percent >= 0 and tolerance_percent > 0 and 0 < worth <= 1):
        raise ValueError("sd is 0 or more, tolerance above 0, worth above 0 and at most 1")
    n = np.arange(2, MOST_READINGS + 1)
    independent = np.maximum(n * worth, 1.0)
    u_readings = sd_percent / np.sqrt(independent)
    u = np.hypot(u_readings, u_shared_percent)
    # Welch and Satterthwaite: the shared part is taken as exactly known.
    known = np.divide(u_readings, u, out=np.zeros_like(u), where=u > 0) ** 4
    dof = np.maximum((n - 1) * _worth_in_dof(worth), 1.0) / np.maximum(known, 1e-12)
    enough = np.flatnonzero(stdtrit(dof, 0.975) * u <= tolerance_percent)
    return int(n[enough[0]]) if len(enough) else None
