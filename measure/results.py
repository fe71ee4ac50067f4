"""What a measurement says: frozen results with their units in the names.

Conventions (docs/definitions.md): pixel (0, 0) has its centre at the origin; arrays are
[row, column], points are (x, y); card coordinates are mm from the card's top left corner;
intervals are 95 %; `u_` is a standard uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Interval = tuple[float, float]

SHARED_PARTS: Final = (
    "scale",
    "section",
    "blur",
    "light",
    "shape",
    "pale",
    "core_and_halo",
    "relief",
    "plies",
    "two_colours",
    "recoloured",
    "burnt_out",
)
"""Parts of a reading's budget that are alike in readings taken the same way: they move all
readings of a bobbin together and are no drift, but do not average out of its mean."""
OWN_PARTS: Final = ("view", "stand_off", "edges", "sampling")
"""The others: of each reading by itself."""


def shared_doubt_mm(budget_mm: Mapping[str, float], u_diameter_mm: float) -> float:
    """The part of a reading's doubt that it shares with others taken the same way, mm."""
    shared = math.hypot(*(budget_mm.get(name, 0.0) for name in SHARED_PARTS))
    return min(shared, u_diameter_mm)


@dataclass(frozen=True)
class Caution:
    """Something that makes a reading less sure; `code` is stable, `text` one sentence."""

    code: str
    text: str


@dataclass(frozen=True)
class Outline:
    """Where the strand was seen, in picture pixels, for drawing: each (n, 2) as (x, y)."""

    centre_px: Floats
    left_px: Floats
    right_px: Floats


@dataclass(frozen=True)
class Refusal:
    """No reading, and why: one sentence of cause, one of advice. `code` is stable."""

    code: str
    text: str
    advice: str
    strand: int | None = None
    """Number of the strand that was refused (as drawn on the overlay); None: the picture."""
    outline: Outline | None = field(default=None, compare=False, repr=False)
    """Roughly where that strand was seen."""


@dataclass(frozen=True)
class WeightClass:
    """A yarn weight class the interval touches."""

    number: int
    name: str


@dataclass(frozen=True)
class Along:
    """The running profile, one entry each 0.25 mm or less; gaps where nothing was measured."""

    position_mm: Floats
    """Distance along the strand from its left end, (n,)."""
    diameter_mm: Floats
    """Core diameter at that place, (n,)."""
    u_diameter_mm: Floats
    """Standard uncertainty of one entry's edges alone, (n,)."""
    ground: NDArray[np.str_]
    """'light', 'dark' or 'open' behind that place, (n,)."""


@dataclass(frozen=True)
class UnevenPlace:
    """A thick or thin place: a run of 1 mm cuts beyond a threshold of the mean diameter."""

    kind: Literal["thick", "thin"]
    threshold_percent: int
    from_mm: float
    to_mm: float
    extreme_percent: float
    """Largest departure from the mean, in per cent of the mean diameter."""


@dataclass(frozen=True)
class TwistCue:
    """What one sign of twist says by itself."""

    name: Literal["edges", "texture", "stripes", "slope"]
    """'edges': bumps of the outline; 'texture', 'stripes': pattern of shading or of colour along
    the face; 'slope': how steeply that pattern, or a single's fibres, run across it."""
    turns_per_inch: float
    u_turns_per_inch: float


@dataclass(frozen=True)
class Twist:
    """Twist of one strand; None wherever it could not be told, and then `reason` says why."""

    plies: int | None
    """1 for a single."""
    turns_per_inch: float | None = None
    turns_per_inch_interval: Interval | None = None
    turns_per_metre: float | None = None
    turns_per_metre_interval: Interval | None = None
    twist: Literal["S", "Z"] | None = None
    """As ISO 2 says: the slope of the middle stroke of that letter, the strand upright."""
    angle_deg: float | None = None
    """Of the surface to the strand's axis: tan = pi x diameter x turns per length."""
    angle_interval_deg: Interval | None = None
    turns_seen: float | None = None
    """Turns in view that were counted."""
    evenness_cv_percent: float | None = None
    """Coefficient of variation of the twist along the strand, each value over a whole turn or
    more; None for singles."""
    cues: tuple[TwistCue, ...] = ()
    cues_agree: bool | None = None
    """None where one cue is all there was."""
    reason: Caution | None = None
    """Why there is no number of turns."""


@dataclass(frozen=True)
class StrandReading:
    """One strand as it was presented."""

    number: int
    """From 1, top to bottom of the card; the overlay draws it."""
    lane: Literal["banded", "open", "picture"]
    """'picture' where the scale was not a card and there are no lanes."""
    ground: Literal["light", "dark", "both", "open"]
    """The ground(s) the number rests on."""
    diameter_mm: float
    u_diameter_mm: float
    diameter_interval_mm: Interval
    wpi: float
    wpi_interval: Interval
    weight_classes: tuple[WeightClass, ...]
    """All that the interval touches, nearest first."""
    cv_percent: float | None
    """Of the diameter of 1 mm cuts; None when fewer than ten were measured."""
    length_mm: float
    """Length of strand measured (places left out are not counted)."""
    along: Along
    uneven_places: tuple[UnevenPlace, ...]
    halo_ratio: float
    """Width of the strand with its halo (a twentieth of the ground covered) over the core's."""
    light_mm: float | None
    """Mean diameter found on light ground alone."""
    dark_mm: float | None
    """Mean diameter found on dark ground alone."""
    agreement_percent: float | None
    """Light less dark in per cent of the mean, when both were seen."""
    budget_mm: dict[str, float]
    """Standard uncertainty by named component, mm."""
    width_px: float
    """Typical width of the core in picture pixels."""
    outline: Outline
    cautions: tuple[Caution, ...]
    plies: int | None = None
    turns_per_inch: float | None = None
    twist: Literal["S", "Z"] | None = None
    turns_per_inch_interval: Interval | None = None
    twist_detail: Twist | None = None
    """All that was found out about the twist; the three above are its heads."""

    @property
    def u_shared_mm(self) -> float:
        """The part of `u_diameter_mm` that all readings taken this way have in common."""
        return shared_doubt_mm(self.budget_mm, self.u_diameter_mm)


def with_twist(strand: StrandReading, twist: Twist | None) -> StrandReading:
    """The same reading with this said of its twist."""
    return replace(
        strand,
        plies=twist.plies if twist else None,
        turns_per_inch=twist.turns_per_inch if twist else None,
        twist=twist.twist if twist else None,
        turns_per_inch_interval=twist.turns_per_inch_interval if twist else None,
        twist_detail=twist,
    )


@dataclass(frozen=True)
class ScaleSummary:
    """Where the millimetres came from."""

    source: Literal["card", "ruler", "dpi", "marks"]
    verified: bool
    """False for a dpi tag, which nobody checked, and for a ruler, whose height nobody knows."""
    card: str | None
    """'desk 1': kind and edition."""
    mm_per_px: float
    """At the middle of what was measured."""
    u_relative: float
    """Relative standard uncertainty there."""
    tilt_deg: float | None
    markers_seen: int
    residual_px: float | None
    """Root mean square of the marker corners about the fitted map."""
    blur_px: float | None
    """Edge spread (standard deviation) at the card's printed edges."""
    marks: str | None = None
    """What a ruler's marks count: 'millimetres', 'sixteenths of an inch'."""
    ticks_px: Floats | None = field(default=None, compare=False, repr=False)
    """(k, 2, 2) foot and tip of each mark of the ruler that was used, for drawing."""


@dataclass(frozen=True)
class PictureReading:
    """Everything one picture said."""

    width_px: int
    height_px: int
    scale: ScaleSummary | None
    strands: tuple[StrandReading, ...]
    refusals: tuple[Refusal, ...]
    cautions: tuple[Caution, ...] = field(default=())

    @property
    def read(self) -> bool:
        """True when at least one strand was read."""
        return bool(self.strands)
