"""What plying some bobbins would give, each way: worked out from their readings, then in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from app import UseError
from app.bobbin_sources import ComparedBobbin
from measure.bloom import PACK, STEPS, Bloom
from measure.bobbin_profile import Profiles, profiles_of
from measure.pairing import MOST_PLIES, End
from measure.plan import CHAIN_PLIES, PLY_ANGLE_DEG
from measure.ply_geometry import turns_for_angle
from measure.plying import (
    SHORT_MM,
    Forecast,
    Irregularity,
    Strand,
    forecast_chain,
    forecast_plied,
    irregularity_of,
    sentence,
    together,
)

if TYPE_CHECKING:
    from rich.console import Console

LOOP_M: Final = 0.4
"""Length of a chain's loop where nobody said (ours)."""

USUAL_M: Final = 100.0
"""Length of a bobbin's strand where neither it nor its weight is known (ours)."""

_LEAST_M: Final = 0.5
"""Shorter ends are not worth a word."""

PROFILES: Final = 10
"""Readings of each bobbin whose profiles are looked at."""


@dataclass(frozen=True)
class WayForecast:
    """One skein plied."""

    ends: tuple[End, ...]
    forecast: Forecast


@dataclass(frozen=True)
class Forecasts:
    """Ordinary plying of bobbins and chain plying of each, beside each other."""

    groups: tuple[WayForecast, ...]
    chains: tuple[WayForecast, ...]
    plied: Forecast
    """All groups together."""
    chained: Forecast | None
    """All chains together; None when no strand is long enough for one."""
    irregularity: Irregularity
    loop_m: float
    angle_deg: float | None
    """Ply angle taken; None: turns per inch were given."""
    length_from: str
    """Where the lengths came from, in words."""
    left_out: tuple[str, ...]
    """Bobbins that no group plies."""

    @property
    def sentence(self) -> str:
        """'plied from three bobbins this would be 21 to 24 WPI; chain-plied from one, 18 to 27'."""
        return self.sentence_in("wpi")

    def sentence_in(self, unit: Literal["wpi", "mm"]) -> str:
        """The same in this unit."""
        return sentence(self.plied, self.chained, unit)

    def washed_sentence(self, plied: Bloom, chained: Bloom) -> str:
        """What both would be once washed, by what the spinner's own skeins did; '' without any."""
        if not plied.lessons:
            return ""
        parts = []
        for forecast, bloom in ((self.plied, plied), (self.chained, chained)):
            if forecast is not None:
                coarse, fine = (end / bloom.finished.middle for end in forecast.wpi_range)
                decimals = 0 if fine - coarse >= 2 else 1
                parts.append(f"{coarse:.{decimals}f} to {fine:.{decimals}f}")
        return f"washed, as your skeins did: {' and '.join(parts)} WPI"


def forecast(
    bobbins: Sequence[ComparedBobbin],
    groups: Sequence[Sequence[End]],
    *,
    loop_m: float = LOOP_M,
    length_m: float | None = None,
    turns_per_inch: float | None = None,
    wrap_factor: float = 1.0,
    profiles: Profiles | None = None,
) -> Forecasts:
    """Forecasts of these groups of bobbins, and of each bobbin in them chain-plied.

    `length_m` is that of every bobbin's strand; without it lengths follow from weights, or are
    taken as `USUAL_M`. `profiles` are these bobbins', when they are known already.
    """
    if profiles is None:
        profiles = profiles_of(
            {bobbin.name: bobbin.points for bobbin in bobbins},
            {bobbin.name: bobbin.net_g for bobbin in bobbins if bobbin.net_g is not None},
        )
    lengths, length_from = _lengths(bobbins, profiles, length_m)
    irregularity = irregularity_seen(bobbins, profiles)
    spun = {profile.name: profile for profile in profiles.bobbins}
    mean = math.fsum(float(p.diameter_mm.mean()) for p in profiles.bobbins) / len(spun)

    def turns(plies: int) -> float:
        if turns_per_inch is not None:
            return turns_per_inch
        return turns_for_angle(mean, plies, PLY_ANGLE_DEG)

    def strand(end: End) -> Strand:
        return Strand.off(spun[end.name], lengths[end.name], rewound=end.rewound)

    plied: list[WayForecast] = []
    chained: list[WayForecast] = []
    for number, group in enumerate(groups):
        found = forecast_plied(
            [strand(end) for end in group],
            irregularity,
            turns_per_inch=turns(len(group)),
            wrap_factor=wrap_factor,
            seed=number,
        )
        plied.append(WayForecast(tuple(group), found))
        for end in group:
            off = End(end.name, rewound=False)
            try:
                chain = forecast_chain(
                    strand(off),
                    irregularity,
                    loop_m=loop_m,
                    turns_per_inch=turns(CHAIN_PLIES),
                    wrap_factor=wrap_factor,
                    seed=1000 + len(chained),
                )
            except ValueError:
                # Too short for three loops: it cannot be chain-plied.
                continue
            chained.append(WayForecast((off,), chain))
    used = {end.name for group in groups for end in group}
    return Forecasts(
        groups=tuple(plied),
        chains=tuple(chained),
        plied=together([way.forecast for way in plied]),
        chained=together([way.forecast for way in chained]) if chained else None,
        irregularity=irregularity,
        loop_m=loop_m,
        angle_deg=PLY_ANGLE_DEG if turns_per_inch is None else None,
        length_from=length_from,
        left_out=tuple(b.name for b in bobbins if b.name not in used),
    )


def irregularity_seen(bobbins: Sequence[ComparedBobbin], profiles: Profiles) -> Irregularity:
    """How the bobbins' yarn varies about their drift: from profiles, or from readings' CVs."""
    doubt = math.fsum(b.u_percent**2 for b in profiles.bobbins) / len(profiles.bobbins)
    # What the drift is not known to be varies too, as far as anyone can tell.
    scatter = math.hypot(profiles.scatter_percent, math.sqrt(doubt))
    try:
        return irregularity_of([along for b in bobbins for along in b.along], scatter)
    except ValueError:
        cvs = [p.cv_percent for b in bobbins for p in b.points if p.cv_percent is not None]
        short = math.sqrt(math.fsum(cv * cv for cv in cvs) / len(cvs)) if cvs else 0.0
        return Irregularity(scatter, short, short_mm=SHORT_MM)


def _lengths(
    bobbins: Sequence[ComparedBobbin], profiles: Profiles, length_m: float | None
) -> tuple[dict[str, float], str]:
    """Metres on each bobbin, and where they came from."""
    if length_m is not None:
        return {b.name: length_m for b in bobbins}, f"{length_m:g} m on every bobbin, as you said"
    net = {b.name: b.net_g for b in bobbins if b.net_g is not None}
    if len(net) == len(bobbins):
        density = math.exp(STEPS[PACK].guess)
        # A gram of 1 mm2 and 1 g/cm3 is 1 m.
        per_g = {
            p.name: 4 / (math.pi * density * float((p.diameter_mm**2).mean()))
            for p in profiles.bobbins
        }
        lengths = {name: grams * per_g[name] for name, grams in net.items()}
        return lengths, "lengths by weight and a first guess of density, so only roughly"
    each = math.fsum(p.length for p in profiles.bobbins) / len(profiles.bobbins)
    return (
        {p.name: USUAL_M * p.length / each for p in profiles.bobbins},
        f"lengths unknown, taken as {USUAL_M:g} m a bobbin",
    )


# --- for people -------------------------------------------------------------------------------


def print_forecasts(console: Console, found: Forecasts, units: str, washed: str = "") -> None:
    """A table of skeins, the sentences, and what was taken for granted."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    per, unit = (0.9144, "yd") if units == "inch" else (1.0, "m")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    table.add_column("How")
    table.add_column("Of")
    for head in ("WPI\n95 % of it", "CV of\n100 mm", "Length\ngiven", "Left over"):
        table.add_column(head, justify="right", no_wrap=True)
    for how, ways in (("plied", found.groups), ("chain-plied", found.chains)):
        for way in ways:
            made = way.forecast
            coarse, fine = made.wpi_range
            decimals = 0 if fine - coarse >= 2 else 1
            left = [
                f"{length / per:.0f} {unit} of {end.name}"
                for end, length in zip(way.ends, made.left_over_m, strict=True)
                if length / per >= _LEAST_M
            ]
            table.add_row(
                how,
                escape(" + ".join(map(str, way.ends))),
                f"{coarse:.{decimals}f} to {fine:.{decimals}f}",
                f"{made.cv_percent:.1f} %",
                f"{made.length_m / per:.0f} {unit}",
                escape("\n".join(left)),
            )
    console.print(table)
    for words in (found.sentence, washed, *notes_of(found)):
        if words:
            console.print(escape(f"{words[:1].upper()}{words[1:]}."), highlight=False)


def left_over_text(found: Forecasts) -> str:
    """'plied together, 6 m of B1 would be left over'; '' where nothing is."""
    from measure.match import listed

    parts = [
        f"{length:.0f} m of {end.name}"
        for way in found.groups
        for end, length in zip(way.ends, way.forecast.left_over_m, strict=True)
        if length >= _LEAST_M
    ]
    return f"plied together, {listed(parts)} would be left over" if parts else ""


def notes_of(found: Forecasts, *, loops: bool = True) -> list[str]:
    """What a forecast takes for granted, each in a sentence without its full stop.

    `loops` False leaves the chain's out, where none is told of.
    """
    from measure.match import listed

    twist = "" if found.angle_deg is None else f", a ply angle of {found.angle_deg:g} degrees"
    chain = f", loops of {100 * found.loop_m:.0f} cm" if loops else ""
    out = [f"as laid by geometry, before washing{twist}{chain}; {found.length_from}"]
    if found.left_out:
        out.append(f"{listed(found.left_out)} not plied")
    return out


def groups_in_order(names: Sequence[str], plies: int) -> list[list[End]]:
    """Bobbins taken in order, as they come off; UseError when they are too few."""
    if not 2 <= plies <= MOST_PLIES or len(names) < plies:
        raise UseError(
            f"{plies} plies take {plies} bobbins with readings, and there are {len(names)}; "
            "change --plies or name other bobbins."
        )
    return [
        [End(name, False) for name in names[at : at + plies]]
        for at in range(0, len(names) - plies + 1, plies)
    ]


def as_object(found: Forecasts, washed: str) -> dict[str, Any]:
    """The JSON of `slubwise forecast --json` (docs/formats.md), without the version."""
    return {
        "groups": [_way(way) for way in found.groups],
        "chains": [_way(way) for way in found.chains],
        "plied": _made(found.plied),
        "chained": None if found.chained is None else _made(found.chained),
        "irregularity": {
            "scatter_percent": round(found.irregularity.scatter_percent, 4),
            "scatter_mm": round(found.irregularity.scatter_mm, 2),
            "short_percent": round(found.irregularity.short_percent, 4),
            "short_mm": round(found.irregularity.short_mm, 2),
        },
        "loop_m": found.loop_m,
        "angle_deg": found.angle_deg,
        "left_out": list(found.left_out),
        "sentences": [s for s in (found.sentence, washed, *notes_of(found)) if s],
    }


def _way(way: WayForecast) -> dict[str, Any]:
    bobbins = [{"name": end.name, "rewound": end.rewound} for end in way.ends]
    return {"bobbins": bobbins} | _made(way.forecast)


def _made(made: Forecast) -> dict[str, Any]:
    return {
        "diameter_mm": round(made.mean_mm, 5),
        "range_mm": [round(end, 5) for end in made.range_mm],
        "wpi": round(made.wpi, 4),
        "wpi_range": [round(end, 4) for end in made.wpi_range],
        "cv_percent": round(made.cv_percent, 4),
        "cut_cv_percent": round(made.cut_cv_percent, 4),
        "length_m": round(made.length_m, 3),
        "left_over_m": [round(length, 3) for length in made.left_over_m],
    }
