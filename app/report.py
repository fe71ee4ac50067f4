"""Readings as text: a table for people, JSON and CSV for programs (docs/formats.md)."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

from app import program_version
from app.format import MM_PER_INCH, interval_decimals, length_text, rounded, value_text
from app.json_text import json_text, number, numbers
from app.ply_balance import BalancedSingles, balanced_singles
from measure.notes import CHOICES
from measure.results import Refusal

if TYPE_CHECKING:
    from rich.console import Console

    from app.batch import PictureResult
    from measure.results import (
        Caution,
        Interval,
        PictureReading,
        ScaleSummary,
        StrandReading,
        Twist,
    )

Units = Literal["mm", "inch"]

CSV_COLUMNS: Final = (
    "picture",
    "strand",
    "lane",
    "ground",
    "diameter_mm",
    "u_diameter_mm",
    "diameter_low_mm",
    "diameter_high_mm",
    "wpi",
    "wpi_low",
    "wpi_high",
    "weight_classes",
    "cv_percent",
    "length_mm",
    "thick_places",
    "thin_places",
    "halo_ratio",
    "light_mm",
    "dark_mm",
    "agreement_percent",
    "plies",
    "turns_per_inch",
    "turns_per_inch_low",
    "turns_per_inch_high",
    "twist",
    "angle_deg",
    "scale_source",
    "scale_verified",
    "mm_per_px",
    "cautions",
    "u_shared_mm",
    "card",
)
"""Columns of `--csv`, one row per strand; units are in the names."""


def print_reading(
    console: Console,
    name: str,
    reading: PictureReading,
    units: Units,
    single_turns_per_inch: float | None = None,
) -> None:
    """The table of one picture, its cautions and what was not read, within 80 columns.

    `single_turns_per_inch` is the twist of the singles that plied strands were plied from.
    """
    from rich.markup import escape

    console.print(f"[bold]{escape(name)}[/bold]", highlight=False, soft_wrap=True)
    if reading.scale is not None:
        console.print(_scale_line(reading.scale), highlight=False)
    if reading.strands:
        console.print(_table(reading.strands, units))
    for strand in reading.strands:
        balance = balanced_singles(strand, single_turns_per_inch)
        if balance is not None:
            console.print(
                f"[cyan]Balance[/cyan] strand {strand.number}: {balance.sentence}.",
                highlight=False,
            )
    for who, caution in told_cautions(reading):
        console.print(
            f"[yellow]Caution[/yellow] {who}{escape(caution.text)} "
            f"[dim]({escape(caution.code)})[/dim]",
            highlight=False,
        )
    for refusal in reading.refusals:
        who = f"Strand {refusal.strand}: " if refusal.strand is not None else ""
        console.print(
            f"[red]Not read[/red] {who}{escape(refusal.text)} {escape(refusal.advice)} "
            f"[dim]({escape(refusal.code)})[/dim]",
            highlight=False,
        )


def told_cautions(reading: PictureReading) -> list[tuple[str, Caution]]:
    """All cautions of a picture, each once, with the strands it holds for: 'strands 1, 3: '."""
    holders: dict[Caution, list[int]] = {}
    for strand in reading.strands:
        for caution in strand.cautions:
            holders.setdefault(caution, []).append(strand.number)
    told = [("", caution) for caution in reading.cautions]
    for caution, these in holders.items():
        word = "strand" if len(these) == 1 else "strands"
        told.append((f"{word} {', '.join(map(str, these))}: ", caution))
    return told


def _scale_line(scale: ScaleSummary) -> str:
    if scale.source == "card":
        where = f"scale: {scale.card} card, {scale.markers_seen} markers"
        if scale.tilt_deg is not None:
            where += f", tilt {scale.tilt_deg:.0f} degrees"
    elif scale.source == "ruler":
        where = f"scale: a ruler, its marks {scale.marks}"
        if scale.tilt_deg is not None:
            where += f", tilt {scale.tilt_deg:.0f} degrees"
    elif scale.source == "dpi":
        where = "scale: the file's dpi tag"
    else:
        where = "scale: two marks set by hand"
    if not scale.verified:
        where += ", not verified"
    mm_per_px = value_text(scale.mm_per_px, max(scale.u_relative, 1e-4) * scale.mm_per_px)
    return f"{where}, {mm_per_px} mm per pixel"


def _table(strands: Sequence[StrandReading], units: Units) -> Any:
    from rich import box
    from rich.table import Table

    unit, factor = ("in", 1 / MM_PER_INCH) if units == "inch" else ("mm", 1.0)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    table.add_column("Strand", no_wrap=True)
    table.add_column("WPI\n(95 %)", justify="right", no_wrap=True)
    table.add_column(f"Diameter, {unit}\n(95 %)", justify="right", no_wrap=True)
    table.add_column("Class", min_width=8, max_width=18)
    table.add_column("Evenness", no_wrap=True)
    table.add_column("Length", justify="right", no_wrap=True)
    twisted = any(strand.plies is not None for strand in strands)
    if twisted:
        table.add_column("Twist", no_wrap=True)
    for strand in strands:
        low, high = strand.diameter_interval_mm
        table.add_row(
            f"{strand.number}\n[dim]{strand.lane}[/dim]",
            _two_lines(strand.wpi, strand.wpi_interval),
            _two_lines(strand.diameter_mm * factor, (low * factor, high * factor)),
            "\n".join(f"{c.number} {c.name}" for c in strand.weight_classes) or "none",
            _evenness(strand),
            length_text(strand.length_mm, units),
            *([twist_text(strand, "\n")] if twisted else []),
        )
    return table


def twist_text(strand: StrandReading, between: str = ", ") -> str:
    """Plies and twist in a few words: '2-ply, 7.5 TPI S'; empty where nothing is known."""
    words = []
    if strand.plies is not None:
        words.append("single" if strand.plies == 1 else f"{strand.plies}-ply")
    if strand.turns_per_inch is not None and strand.turns_per_inch_interval is not None:
        decimals = min(interval_decimals(strand.turns_per_inch, strand.turns_per_inch_interval), 2)
        turns = rounded(strand.turns_per_inch, decimals)
        words.append(f"{turns} TPI {strand.twist or ''}".rstrip())
    return between.join(words)


def _two_lines(value: float, interval: Interval) -> str:
    low, high = interval
    decimals = interval_decimals(value, interval)
    return (
        f"[bold]{rounded(value, decimals)}[/bold]\n"
        f"{rounded(low, decimals)} to {rounded(high, decimals)}"
    )


def _evenness(strand: StrandReading) -> str:
    cv = "too short\nfor a CV" if strand.cv_percent is None else f"CV {strand.cv_percent:.1f} %"
    thick, thin = count_places(strand)
    return f"{cv}\n{thick} thick\n{thin} thin" if thick or thin else cv


def count_places(strand: StrandReading) -> tuple[int, int]:
    """How many thick and how many thin places; one that passes several limits counts once."""
    counts = []
    for kind in ("thick", "thin"):
        spans = sorted((p.from_mm, p.to_mm) for p in strand.uneven_places if p.kind == kind)
        count, reach = 0, -math.inf
        for start, stop in spans:
            if start >= reach:
                count += 1
            reach = max(reach, stop)
        counts.append(count)
    return counts[0], counts[1]


def as_json(results: Sequence[PictureResult], single_turns_per_inch: float | None = None) -> str:
    """The JSON of `--json`: one picture's object, or all under "pictures" when there are more."""
    objects = [picture_object(result, single_turns_per_inch) for result in results]
    head = {"slubwise": program_version()}
    document = head | objects[0] if len(objects) == 1 else head | {"pictures": objects}
    return json_text(document)


def picture_object(
    result: PictureResult, single_turns_per_inch: float | None = None
) -> dict[str, Any]:
    """One picture as plain data; an unreadable one has no scale, no strands and one refusal."""
    reading = result.reading
    if reading is None:
        error = result.error
        refusals = [_refusal_object(Refusal(error.code, error.text, error.advice))] if error else []
        return {
            "picture": str(result.picture),
            "size_px": None,
            "read": False,
            "scale": None,
            "strands": [],
            "refusals": refusals,
            "cautions": [],
        }
    return {
        "picture": str(result.picture),
        "size_px": [reading.width_px, reading.height_px],
        "read": reading.read,
        "scale": _scale_object(reading.scale),
        "strands": [
            _strand_object(strand, balanced_singles(strand, single_turns_per_inch))
            for strand in reading.strands
        ],
        "refusals": [_refusal_object(refusal) for refusal in reading.refusals],
        "cautions": [{"code": c.code, "text": c.text} for c in reading.cautions],
    }


def _refusal_object(refusal: Refusal) -> dict[str, Any]:
    return {
        "code": refusal.code,
        "text": refusal.text,
        "advice": refusal.advice,
        "strand": refusal.strand,
        "choices": list(CHOICES.get(refusal.code, ())),
    }


def _scale_object(scale: ScaleSummary | None) -> dict[str, Any] | None:
    if scale is None:
        return None
    return {
        "source": scale.source,
        "verified": scale.verified,
        "card": scale.card,
        "mm_per_px": number(scale.mm_per_px, 8),
        "u_relative": number(scale.u_relative, 8),
        "tilt_deg": number(scale.tilt_deg),
        "markers_seen": scale.markers_seen,
        "residual_px": number(scale.residual_px),
        "blur_px": number(scale.blur_px),
        "marks": scale.marks,
    }


def _strand_object(strand: StrandReading, balance: BalancedSingles | None) -> dict[str, Any]:
    along = strand.along
    return {
        "number": strand.number,
        "lane": strand.lane,
        "ground": strand.ground,
        "diameter_mm": number(strand.diameter_mm),
        "u_diameter_mm": number(strand.u_diameter_mm),
        "diameter_interval_mm": numbers(strand.diameter_interval_mm),
        "wpi": number(strand.wpi),
        "wpi_interval": numbers(strand.wpi_interval),
        "weight_classes": [{"number": c.number, "name": c.name} for c in strand.weight_classes],
        "cv_percent": number(strand.cv_percent),
        "length_mm": number(strand.length_mm),
        "along": {
            "position_mm": numbers(along.position_mm.tolist(), 4),
            "diameter_mm": numbers(along.diameter_mm.tolist(), 4),
            "u_diameter_mm": numbers(along.u_diameter_mm.tolist(), 4),
            "ground": [str(ground) for ground in along.ground],
        },
        "uneven_places": [
            {
                "kind": place.kind,
                "threshold_percent": place.threshold_percent,
                "from_mm": number(place.from_mm),
                "to_mm": number(place.to_mm),
                "extreme_percent": number(place.extreme_percent),
            }
            for place in strand.uneven_places
        ],
        "halo_ratio": number(strand.halo_ratio),
        "light_mm": number(strand.light_mm),
        "dark_mm": number(strand.dark_mm),
        "agreement_percent": number(strand.agreement_percent),
        "budget_mm": {name: number(u, 8) for name, u in strand.budget_mm.items()},
        "width_px": number(strand.width_px),
        "plies": strand.plies,
        "turns_per_inch": number(strand.turns_per_inch),
        "turns_per_inch_interval": numbers(strand.turns_per_inch_interval),
        "twist": strand.twist,
        "twist_detail": _twist_object(strand.twist_detail),
        "ply_balance": None if balance is None else balance.as_object(),
        "cautions": [{"code": c.code, "text": c.text} for c in strand.cautions],
    }


def _twist_object(twist: Twist | None) -> dict[str, Any] | None:
    if twist is None:
        return None
    return {
        "turns_per_metre": number(twist.turns_per_metre),
        "turns_per_metre_interval": numbers(twist.turns_per_metre_interval),
        "angle_deg": number(twist.angle_deg),
        "angle_interval_deg": numbers(twist.angle_interval_deg),
        "turns_seen": number(twist.turns_seen),
        "evenness_cv_percent": number(twist.evenness_cv_percent),
        "cues": [
            {
                "name": cue.name,
                "turns_per_inch": number(cue.turns_per_inch),
                "u_turns_per_inch": number(cue.u_turns_per_inch),
            }
            for cue in twist.cues
        ],
        "cues_agree": twist.cues_agree,
        "reason": (
            {"code": twist.reason.code, "text": twist.reason.text} if twist.reason else None
        ),
    }


def as_csv(results: Iterable[PictureResult]) -> str:
    """One row per strand under a header; pictures without a reading have no row."""
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for result in results:
        if result.reading is None:
            continue
        for strand in result.reading.strands:
            writer.writerow(_csv_row(str(result.picture), strand, result.reading.scale))
    return out.getvalue()


def _csv_row(
    picture: str, strand: StrandReading, scale: ScaleSummary | None
) -> dict[str, str | float | None]:
    thick, thin = count_places(strand)
    turns = strand.turns_per_inch_interval
    return {
        "picture": picture,
        "strand": strand.number,
        "lane": strand.lane,
        "ground": strand.ground,
        "diameter_mm": number(strand.diameter_mm),
        "u_diameter_mm": number(strand.u_diameter_mm),
        "diameter_low_mm": number(strand.diameter_interval_mm[0]),
        "diameter_high_mm": number(strand.diameter_interval_mm[1]),
        "wpi": number(strand.wpi),
        "wpi_low": number(strand.wpi_interval[0]),
        "wpi_high": number(strand.wpi_interval[1]),
        "weight_classes": "; ".join(f"{c.number} {c.name}" for c in strand.weight_classes),
        "cv_percent": number(strand.cv_percent),
        "length_mm": number(strand.length_mm),
        "thick_places": thick,
        "thin_places": thin,
        "halo_ratio": number(strand.halo_ratio),
        "light_mm": number(strand.light_mm),
        "dark_mm": number(strand.dark_mm),
        "agreement_percent": number(strand.agreement_percent),
        "plies": strand.plies,
        "turns_per_inch": number(strand.turns_per_inch),
        "turns_per_inch_low": number(turns[0]) if turns else None,
        "turns_per_inch_high": number(turns[1]) if turns else None,
        "twist": strand.twist,
        "angle_deg": number(strand.twist_detail.angle_deg) if strand.twist_detail else None,
        "scale_source": scale.source if scale else None,
        "scale_verified": str(scale.verified).lower() if scale else None,
        "mm_per_px": number(scale.mm_per_px, 8) if scale else None,
        "cautions": "; ".join(c.code for c in strand.cautions),
        "u_shared_mm": number(strand.u_shared_mm),
        "card": scale.card if scale else None,
    }
