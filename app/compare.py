"""Bobbins side by side: a table, what is to be said of them, and which to ply with which."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from app import UseError
from app.bobbin_sources import CardUsed, ComparedBobbin
from app.format import MM_PER_INCH, interval_decimals, rounded
from measure.bobbin_profile import profiles_of
from measure.drift import Drift, Step, Trend, step_of, trend_of, watch_drift
from measure.match import Comparison, compare_bobbins, listed
from measure.pairing import MOST_BOBBINS, End, Pairing, recommend_pairing
from measure.precision import Precision, precision_of
from measure.trend import FEWEST_READINGS, span_text
from measure.yarn import wpi_from_diameter, wpi_interval_from_diameter

if TYPE_CHECKING:
    from rich.console import Console

    from measure.results import Interval

TOLERANCE_PERCENT: Final = 2.0

_REWOUND: Final = re.compile(r"\s+rewound$")


@dataclass(frozen=True)
class BobbinFigures:
    """What one bobbin's readings say."""

    bobbin: ComparedBobbin
    precision: Precision | None
    """None below two readings."""
    trend: Trend | None
    """Over the whole bobbin; None below `FEWEST_READINGS`."""
    step: Step | None
    """In the whole bobbin, where it changed by a step: then that is the change, not the trend."""
    drift: Drift


@dataclass(frozen=True)
class Compared:
    """Bobbins compared, and plied in thought."""

    figures: tuple[BobbinFigures, ...]
    comparison: Comparison
    same_way: bool
    """True when all readings were measured on one print of the card."""
    pairing: Pairing | None
    tolerance_percent: float
    wrap_factor: float

    def capital(self, sentence: str) -> str:
        """A sentence as it begins a line; a bobbin's name at its front stays as it is."""
        names = (figures.bobbin.name for figures in self.figures)
        if any(sentence.startswith((f"{name} ", f"{name}, ")) for name in names):
            return sentence
        return sentence[:1].upper() + sentence[1:]

    @property
    def notes(self) -> list[str]:
        """What was left out of the comparison, and why."""
        out = []
        for figures in self.figures:
            bobbin = figures.bobbin
            if figures.precision is None:
                has = "one reading" if bobbin.points else "no readings"
                out.append(f"{bobbin.name} has {has} and is not compared; two are needed")
            if bobbin.left_out:
                were = "reading was" if bobbin.left_out == 1 else "readings were"
                out.append(
                    f"{bobbin.left_out} {were} of {bobbin.name} taken in another posture and left "
                    "out; --posture chooses"
                )
        compared = [f.bobbin for f in self.figures if f.precision is not None]
        if not self.same_way:
            out.append(
                "the readings were measured on different cards: between bobbins that were not all "
                "on the same one, each card's own doubt counts"
            )
        elif any(card.print_unknown for bobbin in compared for card in bobbin.cards):
            out.append(
                "nobody said which print of the card it was (the window's Card page asks), so one "
                "print is taken to have served all"
            )
        return out


def compare(
    bobbins: Sequence[ComparedBobbin],
    *,
    margin_percent: float,
    tolerance_percent: float = TOLERANCE_PERCENT,
    plies: int | None = None,
    own: str | None = None,
    may_rewind: bool = True,
    wrap_factor: float = 1.0,
) -> Compared:
    """Compare bobbins, and with `plies` find which of them to ply together.

    `own` are the spinner's groups, written as they are printed: "B1 + B4 rewound; B2 + B3".
    UseError when fewer than two bobbins have two readings, or the groups make no sense.
    """
    figures = tuple(figures_of(bobbin) for bobbin in bobbins)
    enough = [f.bobbin for f in figures if f.precision is not None]
    if len(enough) < 2:
        raise UseError(
            "comparing takes two bobbins with two readings each, and there "
            f"{'is only one' if len(enough) == 1 else 'are none'}; take more readings or name "
            "other bobbins."
        )
    same_way = len(frozenset[CardUsed]().union(*(bobbin.cards for bobbin in enough))) == 1
    return Compared(
        figures=figures,
        comparison=compare_bobbins(
            {bobbin.name: bobbin.points for bobbin in enough},
            margin_percent=margin_percent,
            ways={bobbin.name: _way(bobbin) for bobbin in enough},
        ),
        same_way=same_way,
        pairing=_pairing(enough, plies, own, may_rewind, wrap_factor) if plies else None,
        tolerance_percent=tolerance_percent,
        wrap_factor=wrap_factor,
    )


def _way(bobbin: ComparedBobbin) -> CardUsed | None:
    return next(iter(bobbin.cards)) if len(bobbin.cards) == 1 else None


def figures_of(bobbin: ComparedBobbin) -> BobbinFigures:
    """What one bobbin's readings say by themselves."""
    n = len(bobbin.points)
    return BobbinFigures(
        bobbin=bobbin,
        precision=precision_of(bobbin.points) if n >= 2 else None,
        trend=trend_of(bobbin.points) if n >= FEWEST_READINGS else None,
        step=step_of(bobbin.points),
        drift=watch_drift(bobbin.points, bobbin.band),
    )


def _pairing(
    bobbins: Sequence[ComparedBobbin],
    plies: int,
    own: str | None,
    may_rewind: bool,
    wrap_factor: float,
) -> Pairing:
    if not plies <= len(bobbins) <= MOST_BOBBINS:
        raise UseError(
            f"{plies} plies take {plies} to {MOST_BOBBINS} bobbins, and {len(bobbins)} can be "
            "compared; change --plies or name the bobbins."
        )
    profiles = profiles_of(
        {bobbin.name: bobbin.points for bobbin in bobbins},
        {bobbin.name: bobbin.net_g for bobbin in bobbins if bobbin.net_g is not None},
    )
    groups = None if own is None else own_groups(own, [bobbin.name for bobbin in bobbins])
    try:
        return recommend_pairing(
            profiles, plies, own=groups, may_rewind=may_rewind, wrap_factor=wrap_factor
        )
    except ValueError as error:
        raise UseError(f"{error}; correct --own.") from None


def own_groups(text: str, names: Sequence[str]) -> list[list[End]]:
    """The spinner's groups from "B1 + B4 rewound; B2 + B3"; UseError for a name unknown."""
    groups = []
    for part in text.split(";"):
        group = []
        for words in part.split("+"):
            said = " ".join(words.split())
            name, rewound = (said, False) if said in names else _without_rewound(said)
            if name not in names:
                raise UseError(
                    f"--own names {said!r}, and the bobbins are {', '.join(names)}; write them as "
                    f'"{names[0]} + {names[-1]} rewound; ...".'
                )
            group.append(End(name, rewound))
        groups.append(group)
    return groups


def _without_rewound(said: str) -> tuple[str, bool]:
    name = _REWOUND.sub("", said)
    return name, name != said


# --- for people -------------------------------------------------------------------------------


def print_comparison(console: Console, compared: Compared, units: str) -> None:
    """The table, the sentences and, when asked for, which bobbins to ply together."""
    from rich.markup import escape

    def say(text: str) -> None:
        console.print(escape(text), highlight=False)

    console.print(_table(compared, units))
    for sentence in compared.comparison.sentences:
        say(f"{compared.capital(sentence)}.")
    margin = compared.comparison.margin_percent
    say(
        f"(Match: mean diameters surely within {margin:g} %. All that is said here of pairs holds "
        "together with 95 % confidence.)"
    )
    say("")
    for figures in compared.figures:
        if figures.precision is not None:
            known = figures.precision.sentence(compared.tolerance_percent)
            say(f"{figures.bobbin.name}: {figures.drift.sentence}; {known}.")
    for note in compared.notes:
        console.print(f"[yellow]Note[/yellow] {escape(compared.capital(note))}.", highlight=False)
    if compared.pairing is not None:
        console.print()
        console.print(_pairing_table(compared.pairing))
        say(f"{compared.capital(compared.pairing.sentence)}.")


def _table(compared: Compared, units: str) -> Any:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    unit, factor = ("in", 1 / MM_PER_INCH) if units == "inch" else ("mm", 1.0)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    table.add_column("Bobbin", max_width=18, min_width=11)
    table.add_column("WPI\n(95 %)", justify="right", no_wrap=True)
    table.add_column(f"Diameter, {unit}\n(95 %)", justify="right", no_wrap=True)
    table.add_column("Spread\n(95 %)", justify="right", no_wrap=True)
    table.add_column("First to last\n(95 %)", justify="right", no_wrap=True)
    twisted = any(f.bobbin.turns_per_inch is not None for f in compared.figures)
    if twisted:
        table.add_column("TPI", justify="right", no_wrap=True)
    for figures in compared.figures:
        bobbin, found = figures.bobbin, figures.precision
        read = read_text(bobbin, units).replace(", ", ",\n")
        cells = [f"[bold]{escape(bobbin.name)}[/bold]\n[dim]{read}[/dim]"]
        if found is None:
            cells += ["", "", ""]
        else:
            wpi, wpi_interval = wpi_of(found, compared.wrap_factor)
            low, high = found.mean_interval_mm
            cells += [
                _two_lines(wpi, wpi_interval),
                _two_lines(found.mean_mm * factor, (low * factor, high * factor)),
                _per_cent_lines(found.spread_percent, found.spread_interval_percent, sign=False),
            ]
        change = figures.step or figures.trend
        cells.append(_per_cent_lines(change.percent, change.interval_percent) if change else "")
        if twisted:
            tpi = bobbin.turns_per_inch
            cells.append("" if tpi is None else f"{tpi:.1f} {bobbin.twist or ''}".rstrip())
        table.add_row(*cells)
    return table


def read_text(bobbin: ComparedBobbin, units: str) -> str:
    """'24 readings, 2.4 m': how much of a bobbin was looked at; in yards for inches."""
    count = len(bobbin.points)
    read = f"{count} reading{'' if count == 1 else 's'}"
    if not bobbin.length_mm:
        return read
    length, unit = bobbin.length_mm / 1000, "m"
    if units == "inch":
        length, unit = bobbin.length_mm / (36 * MM_PER_INCH), "yd"
    return f"{read}, {length:.{2 if length < 10 else 0}f} {unit}"


def wpi_of(found: Precision, wrap_factor: float) -> tuple[float, Interval]:
    """Wraps per inch of a bobbin's mean diameter, with its interval."""
    return (
        wpi_from_diameter(found.mean_mm, wrap_factor),
        wpi_interval_from_diameter(found.mean_interval_mm, wrap_factor),
    )


def _two_lines(value: float, interval: Interval) -> str:
    low, high = interval
    decimals = interval_decimals(value, interval)
    return (
        f"[bold]{rounded(value, decimals)}[/bold]\n"
        f"{rounded(low, decimals)} to {rounded(high, decimals)}"
    )


def _per_cent_lines(value: float, interval: Interval, *, sign: bool = True) -> str:
    number, ends = span_text(value, interval).split(" % (")
    plus = "+" if sign and value > 0 and number.strip("0.") else ""
    return f"[bold]{plus}{number} %[/bold]\n{ends.rstrip(')')}"


def _pairing_table(pairing: Pairing) -> Any:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    table.add_column(f"{pairing.plies}-ply", no_wrap=True)
    table.add_column("Put on the rack together")
    table.add_column("WPI", justify="right", no_wrap=True)
    table.add_column("CV", justify="right", no_wrap=True)
    table.add_column("Left over", justify="right", no_wrap=True)
    for name, plying in (
        ("evenest", pairing.best),
        ("as you have it" if pairing.own_given else "in order", pairing.own),
        ("worst", pairing.worst),
    ):
        coarse, fine = plying.wpi_interval
        decimals = 0 if fine - coarse >= 2 else 1
        lines = [" + ".join(str(end) for end in group.ends) for group in plying.groups]
        if plying.left_over:
            lines.append(f"{listed(plying.left_over)} left over")
        table.add_row(
            name,
            escape("\n".join(lines)),
            f"{coarse:.{decimals}f} to {fine:.{decimals}f}",
            f"{plying.cv_percent:.1f} %",
            f"{100 * plying.left_over_share:.0f} %",
        )
    return table
