"""How soft the camera drew the card's printed edges: the picture's own edge spread.

The spread is that of pixels as they are: lens, focus, motion, the pixel's own aperture and the
softness of the print together, since a strand's edge is drawn through all but the last of them.
The same edges tell how the light on the paper beside them changes over the card.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.edge_reading import EdgesSeen
from measure.medians import median
from measure.picture import Picture
from measure.plane_map import Floats
from measure.printed_edges import PrintedEdges
from measure.scale import Scale

ACROSS: Final = np.array([0.0, 1.0])
ALONG: Final = np.array([1.0, 0.0])

UNSEEN_SPREAD_PX: Final = (0.8, 0.3)
"""Spread where no card shows it, and its standard uncertainty: our assumption of a sharp scan."""

LEAST_DOUBT: Final = 0.01
"""No spread is known better than this share of it: blur is not quite Gaussian."""

_FEWEST_EDGES: Final = 4
_FEWEST_ON_PAPER: Final = 12
_IN_LANE: Final = 0.1
"""Share of a lane's width, from its borders, beyond which strands may shade the paper."""
_HELD: Final = 1.2
"""Surfaces are held beyond this many times the reach of the edges seen."""


@dataclass(frozen=True)
class EdgeSpread:
    """Standard deviation of the Gaussian that blurs an edge, the pixel's aperture included."""

    sigma_y_mm: float
    """Across the strands (card y): middle over the picture."""
    u_sigma_y_mm: float
    sigma_x_mm: float
    """Along the strands (card x)."""
    u_sigma_x_mm: float
    sigma_y_px: float
    sigma_x_px: float
    overshoot: float
    """Sharpening halo on the paper beside edges, share of their contrast; 0 without."""
    clipped_share: float
    """Share of the paper's pixels beside edges that are at the top of the scale."""
    edges_used: int
    scale: Scale
    surface: Floats
    """(6,) log of the spread across strands in mm by 1, x, y, x^2, xy, y^2 of scaled places."""
    middle_mm: Floats
    reach_mm: Floats
    """(2,) each: places count from `middle_mm` in units of `reach_mm`, cut off at 1.2."""
    paper: Floats | None
    """(6,) log of the paper's brightness by the same terms; None where no card shows it."""

    def light_slope(self, points_mm: Floats) -> Floats | None:
        """Relative change of the light on paper per mm (n, 2), by x and y, at places (n, 2)."""
        if self.paper is None:
            return None
        points = np.asarray(points_mm, float)
        x, y = np.clip((points - self.middle_mm) / self.reach_mm, -_HELD, _HELD).T
        _, by_x, by_y, by_xx, by_xy, by_yy = self.paper
        slope = np.stack([by_x + 2 * by_xx * x + by_xy * y, by_y + by_xy * x + 2 * by_yy * y], -1)
        return np.asarray(slope / self.reach_mm)

    def sigma_mm(self, points_mm: Floats) -> Floats:
        """Spread across the strands (n,) in mm at places (n, 2)."""
        basis = _basis(np.asarray(points_mm, float), self.middle_mm, self.reach_mm)
        return np.asarray(np.exp(basis @ self.surface))

    def sigma_px(self, points_mm: Floats) -> Floats:
        """Spread across the strands (n,) in px at places (n, 2)."""
        points = np.asarray(points_mm, float)
        return self.sigma_mm(points) / self.scale.mm_per_px(points, ACROSS)


def measure_edge_spread(picture: Picture, scale: Scale) -> EdgeSpread:
    """The spread of the card's printed edges: marker borders and the lane's dark bands.

    Without a card, or with too few edges read, it is an assumption with a wide uncertainty and
    `edges_used` is 0.
    """
    if scale.view is None:
        return _assumed(picture, scale)
    part = _Part.of(scale, scale.view.edges, scale.view.read)
    across, along = (part.along_x(upright) for upright in (True, False))
    if len(across.sigma_px) < _FEWEST_EDGES:
        return _assumed(picture, scale)
    if len(along.sigma_px) < _FEWEST_EDGES:
        along = across
    everywhere = across.places_mm
    middle, reach = everywhere.mean(axis=0), np.maximum(np.ptp(everywhere, axis=0) / 2, 1.0)
    surface = _smooth_surface(_basis(everywhere, middle, reach), np.log(across.sigma_mm))
    sigma_y_mm, u_y = _middle(across.sigma_mm)
    sigma_x_mm, u_x = _middle(along.sigma_mm)
    return EdgeSpread(
        sigma_y_mm=sigma_y_mm,
        u_sigma_y_mm=u_y,
        sigma_x_mm=sigma_x_mm,
        u_sigma_x_mm=u_x,
        sigma_y_px=median(across.sigma_px),
        sigma_x_px=median(along.sigma_px),
        overshoot=median(np.concatenate([across.overshoot, along.overshoot])),
        clipped_share=float(np.mean(np.concatenate([across.clipped, along.clipped]))),
        edges_used=len(across.sigma_px) + len(along.sigma_px),
        scale=scale,
        surface=surface,
        middle_mm=middle,
        reach_mm=reach,
        paper=_paper_surface(part, scale, middle, reach),
    )


def _paper_surface(part: _Part, scale: Scale, middle_mm: Floats, reach_mm: Floats) -> Floats | None:
    """Terms of the paper's log brightness, from edges that no strand lies beside."""
    bare = part.paper > 0.0
    for lane in scale.card.lanes if scale.card else ():
        into = (part.places_mm[:, 1] / scale.printer.y - lane.y_mm) / lane.height_mm
        bare &= (into < _IN_LANE) | (into > 1.0 - _IN_LANE)
    if np.count_nonzero(bare) < _FEWEST_ON_PAPER:
        return None
    basis = _basis(part.places_mm[bare], middle_mm, reach_mm)
    return _smooth_surface(basis, np.log(part.paper[bare]))


@dataclass(frozen=True)
class _Part:
    """Edges that were read well, (n,) each."""

    upright: NDArray[np.bool_]
    """True where the edge lies along x, so that its spread is across the strands."""
    places_mm: Floats
    sigma_px: Floats
    sigma_mm: Floats
    overshoot: Floats
    clipped: Floats
    paper: Floats
    """Linear light of the paper beside it."""

    @staticmethod
    def of(scale: Scale, edges: PrintedEdges, read: EdgesSeen) -> _Part:
        good = read.good
        places, outward = edges.middles_mm()[good], edges.outward[good]
        # Pixels crossed, square to the edge in the picture, per mm square to it on the card.
        moved = np.einsum("nij,nj->ni", scale.plane.jacobian(places), outward)
        px_per_mm = np.abs(np.sum(moved * read.normals()[good], axis=1))
        sigma_px = read.sigma_px[good]
        return _Part(
            np.abs(outward[:, 1]) > 0.5,
            places,
            sigma_px,
            sigma_px / px_per_mm,
            read.overshoot[good],
            read.clipped[good],
            read.light[good],
        )

    def along_x(self, upright: bool) -> _Part:
        """Those that lie along x, or those that do not."""
        keep = self.upright == upright
        return _Part(*(getattr(self, name)[keep] for name in _Part.__dataclass_fields__))


def _basis(points_mm: Floats, middle_mm: Floats, reach_mm: Floats) -> Floats:
    """Quadratic terms (n, 6) of places; held beyond the edges seen, never run on."""
    x, y = np.clip((points_mm - middle_mm) / reach_mm, -_HELD, _HELD).T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _smooth_surface(basis: Floats, values: Floats) -> Floats:
    """Coefficients (6,) of a surface through values (n,), robust, flat where little supports it."""
    flatness = 0.02 * len(values) * np.diag([0.0, 1, 1, 1, 1, 1])
    weight: Floats = np.ones(len(values))
    surface: Floats = np.zeros(basis.shape[1])
    for _ in range(5):
        weighted = basis * weight[:, None]
        normal = basis.T @ weighted + flatness * np.mean(weight)
        surface = np.asarray(np.linalg.solve(normal, weighted.T @ values), np.float64)
        residual = np.abs(values - basis @ surface)
        scale = max(1.4826 * median(residual), 1e-4)
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(residual, 1e-12)).astype(np.float64)
    return surface


def _middle(sigma_mm: Floats) -> tuple[float, float]:
    """Median of spreads (n,) and its standard uncertainty."""
    middle = median(sigma_mm)
    spread = 1.4826 * median(np.abs(sigma_mm - middle))
    # A median scatters 1.2533 times as much as a mean of Gaussian values.
    u = 1.2533 * spread / np.sqrt(len(sigma_mm))
    return middle, float(np.hypot(u, LEAST_DOUBT * middle))


def _assumed(picture: Picture, scale: Scale) -> EdgeSpread:
    rows, columns = picture.pixels.shape[:2]
    middle = scale.to_card(np.array([[(columns - 1) / 2, (rows - 1) / 2]]))
    sigma_px, u_px = UNSEEN_SPREAD_PX
    y_mm = float(scale.mm_per_px(middle, ACROSS)[0])
    x_mm = float(scale.mm_per_px(middle, ALONG)[0])
    return EdgeSpread(
        sigma_y_mm=sigma_px * y_mm,
        u_sigma_y_mm=u_px * y_mm,
        sigma_x_mm=sigma_px * x_mm,
        u_sigma_x_mm=u_px * x_mm,
        sigma_y_px=sigma_px,
        sigma_x_px=sigma_px,
        overshoot=0.0,
        clipped_share=0.0,
        edges_used=0,
        scale=scale,
        surface=np.array([np.log(sigma_px * y_mm), 0.0, 0.0, 0.0, 0.0, 0.0]),
        middle_mm=middle[0],
        reach_mm=np.full(2, 100.0),
        paper=None,
    )
