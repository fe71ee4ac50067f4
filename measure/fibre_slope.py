"""Slope of a single's surface fibres, from how its texture shifts from row to row.

A fibre on the surface of a cylinder of radius a, at angle alpha to its axis, moves on along the
strand by a / tan(alpha) for every radian round it; a row at u across sees the cylinder at
asin(u / a). So rows are shifted against one another for every alpha in turn, and the texture
comes together at the right one (a slant stack, in cross-spectra of pairs of rows, whitened).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.clipped import clipped
from measure.ply_signs import PlySigns
from measure.straightened import Straightened

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_STEEPNESS_DEG: Final = np.arange(5.0, 67.0)
_ANGLES_DEG: Final = np.concatenate([-_STEEPNESS_DEG[::-1], _STEEPNESS_DEG])
_INNER: Final = ~np.isin(np.abs(_ANGLES_DEG), _STEEPNESS_DEG[[0, -1]])
"""Which of them have another of their hand to either side."""
_STEEPEST_DEG: Final = 60.0
_SEGMENT: Final = 6.0
"""Length of a piece of strand looked at by itself, in strand widths, "..."""
_SEGMENT_MM: Final = 8.0
"""... and in mm, whichever is longer."""
_FEWEST_SEGMENTS: Final = 4
_SEEN: Final = 0.6
"""Least share of a piece that must have been seen."""
_APART_PX: Final = 1.8
"""Rows nearer than this share their pixels' noise."""
_APART: Final = 0.8
"""Rows farther apart than this, half widths, have few fibres in common."""
_COARSEST: Final = 0.25
"""Lowest frequency looked at, periods per strand width: below, unevenness is all there is."""
_FINEST_PX: Final = 0.35
_HARDLY: Final = 0.1
"""Share of the texture's power that comes together in the pairs of rows that mirror one another
below which that of all pairs is not looked at: it is at most 1.2 times as much (ours)."""


@dataclass(frozen=True)
class FibreSlope:
    """Surface angle of a single."""

    angle_deg: float
    """Signed: positive where the texture runs towards +u along the strand, which is Z."""
    u_deg: float
    """Standard uncertainty by leaving out one piece of the strand at a time (jackknife)."""
    coherence: float
    """Share of the texture's power that comes together."""
    against: float
    """The same at the best angle of the other hand."""


def fibre_slope(strand: Straightened, signs: PlySigns) -> FibreSlope | None:
    """The surface angle; None where rows or pieces are too few, or hardly any comes together."""
    xi = signs.face_xi
    half, step = strand.half_width_mm, strand.step_mm
    pitch = 2.0 * half / strand.px_across
    apart = xi - xi[:, None]
    first, second = np.nonzero((apart * half / pitch >= _APART_PX) & (apart <= _APART))
    if not len(first):
        return None
    # A pair shifts as does the one that mirrors it across the strand: those of one side are enough,
    # those that mirror themselves last.
    across = first + second - (len(xi) - 1)
    order = np.argsort(across, kind="stable")[: np.count_nonzero(across <= 0)]
    first, second = first[order], second[order]
    length = int(max(_SEGMENT * 2.0 * half, _SEGMENT_MM) / step)
    period = np.fft.rfftfreq(length)
    kept = (period > _COARSEST / (2.0 * half) * step) & (period < _FINEST_PX / pitch * step)
    periods = np.flatnonzero(kept)
    pieces = _pieces(signs, length, periods)
    if len(pieces[0]) < _FEWEST_SEGMENTS:
        return None
    turned = np.asarray(2.0 * np.pi / (length * step) * half * periods, np.float32)
    # Those that mirror themselves, few, tell whether there is anything to be found by all.
    mirrored = int(np.count_nonzero(across < 0))
    if mirrored < len(first):
        few = _together(pieces, first[mirrored:], second[mirrored:], 0, xi, turned)
        if few.mean(axis=0).max() < _HARDLY:
            return None
    return _best(_together(pieces, first, second, mirrored, xi, turned))


def _together(
    pieces: tuple[Singles, Singles],
    first: NDArray[np.int_],
    second: NDArray[np.int_],
    mirrored: int,
    xi: Floats,
    turned: Singles,
) -> Singles:
    """How well each piece's texture comes together at every angle, (m, angles), over its power.

    Of pairs of rows the first so many stand for those that mirror them too; `turned` (f,) is how
    far each period turns in half a width.
    """
    real, imag = pieces
    pairs = mirrored + len(first)
    power = (real**2 + imag**2).sum(axis=(1, 2)) * np.float32(pairs / len(xi))
    cross_real, cross_imag = _cross(real, imag, first, second)
    if mirrored:
        mirror = len(xi) - 1 - second[:mirrored], len(xi) - 1 - first[:mirrored]
        other_real, other_imag = _cross(real, imag, *mirror)
        cross_real[:, :mirrored] += other_real
        cross_imag[:, :mirrored] += other_imag
    turn = np.arcsin(xi)
    shift = (turn[first] - turn[second]) / np.tan(np.radians(_STEEPNESS_DEG))[:, None]
    angle = (shift.astype(np.float32)[..., None] * turned).reshape(len(shift), -1)
    # Fibres of the other hand shift the other way, which the sines alone show.
    either = cross_real.reshape(len(real), -1) @ np.cos(angle).T
    hand = cross_imag.reshape(len(real), -1) @ np.sin(angle, out=angle).T
    together = np.concatenate([(either + hand)[:, ::-1], either - hand], axis=1)
    return np.asarray(together / power[:, None])


def _cross(
    real: Singles, imag: Singles, first: NDArray[np.int_], second: NDArray[np.int_]
) -> tuple[Singles, Singles]:
    """Some rows' coefficients (m, R, f) times others' conjugates, (m, pairs, f)."""
    a, b, c, d = (x.take(i, axis=1) for i in (first, second) for x in (real, imag))
    return a * c + b * d, b * c - a * d


def _pieces(signs: PlySigns, length: int, periods: NDArray[np.int_]) -> tuple[Singles, Singles]:
    """Fourier coefficients of so many periods, their real and imaginary parts (m, R, f), of the
    rows in m pieces of so many columns, whitened along."""
    count = len(signs.face) // length
    channels = signs.face.shape[2]
    mix = np.full(channels, 1.0 / channels, np.float32)
    weight = signs.face_weight[: count * length].reshape(count, length)
    seen = weight.mean(axis=1) >= _SEEN
    window = (np.hanning(length) * weight[seen]).astype(np.float32)[:, None]
    # Single precision: cross-spectra are told from hundreds of them.
    texture = signs.face[: count * length].reshape(-1, channels) @ mix
    texture = texture.reshape(count, length, -1)[seen].transpose(0, 2, 1)
    piece = np.ascontiguousarray(texture)
    piece -= (piece @ window.transpose(0, 2, 1)) / window.sum(axis=2, keepdims=True)
    piece *= window
    # Any length is as quick so, which with a fast transform it is not.
    circle = 2.0 * np.pi / length * np.arange(length)
    place = np.outer(np.arange(length), periods) % length
    rows = piece.reshape(-1, length)
    real = (rows @ np.cos(circle).astype(np.float32).take(place)).reshape(*piece.shape[:2], -1)
    imag = (rows @ np.sin(-circle).astype(np.float32).take(place)).reshape(*piece.shape[:2], -1)
    power = (real**2 + imag**2).mean(axis=1, keepdims=True)
    white = 1.0 / np.sqrt(np.sqrt(np.maximum(power, np.float32(1e-20))))
    return real * white, imag * white


def _best(curves: NDArray[np.floating[Any]]) -> FibreSlope | None:
    """From how well each piece's texture comes together at every angle, (m, angles)."""
    total = curves.mean(axis=0)
    angle = float(_peaks(total[None])[0])
    if abs(angle) > _STEEPEST_DEG:
        return None
    count = len(curves)
    left_out = _peaks((curves.sum(axis=0) - curves) / (count - 1))
    u = float(np.sqrt((count - 1) / count * np.sum((left_out - left_out.mean()) ** 2)))
    other = np.sign(_ANGLES_DEG) != np.sign(angle)
    return FibreSlope(angle, u, float(total.max()), float(total[other].max()))


def _peaks(curves: NDArray[np.floating[Any]]) -> Floats:
    """Angle of each curve's highest point, between the steps by a parabola."""
    every, highest = np.arange(len(curves)), curves.argmax(axis=1)
    k = clipped(highest, 1, curves.shape[1] - 2)
    before, at, after = (curves[every, k + step].astype(float) for step in (-1, 0, 1))
    bend = before - 2.0 * at + after
    curved = _INNER[highest] & (bend < 0)
    off = 0.5 * (before - after) / np.where(curved, bend, 1.0)
    return np.asarray(_ANGLES_DEG[highest] + np.where(curved, off, 0.0))
