"""How the camera stands: focus, glare, light, pixels across the strand, tilt, and what to do first.

Everything but the glare was found while the picture was read; only that looks at pixels again, at
the middles of the markers' modules, which are known to be ink.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from measure.camera_meters import CameraHelp, Meter, MeterName, Unit
from measure.card import CARDS, MARKER_MODULES, Card, marker_modules
from measure.edge_spread import EdgeSpread
from measure.linear_light import decode_srgb
from measure.picture import Picture
from measure.pipeline import BURNT_OUT, Seen
from measure.reading import COMFORTABLE_PX, SOFT_BLUR
from measure.results import Floats, PictureReading
from measure.scale import Scale

USUAL_STRAND_MM: Final = 0.5
"""A fine single, for which the camera is set up when no strand is there to ask: our assumption."""

_GLARE: Final = 0.02
"""Share of the card's ink that may shine: our assumption."""
_SHINES: Final = 0.35
"""Ink brighter than this share of the paper shines; printed ink has a tenth: our assumption."""
_DARK: Final = 0.12
"""Linear light of the paper under which noise tells: code 97 of 255, our assumption."""
_TILTED_DEG: Final = 20.0
"""Tilt across a strand at which its outline is 6 % wider than it is, by 1 / cos."""
_SHARP_PX: Final = 1.3
"""Edge spread no focusing betters much: a pixel's own aperture, a lens, a little sharpening."""
_MOVED: Final = 1.5
"""Edge spread one way over the other from which the card moved: our assumption."""


def camera_help(
    picture: Picture, reading: PictureReading, seen: Seen, strand_mm: float | None = None
) -> CameraHelp:
    """Help for a picture that `follow` gave `reading` and `seen` for.

    `strand_mm` is the strand aimed at when the picture shows none; None is a fine single.
    """
    scale, edges = seen.scale, seen.edges
    if scale is None or edges is None or scale.card is None or reading.scale is None:
        return _without_a_card(picture, reading, strand_mm or USUAL_STRAND_MM)
    mm_per_px = reading.scale.mm_per_px
    width_px = _finest_px(reading)
    aimed_mm = width_px * mm_per_px if width_px else strand_mm or USUAL_STRAND_MM
    needed_px = SOFT_BLUR * aimed_mm / mm_per_px
    paper = float(np.mean(seen.paper)) if seen.paper is not None else None
    burnt = edges.clipped_share if edges.clipped_share > BURNT_OUT else 0.0
    shining = _shining(picture.pixels, scale, scale.card, paper)
    if width_px:
        pixels = _meter("pixels", width_px, "px", COMFORTABLE_PX, reach=True)
    else:
        pixels = _meter("pixels", 1 / mm_per_px, "px/mm", COMFORTABLE_PX / aimed_mm, reach=True)
    meters = CameraHelp(
        focus=_meter("focus", edges.sigma_y_px, "px", needed_px),
        glare=_meter("glare", 100 * max(shining, burnt), "%", 100 * _GLARE),
        light=_meter("light", None if paper is None else 100 * paper, "%", 100 * _DARK, reach=True),
        pixels=pixels,
        tilt=_meter("tilt", scale.tilt_deg, "°", _TILTED_DEG),
        blur_mm=edges.sigma_y_mm,
        needed_blur_mm=SOFT_BLUR * aimed_mm,
        strand_mm=aimed_mm,
        advice="",
    )
    return replace(meters, advice=_advice(meters, edges, burnt > shining, reading))


def _advice(meters: CameraHelp, edges: EdgeSpread, burnt: bool, reading: PictureReading) -> str:
    """What stands most in the way, in the order in which it is mended."""
    focus, pixels = meters.focus, meters.pixels
    sharp_px = edges.sigma_y_px <= _SHARP_PX
    uneven = edges.sigma_y_px / edges.sigma_x_px
    if meters.glare.state == "poor" and burnt:
        return "Lower the exposure, or take the direct light away."
    if meters.glare.state == "poor":
        return "Move the lamp to the side: it is mirrored in the card."
    if meters.light.state == "poor":
        return "Give the card more light."
    if focus.state == "poor" and not sharp_px and max(uneven, 1 / uneven) > _MOVED:
        return "Hold card and camera still."
    if focus.state == "poor" and not sharp_px:
        return "Focus on the card, or step back until it is sharp."
    if "poor" in (pixels.state, focus.state):
        shares = [(pixels.value or 0.0) / pixels.limit, focus.limit / (focus.value or 1.0)]
        share = min(max(min(shares), 0.05), 0.95)
        return f"Bring the camera closer, to about {100 * share:.0f} % of the distance."
    if meters.tilt.state == "poor":
        return "Hold the camera straight above the card."
    return reading.refusals[0].advice if reading.refusals and not reading.strands else ""


def _without_a_card(picture: Picture, reading: PictureReading, aimed_mm: float) -> CameraHelp:
    light = _meter("light", 100 * _brightness(picture.pixels), "%", 100 * _DARK, reach=True)
    advice = reading.refusals[0].advice if reading.refusals else ""
    return CameraHelp(
        focus=_meter("focus", None, "px", _SHARP_PX),
        glare=_meter("glare", None, "%", 100 * _GLARE),
        light=light,
        pixels=_meter("pixels", None, "px/mm", COMFORTABLE_PX / aimed_mm, reach=True),
        tilt=_meter("tilt", None, "°", _TILTED_DEG),
        blur_mm=None,
        needed_blur_mm=SOFT_BLUR * aimed_mm,
        strand_mm=aimed_mm,
        advice="Give the card more light." if light.state == "poor" else advice,
    )


def _meter(
    name: MeterName, value: float | None, unit: Unit, limit: float, *, reach: bool = False
) -> Meter:
    if value is None:
        return Meter(name, None, unit, limit, "unknown")
    good = value >= limit if reach else value <= limit
    return Meter(name, value, unit, limit, "good" if good else "poor")


def _finest_px(reading: PictureReading) -> float | None:
    """Pixels across the finest strand that was read, or else of those that were refused."""
    if reading.strands:
        return min(strand.width_px for strand in reading.strands)
    outlines = [refusal.outline for refusal in reading.refusals if refusal.outline is not None]
    widths = [
        float(np.median(np.hypot(*(outline.right_px - outline.left_px).T))) for outline in outlines
    ]
    return min(widths, default=None)


def _shining(pixels: NDArray[Any], scale: Scale, card: Card, paper: float | None) -> float:
    """Share of the ink inside the markers seen that is far brighter than ink is."""
    if paper is None or scale.view is None:
        return 0.0
    numbers = {marker.number for marker in scale.view.markers}
    places, owners = _inner_ink_mm(card.kind, card.edition)
    own = np.isin(owners, list(numbers))
    factors = np.array([scale.printer.x, scale.printer.y])
    px = np.rint(scale.to_picture(places[own] * factors)).astype(np.intp)
    height, width = pixels.shape[:2]
    px = px[np.all((px >= 0) & (px < [width, height]), axis=1)]
    if not len(px):
        return 0.0
    light = decode_srgb(pixels[px[:, 1], px[:, 0]])
    if light.ndim == 2:
        light = light.mean(axis=1)
    return float(np.mean(light > _SHINES * paper))


@lru_cache(maxsize=8)
def _inner_ink_mm(kind: str, edition: int) -> tuple[Floats, NDArray[np.int_]]:
    """Middles (n, 2) of ink modules with ink all round them, and their markers' numbers (n,)."""
    card = next(c for c in CARDS if (c.kind, c.edition) == (kind, edition))
    places: list[Floats] = []
    owners: list[int] = []
    for marker in card.markers:
        ink = np.pad(marker_modules(marker.number), 1)
        inner = ink[1:-1, 1:-1].copy()
        for beside in (ink[:-2, 1:-1], ink[2:, 1:-1], ink[1:-1, :-2], ink[1:-1, 2:]):
            inner &= beside
        rows, columns = np.nonzero(inner)
        module = marker.side_mm / MARKER_MODULES
        middle = np.stack([columns + 0.5, rows + 0.5], axis=1) * module
        places.append(middle + np.array([marker.x_mm, marker.y_mm]))
        owners += [marker.number] * len(rows)
    return np.concatenate(places), np.array(owners)


def _brightness(pixels: NDArray[Any]) -> float:
    """Linear light of the brightest tenth of a picture, where a card would be."""
    step = max(1, min(pixels.shape[:2]) // 64)
    some = decode_srgb(np.ascontiguousarray(pixels[::step, ::step]))
    if some.ndim == 3:
        some = some.mean(axis=2)
    return float(np.percentile(some, 90.0))
