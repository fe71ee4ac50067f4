"""Weights and lengths that a spinner wrote of a skein, with their doubts."""

from __future__ import annotations

from app.notebook.skein_records import Amounts
from measure.grist import Amount, Route, SkeinAmounts, chosen_route, routes_of


def amounts_of(said: Amounts) -> SkeinAmounts:
    """What was written; what a scale or a tape may be off by is taken as a rectangle."""
    return SkeinAmounts(
        weight_g=_amount(said.weight_g, said.weight_within_g),
        circumference_m=_amount(said.circumference_mm, said.circumference_within_mm, 1000),
        rounds=said.rounds,
        sample_length_m=_amount(said.sample_length_mm, said.sample_length_within_mm, 1000),
        sample_weight_g=_amount(said.sample_weight_g, said.sample_weight_within_g),
        grist_tex=_share(said.grist_tex, said.grist_within_percent),
        counted_m=_share(said.counted_m, said.counted_within_percent),
    )


def route_of(said: Amounts) -> Route | None:
    """The way to length and grist that the spinner chose, or the first that there is."""
    return chosen_route(routes_of(amounts_of(said)), said.length_from or None)


def _amount(value: float | None, within: float | None, per: float = 1.0) -> Amount | None:
    return None if value is None else Amount.within(value, within).scaled(1 / per)


def _share(value: float | None, within_percent: float | None) -> Amount | None:
    if value is None:
        return None
    return Amount.within(value, value * (within_percent or 0.0) / 100)
