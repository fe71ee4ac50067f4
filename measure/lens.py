"""A camera's own lens, worked out from a handful of views of the card, and which views lack.

A square-on view of a flat card leaves the focal length open; several that are tilted one way and
another do not. Every view gives the middles of its markers, on the card in mm and in the picture
in px; OpenCV's calibration for a flat target does the rest. A lens belongs to one camera, at one
picture size and about one focus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from measure.errors import MeasureError
from measure.plane_map import Pinhole
from measure.results import Floats

if TYPE_CHECKING:
    from measure.scale import Scale

_TILTED: Final = 0.21
"""Tangent of a tilt that shows the focal length (12 degrees): common practice, no source."""

_SQUARE: Final = 0.12
_COVERED: Final = 0.7
"""Share of the picture's width and height that all views' markers together must lie over."""

_FEWEST_MARKERS: Final = 8

_MARKER_PX: Final = 0.03
"""No marker's place is trusted further than this: printing is not exact (our assumption)."""

_MOST_RESIDUAL_PX: Final = 0.5

_U_REFOCUS: Final = 0.005
"""Relative change of the focal length as the camera focuses nearer or further: our assumption."""

_U_K1: Final = 0.005
_U_CENTRE: Final = 0.002
"""Doubt of the lens's axis as a share of the picture's diagonal."""

_ASPECT: Final = 0.002

_SIDES: Final = (
    ("left", (1.0, 0.0)),
    ("right", (-1.0, 0.0)),
    ("upper", (0.0, 1.0)),
    ("lower", (0.0, -1.0)),
)
"""Sides of the picture, and which way the card falls away when that side of it is raised."""


@dataclass(frozen=True)
class Lens:
    """One camera's lens at one picture size: x_d = x (1 + k1 r^2 + k2 r^4), r in focal lengths."""

    focal_px: float
    centre_px: tuple[float, float]
    """Where the lens's axis meets the picture."""
    k1: float
    k2: float
    u_focal_relative: float
    """Standard uncertainty of the focal length, as a share of it."""
    residual_px: float
    """Root mean square distance of the markers seen from where the lens puts them."""
    views: int
    """How many views it rests on."""
    width_px: int
    height_px: int
    """Size of the pictures it is of."""

    def __post_init__(self) -> None:
        if not (self.focal_px > 0 and self.u_focal_relative > 0 and self.width_px > 0):
            raise ValueError("a lens's focal length, its doubt and its picture size are positive")

    def sized(self, width_px: int, height_px: int) -> Lens | None:
        """The same lens for pictures enlarged or shrunk whole; None for those cut otherwise."""
        factor = width_px / self.width_px
        if abs(height_px / (self.height_px * factor) - 1) > _ASPECT:
            return None
        x, y = ((c + 0.5) * factor - 0.5 for c in self.centre_px)
        return Lens(
            self.focal_px * factor,
            (x, y),
            self.k1,
            self.k2,
            self.u_focal_relative,
            self.residual_px * factor,
            self.views,
            width_px,
            height_px,
        )

    @property
    def u_log_focal(self) -> float:
        """Relative doubt of the focal length in a picture focused a little nearer or further."""
        return float(np.hypot(self.u_focal_relative, _U_REFOCUS))

    @property
    def u_k1(self) -> float:
        """Standard uncertainty of k1 that a picture allows for: our assumption."""
        return _U_K1

    @property
    def u_centre_px(self) -> float:
        """Standard uncertainty of the axis's place that a picture allows for: our assumption."""
        return _U_CENTRE * float(np.hypot(self.width_px, self.height_px))


@dataclass(frozen=True, eq=False)
class LensView:
    """One view of the card, as a calibration takes it."""

    points_mm: Floats
    """(n, 2) middles of the markers on the card, and"""
    points_px: Floats
    """(n, 2) in the picture."""
    falls: tuple[float, float]
    """How the card falls away to the picture's right and downwards: tangents of its tilt."""
    focal_px: float
    """As this view alone has it."""
    width_px: int
    height_px: int


def lens_view(scale: Scale, width_px: int, height_px: int) -> LensView | None:
    """A view to calibrate by, from a picture's scale and size; None where it shows too little.

    The scale may have been found with or without a lens: what was seen is the same.
    """
    view = scale.view
    if view is None or not isinstance(view.plane, Pinhole):
        return None
    if len(view.places_mm) < _FEWEST_MARKERS:
        return None
    normal = view.plane.rotation[:, 2]
    return LensView(
        points_mm=view.places_mm,
        points_px=view.plane.to_picture(view.places_mm + view.shifts_mm),
        falls=(float(-normal[0] / normal[2]), float(-normal[1] / normal[2])),
        focal_px=view.plane.focal_px,
        width_px=width_px,
        height_px=height_px,
    )


def missing_views(views: Sequence[LensView]) -> tuple[str, ...]:
    """What the views still lack, a sentence each of what to show next; none when they suffice."""
    out: list[str] = []
    falls = np.array([v.falls for v in views]).reshape(-1, 2)
    if not np.any(np.hypot(*falls.T) < _SQUARE):
        out.append("Hold the card square to the camera.")
    out += [
        f"Tilt the card more: bring its {side} side nearer to the camera."
        for side, way in _SIDES
        if not np.any(falls @ np.array(way) > _TILTED)
    ]
    if not views:
        return tuple(out)
    size = np.array([views[0].width_px, views[0].height_px])
    seen = np.concatenate([v.points_px for v in views])
    if np.any(np.ptp(seen, axis=0) < _COVERED * size):
        nearest = seen.min(axis=0) / size, 1 - seen.max(axis=0) / size
        gaps = {
            "left": nearest[0][0],
            "right": nearest[1][0],
            "upper": nearest[0][1],
            "lower": nearest[1][1],
        }
        side = max(gaps, key=lambda name: gaps[name])
        out.append(f"Move the card towards the {side} edge of the picture, or come closer.")
    return tuple(out)


def fit_lens(views: Sequence[LensView]) -> Lens:
    """The lens that fits the views best: OpenCV's calibration for flat targets (Zhang 2000).

    Raises MeasureError `lens_unsure` when views lack or do not agree.
    """
    lacking = missing_views(views)
    if lacking:
        raise MeasureError("lens_unsure", "Some views of the card are missing.", lacking[0])
    sizes = {(v.width_px, v.height_px) for v in views}
    if len(sizes) > 1:
        raise MeasureError(
            "lens_unsure",
            "The views are not all of one size.",
            "Take all of them with the same camera and resolution.",
        )
    size = sizes.pop()
    focal = float(np.median([v.focal_px for v in views]))
    matrix = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K3
    )
    on_card = [np.column_stack([v.points_mm, np.zeros(len(v.points_mm))]) for v in views]
    residual, matrix, bend, _, _, u, _, _ = cv2.calibrateCameraExtended(
        [points.astype(np.float32) for points in on_card],
        [v.points_px.astype(np.float32) for v in views],
        size,
        matrix,
        np.zeros(5),
        flags=flags,
    )
    focal, (k1, k2) = float(matrix[0, 0]), (float(k) for k in np.ravel(bend)[:2])
    # What OpenCV states rests on the scatter it found; printing sets a floor to that.
    short = max(1.0, float(np.sqrt(2)) * _MARKER_PX / max(float(residual), 1e-9))
    u_focal = float(np.max(np.ravel(u)[:2])) * short / focal
    if not (np.isfinite(u_focal) and residual < _MOST_RESIDUAL_PX and u_focal < 0.1):
        raise MeasureError(
            "lens_unsure",
            "The views do not agree with each other.",
            "Keep the card flat and the camera's zoom and focus as they are, and take them anew.",
        )
    return Lens(
        focal_px=focal,
        centre_px=(float(matrix[0, 2]), float(matrix[1, 2])),
        k1=k1,
        k2=k2,
        u_focal_relative=u_focal,
        residual_px=float(residual),
        views=len(views),
        width_px=size[0],
        height_px=size[1],
    )
