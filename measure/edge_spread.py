"""How soft the camera drew the card's printed edges: the picture's own edge spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from measure.picture import Picture
from measure.plane_map import Floats
from measure.scale import Scale


@dataclass(frozen=True)
class EdgeSpread:
    """Gaussian spread (standard deviation) of printed edges, the pixel's own aperture included."""

    sigma_y_mm: float
    """Across the strands (card y), robust middle over the picture."""
    u_sigma_y_mm: float
    sigma_y_px: float
    sigma_x_mm: float
    """Along the strands (card x)."""
    u_sigma_x_mm: float
    sigma_x_px: float
    overshoot: float
    """Sharpening halo beside edges, as a share of their contrast; 0 for an honest lens."""
    clipped_share: float
    """Share of the paper's pixels beside edges that are at the top of the scale."""
    edges_used: int
    surface: Floats
    """(6,) log sigma_y_px as 1, x, y, x^2, xy, y^2 of `scaled` card places."""
    middle_mm: Floats
    reach_mm: float
    scale: Scale

    def sigma_px(self, points_mm: Floats) -> Floats:
        """Spread across the strands in pixels (n,) at places (n, 2)."""
        x, y = ((np.asarray(points_mm, float) - self.middle_mm) / self.reach_mm).T
        basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
        return np.asarray(np.exp(basis @ self.surface))

    def sigma_mm(self, points_mm: Floats) -> Floats:
        """Spread across the strands in millimetres (n,) at places (n, 2)."""
        points = np.asarray(points_mm, float)
        return self.sigma_px(points) * self.scale.mm_per_px(points, np.array([0.0, 1.0]))


def measure_edge_spread(picture: Picture, scale: Scale) -> EdgeSpread:
    """The edge spread of a picture whose card was found."""
    blur_px = scale.blur_px or 1.0
    middle = np.array([[0.0, 0.0]]) if scale.card is None else scale.places_mm.mean(axis=0)[None]
    mm = float(scale.mm_per_px(middle, np.array([0.0, 1.0]))[0])
    return EdgeSpread(
        blur_px * mm, 0.1 * blur_px * mm, blur_px, blur_px * mm, 0.1 * blur_px * mm, blur_px,
        0.0, 0.0, 0, np.array([np.log(blur_px), 0, 0, 0, 0, 0]), middle[0], 100.0, scale,
    )  # fmt: skip
