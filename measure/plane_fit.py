"""The map between card and picture that fits what was seen of the printed edges."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Generic, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.edge_reading import EdgesSeen
from measure.lens import Lens
from measure.medians import median
from measure.plane_map import Affine, Floats, Pinhole
from measure.printed_edges import PrintedEdges

M = TypeVar("M", Pinhole, Affine)
Mask = NDArray[np.bool_]

EDGE_NOISE_FLOOR_PX: Final = 0.03
"""No edge is trusted further than this, however well the fit agrees (printing is not exact)."""

INK_SPREAD_SD_MM: Final = 0.05
"""How far printed edges may grow outwards: our assumption for ink on paper."""

K1_SD: Final = 0.08
FOCAL_SD_KNOWN: Final = 0.03
FOCAL_UNKNOWN: Final = (2.0, 0.6)
"""Focal length over picture diagonal when EXIF is silent, and its log standard deviation.

A phone's main camera or a webcam has 0.55 to 0.65 (26 mm on a 43.3 mm diagonal), zoomed or
cropped ones 1 to 2.5: both lie within two standard deviations. Our assumption.
"""
CENTRE_SD: Final = 0.02
CENTRE_SD_CROPPED: Final = 0.2
"""Doubt of the lens axis, as a share of the picture diagonal; large if it was cropped."""


@dataclass(frozen=True)
class Sightings:
    """Places of the printed pattern seen in the picture, each along one direction only."""

    points_mm: Floats
    """(n, 2) where they are printed."""
    outward: Floats
    """(n, 2) which way ink spread moves them on the card."""
    seen_px: Floats
    """(n, 2)"""
    normals: Floats
    """(n, 2) unit directions in the picture along which `seen_px` is meant."""
    marker: NDArray[np.intp]
    """(n,) which of the markers it is part of."""


@dataclass(frozen=True)
class Fit(Generic[M]):
    """A fitted map and how well it fits."""

    plane: M
    residuals_px: Floats
    """(n,) seen less fitted, along each sighting's normal."""
    trusted: Mask
    """(n,) False where a sighting was taken for an outlier."""
    noise_px: float
    """Standard deviation of one sighting that the covariance rests on."""


def corner_sightings(corners_mm: Floats, corners_px: Floats) -> Sightings:
    """Marker corners (n, 4, 2) as sightings in both picture directions."""
    away = np.broadcast_to(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float), corners_mm.shape)
    flat_mm, flat_px, flat_away = (a.reshape(-1, 2) for a in (corners_mm, corners_px, away))
    count = len(flat_mm)
    normals = np.repeat(np.eye(2), count, axis=0)
    marker = np.tile(np.arange(count) // 4, 2)
    points, outward, seen = (np.concatenate([a, a]) for a in (flat_mm, flat_away, flat_px))
    return Sightings(points, outward, seen, normals, marker)


def edge_sightings(edges: PrintedEdges, read: EdgesSeen, rough: Pinhole | Affine) -> Sightings:
    """Two sightings per marker border that was read well, each along the border's normal.

    At 1/sqrt(3) of the half length a straight line fitted to an edge bowed by the lens lies
    exactly on it (the nodes of two-point Gauss quadrature), so the bow does no harm.
    """
    node = 1 / np.sqrt(3)
    good = np.nonzero(read.good)[0]
    twice = np.concatenate([good, good])
    seen_px = np.concatenate([read.points_px(share)[good] for share in (-node, node)])
    start = edges.start_mm[twice]
    way = edges.end_mm[twice] - start
    foot = np.sum((rough.to_card(seen_px) - start) * way, axis=1) / np.sum(way**2, axis=1)
    return Sightings(
        start + foot[:, None] * way,
        edges.outward[twice],
        seen_px,
        read.normals()[twice],
        twice // 4,
    )


@dataclass(frozen=True)
class Prior:
    """What is known of a map's parameters before looking: mean and weight (1 / sd^2), (p,)."""

    mean: Floats
    weight: Floats


def camera_prior(
    shape: tuple[int, ...],
    focal_px: float | None,
    centre_sd: float = CENTRE_SD,
    lens: Lens | None = None,
) -> Prior:
    """The prior of a pinhole view in a picture of (rows, columns), by a lens of that size."""
    rows, columns = shape
    diagonal = float(np.hypot(rows, columns))
    ratio, focal_sd = FOCAL_UNKNOWN
    mean, weight = np.zeros(11), np.zeros(11)
    mean[6] = np.log(focal_px if focal_px else ratio * diagonal)
    weight[6] = (FOCAL_SD_KNOWN if focal_px else focal_sd) ** -2
    weight[7] = K1_SD**-2
    mean[8:10] = (columns - 1) / 2, (rows - 1) / 2
    weight[8:10] = (centre_sd * diagonal) ** -2
    weight[10] = INK_SPREAD_SD_MM**-2
    if lens is not None:
        mean[6:10] = np.log(lens.focal_px), lens.k1, *lens.centre_px
        weight[6:8] = lens.u_log_focal**-2, lens.u_k1**-2
        weight[8:10] = lens.u_centre_px**-2
    return Prior(mean, weight)


def start_pinhole(corners_mm: Floats, corners_px: Floats, prior: Prior, k2: float = 0.0) -> Pinhole:
    """A pinhole view near enough to start from, of points (n, 2) and (n, 2)."""
    homography = np.asarray(cv2.findHomography(corners_mm, corners_px, 0)[0], np.float64)
    focal, centre = float(np.exp(prior.mean[6])), prior.mean[8:10]
    rays = homography.copy()
    rays[:2] -= np.outer(centre, homography[2])
    rays[:2] /= focal
    rays /= (np.linalg.norm(rays[:, 0]) + np.linalg.norm(rays[:, 1])) / 2
    pivot = corners_mm.mean(axis=0)
    place = rays @ np.append(pivot, 1.0)
    if place[2] < 0:
        rays, place = -rays, -place
    first, second = rays[:, 0], rays[:, 1]
    u, _, vt = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    turn = np.asarray(u @ vt, np.float64)
    nothing = np.zeros((11, 11))
    focal, k1 = float(prior.mean[6]), float(prior.mean[7])
    return Pinhole(pivot, turn, place, focal, k1, centre.copy(), 0.0, nothing, k2)


def start_affine(corners_mm: Floats, corners_px: Floats) -> Affine:
    """The least-squares affine map of points (n, 2) to (n, 2)."""
    design = np.column_stack([corners_mm, np.ones(len(corners_mm))])
    solution = np.asarray(np.linalg.lstsq(design, corners_px, rcond=None)[0], np.float64)
    return Affine(solution[:2].T.copy(), solution[2].copy(), 0.0, np.zeros((7, 7)))


def affine_prior() -> Prior:
    """The prior of an affine map: only the ink is known before looking."""
    weight = np.zeros(7)
    weight[6] = INK_SPREAD_SD_MM**-2
    return Prior(np.zeros(7), weight)


def fit_plane(
    start: M,
    seen: Sightings,
    prior: Prior,
    noise_px: float = 1.0,
    floor_px: float = EDGE_NOISE_FLOOR_PX,
    rounds: int = 4,
) -> Fit[M]:
    """Fit a map to sightings by damped, robust Gauss-Newton steps.

    `noise_px` is the first guess of a sighting's standard deviation; it is replaced by the
    reduced chi-square's, but never below `floor_px`. After every round of steps that is done
    anew, and what lies far off left out, at most `rounds` times.
    """
    plane = start
    count = len(seen.points_mm)
    trusted = np.ones(count, bool)
    residuals = np.zeros(count)
    information = np.diag(prior.weight)
    for _ in range(rounds):
        plane, residuals, information = _descend(plane, seen, prior, noise_px, trusted)
        data_information = information - np.diag(prior.weight)
        spent = float(np.linalg.solve(information, data_information).trace())
        free = max(float(trusted.sum()) - spent, 1.0)
        previous = noise_px
        noise_px = max(floor_px, float(np.sqrt(np.sum(residuals[trusted] ** 2) / free)))
        spread = max(1.4826 * median(np.abs(residuals)), floor_px)
        again = np.abs(residuals) <= 5.0 * spread
        settled = bool(np.all(again == trusted)) and abs(noise_px / previous - 1) < 0.1
        if again.sum() > 0.5 * count:
            trusted = again
        if settled:
            break
    # The information scales with the noise it was built with; restate it with the final one.
    data_information = (information - np.diag(prior.weight)) * (previous / noise_px) ** 2
    covariance = np.linalg.inv(data_information + np.diag(prior.weight))
    fitted = replace(plane, covariance=(covariance + covariance.T) / 2)
    return Fit(fitted, residuals, trusted, noise_px)


def _descend(
    plane: M,
    seen: Sightings,
    prior: Prior,
    noise_px: float,
    trusted: Mask,
) -> tuple[M, Floats, Floats]:
    """The best map for a fixed noise and set of trusted sightings, residuals, information."""
    damping = 0.0
    residuals = _residuals(plane, seen)
    cost = _cost(plane, residuals, prior, noise_px, trusted)
    known = information = np.diag(prior.weight)
    unit = np.eye(len(known))
    for _step in range(40):
        printed = seen.points_mm + plane.ink_spread_mm * seen.outward
        slopes = plane.slopes_along(printed, seen.outward, seen.normals)
        rows = slopes[trusted] / noise_px
        information = rows.T @ rows + known
        pull = rows.T @ residuals[trusted] / noise_px - prior.weight * _departure(plane, prior)
        sizes = np.sqrt(information.diagonal())
        scaled = information / (sizes[:, None] * sizes)
        accepted = False
        for _try in range(8):
            step = np.linalg.solve(scaled + damping * unit, pull / sizes) / sizes
            candidate = plane.stepped(step)
            new_residuals = _residuals(candidate, seen)
            new_cost = _cost(candidate, new_residuals, prior, noise_px, trusted)
            if np.isfinite(new_cost) and new_cost <= cost * (1 + 1e-12):
                accepted = True
                break
            damping = max(10 * damping, 1e-3)
        if not accepted:
            break
        gain = cost - new_cost
        plane, residuals, cost = candidate, new_residuals, new_cost
        damping = damping / 10 if damping > 1e-6 else 0.0
        # A gain this small in chi-square moves no parameter by a tenth of its uncertainty.
        if gain <= 1e-2 + 1e-5 * cost:
            break
    return plane, residuals, information


def _residuals(plane: Pinhole | Affine, seen: Sightings) -> Floats:
    fitted = plane.to_picture(seen.points_mm + plane.ink_spread_mm * seen.outward)
    return np.asarray(np.sum((seen.seen_px - fitted) * seen.normals, axis=1))


def _departure(plane: Pinhole | Affine, prior: Prior) -> Floats:
    """Parameters less the prior's mean (p,), zero where the prior knows nothing."""
    out = np.zeros(len(prior.mean))
    if isinstance(plane, Pinhole):
        out[6] = plane.log_focal - prior.mean[6]
        out[7] = plane.k1 - prior.mean[7]
        out[8:10] = plane.centre_px - prior.mean[8:10]
        out[10] = plane.ink_spread_mm - prior.mean[10]
    else:
        out[6] = plane.ink_spread_mm - prior.mean[6]
    return out


def _cost(
    plane: Pinhole | Affine,
    residuals: Floats,
    prior: Prior,
    noise_px: float,
    trusted: Mask,
) -> float:
    shown = residuals[trusted] / noise_px
    return float(shown @ shown + prior.weight @ _departure(plane, prior) ** 2)
