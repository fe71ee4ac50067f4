"""A finished skein as JSON (docs/formats.md)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from app.json_text import number, numbers
from app.skein import LookedAt

if TYPE_CHECKING:
    from measure.grist import Amount
    from measure.section_evenness import Rate, SkeinEvenness
    from measure.skein import Mean, SkeinFigures


def skein_object(looked: LookedAt) -> dict[str, Any]:
    """Everything as plain data; numbers without noise digits, what is not known null."""
    skein = looked.skein
    figures = looked.figures
    return {
        "name": skein.name,
        "spin": looked.spin.name,
        "bobbins": [bobbin.name for bobbin in looked.bobbins],
        "fibre": looked.fibre,
        "colourway": looked.colourway,
        "plies": looked.plies,
        "method": skein.method,
        "washed_on": skein.finish.washed_on or None,
        "chart": looked.chart.name,
        "wrap_factor": looked.wrap_factor,
        "unwashed": _figures(looked.unwashed),
        "washed": _figures(looked.washed),
        "wash_percent": None if looked.swelling is None else number(looked.swelling.percent),
        "wash_interval_percent": None
        if looked.swelling is None
        else numbers(looked.swelling.interval_percent),
        "hang_test": looked.balance,
        "ply_balance": None if looked.ply_balance is None else looked.ply_balance.as_object(),
        "weight_g": number(skein.amounts.weight_g),
        "routes": [
            {
                "name": route.name,
                "chosen": route is looked.route,
                "length_m": _amount(route.length_m),
                "tex": _amount(route.tex),
            }
            for route in looked.routes
        ],
        "disagreements": [
            {
                "first": d.first.name,
                "second": d.second.name,
                "of": d.of,
                "percent": number(d.percent),
                "interval_percent": numbers(d.interval_percent),
                "sentence": d.sentence,
            }
            for d in looked.disagreements
        ],
        "k": number(looked.k),
        "learned_k": None
        if looked.learned is None
        else {
            "k": number(looked.learned.k),
            "k_interval": numbers(looked.learned.k_interval),
            "from": looked.learned.source,
        },
        "own_wrap_factor": number(looked.own_wrap_factor),
        "plan": {
            "tolerance_percent": looked.tolerance_percent,
            "sentence": looked.plan,
            "layer": looked.next_place.layer,
            "hour": looked.next_place.hour,
        },
        "suit": None
        if looked.suit is None or figures is None
        else {
            "verdict": looked.suit.verdict,
            "reasons": list(looked.suit.reasons),
            "shares": {name: number(share) for name, share in looked.suit.shares},
            "better_for": list(looked.suit.better_for),
        },
    }


def _figures(figures: SkeinFigures | None) -> dict[str, Any] | None:
    if figures is None:
        return None
    twist = figures.twist
    return {
        "sections": figures.sections,
        "diameter_mm": number(figures.mean_mm),
        "diameter_interval_mm": numbers(figures.mean_interval_mm),
        "wpi": number(figures.wpi),
        "wpi_interval": numbers(figures.wpi_interval),
        "wpi_range": numbers(figures.wpi_range),
        "wpi_range90": numbers(figures.wpi_range90),
        "classes": [c.name for c in figures.classes],
        "known_to_percent": number(figures.known_to_percent),
        "spread_percent": number(figures.spread_percent),
        "diameters_mm": [number(d) for d in figures.diameters_mm.tolist()],
        "layers": {layer: _mean(mean) for layer, mean in figures.layers},
        "evenness": _evenness(figures.evenness),
        "twist": None
        if twist is None
        else {
            "turns_per_inch": number(twist.turns_per_inch.value),
            "turns_per_inch_interval": numbers(twist.turns_per_inch.interval),
            "sections": twist.turns_per_inch.sections,
            "twist": twist.direction,
            "disagree": twist.disagree,
            "angle_deg": number(twist.angle_deg),
        },
    }


def _mean(mean: Mean) -> dict[str, Any]:
    return {
        "sections": mean.sections,
        "diameter_mm": number(mean.value),
        "diameter_interval_mm": numbers(mean.interval),
    }


def _evenness(found: SkeinEvenness | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "length_m": number(found.length_m),
        "averaged_mm": found.averaged_mm,
        "cv_percent": number(found.cv_percent),
        "thick_per_10_m": _rate(found.thick),
        "thin_per_10_m": _rate(found.thin),
        "cut_length": [
            {"cut_mm": p.cut_mm, "cv_percent": number(p.cv_percent)} for p in found.curve
        ],
    }


def _rate(rate: Rate) -> dict[str, Any]:
    return {
        "count": rate.count,
        "value": number(rate.per_10_m),
        "interval": numbers(rate.interval),
    }


def _amount(amount: Amount | None) -> dict[str, Any] | None:
    if amount is None:
        return None
    return {"value": number(amount.value), "interval": numbers(amount.interval)}
