"""A finished skein in words: the same facts for the command, the window and the shop listing."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from app.bobbin_sources import one_line
from app.format import (
    MM_PER_INCH,
    decimals_for,
    interval_decimals,
    interval_text,
    rounded,
)
from app.pairs import KnownSkein
from app.skein import LookedAt
from measure.grist import Amount, in_count, in_yards
from measure.packing import PUBLISHED, Packing, diameter_from_grist

if TYPE_CHECKING:
    from rich.console import Console

    from measure.results import Interval
    from measure.skein import SkeinFigures

_MOST_CURVE: Final = 5


@dataclass(frozen=True)
class Fact:
    """One line of a list: what it is and what was found."""

    name: str
    text: str


def amount_text(amount: Amount, unit: str) -> str:
    """'201 m (199 to 203)': with its interval where there is a doubt, whole digits otherwise."""
    if amount.u <= 0:
        return f"{_exact(amount.value)} {unit}"
    value, ends = interval_text(amount.value, amount.interval).split(" (", 1)
    return f"{value} {unit} ({ends}"


def short_amount(amount: Amount, unit: str) -> str:
    """'201 m': as many digits as its doubt leaves, or three without one."""
    if amount.u <= 0:
        return f"{_exact(amount.value)} {unit}"
    return f"{rounded(amount.value, min(decimals_for(amount.u), 2))} {unit}"


def _exact(value: float) -> str:
    """At least whole units and at least three digits."""
    return rounded(value, max(0, 2 - math.floor(math.log10(value)))) if value > 0 else "0"


def range_text(interval: Interval) -> str:
    """Two numbers of wraps: '14 to 18', a decimal where they are close together."""
    low, high = interval
    decimals = 0 if high - low >= 2 else 1
    return f"{rounded(low, decimals)} to {rounded(high, decimals)}"


def facts_of(looked: LookedAt, units: str = "mm") -> list[Fact]:
    """Everything measured of a skein."""
    out: list[Fact] = []
    figures = looked.figures
    if figures is not None:
        state = "washed" if looked.washed is not None else "not washed yet"
        count = figures.sections
        out.append(Fact("Sections", f"{count}, {state}"))
        out += _thickness(figures, looked, units)
        if looked.swelling is not None:
            out.append(Fact("Wash", looked.swelling.sentence))
        out += _evenness(figures)
        if figures.twist is not None:
            out.append(Fact("Twist", twist_text(figures)))
    if looked.balance is not None:
        out.append(Fact("Hang test", looked.balance))
    out += _amounts(looked, units)
    out += _packing(looked, units)
    if looked.teaches is not None:
        out.append(Fact("Learning", _learning(looked.teaches)))
    return out


def _learning(known: KnownSkein) -> str:
    """Which of its stages the next plan learns from, or that it does not."""
    pair = known.pair
    stages = [
        words
        for words, size in (
            ("singles", pair.single_mm),
            ("singles at rest", pair.relaxed_mm),
            ("plied", pair.plied_mm),
            ("washed", pair.washed_mm),
            ("grist", pair.tex),
        )
        if size is not None
    ]
    told = ", ".join(stages[:-1]) + f" and {stages[-1]}" if len(stages) > 1 else stages[0]
    if not known.counts:
        return f"left out by you ({told} are known)"
    return f"the next plan learns from its {told}"


def _thickness(figures: SkeinFigures, looked: LookedAt, units: str) -> list[Fact]:
    unit, factor = ("in", 1 / MM_PER_INCH) if units == "inch" else ("mm", 1.0)
    low, high = figures.mean_interval_mm
    one = " (of this section alone)" if figures.sections == 1 else ""
    out = [
        Fact("WPI", interval_text(figures.wpi, figures.wpi_interval) + one),
        Fact(
            f"Diameter, {unit}",
            interval_text(figures.mean_mm * factor, (low * factor, high * factor)) + one,
        ),
        Fact(
            "Class",
            f"{' or '.join(c.name for c in figures.classes)} ({looked.chart.title} chart)",
        ),
    ]
    if figures.sections > 1:
        out.append(
            Fact("Range", f"{range_text(figures.wpi_range)} WPI, thickest to thinnest section")
        )
    if figures.wpi_range90 is not None:
        out.append(Fact("90 % range", f"{range_text(figures.wpi_range90)} WPI"))
    if figures.spread_percent is not None:
        out.append(Fact("Spread", f"{figures.spread_percent:.1f} % from section to section"))
    for layer, mean in figures.layers:
        wpi = 25.4 / mean.value / figures.wrap_factor
        ends = (
            25.4 / mean.interval[1] / figures.wrap_factor,
            25.4 / mean.interval[0] / figures.wrap_factor,
        )
        out.append(Fact(f"  {layer}", f"{interval_text(wpi, ends)} WPI"))
    return out


def _evenness(figures: SkeinFigures) -> list[Fact]:
    found = figures.evenness
    if found is None:
        return []
    over = f"{found.averaged_mm:.0f} mm cuts"
    out = [Fact("Evenness", f"CV {found.cv_percent:.1f} % of {over}, {found.length_m:.2f} m read")]
    for name, rate in (("Thick places", found.thick), ("Thin places", found.thin)):
        low, high = rate.interval
        out.append(Fact(name, f"{rate.per_10_m:.0f} in 10 m ({low:.0f} to {high:.0f})"))
    if len(found.curve) > 1:
        points = [f"{p.cv_percent:.1f} % over {p.cut_mm:.0f} mm" for p in found.curve]
        out.append(Fact("Cut length", "; ".join(points[-_MOST_CURVE:])))
    return out


def twist_text(figures: SkeinFigures) -> str:
    """'5.2 TPI (4.9 to 5.5), S, 12 degrees'."""
    twist = figures.twist
    assert twist is not None
    told = interval_text(twist.turns_per_inch.value, twist.turns_per_inch.interval)
    value, ends = told.split(" (", 1)
    way = "S and Z: look again" if twist.disagree else twist.direction
    return ", ".join(filter(None, (f"{value} TPI ({ends}", way, f"{twist.angle_deg:.0f} degrees")))


def _amounts(looked: LookedAt, units: str) -> list[Fact]:
    out = []
    amounts = looked.skein.amounts
    if amounts.weight_g is not None:
        weight = Amount.within(amounts.weight_g, amounts.weight_within_g)
        out.append(Fact("Weight", amount_text(weight, "g")))
    for route in looked.routes:
        told = " (told on the label)" if route is looked.route and len(looked.routes) > 1 else ""
        if route.length_m is not None:
            metres, yards = route.length_m, in_yards(route.length_m)
            pair = [amount_text(metres, "m"), amount_text(yards, "yd")]
            if units == "inch":
                pair.reverse()
            out.append(Fact("Length", f"{', '.join(pair)}, by {route.words}{told}"))
        if route.tex is not None:
            out.append(Fact("Grist", f"{grist_text(route.tex, units)}, by {route.words}{told}"))
    return out


def grist_text(tex: Amount, units: str) -> str:
    """A grist in metres per 100 g, yards per pound and tex."""
    metric = amount_text(in_count(tex, "m_per_100g"), "m in 100 g")
    yards = short_amount(in_count(tex, "yd_per_lb"), "yd/lb")
    pair = [metric, yards]
    if units == "inch":
        pair = [
            amount_text(in_count(tex, "yd_per_lb"), "yd/lb"),
            short_amount(in_count(tex, "m_per_100g"), "m in 100 g"),
        ]
    return f"{pair[0]}, {pair[1]}, {short_amount(tex, 'tex')}"


def _packing(looked: LookedAt, units: str) -> list[Fact]:
    out = []
    if looked.k is not None:
        out.append(
            Fact("Packing", f"k {looked.k:.2f}: wraps per inch over root of yards per pound")
        )
    tex = looked.route.tex if looked.route else None
    if looked.learned is not None and tex is not None:
        out.append(
            Fact(
                "  your own",
                f"k {looked.learned.k:.2f} ({looked.learned.source}): "
                f"{_expected(looked.learned, tex, units)}",
            )
        )
    if tex is not None and looked.k is not None:
        wool = PUBLISHED[1]
        out.append(
            Fact(
                "  published",
                f"k {wool.k:.2f} ({wool.name}, pressed as in cloth): {_expected(wool, tex, units)}",
            )
        )
    if looked.own_wrap_factor is not None:
        out.append(
            Fact(
                "Your wraps",
                f"{looked.own_wrap_factor:.2f} of the diameter apart; --wrap-factor "
                f"{looked.own_wrap_factor:.2f} makes WPI yours",
            )
        )
    return out


def _expected(packing: Packing, tex: Amount, units: str) -> str:
    mm, (thin, thick) = diameter_from_grist(tex.value, packing)
    factor, unit = (1 / MM_PER_INCH, "in") if units == "inch" else (1.0, "mm")
    decimals = interval_decimals(mm * factor, (thin * factor, thick * factor))
    decimals = min(max(decimals, 1), 3)
    ends = ""
    if thick > thin:
        ends = f" ({rounded(thin * factor, decimals)} to {rounded(thick * factor, decimals)})"
    return f"{rounded(mm * factor, decimals)} {unit}{ends} at this grist"


def sentences_of(looked: LookedAt) -> list[str]:
    """What is to be done or known, a sentence each."""
    out = []
    if looked.figures is not None or not looked.sections:
        next_one = f"the next {looked.next_place.words}"
        out.append(_sentence(f"{looked.plan}; {next_one}" if _more(looked.plan) else looked.plan))
    out += [_sentence(d.sentence) for d in looked.disagreements]
    twist = looked.figures.twist if looked.figures is not None else None
    if twist is not None and twist.disagree:
        out.append("Some sections read S and some Z: a mirrored picture swaps them.")
    if looked.ply_balance is not None:
        out.append(_sentence(looked.ply_balance.sentence))
    return out


def _more(plan: str) -> bool:
    return " more" in plan and "will not" not in plan


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def heading_of(looked: LookedAt) -> str:
    """'S1: Corriedale, Moss, 3-ply, chain-plied'."""
    skein = looked.skein
    plies = None if looked.plies is None else ply_words(looked.plies)
    parts = [looked.fibre, looked.colourway, plies, skein.method.strip()]
    told = ", ".join(one_line(part) for part in parts if part and part.strip())
    name = one_line(skein.name) or "skein"
    return f"{name}: {told}" if told else name


def ply_words(plies: int) -> str:
    """'single' or '3-ply'."""
    return "single" if plies == 1 else f"{plies}-ply"


def print_skein(console: Console, looked: LookedAt, units: str) -> None:
    """All of it on a terminal."""
    from rich.markup import escape
    from rich.table import Table

    console.print(f"[bold]{escape(heading_of(looked))}[/bold]", highlight=False)
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True, style="dim")
    table.add_column()
    for fact in facts_of(looked, units):
        table.add_row(escape(fact.name), escape(fact.text))
    console.print(table)
    _print_all(console, sentences_of(looked))
    print_suit(console, looked)


def print_suit(console: Console, looked: LookedAt) -> None:
    """Whether it suits, in sentences."""
    if looked.suit is not None:
        _print_all(console, looked.suit.sentences)


def _print_all(console: Console, sentences: Iterable[str]) -> None:
    from rich.markup import escape

    for sentence in sentences:
        console.print(escape(sentence), highlight=False)
