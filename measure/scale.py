"""Where the millimetres come from: the card in the picture, a ruler, a dpi tag, or two marks.

Millimetres are true ones everywhere: the nominal card coordinates of `measure.card` times the
printer's factors. Lengths along the card carry their relative doubt per place, and the camera's
centre is given in the same coordinates for whoever must know how a strand was looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np

from measure.card import Card
from measure.card_view import SCAN_DPI, CardView, view_card
from measure.errors import MeasureError
from measure.lens import Lens
from measure.marker_search import shows_card
from measure.picture import Picture
from measure.plane_doubt import PlaneDoubt
from measure.plane_map import FAR_MM, Affine, Floats, Pinhole
from measure.ruler import RulerView, view_ruler
from measure.settings import Printer, RulerUnit
from measure.yarn import MM_PER_INCH

MOST_TILT_DEG: Final = 38.0
"""Beyond it a strand is looked at too much from the side; 35 degrees must still read."""

U_DPI: Final = 0.01
"""Relative doubt of a scanner's dpi tag that nobody checked: our assumption."""

U_UNSEEN_TILT: Final = 0.01
"""Relative doubt of two marks set by hand, since nothing shows how square the view was."""


U_RULER: Final = 0.002
"""Relative doubt of a ruler's own marks: our assumption for a school ruler."""

U_RULER_HEIGHT_MM: Final = 1.0
"""How far a ruler's face may stand above what the strand lies on (standard uncertainty, ours)."""

U_LEAN_SCAN: Final = 0.03
"""Lean of a scanner's line of sight, rad: our assumption."""

U_LEAN_UNKNOWN: Final = 0.15
"""Lean of the line of sight where nothing shows it (two marks in a picture), rad."""


@dataclass(frozen=True)
class Scale:
    """The way from picture to true millimetres and back, and how sure it is at each place."""

    source: Literal["card", "ruler", "dpi", "marks"]
    verified: bool
    """False for a ruler or a dpi tag, which nobody checked."""
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
    view: CardView | None = None
    """What was read of the card to get here,"""
    ruler: RulerView | None = None
    """or of a ruler."""

    @cached_property
    def _doubt(self) -> PlaneDoubt:
        return PlaneDoubt.of(self.plane)

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
        along = np.broadcast_to(_unit(direction), points.shape)
        variance = self.u_common**2 + self._doubt.u_log_length(points, along) ** 2
        return np.asarray(np.sqrt(variance + self._local_slope(points, direction) ** 2))

    def _local_slope(self, points: Floats, direction: Floats) -> Floats:
        """Relative change of length (n,) that the residuals of the nearest markers imply.

        The slope of the plane through their shifts, and beside it what is left of the shifts
        over the way to the markers: a bent card bends between them too.
        """
        if self.view is None or len(self.view.places_mm) < 4:
            return np.zeros(len(points))
        count = min(8, len(self.view.places_mm))
        along = np.broadcast_to(_unit(direction), points.shape)
        ways = self.view.places_mm[None] - points[:, None]
        distance2 = np.sum(ways**2, axis=2)
        nearest = np.argpartition(distance2, count - 1, axis=1)[:, :count]
        ways = np.take_along_axis(ways, nearest[:, :, None], axis=1)
        distance2 = np.take_along_axis(distance2, nearest, axis=1)
        shifts = self.view.shifts_mm[nearest]
        # Held flat where the markers lie too much in one row.
        design = np.concatenate([np.ones((*ways.shape[:2], 1)), ways], axis=2)
        normal = np.einsum("nki,nkj->nij", design, design)
        normal[:, [1, 2], [1, 2]] += 0.05 * distance2.max(axis=1)[:, None]
        plane = np.linalg.solve(normal, np.einsum("nki,nkc->nic", design, shifts))
        slope = np.einsum("nic,ni,nc->n", plane[:, 1:], along, along)
        rough2 = np.sum(shifts**2, axis=(1, 2)) / np.sum(distance2, axis=1)
        return np.asarray(np.sqrt(slope**2 + 4 * rough2))


def find_scale(
    picture: Picture,
    printer: Printer | None = None,
    before: Scale | None = None,
    lens: Lens | None = None,
) -> Scale:
    """The scale by the card in the picture; `printer` None is an unchecked one.

    `before` is the scale found in the picture before this one, if there was one: a card that has
    hardly moved since is not searched for. `lens` is the camera's, where it was calibrated.

    Raises MeasureError: `no_card`, `mirrored`, `too_few_markers`, `tilted_too_far`.
    """
    printer = printer or Printer()
    known = before.view if before is not None and before.printer == printer else None
    view = view_card(picture, np.array([printer.x, printer.y]), known, lens)
    middle = view.edges.middles_mm().mean(axis=0)
    camera, u_camera, tilt_deg = _line_of_sight(view.plane, middle, view.picture_middle_px, "card")
    return Scale(
        source="card",
        verified=True,
        card=view.card,
        printer=printer,
        plane=view.plane,
        u_common=printer.u_relative,
        camera_mm=camera,
        u_camera_mm=u_camera,
        tilt_deg=tilt_deg,
        markers_seen=len(view.markers),
        residual_px=view.residual_px,
        blur_px=view.blur_px,
        view=view,
    )


def scale_from_ruler(picture: Picture, unit: RulerUnit | None = None) -> Scale:
    """The scale by a ruler in the picture; `unit` says what its marks are, where they do not tell.

    Millimetres run along the marks from the first one's foot. Raises MeasureError: `no_ruler`,
    `ruler_unit`, `tilted_too_far`, `card_seen`.
    """
    view = view_ruler(picture, unit)
    if shows_card(picture):
        raise _card_seen("show strand and ruler")
    rows, columns = picture.pixels.shape[:2]
    middle_px = (np.array([columns, rows]) - 1) / 2
    feet = view.plane.to_card(view.ticks_px[:, 0])
    camera, u_camera, tilt_deg = _line_of_sight(view.plane, feet.mean(axis=0), middle_px, "ruler")
    # What stands lower than the ruler's face is farther from the camera and looks smaller.
    lower = 0.0 if tilt_deg is None else U_RULER_HEIGHT_MM / max(float(camera[2]), 1.0)
    return Scale(
        source="ruler",
        verified=False,
        card=None,
        printer=Printer(u_relative=0.0),
        plane=view.plane,
        u_common=float(np.hypot(U_RULER, lower)),
        camera_mm=camera,
        u_camera_mm=u_camera,
        tilt_deg=tilt_deg,
        markers_seen=0,
        residual_px=view.residual_px,
        blur_px=None,
        ruler=view,
    )


def _line_of_sight(
    plane: Pinhole | Affine, middle_mm: Floats, picture_middle_px: Floats, what: str
) -> tuple[Floats, Floats, float | None]:
    """Camera centre (3,), its covariance (3, 3), and the tilt; `tilted_too_far` if too much."""
    if isinstance(plane, Affine):
        return np.append(middle_mm, FAR_MM), _lean_covariance(U_LEAN_SCAN), None
    camera = plane.camera_mm()
    # Through the middle of the picture: a cropped one is judged by what is left of it.
    aim = np.append(picture_middle_px - plane.centre_px, plane.focal_px)
    cosine = float(plane.rotation[:, 2] @ aim / np.linalg.norm(aim))
    tilt_deg = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
    if tilt_deg > MOST_TILT_DEG:
        raise MeasureError(
            "tilted_too_far",
            f"The camera looks at the {what} {tilt_deg:.0f} degrees off square; "
            f"{MOST_TILT_DEG:.0f} is the most that can be read.",
            f"Hold the camera straight above the {what}.",
        )
    return camera, PlaneDoubt.of(plane).camera_covariance(), tilt_deg


def scale_from_dpi(picture: Picture) -> Scale:
    """The scale by the file's dpi tag, for a flat-bed scan without a card: never verified.

    Millimetres run from the first pixel's centre. Raises MeasureError: `no_dpi`, `card_seen`.
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
    if shows_card(picture):
        raise _card_seen("scan the strand")
    return _plain_scale("dpi", np.array(picture.dpi) / MM_PER_INCH, U_DPI, picture)


def _card_seen(remedy: str) -> MeasureError:
    return MeasureError(
        "card_seen",
        "The picture shows the printed card, and its print would pass for strands.",
        f"Let the card give the scale, or {remedy} without the card.",
    )


def scale_from_marks(
    picture: Picture, mark_a_px: Floats, mark_b_px: Floats, distance_mm: float, u_px: float = 1.0
) -> Scale:
    """The scale by two marks (2,) a known distance apart, each set within `u_px`.

    Millimetres run from the first pixel's centre. Raises MeasureError `bad_marks`.
    """
    marks = np.array([mark_a_px, mark_b_px], float)
    rows, columns = picture.pixels.shape[:2]
    if not np.all((marks > -1.0) & (marks < [columns, rows])):
        raise MeasureError(
            "bad_marks",
            f"A mark lies outside the picture, which is {columns} by {rows} pixels.",
            "Give both marks in pixels from the picture's top left corner.",
        )
    length_px = float(np.linalg.norm(marks[0] - marks[1]))
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
