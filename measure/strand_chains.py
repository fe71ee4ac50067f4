"""Pieces joined into chains, one for each strand, and chains that are shadows told apart.

Each piece is joined to the nearest continuation of a chain's own direction, so a strand may fade
out on one ground, be crossed, or be covered by a hand, and still be one strand.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.regions import Region
from measure.strand_pieces import Piece

_SHORTEST_MM: Final = 8.0
_LONGEST_GAP_MM: Final = 45.0
_LEAD_MM: Final = 30.0
"""Length from whose middles the direction at a chain's end is taken."""
_FEWEST_COLUMNS: Final = 5
_MET: Final = 0.3
"""Share of a piece's length over which another strand runs inside it, from which two meet there."""

Chain = list[Piece]
"""Pieces of one strand, ascending along the region."""


def chain_pieces(pieces: Sequence[Piece], region: Region) -> list[Chain]:
    """Chains of pieces long enough for a strand, less those that are another strand's shadow.

    Pieces in which two strands meet and look like one belong to neither. (Outside a lane, where
    nothing says that what is seen is a strand, no such sense is made of it.)
    """
    chains = _strands_of(pieces, region)
    if region.name == "picture":
        return chains
    met = [p for chain in chains for p in chain if _two_meet(p, chain, chains)]
    if met:
        chains = _strands_of([p for p in pieces if not any(p is q for q in met)], region)
    return chains


def _strands_of(pieces: Sequence[Piece], region: Region) -> list[Chain]:
    chains = [c for c in _chains(pieces, region) if _long_enough(c, region)]
    return _without_shadows(chains, region)


def _two_meet(piece: Piece, own: Chain, chains: Sequence[Chain]) -> bool:
    """Whether another strand, seen beside this one elsewhere, runs on into this piece of it."""
    for other in chains:
        if other is own:
            continue
        theirs = {p.stretch for p in other}
        if piece.stretch in theirs or theirs.isdisjoint(p.stretch for p in own):
            continue
        inside = np.abs(_carried_on(other, piece.along) - piece.across) < 0.5 * piece.width
        if np.mean(inside) > _MET:
            return True
    return False


def _carried_on(chain: Chain, at_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places across of a chain carried straight on to `at_mm` (n,), between its pieces or beyond;
    NaN where that is too far."""
    along = np.concatenate([p.along for p in chain])
    across = np.concatenate([p.across for p in chain])
    out = np.interp(at_mm, along, across)
    for end, sign in ((along[0], -1.0), (along[-1], 1.0)):
        near = np.abs(along - end) < _LEAD_MM
        beyond = sign * (at_mm - end)
        if near.sum() >= _FEWEST_COLUMNS:
            slope, at_end = _straight_line(along[near] - end, across[near])
            out = np.where(beyond > 0.0, at_end + slope * (at_mm - end), out)
        out = np.where(beyond > _LONGEST_GAP_MM, np.nan, out)
    return np.asarray(out, np.float64)


def _chains(pieces: Sequence[Piece], region: Region) -> list[Chain]:
    """Pieces joined into strands, each to the nearest continuation in a later stretch."""
    chains: list[Chain] = []
    for number in range(len(region.stretches)):
        fresh = [p for p in pieces if p.stretch == number]
        if not fresh:
            continue
        offers = []
        for chain_index, chain in enumerate(chains):
            if chain[-1].stop[0] < fresh[0].start[0] - _LONGEST_GAP_MM:
                continue
            # Shadows pull pieces on light ground aside; the others lead too where there are any.
            firm = [p for p in chain if region.stretches[p.stretch].ground != "light"]
            leads = [chain, firm] if firm and firm[-1] is not chain[-1] else [chain]
            aims = [(lead[-1], _chain_slope(lead)) for lead in leads]
            for piece_index, piece in enumerate(fresh):
                misses = [_miss(last, slope, piece) for last, slope in aims]
                if min(misses) < 1.0:
                    offers.append((min(misses), chain_index, piece_index))
        taken_chains: set[int] = set()
        taken_pieces: set[int] = set()
        for _, chain_index, piece_index in sorted(offers):
            if chain_index in taken_chains or piece_index in taken_pieces:
                continue
            chains[chain_index].append(fresh[piece_index])
            taken_chains.add(chain_index)
            taken_pieces.add(piece_index)
        # What found no chain begins one; what lies over another's shadow joins neither.
        for piece_index, piece in enumerate(fresh):
            if piece_index not in taken_pieces:
                chains.append([piece])
    return chains


def _miss(last: Piece, slope: float, piece: Piece) -> float:
    """How far a piece lies off the continuation of `last`, as a share of what is allowed."""
    gap = piece.start[0] - last.stop[0]
    if gap < -1.0:
        return float("inf")
    expected = last.stop[1] + slope * gap
    allowed = 0.4 + 0.75 * max(last.width, piece.width) + 0.06 * gap
    return float(abs(piece.start[1] - expected) / allowed + 0.01 * gap)


def _chain_slope(chain: Chain) -> float:
    """Direction at the end of a chain, from its last 30 mm of middles."""
    along = np.concatenate([p.along for p in chain[-3:]])
    across = np.concatenate([p.across for p in chain[-3:]])
    near = int(along.searchsorted(along[-1] - _LEAD_MM, side="right"))
    if len(along) - near < _FEWEST_COLUMNS:
        return chain[-1].slope
    return _straight_line(along[near:], across[near:])[0]


def _long_enough(chain: Chain, region: Region) -> bool:
    length = sum(float(p.along[-1] - p.along[0]) for p in chain)
    return length >= min(_SHORTEST_MM, 0.3 * region.length_mm)


def gap_between(chain: Chain, other: Chain) -> tuple[float, float]:
    """Mean distance across (other less chain) where both run or are carried on, and its spread."""
    along = np.concatenate([p.along for p in chain])
    across = np.concatenate([p.across for p in chain])
    theirs = np.concatenate([p.along for p in other])
    at = np.interp(along, theirs, np.concatenate([p.across for p in other]))
    near = (along >= theirs[0] - 1.0) & (along <= theirs[-1] + 1.0)
    if near.sum() < _FEWEST_COLUMNS:
        return np.inf, np.inf
    gap = (at - across)[near]
    return float(np.mean(gap)), float(np.std(gap))


def _without_shadows(chains: list[Chain], region: Region) -> list[Chain]:
    """Chains less those that are another strand's shadow.

    A shadow shows on light ground only, darkens all channels alike, never to black, and keeps its
    distance from a strand that the dark bands show too. In an open lane it lies against a strand
    that is brighter than the ground.
    """

    def like_a_shadow(chain: Chain) -> bool:
        return all(
            region.stretches[p.stretch].ground != "dark" and p.neutral and p.remains > 0.12
            for p in chain
        )

    def casts(body: Chain) -> bool:
        kinds = {region.stretches[p.stretch].ground for p in body}
        return "dark" in kinds or ("open" in kinds and all(p.remains > 1.02 for p in body))

    bodies = [c for c in chains if casts(c)]
    out = []
    for chain in chains:
        if like_a_shadow(chain) and any(_lies_against(chain, body) for body in bodies):
            continue
        out.append(chain)
    return out


def _lies_against(chain: Chain, body: Chain) -> bool:
    gap, wander = gap_between(chain, body)
    widest = max(p.width for p in body) + max(p.width for p in chain)
    return abs(gap) < 1.5 * widest + 0.4 and wander < 0.25 + 0.1 * widest


def _straight_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Slope and value at x = 0 of the straight line through points."""
    count = len(x)
    mean_x, mean_y = float(np.add.reduce(x)) / count, float(np.add.reduce(y)) / count
    away = x - mean_x
    slope = float(away.dot(y)) / max(float(away.dot(away)), 1e-12)
    return slope, mean_y - slope * mean_x
