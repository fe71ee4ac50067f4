"""Readings for the tests of the charts: what they are is decided here, not by the program."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from app.notebook.records import LoggedReading

FIRST = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)


def reading(
    number: int,
    diameter_mm: float,
    *,
    sitting: str = "a",
    minutes: float | None = None,
    spun_g: float | None = None,
    u_mm: float = 0.01,
    note: str = "",
) -> LoggedReading:
    """One logged reading; an hour for each number before it unless told otherwise."""
    reach = 1.96 * u_mm
    return LoggedReading(
        id=f"id{number}",
        sitting_id=sitting,
        bobbin_id="bobbin",
        number=number,
        taken_at=FIRST + timedelta(minutes=60.0 * number if minutes is None else minutes),
        posture="tension",
        diameter_mm=diameter_mm,
        u_diameter_mm=u_mm,
        interval_mm=(diameter_mm - reach, diameter_mm + reach),
        cv_percent=6.2,
        length_mm=80.0,
        turns_per_inch=10.1,
        twist="Z",
        spun_g=spun_g,
        note=note,
        printed_card="pocket",
        source="camera",
        has_picture=False,
    )


def many(n: int, seed: int = 1) -> list[LoggedReading]:
    """`n` readings in sittings of 40 that scatter by 4 % about 1.15 mm."""
    rng = np.random.default_rng(seed)
    return [
        reading(
            k + 1,
            1.15 * math.exp(rng.normal(0.0, 0.04)),
            sitting=f"s{k // 40}",
            minutes=3.0 * k + 1440.0 * (k // 40),
            spun_g=0.5 * k,
        )
        for k in range(n)
    ]
