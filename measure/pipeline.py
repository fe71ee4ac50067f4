"""The one way through: picture, scale, strands, profiles, diameters, readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from measure.diameter import measure_diameters
from measure.edge_spread import measure_edge_spread
from measure.errors import MeasureError, PictureError
from measure.notes import refusal
from measure.paper import cut_out, paper_level
from measure.picture import Picture, read_picture
from measure.profiles import cut_strand
from measure.reading import Surroundings, read_strand
from measure.regions import Region, card_regions, picture_regions
from measure.results import PictureReading, Refusal, ScaleSummary, StrandReading
from measure.scale import Printer, Scale, find_scale, scale_from_dpi, scale_from_marks
from measure.shading import Light
from measure.strands import Sight, find_strands
from measure.weight_class import chart_named

Floats = NDArray[np.float64]

DEFAULT_CHART = "craft-yarn-council"


@dataclass(frozen=True)
class Marks:
    """Two places in the picture, px, and the distance between them on the plane, mm."""

    first_px: tuple[float, float]
    second_px: tuple[float, float]
    distance_mm: float


@dataclass(frozen=True)
class Settings:
    """What the person chose; the defaults suit a picture of the card."""

    printer: Printer = field(default_factory=Printer)
    scale: Literal["card", "dpi"] = "card"
    marks: Marks | None = None
    """When given, the scale is theirs and no card is looked for."""
    wrap_factor: float = 1.0
    chart: str = DEFAULT_CHART


def measure_picture(
    source: Path | str | bytes | NDArray[Any] | Picture, *, settings: Settings | None = None
) -> PictureReading:
    """Read every strand in a picture.

    `source` is a path, encoded bytes, an sRGB-coded array as `measure.picture.read_picture` takes
    it, or a `Picture` already read. Raises PictureError when it is no readable picture (its code,
    text and advice say why); everything else that stands in the way of a number is a refusal in
    the result. Deterministic, and writes nothing.
    """
    settings = settings or Settings()
    picture = source if isinstance(source, Picture) else read_picture(source)
    height, width = picture.pixels.shape[:2]
    try:
        scale = _scale(picture, settings)
    except PictureError:
        raise
    except MeasureError as error:
        return PictureReading(
            width, height, None, (), (Refusal(error.code, error.text, error.advice),)
        )
    edges = measure_edge_spread(picture, scale)
    regions = (
        card_regions(scale.card, (scale.printer.x, scale.printer.y))
        if scale.card
        else _regions_without_card(picture, scale)
    )
    sights = [find_strands(picture, scale, region) for region in regions]
    if not scale.card:
        sights = [max(sights, key=lambda s: sum(np.ptp(x.along_mm) for x in s.strands))]

    paper = paper_level(picture, scale)
    light: Light | None = None
    strands: list[StrandReading] = []
    refusals: list[Refusal] = []
    places: list[Floats] = []
    number = 0
    for sight in sights:
        shown = [i for i, line in enumerate(sight.strands) if not line.shadows_only]
        refusals += [
            refusal("strong_shadow", number + i + 1)
            for i, line in enumerate(sight.strands)
            if line.shadows_only
        ]
        blurs = [_blur_mm(edges.sigma_mm, line.region, line) for line in sight.strands]
        cuts = [cut_strand(picture, scale, sight, i, blurs[i]) for i in shown]
        window = sight.region.name == "open" and cut_out(paper, sight.ground)
        found_all = (
            measure_diameters(cuts, [blurs[i] for i in shown], window, light) if shown else []
        )
        if light is None and any(not found.faint for found in found_all):
            light = found_all[0].light
        for i, found in zip(shown, found_all, strict=True):
            blur_mm = blurs[i]
            around = Surroundings(
                scale=scale,
                blur_px=blur_mm / float(np.median(found.cuts.mm_per_px)),
                overshoot=edges.overshoot,
                chart=chart_named(settings.chart),
                wrap_factor=settings.wrap_factor,
            )
            outcome = read_strand(number + i + 1, found, around)
            if isinstance(outcome, Refusal):
                refusals.append(outcome)
            else:
                strands.append(outcome)
                places.append(_middle(found.cuts.line.region, found.cuts.line))
        number += len(sight.strands)
    if not strands and not refusals:
        refusals.append(_nothing_found(sights))
    where = np.concatenate(places) if places else _middle_of(sights[0].region)
    return PictureReading(
        width_px=width,
        height_px=height,
        scale=ScaleSummary(
            source=scale.source,
            verified=scale.verified,
            card=f"{scale.card.kind} {scale.card.edition}" if scale.card else None,
            mm_per_px=float(np.mean(scale.mm_per_px(where, np.array([0.0, 1.0])))),
            u_relative=float(np.mean(scale.u_relative(where, np.array([0.0, 1.0])))),
            tilt_deg=scale.tilt_deg,
            markers_seen=scale.markers_seen,
            residual_px=scale.residual_px,
            blur_px=edges.sigma_y_px,
        ),
        strands=tuple(strands),
        refusals=tuple(refusals),
    )


def _scale(picture: Picture, settings: Settings) -> Scale:
    if settings.marks:
        marks = settings.marks
        return scale_from_marks(
            picture, np.array(marks.first_px), np.array(marks.second_px), marks.distance_mm
        )
    if settings.scale == "dpi":
        return scale_from_dpi(picture)
    return find_scale(picture, settings.printer)


def _regions_without_card(picture: Picture, scale: Scale) -> tuple[Region, ...]:
    height, width = picture.pixels.shape[:2]
    corner = scale.to_card(np.array([[0.0, 0.0], [width - 1.0, height - 1.0]]))
    size = np.abs(corner[1] - corner[0])
    return picture_regions(float(size[0]), float(size[1]))


def _middle(region: Region, line: Any) -> Floats:
    return region.to_card(np.array([[line.along_mm.mean(), line.across_mm.mean()]]))


def _middle_of(region: Region) -> Floats:
    return region.to_card(np.array([[region.length_mm / 2, region.width_mm / 2]]))


def _blur_mm(sigma_mm: Any, region: Region, line: Any) -> float:
    return float(sigma_mm(_middle(region, line))[0])


def _nothing_found(sights: list[Sight]) -> Refusal:
    if any(s.too_fine for s in sights):
        return refusal("too_few_pixels", width_px=2.0, needed=8.0, share=25.0)
    if any(s.beside for s in sights):
        return refusal("beside_lane")
    return refusal("no_strand")
