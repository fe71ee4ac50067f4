"""Where round a skein to take the next section, and how many are enough.

A skein was wound in one go: from the inside of the hanging loop to its outside the yarn runs from
one end of the bobbin to the other, and once round it is one turn of the reel. Sections from all
layers see the drift of the spinning, sections from all round see what repeats with the reel. So the
layers take turns, and within that the hour farthest from all that was taken is next. ISO and ASTM
have no sampling plan for the diameter of handspun; at least three places a skein (ours).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from measure.drift import NORMAL_95
from measure.precision import MOST_READINGS, readings_needed

Layer = Literal["outside", "middle", "inside"]

LAYERS: Final[tuple[Layer, ...]] = ("outside", "middle", "inside")
_TURNS: Final[tuple[Layer, ...]] = ("outside", "inside", "middle")

FEWEST_SECTIONS: Final = 5
"""To begin with, before their spread is known (ours)."""


@dataclass(frozen=True)
class Place:
    """A place on a hanging skein: how deep, and where round it."""

    layer: Layer
    hour: int
    """As on a clock whose 12 is the first tie, the way the yarn runs: 1 to 12."""

    @property
    def words(self) -> str:
        """'from the middle, at 6 o'clock'."""
        deep = "the middle" if self.layer == "middle" else f"the {self.layer}"
        return f"from {deep}, at {self.hour} o'clock"


def next_place(taken: Sequence[tuple[Layer | None, int | None]]) -> Place:
    """Where the next section should come from, given where the others did; None: not said."""
    layers = [layer for layer, _ in taken if layer is not None]
    layer = min(_TURNS, key=lambda one: (layers.count(one), _TURNS.index(one)))
    hours = [hour for _, hour in taken if hour is not None]
    beside = [hour for deep, hour in taken if hour is not None and deep == layer]

    def goodness(hour: int) -> tuple[int, int, int]:
        return (_nearest(hour, hours), _nearest(hour, beside), -(hour % 12))

    return Place(layer, max(range(1, 13), key=goodness))


def _nearest(hour: int, others: Sequence[int]) -> int:
    """Hours to the nearest other, round the clock."""
    return min((min((hour - other) % 12, (other - hour) % 12) for other in others), default=12)


def sections_needed(
    sections: int, sd_percent: float | None, tolerance_percent: float, u_shared_percent: float
) -> int | None:
    """How many sections in all make the mean known within a tolerance at 95 %.

    `sd_percent` is the spread from section to section, None when it is not known yet. None when
    card and camera alone leave more doubt, or `MOST_READINGS` would not do.
    """
    if sections < 3 or sd_percent is None:
        return FEWEST_SECTIONS
    needed = readings_needed(sd_percent, tolerance_percent, u_shared_percent=u_shared_percent)
    return None if needed is None else max(needed, 3)


def plan_sentence(
    sections: int,
    needed: int | None,
    tolerance_percent: float,
    known_to_percent: float | None,
    u_shared_percent: float = 0.0,
) -> str:
    """What to do next, in words."""
    wanted = f"{tolerance_percent:g} %"
    if known_to_percent is not None and known_to_percent <= tolerance_percent and sections >= 3:
        return f"the mean is known to {known_to_percent:.1f} %, within the {wanted} wanted"
    known = "" if known_to_percent is None else f"the mean is known to {known_to_percent:.1f} %; "
    if sections < 3:
        return f"{known}begin with {FEWEST_SECTIONS} sections, {FEWEST_SECTIONS - sections} more"
    if needed is None and NORMAL_95 * u_shared_percent >= tolerance_percent:
        return (
            f"{known}more sections will not make it {wanted}, since card and camera alone leave "
            f"{NORMAL_95 * u_shared_percent:.1f} %"
        )
    if needed is None:
        return f"{known}it would take more than {MOST_READINGS} sections to make it {wanted}"
    more = max(needed - sections, 1)
    count = "one more section" if more == 1 else f"{more} more sections"
    return f"{known}about {count} would make it {wanted}"
