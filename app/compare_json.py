"""Compared bobbins as JSON for programs (docs/formats.md)."""

from __future__ import annotations

from typing import Any

from app import program_version
from app.compare import BobbinFigures, Compared, wpi_of
from app.json_text import json_text, number, numbers
from measure.drift import Step
from measure.pairing import Pairing, Plying


def as_json(compared: Compared) -> str:
    """The JSON of `slubwise compare --json` (docs/formats.md)."""
    document = {"slubwise": program_version()} | compare_object(compared)
    return json_text(document)


def compare_object(compared: Compared) -> dict[str, Any]:
    """The same without the version, as plain data."""
    comparison = compared.comparison
    return {
        "margin_percent": comparison.margin_percent,
        "same_way": compared.same_way,
        "bobbins": [
            bobbin_object(f, compared.wrap_factor, compared.tolerance_percent)
            for f in compared.figures
        ],
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "percent": number(pair.percent),
                "interval_percent": numbers(pair.interval_percent),
                "verdict": pair.verdict,
                "beyond_margin": pair.beyond_margin,
                "p_match": number(pair.p_match, 6),
                "p_differ": number(pair.p_differ, 6),
                "further": None
                if pair.further is None
                else {"bobbin": pair.further[0], "readings": pair.further[1]},
            }
            for pair in comparison.pairs
        ],
        "groups": [list(group) for group in comparison.groups],
        "sentences": list(comparison.sentences),
        "notes": compared.notes,
        "plying": None if compared.pairing is None else _pairing_object(compared.pairing),
    }


def bobbin_object(
    figures: BobbinFigures, wrap_factor: float, tolerance_percent: float
) -> dict[str, Any]:
    """What one bobbin's readings say, as plain data."""
    bobbin, found, drift = figures.bobbin, figures.precision, figures.drift
    trend = figures.trend
    out: dict[str, Any] = {
        "name": bobbin.name,
        "readings": len(bobbin.points),
        "left_out": bobbin.left_out,
        "length_mm": number(bobbin.length_mm),
        "net_g": number(bobbin.net_g),
        "turns_per_inch": number(bobbin.turns_per_inch),
        "twist": bobbin.twist,
        "diameters_mm": [number(point.diameter_mm) for point in bobbin.points],
        "mean": None,
        "whole_trend": None
        if trend is None
        else {
            "by": trend.by,
            "grams": number(trend.grams),
            "percent": number(trend.percent),
            "interval_percent": numbers(trend.interval_percent),
        },
        "whole_step": _step_object(figures.step),
        "drift": {
            "state": drift.state,
            "sentence": drift.sentence,
            "alarms": [index + 1 for index in drift.alarms],
            "outside_band": [index + 1 for index in drift.outside_band],
            "from_first_percent": number(drift.from_first_percent),
            "trend_percent": number(drift.trend_percent),
            "trend_interval_percent": numbers(drift.trend_interval),
            "step": _step_object(drift.step),
            "within_percent": number(drift.within_percent),
            "reading_percent": number(drift.reading_percent),
            "between_percent": number(drift.between_percent),
        },
    }
    if found is not None:
        wpi, wpi_interval = wpi_of(found, wrap_factor)
        out["mean"] = {
            "diameter_mm": number(found.mean_mm),
            "diameter_interval_mm": numbers(found.mean_interval_mm),
            "wpi": number(wpi),
            "wpi_interval": numbers(wpi_interval),
            "n_effective": number(found.n_effective),
            "known_to_percent": number(found.known_to_percent),
            "tolerance_percent": tolerance_percent,
            "further_readings": found.further_readings(tolerance_percent),
            "spread_percent": number(found.spread_percent),
            "spread_interval_percent": numbers(found.spread_interval_percent),
            "cv_percent": number(found.cv_percent),
            "sentence": found.sentence(tolerance_percent),
        }
    return out


def _step_object(step: Step | None) -> dict[str, Any] | None:
    if step is None:
        return None
    return {
        "before": step.before,
        "after": step.after,
        "grams": number(step.grams),
        "percent": number(step.percent),
        "interval_percent": numbers(step.interval_percent),
    }


def _pairing_object(pairing: Pairing) -> dict[str, Any]:
    return {
        "plies": pairing.plies,
        "best": _plying_object(pairing.best),
        "own": _plying_object(pairing.own),
        "own_given": pairing.own_given,
        "worst": _plying_object(pairing.worst),
        "sentence": pairing.sentence,
    }


def _plying_object(plying: Plying) -> dict[str, Any]:
    return {
        "groups": [
            {
                "bobbins": [{"name": end.name, "rewound": end.rewound} for end in group.ends],
                "diameter_mm": [number(value) for value in group.diameter_mm.tolist()],
            }
            for group in plying.groups
        ],
        "left_over": list(plying.left_over),
        "left_over_share": number(plying.left_over_share),
        "drift_percent": number(plying.drift_percent),
        "cv_percent": number(plying.cv_percent),
        "wpi_interval": numbers(plying.wpi_interval),
    }
