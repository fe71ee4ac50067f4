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
from scipy import fft

from measure.ply_signs import PlySigns
from measure.straightened import Straightened

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex64]

_STEEPNESS_DEG: Final = np.arange(5.0, 67.0)
_ANGLES_DEG: Final = np.concatenate([-_STEEPNESS_DEG[::-1], _STEEPNESS_DEG])
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
    """The surface angle, or None where rows or pieces are too few."""
    xi = signs.face_xi
    half, step = strand.half_width_mm, strand.step_mm
    pitch = 2.0 * half / strand.px_across
    apart = np.abs(xi[:, None] - xi[None])
    pairs = np.triu((apart * half / pitch >= _APART_PX) & (apart <= _APART))
    if not pairs.any():
        return None
    first, second = np.nonzero(pairs)
    turn = np.arcsin(xi)
    shift = (turn[first] - turn[second]) * half / np.tan(np.radians(_STEEPNESS_DEG))[:, None]
    length = int(max(_SEGMENT * 2.0 * half, _SEGMENT_MM) / step)
    frequency = np.fft.rfftfreq(length, step)
    kept = (frequency > _COARSEST / (2.0 * half)) & (frequency < _FINEST_PX / pitch)
    waves = _pieces(signs, length)[:, kept]
    if len(waves) < _FEWEST_SEGMENTS:
        return None
    power = np.sum(np.abs(waves) ** 2, axis=(1, 2)) * len(first) / len(xi)
    cross = waves.take(first, axis=2) * np.conj(waves.take(second, axis=2))
    turned = (2.0 * np.pi * frequency[kept]).astype(np.float32)[:, None]
    angle = (turned * shift[:, None].astype(np.float32)).reshape(len(shift), -1)
    # Fibres of the other hand shift the other way, which the sines alone show.
    alike = cross.real.reshape(len(waves), -1) @ np.cos(angle).T
    apart = cross.imag.reshape(len(waves), -1) @ np.sin(angle).T
    together = np.concatenate([(alike + apart)[:, ::-1], alike - apart], axis=1)
    return _best(together / power[:, None])


def _pieces(signs: PlySigns, length: int) -> Complexes:
    """Fourier coefficients (m, f, R) of the rows in m pieces of so many columns, whitened along."""
    count = len(signs.face) // length
    channels = signs.face.shape[2]
    mix = np.full(channels, 1.0 / channels, np.float32)
    # Single precision: cross-spectra are told from hundreds of them.
    texture = (signs.face[: count * length] @ mix).reshape(count, length, -1)
    weight = signs.face_weight[: count * length].reshape(count, length)
    seen = weight.mean(axis=1) >= _SEEN
    window = (np.hanning(length) * weight[seen]).astype(np.float32)[..., None]
    piece = texture[seen]
    mean = (piece * window).sum(axis=1, keepdims=True) / window.sum(axis=1, keepdims=True)
    waves = fft.rfft((piece - mean) * window, axis=1)
    level = np.sqrt(np.maximum(np.mean(np.abs(waves) ** 2, axis=2, keepdims=True), 1e-20))
    return np.asarray(waves / np.sqrt(level))


def _best(curves: NDArray[np.floating[Any]]) -> FibreSlope | None:
    total = curves.mean(axis=0)
    angle = _peak(total)
    if abs(angle) > _STEEPEST_DEG:
        return None
    count = len(curves)
    left_out = np.array([_peak(c) for c in (curves.sum(axis=0) - curves) / (count - 1)])
    u = float(np.sqrt((count - 1) / count * np.sum((left_out - left_out.mean()) ** 2)))
    other = np.sign(_ANGLES_DEG) != np.sign(angle)
    return FibreSlope(angle, u, float(total.max()), float(total[other].max()))


def _peak(curve: NDArray[np.floating[Any]]) -> float:
    """Angle of the highest point, between the steps by a parabola."""
    k = int(np.argmax(curve))
    angle = float(_ANGLES_DEG[k])
    edges = (0, len(curve) // 2 - 1, len(curve) // 2, len(curve) - 1)
    if k in edges:
        return angle
    before, at, after = curve[k - 1 : k + 2]
    bend = before - 2.0 * at + after
    return angle + (0.5 * float((before - after) / bend) if bend < 0 else 0.0)
