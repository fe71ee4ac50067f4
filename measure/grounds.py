"""What light and dark ground say of one strand: how far each is trusted, and both together.

A strand lies on light stretches here and on dark ones there, so that their means differ by what
the light model gets wrong on either and by how uneven the strand is. The two are told apart by how
the diameter changes from cut to cut: whatever it does within a ground's own stretches it may do
across their borders too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.diameter import GroundDiameter, StrandDiameter, in_bits, telling
from measure.medians import median
from measure.profiles import CUT_MM, Cuts
from measure.results import Along
from measure.shading import light_through
from measure.unevenness import Step, step_between

Floats = NDArray[np.float64]

_BLACK_SHADOW: Final = 0.2
"""Light left in a lamp's shadow below which it looks like a black strand going on."""
_UNSURE: Final = 0.04
"""Relative doubt that the light's fit leaves a black strand's width, above which it may as well
have taken some of the shadow for strand (ours)."""
_FINE_PX: Final = 12.0
"""Pixels across from which a strand and its shadow are told apart by their edges (ours)."""
_FACE: Final = 0.4
_FACE_ALONE: Final = 0.5
"""How much darker than light ground a strand is to be, at least, beside a dark one and alone."""
_HIDDEN: Final = 0.2
"""Brightness below which a strand may be lost on a dark ground (ours)."""
_ENOUGH_CUTS: Final = 8
"""Of a ground a strand lies on, to say that it does not show there."""
_WEAK: Final = 0.03
"""Relative doubt of a light ground that is only worth something beside a dark one (ours)."""
_NO_SKY: Final = 0.25
_STRAIGHT: Final = 0.2
"""Share of sky and tangent of a lamp's lean below which a light leaves no shadow to be seen."""
_SHADOWLESS: Final = 0.03
"""Relative doubt of a strand under such a light in the open lane (ours)."""
_UNCHECKED: Final = 0.02
"""Relative doubt of a ground, other than a dark one, that no other checks (ours),"""
_BLACK_FACE: Final = 0.03
"""of one with a strand as black as ink, whose face shows nothing of how it is built,"""
_CONTRADICTED: Final = 0.02
"""and of a dark one whose light neighbour said otherwise and was not believed."""
_PALE: Final = 0.016
_DENSE_MM: Final = 1.0
"""Relative doubt of a fine strand's width per unit of its brightness, and how thick one is that
has half of it: light that comes through its edges, whatever the ground, narrows it by the inverse
square of its optical depth (Beer and Lambert), which grows with its thickness. From drawn ones
(ours)."""
_BRIGHT: Final = 0.003
"""Relative doubt of a light ground, all of it shaded, per unit of the strand's brightness: what
light it throws back there looks like less of a shadow (ours)."""
_OPEN: Final = 0.004
"""Relative doubt of an open ground, where nothing but the strand itself tells the light (ours)."""
_MISFIT: Final = 0.095
"""Relative doubt of a width per unit of what the light's fit leaves over (ours)."""
_SHAPE: Final = 0.35
"""The same per unit of what it leaves over on the strand's own face: nothing tells so well that it
is no cylinder (ours, from drawn strands of all kinds)."""
_USUALLY_APART: Final = 0.06
"""How much brighter, log, a strand may look on one ground than on the other (ours)."""
_FITTED: Final = 0.095
"""Share of the fit's own doubt: its samples were counted as less alike than they are (ours)."""


@dataclass(frozen=True)
class Part:
    """One ground's say, with its doubt apart from noise and sampling."""

    ground: GroundDiameter
    whole: NDArray[np.int_]
    """Which of its running cuts do not overlap."""
    mean_mm: float
    u_relative: float
    u_shape: float
    """Relative doubt from a face unlike a cylinder's, whatever the light."""
    u_pale: float
    """The same from light that may come through."""


@dataclass(frozen=True)
class Whole:
    """All grounds together."""

    along: Along
    """The running profile, each ground's own bias taken off as far as it is one."""
    u_light: float
    """Of the mean, relative, from the light as far as its grounds say."""
    u_unchecked: float
    """The same for want of a second ground; 0 where there is one or none is needed."""
    gap: float
    """Light over dark, log, as far as unevenness does not explain it; 0 with one ground."""
    torn: bool
    """The gap is more than was to be expected."""
    u_shape: float
    """Of the mean, from a face unlike a cylinder's."""
    u_pale: float
    """Of the mean, from light that may come through."""
    recoloured: float = 0.0
    """How much brighter the strand looks on one ground, log, beyond what is usual."""

    @property
    def u_relative(self) -> float:
        """Of the mean, from the light."""
        return math.hypot(self.u_light, self.u_unchecked)


def part_of(ground: GroundDiameter, strand: StrandDiameter) -> Part:
    """A ground's mean and how far its light model may be off.

    Floors under the fit's own doubt, since no light is quite of the model's kind: a dark ground
    takes little shadow, a light one the more the brighter the strand is, and before an open one the
    strand itself is all that tells the light. Their sizes, and the share of the fit's doubt, make
    intervals of hard pictures hold (docs/accuracy.md).
    """
    shaded = min(strand.light.sky + strand.light.lamp, 1.0)
    level = min(max(float(ground.strand_level), 0.0), 1.2)
    if ground.ground == "dark":
        floor = 0.0004 + 0.001 * shaded + 0.0006 / max(ground.contrast, 0.02)
    elif ground.ground == "open" and not strand.flat:
        floor = _OPEN
    else:
        floor = 0.0004 + shaded * (0.0008 + _BRIGHT * level)
    u = math.hypot(floor, _MISFIT * ground.misfit, _FITTED * ground.u_light)
    mean_mm = float(ground.diameter_mm.mean())
    thin = 1.0 / (1.0 + (mean_mm / _DENSE_MM) ** 2)
    through = light_through(strand.rim, level)[1]
    u_pale = 0.0 if strand.flat else math.hypot(_PALE * level * thin, through)
    whole = _whole(strand.cuts.arc_mm[ground.index])
    return Part(ground, whole, mean_mm, u, _SHAPE * ground.core_misfit, u_pale)


def trusted(parts: list[Part], strand: StrandDiameter) -> list[Part]:
    """Parts less a dark ground that shows bits of a strand, and less a shaded light ground on which
    strand and shadow cannot be told apart.

    That is a strand hardly darker than the paper, whose shadows are all that shows, one as grey as
    a lamp's shadow, which may be one, or one so dark that its black shadow goes on where it ends,
    or one that does not show on a dark ground although it seems bright enough.
    Beside a dark ground that contradicts it, or alone, such a part is worth nothing; beside one
    that agrees it is kept, with more doubt.
    """
    if len(parts) == 1 and _lost_on_dark(parts[0], strand):
        return []
    grounds = [p.ground for p in parts]
    parts = [p for p in parts if not in_bits(p.ground, grounds)]
    # A fine black strand with its black shadow looks like one black line.
    fine = min(p.mean_mm for p in parts) < _FINE_PX * median(strand.cuts.mm_per_px)
    line = strand.flat and fine
    shaded = strand.light.sky + strand.light.lamp > 0.15 or line
    # The shadow of a lamp that looks as wide as the strand is thick is no second strand.
    casting = strand.light.lamp / (1.0 + strand.light.softness**2)
    least = _FACE if len(parts) > 1 else _FACE_ALONE
    weak = [
        p
        for p in parts
        if p.ground.ground != "dark"
        and (
            p.ground.face_contrast < least
            or (p.ground.neutral and casting > 0.25)
            or (p.ground.black and (strand.light.lamp > 1.0 - _BLACK_SHADOW or line))
            or (p.ground.black and strand.light.lamp > 0.25 and p.ground.u_light > _UNSURE)
        )
    ]
    if strand.no_ground or not shaded or not weak:
        return parts
    firm = [p for p in parts if p not in weak]
    if not firm:
        return []
    gap = _gap(strand.cuts, weak[0], firm[0])
    allowed = 2.0 * math.hypot(gap.u_uneven, weak[0].u_relative, firm[0].u_relative)
    if abs(gap.log) > allowed:
        return firm
    unsure = replace(weak[0], u_relative=math.hypot(weak[0].u_relative, _WEAK))
    return [unsure if p is weak[0] else p for p in parts]


def _lost_on_dark(light: Part, strand: StrandDiameter) -> bool:
    """It is too bright on light ground not to show on the dark one it lies on as well.

    Then the light's fit took a black strand and its shadow for a brighter one.
    """
    on_dark = int(np.sum(strand.cuts.ground == "dark"))
    return (
        light.ground.ground == "light"
        and light.ground.strand_level > _HIDDEN
        and on_dark >= _ENOUGH_CUTS
        and not any(g.ground == "dark" for g in strand.grounds)
    )


def _unchecked(ground: GroundDiameter, strand: StrandDiameter) -> float:
    """Relative doubt of a ground that no other checks."""
    light = strand.light
    if ground.ground == "dark":
        others = [g for g in telling(strand.grounds) if g is not ground]
        return _CONTRADICTED if others else 0.0
    if ground.ground == "open":
        if strand.no_ground or strand.flat:
            return 0.0
        # A lamp straight above throws no shadow beside a strand: neither does an open window.
        if light.sky < _NO_SKY and light.lamp > 0.5 and abs(light.lean) < _STRAIGHT:
            return _SHADOWLESS
    return _BLACK_FACE if ground.black and not strand.flat else _UNCHECKED


def combined(strand: StrandDiameter, parts: list[Part]) -> Whole:
    """The strand as all its grounds (one or two) show it.

    Each ground's bias has the doubt of its part beforehand; their difference is seen with the
    doubt that the strand's unevenness leaves it (`measure.unevenness`). The mean is over the
    strand's length, whatever the ground. Where the grounds disagree by more than their doubts
    allow, the doubt grows with it (the Birge ratio): a light model that fails on one ground may
    fail on the other.
    """
    cuts = strand.cuts
    if len(parts) < 2:
        (one,) = parts
        alone = _unchecked(one.ground, strand)
        along = _along(cuts, parts, np.zeros(1))
        return Whole(along, one.u_relative, alone, 0.0, False, one.u_shape, one.u_pale)
    first, second = parts
    gap = _gap(cuts, first, second)
    prior = np.array([first.u_relative**2, second.u_relative**2])
    seen = float(prior.sum()) + gap.u_uneven**2
    bias = gap.log * np.array([prior[0], -prior[1]]) / seen
    along = _along(cuts, parts, bias)
    share = np.array([len(p.ground.index) for p in parts]) / len(along.ground)
    # What is left of two independent doubts after their difference was seen.
    left = np.diag(prior) - np.outer([prior[0], -prior[1]], [prior[0], -prior[1]]) / seen
    u = float(np.sqrt(share @ left @ share))
    torn = abs(gap.log) / float(np.sqrt(seen))
    recoloured = _recoloured(cuts, first, second)
    u_shape = float(share @ (first.u_shape, second.u_shape))
    u_pale = float(share @ (first.u_pale, second.u_pale))
    u *= max(1.0, torn)
    return Whole(along, u, 0.0, gap.log, torn > 1.0, u_shape, u_pale, recoloured)


def _recoloured(cuts: Cuts, first: Part, second: Part) -> float:
    """How much brighter a strand looks on one ground than on the other, log, beyond what its light
    usually leaves and what its own colour does along its length.

    It takes no colour from what it lies on: where it seems to, a part of it passes for ground.
    """
    step = _step(cuts, first, second, first.ground.log_level, second.ground.log_level)
    return max(0.0, abs(step.log) - _USUALLY_APART - 2.0 * step.u_uneven)


def _gap(cuts: Cuts, first: Part, second: Part) -> Step:
    """How much wider the first ground shows the strand than the second, log."""
    wide = (np.log(p.ground.diameter_mm) for p in (first, second))
    return _step(cuts, first, second, *wide)


def _step(cuts: Cuts, first: Part, second: Part, of_first: Floats, of_second: Floats) -> Step:
    """How much more the first ground's running cuts show than the second's."""
    at, other = (cuts.arc_mm[p.ground.index[p.whole]] for p in (first, second))
    return step_between(at, of_first[first.whole], other, of_second[second.whole])


def whole_cuts(position_mm: Floats, diameter_mm: Floats) -> tuple[Floats, Floats]:
    """Of running cuts those that do not overlap: one each millimetre."""
    keep = _whole(position_mm)
    return position_mm[keep], diameter_mm[keep]


def _whole(position_mm: Floats) -> NDArray[np.int_]:
    """Which of running cuts do not overlap."""
    keep: list[int] = []
    clear = np.searchsorted(position_mm, position_mm + (CUT_MM - 1e-6)).tolist()
    at = 0
    while at < len(clear):
        keep.append(at)
        at = clear[at]
    return np.array(keep, int)


def _along(cuts: Cuts, parts: list[Part], bias: Floats) -> Along:
    """Running profile, each ground's bias (log) taken off."""
    index = np.concatenate([p.ground.index for p in parts])
    diameter = np.concatenate(
        [p.ground.diameter_mm * np.exp(-b) for p, b in zip(parts, bias, strict=True)]
    )
    u = np.concatenate([p.ground.u_noise * p.ground.diameter_mm for p in parts])
    names = np.concatenate([np.full(len(p.ground.index), p.ground.ground) for p in parts])
    order = np.argsort(index)
    return Along(
        position_mm=cuts.arc_mm[index[order]],
        diameter_mm=diameter[order],
        u_diameter_mm=u[order],
        ground=names[order],
    )
