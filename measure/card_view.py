"""How a picture sees the card: the borders read in it and the map that fits them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from measure.card import Card, Marker
from measure.edge_reading import BORDER_REACH_PX, EdgesSeen, read_edges
from measure.lens import Lens
from measure.marker_search import MarkersSeen, find_markers, follow_markers
from measure.medians import median
from measure.picture import Picture
from measure.plane_fit import (
    CENTRE_SD_CROPPED,
    EDGE_NOISE_FLOOR_PX,
    Fit,
    Sightings,
    affine_prior,
    camera_prior,
    corner_sightings,
    edge_sightings,
    fit_plane,
    start_affine,
    start_pinhole,
)
from measure.plane_map import Affine, Floats, Pinhole
from measure.printed_edges import PrintedEdges, printed_edges
from measure.yarn import MM_PER_INCH

SCAN_DPI: Final = (100.0, 4800.0)
"""What flat-bed scanners state; 72 and 96 are written by software."""

SCAN_AGREEMENT: Final = 0.08
"""How far a scan's dpi tag may be from the card's own scale."""

_FEWEST_BORDERS: Final = 6
"""Marker borders without which the corners of the coarse search must do."""

_GOOD_NOISE_PX: Final = 0.1


@dataclass(frozen=True)
class CardView:
    """The card as one picture shows it, in true mm."""

    card: Card
    markers: tuple[Marker, ...]
    edges: PrintedEdges
    """What is printed straight, the markers' borders first and the dark bands' last, and"""
    read: EdgesSeen
    """how it was read in the picture."""
    plane: Pinhole | Affine
    residual_px: float
    """Root mean square of the borders about the map."""
    blur_px: float | None
    """Median spread of the borders; None where too few could be read."""
    places_mm: Floats
    """(m, 2) middles of the markers read."""
    shifts_mm: Floats
    """(m, 2) how far they lie off the map."""
    picture_middle_px: Floats


def view_card(
    picture: Picture,
    factors: Floats,
    before: CardView | None = None,
    lens: Lens | None = None,
) -> CardView:
    """Find the card, read its borders and fit the view; `factors` (2,) are the printer's.

    `before` is the card in the picture before, with the same factors: where it has hardly moved
    it is not searched for. `lens` is the camera's; one of another picture shape is not used.

    Raises MeasureError: `no_card`, `mirrored`, `too_few_markers`.
    """
    seen = _near(picture, factors, before) if before else None
    if seen is None:
        before, seen = None, find_markers(picture)
    own = [seen.card.place_of[m.number] for m in seen.markers]
    corners_mm = seen.card.corners_mm[own] * factors
    edges = printed_edges(seen.card, seen.markers, factors)
    corners = corner_sightings(corners_mm, seen.corners_px)
    shape = picture.pixels.shape[:2]
    lens = lens.sized(shape[1], shape[0]) if lens is not None else None
    prior = camera_prior(shape, picture.focal_px, lens=lens)
    k2 = lens.k2 if lens is not None else 0.0
    if before is not None and isinstance(before.plane, Pinhole):
        start = replace(before.plane, ink_spread_mm=0.0, k2=k2)
    else:
        start = start_pinhole(corners_mm.reshape(-1, 2), seen.corners_px.reshape(-1, 2), prior, k2)
    rough = fit_plane(start, corners, prior, rounds=1).plane
    read = _read_borders(picture, edges, rough)
    borders = slice(0, 4 * len(seen.markers))
    own_edges, own_read = edges.taken(borders), read.taken(borders)
    blur_px: float | None = None
    fit: Fit[Pinhole] | Fit[Affine]
    if np.count_nonzero(own_read.good) >= _FEWEST_BORDERS:
        sightings = edge_sightings(own_edges, own_read, rough)
        blur_px = median(own_read.sigma_px[own_read.good])
        fit = _fit_camera(picture, rough, sightings, _edge_floor_px(own_read, blur_px), lens)
    else:
        sightings = corners
        fit = fit_plane(rough, corners, prior)
    scan = _fit_scan(picture, corners_mm, seen, sightings, fit.noise_px)
    if scan is not None:
        fit = scan
    places, shifts = _marker_shifts(fit, sightings, corners_mm)
    return CardView(
        card=seen.card,
        markers=seen.markers,
        edges=edges,
        read=read,
        plane=fit.plane,
        residual_px=float(np.sqrt(np.mean(fit.residuals_px[fit.trusted] ** 2))),
        blur_px=blur_px,
        places_mm=places,
        shifts_mm=shifts,
        picture_middle_px=(np.array([shape[1], shape[0]]) - 1) / 2,
    )


def _near(picture: Picture, factors: Floats, before: CardView) -> MarkersSeen | None:
    """The markers near where they were, or None where the picture must be searched for them."""
    height, width = picture.pixels.shape[:2]
    if not np.array_equal((np.array([width, height]) - 1) / 2, before.picture_middle_px):
        return None
    corners_mm = before.card.corners_mm * factors
    seen = follow_markers(picture, before.card, before.plane.to_picture(corners_mm))
    if seen is None or 2 * len(seen.markers) < len(before.markers):
        return None
    return seen


def _read_borders(picture: Picture, edges: PrintedEdges, rough: Pinhole) -> EdgesSeen:
    """The printed edges, read again from further out where the picture is very soft."""
    spread_mm = rough.ink_spread_mm
    read = read_edges(picture.pixels, edges, rough, spread_mm=spread_mm)
    if not read.good.any():
        return read_edges(picture.pixels, edges, rough, spread_mm=spread_mm, reach_px=20.0)
    sigma_px = median(read.sigma_px[read.good])
    if 3.0 * sigma_px <= BORDER_REACH_PX:
        return read
    return read_edges(picture.pixels, edges, rough, spread_mm=spread_mm, reach_px=4.5 * sigma_px)


def _edge_floor_px(read: EdgesSeen, blur_px: float) -> float:
    """How far an edge is trusted: less in a soft picture and in one sharpened by its camera."""
    sharpened = max(median(read.overshoot[read.good]), 0.0)
    return EDGE_NOISE_FLOOR_PX * max(1.0, blur_px) + 0.5 * sharpened


def _fit_camera(
    picture: Picture,
    rough: Pinhole,
    sightings: Sightings,
    floor_px: float,
    lens: Lens | None,
) -> Fit[Pinhole]:
    """The pinhole view, with the lens axis free where it cannot be near the picture's middle."""
    shape = picture.pixels.shape[:2]
    start = replace(rough, ink_spread_mm=0.0)
    usual = camera_prior(shape, picture.focal_px, lens=lens)
    fit = fit_plane(start, sightings, usual, floor_px, floor_px)
    off_axis = (fit.plane.centre_px - usual.mean[8:10]) * np.sqrt(usual.weight[8:10])
    well = fit.noise_px <= max(_GOOD_NOISE_PX, floor_px) and np.max(np.abs(off_axis)) < 3.0
    if well or lens is not None:
        return fit
    # A cropped picture keeps its perspective but not its middle.
    cropped = camera_prior(shape, picture.focal_px, CENTRE_SD_CROPPED)
    other = fit_plane(start, sightings, cropped, floor_px, floor_px)
    return other if other.noise_px <= fit.noise_px else fit


def _fit_scan(
    picture: Picture,
    corners_mm: Floats,
    seen: MarkersSeen,
    sightings: Sightings,
    camera_noise_px: float,
) -> Fit[Affine] | None:
    """The affine map of a flat-bed scan, if this is one: its dpi tag agrees with the card."""
    if picture.dpi is None or picture.camera_made or picture.focal_px is not None:
        return None
    if not all(SCAN_DPI[0] <= dpi <= SCAN_DPI[1] for dpi in picture.dpi):
        return None
    start = start_affine(corners_mm.reshape(-1, 2), seen.corners_px.reshape(-1, 2))
    px_per_mm = np.linalg.norm(start.matrix, axis=1)
    if np.any(np.abs(px_per_mm / (np.array(picture.dpi) / MM_PER_INCH) - 1) > SCAN_AGREEMENT):
        return None
    fit = fit_plane(start, sightings, affine_prior(), noise_px=0.1)
    # A photograph that happens to state a fitting dpi still has its perspective.
    return fit if fit.noise_px <= 1.5 * camera_noise_px + _GOOD_NOISE_PX else None


def _marker_shifts(
    fit: Fit[Pinhole] | Fit[Affine], sightings: Sightings, corners_mm: Floats
) -> tuple[Floats, Floats]:
    """Middles (m, 2) of the markers and how far they lie off the map there (m, 2), mm."""
    middles = corners_mm.mean(axis=1)
    count = len(middles)
    owner, (x, y) = sightings.marker[fit.trusted], sightings.normals[fit.trusted].T
    residual = fit.residuals_px[fit.trusted]

    def totals(values: Floats) -> Floats:
        return np.bincount(owner, values, count).astype(np.float64)

    normal = np.stack([totals(x * x), totals(x * y), totals(x * y), totals(y * y)], axis=1)
    normal = normal.reshape(count, 2, 2)
    pull = np.stack([totals(x * residual), totals(y * residual)], axis=1)
    shown = np.linalg.det(normal) > 0.5
    shift_px = np.linalg.solve(normal[shown], pull[shown][:, :, None])
    shift_mm = np.linalg.solve(fit.plane.jacobian(middles[shown]), shift_px)
    return middles[shown], np.asarray(shift_mm[:, :, 0], np.float64)
