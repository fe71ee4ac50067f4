"""How a picture sees the sheet a bank card was laid on: its plane and its print.

On a pocket sheet the frame of markers round the cut line shows the plane, since a bank card on
the outline hides the pocket card. On a desk card, which is larger, its own markers do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.card import (
    MARKER_FAMILY,
    Card,
    CardKind,
    Marker,
    dark_rectangles_mm,
    newest_card,
)
from measure.check_frame import (
    CLEAR_MM,
    CUT_STROKE_MM,
    FRAME_MARKERS,
    SIDE_MM,
    cut_dashes_mm,
    frame_edges,
    frame_ink_mm,
)
from measure.edge_reading import BORDER_REACH_PX, EdgesSeen, read_edges
from measure.errors import MeasureError
from measure.lens import Lens
from measure.picture import Picture
from measure.plane_fit import (
    FOCAL_UNKNOWN,
    camera_prior,
    corner_sightings,
    edge_sightings,
    fit_plane,
    start_pinhole,
)
from measure.plane_map import Affine, Pinhole, slopes_by_step
from measure.results import Floats
from measure.scale import find_scale
from measure.settings import Printer

FEWEST_FRAME_MARKERS: Final = 14
"""Half of them: all round, or one side of the bank card's place hangs in the air."""

_RASTER_MM: Final = 0.05
_LONG_SIDES_PX: Final = (1600, 3200)
"""Markers are looked for in the small before the large."""


@dataclass(frozen=True, eq=False)
class Print:
    """What is printed on a sheet, in nominal mm."""

    around_mm: tuple[float, float, float, float]
    """x0, y0, x1, y1 of what is known."""
    ink: NDArray[np.float32]
    """Share of ink by twentieths of a millimetre over `around_mm`."""
    ink_away_mm: NDArray[np.float32]
    """Distance to the nearest ink from the same places."""


@dataclass(frozen=True, eq=False)
class SheetView:
    """The printed sheet in a picture, in true millimetres if `factors` are the printer's."""

    kind: CardKind
    factors: Floats
    """(2,) true over nominal size that nominal coordinates were taken times."""
    plane: Pinhole | Affine
    sigma_px: float
    """Spread of the printed edges, the pixel's own aperture included."""
    blackness: float
    """Share of the paper's light that ink takes away."""
    camera_mm: Floats
    """(3,) the camera's centre, as good as it is known."""
    u_height: float
    """Relative standard uncertainty of its height."""
    middle_mm: Floats
    """(2,) where the bank card is to lie,"""
    reach_mm: float
    """and how far off it may."""
    printed: Print
    soft_ink: NDArray[np.float32]
    """The print's share of ink as the picture's blur spreads it."""

    def clear_of_ink(self, points_mm: Floats) -> Floats:
        """Distance (...) from points (..., 2) to the nearest ink, mm; 0 outside the known print."""
        x0, y0, _, _ = self.printed.around_mm
        at = np.floor((points_mm / self.factors - [x0, y0]) / _RASTER_MM).astype(np.intp)
        rows, columns = self.printed.ink_away_mm.shape
        inside = (at >= 0).all(axis=-1) & (at[..., 0] < columns) & (at[..., 1] < rows)
        at = np.where(inside[..., None], at, 0)
        return np.where(inside, self.printed.ink_away_mm[at[..., 1], at[..., 0]], 0.0)

    def printed_light(self, points_mm: Floats) -> Floats:
        """Light (n,) of the sheet at points (n, 2), bare paper 1, as blurred in the picture."""
        x0, y0, _, _ = self.printed.around_mm
        at = (points_mm / self.factors - [x0, y0]) / _RASTER_MM - 0.5
        ink = np.empty(len(at))
        for start in range(0, len(at), 30000):  # OpenCV takes no longer rows
            part = at[start : start + 30000].astype(np.float32)
            ink[start : start + 30000] = cv2.remap(
                self.soft_ink, part[:, 0], part[:, 1], cv2.INTER_LINEAR
            ).ravel()
        return 1.0 - self.blackness * ink

    def px_per_mm(self) -> float:
        """Pixels per printed millimetre where the bank card lies."""
        jacobian = self.plane.jacobian(self.middle_mm[None])[0]
        return float(np.sqrt(abs(np.linalg.det(jacobian))))


@dataclass(frozen=True, eq=False)
class FrameSeen:
    """Markers of the frame in a picture, their corners good to a pixel or two."""

    markers: tuple[Marker, ...]
    corners_px: Floats
    """(n, 4, 2)"""


def view_sheet(
    picture: Picture, frame: FrameSeen, factors: Floats, lens: Lens | None = None
) -> SheetView:
    """The sheet that a bank card lies on, were its printer's factors (2,) these.

    `lens` is the camera's, for pictures of this size.

    A wrong factor looks like a tilt, so they matter: `frame` is found once and viewed again as
    they get better known. Raises MeasureError: `no_sheet`, `frame_hidden`, `cut_card`,
    `out_of_focus`, and for a desk card what `find_scale` raises.
    """
    count = len(frame.markers)
    if count >= FEWEST_FRAME_MARKERS:
        return _frame_view(picture, frame, factors, lens)
    if count:
        raise MeasureError(
            "frame_hidden",
            f"Only {count} of the {len(FRAME_MARKERS)} squares round the bank card are seen.",
            "Get all the squares round the bank card into the picture, uncovered and in focus.",
        )
    return _desk_view(picture, factors, lens)


def _frame_view(
    picture: Picture, frame: FrameSeen, factors: Floats, lens: Lens | None
) -> SheetView:
    markers, corners_px = frame.markers, frame.corners_px
    corners_mm = np.array([m.corners_mm() for m in markers]) * factors
    edges = frame_edges(markers, factors)
    prior = camera_prior(picture.pixels.shape[:2], picture.focal_px, lens=lens)
    corners = corner_sightings(corners_mm, corners_px)
    k2 = lens.k2 if lens is not None else 0.0
    start = start_pinhole(corners_mm.reshape(-1, 2), corners_px.reshape(-1, 2), prior, k2)
    rough = fit_plane(start, corners, prior).plane
    read = read_edges(picture.pixels, edges, rough, spread_mm=rough.ink_spread_mm)
    sigma_px = float(np.median(read.sigma_px[read.good])) if read.good.any() else np.inf
    if 3.0 * sigma_px > BORDER_REACH_PX:
        reach = 4.5 * sigma_px if np.isfinite(sigma_px) else 20.0
        read = read_edges(
            picture.pixels, edges, rough, spread_mm=rough.ink_spread_mm, reach_px=reach
        )
    if np.count_nonzero(read.good) < 2 * FEWEST_FRAME_MARKERS:
        raise _out_of_focus()
    sightings = edge_sightings(edges, read, rough)
    plane = fit_plane(replace(rough, ink_spread_mm=0.0), sightings, prior, 0.05).plane
    return _sheet_view("pocket", factors, plane, read, CLEAR_MM - 0.8, picture, lens)


def _desk_view(picture: Picture, factors: Floats, lens: Lens | None) -> SheetView:
    try:
        scale = find_scale(picture, Printer(float(factors[0]), float(factors[1]), 0.0), lens=lens)
    except MeasureError as error:
        if error.code not in ("no_card", "too_few_markers"):
            raise
        pixels: Any = np.ascontiguousarray(picture.pixels[:, ::-1])
        if find_frame(replace(picture, pixels=pixels)).markers:
            raise MeasureError(
                "mirrored",
                "The picture is mirrored.",
                "Turn mirroring off in the camera program, or use the camera on the back.",
            ) from error
        raise MeasureError(
            "no_sheet",
            "No printed sheet was found in the picture.",
            "Lay the bank card on the uncut pocket sheet's outline, or on the middle of a desk "
            "card, and get all the squares round it into the picture.",
        ) from error
    card = scale.card
    assert card is not None
    if card.kind != "desk":
        raise MeasureError(
            "cut_card",
            "The pocket card in the picture has no squares round it: it is cut out already.",
            "Print the sheet again and check it before cutting, or type in the check bars.",
        )
    if scale.blur_px is None:
        raise _out_of_focus()
    assert scale.view is not None
    return _sheet_view("desk", factors, scale.plane, scale.view.read, 5.5, picture, lens)


def _sheet_view(
    kind: CardKind,
    factors: Floats,
    plane: Pinhole | Affine,
    read: EdgesSeen,
    reach_mm: float,
    picture: Picture,
    lens: Lens | None,
) -> SheetView:
    good = read.good
    card = newest_card(kind)
    middle_mm = np.array([card.width_mm, card.height_mm]) / 2 * factors
    sigma_px = float(np.median(read.sigma_px[good]))
    printed = _print_of(kind)
    camera_mm, u_height = _camera(plane, picture, lens, middle_mm)
    view = SheetView(
        kind=kind,
        factors=factors,
        plane=plane,
        sigma_px=sigma_px,
        blackness=float(np.median(1 - read.dark[good] / read.light[good])),
        camera_mm=camera_mm,
        u_height=u_height,
        middle_mm=middle_mm,
        reach_mm=reach_mm,
        printed=printed,
        soft_ink=printed.ink,
    )
    soft = sigma_px / view.px_per_mm() / _RASTER_MM
    return replace(view, soft_ink=np.asarray(cv2.GaussianBlur(printed.ink, (0, 0), soft)))


def _camera(
    plane: Pinhole | Affine, picture: Picture, lens: Lens | None, middle_mm: Floats
) -> tuple[Floats, float]:
    """The camera's centre (3,) and the relative doubt of its height.

    Square on, the least error of the factors' ratio is taken for a tilt seen from miles away. A
    focal length that no camera has tells that: then the camera is somewhere straight above.
    """
    if isinstance(plane, Affine):
        return plane.camera_mm(), 0.0
    ratio, doubt = FOCAL_UNKNOWN
    diagonal = float(np.hypot(*picture.pixels.shape[:2]))
    known = picture.focal_px is not None or lens is not None
    if not known and abs(np.log(plane.focal_px / diagonal / ratio)) > 2.2 * doubt:
        px_per_mm = float(np.sqrt(abs(np.linalg.det(plane.jacobian(middle_mm[None])[0]))))
        return np.append(middle_mm, ratio * diagonal / px_per_mm), doubt
    moved = slopes_by_step(plane, lambda p: np.log(p.camera_mm()[2:3]))
    return plane.camera_mm(), float(min(np.sqrt(np.sum(moved**2)), doubt))


@lru_cache(maxsize=2)
def _print_of(kind: CardKind) -> Print:
    card = newest_card(kind)
    if kind == "pocket":
        far = CLEAR_MM + SIDE_MM
        around = (-far, -far, card.width_mm + far, card.height_mm + far)
        ink = [dark_rectangles_mm(card), frame_ink_mm(), cut_dashes_mm()]
        return _rastered(around, np.concatenate(ink))
    lane = card.lane("open")
    x0, y0, x1, y1 = lane.x_mm, lane.y_mm, lane.x_mm + lane.width_mm, lane.y_mm + lane.height_mm
    line = 0.3
    window = [
        (x0 - line, y0 - line, x1 - x0 + 2 * line, line),
        (x0 - line, y1, x1 - x0 + 2 * line, line),
        (x0 - line, y0 - line, line, y1 - y0 + 2 * line),
        (x1, y0 - line, line, y1 - y0 + 2 * line),
    ]
    ink = [dark_rectangles_mm(card), np.array(window), _outline_mm(card)]
    return _rastered((0.0, 0.0, card.width_mm, card.height_mm), np.concatenate(ink))


def _out_of_focus() -> MeasureError:
    return MeasureError(
        "out_of_focus",
        "The picture is too soft to read the printed squares' edges.",
        "Focus on the sheet and hold still, or come closer.",
    )


def _outline_mm(card: Card) -> Floats:
    half, w, h = CUT_STROKE_MM / 2, card.width_mm, card.height_mm
    across, down = (-half, w + 2 * half, 2 * half), (-half, h + 2 * half, 2 * half)
    return np.array(
        [
            (across[0], -half, across[1], across[2]),
            (across[0], h - half, across[1], across[2]),
            (-half, down[0], down[2], down[1]),
            (w - half, down[0], down[2], down[1]),
        ]
    )


def _rastered(around: tuple[float, float, float, float], rects: Floats) -> Print:
    """Ink by area, edges to their exact share, and the distance from it."""
    x0, y0, x1, y1 = around
    rows, columns = (round((b - a) / _RASTER_MM) for a, b in ((y0, y1), (x0, x1)))
    ink = np.zeros((rows, columns), np.float32)
    for x, y, w, h in rects:
        left, top = (x - x0) / _RASTER_MM, (y - y0) / _RASTER_MM
        across, first_x = _shares(left, left + w / _RASTER_MM, columns)
        down, first_y = _shares(top, top + h / _RASTER_MM, rows)
        if len(across) and len(down):
            ink[first_y : first_y + len(down), first_x : first_x + len(across)] += np.outer(
                down, across
            )
    np.minimum(ink, 1.0, out=ink)
    bare = (ink < 0.02).astype(np.uint8)
    away = cv2.distanceTransform(bare, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return Print(around, ink, np.asarray(away * _RASTER_MM, np.float32))


def _shares(start: float, stop: float, count: int) -> tuple[Floats, int]:
    """How much of each unit cell from the first one touched lies in [start, stop]."""
    start, stop = max(start, 0.0), min(stop, float(count))
    if stop <= start:
        return np.empty(0), 0
    first = int(start)
    cells = np.arange(first, min(int(np.ceil(stop)), count))
    return np.minimum(stop, cells + 1) - np.maximum(start, cells), first


@lru_cache(maxsize=1)
def _dictionary() -> cv2.aruco.Dictionary:
    whole = cv2.aruco.getPredefinedDictionary(MARKER_FAMILY)
    codes = np.ascontiguousarray(whole.bytesList[[m.number for m in FRAME_MARKERS]])
    return cv2.aruco.Dictionary(codes, whole.markerSize, 4)


def find_frame(picture: Picture) -> FrameSeen:
    """The markers of the frame that a picture shows, maybe none."""
    pixels: NDArray[Any] = picture.pixels
    grey = np.asarray(cv2.extractChannel(pixels, 1)) if pixels.ndim == 3 else pixels
    if grey.dtype == np.uint16:
        grey = np.right_shift(grey, 8)
    grey = grey.astype(np.uint8, copy=False)
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = 5
    settings.adaptiveThreshWinSizeMax = 25
    settings.adaptiveThreshWinSizeStep = 20
    settings.minMarkerPerimeterRate = 0.02
    detector = cv2.aruco.ArucoDetector(_dictionary(), settings)
    best = FrameSeen((), np.empty((0, 4, 2)))
    for long_side in _LONG_SIDES_PX:
        shrink = max(1, int(np.ceil(max(grey.shape) / long_side)))
        rows, columns = (n // shrink for n in grey.shape)
        small = cv2.resize(
            grey[: rows * shrink, : columns * shrink], (columns, rows), interpolation=cv2.INTER_AREA
        )
        found, indices, _ = detector.detectMarkers(small)
        if indices is None or not len(found):
            continue
        numbers, first = np.unique(np.ravel(indices), return_index=True)
        corners = np.asarray(found, float).reshape(-1, 4, 2)[first]
        if len(numbers) > len(best.markers):
            # Pixel centres are whole numbers at every size, pixel edges are what scales.
            markers = tuple(FRAME_MARKERS[i] for i in numbers)
            best = FrameSeen(markers, (corners + 0.5) * shrink - 0.5)
        if len(numbers) >= FEWEST_FRAME_MARKERS or shrink == 1:
            break
    return best
