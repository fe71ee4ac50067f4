"""The one way through: picture, scale, strands, profiles, diameters, readings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.budget import Surroundings
from measure.diameter import LaneSeen, StrandDiameter, measure_diameters
from measure.edge_spread import EdgeSpread, measure_edge_spread
from measure.errors import MeasureError
from measure.freed_memory import keep_freed_memory
from measure.medians import median
from measure.notes import refusal
from measure.paper import cut_out, paper_level
from measure.picture import Picture, read_picture
from measure.profiles import cut_strand
from measure.reading import maybe_plied, read_strand, too_few_pixels
from measure.regions import Region, card_regions, picture_regions, ruler_regions
from measure.results import (
    Outline,
    PictureReading,
    Refusal,
    ScaleSummary,
    StrandReading,
    Twist,
    with_twist,
)
from measure.scale import Scale, find_scale, scale_from_dpi, scale_from_marks, scale_from_ruler
from measure.settings import Settings
from measure.shading import Light
from measure.strands import STEP_MM, Centreline, Sight, find_strands
from measure.twist import measure_twist
from measure.weight_class import chart_named

Floats = NDArray[np.float64]

BURNT_OUT = 0.05
"""Share of the paper at the top of the scale from which highlights are burnt out."""
_PRINT_SHRINKS_PX = 0.05
_SAME_STRAND = 0.15
"""Change of a strand's rough width, in the logarithm, from which it is another strand."""
_ANOTHER_LIGHT = 0.2
"""Change of the sky's or the lamp's share from which a light is another one."""


@dataclass(frozen=True)
class PliedSeen:
    """A strand's rough width, and the twist last found in it, or that it may be plied."""

    width_mm: float
    twist: Twist | None


@dataclass(frozen=True, eq=False)
class Seen:
    """What one picture showed, for the next of the same camera to start from. It holds no pixels.

    A start, not a memory: the next picture's numbers are its own.
    """

    scale: Scale | None = None
    """None where no scale was found."""
    edges: EdgeSpread | None = None
    paper: Floats | None = None
    """(C,) linear light of the card's bare paper, where it was seen."""
    lanes: Mapping[str, LaneSeen] = field(default_factory=dict)
    """What each lane's light and strands were, by the lane's name, when they were last seen."""
    plied: Mapping[str, tuple[PliedSeen, ...]] = field(default_factory=dict)
    """Each lane's strands, by the lane's name, once twist was looked for in them."""


Source = Path | str | bytes | NDArray[Any] | Picture


def measure_picture(source: Source, *, settings: Settings | None = None) -> PictureReading:
    """Read every strand in a picture.

    `source` is a path, encoded bytes, an sRGB-coded array as `measure.picture.read_picture` takes
    it, or a `Picture` already read. Raises PictureError when it is no readable picture (its code,
    text and advice say why); everything else that stands in the way of a number is a refusal in
    the result. Deterministic, and writes nothing.
    """
    return follow(source, settings=settings)[0]


def follow(
    source: Source, *, settings: Settings | None = None, before: Seen | None = None
) -> tuple[PictureReading, Seen]:
    """Read a picture as `measure_picture` does, and say what the next one may start from.

    `before` is what this gave for the picture before, of the same camera or film. Where card,
    light and strands have not changed much they are found from there, some times faster; where
    they have, they are looked for anew. Either way the numbers are this picture's own.
    """
    keep_freed_memory()
    settings = settings or Settings()
    before = before or Seen()
    picture = source if isinstance(source, Picture) else read_picture(source)
    height, width = picture.pixels.shape[:2]
    try:
        scale = _scale(picture, settings, before.scale)
        sights = _sights(picture, scale)
    except MeasureError as error:
        refused = (Refusal(error.code, error.text, error.advice),)
        return PictureReading(width, height, None, (), refused), Seen(
            lanes=before.lanes, plied=before.plied
        )
    edges = measure_edge_spread(picture, scale)
    known = _Known(picture, scale, edges, paper_level(picture, scale), settings)
    light: Light | None = None
    strands: list[StrandReading] = []
    refusals: list[Refusal] = []
    places: list[Floats] = []
    lanes = dict(before.lanes)
    plied: dict[str, tuple[PliedSeen, ...]] = {}
    number = 1
    for sight in sights:
        name = sight.region.name
        lane = _read_lane(
            sight, number, light, known, before.lanes.get(name), before.plied.get(name, ())
        )
        light = lane.light
        strands += lane.strands
        refusals += lane.refusals
        places += lane.places
        number += len(sight.strands)
        if lane.seen is not None:
            lanes[name] = lane.seen
        if lane.plied:
            plied[name] = lane.plied
    if not strands and not refusals:
        refusals.append(_nothing_found(sights))
    where = np.concatenate(places) if places else _middle_of(sights[0].region)
    reading = PictureReading(
        width_px=width,
        height_px=height,
        scale=_summary(scale, edges, where),
        strands=tuple(strands),
        refusals=tuple(refusals),
    )
    return reading, Seen(scale, edges, known.paper, lanes, plied)


@dataclass(frozen=True, eq=False)
class _Known:
    """What all lanes of a picture share."""

    picture: Picture
    scale: Scale
    edges: EdgeSpread
    paper: Floats | None
    settings: Settings


@dataclass(frozen=True, eq=False)
class _Lane:
    """What one region's strands gave."""

    strands: list[StrandReading]
    refusals: list[Refusal]
    places: list[Floats]
    """Card mm (1, 2) of each strand read."""
    light: Light | None
    """As the first lane that tells shows it."""
    seen: LaneSeen | None
    """For the next picture."""
    plied: tuple[PliedSeen, ...] = ()
    """For the next picture, one for each strand; none where twist was never looked for."""


def _sights(picture: Picture, scale: Scale) -> list[Sight]:
    """The card's lanes, or the strips along a ruler's marked edges; without either the one way of
    looking that shows more of strands."""
    if scale.card:
        regions = card_regions(scale.card, (scale.printer.x, scale.printer.y))
        return [find_strands(picture, scale, region) for region in regions]
    height, width = picture.pixels.shape[:2]
    if scale.ruler:
        return [find_strands(picture, scale, r) for r in ruler_regions(scale.ruler, width, height)]
    corner = scale.to_card(np.array([[0.0, 0.0], [width - 1.0, height - 1.0]]))
    size = np.abs(corner[1] - corner[0])
    ways = picture_regions(float(size[0]), float(size[1]))
    sights = [find_strands(picture, scale, region) for region in ways]
    return [max(sights, key=lambda s: sum(np.ptp(x.along_mm) for x in s.strands))]


def _read_lane(
    sight: Sight,
    first: int,
    light: Light | None,
    known: _Known,
    before: LaneSeen | None,
    plied_before: tuple[PliedSeen, ...],
) -> _Lane:
    """Readings and refusals of one region's strands, the first of them numbered `first`."""
    numbered = list(enumerate(sight.strands))
    shown = [i for i, line in numbered if not line.shadows_only]
    refusals = [
        replace(refusal("strong_shadow", first + i), outline=_rough_outline(line, known.scale))
        for i, line in numbered
        if line.shadows_only
    ]
    strands: list[StrandReading] = []
    places: list[Floats] = []
    if not shown:
        return _Lane(strands, refusals, places, light, None)
    blurs = [float(known.edges.sigma_mm(_middle(sight.strands[i]))[0]) for i in shown]
    # What shows through an open lane may be lit by itself, cut out or not: its ground tells how.
    edges = None if sight.region.name == "open" else known.edges
    cuts = [
        cut_strand(known.picture, known.scale, sight, i, blur, edges)
        for i, blur in zip(shown, blurs, strict=True)
    ]
    eaten_px = _eaten_px(known.scale, known.edges)
    chart = chart_named(known.settings.chart)
    window = sight.region.name == "open" and cut_out(known.paper, sight.ground)
    found_all = measure_diameters(cuts, blurs, window, light, before)
    if before is not None and _another_light(before.light, found_all[0].light):
        # From the old light only its nearest likeness is found, not what is there now.
        found_all = measure_diameters(cuts, blurs, window, light)
    if light is None and any(not found.faint for found in found_all):
        light = found_all[0].light
    twists = _twists_before(plied_before, found_all)
    plied: list[PliedSeen] = []
    for i, blur_mm, found, last in zip(shown, blurs, found_all, twists, strict=True):
        around = Surroundings(
            scale=known.scale,
            blur_px=blur_mm / median(found.cuts.mm_per_px),
            overshoot=known.edges.overshoot,
            coding_step=known.picture.coding_step,
            eaten_px=eaten_px,
            chart=chart,
            wrap_factor=known.settings.wrap_factor,
        )
        twist = last
        if known.settings.twist:
            twist = measure_twist(known.picture, known.scale, found, blur_mm, last)
        outcome = read_strand(first + i, found, twist, around)
        if known.settings.twist or plied_before:
            known_turns = twist is not None and twist.turns_per_inch is not None
            kept = twist if known_turns or maybe_plied(twist) else None
            plied.append(PliedSeen(found.cuts.line.width_mm, kept))
        if not known.settings.twist and isinstance(outcome, StrandReading):
            # It told how the width is to be averaged; how it is twisted, this picture did not say.
            outcome = with_twist(outcome, None)
        if isinstance(outcome, Refusal):
            outline = _rough_outline(found.cuts.line, known.scale)
            refusals.append(replace(outcome, outline=outline))
        else:
            strands.append(outcome)
            places.append(_middle(found.cuts.line))
    return _Lane(strands, refusals, places, light, found_all[0].lane, tuple(plied))


def _twists_before(
    before: tuple[PliedSeen, ...], found: list[StrandDiameter]
) -> list[Twist | None]:
    """Each strand's twist in the picture before; None where it is not surely the same strand."""
    if len(before) != len(found):
        return [None] * len(found)
    return [
        was.twist if abs(math.log(now.cuts.line.width_mm / was.width_mm)) < _SAME_STRAND else None
        for was, now in zip(before, found, strict=True)
    ]


def _another_light(before: Light, now: Light) -> bool:
    return max(abs(now.sky - before.sky), abs(now.lamp - before.lamp)) > _ANOTHER_LIGHT


def _summary(scale: Scale, edges: EdgeSpread, where: Floats) -> ScaleSummary:
    """The scale in short, its figures across strands taken at the places `where` (n, 2)."""
    across = np.array([0.0, 1.0])
    return ScaleSummary(
        source=scale.source,
        verified=scale.verified,
        card=f"{scale.card.kind} {scale.card.edition}" if scale.card else None,
        mm_per_px=float(np.mean(scale.mm_per_px(where, across))),
        u_relative=float(np.mean(scale.u_relative(where, across))),
        tilt_deg=scale.tilt_deg,
        markers_seen=scale.markers_seen,
        residual_px=scale.residual_px,
        blur_px=edges.sigma_y_px,
        marks=scale.ruler.division.name if scale.ruler else None,
        ticks_px=scale.ruler.ticks_px if scale.ruler else None,
    )


def _scale(picture: Picture, settings: Settings, before: Scale | None) -> Scale:
    if settings.marks:
        marks = settings.marks
        return scale_from_marks(
            picture, np.array(marks.first_px), np.array(marks.second_px), marks.distance_mm
        )
    if settings.scale == "dpi":
        return scale_from_dpi(picture)
    if settings.scale == "ruler":
        return scale_from_ruler(picture, settings.ruler)
    try:
        return find_scale(picture, settings.printer, before, settings.lens)
    except MeasureError as error:
        if settings.scale != "auto" or error.code != "no_card":
            raise
        no_card = error.with_traceback(None)  # which would hold what was searched until the end
    try:
        return scale_from_ruler(picture, settings.ruler)
    except MeasureError as error:
        raise (no_card if error.code == "no_ruler" else error) from None


def _rough_outline(line: Centreline, scale: Scale) -> Outline:
    """Where a strand that was not read was seen, a place each millimetre."""
    few = slice(None, None, round(1.0 / STEP_MM))

    def at(off_mm: float) -> Floats:
        points = np.stack([line.along_mm[few], line.across_mm[few] + off_mm], axis=1)
        return scale.to_picture(line.region.to_card(points))

    return Outline(at(0.0), at(-line.width_mm / 2), at(line.width_mm / 2))


def _middle(line: Centreline) -> Floats:
    return line.region.to_card(np.array([[line.along_mm.mean(), line.across_mm.mean()]]))


def _middle_of(region: Region) -> Floats:
    return region.to_card(np.array([[region.length_mm / 2, region.width_mm / 2]]))


def _eaten_px(scale: Scale, edges: EdgeSpread) -> float:
    """How far, px, paper at the top of the scale has grown into the print beside it.

    Paper that is just white does not; paper brighter than the picture can hold does.
    """
    if edges.clipped_share < BURNT_OUT or scale.card is None:
        return 0.0
    shrunk_px = -scale.plane.ink_spread_mm * edges.sigma_y_px / edges.sigma_y_mm
    return max(0.0, shrunk_px - _PRINT_SHRINKS_PX)


def _nothing_found(sights: list[Sight]) -> Refusal:
    finest = max(s.too_fine_px for s in sights)
    if finest > 0.0:
        return too_few_pixels(finest)
    if any(s.beside for s in sights):
        return refusal("beside_lane")
    return refusal("no_strand")
