"""From the diameters by ground to one reading with its interval, or a refusal with its cause."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from measure.backdrop import unrest
from measure.budget import Plied, Surroundings, budget_of, length_mm, may_be_up
from measure.diameter import StrandDiameter, telling
from measure.evenness import cv_percent, find_uneven_places
from measure.grounds import Part, Whole, combined, part_of, trusted, whole_cuts
from measure.medians import median
from measure.notes import caution, refusal
from measure.profiles import CUT_MM, Cuts
from measure.regions import Region
from measure.results import Caution, Outline, Refusal, StrandReading, Twist
from measure.scale import Scale
from measure.shading import Light
from measure.side_colours import colours_apart
from measure.uncertainty import Budget
from measure.weight_class import classes_touched
from measure.whole_turns import mean_over_part_turns, means_over_turns
from measure.yarn import MM_PER_INCH, wpi_from_diameter, wpi_interval_from_diameter

Floats = NDArray[np.float64]

NEEDED_PX: Final = 3.5
"""Fewest pixels across a strand that are read."""
COMFORTABLE_PX: Final = 8.0
_SHORTEST_MM: Final = 5.0
_SHORT_MM: Final = 30.0
_SLENDER: Final = 4.0
"""Length over width of what passes for a strand outside a lane, at least."""
_MOST_BLUR: Final = 0.34
_MOST_EATEN_PX: Final = 0.15
SOFT_BLUR: Final = 0.22
"""Edge spread over width from which a picture is soft for a strand."""
_WIDEST_INTERVAL: Final = 0.15
_WIDE_INTERVAL: Final = 0.035
"""Half of an interval over its diameter from which it is said: one in two hundred readings whose
interval is as wide is off by more than 5 %, if intervals hold as they should."""
_OF_THE_YARN: Final = ("sampling", "two_colours", "recoloured")
"""Doubts that better light or a better picture would not lessen: they refuse nothing."""
_UNSURE: Final = 0.015
_UNSURE_SHAPE: Final = 0.0079
_UNSURE_PALE: Final = 0.0078
"""Relative doubts from light, from shape and from light that may come through that are cautioned
for. The last is mostly on one side, and drawn strands were off by some four times as much; of
those with nothing else to be said and a doubt of their shape so large a quarter were off by 3 %
(ours)."""
_DISAGREE: Final = 0.03
_PERHAPS_UP: Final = 0.5
"""How well a strand may be held above the card, 0 to 1, that is cautioned for."""
_LITTLE_CONTRAST: Final = 0.12
_EDGELESS: Final = 0.4
_FAINT: Final = 0.3
"""Softness of the rim from which what stands out by less than this is light falling unevenly: drawn
and rendered strands of any kind stay below 0.36 (ours)."""
_OTHER_COLOUR: Final = 0.02
"""Of a strand that looks brighter on one ground than on the other, log, beyond what is usual."""
_MOST_UNREST: Final = 0.05
"""Of the strand's contrast, in what shows through a window: drawn and rendered windows before
screens and dark rooms stay below 0.01, photographs of brick, print and grass above 0.06 (ours)."""
_MOST_WINDOW_MISFIT: Final = 0.045
"""A silhouette fits its model far better; where no bare ground shows this has to tell (ours)."""
_NO_SHADE: Final = Light(0.2, 0.75, 0.3, 0.1, 0.0, 0.0, 0.0)
"""Sky, lamp, lean and softness below which light seems to come from straight above, and half of it
to be shaded by nothing: what a strand held above its ground looks like under an open sky."""

_SHARP: Final = Light(0.06, 0.0, 0.0, 0.03, 0.0, 0.0, 0.0)
"""Sky and softness below which a lamp would be alone in the dark and without any size."""
_SHARP_MISFIT: Final = 0.025
"""What the fit of such a light leaves over if the strand is held above its shadow (ours)."""
_PLIES_SHOWED: Final = ("plies_unsure", "twist_cues_disagree")


def read_strand(
    number: int, strand: StrandDiameter, twist: Twist | None, around: Surroundings
) -> StrandReading | Refusal:
    """The reading of one strand, or why there is none; `twist` None where none was looked for."""
    cuts = strand.cuts
    pitch_mm = median(cuts.mm_per_px)
    rough_px = cuts.line.width_mm / pitch_mm
    if rough_px < 0.75 * NEEDED_PX:
        return too_few_pixels(rough_px, number)
    if around.blur_px > _MOST_BLUR * rough_px:
        return refusal("out_of_focus", number, blur_px=around.blur_px, width_px=rough_px)
    if around.eaten_px > _MOST_EATEN_PX:
        return refusal("clipped", number)
    if strand.faint or not any(len(g.index) for g in strand.grounds) or _edgeless(strand):
        return refusal("low_contrast", number)

    parts = [part_of(g, strand) for g in telling(strand.grounds)]
    if not parts:
        length = CUT_MM * sum(len(g.index) for g in strand.grounds) / 4.0
        return refusal("too_short", number, length_mm=length)
    # Plies have grooves between them too, but a wave runs along both their edges.
    if strand.grooved and not _plied_for_sure(twist):
        return refusal("touching", number)
    if strand.off_card or _held_up(strand):
        return refusal("off_card", number)
    if _restless(strand):
        return refusal("restless_ground", number)
    parts = trusted(parts, strand)
    if not parts:
        return refusal("strong_shadow", number)
    whole = combined(strand, parts)
    along = whole.along
    turn_mm = _turn_mm(twist)
    diameter_mm = float(along.diameter_mm.mean())
    if turn_mm and twist and twist.plies:
        diameter_mm = mean_over_part_turns(
            along.position_mm, along.diameter_mm, turn_mm, twist.plies
        )
    width_px = diameter_mm / pitch_mm
    if width_px < NEEDED_PX:
        return too_few_pixels(width_px, number)
    length = length_mm(along.position_mm)
    if min(length, float(np.ptp(cuts.along_mm))) < _least_length_mm(cuts.line.region, diameter_mm):
        return refusal("too_short", number, length_mm=length)
    plies = twist.plies if twist else None
    plied = Plied(plies or 1, maybe_plied(twist), colours_apart(strand, twist))
    cut_positions, cut_diameters = whole_cuts(along.position_mm, along.diameter_mm)
    budget = budget_of(strand, diameter_mm, whole, (cut_positions, cut_diameters), plied, around)
    low, high = budget.interval(diameter_mm)
    seen = Budget(tuple(c for c in budget.components if c.name not in _OF_THE_YARN))
    if seen.expanded() > _WIDEST_INTERVAL * diameter_mm:
        shadowed = whole.u_relative > 0.04
        return refusal("strong_shadow" if shadowed else "low_contrast", number)

    wpi = wpi_from_diameter(diameter_mm, around.wrap_factor)
    wpi_interval = wpi_interval_from_diameter((low, high), around.wrap_factor)
    cut_mm = CUT_MM
    if turn_mm and twist and twist.plies:
        cut_positions, cut_diameters, cut_mm = means_over_turns(
            along.position_mm, along.diameter_mm, turn_mm, twist.plies
        )
    by_ground = {p.ground.ground: p.mean_mm for p in parts}
    light_mm, dark_mm = by_ground.get("light"), by_ground.get("dark")
    return StrandReading(
        number=number,
        lane=cuts.line.region.name,
        ground=_ground_name([p.ground.ground for p in parts]),
        diameter_mm=diameter_mm,
        u_diameter_mm=budget.u_combined,
        diameter_interval_mm=(low, high),
        wpi=wpi,
        wpi_interval=wpi_interval,
        weight_classes=classes_touched(around.chart, wpi, wpi_interval),
        cv_percent=cv_percent(cut_diameters) if len(cut_diameters) >= 10 else None,
        length_mm=length,
        along=along,
        uneven_places=find_uneven_places(cut_positions, cut_diameters, cut_mm),
        halo_ratio=strand.halo_ratio,
        light_mm=light_mm,
        dark_mm=dark_mm,
        agreement_percent=(
            100.0 * (light_mm - dark_mm) / diameter_mm if light_mm and dark_mm else None
        ),
        budget_mm=budget.as_dict(),
        width_px=width_px,
        outline=_outline(cuts, parts, around.scale),
        cautions=tuple(
            _cautions(
                strand,
                parts,
                whole,
                plied,
                width_px,
                length,
                (low, high),
                around,
            )
        )
        + ((caution("twist_cues_disagree"),) if twist and twist.cues_agree is False else ()),
        plies=twist.plies if twist else None,
        turns_per_inch=twist.turns_per_inch if twist else None,
        twist=twist.twist if twist else None,
        turns_per_inch_interval=twist.turns_per_inch_interval if twist else None,
        twist_detail=twist,
    )


def _least_length_mm(region: Region, diameter_mm: float) -> float:
    """Length without which a strand is not read, along the region as well as along itself.

    Nothing says that a thing outside a lane is a strand but that it goes on: a stem, a crack, a
    letter's stroke or a ring does not.
    """
    if region.name != "picture":
        return _SHORTEST_MM
    return max(_SHORTEST_MM, min(_SHORT_MM, 0.5 * region.length_mm), _SLENDER * diameter_mm)


def _turn_mm(twist: Twist | None) -> float | None:
    """Length of one turn of a strand known to be plied."""
    if twist is None or twist.turns_per_inch is None or not twist.plies or twist.plies < 2:
        return None
    return MM_PER_INCH / twist.turns_per_inch


def _plied_for_sure(twist: Twist | None) -> bool:
    return bool(twist and twist.plies and twist.plies > 1 and twist.cues_agree)


def too_few_pixels(width_px: float, number: int | None = None) -> Refusal:
    """The refusal of a strand so few pixels wide: how many it needs, and how much closer to go."""
    return refusal(
        "too_few_pixels",
        number,
        width_px=width_px,
        needed=COMFORTABLE_PX,
        share=100.0 * width_px / COMFORTABLE_PX,
    )


def _edgeless(strand: StrandDiameter) -> bool:
    """A stripe of light or shade that fades out to both sides, where nothing lies."""
    contrast = max(g.contrast for g in strand.grounds if len(g.index))
    return strand.rim.softness > _EDGELESS and contrast < _FAINT


def _held_up(strand: StrandDiameter) -> bool:
    """Whether a strand shades nothing beside it although the light is no lamp's straight above."""
    light, least = strand.light, _NO_SHADE
    if strand.no_ground or strand.flat or not light.lamp:
        return False
    if strand.cuts.line.region.name == "picture":
        # Without a card nothing says that there is one behind it to be shaded.
        return False
    # A shadow that falls clear of its strand is taken for one without a sky or a soft edge.
    sharp = light.sky < _SHARP.sky and light.softness < _SHARP.softness
    if sharp and max(g.misfit for g in strand.grounds if len(g.index)) > _SHARP_MISFIT:
        return True
    from_above = light.sky < least.sky and light.lamp < least.lamp
    return from_above and abs(light.lean) < least.lean and light.softness < least.softness


def maybe_plied(twist: Twist | None) -> bool:
    """Whether something like plies showed, but not clearly enough to be counted."""
    return bool(twist and not twist.plies and twist.reason and twist.reason.code in _PLIES_SHOWED)


def _restless(strand: StrandDiameter) -> bool:
    """Whether what shows behind a strand in a window is anything but plain."""
    seen = [g for g in strand.grounds if g.ground == "open" and len(g.index)]
    if not strand.no_ground or not seen:
        return False
    contrast = max(g.contrast for g in seen)
    found = unrest(strand.cuts)
    return (found is not None and found > _MOST_UNREST * contrast) or min(
        g.misfit for g in seen
    ) > _MOST_WINDOW_MISFIT


def _ground_name(names: list[str]) -> Literal["light", "dark", "both", "open"]:
    if len(names) > 1:
        return "both"
    only = names[0]
    return "light" if only == "light" else "dark" if only == "dark" else "open"


def _outline(cuts: Cuts, parts: list[Part], scale: Scale) -> Outline:
    index = np.concatenate([p.ground.index for p in parts])
    middle = np.concatenate([p.ground.middle_mm for p in parts])
    half = np.concatenate([p.ground.half_width_mm for p in parts])
    order = np.argsort(index)
    index, middle, half = index[order], middle[order], half[order]
    base = np.stack([cuts.along_mm[index], cuts.across_mm[index]], axis=1)
    region = cuts.line.region

    u = np.stack([middle, middle - half, middle + half])
    places = base + u[..., None] * cuts.normals[index]
    return Outline(*scale.to_picture(region.to_card(places)))


def _cautions(
    strand: StrandDiameter,
    parts: list[Part],
    whole: Whole,
    plied: Plied,
    width_px: float,
    length_mm: float,
    interval: tuple[float, float],
    around: Surroundings,
) -> list[Caution]:
    out: list[Caution] = []
    cuts = strand.cuts
    if around.scale.source == "ruler":
        out.append(caution("ruler_scale"))
    elif not around.scale.verified:
        out.append(caution("unverified_scale"))
    if len(parts) == 1 and (cuts.line.region.name == "banded" or whole.u_unchecked):
        name = parts[0].ground.ground.replace("open", "plain")
        out.append(caution("one_ground", ground=name))
    if may_be_up(strand) > _PERHAPS_UP:
        out.append(caution("no_shade"))
    if plied.colours_apart:
        out.append(caution("two_colours"))
    elif whole.recoloured > _OTHER_COLOUR:
        out.append(caution("other_colour"))
    if plied.plies > 1:
        out.append(caution("plied"))
    if plied.perhaps:
        out.append(caution("perhaps_plied"))
    if whole.torn and abs(whole.gap) > _DISAGREE:
        out.append(caution("grounds_disagree", percent=100 * abs(whole.gap)))
    if whole.u_light > _UNSURE:
        out.append(caution("shadow"))
    if whole.u_pale > _UNSURE_PALE:
        out.append(caution("pale"))
    if whole.u_shape > _UNSURE_SHAPE:
        out.append(caution("no_cylinder"))
    if width_px < COMFORTABLE_PX:
        out.append(caution("few_pixels", width_px=width_px))
    if around.blur_px > SOFT_BLUR * width_px:
        out.append(caution("soft_focus"))
    if around.eaten_px > 0.0:
        out.append(caution("clipped_highlights"))
    if around.overshoot > 0.06:
        out.append(caution("sharpened"))
    if min(p.ground.contrast for p in parts) < _LITTLE_CONTRAST:
        out.append(caution("low_contrast"))
    if length_mm < _SHORT_MM:
        out.append(caution("short_length", length_mm=length_mm))
    covered = 1.0 - float(cuts.line.seen.mean())
    if covered > 0.15:
        out.append(caution("crossing"))
    if (interval[1] - interval[0]) / 2 > _WIDE_INTERVAL * (interval[0] + interval[1]) / 2:
        out.append(caution("wide_interval"))
    return out
