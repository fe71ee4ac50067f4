"""Where strands are looked for: rectangles on the card plane with a way along and a way across."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from measure.card import Card
from measure.clipped import clipped
from measure.errors import MeasureError
from measure.ruler import RulerView

Floats = NDArray[np.float64]
GroundName = Literal["light", "dark", "open"]

BLOCK_MM: Final = 14.0
"""Stretches into which a region without bands is cut for following strands."""

_EDGE_CLEARANCE_MM: Final = 0.5

RULER_CLEARANCE_MM: Final = 4.0
"""From a ruler's marks: its bare rim and its shadow lie nearer."""
RULER_REACH_MM: Final = 44.0
"""How far from the marks strands are looked for; the scale is least sure far from them."""


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

    @cached_property
    def grounds(self) -> tuple[GroundName, ...]:
        """The names of its stretches' grounds, in order."""
        return tuple(sorted({s.ground for s in self.stretches}))

    def to_card(self, points: Floats) -> Floats:
        """Region coordinates (..., 2) as (along, across) to card mm."""
        axes = np.array([self.along, self.across])
        return np.asarray(np.asarray(points) @ axes + np.array(self.origin_mm))

    def stretch_index(
        self, along_mm: Floats, clearance_mm: Floats | float = 0.0
    ) -> NDArray[np.int_]:
        """Index of the stretch each place lies in, -1 nearer than `clearance_mm` to its ends."""
        edges = np.array([s.from_mm for s in self.stretches] + [self.stretches[-1].to_mm])
        index = edges.searchsorted(along_mm, side="right") - 1
        inside = (index >= 0) & (index < len(self.stretches))
        safe = clipped(index, 0, len(self.stretches) - 1)
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


def ruler_regions(ruler: RulerView, width_px: int, height_px: int) -> tuple[Region, ...]:
    """Strips of table along the ruler's marked edges, as far as the picture shows them.

    Raises MeasureError `no_strand` when it shows none.
    """
    regions: list[Region] = []
    for edge in ruler.edges:
        # Not much further than the marks go: the map is theirs.
        more = 0.5 * (edge.to_mm - edge.from_mm)
        at = np.linspace(edge.from_mm - more, edge.to_mm + more, 400)

        def inside(
            away_mm: float, at: Floats = at, y: float = edge.y_mm, out: float = edge.outward
        ) -> NDArray[np.bool_]:
            px = ruler.plane.to_picture(np.column_stack([at, np.full(len(at), y + out * away_mm)]))
            return np.asarray(((px >= 0.0) & (px <= [width_px - 1.0, height_px - 1.0])).all(axis=1))

        reach = RULER_REACH_MM
        while reach > RULER_CLEARANCE_MM + 4.0 and inside(reach).sum() < 0.5 * inside(4.0).sum():
            reach -= 2.0
        shown = at[inside(0.5 * (RULER_CLEARANCE_MM + reach))]
        if len(shown) < 2 or np.ptp(shown) < BLOCK_MM:
            continue
        near, far = (edge.y_mm + edge.outward * d for d in (RULER_CLEARANCE_MM, reach))
        length = float(np.ptp(shown))
        regions.append(
            Region(
                "picture",
                (float(shown[0]), min(near, far)),
                (1.0, 0.0),
                (0.0, 1.0),
                length,
                abs(far - near),
                _blocks(length),
            )
        )
    if not regions:
        raise MeasureError(
            "no_strand",
            "The picture shows nothing of the table beside the ruler's marked edge.",
            "Show 1 to 4 cm of it with the strand, and the ruler's marks.",
        )
    return tuple(regions)


def _blocks(length_mm: float) -> tuple[Stretch, ...]:
    count = max(1, round(length_mm / BLOCK_MM))
    edges = np.linspace(0.0, length_mm, count + 1)
    return tuple(Stretch("open", float(a), float(b)) for a, b in pairwise(edges))
