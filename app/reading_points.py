"""Logged readings as the statistics of drift and bobbins take them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import median
from typing import TYPE_CHECKING

from measure.drift import ReadingPoint

if TYPE_CHECKING:
    from app.notebook.records import LoggedReading


def points_of(readings: Sequence[LoggedReading]) -> tuple[ReadingPoint, ...]:
    """A point for each reading, in their order.

    A reading whose doubt or shared doubt is not known (saved from a damaged file, typed in
    elsewhere) is taken to have as large a one as the others.
    """
    usual_u = _usual(r.u_diameter_mm / r.diameter_mm for r in readings)
    usual = _usual(r.u_shared_mm / r.diameter_mm for r in readings if r.u_shared_mm is not None)
    points = []
    for r in readings:
        known = math.isfinite(r.u_diameter_mm)
        u = r.u_diameter_mm if known else usual_u * r.diameter_mm
        shared = usual * r.diameter_mm if r.u_shared_mm is None else r.u_shared_mm
        points.append(
            ReadingPoint(
                diameter_mm=r.diameter_mm,
                u_diameter_mm=u,
                cv_percent=r.cv_percent,
                spun_g=r.spun_g,
                sitting=r.sitting_id,
                u_shared_mm=min(shared, u),
            )
        )
    return tuple(points)


def _usual(parts: Iterable[float]) -> float:
    known = [part for part in parts if math.isfinite(part)]
    return median(known) if known else 0.0
