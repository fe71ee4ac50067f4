"""Strands to log, made from a seed: figures with all their bits, as an instrument gives them."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from app.notebook.records import LoggedReading
from measure.results import (
    Along,
    Caution,
    Outline,
    ScaleSummary,
    StrandReading,
    UnevenPlace,
    WeightClass,
)

SCALE = ScaleSummary("card", True, "desk 1", 0.0497123456789, 0.0021, 3.25, 39, 0.081, 0.93)


class Log(Protocol):
    """Logs the strand of a seed; what else `Notebook.log` takes can be given."""

    def __call__(self, seed: int, **more: object) -> LoggedReading: ...


def a_strand(seed: int, *, entries: int = 600, diameter_mm: float | None = None) -> StrandReading:
    """A strand of so many places along; a tenth of its figures are gaps."""
    random = np.random.default_rng(seed)
    middle = diameter_mm if diameter_mm is not None else float(random.uniform(0.3, 2.5))
    position = 0.25 * np.arange(entries) + random.uniform(0, 0.25)
    profile = middle * np.exp(0.06 * random.standard_normal(entries))
    profile[random.random(entries) < 0.1] = np.nan
    centre = np.stack([80 + 4 * position, 300 + np.cumsum(random.normal(0, 0.1, entries))], axis=1)
    half = np.stack([np.zeros(entries), 2 * np.nan_to_num(profile, nan=middle)], axis=1)
    u = 0.02 * middle
    low, high = middle - 1.96 * u, middle + 1.96 * u
    return StrandReading(
        number=1 + seed % 5,
        lane=("banded", "open", "picture")[seed % 3],
        ground=("light", "dark", "both", "open")[seed % 4],
        diameter_mm=middle,
        u_diameter_mm=u,
        diameter_interval_mm=(low, high),
        wpi=25.4 / middle,
        wpi_interval=(25.4 / high, 25.4 / low),
        weight_classes=(WeightClass(1, "Super Fine"), WeightClass(2, "Fine")),
        cv_percent=float(random.uniform(2, 20)) if seed % 2 else None,
        length_mm=0.25 * entries,
        along=Along(
            position,
            profile,
            np.abs(random.normal(0.02, 0.002, entries)),
            np.where(position % 28 < 14, "dark", "light"),
        ),
        uneven_places=(UnevenPlace("thick", 50, 20.0, 23.0, 31.0 / 3),),
        halo_ratio=1.4,
        light_mm=middle * 1.01,
        dark_mm=None,
        agreement_percent=None,
        budget_mm={"scale": 0.6 * u, "edges": 0.8 * u},
        width_px=middle * 20,
        outline=Outline(centre, centre - half, centre + half),
        cautions=(Caution("soft_focus", "The picture is soft for so fine a strand."),),
        plies=2 if seed % 3 == 0 else None,
        turns_per_inch=6.1 if seed % 3 == 0 else None,
        twist="Z" if seed % 3 == 0 else None,
    )
