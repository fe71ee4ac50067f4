"""What the doubt of a strand's mean diameter is composed of: definitions.md, "The interval"."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.diameter import StrandDiameter
from measure.evenness import means_per_cut
from measure.grounds import Whole
from measure.medians import median
from measure.profiles import CUT_MM
from measure.scale import Scale
from measure.strands import STEP_MM
from measure.uncertainty import LEAST_DOF, Budget, Component, left_out_component
from measure.weight_class import WeightChart

Floats = NDArray[np.float64]

_EATEN: Final = 0.25
"""Relative doubt of a width per pixel eaten, from drawn pictures too bright by a tenth (ours)."""
_RELIEF: Final = 0.22
"""Relative doubt per unit of hard lamp and soft rim, from rendered plied yarn (ours)."""
_RIM: Final = 0.026
"""Relative doubt per unit of soft rim, from rendered and drawn hairy yarn (ours)."""
_HALO: Final = 0.05
_LITTLE_HALO: Final = 0.01
"""Relative doubt by the fuzz's cover: as its root once there is more than a little of it, for how
yarn is made tells more of where its core ends than how much fuzz there is; from the same (ours)."""
_ON_DARK: Final = 1.6
"""Times that on a dark ground alone, where fuzz shines as the strand does (ours)."""
_ENOUGH_STEPS: Final = 10
_NOT_BY_CHANCE: Final = 1.15
"""Times the doubt of what was left out as if by chance: thin or dim stretches hide more readily,
so that drawn slubby, waved and kinked strands miss by more (ours)."""
_BLUR: Final = 0.115
"""Relative doubt per blur over width to the power of 1.5: what sharpening and smoothing do to an
edge widens or narrows a strand the more the less of it is clear of its edges; from drawn pictures
that went through such cameras (ours)."""
_CODED_PX: Final = 0.0017
"""Doubt of a width, px, per step that brightness was rounded to in coding: blocks that a strand
crosses alike miss alike, so that no number of cuts averages it; from drawn JPEGs of quality 50 to
96 (ours)."""
_SHARPENED: Final = 0.02
_MOST_SHARPENED: Final = 3.0
"""Overshoot beside the card's printed edges, a share of their step, at which that is doubled, since
it tells of a camera that draws edges anew; and how many times it becomes at most (ours)."""
_FLAT_BLUR: Final = 0.3
"""Of that for flat ink: alike on both sides of an edge, which blur does not move."""
_STAND_OFF_MM: Final = 0.2
"""How far above the card a strand that lies on it may stand (standard uncertainty, ours)."""
_HELD_MM: Final = 5.0
"""The same of what throws no shade at all, and may be held up in the air; of what throws a little
by the root of how well it may be, as a mixture of the two has it (ours)."""
_HELD_LIT: Final = 0.04
"""Relative doubt of what is held up under a hard lamp, whose shadow falls elsewhere than beside it:
drawn ones miss by that much more than their height says (ours)."""
_LYING: Final = 0.5
_UP: Final = 0.1
"""Shade thrown beside a strand that tells that it lies, and that tells nothing of the kind: shares
of the light; of drawn ones 99 in 100 of those that lie throw 0.3 and more, half of those that are
held up less (ours)."""
_SECTION: Final = 0.17
"""Share of the correction for a cylinder seen aside that is in doubt: one that lies flat, like a
ribbon, hardly looks wider aside (ours)."""
_PLIES: Final = {2: 0.036, 3: 0.018, 4: 0.017}
"""Relative doubt of a plied strand by its plies: they rest on their bumps, shade each other and
meet the card as no cylinder does; from path-traced and drawn plied yarn (ours)."""
_PERHAPS_PLIED: Final = {"dark": 0.003, "light": 0.03, "open": 0.003}
"""The same of one that plies seem to show on that cannot be counted, as one in five of them has, by
the ground that shows it best: stripes of colour along a twist look like that most of all. What is
read on light ground alone is mostly as black as ink, which hides its plies (ours)."""
_BUMPY: Final = 0.25
"""The same of it per unit of spread of its diameters: two plies, which miss by most, look thick and
thin by turns (14 % in the median where they are not counted, three plies 2 %)."""
_TWO_COLOURS: Final = 0.34
"""Relative doubt of a strand per unit by which its plies differ in colour: fitted as of one colour,
path-traced ones read 11 to 34 % too narrow (ours)."""
_RECOLOURED: Final = 0.85
"""Relative doubt of a strand per log by which it looks brighter on one ground than on the other:
what passes for ground there is missing from its width (ours)."""


@dataclass(frozen=True)
class Surroundings:
    """What a reading needs to know of its picture."""

    scale: Scale
    blur_px: float
    overshoot: float
    coding_step: float
    eaten_px: float
    """How far burnt-out paper eats into the card's print, whose edges are known to lie true."""
    chart: WeightChart
    wrap_factor: float


@dataclass(frozen=True)
class Plied:
    """What was seen of how a strand is built."""

    plies: int
    """1 where none were counted."""
    perhaps: bool
    """Plies seem to show that cannot be counted."""
    colours_apart: float
    """How far their colours are, over their contrast."""


def budget_of(
    strand: StrandDiameter,
    diameter_mm: float,
    whole: Whole,
    means: tuple[Floats, Floats],
    plied: Plied,
    around: Surroundings,
) -> Budget:
    """Every doubt of a strand's mean diameter, in mm; `means` are places and widths of its cuts."""
    cuts, scale, along = strand.cuts, around.scale, whole.along
    (at, cut_mm), pitch_mm = means, median(cuts.mm_per_px)
    region = cuts.line.region
    middle = len(cuts.along_mm) // 2
    places = region.to_card(
        np.stack([cuts.along_mm[[0, middle, -1]], cuts.across_mm[[0, middle, -1]]], axis=1)
    )
    normal = cuts.normals[middle] @ np.array([region.along, region.across])
    u_scale = float(np.mean(scale.u_relative(places, normal)))

    # The outline is 1 / cos v too wide, v from the camera's place, which is not quite known.
    height = cuts.camera_height_mm
    tan_v = float(cuts.view_tan[middle])
    slope = normal * tan_v / (height * (1.0 + tan_v**2))
    aside = float(slope @ scale.u_camera_mm[:2, :2] @ slope)
    # The height's doubt may be as large as itself: its effect at the near end, not its slope.
    near = height * math.exp(-math.sqrt(max(scale.u_camera_mm[2, 2], 0.0)) / height)
    closer = _too_wide(tan_v * height / near, near, diameter_mm)
    u_view = math.hypot(math.sqrt(max(aside, 0.0)), closer - _too_wide(tan_v, height, diameter_mm))
    up = math.sqrt(may_be_up(strand))
    u_stand_off_mm = math.hypot(_STAND_OFF_MM, _HELD_MM * up)
    u_height = u_stand_off_mm / height if region.name != "picture" else 0.0
    u_height = math.hypot(u_height, _HELD_LIT * up * strand.light.hardness)
    u_section = _SECTION * _too_wide(tan_v, height, diameter_mm)
    if strand.flat:
        u_view = u_section = 0.0
    seen_on = set(whole.along.ground.tolist())
    best = "dark" if "dark" in seen_on else str(min(seen_on))
    if plied.plies > 1:
        u_plies = _PLIES[plied.plies]
    else:
        bumpy = _BUMPY * float(cut_mm.std()) / diameter_mm
        u_plies = math.hypot(_PERHAPS_PLIED[best], bumpy) * plied.perhaps
    u_colours = _TWO_COLOURS * plied.colours_apart

    noise = _u_cut(along.u_diameter_mm, at, cut_mm) / math.sqrt(max(len(cut_mm), 1))
    # What was left out of the strand as it lay is all that its mean is unsure for.
    cells = means_per_cut(
        along.position_mm,
        along.diameter_mm,
        float(cuts.arc_mm.min()),
        max(1, round(float(np.ptp(cuts.arc_mm)) / CUT_MM)),
        least=math.ceil(0.5 * CUT_MM / STEP_MM),
    )
    sampling = Component("sampling", 0.1 * diameter_mm, LEAST_DOF)
    if np.isfinite(cells).sum() >= 3:
        left_out = left_out_component("sampling", cells)
        sampling = replace(left_out, u=_NOT_BY_CHANCE * left_out.u)
    u_halo = _HALO * strand.rim.halo / math.sqrt(strand.rim.halo + _LITTLE_HALO)
    if seen_on == {"dark"}:
        u_halo *= _ON_DARK
    u_core = math.hypot(_RIM * strand.rim.softness, u_halo)
    u_blur = _BLUR * (around.blur_px * pitch_mm / diameter_mm) ** 1.5
    sharpened = min(1.0 + max(around.overshoot, 0.0) / _SHARPENED, _MOST_SHARPENED)
    u_blur *= _FLAT_BLUR if strand.flat else sharpened
    coded_mm = _CODED_PX * around.coding_step * pitch_mm
    u_blur = math.hypot(u_blur, coded_mm / diameter_mm)
    # Under a hard lamp the bumps of a rough strand shade each other, which no cylinder does.
    u_relief = _RELIEF * strand.light.hardness * strand.rim.softness
    if strand.no_ground:
        u_relief = 0.0
    return Budget(
        (
            Component("scale", u_scale * diameter_mm),
            Component("view", u_view * diameter_mm),
            Component("stand_off", u_height * diameter_mm),
            Component("section", u_section * diameter_mm),
            Component("edges", noise),
            Component("blur", u_blur * diameter_mm),
            Component("light", whole.u_relative * diameter_mm),
            Component("shape", whole.u_shape * diameter_mm),
            Component("pale", whole.u_pale * diameter_mm),
            Component("core_and_halo", u_core * diameter_mm),
            Component("relief", u_relief * diameter_mm),
            Component("plies", u_plies * diameter_mm),
            Component("two_colours", u_colours * diameter_mm),
            Component("recoloured", _RECOLOURED * whole.recoloured * diameter_mm),
            Component("burnt_out", _EATEN * around.eaten_px * diameter_mm),
            sampling,
        )
    )


def may_be_up(strand: StrandDiameter) -> float:
    """How well it may be held above the card, 0 to 1, by the little shade it throws beside it.

    Before an open lane with nothing behind it there is nothing to throw it on, and without a card
    nothing to be held above.
    """
    if strand.no_ground or strand.cuts.line.region.name == "picture":
        return 0.0
    light = strand.light.on(strand.rim)
    shade = light.sky + light.lamp * light.beside / (1.0 + light.softness**2)
    return min(max((_LYING - shade) / (_LYING - _UP), 0.0), 1.0)


def _u_cut(u_mm: Floats, at_mm: Floats, whole_mm: Floats) -> float:
    """What noise alone does to one cut: no more than neighbouring cuts differ by.

    The fit counts every channel's noise as one and the same, which it is only in part.
    """
    fitted = float(np.sqrt(np.mean(u_mm**2)))
    steps = np.diff(whole_mm)[np.diff(at_mm) < 1.3 * CUT_MM]
    if len(steps) < _ENOUGH_STEPS:
        return fitted
    return min(fitted, float(np.sqrt(np.mean(steps**2) / 2.0)))


def _too_wide(tan_v: float, height_mm: float, diameter_mm: float) -> float:
    """How much an outline in the card plane exceeds the diameter, relative."""
    return math.hypot(1.0, tan_v) - 1.0 + diameter_mm / (2.0 * height_mm)


def length_mm(position_mm: Floats) -> float:
    """Length covered by running cuts: each counts its step, each run one cut more."""
    if not len(position_mm):
        return 0.0
    runs = 1 + int(np.sum(np.diff(position_mm) > 1.8 * STEP_MM))
    return float((len(position_mm) - runs) * STEP_MM + runs * CUT_MM)
