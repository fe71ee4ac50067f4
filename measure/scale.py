"""Where the millimetres come from: the card in the picture, a scanner's dpi tag, or two marks.

Millimetres are true ones everywhere: the nominal card coordinates of `measure.card` times the
printer's factors. Lengths along the card carry their relative doubt per place, and the camera's
centre is given in the same coordinates for whoever must know how a strand was looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
from measure.card import Card
from measure.errors import MeasureError
from measure.marker_search import MarkersSeen, find_markers
from measure.picture import Picture
from measure.plane_fit import (
    Fit,
    camera_prior,
    corner_sightings,
    edge_sightings,
    fit_plane,
    start_pinhole,
)
from measure.plane_map import FAR_MM, Affine, Floats, Pinhole
from measure.printed_edges import marker_edges, read_edges

MM_PER_INCH: Final = 25.4

MOST_TILT_DEG: Final = 38.0
"""Beyond it a strand is looked at too much from the side; 35 degrees must still read."""

U_DPI: Final = 0.01
"""Relative doubt of a scanner's dpi tag that nobody checked: our assumption."""

U_UNSEEN_TILT: Final = 0.01
"""Relative doubt of two marks set by hand, since nothing shows how square the view was."""


U_LEAN_SCAN: Final = 0.03
"""Lean of a scanner's line of sight, rad: our assumption."""

U_LEAN_UNKNOWN: Final = 0.15
"""Lean of the line of sight where nothing shows it (two marks in a picture), rad."""

_NUDGE: Final = 1e-4
"""Share of a standard deviation stepped to get a slope: propagation stays linear."""


@dataclass(frozen=True)
class Printer:
    """True size over nominal size of the printed card along x and y, and their doubt.

    An unchecked printer is taken to be right within 0.2 % (standard uncertainty, our assumption).
    """

    x: float = 1.0
    y: float = 1.0
    u_relative: float = 0.002


@dataclass(frozen=True)
class Scale:
    """The way from picture to true millimetres and back, and how sure it is at each place."""

    source: Literal["card", "dpi", "marks"]
    verified: bool
    """False for a dpi tag, which nobody checked."""
    card: Card | None
    """The card seen; its nominal coordinates times the printer's factors are the mm here."""
    printer: Printer
    plane: Pinhole | Affine
    u_common: float
    """Relative standard uncertainty that all lengths share (printer, dpi tag, marks)."""
    camera_mm: Floats
    """Camera centre (3,) in card coordinates, z towards the camera; (cx, cy, 1e6): unknown."""
    u_camera_mm: Floats
    """Its covariance (3, 3), mm^2."""
    tilt_deg: float | None
    """Angle between the line of sight to the markers seen and the card's normal."""
    markers_seen: int
    residual_px: float | None
    """Root mean square of the printed edges about the fitted map."""
    blur_px: float | None
    """Median edge spread (standard deviation) at the markers' borders."""
    marker_numbers: tuple[int, ...] = ()
    places_mm: Floats = field(default_factory=lambda: np.empty((0, 2)))
    """(m, 2) middles of the markers seen."""
    shifts_mm: Floats = field(default_factory=lambda: np.empty((0, 2)))
    """(m, 2) how far the card's own markers lie off the fitted map there."""

    def to_picture(self, points_mm: Floats) -> Floats:
        """Pixels (..., 2) of points on the card (..., 2), distortion included."""
        return self.plane.to_picture(points_mm)

    def to_card(self, points_px: Floats) -> Floats:
        """True millimetres (..., 2) on the card of pixels (..., 2)."""
        return self.plane.to_card(points_px)

    def mm_per_px(self, points_mm: Floats, direction: Floats) -> Floats:
        """Millimetres per pixel (n,) at points (n, 2) along card directions (n, 2) or (2,)."""
        return _mm_per_px(self.plane, np.asarray(points_mm, float), direction)

    def u_relative(self, points_mm: Floats, direction: Floats) -> Floats:
        """Relative standard uncertainty (n,) of lengths at points (n, 2) along a direction.

        The fit's covariance propagated to the local length, the slope of the markers' own
        residuals around the place (a bent card), and what is common to all lengths (printer),
        root sum square.
        """
        points = np.asarray(points_mm, float)
        base = np.log(_mm_per_px(self.plane, points, direction))
        variance = np.full(len(points), self.u_common**2)
        for step in _root(self.plane.covariance).T:
            moved = np.log(_mm_per_px(self.plane.stepped(_NUDGE * step), points, direction))
            variance += ((moved - base) / _NUDGE) ** 2
        return np.sqrt(variance + self._local_slope(points, direction) ** 2)

    def _local_slope(self, points: Floats, direction: Floats) -> Floats:
        """Relative change of length (n,) that the residuals of the nearest markers imply."""
        count = min(8, len(self.places_mm))
        if count < 4:
            return np.zeros(len(points))
        along = np.broadcast_to(_unit(direction), points.shape)
        ways = self.places_mm[None] - points[:, None]
        distance2 = np.sum(ways**2, axis=2)
        nearest = np.argpartition(distance2, count - 1, axis=1)[:, :count]
        ways = np.take_along_axis(ways, nearest[:, :, None], axis=1)
        reach2 = np.take_along_axis(distance2, nearest, axis=1).max(axis=1)
        shifts = np.einsum("nkc,nc->nk", self.shifts_mm[nearest], along)
        # A plane through the shifts, held flat where the markers lie too much in one row.
        design = np.concatenate([np.ones((*ways.shape[:2], 1)), ways], axis=2)
        normal = np.einsum("nki,nkj->nij", design, design)
        normal[:, [1, 2], [1, 2]] += 0.05 * reach2[:, None]
        plane = np.linalg.solve(normal, np.einsum("nki,nk->ni", design, shifts)[:, :, None])
        return np.asarray(np.sum(plane[:, 1:, 0] * along, axis=1))


def find_scale(picture: Picture, printer: Printer | None = None) -> Scale:
    """The scale by the card in the picture.

    Raises MeasureError: `no_card`, `mirrored`, `too_few_markers`, `tilted_too_far`.
    """
    printer = printer or Printer()
    seen = find_markers(picture)
    factors = np.array([printer.x, printer.y])
    corners_mm = np.array([m.corners_mm() for m in seen.markers]) * factors
    flat_mm, flat_px = corners_mm.reshape(-1, 2), seen.corners_px.reshape(-1, 2)
    shape = (picture.pixels.shape[0], picture.pixels.shape[1])
    prior = camera_prior(shape, picture.focal_px)
    rough = fit_plane(
        start_pinhole(flat_mm, flat_px, prior), corner_sightings(corners_mm, seen.corners_px), prior
    ).plane
    edges = marker_edges(seen.markers, factors)
    read = read_edges(picture.pixels, edges, rough, spread_mm=rough.ink_spread_mm)
    sightings = edge_sightings(edges, read, rough)
    fit = fit_plane(replace(rough, ink_spread_mm=0.0), sightings, prior, noise_px=0.05)
    blur_px = float(np.median(read.sigma_px[read.good]))
    return _scale_from_fit(seen, printer, fit, corners_mm, blur_px)


def _scale_from_fit(
    seen: MarkersSeen,
    printer: Printer,
    fit: Fit[Pinhole],
    corners_mm: Floats,
    blur_px: float | None,
) -> Scale:
    plane = fit.plane
    camera = plane.camera_mm()
    middle = corners_mm.reshape(-1, 2).mean(axis=0)
    sight = camera - np.append(middle, 0.0)
    tilt_deg = float(np.degrees(np.arctan2(np.hypot(sight[0], sight[1]), sight[2])))
    if tilt_deg > MOST_TILT_DEG:
        raise MeasureError(
            "tilted_too_far",
            f"The card is seen {tilt_deg:.0f} degrees from the side; "
            f"{MOST_TILT_DEG:.0f} is the most that can be read.",
            "Hold the camera straight above the card.",
        )
    steps = _NUDGE * _root(plane.covariance).T
    moved = np.array([plane.stepped(step).camera_mm() - camera for step in steps]) / _NUDGE
    return Scale(
        source="card",
        verified=True,
        card=seen.card,
        printer=printer,
        plane=plane,
        u_common=printer.u_relative,
        camera_mm=camera,
        u_camera_mm=moved.T @ moved,
        tilt_deg=tilt_deg,
        markers_seen=len(seen.markers),
        residual_px=float(np.sqrt(np.mean(fit.residuals_px[fit.trusted] ** 2))),
        blur_px=blur_px,
        marker_numbers=tuple(m.number for m in seen.markers),
    )


def scale_from_dpi(picture: Picture) -> Scale:
    """The scale by the file's dpi tag, for a flat-bed scan without a card: never verified.

    Millimetres run from the first pixel's centre. Raises MeasureError `no_dpi`.
    """
    advice = "Lay the printed card beside the strand, or set two marks at a known distance."
    if picture.dpi is None:
        raise MeasureError("no_dpi", "The picture does not say how many dots an inch has.", advice)
    if picture.camera_made or picture.focal_px is not None:
        raise MeasureError(
            "no_dpi", "A camera took this picture: its dpi was written by software.", advice
        )
    if min(picture.dpi) < 100:
        raise MeasureError(
            "no_dpi",
            f"The file says {min(picture.dpi):.0f} dpi, which was written by software: "
            "no scan for measuring is that coarse.",
            advice,
        )
    return _plain_scale("dpi", np.array(picture.dpi) / MM_PER_INCH, U_DPI, picture)


def scale_from_marks(
    picture: Picture, mark_a_px: Floats, mark_b_px: Floats, distance_mm: float, u_px: float = 1.0
) -> Scale:
    """The scale by two marks (2,) a known distance apart, each set within `u_px`.

    Millimetres run from the first pixel's centre. Raises MeasureError `bad_marks`.
    """
    length_px = float(np.linalg.norm(np.subtract(mark_a_px, mark_b_px)))
    if not (np.isfinite(length_px) and length_px >= 10 * u_px and length_px > 0):
        raise MeasureError(
            "bad_marks",
            "The two marks lie too close together to give a scale.",
            "Set them further apart, as far as the picture allows.",
        )
    if not (np.isfinite(distance_mm) and distance_mm > 0):
        raise MeasureError(
            "bad_marks",
            "The distance between the marks must be more than nothing.",
            "Give the distance in millimetres.",
        )
    u_common = float(np.hypot(np.sqrt(2) * u_px / length_px, U_UNSEEN_TILT))
    return _plain_scale("marks", np.full(2, length_px / distance_mm), u_common, picture)


def _plain_scale(
    source: Literal["dpi", "marks"], px_per_mm: Floats, u_common: float, picture: Picture
) -> Scale:
    plane = Affine(np.diag(px_per_mm), np.zeros(2), 0.0, np.zeros((7, 7)))
    rows, columns = picture.pixels.shape[:2]
    middle = plane.to_card(np.array([(columns - 1) / 2, (rows - 1) / 2]))
    lean = U_LEAN_SCAN if source == "dpi" else U_LEAN_UNKNOWN
    return Scale(
        source=source,
        verified=source == "marks",
        card=None,
        printer=Printer(u_relative=0.0),
        plane=plane,
        u_common=u_common,
        camera_mm=np.append(middle, FAR_MM),
        u_camera_mm=_lean_covariance(lean),
        tilt_deg=None,
        markers_seen=0,
        residual_px=None,
        blur_px=None,
    )


def _lean_covariance(lean: float) -> Floats:
    """Covariance (3, 3) of a camera so far away that only its direction counts."""
    return np.diag([(lean * FAR_MM) ** 2, (lean * FAR_MM) ** 2, 0.0])


def _unit(direction: Floats) -> Floats:
    way = np.asarray(direction, float)
    return np.asarray(way / np.linalg.norm(way, axis=-1, keepdims=True))


def _mm_per_px(plane: Pinhole | Affine, points: Floats, direction: Floats) -> Floats:
    along = np.broadcast_to(_unit(direction), points.shape)
    moved = np.einsum("nij,nj->ni", plane.jacobian(points), along)
    return np.asarray(1.0 / np.hypot(moved[:, 0], moved[:, 1]))


def _root(covariance: Floats) -> Floats:
    """A matrix (p, p) whose columns are independent one-sigma steps of the parameters."""
    sizes = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(sizes, sizes))
    return np.asarray(sizes[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))
