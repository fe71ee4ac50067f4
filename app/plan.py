"""The plan for people: a wish from what was typed, a table, sentences, help at the wheel."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from app import UseError
from app.format import MM_PER_INCH, interval_decimals, interval_text, rounded
from measure.band import Band
from measure.plan import Estimate, Plan, plan_sentences
from measure.ply_twist import turns_per_metre
from measure.weight_class import WeightChart
from measure.wheel import (
    draft_mm_for_treadles,
    drive_ratio,
    seconds_per_draft,
    treadles_per_draft,
    turns_per_minute_counted,
)
from measure.yarn import count_from_tex, wpi_interval_from_diameter

if TYPE_CHECKING:
    from rich.console import Console

DRAFT_MM: Final = 300.0
"""Length of a draft where nobody said (ours)."""

AROUND_PERCENT: Final = 8.0
"""A single number of wraps is taken so much either way (ours): half a class of most charts."""

SWATCH: Final = "Readings describe what was seen, not what a pattern guarantees: knit a swatch."

_RANGE: Final = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(?:(?:-|to)\s*([0-9]+(?:\.[0-9]+)?)\s*)?")


@dataclass(frozen=True)
class Wheel:
    """The wheel that it is to be spun on."""

    ratio: float | None = None
    """Turns of the flyer for one of the wheel."""
    turns_per_minute: float | None = None
    """Of a motor wheel."""
    treadles_per_turn: float = 1.0
    draft_mm: float = DRAFT_MM


def band_of_class(chart: WeightChart, name: str, wrap_factor: float) -> Band:
    """The band of a chart's class by its name or number; UseError when there is none."""
    for weight_class in chart.classes:
        if name.casefold() in (weight_class.name.casefold(), str(weight_class.number)):
            return Band.from_class(weight_class, wrap_factor)
    known = ", ".join(f"{c.number} {c.name}" for c in chart.classes)
    raise UseError(
        f"the chart {chart.name} has no class {name!r}; it has {known}. "
        "Correct --class or choose another --chart."
    )


def band_of_wpi(text: str, wrap_factor: float) -> Band:
    """The band of "14", "14-16" or "14 to 16" wraps per inch; UseError for anything else."""
    found = _RANGE.fullmatch(text)
    low = float(found[1]) if found else 0.0
    high = float(found[2]) if found and found[2] else None
    try:
        if high is None:
            return Band.around_wpi(low, AROUND_PERCENT, wrap_factor)
        return Band.from_wpi(low, high, wrap_factor)
    except ValueError:
        raise UseError(
            f"--wpi needs a number or a range with the smaller first and a dot in decimals, such "
            f"as 14 or 12.5-15, not {text!r}."
        ) from None


def wheel_of(ratio: str | None, motor: str | None, treadles: float, draft_mm: float) -> Wheel:
    """The wheel from "9" or "45/5" turns, "800" a minute or "133/10" turns in seconds; UseError."""
    turns = None if ratio is None else _quotient("--ratio", ratio)
    speed = None if motor is None else _quotient("--motor", motor)
    return Wheel(
        None if turns is None else drive_ratio(*turns),
        None if speed is None else turns_per_minute_counted(*speed),
        treadles,
        draft_mm,
    )


def _quotient(option: str, text: str) -> tuple[float, float]:
    """Two counts with a stroke between; of one alone the second is that of its unit."""
    unit = 60.0 if option == "--motor" else 1.0
    first, stroke, second = text.partition("/")
    try:
        counts = float(first), float(second) if stroke else unit
        if not all(0 < count < math.inf for count in counts):
            raise ValueError
    except ValueError:
        raise UseError(
            f"{option} needs a number, or two counts with a stroke between such as 133/10, with "
            f"a dot in decimals, not {text!r}."
        ) from None
    return counts


@dataclass(frozen=True)
class Line:
    """One line of the plan's table."""

    group: str
    what: str
    figures: str


def plan_lines(plan: Plan, wheel: Wheel, units: str, wrap_factor: float) -> list[Line]:
    """The plan in lines: yarn, single, twist, amounts, wheel."""
    return [
        *_single_lines(plan, units, wrap_factor),
        *_twist_lines(plan),
        *_amount_lines(plan, units),
        *_wheel_lines(plan, wheel, units),
    ]


def _single_lines(plan: Plan, units: str, wrap: float) -> list[Line]:
    wish = plan.wish
    return [
        Line("Wanted", "finished yarn", _band(wish.finished, units, wrap)),
        Line("Spin", "single, under tension", _band(plan.single, units, wrap)),
        Line("Spin", "single, lying loose", _band(plan.single_relaxed, units, wrap)),
        Line("Spin", "its middle (95 %)", _ends_of(plan.single_mm, units, wrap)),
        Line("Becomes", "just plied (95 %)", _ends_of(plan.plied_mm, units, wrap)),
        Line("Becomes", "washed (95 %)", _ends_of(plan.finished_mm, units, wrap)),
    ]


def _twist_lines(plan: Plan) -> list[Line]:
    twist = plan.twist
    low, high = twist.single_band
    single = f"{twist.single_turns_per_inch:.1f} TPI"
    if high > low:
        single += f" ({low:.1f} to {high:.1f} balances)"
    lines = [Line("Twist", "single", f"{single}, {_per_metre(twist.single_turns_per_inch)}")]
    if twist.ply_turns_per_inch is None or twist.ply_band is None:
        return [*lines, Line("Twist", "its angle", f"{twist.angle_deg:.0f} degrees")]
    low, high = twist.ply_band
    ply = f"{twist.ply_turns_per_inch:.1f} TPI ({low:.1f} to {high:.1f} balances)"
    lines.append(Line("Twist", "ply", f"{ply}, {_per_metre(twist.ply_turns_per_inch)}"))
    taken = f"{twist.angle_deg:.0f} degrees; plying takes up {twist.take_up_percent:.0f} %"
    lines.append(Line("Twist", "ply angle", taken))
    return lines


def _per_metre(turns_per_inch: float) -> str:
    return f"{turns_per_metre(turns_per_inch):.0f} a metre"


def _amount_lines(plan: Plan, units: str) -> list[Line]:
    amounts = plan.amounts
    if units == "inch":
        grist = f"{_of_count(amounts.tex, 'yd_per_lb')} yd/lb"
    else:
        grist = f"{_of_count(amounts.tex, 'm_per_100g')} m per 100 g"
    lines = [Line("Amounts", "finished grist", grist)]
    if amounts.length_m is not None:
        lines.append(Line("Amounts", "finished length", _length(amounts.length_m, units)))
    if amounts.singles_m is not None:
        lines.append(Line("Amounts", "singles in all", _length(amounts.singles_m, units)))
    if amounts.fibre_needed_g is not None:
        needed = _estimate(amounts.fibre_needed_g)
        waste = f"{plan.wish.waste_percent:g} % waste included"
        lines.append(Line("Amounts", "fibre needed", f"{needed} g, {waste}"))
    if amounts.bobbins is not None and amounts.bobbin_g is not None:
        many = f"{amounts.bobbins} of {amounts.bobbin_g:.0f} g each"
        more = "" if plan.wish.method == "single" else ", and an empty one to ply on"
        lines.append(Line("Amounts", "bobbins of singles", many + more))
    readings = amounts.readings_per_bobbin
    if readings is not None:
        known = f"for a mean known to {plan.wish.tolerance_percent:g} %"
        lines.append(Line("Amounts", "readings a bobbin", f"{readings}, {known}"))
    return lines


def _wheel_lines(plan: Plan, wheel: Wheel, units: str) -> list[Line]:
    twist, lines = plan.twist, []
    draft = _draft(wheel.draft_mm, units)
    for what, turns in (("single", twist.single_turns_per_inch), ("ply", twist.ply_turns_per_inch)):
        if turns is None:
            continue
        parts = []
        if wheel.ratio is not None:
            strokes = treadles_per_draft(
                turns, wheel.draft_mm, wheel.ratio, wheel.treadles_per_turn
            )
            whole = max(round(strokes), 1)
            for_whole = draft_mm_for_treadles(turns, whole, wheel.ratio, wheel.treadles_per_turn)
            parts.append(f"{strokes:.1f} treadles ({whole} for {_draft(for_whole, units)})")
        if wheel.turns_per_minute is not None:
            seconds = seconds_per_draft(turns, wheel.draft_mm, wheel.turns_per_minute)
            parts.append(f"{seconds:.1f} s of the motor")
        count = f"{turns * wheel.draft_mm / MM_PER_INCH:.0f} turns"
        lines.append(Line("Wheel", f"{what}, a draft of {draft}", ", ".join([count, *parts])))
    return lines


def _draft(length_mm: float, units: str) -> str:
    return f"{length_mm / MM_PER_INCH:.1f} in" if units == "inch" else f"{length_mm:.0f} mm"


def _band(band: Band, units: str, wrap: float) -> str:
    low, high = band.low_wpi(wrap), band.high_wpi(wrap)
    thin, thick = band.low_mm, band.high_mm
    return f"{low:.1f} to {high:.1f} WPI, {_mm(thin, thick, units)}"


def _mm(thin: float, thick: float, units: str) -> str:
    if units == "inch":
        return f"{thin / MM_PER_INCH:.4f} to {thick / MM_PER_INCH:.4f} in"
    return f"{thin:.3f} to {thick:.3f} mm"


def _ends_of(estimate: Estimate, units: str, wrap: float) -> str:
    low, high = wpi_interval_from_diameter(estimate.interval, wrap)
    return f"{low:.1f} to {high:.1f} WPI, {_mm(*estimate.interval, units)}"


def _of_count(tex: Estimate, system: Any) -> str:
    thin, thick = tex.interval
    value = count_from_tex(tex.value, system)
    ends = (count_from_tex(thick, system), count_from_tex(thin, system))
    return interval_text(value, ends)


def _length(length: Estimate, units: str) -> str:
    per, unit = (0.9144, "yd") if units == "inch" else (1.0, "m")
    low, high = length.interval
    return f"{_estimate(Estimate(length.value / per, (low / per, high / per)))} {unit}"


def _estimate(estimate: Estimate) -> str:
    low, high = estimate.interval
    if high > low:
        return interval_text(estimate.value, estimate.interval)
    return rounded(estimate.value, min(interval_decimals(estimate.value, (0.0, 0.0)), 0))


def print_plan(
    console: Console,
    plan: Plan,
    chart: WeightChart,
    wheel: Wheel,
    units: str,
    wrap_factor: float,
) -> None:
    """The table, what was learned, the sentences."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True, show_header=False)
    table.add_column("", no_wrap=True, style="bold")
    table.add_column("", no_wrap=True)
    table.add_column("")
    before = ""
    for line in plan_lines(plan, wheel, units, wrap_factor):
        if before not in ("", line.group):
            table.add_section()
        table.add_row("" if line.group == before else line.group, line.what, line.figures)
        before = line.group
    console.print(table)
    if plan.lessons:
        console.print(_lessons_table(plan))
    for sentence in plan_sentences(plan, chart, wrap_factor):
        console.print(escape(f"{sentence[:1].upper()}{sentence[1:]}."), highlight=False)
    console.print(SWATCH, style="dim", highlight=False)


def _lessons_table(plan: Plan) -> Any:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    table.add_column("Learned from", max_width=34)
    table.add_column("How")
    for head in ("Over geometry\nplied", "\nfinished", "In the\nwash", "Pull on\nthe plan"):
        table.add_column(head, justify="right", no_wrap=True)
    for lesson in plan.lessons:
        pair = lesson.pair
        how = pair.method if pair.plies == 1 else f"{pair.plies}-ply, {pair.method}"
        name = escape(pair.name) + (" [yellow](stands apart)[/yellow]" * lesson.stands_apart)
        table.add_row(
            name,
            how,
            percent_text(lesson.ply_percent),
            percent_text(lesson.finished_percent),
            percent_text(lesson.wash_percent),
            percent_text(lesson.pull_percent, decimals=1),
        )
    return table


def percent_text(percent: float | None, *, decimals: int = 0) -> str:
    """'+8 %'; '' of None, and no sign before a 0."""
    if percent is None:
        return ""
    text = f"{percent:+.{decimals}f}"
    return f"{text.lstrip('+-') if float(text) == 0 else text} %"
