"""What the bobbins page has worked out beside the window: the comparison, the plying, the yarn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from app import UseError
from app.bobbin_sources import ComparedBobbin
from app.compare import BobbinFigures, Compared, compare, figures_of
from app.forecast import Forecasts, forecast
from measure.bloom import Pair, learn
from measure.bobbin_profile import profiles_of
from measure.pairing import MOST_BOBBINS
from measure.plan import CHAIN_PLIES
from measure.results import Floats


@dataclass(frozen=True)
class Asked:
    """What is to be worked out of a shelf."""

    bobbins: tuple[ComparedBobbin, ...]
    margin_percent: float
    plies: int | None
    own: str | None
    may_rewind: bool
    wrap_factor: float
    loop_m: float
    pairs: tuple[Pair, ...]
    fibre: str


@dataclass(frozen=True)
class Found:
    """What came of it."""

    figures: tuple[BobbinFigures, ...]
    drifts_mm: dict[str, Floats]
    """The drift of each bobbin in the order of its readings, by name."""
    compared: Compared | None
    why_not: str


def foretold(asked: Asked, found: Found) -> tuple[Forecasts, str] | None:
    """In the same thread: what the evenest way would give, and what it would be once washed."""
    pairing = found.compared.pairing if found.compared else None
    if pairing is None:
        return None
    read = [bobbin for bobbin in asked.bobbins if bobbin.points]
    forecasts = forecast(
        read,
        [group.ends for group in pairing.best.groups],
        loop_m=asked.loop_m,
        wrap_factor=asked.wrap_factor,
    )
    plied = learn(asked.pairs, "plied", pairing.plies, asked.fibre)
    chained = learn(asked.pairs, "chain-plied", CHAIN_PLIES, asked.fibre)
    return forecasts, forecasts.washed_sentence(plied, chained)


def answer(asked: Asked) -> Found:
    """In a thread of its own: the comparison, and the plying if there can be one."""
    figures = tuple(figures_of(bobbin) for bobbin in asked.bobbins)
    drifts = _drifts_mm(asked.bobbins)
    enough = sum(f.precision is not None for f in figures)
    if enough < 2:
        why = "two bobbins with two readings each are needed to compare"
        return Found(figures, drifts, None, why)
    why = ""
    plies = asked.plies
    if plies is not None and not plies <= enough <= MOST_BOBBINS:
        many = f"{plies} to {MOST_BOBBINS} bobbins" if plies < MOST_BOBBINS else f"{plies} bobbins"
        why, plies = f"{plies} plies take {many} with readings, and there are {enough}.", None

    def compared(plies: int | None, own: str | None) -> Compared:
        return compare(
            asked.bobbins,
            margin_percent=asked.margin_percent,
            plies=plies,
            own=own,
            may_rewind=asked.may_rewind,
            wrap_factor=asked.wrap_factor,
        )

    try:
        return Found(figures, drifts, compared(plies, asked.own if plies else None), why)
    except UseError:
        names = [f.bobbin.name for f in figures if f.precision is not None]
        why = (
            f'Write your own choice as "{names[0]} + {names[1]} rewound", groups apart by '
            f"semicolons, each with {plies} of the bobbins and none of them twice."
        )
        return Found(figures, drifts, compared(None, None), why)


def _drifts_mm(bobbins: Sequence[ComparedBobbin]) -> dict[str, Floats]:
    read = [bobbin for bobbin in bobbins if bobbin.points]
    if not read:
        return {}
    # Drawn in the order of the readings, so their grams are left out here.
    in_order = {b.name: [replace(point, spun_g=None) for point in b.points] for b in read}
    return {profile.name: profile.diameter_mm for profile in profiles_of(in_order).bobbins}
