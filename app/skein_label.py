"""What stands on a skein's label, in words; how it is set is `app.label_sheet`'s business."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC
from typing import Final

import numpy as np

from app import UseError
from app.format import decimals_for, rounded
from app.skein import LookedAt
from app.skein_report import Fact, ply_words, range_text, short_amount
from measure.grist import Amount, in_count, in_yards
from measure.results import Floats
from measure.yarn import G_PER_OUNCE

_NBSP: Final = "\N{NO-BREAK SPACE}"
SWATCH: Final = "Measured with Slubwise. Readings describe what was seen: knit a swatch."


@dataclass(frozen=True, eq=False)
class Label:
    """A label's words; an empty one leaves its place to the others."""

    name: str
    fibre: str
    colourway: str
    wpi: str
    """'17'; empty when no section was read."""
    wpi_range: str
    """'WPI, sections 16 to 20'."""
    class_name: str
    """'Fine / Super Fine'."""
    chart: str
    """By which chart."""
    facts: tuple[Fact, ...]
    care: str
    text: str
    strip_mm: Floats
    """The ribbon: diameters of the sections' cuts with gaps between, (n,); empty for none."""


def label_of(looked: LookedAt, units: str = "mm") -> Label:
    """The label of a skein; UseError when there is nothing to put on one."""
    figures, skein = looked.figures, looked.skein
    wpi = wpi_range = class_name = ""
    strip = np.empty(0)
    if figures is not None:
        low, high = figures.wpi_interval
        wpi = (
            f"{figures.wpi:.0f}" if high - low > 0.6 or figures.wpi >= 20 else f"{figures.wpi:.1f}"
        )
        if figures.sections > 1:
            wpi_range = f"WPI, sections {range_text(figures.wpi_range)}"
        else:
            wpi_range = f"WPI ({low:.1f} to {high:.1f}), one section"
        if looked.washed is None:
            wpi_range += ", not washed"
        names = [c.name for c in figures.classes[:2]]
        class_name = " / ".join(names)
        if figures.evenness is not None:
            strip = figures.evenness.strip_mm
    facts = _facts(looked, units)
    if figures is None and looked.route is None and skein.amounts.weight_g is None:
        raise UseError(
            "nothing is known of this skein yet: take a section, or write down weight and length."
        )
    return Label(
        name=skein.name.strip(),
        fibre=looked.fibre,
        colourway=looked.colourway,
        wpi=wpi,
        wpi_range=wpi_range,
        class_name=class_name,
        chart=f"class by the {looked.chart.title} chart" if class_name else "",
        facts=tuple(facts),
        care=skein.label.care_line.strip(),
        text=skein.label.label_text.strip(),
        strip_mm=strip,
    )


def _facts(looked: LookedAt, units: str) -> list[Fact]:
    out = []
    skein, route = looked.skein, looked.route
    if skein.amounts.weight_g is not None:
        weight = Amount.within(skein.amounts.weight_g, skein.amounts.weight_within_g)
        pair = [_short(weight, "g"), _short(weight.scaled(1 / G_PER_OUNCE), "oz")]
        out.append(Fact("Weight", _pair(pair, units)))
    if route is not None and route.length_m is not None:
        metres, yards = route.length_m, in_yards(route.length_m)
        first, second = ((yards, "yd"), (metres, "m")) if units == "inch" else (
            (metres, "m"), (yards, "yd"))  # fmt: skip
        out.append(Fact("Length", f"{_with_ends(*first)}, {_short(*second)}"))
    if route is not None and route.tex is not None:
        pair = [
            _short(in_count(route.tex, "m_per_100g"), "m/100 g"),
            _short(in_count(route.tex, "yd_per_lb"), "yd/lb"),
        ]
        out.append(Fact("Grist", _pair(pair, units)))
    made = [] if looked.plies is None else [ply_words(looked.plies)]
    if skein.method.strip() and skein.method.strip().casefold() not in made:
        made.append(skein.method.strip())
    if made and (looked.plies != 1 or len(made) == 1):
        out.append(Fact("Made", ", ".join(made)))
    figures = looked.figures
    if figures is not None and figures.twist is not None and not figures.twist.disagree:
        twist = figures.twist
        way = f" {twist.direction}" if twist.direction else ""
        out.append(Fact("Twist", f"{twist.turns_per_inch.value:.1f} TPI{way}"))
    if figures is not None and figures.evenness is not None and figures.sections > 1:
        cv, over = figures.evenness.cv_percent, figures.evenness.averaged_mm
        out.append(Fact("Evenness", f"CV {cv:.0f} % over {over:.0f} mm"))
    if skein.finish.washed_on:
        out.append(Fact("Washed", skein.finish.washed_on))
    elif out or figures is not None:
        out.append(Fact("Wound", skein.made_at.astimezone(UTC).date().isoformat()))
    return out


def _decimals(amount: Amount) -> int:
    """A digit fewer than elsewhere: a label is read at arm's length."""
    return min(max(decimals_for(amount.u) - 1, 0), 2)


def _short(amount: Amount, unit: str) -> str:
    if amount.u <= 0:
        return short_amount(amount, unit).replace(" ", _NBSP)
    return f"{rounded(amount.value, _decimals(amount))}{_NBSP}{unit}"


def _with_ends(amount: Amount, unit: str) -> str:
    if amount.u <= 0:
        return short_amount(amount, unit).replace(" ", _NBSP)
    decimals = _decimals(amount)
    low, high = (rounded(end, decimals) for end in amount.interval)
    return f"{rounded(amount.value, decimals)}{_NBSP}{unit} ({low} to {high})"


def _pair(pair: list[str], units: str) -> str:
    return ", ".join(reversed(pair) if units == "inch" else pair)


def listing_of(label: Label) -> str:
    """The label as text for a shop's listing: whatever the maker typed, whole."""
    lines = [label.name]
    for title, text in (("Fibre", label.fibre), ("Colourway", label.colourway)):
        if text:
            lines.append(f"{title}: {text}")
    if label.wpi:
        lines.append(f"Thickness: {label.wpi} {label.wpi_range}")
        lines.append(f"Class: {label.class_name} ({label.chart.removeprefix('class by the ')})")
    lines += [f"{fact.name}: {fact.text}" for fact in label.facts]
    if label.care:
        lines.append(f"Care: {label.care}")
    if label.text:
        lines += ["", label.text]
    lines += ["", SWATCH]
    return "\n".join(lines).replace(_NBSP, " ") + "\n"
