"""Evenness of a strand, from the diameters of cuts along it.

Evenness standards speak of mass per length; a picture shows diameter. Everything here is
diameter unless its name says mass, and the two are joined only by the assumption of constant
packing (mass goes as the square of diameter). A CV belongs to the length over which each value
was averaged, and longer cuts of the same yarn give a lower one: the cuts here are 1 mm. A plied
strand swells and shrinks as it turns, so its cuts should be averaged over whole turns before
they come here.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from measure.results import Floats, UnevenPlace

CUT_MM: Final = 1.0
"""Averaging length of one diameter along the strand."""

THIN_MASS_LIMITS_PERCENT: Final = (-30, -40, -50, -60)
"""Customary limits of thin places, per cent of mean mass (mill practice, from memory)."""

THICK_MASS_LIMITS_PERCENT: Final = (35, 50, 70, 100)
"""Customary limits of thick places, per cent of mean mass (mill practice, from memory)."""

USUAL_THIN_PERCENT: Final = -50
USUAL_THICK_PERCENT: Final = 50


def means_per_cut(
    position_mm: Floats, diameter_mm: Floats, start_mm: float, count: int, least: int = 1
) -> Floats:
    """Means of a profile (m,) over `count` whole cuts from a start, the last with all beyond it.

    NaN where fewer than `least` of its values lie, (count,); values that are NaN count for nothing.
    """
    seen = np.isfinite(diameter_mm)
    which = np.floor((position_mm[seen] - start_mm) / CUT_MM).astype(int)
    which = np.minimum(which, count - 1)
    many = np.bincount(which, minlength=count)
    total = np.bincount(which, diameter_mm[seen], minlength=count)
    means: Floats = np.divide(total, many, out=np.full(count, np.nan), where=many >= least)
    return means


def _measured(diameter_mm: ArrayLike) -> Floats:
    """The finite diameters, (n,); ValueError when fewer than two or their mean is not positive."""
    values = np.asarray(diameter_mm, dtype=np.float64).ravel()
    values = values[np.isfinite(values)]
    if values.size < 2:
        raise ValueError("evenness needs at least two measured cuts")
    if values.mean() <= 0:
        raise ValueError("diameters must be positive")
    return values


def cv_percent(diameter_mm: ArrayLike) -> float:
    """Coefficient of variation of cut diameters (n,), sample standard deviation over mean, in %.

    Places not measured may be NaN and are left out.
    """
    values = _measured(diameter_mm)
    return float(100 * values.std(ddof=1) / values.mean())


def cv_standard_error_percent(cv_percent: float, n: float) -> float:
    """Standard error, in per cent of the mean, of a CV in % from n independent values.

    Large-sample formula for near-normal values; pass the effective sample size for cuts that
    follow one another along a strand.
    """
    if n <= 1:
        raise ValueError("the standard error of a CV needs more than one independent value")
    cv = cv_percent / 100
    return 100 * cv * math.sqrt(1 / (2 * (n - 1)) + cv * cv / n)


def u_percent(diameter_mm: ArrayLike) -> float:
    """The trade's U%: mean absolute departure over mean of cut diameters (n,), in %.

    Here of diameter, where the trade means mass. Not an uncertainty, whatever its letter.
    """
    values = _measured(diameter_mm)
    mean = values.mean()
    return float(100 * np.abs(values - mean).mean() / mean)


def diameter_percent_from_mass_percent(mass_percent: float) -> float:
    """Departure of diameter, in % of its mean, that goes with one of mass at constant packing."""
    if mass_percent < -100:
        raise ValueError(f"mass cannot fall by more than 100 %, and {mass_percent:g} % was given")
    return 100 * (math.sqrt(1 + mass_percent / 100) - 1)


def mass_cv_percent_from_diameter_cv(diameter_cv_percent: float) -> float:
    """CV of mass, in %, of a strand with this CV of diameter: normal, constant packing."""
    cv_squared = (diameter_cv_percent / 100) ** 2
    return 100 * math.sqrt(4 * cv_squared + 2 * cv_squared**2) / (1 + cv_squared)


def martindale_limit_percent(fibres_in_section: float, fibre_mass_cv_percent: float = 0.0) -> float:
    """Martindale's limit: CV of mass, in %, of a strand of fibres laid wholly at random.

    Fibres in section follow from the strand's count and one fibre's; a picture alone does not
    give them.
    """
    if not fibres_in_section > 0:
        raise ValueError("the number of fibres in the section must be positive")
    return 100 * math.hypot(1, fibre_mass_cv_percent / 100) / math.sqrt(fibres_in_section)


def _runs(beyond: NDArray[np.bool_], joined: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of True; `joined[i]` says cut i follows straight on i-1."""
    from_before = joined & beyond & np.concatenate(([False], beyond[:-1]))
    starts = np.flatnonzero(beyond & ~from_before)
    ends = np.flatnonzero(beyond & ~np.concatenate((from_before[1:], [False])))
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def find_uneven_places(
    position_mm: ArrayLike,
    diameter_mm: ArrayLike,
    cut_mm: float = CUT_MM,
    *,
    thin_percent: int = USUAL_THIN_PERCENT,
    thick_percent: int = USUAL_THICK_PERCENT,
) -> tuple[UnevenPlace, ...]:
    """Thick and thin places, in order along the strand.

    `position_mm` (n,) are the middles of cuts `cut_mm` long, rising; `diameter_mm` (n,) may be
    NaN where nothing was measured. The limits are the style of ISO 16549, per cent of mean
    *mass*, applied to *diameter* at constant packing: -50 % of mass is -29.3 % of diameter,
    +50 % is +22.5 %. A place is a run of consecutive cuts beyond a limit; a step of more than
    1.5 cuts in position, or an unmeasured cut, ends it. Each place carries the mass limit used
    and its own largest departure in per cent of the mean diameter. Fewer than two measured cuts
    have no places.
    """
    position = np.asarray(position_mm, dtype=np.float64)
    diameter = np.asarray(diameter_mm, dtype=np.float64)
    if position.ndim != 1 or position.shape != diameter.shape:
        raise ValueError("position_mm and diameter_mm must be flat arrays of the same length")
    if not cut_mm > 0:
        raise ValueError("cut_mm must be positive")
    if not -100 < thin_percent < 0 < thick_percent:
        raise ValueError("thin_percent must lie between -100 and 0, thick_percent above 0")
    if np.any(np.diff(position) <= 0):
        raise ValueError("position_mm must rise along the strand")
    measured = np.isfinite(diameter)
    if measured.sum() < 2:
        return ()

    mean = diameter[measured].mean()
    if mean <= 0:
        raise ValueError("diameters must be positive")
    departure = np.where(measured, 100 * (diameter / mean - 1), 0.0)
    joined = np.concatenate(([False], np.diff(position) <= 1.5 * cut_mm))

    places: list[UnevenPlace] = []
    limits: tuple[tuple[Literal["thick", "thin"], int], ...] = (
        ("thin", thin_percent),
        ("thick", thick_percent),
    )
    for kind, mass_percent in limits:
        limit = diameter_percent_from_mass_percent(mass_percent)
        beyond = departure < limit if kind == "thin" else departure > limit
        for first, last in _runs(beyond, joined):
            run = departure[first : last + 1]
            places.append(
                UnevenPlace(
                    kind=kind,
                    threshold_percent=mass_percent,
                    from_mm=float(position[first] - cut_mm / 2),
                    to_mm=float(position[last] + cut_mm / 2),
                    extreme_percent=float(run.min() if kind == "thin" else run.max()),
                )
            )
    return tuple(sorted(places, key=lambda place: place.from_mm))
