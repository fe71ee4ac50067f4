"""The plain way to a width: where the brightness crosses half way between ground and strand.

It is what a thresholding program measures, set beside ours in the benches. It knows nothing of
shadows, of the strand's own shading or of the view's slant.
"""

from __future__ import annotations

import numpy as np
from analytic_types import Truth
from drawn_cases import centre_mm
from numpy.typing import NDArray

from measure import Picture, newest_card, read_picture
from measure.edge_spread import measure_edge_spread
from measure.errors import MeasureError
from measure.profiles import Cuts, cut_strand
from measure.regions import card_regions
from measure.scale import Scale, find_scale
from measure.strands import find_strands

Floats = NDArray[np.float64]


def width_at_half_level(u: Floats, light: Floats, ground: float) -> float | None:
    """Distance between the innermost half-level crossings about the middle of one profile.

    `u` (n,) ascending, `light` (n,) at those places, `ground` the level with no strand. None when
    either side has no crossing.
    """
    inner = np.abs(u) <= max(0.1 * float(np.abs(u).max()), 1.5 * float(np.median(np.diff(u))))
    departure = np.abs(light - ground)
    start = int(np.nonzero(inner)[0][np.argmax(departure[inner])])
    half = 0.5 * departure[start]
    edges = []
    for step in (-1, 1):
        i = start
        while 0 <= i + step < len(u) and departure[i + step] > half:
            i += step
        if not 0 <= i + step < len(u):
            return None
        share = (departure[i] - half) / (departure[i] - departure[i + step])
        edges.append(u[i] + share * (u[i + step] - u[i]))
    return float(edges[1] - edges[0])


def half_level_diameter(cuts: Cuts) -> float | None:
    """Mean half-level width of a strand's cuts, mm, in the channel where it shows best."""
    widths = []
    for i in np.nonzero(cuts.valid)[0]:
        use = cuts.weight[i] > 0
        if use.sum() < 8:
            continue
        u, light = cuts.u_mm[i][use].astype(float), cuts.light[:, i, use].T.astype(float)
        channel = int(np.abs(light - cuts.level[i]).max(axis=0).argmax())
        ground = float(cuts.level[i][channel])
        if np.abs(light[:, channel] - ground).max() < 0.08:
            continue
        width = width_at_half_level(u, light[:, channel], ground)
        if width is not None:
            widths.append(width)
    return float(np.mean(widths)) if widths else None


def cuts_of(picture: Picture) -> tuple[Scale, list[Cuts]]:
    """The scale and the same profiles that the reading rests on. Raises MeasureError."""
    scale = find_scale(picture)
    spread = measure_edge_spread(picture, scale)
    assert scale.card is not None
    out = []
    for region in card_regions(scale.card, (scale.printer.x, scale.printer.y)):
        sight = find_strands(picture, scale, region)
        for number, line in enumerate(sight.strands):
            place = region.to_card(np.array([[line.along_mm.mean(), line.across_mm.mean()]]))
            blur_mm = float(spread.sigma_mm(place)[0])
            out.append(cut_strand(picture, scale, sight, number, blur_mm))
    return scale, out


def half_level_readings(data: bytes, truth: Truth) -> list[float | None]:
    """Half-level diameters of the strands of a drawn pocket card, None where nothing was found."""
    try:
        _, found = cuts_of(read_picture(data))
    except MeasureError:
        return [None] * len(truth.strands)
    card = newest_card("pocket")
    out: list[float | None] = []
    for drawn in truth.strands:
        here = None
        for cuts in found:
            region = cuts.line.region
            at = np.column_stack([cuts.line.along_mm, cuts.line.across_mm])
            place = region.to_card(at)
            away = place[:, 1] - centre_mm(card, drawn.strand, place[:, 0])[:, 1]
            if np.median(np.abs(away)) < 0.3 + 0.75 * drawn.mean_diameter_mm:
                here = half_level_diameter(cuts)
        out.append(here)
    return out
