"""Centrelines of the strands in a region: what runs along it, stands out and is not something else.

Pieces found in each stretch (`measure.strand_pieces`) are chained from stretch to stretch
(`measure.strand_chains`); a smooth line through each chain is a strand's centreline, unless the
chain shows only where a strand would not.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.medians import median, medians_of_parts
from measure.picture import Picture
from measure.regions import Region
from measure.scale import Scale
from measure.strand_chains import Chain, chain_pieces, gap_between
from measure.strand_pieces import Piece, find_pieces

Floats = NDArray[np.float64]

STEP_MM: Final = 0.25
"""Spacing of a centreline's points, and of the running profile later on."""
_LONG_STEPS: Final = 24
"""Steps to either side over which a strand lies straight unless it is seen not to."""
_NEAR_STEPS: Final = 13
"""Steps of the shortest wave it is followed in."""
_SCATTER_KEPT: Final = 2.0
"""How much of the scatter about its near course that course holds itself beyond the long one, for
places as alike as half of their neighbours."""
_LEAST_WAVE_MM: Final = 0.018
"""A wave of this size (root mean square) is not followed at all: middles of straight strands wander
by up to that from one ground to the next (ours)."""


@dataclass(frozen=True, eq=False)
class Centreline:
    """One strand's way through a region, in region coordinates (mm along, mm across)."""

    region: Region
    along_mm: Floats
    """(n,) ascending, STEP_MM apart."""
    across_mm: Floats
    """(n,)"""
    width_mm: float
    """Rough full width, shadow not counted where a dark ground was seen."""
    reach_mm: float
    """Rough distance from the centreline to which strand and shadow were seen."""
    seen: NDArray[np.bool_]
    """(n,) False where the line was carried over a place the strand should have been seen in."""
    shadows_only: bool = False
    """Nothing of it shows but a shadow on either side: a pale strand on a pale ground."""


@dataclass(frozen=True)
class Sight:
    """What was found in one region."""

    region: Region
    strands: tuple[Centreline, ...]
    covered: tuple[tuple[float, float, float, float], ...]
    """Boxes (along from, across from, along to, across to) under hands, tape and the like."""
    beside: bool
    """A strand-like thing runs along the region's edge, half out of it."""
    too_fine_px: float
    """Pixels across the widest strand-like thing too fine to follow; 0 when there was none."""
    ground: Floats
    """(C,) linear light of the ground, median over the region."""


def find_strands(picture: Picture, scale: Scale, region: Region) -> Sight:
    """Strands of one region, in order across it. Deterministic; touches nothing but its input."""
    found = find_pieces(picture, scale, region)
    if found is None:
        return Sight(region, (), (), False, 0.0, np.zeros(1))
    chains = chain_pieces(found.pieces, region)
    strands = [line for chain in chains if (line := _centreline(chain, region)) is not None]
    strands = _without_lobes(strands, chains)
    strands.sort(key=lambda s: float(np.mean(s.across_mm)))
    return Sight(
        region, tuple(strands), found.covered, found.beside, found.too_fine_px, found.ground
    )


def _without_lobes(strands: list[Centreline], chains: list[Chain]) -> list[Centreline]:
    """Two parallel shadows with bare-looking ground between them are one pale strand's."""
    out = list(strands)
    for i, first in enumerate(strands):
        for j in range(i + 1, len(strands)):
            second = strands[j]
            mine = [c for c in chains if abs(c[0].across[0] - first.across_mm[0]) < 0.3]
            theirs = [c for c in chains if abs(c[0].across[0] - second.across_mm[0]) < 0.3]
            if not mine or not theirs or first not in out or second not in out:
                continue
            pair = [*mine[0], *theirs[0]]
            if not all(p.neutral and p.remains > 0.3 for p in pair):
                continue
            gap, wander = gap_between(mine[0], theirs[0])
            reach = first.width_mm + second.width_mm
            if abs(gap) < 3.0 and wander < 0.15 and abs(gap) < 5.0 * reach:
                out.remove(second)
                middle = first.across_mm + gap / 2
                out[out.index(first)] = Centreline(
                    first.region,
                    first.along_mm,
                    middle,
                    abs(gap),
                    abs(gap) / 2 + reach,
                    first.seen,
                    shadows_only=True,
                )
    return out


def _centreline(chain: Chain, region: Region) -> Centreline | None:
    """A smooth line through a chain, or None when the chain is no strand."""
    kinds = {region.stretches[p.stretch].ground for p in chain}
    plain = [p for p in chain if region.stretches[p.stretch].ground != "light"]
    light = [p for p in chain if region.stretches[p.stretch].ground == "light"]
    if kinds == {"light"}:
        passed = [
            s
            for i, s in enumerate(region.stretches)
            if s.ground == "dark" and chain[0].stretch < i < chain[-1].stretch
        ]
        # Anything brighter than ink shows on the dark bands; what shows on light ones only and
        # is not nearly black is a shadow or a stain.
        if passed and min(p.remains for p in light) > 0.3:
            return None
    elif plain and light and len(light) > 2 * len(plain) + 1 and "dark" in kinds:
        return None
    lead = plain or light
    shift = 0.0
    if plain and light:
        # Shadows pull the middle aside on light ground; the other grounds' middles are true.
        shift = _shift_on_light(chain, light)
    pairs = [(p.along, p.across - (shift if p in light else 0.0), p) for p in chain]
    xs = np.concatenate([a for a, _, _ in pairs])
    ys = np.concatenate([b for _, b, _ in pairs])
    order = np.argsort(xs)
    xs, ys = xs[order], ys[order]
    start, stop = float(xs[0]), float(xs[-1])
    at = np.linspace(start, stop, max(2, int(np.ceil((stop - start) / STEP_MM)) + 1))
    ys_even = np.interp(at, xs, ys)
    smooth = _smooth(ys_even)
    seen = np.zeros(len(at), bool)
    for a, _, _ in pairs:
        seen |= (at >= a[0] - 1.3) & (at <= a[-1] + 1.3)
    if len(kinds) == 1 and "open" not in kinds:
        # Black or white: the other bands cannot show it, and nothing need lie over it there.
        index = region.stretch_index(at, 0.0)
        seen |= np.array([s.ground not in kinds for s in region.stretches])[np.maximum(index, 0)]
    width = median(np.array([p.width for p in lead]))
    off = np.abs(
        np.concatenate([p.across for p in chain])
        - np.interp(np.concatenate([p.along for p in chain]), at, smooth)
    )
    first = np.cumsum([0, *(len(p.along) for p in chain)])
    reach = float(np.max(medians_of_parts(off, first) + 0.5 * np.array([p.width for p in chain])))
    return Centreline(region, at, smooth, width, reach, seen)


def _shift_on_light(chain: Chain, light: list[Piece]) -> float:
    """How far middles jump aside from other ground to light, median over the bands' edges."""
    jumps = []
    for before, after in itertools.pairwise(chain):
        if (before in light) == (after in light) or after.stretch != before.stretch + 1:
            continue
        edge = 0.5 * (before.stop[0] + after.start[0])
        to_right = before.stop[1] + before.stop_slope * (edge - before.stop[0])
        to_left = after.start[1] + after.start_slope * (edge - after.start[0])
        jump = to_left - to_right
        jumps.append(jump if after in light else -jump)
    return median(np.array(jumps)) if jumps else 0.0


def _smooth(values: Floats) -> Floats:
    """The strand's course: straight over some 12 mm, but for shorter waves that stand out.

    What cubics over 3 mm keep of such waves is believed by the share of it that is more than the
    scatter of single places makes there (Wiener's way).
    """
    n = len(values)
    if n < 5:
        return values
    half = min(_LONG_STEPS, max(1, (n - 1) // 2))
    padded = np.concatenate(
        [2 * values[0] - values[half:0:-1], values, 2 * values[-1] - values[-2 : -half - 2 : -1]]
    )
    window = np.hanning(2 * half + 3)[1:-1]
    long = np.convolve(padded, window / window.sum(), mode="valid")
    near = _local_cubics(values, min(_NEAR_STEPS, n - 1 + n % 2))
    power = float(np.mean((near - long) ** 2))
    scatter = _SCATTER_KEPT * float(np.mean((values - near) ** 2)) + _LEAST_WAVE_MM**2
    return np.asarray(long + max(0.0, 1.0 - scatter / max(power, 1e-12)) * (near - long))


def _local_cubics(values: Floats, count: int) -> Floats:
    """Each value from the cubic through the `count` (odd) nearest (Savitzky and Golay 1964)."""
    fitted, half = _cubic_fit(count), count // 2
    inner = np.convolve(values, fitted[half], mode="valid")
    ends = fitted[:half] @ values[:count], fitted[half + 1 :] @ values[-count:]
    return np.concatenate([ends[0], inner, ends[1]])


@lru_cache(maxsize=8)
def _cubic_fit(count: int) -> Floats:
    """Matrix (count, count) from values to those of the cubic that fits them best."""
    design = np.vander((np.arange(count) - count // 2) / count, 4)
    return np.asarray(design @ np.linalg.pinv(design))
