"""The card's markers in a picture: which ones, and roughly where."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.card import MARKER_FAMILY, MARKER_MODULES, Card, Marker, card_of_marker
from measure.errors import MeasureError
from measure.picture import Picture

Floats = NDArray[np.float64]

FEWEST_MARKERS: Final = 2
"""One marker's tilt cannot be told from its size; two, each square, can hold a plane."""

_FIRST_LONG_SIDE_PX: Final = 1600
"""The picture is halved until it is no longer than this: markers are coarse things."""

_READABLE_MODULE_PX: Final = 3.5
"""Below this a marker's modules are read unsurely and a larger picture is worth its time."""


@dataclass(frozen=True)
class MarkersSeen:
    """The markers of one card in a picture."""

    card: Card
    markers: tuple[Marker, ...]
    corners_px: Floats
    """(n, 4, 2), good to a pixel or two, in the order of `Marker.corners_mm`."""


def find_markers(picture: Picture) -> MarkersSeen:
    """Find the markers of the card that shows most of them.

    Raises MeasureError: `no_card`, `mirrored`, `too_few_markers`.
    """
    grey = _eight_bit_grey(picture.pixels)
    seen = _search(grey)
    if seen is None or len(seen.markers) < FEWEST_MARKERS:
        # Cameras that mirror are webcams: their pictures are small, half the size will do.
        small = _halved(grey) if max(grey.shape) > 2 * _FIRST_LONG_SIDE_PX else grey
        flipped = _search(np.ascontiguousarray(small[:, ::-1]))
        if flipped is not None and len(flipped.markers) >= FEWEST_MARKERS:
            raise MeasureError(
                "mirrored",
                "The picture is mirrored, which would swap S and Z twist.",
                "Turn mirroring off in the camera program, or use the camera on the back.",
            )
    if seen is None:
        raise MeasureError(
            "no_card",
            "No printed card was found in the picture.",
            "Lay the strand on the card and get a whole row of its square markers into the "
            "picture, in focus.",
        )
    if len(seen.markers) < FEWEST_MARKERS:
        raise MeasureError(
            "too_few_markers",
            "Only one marker of the card could be read, too few to fix the scale.",
            "Show more of the card: at least two of its square markers, better all of them.",
        )
    return seen


def _eight_bit_grey(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Green stands in for grey: it is the sharpest channel and costs no arithmetic."""
    plane: NDArray[Any] = pixels
    if pixels.ndim == 3:
        plane = np.asarray(cv2.extractChannel(pixels, 1))
    if plane.dtype == np.uint16:
        plane = np.right_shift(plane, 8)
    return plane.astype(np.uint8, copy=False)


def _search(grey: NDArray[np.uint8]) -> MarkersSeen | None:
    """Markers in a picture, looked for in the small before the large."""
    sizes = [grey]
    while max(sizes[-1].shape) > _FIRST_LONG_SIDE_PX:
        sizes.append(_halved(sizes[-1]))
    best: MarkersSeen | None = None
    for halvings in range(len(sizes) - 1, -1, -1):
        found = _detect(sizes[halvings])
        if found is None:
            continue
        if best is None or len(found.markers) > len(best.markers):
            # Pixel centres are whole numbers at every size, pixel edges are what scales.
            corners = (found.corners_px + 0.5) * 2**halvings - 0.5
            best = MarkersSeen(found.card, found.markers, corners)
        module_px = float(np.median(_sides_px(found.corners_px))) / MARKER_MODULES
        if len(found.markers) >= 2 * FEWEST_MARKERS and module_px >= _READABLE_MODULE_PX:
            break
    return best


def _halved(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Half the size, each pixel the mean of four; an odd last row or column is dropped."""
    rows, columns = (n // 2 for n in grey.shape)
    even = grey[: 2 * rows, : 2 * columns]
    return np.asarray(cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8)


def _sides_px(corners_px: Floats) -> Floats:
    """Sides (n, 4) of markers (n, 4, 2)."""
    return np.asarray(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2))


@lru_cache(maxsize=1)
def _dictionary() -> tuple[cv2.aruco.Dictionary, tuple[int, ...]]:
    """Our numbers alone out of the family: faster, and a foreign marker is not one of ours."""
    whole = cv2.aruco.getPredefinedDictionary(MARKER_FAMILY)
    numbers = tuple(sorted(card_of_marker()))
    codes = np.ascontiguousarray(whole.bytesList[list(numbers)])
    # The family keeps its codes 11 bits apart; up to 5 wrong ones can be mended, 4 are.
    return cv2.aruco.Dictionary(codes, whole.markerSize, 4), numbers


def _detect(image: NDArray[np.uint8]) -> MarkersSeen | None:
    dictionary, numbers = _dictionary()
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = 5
    settings.adaptiveThreshWinSizeMax = 25
    settings.adaptiveThreshWinSizeStep = 20
    settings.minMarkerPerimeterRate = 0.02
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(dictionary, settings)
    found, indices, _ = detector.detectMarkers(image)
    if indices is None or not len(found):
        return None
    corners_px = np.asarray(found, float).reshape(-1, 4, 2)
    owners = [card_of_marker()[numbers[int(i)]] for i in np.ravel(indices)]
    counts: dict[int, int] = {}
    for card, _marker in owners:
        counts[id(card)] = counts.get(id(card), 0) + 1
    most = max(counts, key=lambda key: counts[key])
    chosen = [i for i, (card, _marker) in enumerate(owners) if id(card) == most]
    card = owners[chosen[0]][0]
    markers = [owners[i][1] for i in chosen]
    keep = _consistent(markers, corners_px[chosen])
    return MarkersSeen(card, tuple(markers[i] for i in keep), corners_px[chosen][keep])


def _consistent(markers: list[Marker], corners_px: Floats) -> NDArray[np.intp]:
    """Indices of markers that lie on one plane: no false readings, no second card."""
    if len(markers) <= FEWEST_MARKERS:
        first = {m.number: i for i, m in reversed(list(enumerate(markers)))}
        return np.array(sorted(first.values()), np.intp)
    corners_mm = np.array([m.corners_mm() for m in markers])
    extent = float(np.max(np.ptp(corners_px.reshape(-1, 2), axis=0)))
    # Wide enough for lens distortion, far narrower than the way to another card's marker.
    tolerance = max(3.0, 0.02 * extent)
    _, mask = cv2.findHomography(
        corners_mm.reshape(-1, 2), corners_px.reshape(-1, 2), cv2.RANSAC, tolerance
    )
    if mask is None:
        return np.arange(len(markers))
    inside = np.asarray(mask, bool).reshape(-1, 4).sum(axis=1) >= 3
    kept: dict[int, int] = {}
    for i in np.nonzero(inside)[0]:
        kept.setdefault(markers[i].number, int(i))
    return np.array(sorted(kept.values()), np.intp)
