"""What the report of a spin says: chapters of words, lists, tables, drawings and pictures.

Described once here; `app.spin_report_pdf` and `app.spin_report_html` put the same on paper and on a
page. Nothing is worked out that the other commands do not work out too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from app import UseError
from app.bobbin_sources import from_notebook, named_apart, one_line
from app.compare import BobbinFigures, Compared, compare, figures_of, read_text, wpi_of
from app.figure import Figure
from app.format import MM_PER_INCH, interval_text, rounded
from app.skein import LookedAt, look_at
from app.skein_report import Fact, facts_of, heading_of, range_text, sentences_of
from app.spin_charts import (
    ChartBobbin,
    bobbins_figure,
    day_text,
    drift_figures,
    forecast_figure,
    ribbon_figure,
)
from app.spin_forecast import PliedForecast, forecasts_of
from app.spin_pictures import Picture, pictures_of
from measure.match import listed
from measure.suiting import SWATCH
from measure.trend import span_text
from measure.yarn import wpi_from_diameter

if TYPE_CHECKING:
    from datetime import datetime

    from app.bobbin_sources import ComparedBobbin
    from app.notebook.records import Bobbin, LoggedReading, Posture, Spin
    from app.notebook.store import Notebook
    from measure.results import Interval

Units = Literal["mm", "inch"]

MARGIN_PERCENT: Final = 10.0
"""Bobbins whose means differ by no more than this match, as of `slubwise compare`."""

_SINGLES: Final[tuple[Posture, ...]] = ("tension", "relaxed")


@dataclass(frozen=True)
class Says:
    """A paragraph."""

    text: str
    quiet: bool = False


@dataclass(frozen=True)
class Facts:
    """A list of names and what was found."""

    rows: tuple[Fact, ...]


@dataclass(frozen=True)
class Table:
    """A table whose first column is words and whose others are figures."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Drawn:
    """A drawing and the words under it."""

    figure: Figure
    caption: str


@dataclass(frozen=True)
class Pictures:
    """Pictures beside each other."""

    of: tuple[Picture, ...]


Block = Says | Facts | Table | Drawn | Pictures


@dataclass(frozen=True)
class Chapter:
    """A heading and what stands under it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class SpinReport:
    """All of it."""

    title: str
    under: str
    """The line under the title."""
    chapters: tuple[Chapter, ...]
    foot: str


@dataclass(frozen=True)
class SpinFound:
    """Everything worked out of a spin, for the report and for its data."""

    spin: Spin
    bobbins: tuple[Bobbin, ...]
    figures: tuple[BobbinFigures, ...]
    """Of the singles, in the bobbins' order."""
    readings: tuple[tuple[LoggedReading, ...], ...]
    """The readings behind them, bobbin by bobbin."""
    posture: Posture
    compared: Compared | None
    """None where fewer than two bobbins can be compared."""
    skeins: tuple[LookedAt, ...]
    forecasts: tuple[PliedForecast, ...]
    pictures: tuple[Picture, ...]
    wrap_factor: float
    troubles: tuple[str, ...]
    """What had to be left out, a sentence each."""


def find_out(notebook: Notebook, spin: Spin, *, wrap_factor: float = 1.0) -> SpinFound:
    """Work a spin out. UseError when it has nothing to report; NotebookError as it comes."""
    bobbins = tuple(notebook.bobbins(spin.id))
    logged = [notebook.readings(b.id) for b in bobbins]
    posture = _posture([r for readings in logged for r in readings])
    kept = tuple(tuple(r for r in readings if r.posture == posture) for readings in logged)
    skeins = notebook.skeins(spin.id)
    if not any(kept) and not skeins:
        raise UseError(f"{spin.name} has no readings and no skein yet; there is nothing to report.")
    from app.forecast import PROFILES

    sources = from_notebook(notebook, spin, bobbins, posture, profiles=PROFILES)
    figures = tuple(figures_of(source) for source in sources)
    plies = spin.aim.plies
    looked, troubles = [], []
    for skein in skeins:
        try:
            looked.append(look_at(notebook, skein.id, wrap_factor=wrap_factor))
        except UseError as error:
            troubles.append(f"The skein {one_line(skein.name)} is left out: {error}")
    compared = _compared(sources, plies, wrap_factor)
    return SpinFound(
        spin=spin,
        bobbins=bobbins,
        figures=figures,
        readings=kept,
        posture=posture,
        compared=compared,
        skeins=tuple(looked),
        forecasts=forecasts_of(notebook, spin, bobbins, sources, looked, compared, wrap_factor),
        pictures=pictures_of(notebook, named_apart(b.name for b in bobbins), logged),
        wrap_factor=wrap_factor,
        troubles=tuple(troubles),
    )


def _posture(readings: Sequence[LoggedReading]) -> Posture:
    """How most singles were read; of no singles, how most strands were."""
    counts = Counter(r.posture for r in readings if r.posture in _SINGLES) or Counter(
        r.posture for r in readings
    )
    return counts.most_common(1)[0][0] if counts else "tension"


def _compared(
    sources: Sequence[ComparedBobbin], plies: int | None, wrap_factor: float
) -> Compared | None:
    read = [s for s in sources if len(s.points) > 1]
    if len(read) < 2:
        return None
    wanted = plies if plies is not None and 2 <= plies <= min(len(read), 6) else None
    try:
        return compare(
            sources, margin_percent=MARGIN_PERCENT, plies=wanted, wrap_factor=wrap_factor
        )
    except UseError:
        # More bobbins than can be divided: they are still compared.
        return compare(sources, margin_percent=MARGIN_PERCENT, wrap_factor=wrap_factor)


# --- told


def report_of(found: SpinFound, units: Units = "mm") -> SpinReport:
    """The report in words and drawings."""
    chapters = (
        _aim(found, units),
        _spinning(found),
        _bobbins(found, units),
        _plying(found),
        *(_skein(looked, units) for looked in found.skeins),
        _pictures(found),
        _cautions(found),
    )
    spin = found.spin
    dates = [r.taken_at for readings in found.readings for r in readings]
    dates += [s.taken_at for looked in found.skeins for s in looked.sections]
    parts = [spin.fibre.strip(), spin.colour_note.strip(), _days(dates)]
    return SpinReport(
        title=spin.name.strip() or "Spin",
        under=" · ".join(filter(None, parts)),
        chapters=tuple(chapter for chapter in chapters if chapter.blocks),
        foot="Report of a spin, by Slubwise",
    )


def _days(times: Sequence[datetime]) -> str:
    if not times:
        return ""
    first, last = min(times).astimezone(), max(times).astimezone()
    if first.date() == last.date():
        return f"{day_text(first)} {first.year}"
    year = "" if first.year == last.year else f" {first.year}"
    return f"{day_text(first)}{year} to {day_text(last)} {last.year}"


def band_of(found: SpinFound) -> Interval | None:
    """The band aimed at, of singles at the wheel."""
    low, high = found.spin.aim.band_low_mm, found.spin.aim.band_high_mm
    if low is None or high is None or not 0 < low < high:
        return None
    return low, high


def _aim(found: SpinFound, units: Units) -> Chapter:
    spin, aim = found.spin, found.spin.aim
    rows = []
    wanted = [aim.class_name.strip()]
    if aim.plies is not None:
        wanted.append("singles" if aim.plies == 1 else f"{aim.plies} plies")
    if any(wanted):
        rows.append(Fact("Wanted", ", ".join(filter(None, wanted))))
    band = band_of(found)
    if band is not None:
        coarse, fine = (wpi_from_diameter(end, found.wrap_factor) for end in band[::-1])
        factor, unit, decimals = (1 / MM_PER_INCH, "in", 4) if units == "inch" else (1.0, "mm", 2)
        size = f"{band[0] * factor:.{decimals}f} to {band[1] * factor:.{decimals}f} {unit}"
        rows.append(Fact("Band of the single", f"{range_text((coarse, fine))} WPI, {size}"))
    for name, text in (("Fibre", spin.fibre), ("Colour", spin.colour_note)):
        if text.strip():
            rows.append(Fact(name, text.strip()))
    if spin.prepared_g is not None:
        rows.append(Fact("Prepared", f"{spin.prepared_g:g} g"))
    blocks: list[Block] = [Facts(tuple(rows))] if rows else []
    blocks += [Says(text.strip()) for text in (aim.note, spin.note) if text.strip()]
    return Chapter("Aim", tuple(blocks))


def chart_bobbins(found: SpinFound) -> list[ChartBobbin]:
    """The bobbins as the drawings take them."""
    return [
        ChartBobbin(
            name=figures.bobbin.name,
            diameters_mm=tuple(r.diameter_mm for r in readings),
            intervals_mm=tuple(r.interval_mm for r in readings),
            taken_at=tuple(r.taken_at.astimezone() for r in readings),
            sittings=tuple(r.sitting_id for r in readings),
            drift=figures.drift,
            precision=figures.precision,
        )
        for figures, readings in zip(found.figures, found.readings, strict=True)
    ]


def _spinning(found: SpinFound) -> Chapter:
    band = band_of(found) if found.posture == "tension" else None
    drawn = drift_figures(chart_bobbins(found), band, found.wrap_factor)
    if not drawn:
        return Chapter("Spinning", ())
    key = ["each ring is a reading, the bar its 95 % interval; the line is the moving average"]
    if any(figures.drift.first_readings for figures in found.figures):
        key.append("dashed: how far scatter alone takes it")
    if any(figures.drift.alarms for figures in found.figures):
        key.append("a filled square: the average is beyond that")
    if band is not None:
        key.append("shaded: the band aimed at")
    blocks: list[Block] = [Drawn(figure, "") for figure in drawn[:-1]]
    blocks.append(Drawn(drawn[-1], f"Read {_POSTURE[found.posture]}: {'; '.join(key)}."))
    blocks.append(
        Facts(
            tuple(
                Fact(figures.bobbin.name, f"{_cap(figures.drift.sentence)}.")
                for figures in found.figures
            )
        )
    )
    return Chapter("Spinning", tuple(blocks))


_POSTURE: Final[dict[Posture, str]] = {
    "tension": "at the wheel",
    "relaxed": "relaxed",
    "plied": "plied",
    "washed": "washed",
}


def _bobbins(found: SpinFound, units: Units) -> Chapter:
    band = band_of(found) if found.posture == "tension" else None
    figure = bobbins_figure(chart_bobbins(found), band, found.wrap_factor)
    if figure is None:
        return Chapter("Bobbins", ())
    factor, unit = (1 / MM_PER_INCH, "in") if units == "inch" else (1.0, "mm")
    rows = []
    for one in found.figures:
        mean = one.precision
        row = [one.bobbin.name, read_text(one.bobbin, units)]
        row.append("" if one.bobbin.net_g is None else f"{one.bobbin.net_g:.1f} g")
        if mean is None:
            row += ["", "", ""]
        else:
            low, high = mean.mean_interval_mm
            row.append(interval_text(*wpi_of(mean, found.wrap_factor)))
            row.append(interval_text(mean.mean_mm * factor, (low * factor, high * factor)))
            row.append(_span(mean.spread_percent, mean.spread_interval_percent))
        rows.append(tuple(row))
    heads = ("Bobbin", "Read", "Fibre", "WPI", f"Diameter, {unit}", "Spread")
    caption = "Above: the readings; below: their mean and its 95 % interval."
    blocks: list[Block] = [Drawn(figure, caption), Table(heads, tuple(rows))]
    if found.compared is not None:
        compared = found.compared
        blocks += [
            Says(f"{compared.capital(sentence)}.") for sentence in compared.comparison.sentences
        ]
        blocks += [Says(f"{_cap(note)}.", quiet=True) for note in _notes(compared)]
    return Chapter("Bobbins", tuple(blocks))


def _notes(compared: Compared) -> list[str]:
    return [note.replace("; --posture chooses", "") for note in compared.notes]


def _span(value: float, interval: Interval) -> str:
    return span_text(value, interval)


def _plying(found: SpinFound) -> Chapter:
    blocks: list[Block] = []
    pairing = found.compared.pairing if found.compared is not None else None
    if pairing is not None:
        blocks.append(Says(f"{_cap(pairing.sentence)}."))
    for one in found.forecasts:
        blocks += [Says(sentence) for sentence in one.sentences]
        figure = forecast_figure(one.bars)
        if figure is not None:
            caption = "Pale: forecast; dark: what came out. Squares are means."
            blocks.append(Drawn(figure, caption))
        blocks += [Says(note, quiet=True) for note in one.notes]
    return Chapter("Plying", tuple(blocks))


def _skein(looked: LookedAt, units: Units) -> Chapter:
    blocks: list[Block] = []
    figures = looked.figures
    name = one_line(looked.skein.name) or "skein"
    told = heading_of(looked).removeprefix(name).removeprefix(": ")
    if told:
        blocks.append(Says(f"{_cap(told)}."))
    if looked.bobbins:
        names = listed(named_apart(b.name for b in looked.bobbins))
        blocks.append(Says(f"Plied from {names}."))
    if figures is not None and figures.evenness is not None:
        figure = ribbon_figure(figures.evenness.strip_mm)
        if figure is not None:
            blocks.append(Drawn(figure, figure.says))
    facts = [Fact(_indented(f.name), _sentence(f.text)) for f in facts_of(looked, units)]
    finish = looked.skein.finish
    if finish.washed_on or finish.finishing.strip():
        parts = [finish.washed_on, finish.finishing.strip()]
        facts.append(Fact("Washed", ", ".join(filter(None, parts))))
    if facts:
        blocks.append(Facts(tuple(facts)))
    if looked.suit is not None:
        # The swatch is asked for once, at the end.
        blocks += [Says(text) for text in looked.suit.sentences if text != SWATCH]
    blocks += [Says(text, quiet=True) for text in sentences_of(looked)]
    if looked.skein.note.strip():
        blocks.append(Says(looked.skein.note.strip()))
    return Chapter(f"Skein {name}", tuple(blocks))


def _pictures(found: SpinFound) -> Chapter:
    return Chapter("Pictures", (Pictures(found.pictures),) if found.pictures else ())


def _cautions(found: SpinFound) -> Chapter:
    texts = [SWATCH, "Every interval is one of 95 %: nineteen times in twenty the truth is in it."]
    if found.wrap_factor != 1.0:
        texts.append(
            f"WPI by your own wrap factor, {rounded(found.wrap_factor, 2)} of the diameter."
        )
    else:
        texts.append("WPI is 25.4 mm over the mean diameter: turns touching, not squeezed.")
    return Chapter("Take care", tuple(Says(text) for text in (*found.troubles, *texts)))


def _sentence(text: str) -> str:
    """Words with a capital in front; a symbol, such as k, stays as it is."""
    return _cap(text) if text[1:2].isalpha() else text


def _indented(name: str) -> str:
    """A name of a list with a mark where it belongs to the one above."""
    return f"· {name.strip()}" if name.startswith(" ") else name


def _cap(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"
