"""Straight printed edges in the picture: where they are, to hundredths of a pixel, and how soft.

Pixels are taken as they are, never interpolated: each edge is crossed by whole columns (or rows)
of the picture, whose exact distances from the edge make one finely sampled profile, and a
blurred step is fitted to it in linear light.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from measure.linear_light import decode_srgb
from measure.medians import median, medians
from measure.normal_curve import step_and_bell
from measure.printed_edges import PrintedEdges
from measure.results import Floats

Singles = NDArray[np.float32]

LUMINANCE: Final = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Weights of linear red, green and blue, IEC 61966-2-1 (ITU-R BT.709 primaries)."""

BORDER_REACH_PX: Final = 6.0
"""How far to either side of an edge pixels are read: three times a usual blur and more."""

BORDER_SHARE: Final = 0.8
"""Part of a border's length that is read, about its middle: clear of the corners."""

_CROSSINGS: Final = 6
"""Columns or rows of pixels that cross one edge: noise falls below what paper and ink deserve."""

_TURNS: Final = 5
_SETTLED_PX: Final = 0.02
"""A turn that moves edges by less is the last: the next would move them by its square."""

_LEAST_SIGMA_PX: Final = 0.25
"""A pixel's own aperture is a spread of 0.29; nothing real is sharper."""

_FULL_SCALE: Final = 0.985
"""Linear light from which a pixel counts as clipped: code 253 of 255 and up."""


class ToPicture(Protocol):
    """Anything that maps card millimetres (..., 2) to pixels (..., 2)."""

    def to_picture(self, points_mm: Floats) -> Floats:
        """Pixels of points on the card."""


@dataclass(frozen=True)
class EdgesSeen:
    """What was read of n printed edges; entries where `good` is False mean nothing.

    An edge lies at `origin + t * along + (offset + slope * t / half) * across`, all in px.
    """

    good: NDArray[np.bool_]
    origin_px: Floats
    along: Floats
    across: Floats
    """(n, 2) unit, towards the paper."""
    half_px: Floats
    """(n,) half the length that was read."""
    offset_px: Floats
    slope_px: Floats
    """(n,) change of the offset from the middle to the end."""
    sigma_px: Floats
    """(n,) standard deviation of the blur, the pixel's aperture included."""
    dark: Floats
    light: Floats
    """(n,) linear light of ink and paper beside the edge."""
    overshoot: Floats
    """(n,) how far the light side rises above its level next to the edge, share of contrast."""
    clipped: Floats
    """(n,) share of the light side's pixels at the top of the scale."""

    def taken(self, which: slice) -> EdgesSeen:
        """Those of a slice."""
        return EdgesSeen(*(getattr(self, f.name)[which] for f in fields(EdgesSeen)))

    def points_px(self, share: float) -> Floats:
        """Points (n, 2) on the edges at a share -1..1 of the half length from the middle."""
        t = share * self.half_px
        sideways = self.offset_px + share * self.slope_px
        return np.asarray(
            self.origin_px + t[:, None] * self.along + sideways[:, None] * self.across
        )

    def normals(self) -> Floats:
        """Unit normals (n, 2) of the edges as fitted, towards the paper."""
        tilted = self.across - (self.slope_px / self.half_px)[:, None] * self.along
        return np.asarray(tilted / np.linalg.norm(tilted, axis=1, keepdims=True))


def read_edges(
    pixels: NDArray[Any],
    edges: PrintedEdges,
    view: ToPicture,
    *,
    spread_mm: float = 0.0,
    reach_px: float = BORDER_REACH_PX,
) -> EdgesSeen:
    """Read printed edges that `view` foretells to within a pixel or two.

    `spread_mm` is how far ink has spread outwards, `reach_px` how far to either side pixels are
    taken (less where more print is near).
    """
    inner = (1 - BORDER_SHARE) / 2
    shift = spread_mm * edges.outward
    way = edges.end_mm - edges.start_mm
    middles = edges.middles_mm() + shift
    ends = np.stack(
        [
            edges.start_mm + inner * way + shift,
            edges.end_mm - inner * way + shift,
            middles - edges.ink_mm[:, None] * edges.outward,
            middles + edges.paper_mm[:, None] * edges.outward,
        ]
    )
    first, last, behind, before = view.to_picture(ends)
    span = last - first
    length = np.maximum(np.linalg.norm(span, axis=1), 1e-9)
    along = span / length[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    origin = (first + last) / 2
    across *= np.where(np.sum((before - origin) * across, axis=1) < 0, -1.0, 1.0)[:, None]
    paper_px = np.abs(np.sum((before - origin) * across, axis=1))
    ink_px = np.abs(np.sum((behind - origin) * across, axis=1))
    half = length / 2
    # What lies beyond a marker's frame or a gap is modelled, but only a little way.
    reach_in = np.minimum(reach_px, 1.3 * ink_px)
    reach_out = np.minimum(reach_px, np.where(edges.ink_before > 0, 1.4, 1.0) * paper_px)
    near = np.minimum(reach_px, 0.8 * np.minimum(ink_px, paper_px))
    widest = np.maximum(reach_in, reach_out)
    rows, columns, inside = _crossing_pixels(pixels.shape, origin, along, across, half, widest)
    light = _light(pixels, rows, columns)
    away_x = (columns - origin[:, :1, None]).astype(np.float32)
    away_y = (rows - origin[:, 1:, None]).astype(np.float32)
    ways = np.concatenate([across, along / half[:, None]], axis=1).astype(np.float32)
    across_x, across_y, along_x, along_y = ways.T[:, :, None, None]
    distance = away_x * across_x + away_y * across_y
    place = away_x * along_x + away_y * along_y
    nearest, furthest = np.stack([-reach_in, reach_out]).astype(np.float32)[:, :, None, None]
    used = inside & (distance >= nearest) & (distance <= furthest)
    white_behind = _along_border(edges.white_behind, place)
    beside = _Beside(
        white_behind,
        ink_px,
        edges.ink_before,
        paper_px,
        np.where(white_behind.any(axis=1), ink_px + distance.min(axis=(1, 2)), np.inf),
        np.where(edges.ink_before > 0, paper_px - distance.max(axis=(1, 2)), np.inf),
    )
    fit = _fit_steps(light, distance, place, used, near, beside)
    enough = (half >= 2.0) & (near >= 1.2) & np.all(np.any(inside, axis=2), axis=1)
    lit = used & (distance - fit.offset[:, None, None] > fit.sigma[:, None, None])
    full = np.sum(lit & (light >= _FULL_SCALE), axis=(1, 2))
    return EdgesSeen(
        good=enough & fit.good,
        origin_px=origin,
        along=along,
        across=across,
        half_px=half,
        offset_px=fit.offset,
        slope_px=fit.slope,
        sigma_px=fit.sigma,
        dark=fit.dark,
        light=fit.light,
        overshoot=fit.overshoot,
        clipped=full / np.maximum(np.sum(lit, axis=(1, 2)), 1),
    )


def _along_border(eighths: Floats, place: Singles) -> Singles:
    """Values (n, q) given by eighths (n, 8) of each border, at places -1..1 of its read part.

    Straight from the middle of one eighth to the next: they only count where the blur is of
    about that size.
    """
    count, parts = eighths.shape
    at = (parts / 2 - 0.5) + (BORDER_SHARE * parts / 2) * place.reshape(count, -1)
    np.clip(at, 0, parts - 1.001, out=at)
    left = at.astype(np.intp)
    at -= left
    left += parts * np.arange(count)[:, None]
    low, rise = eighths.astype(np.float32), np.zeros((count, parts), np.float32)
    rise[:, :-1] = np.diff(low, axis=1)
    return np.asarray(low.take(left) + rise.take(left) * at, np.float32)


def _crossing_pixels(
    shape: tuple[int, ...],
    origin: Floats,
    along: Floats,
    across: Floats,
    half: Floats,
    reach: Floats,
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
    """Rows, columns (n, k, m) of pixels in whole lines across each edge, and which exist."""
    flat = np.abs(along[:, 0]) >= np.abs(along[:, 1])
    # The axis that runs with the edge, and the one that crosses it.
    runs = np.where(flat, 0, 1)
    index = np.arange(len(origin))
    o_run, o_cross = origin[index, runs], origin[index, 1 - runs]
    a_run, a_cross = along[index, runs], along[index, 1 - runs]
    steps = np.linspace(-1.0, 1.0, _CROSSINGS)
    run = np.rint(o_run[:, None] + steps * (half * np.abs(a_run))[:, None])
    middle = np.rint(o_cross[:, None] + (run - o_run[:, None]) * (a_cross / a_run)[:, None])
    lean = np.abs(across[index, 1 - runs])
    width = int(np.ceil(np.max(reach / lean, initial=1.0)))
    cross = middle[:, :, None] + np.arange(-width, width + 1)
    run = np.broadcast_to(run[:, :, None], cross.shape)
    columns = np.where(flat[:, None, None], run, cross).astype(np.intp)
    rows = np.where(flat[:, None, None], cross, run).astype(np.intp)
    inside = (rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1])
    return np.where(inside, rows, 0), np.where(inside, columns, 0), inside


def _light(pixels: NDArray[Any], rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Singles:
    """Linear luminance of pixels."""
    height, width = pixels.shape[:2]
    # One index for both axes: taken so, whole pixels come many times faster.
    shown = pixels.reshape(height * width, -1).take(rows * width + columns, axis=0)
    linear = decode_srgb(shown)
    return np.asarray(linear[..., 0] if pixels.ndim == 2 else linear @ LUMINANCE, np.float32)


@dataclass(frozen=True)
class _Beside:
    """What is printed next to each border: shares and px, (n,)."""

    white_behind: Singles
    """(n, q) by pixel."""
    ink_px: Floats
    ink_before: Floats
    paper_px: Floats
    behind_px: Floats
    """How far paper behind the ink lies beyond the pixels taken; infinite where there is none,"""
    before_px: Floats
    """and the ink before the paper."""


@dataclass(frozen=True)
class _Steps:
    good: NDArray[np.bool_]
    offset: Floats
    slope: Floats
    sigma: Floats
    dark: Floats
    light: Floats
    overshoot: Floats


def _fit_steps(
    light: Singles,
    distance: Singles,
    place: Singles,
    used: NDArray[np.bool_],
    reach: Floats,
    beside: _Beside,
) -> _Steps:
    """Blurred steps fitted to n edges at once; arrays (n, k, m), `reach` (n,) of the first look.

    Six parameters each: the ink's level, the paper's with its slope along the edge, the offset
    with its slope, and the logarithm of the blur.
    """
    count, lines, _ = light.shape
    flat = (count, -1)
    offset, dark, bright, lines_ok = _first_look(light, distance, used, reach)
    kept = used & lines_ok[:, :, None]
    z = np.zeros((count, 6))
    z[:, 0], z[:, 1], z[:, 3] = dark, bright, offset
    z[:, 5] = np.log(np.clip(reach / 5, 0.5, 1.2))
    # Single precision for the many pixels, double for the few parameters.
    d, t, y = (a.reshape(flat) for a in (distance, place, light))
    w = kept.reshape(flat).astype(np.float32)
    slopes = np.empty((count, 6, d.shape[1]), np.float32)
    diagonal = np.arange(6)
    least = np.log(_LEAST_SIGMA_PX)
    most = np.log(np.maximum(reach, 0.5))
    for turn in range(_TURNS):
        sigma = np.exp(z[:, 5:6], dtype=np.float64).astype(np.float32)
        low, high, lean, middle, skew = z[:, :5].T.astype(np.float32)[:, :, None]
        rise = lean * t
        rise += high - low
        u = np.asarray((d - middle - skew * t) / sigma, np.float32)
        step, bell, turned = _printed_step(u, sigma, beside)
        residual = y - low - rise * step
        # Weights are 0 or 1, so of the products below only one factor needs them.
        rise *= w
        step *= w
        np.subtract(w, step, out=slopes[:, 0])
        slopes[:, 1] = step
        np.multiply(step, t, out=slopes[:, 2])
        np.multiply(rise, bell / -sigma, out=slopes[:, 3])
        np.multiply(slopes[:, 3], t, out=slopes[:, 4])
        np.multiply(rise, -turned, out=slopes[:, 5])
        normal = (slopes @ slopes.transpose(0, 2, 1)).astype(np.float64)
        size = np.sqrt(np.maximum(normal[:, diagonal, diagonal], 1e-30))
        normal /= size[:, :, None] * size[:, None, :]
        # A whiff of damping keeps an edge too narrow to show its levels from running away.
        normal[:, diagonal, diagonal] += 1e-4
        right = (slopes @ residual[:, :, None])[:, :, 0] / size
        change = np.linalg.solve(normal, right[:, :, None])[:, :, 0] / size
        np.clip(change[:, 3:5], -1.0, 1.0, out=change[:, 3:5])
        np.clip(change[:, 5], -0.5, 0.5, out=change[:, 5])
        z += change
        np.clip(z[:, 5], least, most, out=z[:, 5])
        np.clip(z[:, 3:5], -reach[:, None], reach[:, None], out=z[:, 3:5])
        if turn == 1:
            kept &= _undisturbed_lines(residual.reshape(light.shape), kept)[:, :, None]
            w = kept.reshape(flat).astype(np.float32)
        elif turn > 1 and np.count_nonzero(np.abs(change[:, 3]) > _SETTLED_PX) <= count // 50:
            break
    contrast = z[:, 1] - z[:, 0]
    total = np.maximum(w.sum(axis=1), 1.0)
    scatter = np.sqrt(np.sum(w * residual**2, axis=1) / total)
    kept_lines = np.count_nonzero(kept.any(axis=2), axis=1)
    typical = median(contrast) if count else 0.0
    good = (
        (2 * kept_lines >= lines)
        & (contrast > 0.3 * typical)
        & (contrast > 0.02)
        & (scatter < 0.12 * contrast)
        & (np.abs(z[:, 3]) + np.abs(z[:, 4]) < 0.75 * reach)
    )
    safe = np.where(contrast > 1e-6, contrast, 1.0)
    near = w * ((u > 1.2) & (u < 3.2))
    overshoot = np.sum(near * residual, axis=1) / np.maximum(near.sum(axis=1), 1.0) / safe
    return _Steps(good, z[:, 3], z[:, 4], np.exp(z[:, 5]), z[:, 0], z[:, 1], overshoot)


def _printed_step(u: Singles, sigma: Singles, beside: _Beside) -> tuple[Singles, Singles, Singles]:
    """Share of paper (n, q) at distances u (in sigmas) from n borders, its slope by u, u * slope.

    The border's own step, and as far as they are in reach the paper behind the ink and the ink
    before the paper.
    """
    step, bell = step_and_bell(u)
    turned = u * bell
    four_sigma = 4 * sigma[:, 0]
    for share, depth, surplus, sign in (
        (beside.white_behind, beside.ink_px, beside.behind_px, 1.0),
        (beside.ink_before[:, None], beside.paper_px, beside.before_px, -1.0),
    ):
        # Beyond four sigmas nothing of it is left.
        near = np.nonzero(surplus < four_sigma)[0]
        if not len(near):
            continue
        v = u[near] + sign * depth[near, None].astype(np.float32) / sigma[near]
        own = share[near].astype(np.float32)
        further, edge = step_and_bell(np.float32(-sign) * v)
        step[near] += np.float32(sign) * own * further
        edge *= own
        bell[near] -= edge
        turned[near] -= v * edge
    return step, bell, turned


def _first_look(
    light: Singles, distance: Singles, used: NDArray[np.bool_], reach: Floats
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Offset (n,), ink and paper level (n,), and lines (n, k) that agree with their edge.

    Per line the edge is where the light that is there would fill the paper side up from its far
    end: an area, so blur does not move it.
    """
    well_in = (0.55 * reach).astype(np.float32)[:, None, None]
    outer = used & (distance > well_in)
    inner = used & (distance < -well_in)
    paper = _masked_median(light, outer)
    ink = _masked_median(light, inner)
    contrast = np.where(np.abs(paper - ink) > 1e-6, paper - ink, 1.0)[:, None]
    spacing = 2 * reach[:, None] / np.maximum(used.sum(axis=2), 1)
    level = paper.astype(np.float32)[:, None, None]
    filled = np.sum(used * (level - light), axis=2) / contrast
    crossing = filled * spacing - reach[:, None]
    middle = medians(crossing, axis=1)
    spread = 1.4826 * medians(np.abs(crossing - middle[:, None]), axis=1)
    agree = np.abs(crossing - middle[:, None]) <= np.maximum(4 * spread, 0.6)[:, None]
    offset = np.clip(middle, -0.6 * reach, 0.6 * reach)
    return offset, ink, paper, agree


def _masked_median(values: Singles, mask: NDArray[np.bool_]) -> Floats:
    """Median (n,) of the values (n, k, m) that `mask` marks; 0 where it marks none."""
    flat = np.where(mask, values, np.float32(np.inf)).reshape(len(values), -1)
    count = np.sum(mask, axis=(1, 2))
    ordered = np.sort(flat, axis=1)
    picked = ordered[np.arange(len(values)), np.maximum(count - 1, 0) // 2]
    return np.where((count > 0) & np.isfinite(picked), picked, 0.0).astype(np.float64)


def _undisturbed_lines(residual: Singles, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Lines (n, k) whose scatter is like the others': no hair, no thumb."""
    number = np.maximum(np.count_nonzero(used, axis=2), 1)
    scatter = np.sqrt(np.sum(used * residual**2, axis=2) / number)
    usual = medians(scatter, axis=1)[:, None]
    return np.asarray(scatter <= 3.0 * usual + 1e-9)
