"""What plying was forecast to give, skein by skein, beside what came out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from app.bobbin_sources import ComparedBobbin, one_line
from app.compare import Compared
from app.forecast import Forecasts, forecast, groups_in_order, notes_of
from app.pairs import known_skeins, way_plied
from app.skein import LookedAt
from app.spin_charts import Bar
from measure.bloom import learn
from measure.pairing import End
from measure.trend import span_text

if TYPE_CHECKING:
    from app.notebook.records import Bobbin, Spin
    from app.notebook.store import Notebook
    from measure.bloom import Bloom, Method
    from measure.plying import Forecast
    from measure.skein import SkeinFigures


@dataclass(frozen=True)
class PliedForecast:
    """A forecast in words and bars, and all that is behind it."""

    skein: str
    """Name of the skein that was plied so; empty while none was."""
    forecasts: Forecasts
    made: Forecast
    """The one of the way it was plied."""
    washed: str
    sentences: tuple[str, ...]
    bars: tuple[Bar, ...]
    notes: tuple[str, ...]


def forecasts_of(
    notebook: Notebook,
    spin: Spin,
    bobbins: Sequence[Bobbin],
    sources: Sequence[ComparedBobbin],
    skeins: Sequence[LookedAt],
    compared: Compared | None,
    wrap_factor: float,
) -> tuple[PliedForecast, ...]:
    """A forecast for each skein whose bobbins were read; without a skein, for the best way."""
    by_id = {b.id: s for b, s in zip(bobbins, sources, strict=True) if s.points}
    out = []
    for looked in skeins:
        used = [by_id[b.id] for b in looked.bobbins if b.id in by_id]
        if not used or len(used) < len(looked.bobbins):
            continue
        way = way_plied(looked.skein.method, looked.plies, len(used))
        if way is None or way[0] == "single" or (way[0] == "plied" and len(used) < way[1]):
            continue
        names = [source.name for source in used]
        if way[0] == "plied":
            groups = groups_in_order(names, way[1])
        else:
            groups = [[End(name, False)] for name in names]
        made = _one(notebook, spin, used, groups, way, wrap_factor, looked)
        if made is not None:
            out.append(made)
    if not skeins and compared is not None and compared.pairing is not None:
        pairing = compared.pairing
        chosen = [list(group.ends) for group in pairing.best.groups]
        read = [source for source in sources if source.points]
        made = _one(notebook, spin, read, chosen, ("plied", pairing.plies), wrap_factor, None)
        if made is not None:
            out.append(made)
    return tuple(out)


def _one(
    notebook: Notebook,
    spin: Spin,
    read: Sequence[ComparedBobbin],
    groups: Sequence[Sequence[End]],
    way: tuple[Method, int],
    wrap_factor: float,
    looked: LookedAt | None,
) -> PliedForecast | None:
    twist = None
    if looked is not None and looked.unwashed is not None and looked.unwashed.twist is not None:
        twist = looked.unwashed.twist.turns_per_inch.value
    try:
        found = forecast(read, groups, turns_per_inch=twist, wrap_factor=wrap_factor)
    except ValueError:
        # A single reading per bobbin, or a strand too short for a chain.
        return None
    made = found.plied if way[0] == "plied" else found.chained
    if made is None:
        return None
    others = [
        known.pair
        for known in known_skeins(notebook)
        if looked is None or known.id != looked.skein.id
    ]
    bloom = learn([pair for pair in others if pair.teaches], way[0], way[1], spin.fibre)
    bars = [Bar("Forecast, as plied", made.wpi, made.wpi_range, forecast=True)]
    name = "" if looked is None else one_line(looked.skein.name)
    sentences = [_forecast_sentence(made, name)]
    if looked is not None:
        bars += _came_out("Came out, as plied", looked.unwashed)
        if looked.unwashed is not None:
            sentences.append(_against(looked.unwashed, made))
        if bloom.lessons:
            bars.append(_washed_bar(made, bloom))
        bars += _came_out("Came out, washed", looked.washed)
    elif bloom.lessons:
        bars.append(_washed_bar(made, bloom))
    washed = ""
    if bloom.lessons:
        washed = f"Washed, as your other skeins did: {_range(_washed_bar(made, bloom))} WPI."
        sentences.append(washed)
    notes = tuple(
        f"{note[:1].upper()}{note[1:]}." for note in notes_of(found, loops=way[0] == "chain-plied")
    )
    return PliedForecast(name, found, made, washed, tuple(sentences), tuple(bars), notes)


def _forecast_sentence(made: Forecast, name: str) -> str:
    bar = Bar("", made.wpi, made.wpi_range, forecast=True)
    how = "Chain-plied" if made.method == "chain-plied" else f"Plied {made.plies} together"
    of = f" for {name}" if name else ""
    return (
        f"{how}, the bobbins were forecast to give {_range(bar)} WPI{of}: 95 % of its length, "
        f"CV {made.cv_percent:.1f} % over 100 mm."
    )


def _washed_bar(made: Forecast, bloom: Bloom) -> Bar:
    middle = bloom.finished.middle
    coarse, fine = (end / middle for end in made.wpi_range)
    return Bar("Forecast, washed", made.wpi / middle, (coarse, fine), forecast=True)


def _range(bar: Bar) -> str:
    coarse, fine = bar.wpi_range
    decimals = 0 if fine - coarse >= 2 else 1
    return f"{coarse:.{decimals}f} to {fine:.{decimals}f}"


def _came_out(name: str, figures: SkeinFigures | None) -> list[Bar]:
    """The sections from the thickest to the thinnest."""
    if figures is None:
        return []
    return [Bar(name, figures.wpi, figures.wpi_range, forecast=False)]


def _against(figures: SkeinFigures, made: Forecast) -> str:
    """How the mean came out against its forecast."""
    percent = 100 * (figures.mean_mm / made.mean_mm - 1)
    ends = tuple(100 * (end / made.mean_mm - 1) for end in figures.mean_interval_mm)
    low, high = ends[0], ends[1]
    sections = f"{figures.sections} section{'' if figures.sections == 1 else 's'}"
    if low <= 0 <= high:
        said = span_text(percent, (low, high))
        return (
            f"As plied it came out as forecast, as far as {sections} can tell: {said} of diameter."
        )
    way = "thicker" if percent > 0 else "thinner"
    size = span_text(percent, (low, high)) if percent > 0 else span_text(-percent, (-high, -low))
    return f"As plied it came out {way} than forecast by {size}, by {sections}."
