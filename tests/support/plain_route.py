"""The plain way with scikit-image: Otsu's threshold, skeleton, distance transform, mean width.

Set beside ours in the speed bench. It is given our own map from card to picture, so that what is
compared is how the width is read and not who finds the card.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.color import rgb2gray
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops
from skimage.morphology import skeletonize
from skimage.transform import warp

from measure.scale import Scale

Floats = NDArray[np.float64]

_MARGIN_MM = 0.8


@dataclass(frozen=True)
class PlainStrand:
    """One strand as the plain route sees it, card mm."""

    y_mm: float
    width_mm: float


def otsu_foreground(grey: Floats) -> NDArray[np.bool_]:
    """What lies on the rarer side of Otsu's threshold."""
    above = grey > threshold_otsu(grey)
    return above if above.mean() < 0.5 else ~above


def mean_width_px(foreground: NDArray[np.bool_]) -> float:
    """Mean over the skeleton of twice the distance to the background, less half a pixel.

    The distance counts from pixel middle to pixel middle: twice it is right for an even number of
    pixels across and one too many for an odd one.
    """
    padded = np.pad(foreground, ((1, 1), (0, 0)))
    distance = ndimage.distance_transform_edt(padded)
    return 2.0 * float(distance[skeletonize(padded)].mean()) - 0.5


def lane_laid_flat(
    pixels: NDArray[np.uint8], scale: Scale, box_mm: tuple[float, float, float, float]
) -> tuple[Floats, float]:
    """Grey code values (rows, columns) of a rectangle x0, y0, x1, y1 of the card, and px per mm."""
    x0, y0, x1, y1 = box_mm
    middle = np.array([[(x0 + x1) / 2, (y0 + y1) / 2]])
    px_per_mm = 1.0 / float(scale.mm_per_px(middle, np.array([0.0, 1.0]))[0])
    rows, columns = round((y1 - y0) * px_per_mm), round((x1 - x0) * px_per_mm)
    x = x0 + (np.arange(columns) + 0.5) / px_per_mm
    y = y0 + (np.arange(rows) + 0.5) / px_per_mm
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    at = scale.to_picture(grid)
    grey = rgb2gray(pixels)
    return warp(grey, np.stack([at[..., 1], at[..., 0]]), order=1), px_per_mm


def plain_strands(
    pixels: NDArray[np.uint8], scale: Scale, boxes_mm: list[tuple[float, float, float, float]]
) -> list[PlainStrand]:
    """Strands crossing each of the boxes from side to side, one entry per box and strand."""
    out = []
    for box in boxes_mm:
        grey, px_per_mm = lane_laid_flat(pixels, scale, box)
        found = label(otsu_foreground(grey))
        for region in regionprops(found):
            top, left, bottom, right = region.bbox
            if right - left < 0.95 * grey.shape[1] or bottom - top > 0.6 * grey.shape[0]:
                continue
            width_px = mean_width_px(region.image)
            y = box[1] + (region.centroid[0] + 0.5) / px_per_mm
            out.append(PlainStrand(float(y), width_px / px_per_mm))
    return out


def light_bands_mm(scale: Scale) -> list[tuple[float, float, float, float]]:
    """The banded lane's light bands, a little inside their edges: the plain route's best ground."""
    assert scale.card is not None
    lane = scale.card.lane("banded")
    return [
        (
            lane.x_mm + band.from_mm + _MARGIN_MM,
            lane.y_mm + _MARGIN_MM,
            lane.x_mm + band.to_mm - _MARGIN_MM,
            lane.y_mm + lane.height_mm - _MARGIN_MM,
        )
        for band in lane.bands
        if band.ground == "light"
    ]
