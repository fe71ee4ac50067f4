"""What the notebook knows of each skein at each stage: single, relaxed, plied, washed.

A skein's singles are the bobbins it was plied from, and what it became is in its sections. Where
the plied or washed yarn was read on a bobbin that belongs to no skein, that bobbin stands for one.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from app import UseError
from app.bobbin_sources import one_line
from app.skein_amounts import route_of
from measure.bloom import Known, Method, Pair
from measure.plan import CHAIN_PLIES, MOST_PLIES, READING_SD_PERCENT

if TYPE_CHECKING:
    from app.notebook.records import Bobbin, Posture, Skein, Spin
    from app.notebook.skein_records import Section
    from app.notebook.store import Notebook

_TRUSTED_AS: Final = 4
"""How many readings the usual scatter is worth beside the scatter seen."""


@dataclass(frozen=True)
class KnownSkein:
    """A skein, or a bobbin that stands for one, that a plan may learn from."""

    id: str
    pair: Pair
    """Called "spin: skein"."""
    counts: bool = True
    """False: the spinner left it out in the notebook."""
    is_skein: bool = False
    """False: a bobbin that stands for one, which the notebook cannot leave out."""


@dataclass(frozen=True)
class Tally:
    """Readings of one bobbin in one posture."""

    readings: int
    mean_mm: float
    mean_square_mm2: float
    u_share: float
    """Mean relative doubt that readings share; the whole of it where that is not known."""


def known_skeins(notebook: Notebook) -> tuple[KnownSkein, ...]:
    """All skeins that teach something, the oldest first. NotebookError when it cannot be read."""
    tallies = _tallies(notebook)
    out = []
    for spin in sorted(notebook.spins(), key=lambda s: s.made_at):
        bobbins = notebook.bobbins(spin.id)
        used: set[str] = set()
        for skein in sorted(notebook.skeins(spin.id), key=lambda s: s.made_at):
            used.update(skein.bobbin_ids)
            out.append(_of_skein(spin, skein, notebook.sections(skein.id), tallies))
        out += [_of_bobbin(spin, b, tallies) for b in bobbins if b.id not in used]
    return tuple(known for known in out if known is not None and known.pair.teaches)


def _tallies(notebook: Notebook) -> dict[str, dict[Posture, Tally]]:
    found: dict[str, dict[Posture, Tally]] = defaultdict(dict)
    with notebook.connection_beside() as db:
        for bobbin_id, posture, *figures in db.execute(
            "SELECT bobbin_id, posture, count(*), avg(diameter_mm), "
            "avg(diameter_mm * diameter_mm), "
            "avg(coalesce(u_shared_mm, u_diameter_mm) / diameter_mm) FROM reading "
            "WHERE taken_back_at IS NULL GROUP BY bobbin_id, posture"
        ):
            readings, mean, square, share = figures
            found[bobbin_id][posture] = Tally(readings, mean, square, share or 0.0)
    return found


def mean_of(tallies: Sequence[Tally]) -> Known | None:
    """Mean diameter over bobbins, each counted alike, with its doubt; None without readings.

    Scatter is that seen, drawn towards the usual one where readings are few; it averages out. What
    readings share (scale, light) does not.
    """
    if not tallies:
        return None
    mean = math.fsum(t.mean_mm for t in tallies) / len(tallies)
    usual = (READING_SD_PERCENT / 100) ** 2
    squares, shares = [], []
    for tally in tallies:
        seen = max(tally.mean_square_mm2 / tally.mean_mm**2 - 1, 0.0) * tally.readings
        variance = (seen + _TRUSTED_AS * usual) / (tally.readings - 1 + _TRUSTED_AS)
        squares.append(variance / tally.readings)
        shares.append(tally.u_share)
    u = math.hypot(math.sqrt(math.fsum(squares)) / len(tallies), math.fsum(shares) / len(shares))
    return Known(mean, u * mean)


def _sizes(
    of_bobbins: Iterable[dict[Posture, Tally]],
) -> dict[Posture, Known]:
    by_posture: dict[Posture, list[Tally]] = defaultdict(list)
    for tallies in of_bobbins:
        for posture, tally in tallies.items():
            by_posture[posture].append(tally)
    return {p: known for p, t in by_posture.items() if (known := mean_of(t)) is not None}


def _of_skein(
    spin: Spin, skein: Skein, sections: Sequence[Section], tallies: dict[str, dict[Posture, Tally]]
) -> KnownSkein | None:
    plies = spin.aim.plies if skein.plies is None else skein.plies
    way = way_plied(skein.method, plies, len(skein.bobbin_ids))
    if way is None:
        return None
    sizes = _sizes(tallies.get(b, {}) for b in skein.bobbin_ids)
    stages: tuple[tuple[Posture, bool], ...] = (("plied", False), ("washed", True))
    for posture, washed in stages:
        read = [section for section in sections if section.washed is washed]
        # What was read of the skein itself goes before what was read of its bobbins.
        if read and (mean := mean_of([_tally_of(read)])) is not None:
            sizes[posture] = mean
    fibre = skein.label.fibre or spin.fibre
    pair = _pair(f"{spin.name}: {skein.name}", way, fibre, sizes)
    route = route_of(skein.amounts)
    if route is not None and route.tex is not None:
        pair = replace(pair, tex=Known(route.tex.value, route.tex.u))
    return KnownSkein(skein.id, pair, skein.counts_for_learning, is_skein=True)


def _tally_of(sections: Sequence[Section]) -> Tally:
    sizes = [s.diameter_mm for s in sections]
    shares = [s.u_diameter_mm / s.diameter_mm for s in sections if math.isfinite(s.u_diameter_mm)]
    n = len(sizes)
    return Tally(
        readings=n,
        mean_mm=math.fsum(sizes) / n,
        mean_square_mm2=math.fsum(d * d for d in sizes) / n,
        u_share=math.fsum(shares) / len(shares) if shares else 0.0,
    )


def _of_bobbin(
    spin: Spin, bobbin: Bobbin, tallies: dict[str, dict[Posture, Tally]]
) -> KnownSkein | None:
    way = way_plied("", spin.aim.plies, 0)
    if way is None:
        return None
    sizes = _sizes([tallies.get(bobbin.id, {})])
    return KnownSkein(bobbin.id, _pair(f"{spin.name}: {bobbin.name}", way, spin.fibre, sizes))


def _pair(name: str, way: tuple[Method, int], fibre: str, sizes: dict[Posture, Known]) -> Pair:
    method, plies = way
    return Pair(
        name=one_line(name),
        method=method,
        fibre=one_line(fibre),
        plies=plies,
        single_mm=sizes.get("tension"),
        relaxed_mm=sizes.get("relaxed"),
        plied_mm=sizes.get("plied"),
        washed_mm=sizes.get("washed"),
    )


def way_plied(words: str, plies: int | None, bobbins: int) -> tuple[Method, int] | None:
    """Method and plies from a spinner's words, the plies said and the bobbins used.

    None when nobody said how many plies and the bobbins do not tell.
    """
    if "chain" in words.casefold() or (plies == CHAIN_PLIES and bobbins == 1):
        return "chain-plied", CHAIN_PLIES
    if plies is None and 2 <= bobbins <= MOST_PLIES:
        plies = bobbins
    if plies is None or not 1 <= plies <= MOST_PLIES:
        return None
    return ("single" if plies == 1 else "plied"), plies


def pairs_but(known: Sequence[KnownSkein], without: Collection[str]) -> list[Pair]:
    """The pairs to learn from; `without` are names left out, as shown or the skein's alone.

    UseError for a name that is none of theirs.
    """
    names = {name.casefold() for name in without}
    matched: set[str] = set()
    out = []
    for one in known:
        full = one.pair.name.casefold()
        called = {full, full.partition(": ")[2]} & names
        matched |= called
        if one.counts and not called:
            out.append(one.pair)
    unknown = [name for name in without if name.casefold() not in matched]
    if unknown:
        all_names = ", ".join(one.pair.name for one in known) or "none yet"
        raise UseError(
            f"there is no skein called {unknown[0]!r} to leave out; known are {all_names}. "
            "Correct --without."
        )
    return out
