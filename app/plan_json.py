"""A plan as JSON for programs (docs/formats.md)."""

from __future__ import annotations

from typing import Any

from app import program_version
from app.json_text import json_text, number, numbers
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
            "fibre_g": number(wish.fibre_g),
            "length_m": number(wish.length_m),
        },
        "single": _band(plan.single, wrap_factor),
        "single_relaxed": _band(plan.single_relaxed, wrap_factor),
        "single_middle": _width(plan.single_mm, wrap_factor),
        "plied": _width(plan.plied_mm, wrap_factor),
        "finished": _width(plan.finished_mm, wrap_factor),
        "chance": number(plan.chance),
        "twist": {
            "single_turns_per_inch": number(twist.single_turns_per_inch),
            "single_balanced": numbers(twist.single_band),
            "ply_turns_per_inch": number(twist.ply_turns_per_inch),
            "ply_balanced": numbers(twist.ply_band),
            "angle_deg": number(twist.angle_deg),
            "take_up_percent": number(twist.take_up_percent),
            "balance": twist.balance or None,
        },
        "amounts": {
            "tex": _estimate(amounts.tex),
            "single_tex": _estimate(amounts.single_tex),
            "length_m": _estimate(amounts.length_m),
            "singles_m": _estimate(amounts.singles_m),
            "fibre_needed_g": _estimate(amounts.fibre_needed_g),
            "enough": number(amounts.enough),
            "bobbins": amounts.bobbins,
            "bobbin_g": number(amounts.bobbin_g),
            "readings_per_bobbin": amounts.readings_per_bobbin,
        },
        "learned": [
            {
                "name": lesson.pair.name,
                "method": lesson.pair.method,
                "plies": lesson.pair.plies,
                "fibre": lesson.pair.fibre,
                "ply_percent": number(lesson.ply_percent),
                "wash_percent": number(lesson.wash_percent),
                "finished_percent": number(lesson.finished_percent),
                "density_g_per_cm3": number(lesson.density_g_per_cm3),
                "pull_percent": number(lesson.pull_percent),
                "stands_apart": lesson.stands_apart,
            }
            for lesson in plan.lessons
        ],
        "sentences": list(plan_sentences(plan, chart, wrap_factor)),
    }
    return json_text(document)


def _band(band: Band, wrap: float) -> dict[str, Any]:
    return {
        "low_mm": number(band.low_mm),
        "high_mm": number(band.high_mm),
        "low_wpi": number(band.low_wpi(wrap)),
        "high_wpi": number(band.high_wpi(wrap)),
    }


def _width(estimate: Estimate, wrap: float) -> dict[str, Any]:
    return {
        "diameter_mm": number(estimate.value),
        "diameter_interval_mm": numbers(estimate.interval),
        "wpi": number(wpi_from_diameter(estimate.value, wrap)),
        "wpi_interval": numbers(wpi_interval_from_diameter(estimate.interval, wrap)),
    }


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    return {"value": number(estimate.value), "interval": numbers(estimate.interval)}
