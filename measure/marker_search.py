"""The card's markers in a picture: which ones, and roughly where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.card import (
    MARKER_FAMILY,
    MARKER_MODULES,
    Card,
    Marker,
    card_of_marker,
    marker_modules,
)
from measure.errors import MeasureError
from measure.marker_matching import match_markers
from measure.picture import Picture

Floats = NDArray[np.float64]

FEWEST_MARKERS: Final = 2
"""One marker's tilt cannot be told from its size; two, each square, can hold a plane."""

_LONG_SIDES_PX: Final = (500, 1000, 2000)
"""Sizes the picture is searched at, the small first: markers are coarse things.

On a card too small for the last no strand has the pixels it needs.
"""

_ENOUGH: Final = 4
"""Markers from which the places of the card's others can be foretold."""

_SOME: Final = 3
"""Looked for at first is one number in so many."""

_READABLE_MODULE_PX: Final = 1.75
"""Modules smaller than this are not read, so that smaller squares need not be looked at."""

_WINDOW_PX: Final = 13
"""Pixels are called ink or paper by the mean over such a square."""


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
    best: MarkersSeen | None = None
    mirrored = False
    for image, shrunk in _sizes(picture.pixels):
        found, backwards = _detect(image)
        mirrored = mirrored or backwards
        if found is None:
            if mirrored:
                break
            continue
        # Pixel centres are whole numbers at every size, pixel edges are what scales.
        rough = replace(found, corners_px=(found.corners_px + 0.5) * shrunk - 0.5)
        seen = _completed(picture, rough)
        if best is None or len(seen.markers) > len(best.markers):
            best = seen
        if len(best.markers) >= _ENOUGH:
            break
    if best is not None and len(best.markers) >= FEWEST_MARKERS:
        return best
    if mirrored:
        raise MeasureError(
            "mirrored",
            "The picture is mirrored, which would swap S and Z twist.",
            "Turn mirroring off in the camera program, or use the camera on the back.",
        )
    if best is None:
        raise MeasureError(
            "no_card",
            "No printed card was found in the picture.",
            "Lay the strand on the card and get a whole row of its square markers into the "
            "picture, in focus.",
        )
    raise MeasureError(
        "too_few_markers",
        "Only one marker of the card could be read, too few to fix the scale.",
        "Show more of the card: at least two of its square markers, better all of them.",
    )


def shows_card(picture: Picture) -> bool:
    """True when enough of a printed card shows for it to give the scale."""
    try:
        return len(find_markers(picture).markers) >= _ENOUGH
    except MeasureError:
        return False


def follow_markers(picture: Picture, card: Card, foretold_px: Floats) -> MarkersSeen | None:
    """A card's markers near their foretold corners (m, 4, 2), or None when they are not there."""
    index, corners_px = match_markers(picture.pixels, card, foretold_px)
    if len(index) < _ENOUGH:
        return None
    return MarkersSeen(card, tuple(card.markers[i] for i in index), corners_px)


def _completed(picture: Picture, rough: MarkersSeen) -> MarkersSeen:
    """All the card's markers that are where those found say, with their corners made sure."""
    if len(rough.markers) < FEWEST_MARKERS:
        return rough
    corners_mm = rough.card.corners_mm
    index = [rough.card.place_of[m.number] for m in rough.markers]
    flat_mm, flat_px = corners_mm[index].reshape(-1, 2), rough.corners_px.reshape(-1, 2)
    view = cv2.findHomography(flat_mm, flat_px, 0)[0]
    if view is None:
        return rough
    every = cv2.perspectiveTransform(corners_mm.reshape(1, -1, 2), view)
    foretold = np.asarray(every, np.float64).reshape(-1, 4, 2)
    # The search sees squares a little small: of each only its middle is believed.
    foretold[index] += np.mean(rough.corners_px - foretold[index], axis=1, keepdims=True)
    seen = follow_markers(picture, rough.card, foretold)
    return seen if seen is not None and len(seen.markers) >= len(rough.markers) else rough


def _sizes(pixels: NDArray[Any]) -> Iterator[tuple[NDArray[np.uint8], int]]:
    """Eight-bit grey pictures from small to large, and how many times each is shrunk."""
    rows, columns = pixels.shape[:2]
    for shrunk in sorted({-(-max(rows, columns) // side) for side in _LONG_SIDES_PX}, reverse=True):
        small = (rows // shrunk, columns // shrunk)
        plane = pixels[: small[0] * shrunk, : small[1] * shrunk]
        if shrunk > 1:
            # The mean of the four pixels in the middle of each square.
            plane = np.asarray(cv2.resize(plane, small[::-1], interpolation=cv2.INTER_LINEAR))
        if plane.ndim == 3:
            # Green stands in for grey: it is the sharpest channel and costs no arithmetic.
            plane = np.asarray(cv2.extractChannel(plane, 1))
        if plane.dtype == np.uint16:
            plane = np.right_shift(plane, 8)
        yield plane.astype(np.uint8, copy=False), shrunk


@lru_cache(maxsize=3)
def _dictionary(mirrored: bool, every: int) -> tuple[cv2.aruco.Dictionary, tuple[int, ...]]:
    """Our numbers alone or some of them, as they are or as a mirror shows them.

    Faster than the whole family, and a foreign marker is not one of ours.
    """
    whole = cv2.aruco.getPredefinedDictionary(MARKER_FAMILY)
    numbers = tuple(sorted(card_of_marker()))[::every]
    codes = [whole.bytesList[number] for number in numbers]
    if mirrored:
        paper = [~marker_modules(number)[1:-1, 1:-1] for number in numbers]
        flipped = [np.ascontiguousarray(one[:, ::-1], np.uint8) for one in paper]
        codes = [cv2.aruco.Dictionary.getByteListFromBits(one)[0] for one in flipped]
    # The family keeps its codes 11 bits apart, mirrored ones 6: two wrong ones can be mended.
    # (OpenCV mends 0.6 of what is stated.)
    return cv2.aruco.Dictionary(np.array(codes), whole.markerSize, 4), numbers


def _detect(image: NDArray[np.uint8]) -> tuple[MarkersSeen | None, bool]:
    """The card that shows most markers, and whether markers show that are mirrored.

    OpenCV's time grows with the number of codes: where some of them show the card well, the others
    need not be looked for, and mirrored ones only where too few show.
    """
    seen = _seen(*_markers(image, mirrored=False, every=_SOME))
    if seen is not None and len(seen.markers) >= 2 * _ENOUGH:
        return seen, False
    seen = _seen(*_markers(image, mirrored=False))
    if seen is not None and len(seen.markers) >= _ENOUGH:
        return seen, False
    backwards, _ = _markers(image, mirrored=True)
    return seen, len(backwards) >= FEWEST_MARKERS


def _markers(image: NDArray[np.uint8], mirrored: bool, every: int = 1) -> tuple[Floats, list[int]]:
    """Corners (m, 4, 2) and numbers of our markers, or of those that a mirror shows.

    Of our numbers, looked for is one in `every`.
    """
    dictionary, numbers = _dictionary(mirrored, every)
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = _WINDOW_PX
    settings.minMarkerPerimeterRate = min(
        4 * MARKER_MODULES * _READABLE_MODULE_PX / max(image.shape), 0.5
    )
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    detector = cv2.aruco.ArucoDetector(dictionary, settings)
    found, indices, _ = detector.detectMarkers(image)
    if indices is None:
        return np.empty((0, 4, 2)), []
    return np.asarray(found, float).reshape(-1, 4, 2), [numbers[int(i)] for i in np.ravel(indices)]


def _seen(corners_px: Floats, numbers: list[int]) -> MarkersSeen | None:
    """The card that shows most of the markers found."""
    if not numbers:
        return None
    owners = [card_of_marker()[number] for number in numbers]
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
