"""A plan as JSON for programs (docs/formats.md)."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from app import program_version
from measure.band import Band
from measure.plan import Estimate, Plan, plan_sentences
from measure.weight_class import WeightChart
from measure.yarn import wpi_from_diameter, wpi_interval_from_diameter


def as_json(plan: Plan, chart: WeightChart, wrap_factor: float) -> str:
    """The JSON of `slubwise plan --json` (docs/formats.md)."""
    wish, twist, amounts = plan.wish, plan.twist, plan.amounts
    document = {
        "slubwise": program_version(),
        "wish": {
            "finished": _band(wish.finished, wrap_factor),
            "plies": wish.plies,
            "method": wish.method,
            "fibre": wish.fibre,
            "fibre_g": _number(wish.fibre_g),
            "length_m": _number(wish.length_m),
        },
        "single": _band(plan.single, wrap_factor),
        "single_relaxed": _band(plan.single_relaxed, wrap_factor),
        "single_middle": _width(plan.single_mm, wrap_factor),
        "plied": _width(plan.plied_mm, wrap_factor),
        "finished": _width(plan.finished_mm, wrap_factor),
        "chance": _number(plan.chance),
        "twist": {
            "single_turns_per_inch": _number(twist.single_turns_per_inch),
            "single_balanced": _numbers(twist.single_band),
            "ply_turns_per_inch": _number(twist.ply_turns_per_inch),
            "ply_balanced": _numbers(twist.ply_band),
            "angle_deg": _number(twist.angle_deg),
            "take_up_percent": _number(twist.take_up_percent),
            "balance": twist.balance or None,
        },
        "amounts": {
            "tex": _estimate(amounts.tex),
            "single_tex": _estimate(amounts.single_tex),
            "length_m": _estimate(amounts.length_m),
            "singles_m": _estimate(amounts.singles_m),
            "fibre_needed_g": _estimate(amounts.fibre_needed_g),
            "enough": _number(amounts.enough),
            "bobbins": amounts.bobbins,
            "bobbin_g": _number(amounts.bobbin_g),
            "readings_per_bobbin": amounts.readings_per_bobbin,
        },
        "learned": [
            {
                "name": lesson.pair.name,
                "method": lesson.pair.method,
                "plies": lesson.pair.plies,
                "fibre": lesson.pair.fibre,
                "ply_percent": _number(lesson.ply_percent),
                "wash_percent": _number(lesson.wash_percent),
                "finished_percent": _number(lesson.finished_percent),
                "density_g_per_cm3": _number(lesson.density_g_per_cm3),
                "pull_percent": _number(lesson.pull_percent),
                "stands_apart": lesson.stands_apart,
            }
            for lesson in plan.lessons
        ],
        "sentences": list(plan_sentences(plan, chart, wrap_factor)),
    }
    return json.dumps(document, allow_nan=False, ensure_ascii=False, indent=1)


def _band(band: Band, wrap: float) -> dict[str, Any]:
    return {
        "low_mm": _number(band.low_mm),
        "high_mm": _number(band.high_mm),
        "low_wpi": _number(band.low_wpi(wrap)),
        "high_wpi": _number(band.high_wpi(wrap)),
    }


def _width(estimate: Estimate, wrap: float) -> dict[str, Any]:
    return {
        "diameter_mm": _number(estimate.value),
        "diameter_interval_mm": _numbers(estimate.interval),
        "wpi": _number(wpi_from_diameter(estimate.value, wrap)),
        "wpi_interval": _numbers(wpi_interval_from_diameter(estimate.interval, wrap)),
    }


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    return {"value": _number(estimate.value), "interval": _numbers(estimate.interval)}


def _number(value: float | None, decimals: int = 5) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals)


def _numbers(values: Sequence[float] | None) -> list[float | None] | None:
    return None if values is None else [_number(value) for value in values]
