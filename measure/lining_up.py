"""Edges of cuts under a given light, enough to line cuts up with each other and average them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.beside import Others, others_at
from measure.bits import shows_in_bits
from measure.clipped import clipped
from measure.cut_fit import EdgePairs
from measure.cut_groups import CutGroup, fit_groups
from measure.light_fit import LightFit, MeanProfile
from measure.medians import median, medians
from measure.profiles import Cuts
from measure.shading import XI_MAX, Light, Rim
from measure.unevenness import step_between

Floats = NDArray[np.float64]

_ENOUGH: Final = 160
"""Running cuts of one ground, a quarter of which suffice to line cuts up and average them."""
_LEAST_CONTRAST: Final = 0.08
_FEWEST_CUTS: Final = 6
"""Of either ground, below which nothing is said of how uneven a strand is."""
_MOST_UNEVEN: Final = 0.4
"""Log widths farther than this from the typical one are not believed for that."""


@dataclass(frozen=True)
class Lines:
    """First edges of every cut."""

    half_width_mm: Floats
    middle_mm: Floats
    wander_mm: Floats
    """Middle less the typical middle on that ground: how the cuts are lined up."""
    contrast: Floats
    fitted: NDArray[np.bool_]
    exact: NDArray[np.bool_]
    """Cuts that were fitted themselves; the others lie between two of them."""
    brightness: float
    """Of the strand, relative to white."""

    @property
    def typical(self) -> tuple[float, float]:
        """Half width, mm, where it was fitted, and brightness; nothing where it was not."""
        fitted = self.half_width_mm[self.fitted]
        return (median(fitted), self.brightness) if len(fitted) else (0.0, 0.0)


@dataclass(frozen=True)
class Edges:
    """Half width of a strand's outline, and its middle off the centreline."""

    half_width_mm: float
    middle_mm: float


def as_before(cuts: Cuts, edges: Mapping[str, Edges]) -> Lines:
    """All cuts as the strand was on their ground in the frame before."""
    n = len(cuts.arc_mm)
    half, middle, nothing = np.full(n, 0.5 * cuts.line.width_mm), np.zeros(n), np.zeros(n)
    for ground, found in edges.items():
        here = cuts.ground == ground
        half[here], middle[here] = found.half_width_mm, found.middle_mm
    return Lines(half, middle, nothing, nothing, np.zeros(n, bool), np.zeros(n, bool), 0.0)


def find_lines(
    all_cuts: Sequence[Cuts],
    blur_mm: Sequence[float],
    light: Light,
    rims: Sequence[Rim],
    no_ground: bool,
    starts: Sequence[Lines] | None,
) -> list[Lines]:
    """Edges of every cut of a lane's strands under a given light, enough to line cuts up."""
    finding = [
        _Finding(cuts, None if starts is None else starts[i]) for i, cuts in enumerate(all_cuts)
    ]
    groups = [
        CutGroup(found.cuts, some, found.half[some], found.middle[some], blur, rim)
        for found, blur, rim in zip(finding, blur_mm, rims, strict=True)
        for some in found.few
    ]
    pairs = iter(fit_groups(groups, light, no_ground, starts is None))
    return [found.lines([next(pairs) for _ in found.few]) for found in finding]


class _Finding:
    """Edges of one strand's cuts while they are found."""

    def __init__(self, cuts: Cuts, start: Lines | None) -> None:
        n = len(cuts.arc_mm)
        self.cuts = cuts
        self.first = start is None
        self.half = np.full(n, 0.5 * cuts.line.width_mm)
        self.middle = np.zeros(n)
        if start is not None:
            self.half, self.middle = start.half_width_mm.copy(), start.middle_mm.copy()
        every = (
            np.nonzero(cuts.valid & (cuts.ground == ground))[0]
            for ground in cuts.line.region.grounds
        )
        self.grounds = [index for index in every if len(index)]
        self.few = [index[:: 4 * max(1, len(index) // _ENOUGH)] for index in self.grounds]

    def lines(self, all_pairs: list[EdgePairs]) -> Lines:
        """All cuts' edges from those fitted, ground by ground."""
        n = len(self.half)
        half, middle = self.half, self.middle
        wander, contrast = np.zeros(n), np.zeros(n)
        fitted, exact = np.zeros(n, bool), np.zeros(n, bool)
        brightness: list[float] = []
        for index, some, pairs in zip(self.grounds, self.few, all_pairs, strict=True):
            # Once the lane's light is found a single cut may be believed, unless it stands quite
            # alone.
            spread = 0.0 if self.first else 0.35 * median(half[some])
            half[index] = np.interp(index, some, _calm(pairs.half_width_mm, spread))
            middle[index] = np.interp(index, some, _calm(pairs.middle_mm, spread))
            # Where a dyed strand meets a ground of its own brightness a cut says little.
            plain = pairs.contrast > 0.5 * median(pairs.contrast)
            plain &= pairs.u_log_half_width <= 3.0 * median(pairs.u_log_half_width)
            exact[some[plain]] = True
            wander[index] = middle[index] - median(middle[index])
            contrast[index] = median(pairs.contrast)
            brightness.append(median(pairs.strand.mean(axis=1)))
            fitted[index] = True
        # Where one ground shows little of it, the other's say is the safer: the darker, as a rule.
        bright = min(max(min(brightness, default=0.0), 0.0), 1.0)
        return Lines(half, middle, wander, contrast, fitted, exact, bright)


def carried(
    number: int, cuts: Cuts, start: Lines, profiles: list[MeanProfile], fit: LightFit
) -> Lines:
    """Each cut's edges moved as the fit moved its ground's mean profile."""
    half, middle = start.half_width_mm.copy(), start.middle_mm.copy()
    for i, profile in enumerate(profiles):
        if profile.strand != number:
            continue
        index = start.fitted & (cuts.ground == profile.ground)
        half[index] *= np.exp(fit.log_half_width[i]) / profile.half_width_mm
        middle[index] = start.wander_mm[index] + fit.middle_mm[i]
    return replace(start, half_width_mm=half, middle_mm=middle)


def mean_profiles(
    all_cuts: list[Cuts], starts: list[Lines], blur_mm: list[float]
) -> list[MeanProfile]:
    """Averaged profiles of every strand of a lane, by strand and ground."""
    return [
        profile
        for number, (cuts, start) in enumerate(zip(all_cuts, starts, strict=True))
        for profile in _mean_profiles(number, cuts, start, blur_mm[number])
    ]


def _mean_profiles(number: int, cuts: Cuts, start: Lines, blur_mm: float) -> list[MeanProfile]:
    """Averaged profiles of each ground, cuts lined up and stretched to one width."""
    shown: dict[str, NDArray[np.int_]] = {}
    for ground in cuts.line.region.grounds:
        index = np.nonzero(start.exact & (cuts.ground == ground))[0]
        if len(index) and start.contrast[index[0]] >= _LEAST_CONTRAST:
            shown[ground] = index
    if shown.keys() == {"dark", "light"}:
        on_dark, on_light = (np.log(start.half_width_mm[shown[g]]) for g in ("dark", "light"))
        if shows_in_bits(on_dark, on_light, start.brightness):
            # Their width would pass for what the light does.
            del shown["dark"]
    out = [
        _mean_profile(number, cuts, start, index, ground, blur_mm)
        for ground, index in shown.items()
    ]
    if len(out) != 2 or min(len(index) for index in shown.values()) < _FEWEST_CUTS:
        return out
    # What the strand does itself from ground to ground is no business of the light's.
    places: list[Floats] = []
    for index, profile in zip(shown.values(), out, strict=True):
        log = np.log(start.half_width_mm[index] / profile.half_width_mm)
        places += [cuts.arc_mm[index], clipped(log, -_MOST_UNEVEN, _MOST_UNEVEN)]
    step = step_between(*places)
    uneven = (-0.5 * step.log, 0.5 * step.log)
    u = step.u_uneven / np.sqrt(2.0)
    return [replace(p, uneven=own, u_uneven=u) for p, own in zip(out, uneven, strict=True)]


def _mean_profile(
    number: int,
    cuts: Cuts,
    start: Lines,
    index: NDArray[np.int_],
    ground: str,
    blur_mm: float,
) -> MeanProfile:
    half, middle = start.half_width_mm[index], start.middle_mm[index]
    typical, typical_middle = median(half), median(middle)
    stretch = clipped(typical / half, 0.75, 1.33)[:, None]
    seen_u, weight = cuts.u_mm.take(index, axis=0), cuts.weight.take(index, axis=0)
    u = typical_middle + (seen_u - middle[:, None]) * stretch
    steps = np.diff(seen_u[0])
    pitch = median(steps[len(steps) // 3 : -(len(steps) // 3)])
    reach = min(float(np.abs(cuts.u_mm[:, [0, -1]]).max()), XI_MAX * typical)
    bins = int(2 * reach / pitch)
    place = np.rint((u + reach) / (2 * reach) * bins)
    place[(place < 0) | (place > bins)] = bins + 1
    at = place.astype(np.intp).ravel()

    def summed(values: NDArray[Any]) -> Floats:
        return np.asarray(np.bincount(at, values.ravel(), bins + 2)[:-1], float)

    total = summed(weight)
    good = total > 0.1 * median(total[total > 0])
    total = total[good]
    light = (channel.take(index, axis=0) for channel in cuts.light)
    others = Others(*np.zeros((3, len(total))))
    if cuts.others_mm.shape[1]:
        there = others_at(seen_u, cuts.others_mm[index], cuts.view_tan[index])
        hidden, left, right = (
            summed(weight * of)[good] / total for of in (there.hidden, there.left, there.right)
        )
        others = Others(hidden, left, right)
    each = np.full(len(index), 1.0 / len(index))
    return MeanProfile(
        strand=number,
        ground=ground,
        u_mm=summed(weight * u)[good] / total,
        light=np.stack([summed(weight * of)[good] / total for of in light], axis=1),
        weight=np.minimum(total / total.max(), 1.0),
        level=each @ cuts.level[index],
        blur_mm=math.hypot(blur_mm, 0.25 * pitch),
        view_tan=float(each @ cuts.view_tan[index]),
        half_width_mm=typical,
        middle_mm=typical_middle,
        noise=float(cuts.noise[index].mean()) / math.sqrt(len(index)),
        uneven=0.0,
        u_uneven=0.0,
        others=others,
    )


def _calm(values: Floats, spread: float) -> Floats:
    """Values farther than `spread` from the running median of five replaced by it.

    One bad cut must not lead its neighbours.
    """
    if len(values) < 5:
        middle = np.full(len(values), median(values))
    else:
        padded = np.concatenate([values[:2][::-1], values, values[-2:][::-1]])
        middle = medians(np.array([padded[i : i + len(values)] for i in range(5)]))
    return np.asarray(np.where(np.abs(values - middle) > spread, middle, values))
