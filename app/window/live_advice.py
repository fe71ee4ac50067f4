"""Advice at the wheel: one short sentence, without what concerns scans and rulers alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from measure.live import LiveState
from measure.notes import REFUSALS

_BRIEFLY: Final = {REFUSALS["no_strand"][1]: "Lay the strand along a lane of the card."}
_OF_SCANS: Final = ", or scan at a higher dpi."


def briefly(state: LiveState) -> LiveState:
    """The same with its advice as short as eyes on the drafting take in."""
    return replace(state, advice=brief_advice(state.advice)) if state.advice else state


def brief_advice(advice: str) -> str:
    """What a picture's refusal advises, as it is said of a running camera."""
    advice = _BRIEFLY.get(advice, advice)
    if advice.endswith(_OF_SCANS):
        return advice.removesuffix(_OF_SCANS) + "."
    return advice
