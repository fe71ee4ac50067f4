"""A skein's ply twist against what balances the singles that were read on its bobbins."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from typing import Final

from app.notebook.records import PLIED_POSTURES, LoggedReading
from measure.skein import SkeinFigures
from measure.twist_band import TwistBand

_SHARED_DOUBT: Final = 0.12
"""Relative doubt (95 %) of singles' twist that no number of readings takes away: it is read from
the slope of fibres (`measure.twist`, 6 % standard)."""
_BALANCED_PLIES: Final = range(2, 5)
"""Numbers of plies that lie round one axis without one in the middle."""


def balance_sentence(
    figures: SkeinFigures | None, plies: int | None, singles: Iterable[LoggedReading]
) -> str | None:
    """Whether the ply twist balances the singles, against the band that would; None: not known.

    `figures` are best of the yarn before its wash, which swells the plies. `singles` are readings
    of the bobbins it was plied from.
    """
    twist = figures.twist if figures is not None else None
    if figures is None or twist is None or plies is None or plies not in _BALANCED_PLIES:
        return None
    known = [r for r in singles if r.posture not in PLIED_POSTURES and r.turns_per_inch]
    if not known or {r.twist for r in known} & {twist.direction} - {None}:
        return None  # plied the way they were spun, nothing balances
    turns = [r.turns_per_inch or 0.0 for r in known]
    single = statistics.fmean(turns)
    scatter = 2 * statistics.stdev(turns) / math.sqrt(len(turns)) if len(turns) > 1 else 0.0
    half = math.hypot(scatter, _SHARED_DOUBT * single)
    if half >= single:
        return None
    ends = [
        TwistBand.balancing(end, figures.mean_mm, plies) for end in (single - half, single + half)
    ]
    band = TwistBand(ends[0].low, ends[1].high, balanced=True)
    ply = twist.turns_per_inch
    judged = band.judge(ply.value, ply.interval)
    place = {"in": "in balance with", "more": "over-plied for", "less": "under-plied for"}[
        judged.place
    ]
    perhaps = "" if judged.sure else "perhaps "
    return (
        f"ply twist is {ply.value:.1f} TPI, {perhaps}{place} singles of {single:.1f} TPI: "
        f"{band.low:.1f} to {band.high:.1f} would balance"
    )
