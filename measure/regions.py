"""Where strands are looked for: rectangles on the card plane with a way along and a way across."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from measure.card import Card

Floats = NDArray[np.float64]
GroundName = Literal["light", "dark", "open"]

BLOCK_MM: Final = 14.0
"""Stretches into which a region without bands is cut for following strands."""

_EDGE_CLEARANCE_MM: Final = 0.5


@dataclass(frozen=True)
class Stretch:
    """A piece of a region over which the ground is one, mm along the region."""

    ground: GroundName
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Region:
    """A rectangle in card mm; `along` and `across` are unit vectors, right-handed as on paper."""

    name: Literal["banded", "open", "picture"]
    origin_mm: tuple[float, float]
    along: tuple[float, float]
    across: tuple[float, float]
    length_mm: float
    width_mm: float
    stretches: tuple[Stretch, ...]

    def to_card(self, points: Floats) -> Floats:
        """Region coordinates (..., 2) as (along, across) to card mm."""
        axes = np.array([self.along, self.across])
        return np.asarray(np.asarray(points) @ axes + np.array(self.origin_mm))

    def stretch_index(
        self, along_mm: Floats, clearance_mm: Floats | float = 0.0
    ) -> NDArray[np.int_]:
        """Index of the stretch each place lies in, -1 nearer than `clearance_mm` to its ends."""
        edges = np.array([s.from_mm for s in self.stretches] + [self.stretches[-1].to_mm])
        index = np.searchsorted(edges, along_mm, side="right") - 1
        inside = (index >= 0) & (index < len(self.stretches))
        safe = np.clip(index, 0, len(self.stretches) - 1)
        clear = (along_mm - edges[safe] >= clearance_mm) & (
            edges[safe + 1] - along_mm >= clearance_mm
        )
        return np.where(inside & clear, safe, -1)


def card_regions(card: Card, printer_xy: tuple[float, float]) -> tuple[Region, ...]:
    """The card's lanes, a little inside their edges, in true mm (nominal times printer factor)."""
    fx, fy = printer_xy
    regions: list[Region] = []
    for lane in card.lanes:
        inset_x = 0.0 if lane.kind == "banded" else _EDGE_CLEARANCE_MM
        length = (lane.width_mm - 2 * inset_x) * fx
        stretches: tuple[Stretch, ...]
        if lane.bands:
            stretches = tuple(Stretch(b.ground, b.from_mm * fx, b.to_mm * fx) for b in lane.bands)
        else:
            stretches = _blocks(length)
        regions.append(
            Region(
                lane.kind,
                ((lane.x_mm + inset_x) * fx, (lane.y_mm + _EDGE_CLEARANCE_MM) * fy),
                (1.0, 0.0),
                (0.0, 1.0),
                length,
                (lane.height_mm - 2 * _EDGE_CLEARANCE_MM) * fy,
                stretches,
            )
        )
    return tuple(regions)


def picture_regions(width_mm: float, height_mm: float) -> tuple[Region, ...]:
    """A picture without a card, looked at both ways: strands along its width and its height."""
    wide = Region(
        "picture", (0.0, 0.0), (1.0, 0.0), (0.0, 1.0), width_mm, height_mm, _blocks(width_mm)
    )
    tall = Region(
        "picture",
        (width_mm, 0.0),
        (0.0, 1.0),
        (-1.0, 0.0),
        height_mm,
        width_mm,
        _blocks(height_mm),
    )
    return (wide, tall)


def _blocks(length_mm: float) -> tuple[Stretch, ...]:
    count = max(1, round(length_mm / BLOCK_MM))
    edges = np.linspace(0.0, length_mm, count + 1)
    return tuple(Stretch("open", float(a), float(b)) for a, b in pairwise(edges))
