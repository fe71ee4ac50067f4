"""What the notebook holds of a finished skein: its sections, and what the spinner wrote of it.

None and an empty text mean that nobody said. "Within" is how far a scale or a tape may be off
either way: the true value is taken to lie anywhere between (GUM 4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from measure.results import Interval, ScaleSummary, StrandReading

Layer = Literal["outside", "middle", "inside"]
"""How deep in the hanging skein a section was taken."""

LAYERS: Final[tuple[Layer, ...]] = ("outside", "middle", "inside")

LengthFrom = Literal["", "rounds", "counter", "sample", "grist"]
"""Which way to the length goes on the label; empty: the first that there is, in this order."""


@dataclass(frozen=True)
class Finish:
    """How a skein was washed and its twist set, and how it hung afterwards."""

    washed_on: str = ""
    """The day, YYYY-MM-DD; empty: not washed yet."""
    finishing: str = ""
    """How, in the spinner's words."""
    hang_turns: float | None = None
    """How many turns the open skein twists by itself when it hangs; 0: it hangs straight."""
    hang_twist: Literal["S", "Z"] | None = None
    """Which way its two sides then wind round each other."""


@dataclass(frozen=True)
class Amounts:
    """Weights, lengths and wraps, as the spinner found them on the finished skein."""

    weight_g: float | None = None
    weight_within_g: float | None = None
    circumference_mm: float | None = None
    """Once round the skein itself, not what the reel is called."""
    circumference_within_mm: float | None = None
    rounds: float | None = None
    sample_length_mm: float | None = None
    sample_length_within_mm: float | None = None
    sample_weight_g: float | None = None
    sample_weight_within_g: float | None = None
    grist_tex: float | None = None
    """As it is known from elsewhere."""
    grist_within_percent: float | None = None
    counted_m: float | None = None
    """Length as a counter or a tape gave it."""
    counted_within_percent: float | None = None
    length_from: LengthFrom = ""
    wraps: float | None = None
    """Wraps counted by hand, over `wraps_over_mm`."""
    wraps_over_mm: float | None = None


@dataclass(frozen=True)
class Wanted:
    """What the skein was to become."""

    pattern: str = ""
    """The pattern or its yarn, in the spinner's words."""
    wanted_chart: str = ""
    wanted_class: str = ""
    """A class in the words of that chart."""
    wanted_wpi_low: float | None = None
    wanted_wpi_high: float | None = None
    wanted_tex: float | None = None
    """Grist of the pattern's yarn."""


@dataclass(frozen=True)
class LabelWords:
    """What the maker wants said; empty fibre and colourway are the spin's."""

    fibre: str = ""
    colourway: str = ""
    care_line: str = ""
    label_text: str = ""


@dataclass(frozen=True)
class Section:
    """One reading of a skein as it was kept; the figures are the instrument's own."""

    id: str
    skein_id: str
    number: int
    """From 1 within the skein; the number of one taken back is not given again."""
    taken_at: datetime
    washed: bool
    """Whether the skein was washed and set by then."""
    layer: Layer | None
    hour: int | None
    """Where round the hanging skein, as on a clock whose 12 is the first tie: 1 to 12."""
    diameter_mm: float
    u_diameter_mm: float
    interval_mm: Interval
    cv_percent: float | None
    length_mm: float
    turns_per_inch: float | None
    twist: Literal["S", "Z"] | None
    note: str
    printed_card: str
    source: str
    reading: StrandReading | None = field(default=None, compare=False, repr=False)
    """Everything the instrument said; left out of lists."""
    scale: ScaleSummary | None = None
    """Where the millimetres came from; left out of lists."""
    taken_back_at: datetime | None = None
