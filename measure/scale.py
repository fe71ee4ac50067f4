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
from measure.edge_reading import BORDER_REACH_PX, EdgesSeen, read_edges
from measure.errors import MeasureError
from measure.marker_search import MarkersSeen, find_markers
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
from measure.plane_map import FAR_MM, Affine, Floats, Pinhole
from measure.printed_edges import PrintedEdges, marker_edges

MM_PER_INCH: Final = 25.4

SCAN_DPI: Final = (100.0, 4800.0)
"""What flat-bed scanners state; 72 and 96 are written by software."""

SCAN_AGREEMENT: Final = 0.08
"""How far a scan's dpi tag may be from the card's own scale."""

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

_FEWEST_BORDERS: Final = 6
"""Marker borders without which the corners of the coarse search must do."""

_GOOD_NOISE_PX: Final = 0.1

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

    def __post_init__(self) -> None:
        if not all(0.5 <= factor <= 2.0 for factor in (self.x, self.y)):
            raise ValueError("a printer's factors are true over nominal size, between 0.5 and 2")
        if not 0.0 <= self.u_relative < 0.5:
            raise ValueError("the printer's relative doubt must be between 0 and 0.5")


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
    """Angle between the card's normal and the line of sight in the middle of the picture."""
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
    borders: tuple[PrintedEdges, EdgesSeen] | None = None
    """The markers' borders as printed and as read."""

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
    """The scale by the card in the picture; `printer` None is an unchecked one.

    Raises MeasureError: `no_card`, `mirrored`, `too_few_markers`, `tilted_too_far`.
    """
    printer = printer or Printer()
    seen = find_markers(picture)
    factors = np.array([printer.x, printer.y])
    corners_mm = np.array([m.corners_mm() for m in seen.markers]) * factors
    edges = marker_edges(seen.card, seen.markers, factors)
    corners = corner_sightings(corners_mm, seen.corners_px)
    prior = camera_prior(picture.pixels.shape[:2], picture.focal_px)
    start = start_pinhole(corners_mm.reshape(-1, 2), seen.corners_px.reshape(-1, 2), prior)
    rough = fit_plane(start, corners, prior)
    read = _read_borders(picture, edges, rough.plane)
    read_well = np.count_nonzero(read.good) >= _FEWEST_BORDERS
    sightings = edge_sightings(edges, read, rough.plane) if read_well else corners
    blur_px = float(np.median(read.sigma_px[read.good])) if read_well else None
    floor_px = EDGE_NOISE_FLOOR_PX * max(1.0, blur_px or 1.0)
    fit: Fit[Pinhole] | Fit[Affine] = rough
    if read_well:
        fit = _fit_camera(picture, rough.plane, sightings, floor_px)
    scan = _fit_scan(picture, corners_mm, seen, sightings, fit.noise_px)
    if scan is not None:
        fit = scan
    places, shifts = _marker_shifts(fit, sightings, corners_mm)
    camera, u_camera, tilt_deg = _line_of_sight(fit.plane, corners_mm, picture.pixels.shape[:2])
    return Scale(
        source="card",
        verified=True,
        card=seen.card,
        printer=printer,
        plane=fit.plane,
        u_common=printer.u_relative,
        camera_mm=camera,
        u_camera_mm=u_camera,
        tilt_deg=tilt_deg,
        markers_seen=len(seen.markers),
        residual_px=float(np.sqrt(np.mean(fit.residuals_px[fit.trusted] ** 2))),
        blur_px=blur_px,
        marker_numbers=tuple(m.number for m in seen.markers),
        places_mm=places,
        shifts_mm=shifts,
        borders=(edges, read),
    )


def _read_borders(picture: Picture, edges: PrintedEdges, rough: Pinhole) -> EdgesSeen:
    """The markers' borders, read again from further out where the picture is very soft."""
    spread_mm = rough.ink_spread_mm
    read = read_edges(picture.pixels, edges, rough, spread_mm=spread_mm)
    if not read.good.any():
        return read_edges(picture.pixels, edges, rough, spread_mm=spread_mm, reach_px=20.0)
    sigma_px = float(np.median(read.sigma_px[read.good]))
    if 3.0 * sigma_px <= BORDER_REACH_PX:
        return read
    return read_edges(picture.pixels, edges, rough, spread_mm=spread_mm, reach_px=4.5 * sigma_px)


def _fit_camera(
    picture: Picture, rough: Pinhole, sightings: Sightings, floor_px: float
) -> Fit[Pinhole]:
    """The pinhole view; if it fits badly, one whose lens axis may lie well off the middle."""
    shape = picture.pixels.shape[:2]
    start = replace(rough, ink_spread_mm=0.0)
    usual = camera_prior(shape, picture.focal_px)
    fit = fit_plane(start, sightings, usual, 0.05, floor_px)
    if fit.noise_px <= max(_GOOD_NOISE_PX, floor_px):
        return fit
    # A cropped picture keeps its perspective but not its middle.
    cropped = camera_prior(shape, picture.focal_px, CENTRE_SD_CROPPED)
    other = fit_plane(start, sightings, cropped, 0.05, floor_px)
    return other if other.noise_px < 0.7 * fit.noise_px else fit


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
    apart = np.sum((sightings.points_mm[:, None] - middles[None]) ** 2, axis=2)
    owner = np.argmin(apart, axis=1)
    outer = np.einsum("ni,nj->nij", sightings.normals, sightings.normals)
    normal = np.zeros((len(middles), 2, 2))
    pull = np.zeros((len(middles), 2))
    kept = fit.trusted
    np.add.at(normal, owner[kept], outer[kept])
    np.add.at(pull, owner[kept], (sightings.normals * fit.residuals_px[:, None])[kept])
    shown = np.linalg.det(normal) > 0.5
    shift_px = np.linalg.solve(normal[shown], pull[shown][:, :, None])
    shift_mm = np.linalg.solve(fit.plane.jacobian(middles[shown]), shift_px)
    return middles[shown], np.asarray(shift_mm[:, :, 0], np.float64)


def _line_of_sight(
    plane: Pinhole | Affine, corners_mm: Floats, shape: tuple[int, ...]
) -> tuple[Floats, Floats, float | None]:
    """Camera centre (3,), its covariance (3, 3), and the tilt; `tilted_too_far` if too much."""
    if isinstance(plane, Affine):
        middle = corners_mm.reshape(-1, 2).mean(axis=0)
        return np.append(middle, FAR_MM), _lean_covariance(U_LEAN_SCAN), None
    camera = plane.camera_mm()
    # Through the middle of the picture: a cropped one is judged by what is left of it.
    aim = np.append((np.array([shape[1], shape[0]]) - 1) / 2 - plane.centre_px, plane.focal_px)
    cosine = float(plane.rotation[:, 2] @ aim / np.linalg.norm(aim))
    tilt_deg = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
    if tilt_deg > MOST_TILT_DEG:
        raise MeasureError(
            "tilted_too_far",
            f"The camera looks at the card {tilt_deg:.0f} degrees off square; "
            f"{MOST_TILT_DEG:.0f} is the most that can be read.",
            "Hold the camera straight above the card.",
        )
    steps = _NUDGE * _root(plane.covariance).T
    moved = np.array([plane.stepped(step).camera_mm() - camera for step in steps]) / _NUDGE
    return camera, moved.T @ moved, tilt_deg


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
    if min(picture.dpi) < SCAN_DPI[0]:
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
