"""One picture: what lies on the card, how it is lit and seen, and the truth written beside it."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from measure.card import Card, CardKind, newest_card
from sample_images.develop import Development, develop, encode, exposed, seed_of
from sample_images.scene import LID, WOOD, Camera, Curves, Light, Rgb, Scene, render
from sample_images.yarn import Path as Course
from sample_images.yarn import Recipe, Strand, Widths, lay, place, spin, widths

Behind = Literal["uncut", "desk", "bright", "dark"]


@dataclass(frozen=True)
class Laid:
    """A strand and where it lies: `at_mm` below its lane's top edge where the card is halved.

    It runs `beyond_mm` past the card on both sides unless `from_mm` and `to_mm`, along the
    strand from that middle, say otherwise. `of_plies` gives each ply a colour of its own.
    """

    lane: Literal["banded", "open"]
    at_mm: float
    recipe: Recipe
    colours: tuple[Rgb, ...]
    angle_deg: float = 0.0
    sag_mm: float = 0.0
    lift_mm: float = 0.0
    from_mm: float | None = None
    to_mm: float | None = None
    beyond_mm: float = 10.0
    over_mm: float = 0.0
    of_plies: tuple[Rgb, ...] = ()


@dataclass(frozen=True)
class Picture:
    """One picture to make. `refused` is the code a reading of it must be refused with."""

    name: str
    shows: str
    strands: tuple[Laid, ...]
    light: Light
    camera: Camera
    development: Development
    card: CardKind = "pocket"
    behind: Behind = "uncut"
    screen: float = 0.9
    with_card: bool = True
    refused: str | None = None
    hold_highlights: bool = True


def _course(laid: Laid, card: Card) -> Course:
    return Course(
        card.width_mm / 2,
        card.lane(laid.lane).y_mm + laid.at_mm,
        laid.angle_deg,
        laid.sag_mm,
        laid.lift_mm,
        laid.over_mm,
    )


def _spun(laid: Laid, card: Card, seed: int) -> Strand:
    reach = card.width_mm / 2 + laid.beyond_mm
    start = -reach if laid.from_mm is None else laid.from_mm
    stop = reach if laid.to_mm is None else laid.to_mm
    return spin(laid.recipe, start, stop, seed)


def _visible_mm(laid: Laid, strand: Strand, card: Card, camera: Camera) -> tuple[float, float]:
    """Whole millimetres along the strand that lie in its lane and in the picture."""
    lane = card.lane(laid.lane)
    looks_at = camera.look_at_mm or (card.width_mm / 2, card.height_mm / 2)
    half = camera.width_px / 2 / camera.px_per_mm
    left = max(lane.x_mm, looks_at[0] - half) - card.width_mm / 2
    right = min(lane.x_mm + lane.width_mm, looks_at[0] + half) - card.width_mm / 2
    return math.ceil(max(left, strand.from_mm)), math.floor(min(right, strand.to_mm))


def _rounded(values: Any) -> list[float | None]:
    return [None if math.isnan(v) else round(v, 4) for v in np.asarray(values).tolist()]


def _truth_of(laid: Laid, strand: Strand, found: Widths, card: Card) -> dict[str, Any]:
    places = place(_course(laid, card), found.at_mm, found.centre_mm)
    core, halo = found.core_mm, found.halo_mm
    recipe = laid.recipe
    return {
        "kind": "yarn",
        "lane": laid.lane,
        "y_mm": round(card.lane(laid.lane).y_mm + laid.at_mm, 4),
        "core_mean_mm": round(float(np.nanmean(core)), 4),
        "core_cv_percent": round(float(np.nanstd(core) / np.nanmean(core) * 100), 2),
        "halo_mean_mm": round(float(np.nanmean(halo)), 4),
        "plies": recipe.plies,
        "turns_per_inch": _turns_per_inch(strand, found),
        "twist": recipe.twist,
        "albedo": [list(c) for c in laid.colours],
        "lift_mm": laid.lift_mm,
        "fibre_mm": round(2 * float(strand.fibres[0][0, 3]), 4),
        "cuts": {
            "x_mm": _rounded(places[:, 0]),
            "y_mm": _rounded(places[:, 1]),
            "core_mm": _rounded(core),
            "halo_mm": _rounded(halo),
        },
    }


def _turns_per_inch(strand: Strand, found: Widths) -> float:
    mean = strand.turns_per_inch(float(found.at_mm[0]), float(found.at_mm[-1]))
    return round(mean, 4) if strand.recipe.turns_cv_percent else strand.recipe.turns_per_inch


def make_picture(
    picture: Picture, folder: Path, samples: int, variant: str, truth_per_mm: int = 200
) -> Path:
    """Spin, render, develop and write a picture and its truth; gives the picture's path.

    `truth_per_mm` is how many samples to the mm the true widths are counted on.
    """
    card = newest_card(picture.card)
    seed = seed_of(picture.name)
    laid: list[Curves] = []
    truths: list[dict[str, Any]] = []
    for number, one in enumerate(picture.strands):
        strand = _spun(one, card, seed + number)
        laid.append(lay(strand, _course(one, card), one.colours, seed + number, one.of_plies))
        span = _visible_mm(one, strand, card, picture.camera)
        truths.append(_truth_of(one, strand, widths(strand, *span, truth_per_mm), card))
    scene = Scene(
        card,
        tuple(laid),
        picture.light,
        behind=picture.behind,
        screen=picture.screen,
        with_card=picture.with_card,
        desk=LID if picture.camera.kind == "scanner" else WOOD,
        bounces=5,
    )
    light = render(scene, picture.camera, samples, seed & 0xFFFF, variant)
    how = picture.development
    if picture.hold_highlights:
        how = exposed(light, how)
    if how.format == "png":
        how = replace(how, dpi=picture.camera.px_per_mm * 25.4)
    path = folder / f"{picture.name}.{how.format}"
    truth = {
        "shows": picture.shows,
        "made": "rendered, not photographed",
        "card": picture.card if picture.with_card else None,
        "expect": {"refused": picture.refused},
        "strands": truths,
        "open_lane": picture.behind,
        "light": asdict(picture.light),
        "camera": asdict(picture.camera) | {"focal_px": picture.camera.focal_px},
        "development": asdict(how),
    }
    path.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n")
    # The picture goes last and in one step, for whoever watches the folder.
    part = path.with_suffix(".part")
    part.write_bytes(encode(develop(light, how, seed), how, picture.camera))
    part.replace(path)
    return path
