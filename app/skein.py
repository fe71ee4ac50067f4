"""A finished skein out of the notebook: its sections together, its length and grist, what to do."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from app import UseError
from app.bobbin_sources import one_line
from app.notebook.records import Bobbin, Skein, Spin
from app.notebook.skein_records import Section
from app.notebook.store import Notebook
from app.pairs import KnownSkein, known_skeins, way_plied
from app.ply_balance import PlyBalance, skein_balance
from app.skein_amounts import amounts_of, route_of
from measure.grist import (
    Amount,
    Disagreement,
    Route,
    chosen_route,
    disagreements,
    routes_of,
)
from measure.packing import Packing, k_of, learned_packing, wrap_factor_from_count
from measure.section_places import Place, next_place, plan_sentence, sections_needed
from measure.skein import (
    Balance,
    SkeinFigures,
    SkeinSection,
    Swelling,
    balance_of,
    skein_figures,
    swelling,
)
from measure.suiting import Suit, WantedYarn, suits, wanted_class
from measure.weight_class import CHARTS, WeightChart, chart_named

TOLERANCE_PERCENT: Final = 3.0
"""How well a skein's mean is wanted, unless somebody says otherwise."""

_BALANCE_WORDS: Final[dict[Balance, str]] = {
    "straight": "hangs straight: balanced",
    "too_little": "turns the way of its ply: it would take more ply twist",
    "too_much": "turns against its ply: more ply twist than balances",
    "turns": "does not hang straight",
}


@dataclass(frozen=True)
class LookedAt:
    """Everything there is to say of one skein."""

    skein: Skein
    spin: Spin
    bobbins: tuple[Bobbin, ...]
    fibre: str
    colourway: str
    plies: int | None
    chart: WeightChart
    wrap_factor: float
    sections: tuple[Section, ...]
    """All that stand, with everything the instrument said."""
    unwashed: SkeinFigures | None
    washed: SkeinFigures | None
    swelling: Swelling | None
    routes: tuple[Route, ...]
    route: Route | None
    """The way to length and grist that is told."""
    disagreements: tuple[Disagreement, ...]
    k: float | None
    """Packing of this skein: Ashenhurst's k from its thickness and its grist."""
    learned: Packing | None
    """The spinner's own packing, from all skeins that count for learning."""
    teaches: KnownSkein | None
    """What the next plan may learn from it; None: nothing yet."""
    own_wrap_factor: float | None
    """From the wraps counted by hand on this skein."""
    next_place: Place
    plan: str
    tolerance_percent: float
    ply_balance: PlyBalance | None
    """How the ply twist lies to what balances the singles; None where theirs was not read."""
    wanted: WantedYarn | None
    suit: Suit | None
    why_no_suit: str

    @property
    def figures(self) -> SkeinFigures | None:
        """Of the finished yarn: washed where that was read."""
        return self.washed or self.unwashed

    @property
    def is_washed(self) -> bool:
        """Whether the skein is finished, so that the next section is one of the washed yarn."""
        return bool(self.skein.finish.washed_on) or self.washed is not None

    @property
    def balance(self) -> str | None:
        """What the hang test says, in words."""
        finish = self.skein.finish
        twist = self.figures.twist if self.figures else None
        found = balance_of(
            finish.hang_turns, finish.hang_twist, twist.direction if twist is not None else None
        )
        return None if found is None else _BALANCE_WORDS[found]


def skein_called(notebook: Notebook, name: str, spin: str | None = None) -> Skein:
    """The skein of that name, in any spin or in the one named; UseError when not just one."""
    spins = notebook.spins()
    if spin is not None:
        spins = [s for s in spins if s.name.casefold() == spin.casefold()]
        if not spins:
            raise UseError(f"there is no spin called {spin!r}; correct --spin.")
    skeins = [skein for s in spins for skein in notebook.skeins(s.id)]
    found = [s for s in skeins if s.name == name]
    found = found or [s for s in skeins if s.name.casefold() == name.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        raise UseError(f"two or more skeins are called {name!r}; say which --spin.")
    known = ", ".join(one_line(s.name) for s in skeins[:12]) or "none"
    raise UseError(
        f'there is no skein called {name!r}; known are {known}. "slubwise skein new" makes one.'
    )


def chart_of(skein: Skein, name: str | None) -> WeightChart:
    """The chart that was named, or the skein's own, or the first of all; UseError for another."""
    try:
        return chart_named(name or skein.wanted.wanted_chart or next(iter(CHARTS)))
    except ValueError as error:
        raise UseError(f"{error}.") from None


def look_at(
    notebook: Notebook,
    skein_id: str,
    *,
    chart: str | None = None,
    wrap_factor: float = 1.0,
    tolerance_percent: float = TOLERANCE_PERCENT,
    wanted: WantedYarn | None = None,
) -> LookedAt:
    """Work a skein out; `wanted` instead of what it says itself. NotebookError as it comes."""
    skein = notebook.skein(skein_id)
    spin = notebook.spin(skein.spin_id)
    bobbins = tuple(notebook.bobbin(id_) for id_ in skein.bobbin_ids)
    by = chart_of(skein, chart)
    sections = tuple(notebook.section(light.id) for light in notebook.sections(skein_id))
    plies = plies_of(skein, spin)
    unwashed = _figures([s for s in sections if not s.washed], by, wrap_factor, plies)
    washed = _figures([s for s in sections if s.washed], by, wrap_factor, plies)
    figures = washed or unwashed
    routes = routes_of(amounts_of(skein.amounts))
    route = chosen_route(routes, skein.amounts.length_from or None)
    tex = route.tex if route else None
    amounts = skein.amounts
    own = None
    if figures and amounts.wraps and amounts.wraps_over_mm:
        own = wrap_factor_from_count(amounts.wraps, amounts.wraps_over_mm, figures.mean_mm)
    finished = bool(skein.finish.washed_on) or washed is not None
    place, plan = _plan(sections, finished, washed if finished else unwashed, tolerance_percent)
    wanted = wanted or wanted_of(skein, spin, by)
    suit, why_not = _suit(wanted, figures, by, tex)
    fibre, colourway = _said(notebook, skein, spin, bobbins)
    return LookedAt(
        skein=skein,
        spin=spin,
        bobbins=bobbins,
        fibre=fibre,
        colourway=colourway,
        plies=plies,
        chart=by,
        wrap_factor=wrap_factor,
        sections=sections,
        unwashed=unwashed,
        washed=washed,
        swelling=swelling(unwashed, washed) if unwashed and washed else None,
        routes=routes,
        route=route,
        disagreements=disagreements(routes),
        k=k_of(figures.mean_mm, tex.value) if figures and tex else None,
        learned=learned_packing(packed_skeins(notebook)),
        teaches=next((k for k in known_skeins(notebook) if k.id == skein_id), None),
        own_wrap_factor=own,
        next_place=place,
        plan=plan,
        tolerance_percent=tolerance_percent,
        ply_balance=skein_balance(
            unwashed if unwashed is not None and unwashed.twist else washed,
            plies,
            (r for bobbin in skein.bobbin_ids for r in notebook.readings(bobbin)),
        ),
        wanted=wanted,
        suit=suit,
        why_no_suit=why_not,
    )


def plies_of(skein: Skein, spin: Spin) -> int | None:
    """How many strands it was plied from; None when nobody said."""
    plies = spin.aim.plies if skein.plies is None else skein.plies
    way = way_plied(skein.method, plies, len(skein.bobbin_ids))
    return plies if way is None else way[1]


def wanted_of(skein: Skein, spin: Spin, chart: WeightChart) -> WantedYarn | None:
    """What the skein was to become, by what was written of it or else of its spin."""
    said = skein.wanted
    name = said.pattern or said.wanted_class or "the pattern"
    if said.wanted_wpi_low is not None or said.wanted_wpi_high is not None:
        return WantedYarn(
            one_line(name), (said.wanted_wpi_low, said.wanted_wpi_high), said.wanted_tex
        )
    class_name = said.wanted_class or ("" if said.wanted_tex else spin.aim.class_name)
    if class_name:
        try:
            found = wanted_class(chart, class_name)
        except ValueError:
            if said.wanted_class:
                raise UseError(
                    f"the chart {chart.name} has no class {one_line(class_name)!r}; choose its "
                    "own chart, or one of "
                    f"{', '.join(c.name for c in chart.classes)}."
                ) from None
            return None
        return WantedYarn(found.name, found.wpi, said.wanted_tex)
    if said.wanted_tex is not None:
        return WantedYarn(one_line(name), tex=said.wanted_tex)
    return None


def _suit(
    wanted: WantedYarn | None, figures: SkeinFigures | None, chart: WeightChart, tex: Amount | None
) -> tuple[Suit | None, str]:
    if wanted is None:
        return None, "Nothing was wanted: name a class, wraps per inch or a grist."
    if figures is None:
        return None, "No section was read yet."
    try:
        return suits(figures, wanted, chart, tex), ""
    except ValueError as error:
        text = str(error)
        return None, f"{text[:1].upper()}{text[1:]}."


def _figures(
    sections: Sequence[Section], chart: WeightChart, wrap_factor: float, plies: int | None
) -> SkeinFigures | None:
    if not sections:
        return None
    measured = [
        SkeinSection.of_strand(s.reading, layer=s.layer, hour=s.hour)
        for s in sections
        if s.reading is not None
    ]
    return skein_figures(measured, chart, wrap_factor=wrap_factor, plies=plies)


def _plan(
    sections: Sequence[Section], washed: bool, figures: SkeinFigures | None, tolerance: float
) -> tuple[Place, str]:
    taken = [(s.layer, s.hour) for s in sections if s.washed == washed]
    known = figures.known_to_percent if figures else None
    shared = figures.shared_percent if figures else 0.0
    needed = sections_needed(
        len(taken),
        figures.sd_percent if figures else None,
        tolerance,
        shared,
    )
    return next_place(taken), plan_sentence(len(taken), needed, tolerance, known, shared)


def _said(
    notebook: Notebook, skein: Skein, spin: Spin, bobbins: Iterable[Bobbin]
) -> tuple[str, str]:
    """Fibre and colourway: the skein's own words, or those of every spin that is in it."""
    spins = {spin.id: spin}
    for bobbin in bobbins:
        if bobbin.spin_id not in spins:
            spins[bobbin.spin_id] = notebook.spin(bobbin.spin_id)
    fibres = dict.fromkeys(s.fibre.strip() for s in spins.values() if s.fibre.strip())
    colours = dict.fromkeys(s.colour_note.strip() for s in spins.values() if s.colour_note.strip())
    return (
        skein.label.fibre.strip() or "; ".join(fibres),
        skein.label.colourway.strip() or "; ".join(colours),
    )


def mean_of(values: Sequence[tuple[float, float]]) -> Amount | None:
    """Mean of (value, standard uncertainty), its doubt from their scatter and what they share.

    All of a single one's doubt is taken as shared: never surer than one careful reading.
    """
    if not values:
        return None
    mean = math.fsum(v for v, _ in values) / len(values)
    scatter = 0.0
    if len(values) > 1:
        scatter = statistics.stdev(v for v, _ in values) / math.sqrt(len(values))
    doubts = [u for _, u in values if math.isfinite(u)]
    shared = math.sqrt(math.fsum(u * u for u in doubts) / len(doubts)) if doubts else 0.0
    return Amount(mean, math.hypot(scatter, shared))


def packed_skeins(notebook: Notebook) -> list[tuple[Amount, Amount]]:
    """Washed thickness, mm, and grist, tex, of every skein that counts for learning."""
    found = []
    for spin in notebook.spins():
        for skein in notebook.skeins(spin.id):
            if not skein.counts_for_learning:
                continue
            route = route_of(skein.amounts)
            washed = mean_of(
                [(t.diameter_mm, t.u_diameter_mm) for t in notebook.sections(skein.id) if t.washed]
            )
            if washed is not None and route is not None and route.tex is not None:
                found.append((washed, route.tex))
    return found
