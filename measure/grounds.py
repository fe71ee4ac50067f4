"""What light and dark ground say of one strand: how far each is trusted, and both together.

A strand lies on light stretches here and on dark ones there, so that their means differ by what
the light model gets wrong on either and by how uneven the strand is. The two are told apart by how
the diameter changes from cut to cut: whatever it does within a ground's own stretches it may do
across their borders too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.diameter import GroundDiameter, StrandDiameter
from measure.profiles import CUT_MM, Cuts
from measure.results import Along

Floats = NDArray[np.float64]

_BLACK_SHADOW: Final = 0.2
"""Light left in a lamp's shadow below which it looks like a black strand going on."""
_UNCHECKED: Final = 0.015
"""Relative doubt of a light ground that no dark one checks (ours)."""
_LEAST_SPREAD: Final = 1e-4
"""Relative: no strand is more even, and no cut better read."""
_LONGEST_MEMORY: Final = 0.98
"""Correlation of neighbouring 1 mm cuts, at most: more no strand across a card can show."""


@dataclass(frozen=True)
class Part:
    """One ground's say, with its doubt apart from noise and sampling."""

    ground: GroundDiameter
    mean_mm: float
    u_relative: float


@dataclass(frozen=True)
class Whole:
    """All grounds together."""

    along: Along
    """The running profile, each ground's own bias taken off as far as it is one."""
    u_relative: float
    """Of the mean, from the light."""
    gap: float
    """Light over dark, log, as far as unevenness does not explain it; 0 with one ground."""
    torn: bool
    """The gap is more than was to be expected."""


def part_of(ground: GroundDiameter, strand: StrandDiameter) -> Part:
    """A ground's mean and how far its light model may be off.

    The floors come from rendered tubes in many lights (docs/accuracy.md): a dark ground takes
    little shadow, a light one the more the brighter the strand is.
    """
    shaded = min(strand.light.sky + strand.light.lamp, 1.0)
    level = float(np.clip(ground.strand_level, 0.0, 1.2))
    if ground.ground == "dark":
        floor = 0.002 + 0.005 * shaded + 0.003 / max(ground.contrast, 0.02)
    else:
        floor = 0.002 + shaded * (0.004 + 0.020 * level)
    floor = float(np.hypot(floor, 0.4 * ground.misfit))
    return Part(ground, float(ground.diameter_mm.mean()), float(np.hypot(floor, ground.u_light)))


def trusted(parts: list[Part], strand: StrandDiameter) -> list[Part]:
    """Parts less a shaded light ground on which strand and shadow cannot be told apart.

    That is a strand hardly darker than the paper, whose shadows are all that shows, one as grey as
    a lamp's shadow, which may be one, or one so dark that its black shadow goes on where it ends.
    Beside a dark ground that contradicts it, or alone, such a part is worth nothing; beside one
    that agrees it is kept.
    """
    shaded = strand.light.sky + strand.light.lamp > 0.15 and not strand.no_ground
    weak = [
        p
        for p in parts
        if p.ground.ground != "dark"
        and (
            p.ground.face_contrast < 0.4
            or (p.ground.neutral and strand.light.lamp > 0.25)
            or (p.ground.black and strand.light.lamp > 1.0 - _BLACK_SHADOW)
        )
    ]
    if not shaded or not weak:
        return parts
    firm = [p for p in parts if p not in weak]
    if not firm:
        return []
    gap = _gap(strand.cuts, weak[0], firm[0])
    if abs(gap.log) > 2.0 * np.hypot(
        gap.u_uneven, np.hypot(weak[0].u_relative, firm[0].u_relative)
    ):
        return firm
    return parts


def combined(cuts: Cuts, parts: list[Part]) -> Whole:
    """The strand as all its grounds (one or two) show it.

    Each ground's bias has the doubt of its part beforehand; their difference is seen with the
    doubt that the strand's unevenness leaves it (least squares of both). The mean is over the
    strand's length, whatever the ground. Where the grounds disagree by more than their doubts
    allow, the doubt grows with it (the Birge ratio): a light model that fails on one ground may
    fail on the other.
    """
    if len(parts) < 2:
        (one,) = parts
        u = one.u_relative
        if one.ground.ground == "light":
            u = float(np.hypot(u, _UNCHECKED))
        return Whole(_along(cuts, parts, np.zeros(1)), u, 0.0, False)
    first, second = parts
    gap = _gap(cuts, first, second)
    prior = np.array([first.u_relative**2, second.u_relative**2])
    seen = float(prior.sum()) + gap.u_uneven**2
    bias = gap.log * np.array([prior[0], -prior[1]]) / seen
    along = _along(cuts, parts, bias)
    share = np.array([np.mean(along.ground == p.ground.ground) for p in parts])
    # What is left of two independent doubts after their difference was seen.
    left = np.diag(prior) - np.outer([prior[0], -prior[1]], [prior[0], -prior[1]]) / seen
    u = float(np.sqrt(share @ left @ share))
    torn = abs(gap.log) / float(np.sqrt(seen))
    return Whole(along, u * max(1.0, torn), gap.log, torn > 1.0)


@dataclass(frozen=True)
class _Gap:
    """How much wider the first ground shows the strand than the second, log, and what of that
    the strand's own unevenness may be (standard uncertainty)."""

    log: float
    u_uneven: float


def _gap(cuts: Cuts, first: Part, second: Part) -> _Gap:
    """Generalised least squares of a step between two grounds in a first-order series."""
    at, log, which = [], [], []
    for sign, part in ((0.5, first), (-0.5, second)):
        position, diameter = whole_cuts(cuts.arc_mm[part.ground.index], part.ground.diameter_mm)
        at.append(position)
        log.append(np.log(diameter))
        which.append(np.full(len(position), sign))
    x, y, side = np.concatenate(at), np.concatenate(log), np.concatenate(which)
    order = np.argsort(x)
    x, y, side = x[order], y[order], side[order]
    means = [y[side == sign].mean() for sign in (0.5, -0.5)]
    rest = y - np.where(side > 0, means[0], means[1])
    spread = max(float(np.sqrt(rest @ rest / max(len(rest) - 2, 1))), _LEAST_SPREAD)
    neighbours = (np.diff(x) < 1.3 * CUT_MM) & (np.diff(side) == 0)
    memory = 0.0
    if np.count_nonzero(neighbours) > 4:
        products = (rest[1:] * rest[:-1])[neighbours]
        # Means taken from the same values hide some of what neighbours have in common.
        memory = float(products.mean()) / spread**2 + 4.0 / len(rest)
    memory = float(np.clip(memory, 1e-3, _LONGEST_MEMORY))
    alike = memory ** (np.abs(x[:, None] - x) / CUT_MM)
    model = np.stack([np.ones_like(side), side], axis=1)
    weighted = np.linalg.solve(alike, np.column_stack([model, y]))
    information = model.T @ weighted[:, :2]
    found = np.linalg.solve(information, model.T @ weighted[:, 2])
    return _Gap(float(found[1]), spread * float(np.sqrt(np.linalg.inv(information)[1, 1])))


def whole_cuts(position_mm: Floats, diameter_mm: Floats) -> tuple[Floats, Floats]:
    """Of running cuts those that do not overlap: one each millimetre."""
    keep: list[int] = []
    last = -np.inf
    for i, position in enumerate(position_mm):
        if position - last >= CUT_MM - 1e-6:
            keep.append(i)
            last = position
    return position_mm[keep], diameter_mm[keep]


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
