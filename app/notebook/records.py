"""What the notebook holds, as frozen records: spins, bobbins, sittings, readings, skeins.

An id is the text of a random UUID, so that two windows, or two notebooks that are later put
together, never give the same one to two things. Times are aware and in UTC; lengths and weights
carry their unit in the name; None means that nobody said.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from app.notebook.skein_records import Amounts, Finish, LabelWords, Wanted
from measure.results import Interval, ScaleSummary, StrandReading

Posture = Literal["tension", "relaxed", "plied", "washed"]
"""How the strand lay: under tension at the wheel, relaxed, plied, or plied and washed."""

POSTURES: Final[tuple[Posture, ...]] = ("tension", "relaxed", "plied", "washed")
PLIED_POSTURES: Final[tuple[Posture, ...]] = ("plied", "washed")
"""Those in which ply twist is to be seen."""


@dataclass(frozen=True)
class Aim:
    """What a spin is to become; the band is of the single's diameter."""

    band_low_mm: float | None = None
    band_high_mm: float | None = None
    plies: int | None = None
    class_name: str = ""
    """The weight class wanted, in the words of the chart it was chosen from."""
    note: str = ""


@dataclass(frozen=True)
class Spin:
    """One lot of fibre on its way to one yarn."""

    id: str
    name: str
    fibre: str
    colour_note: str
    """Dye lot or colour."""
    prepared_g: float | None
    """Weight of the fibre made ready for it."""
    aim: Aim
    note: str
    made_at: datetime
    deleted_at: datetime | None = None
    """When it was put away; everything in it went along and comes back with it."""


@dataclass(frozen=True)
class Bobbin:
    """One bobbin of a spin."""

    id: str
    spin_id: str
    name: str
    note: str
    empty_g: float | None
    full_g: float | None
    place: int
    """Where it stands among the spin's bobbins, lowest first."""
    made_at: datetime
    deleted_at: datetime | None = None


@dataclass(frozen=True)
class Sitting:
    """One session at the wheel on one bobbin."""

    id: str
    bobbin_id: str
    begun_at: datetime
    ended_at: datetime | None
    """None while it lasts, or when the program ended before the sitting did."""


@dataclass(frozen=True)
class LoggedReading:
    """One reading as it was logged; the figures are the instrument's own."""

    id: str
    sitting_id: str
    bobbin_id: str
    number: int
    """From 1 within the bobbin; the number of a reading taken back is not given again."""
    taken_at: datetime
    posture: Posture
    diameter_mm: float
    u_diameter_mm: float
    interval_mm: Interval
    cv_percent: float | None
    length_mm: float
    turns_per_inch: float | None
    twist: Literal["S", "Z"] | None
    spun_g: float | None
    """Grams of fibre on the bobbin by then."""
    note: str
    printed_card: str
    """Which of the printed cards it was measured on; empty without a card."""
    source: str
    """Camera, file or folder that the picture came from."""
    has_picture: bool
    reading: StrandReading | None = field(default=None, compare=False, repr=False)
    """Everything the instrument said; left out of lists."""
    scale: ScaleSummary | None = None
    """Where the millimetres came from; left out of lists."""
    taken_back_at: datetime | None = None
    u_shared_mm: float | None = None
    """The part of `u_diameter_mm` common to all readings taken this way; None: not known."""
    scale_from: str = ""
    """Where the millimetres came from: "card desk 1", "dpi", "marks"; empty: not known."""
    printed_card_id: str = ""
    """Which print of the card it was, whatever it is called by now; empty: nobody said."""


@dataclass(frozen=True)
class Skein:
    """What was plied from bobbins."""

    id: str
    spin_id: str
    name: str
    bobbin_ids: tuple[str, ...]
    """In the order they were plied in."""
    method: str
    """How it was plied, in the spinner's words."""
    note: str
    made_at: datetime
    deleted_at: datetime | None = None
    plies: int | None = None
    """None: as many as bobbins, or as the spin aimed at."""
    counts_for_learning: bool = True
    """Whether the next plan may learn from what became of it."""
    finish: Finish = field(default_factory=Finish)
    amounts: Amounts = field(default_factory=Amounts)
    wanted: Wanted = field(default_factory=Wanted)
    label: LabelWords = field(default_factory=LabelWords)
