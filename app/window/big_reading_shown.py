"""What the big reading shows, and the same in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from measure.band import Judgement, Place
from measure.twist_band import TwistJudgement, TwistPlace

WORDS: Final[dict[Place | TwistPlace, str]] = {
    "in": "IN THE BAND",
    "thicker": "THICKER",
    "thinner": "THINNER",
    "more": "MORE TWIST",
    "less": "LESS TWIST",
}
_WAYS: Final = ("thin", "thick")
TWIST_WAYS: Final = ("less", "more")


@dataclass(frozen=True)
class Shown:
    """All that a painting depends on; equal ones need no new painting."""

    figure: str = ""
    interval: str = ""
    classes: str = ""
    judged: Judgement | TwistJudgement | None = None
    position: float = 0.0
    position_low: float = 0.0
    position_high: float = 0.0
    band_thin: str = ""
    band_thick: str = ""
    faded: bool = False
    cause: str = ""
    advice: str = ""
    hold: float = 0.0
    armed: bool = True
    live: bool = True
    """False for a picture that stands still: there is nothing to hold steady."""
    logged: str = ""
    ways: tuple[str, str] = _WAYS
    """Words at the track's ends."""
    beside: str = ""
    """The figure that stands beside this one, if any."""
    turns: Shown | None = None
    """The same of the ply twist, to stand beside it; None where only thickness is of interest."""

    def words(self) -> str:
        """The same as a sentence, for those who listen."""
        parts: list[str] = []
        if self.figure and not self.faded:
            parts.append(f"{self.figure}, {self.interval}")
            if self.judged is not None:
                parts.append(WORDS[self.judged.place].lower() + _sureness(self.judged))
            if self.classes:
                parts.append(self.classes)
            if self.turns is not None:
                parts.append(self.turns.words())
        else:
            parts += [text.rstrip(".") for text in (self.cause, self.advice) if text]
        if self.logged:
            parts.append(self.logged)
        return ". ".join(parts)


def _sureness(judged: Judgement | TwistJudgement) -> str:
    return "" if judged.sure else ", perhaps"
