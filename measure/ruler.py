"""A plain ruler in the picture: its marks counted, and the view of its face that fits them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from measure.errors import MeasureError
from measure.picture import Picture
from measure.plane_fit import (
    Fit,
    Prior,
    Sightings,
    affine_prior,
    camera_prior,
    fit_plane,
    start_affine,
    start_pinhole,
)
from measure.plane_map import Affine, Floats, Pinhole
from measure.ruler_marks import Division, read_division
from measure.ruler_ticks import TickRow, find_tick_rows
from measure.settings import RulerUnit
from measure.yarn import MM_PER_INCH

SCAN_DPI: Final = (100.0, 4800.0)
SCAN_AGREEMENT: Final = 0.03
"""How far a scan's dpi tag may be from the ruler's own scale."""

_NARROWEST_MM: Final = 5.0
_WIDEST_MM: Final = 80.0
"""Of a ruler with marks along both edges."""

_FLOOR_PX: Final = 0.1
"""No mark is trusted further than this, in pixels of the size it was found in."""


_Read = tuple[TickRow, tuple[Division, ...]]
"""A row and what its pitch can be."""


@dataclass(frozen=True)
class MarkedEdge:
    """A line of marks on the ruler's face, in its mm: x along the marks, y square to them."""

    y_mm: float
    outward: float
    """-1 where the table lies towards smaller y, +1 where it lies towards larger."""
    from_mm: float
    to_mm: float


@dataclass(frozen=True, eq=False)
class RulerView:
    """The ruler as one picture shows it."""

    division: Division
    plane: Pinhole | Affine
    """From mm on the ruler's face, the first mark's foot at the origin, y down the picture where
    x runs right."""
    edges: tuple[MarkedEdge, ...]
    """The one whose marks were counted first."""
    ticks_px: Floats
    """(k, 2, 2) foot and tip of every mark used, in the picture."""
    residual_px: float
    """Root mean square of the marks about the map."""


def view_ruler(picture: Picture, unit: RulerUnit | None = None) -> RulerView:
    """Find a ruler and fit the view of its face; `unit` says what its marks are, if known.

    Raises MeasureError: `no_ruler`, `ruler_unit` where its marks do not tell the unit.
    """
    read = [
        (row, read_division(row.number, row.length, row.grain))
        for row in find_tick_rows(picture.pixels)
    ]
    read = [
        (row, tuple(d for d in divisions if unit is None or d.unit == unit))
        for row, divisions in read
    ]
    read = [(row, divisions) for row, divisions in read if divisions]
    if not read:
        raise _no_ruler(unit)
    row, divisions = _best(read)
    across = [pair for pair in read if _across(row, pair[0])]
    if len(divisions) > 1 and across:
        # The other edge may tell what this one does not.
        other, told = _best(across)
        if len(told) == 1:
            row, divisions = other, told
            across = [pair for pair in read if _across(row, pair[0])]
    if len(divisions) > 1:
        names = " or ".join(d.name for d in divisions)
        raise MeasureError(
            "ruler_unit",
            f"There is a ruler, but its marks may be {names}.",
            "Say which with --ruler mm or --ruler inch, or show an edge whose longer marks tell.",
        )
    division = divisions[0]
    fit = _fit(picture, row, division)
    edges = [_edge(fit.plane, row)]
    if across:
        back = _edge(fit.plane, _best(across)[0])
        beyond = (back.y_mm - edges[0].y_mm) * edges[0].outward
        if back.outward == -edges[0].outward and -_WIDEST_MM < beyond < -_NARROWEST_MM:
            edges.append(back)
    return RulerView(
        division=division,
        plane=fit.plane,
        edges=tuple(edges),
        ticks_px=np.stack([row.base_px, row.tip_px], axis=1),
        residual_px=float(np.sqrt(np.mean(fit.residuals_px[fit.trusted] ** 2))),
    )


def _best(rows: list[_Read]) -> _Read:
    """The most exact of those with nearly most marks: a row is found in more than one size."""
    most = max(len(row.number) for row, _ in rows)
    return min((r for r in rows if len(r[0].number) > 0.85 * most), key=lambda r: r[0].scatter)


def _no_ruler(unit: RulerUnit | None) -> MeasureError:
    what = {None: "ruler", "mm": "millimetre ruler", "inch": "inch ruler"}[unit]
    return MeasureError(
        "no_ruler",
        f"No {what} was found in the picture.",
        "Show 5 cm or 3 inches of its marked edge, or more, sharp and without glare.",
    )


def _across(row: TickRow, other: TickRow) -> bool:
    """Whether another row lies the same way and stands on the ruler's other edge."""
    turned = abs(float(row.along @ other.along))
    return turned > 0.98 and float(row.inward @ other.inward) < -0.9


def _fit(picture: Picture, row: TickRow, division: Division) -> Fit[Pinhole] | Fit[Affine]:
    """The map of the ruler's face: marks tell places along it, their feet the line they stand on.

    How the marks lie closer towards one end tells the tilt along the ruler, how they lean together
    the tilt across it; with the focal length, known or assumed, both make the view.
    """
    x_mm = row.number * division.pitch_mm
    along, across = _axes(row)
    mirrored = float(row.inward @ across) < 0
    length_mm = float(np.median(row.length)) * division.pitch_mm * (-1.0 if mirrored else 1.0)
    rough_mm = np.concatenate(
        [
            np.column_stack([x_mm, np.zeros(len(x_mm))]),
            np.column_stack([x_mm, row.length * division.pitch_mm * np.sign(length_mm)]),
        ]
    )
    rough_px = np.concatenate([row.base_px, row.tip_px])
    shape = picture.pixels.shape[:2]
    scan = _is_scan(picture, row, division)
    floor_px = _FLOOR_PX * max(1.0, max(shape) / 2400.0)

    def sightings(y_foot: Floats, y_tip: Floats) -> Sightings:
        points = np.concatenate(
            [
                np.column_stack([x_mm, y_foot]),
                np.column_stack([x_mm, y_tip]),
                np.column_stack([x_mm, np.zeros(len(x_mm))]),
            ]
        )
        lean = row.tip_px - row.base_px
        square = np.column_stack([lean[:, 1], -lean[:, 0]])
        square /= np.linalg.norm(square, axis=1)[:, None]
        line = np.broadcast_to(np.array([-along[1], along[0]]), square.shape)
        return Sightings(
            points_mm=points,
            outward=np.zeros_like(points),
            seen_px=np.concatenate([row.base_px, row.tip_px, _on_one_line(row.base_px)]),
            normals=np.concatenate([square, square, line]),
            marker=np.tile(np.arange(len(x_mm)), 3),
        )

    y_foot, y_tip = rough_mm[: len(x_mm), 1], rough_mm[len(x_mm) :, 1]
    if scan:
        affine = start_affine(rough_mm, rough_px)
        return fit_plane(affine, sightings(y_foot, y_tip), affine_prior(), 0.3, floor_px)
    # What a row of marks cannot tell is held, and its doubt added afterwards.
    usual = camera_prior(shape, picture.focal_px)
    held = Prior(usual.mean, usual.weight + np.isin(np.arange(11), _HELD) * 1e9)

    def fitted(prior: Prior) -> Fit[Pinhole]:
        fit = fit_plane(
            start_pinhole(rough_mm, rough_px, prior), sightings(y_foot, y_tip), prior, 0.3, floor_px
        )
        for _ in range(3):
            feet, tips = (fit.plane.to_card(px)[:, 1] for px in (row.base_px, row.tip_px))
            fit = fit_plane(fit.plane, sightings(feet, tips), prior, 0.3, floor_px)
        return fit

    fit = fitted(held)
    covariance = fit.plane.covariance.copy()
    for which in _HELD:
        sd = float(usual.weight[which] ** -0.5)
        move = np.eye(11)[which] * sd
        up, down = (
            _step_between(fit.plane, fitted(Prior(held.mean + way, held.weight)).plane)
            for way in (move, -move)
        )
        covariance += np.outer(up - down, up - down) / 4.0
    return replace(fit, plane=replace(fit.plane, covariance=covariance))


_HELD: Final = (6, 7)
"""Focal length and distortion among the parameters of `Pinhole`."""


def _step_between(plane: Pinhole, other: Pinhole) -> Floats:
    """The step (11,) that takes `plane` to `other`, as `Pinhole.stepped` takes it."""
    turn = np.asarray(cv2.Rodrigues(other.rotation @ plane.rotation.T)[0], np.float64).ravel()
    places = [p.focal_px * p.translation_mm[:2] / p.translation_mm[2] for p in (plane, other)]
    depths = [np.log(p.translation_mm[2] / p.focal_px) for p in (plane, other)]
    return np.concatenate(
        [
            turn,
            places[1] - places[0],
            [
                depths[1] - depths[0],
                other.log_focal - plane.log_focal,
                other.k1 - plane.k1,
            ],
            other.centre_px - plane.centre_px,
            [other.ink_spread_mm - plane.ink_spread_mm],
        ]
    )


def _axes(row: TickRow) -> tuple[Floats, Floats]:
    """Unit vectors in the picture along the ruler and square to it, right-handed on the page."""
    along = row.along
    return along, np.array([-along[1], along[0]])


def _on_one_line(base_px: Floats) -> Floats:
    """Feet of marks (k, 2) brought onto the straight line they stand on."""
    middle = base_px.mean(axis=0)
    _, _, ways = np.linalg.svd(base_px - middle, full_matrices=False)
    return np.asarray(middle + ((base_px - middle) @ ways[0])[:, None] * ways[0])


def _is_scan(picture: Picture, row: TickRow, division: Division) -> bool:
    """A flat-bed scan: its dpi tag agrees with the ruler."""
    if picture.dpi is None or picture.camera_made or picture.focal_px is not None:
        return False
    if not all(SCAN_DPI[0] <= dpi <= SCAN_DPI[1] for dpi in picture.dpi):
        return False
    stated = 1.0 / np.linalg.norm(row.along / (np.array(picture.dpi) / MM_PER_INCH))
    return bool(abs(row.pitch_px / division.pitch_mm / stated - 1.0) < SCAN_AGREEMENT)


def _edge(plane: Pinhole | Affine, row: TickRow) -> MarkedEdge:
    foot, tip = plane.to_card(row.base_px), plane.to_card(row.tip_px)
    return MarkedEdge(
        y_mm=float(np.median(foot[:, 1])),
        outward=-float(np.sign(np.median(tip[:, 1] - foot[:, 1]))),
        from_mm=float(foot[:, 0].min()),
        to_mm=float(foot[:, 0].max()),
    )
