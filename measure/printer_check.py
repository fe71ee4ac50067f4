"""The printer's factors: true over nominal size of what it printed, across the page and down it.

Two ways: a ruler laid on the sheet's check bars, or a picture of any bank-size card (ISO/IEC
7810 ID-1) lying on the sheet. Nothing of the picture is kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from measure.bank_card_edges import SIDES, Edge, Height, Piece, find_edges
from measure.bank_card_line import OUTWARD
from measure.card import CardKind
from measure.check_paper import read_paper
from measure.check_sheet import SheetView, find_frame, view_sheet
from measure.errors import MeasureError
from measure.lens import Lens
from measure.picture import Picture
from measure.plane_map import Affine, Pinhole, slopes_by_step
from measure.results import Floats
from measure.settings import Printer
from measure.uncertainty import Budget, Component, u_from_limits

ID1_LIMITS_MM: Final = ((85.47, 85.72), (53.92, 54.03))
"""Width and height of an unused ID-1 card, ISO/IEC 7810 (from memory)."""

THICKNESS_MM: Final = (0.76, 0.08)
"""An ID-1 card's thickness and its tolerance, ISO/IEC 7810."""

STAND_OFF_MM: Final = (0.1, 0.12)
"""How far a card's underside lies off the paper (raised numbers, a slight bow), and the standard
uncertainty of that: our assumption."""

MOST_TILT_DEG: Final = 28.0
MOST_BLUR_MM: Final = 0.25
MOST_UNEVEN_MM: Final = 0.12
"""Root mean square of an edge's places about straight; an ID-1 card's edges are straight."""

FACTOR_LIMITS: Final = (0.85, 1.15)
MOST_UNLIKE: Final = 0.04
"""Printers stretch both ways nearly alike: a thing this much off bank-card shape is not one."""

U_EDGE_MM: Final = 0.025
"""Of one edge's place by light, colour and lens: our assumption."""

U_LEFT_OVER_MM: Final = 4.0
U_LAMP_MM: Final = 0.12
"""What is added to it per share of the paper's light that the fit could not explain, and that
lamps' shadows took: found on drawn cards."""

MOST_LEFT_OVER: Final = 0.035

READING_MM: Final = 0.25
"""A ruler is read to within a quarter of a millimetre: common practice, no source."""

U_RULER_SHARE: Final = 0.0006
"""An ordinary good ruler: 0.1 mm in 100 mm at most, taken as evenly likely (our assumption)."""

U_INK_MM: Final = 0.05
"""How far ink spreads past each end of a bar: our assumption."""


@dataclass(frozen=True)
class PrinterFactors:
    """True over nominal size along x and y, with the standard uncertainty of each."""

    x: float
    y: float
    u_x: float
    u_y: float

    def printer(self) -> Printer:
        """For `measure.pipeline.Settings`: both factors, and the larger of their doubts."""
        return Printer(self.x, self.y, max(self.u_x / self.x, self.u_y / self.y))

    def interval(self, axis: int) -> tuple[float, float]:
        """The 95 % interval of the factor along x (0) or y (1)."""
        value, u = ((self.x, self.u_x), (self.y, self.u_y))[axis]
        return Budget((Component("factor", u),)).interval(value)


@dataclass(frozen=True)
class BarLength:
    """A check bar: how long it should be and what the ruler says, mm."""

    nominal_mm: float
    read_mm: float


def factors_by_ruler(
    across: Sequence[BarLength], down: Sequence[BarLength], reading_mm: float = READING_MM
) -> PrinterFactors:
    """The factors from the check bars' lengths, one or more in each direction.

    `reading_mm`: each length is right to within this (evenly likely). Raises MeasureError
    `bar_missing`, `bar_length`, `bars_disagree`.
    """
    x, u_x = _by_bars(across, "across", reading_mm)
    y, u_y = _by_bars(down, "down", reading_mm)
    return PrinterFactors(x, y, u_x, u_y)


def _by_bars(bars: Sequence[BarLength], way: str, reading_mm: float) -> tuple[float, float]:
    if not bars:
        raise MeasureError(
            "bar_missing",
            f"No length of a bar {way} the page was given.",
            "Type in the length of at least one bar across and one down.",
        )
    for bar in bars:
        share = bar.read_mm / bar.nominal_mm
        if not (math.isfinite(share) and FACTOR_LIMITS[0] <= share <= FACTOR_LIMITS[1]):
            raise MeasureError(
                "bar_length",
                f"A bar of {bar.nominal_mm:g} mm {way} cannot be {bar.read_mm:g} mm long.",
                "Measure it end to end and type millimetres for the 100 mm bar and inches for "
                "the 4 in bar.",
            )
    u_read = math.hypot(u_from_limits(reading_mm), math.sqrt(2) * U_INK_MM)
    weights = np.array([(bar.nominal_mm / u_read) ** 2 for bar in bars])
    shares = np.array([bar.read_mm / bar.nominal_mm for bar in bars])
    factor = float(weights @ shares / weights.sum())
    if np.any(np.abs(shares - factor) * np.sqrt(weights) > 3.0):
        raise MeasureError(
            "bars_disagree",
            f"The bars {way} the page disagree by more than a ruler is read wrong.",
            "Measure them again, end to end.",
        )
    return factor, math.hypot(1 / math.sqrt(weights.sum()), factor * U_RULER_SHARE)


@dataclass(frozen=True)
class PictureCheck:
    """What a picture of a bank card on the sheet says of the printer."""

    factors: PrinterFactors
    kind: CardKind
    """Which sheet the bank card lay on."""
    turned_deg: float
    """How far it was turned on the sheet."""
    tilt_deg: float
    """How far from square the camera looked at it."""
    budget_x: dict[str, float] = field(default_factory=dict)
    """Relative standard uncertainty by where it comes from: card, edges, height, view."""
    budget_y: dict[str, float] = field(default_factory=dict)


def check_by_picture(picture: Picture, lens: Lens | None = None) -> PictureCheck:
    """The factors from a picture of a bank-size card lying on the printed sheet.

    `lens` is the camera's, where it was calibrated; one of another picture shape is not used.

    Raises MeasureError: `no_sheet`, `frame_hidden`, `cut_card`, `out_of_focus`, `burnt_out`,
    `too_dark`, `tilted_too_far`, `mirrored`, `no_bank_card`, `edge_hidden`, `hard_shadow`,
    `not_a_bank_card`.
    """
    frame = find_frame(picture)
    height_px, width_px = picture.pixels.shape[:2]
    lens = lens.sized(width_px, height_px) if lens is not None else None
    factors = np.ones(2)
    before: tuple[Edge, ...] | None = None
    for _round in range(5):
        view = view_sheet(picture, frame, factors, lens)
        if _round == 0:
            _refuse_soft(view)
        paper = read_paper(picture, view)
        # A wrong ratio of the factors looks like a tilt seen from afar: the first look, which
        # finds the ratio, must not correct for a tilt that may not be there.
        height = _height(view) if before else Height(THICKNESS_MM[0], 0.0)
        try:
            edges = find_edges(picture, view, paper, height, before)
        except MeasureError:
            _refuse_tilt(view)  # which explains what could not be seen
            raise
        fit = _fit_rectangle([piece for edge in edges for piece in edge.pieces])
        factors = factors * fit.ratio
        _refuse_shape(factors, fit)
        before = tuple(edge.stretched(fit.ratio) for edge in edges)
        # A factor this near no longer looks like a tilt that matters.
        if _round and np.max(np.abs(fit.ratio - 1)) < 4e-4:
            break
    tilt_deg = _refuse_tilt(view)
    unclear = max(edges, key=lambda edge: edge.left_over)
    if unclear.left_over > MOST_LEFT_OVER:
        raise MeasureError(
            "hard_shadow",
            f"The light along the bank card's {SIDES[unclear.side]} edge is too uneven to place "
            "the edge.",
            "Use soft light from all round, such as a cloudy window with no lamp.",
        )
    budgets = _budgets(view, edges, fit, height.sight_mm)
    u = [budget.u_combined * factor for budget, factor in zip(budgets, factors, strict=True)]
    return PictureCheck(
        factors=PrinterFactors(float(factors[0]), float(factors[1]), u[0], u[1]),
        kind=view.kind,
        turned_deg=math.degrees(fit.turn),
        tilt_deg=tilt_deg,
        budget_x=budgets[0].as_dict(),
        budget_y=budgets[1].as_dict(),
    )


def _refuse_soft(view: SheetView) -> None:
    blur_mm = view.sigma_px / view.px_per_mm()
    if blur_mm > MOST_BLUR_MM:
        raise MeasureError(
            "out_of_focus",
            f"The picture is too soft: printed edges spread over {2 * blur_mm:.1f} mm.",
            "Focus on the sheet, hold still and come closer: the squares round the bank card "
            "should fill the picture.",
        )


def _refuse_tilt(view: SheetView) -> float:
    """The tilt in degrees, where it is not too much."""
    tilt_deg = _tilt_deg(view)
    if tilt_deg > MOST_TILT_DEG:
        raise MeasureError(
            "tilted_too_far",
            f"The camera looks at the sheet {tilt_deg:.0f} degrees off square.",
            "Hold the camera straight above the bank card.",
        )
    return tilt_deg


def _refuse_shape(factors: Floats, fit: _Rectangle) -> None:
    low, high = FACTOR_LIMITS
    alike = abs(math.log(factors[0] / factors[1])) < MOST_UNLIKE
    if not (np.all((factors > low) & (factors < high)) and alike and fit.rms_mm < MOST_UNEVEN_MM):
        raise MeasureError(
            "not_a_bank_card",
            "What lies on the sheet is not a flat card of bank-card size.",
            "Lay a bank, identity or membership card of the usual size flat on the outline.",
        )


def _tilt_deg(view: SheetView) -> float:
    if isinstance(view.plane, Affine):
        return 0.0
    away = view.camera_mm - np.append(view.middle_mm, 0.0)
    return math.degrees(math.acos(min(1.0, away[2] / float(np.linalg.norm(away)))))


def _height(view: SheetView) -> Height:
    """How high the card's face is taken to lie.

    The shift it causes goes with height over the camera's; where that is known to a factor
    only, the shift's mean (of a log-normal) is larger than the shift at the middle.
    """
    height_mm = THICKNESS_MM[0] + STAND_OFF_MM[0]
    return Height(height_mm, height_mm * math.exp(view.u_height**2 / 2))


@dataclass(frozen=True, eq=False)
class _Rectangle:
    """The bank card's outline fitted to its pieces."""

    ratio: Floats
    """(2,) by which the view's millimetres must be stretched along x and y."""
    turn: float
    middle_mm: Floats
    u_ratio: Floats
    rms_mm: float


def _fit_rectangle(pieces: list[Piece]) -> _Rectangle:
    """Stretch, turn and place of the rectangle whose true size is an ID-1 card's."""
    half = np.array([sum(limits) / 4 for limits in ID1_LIMITS_MM])
    points = np.array([p.place_mm for p in pieces])
    sides = np.array([p.side for p in pieces])
    noise = np.array([math.hypot(p.u_mm, 0.02) for p in pieces])
    outward, distance = OUTWARD[sides], np.abs(OUTWARD[sides]) @ half
    z = np.array([1.0, 1.0, 0.0, *points.mean(axis=0)])
    for _turn in range(12):
        cos, sin = math.cos(z[2]), math.sin(z[2])
        normals = outward @ np.array([[cos, sin], [-sin, cos]])
        turned = outward @ np.array([[-sin, cos], [-cos, -sin]])
        away = points * z[:2] - z[3:]
        residual = distance - np.sum(normals * away, axis=1)
        slopes = np.column_stack([normals * points, np.sum(turned * away, axis=1), -normals])
        scale = max(1.4826 * float(np.median(np.abs(residual / noise))), 1e-3)
        weight = np.minimum(1.0, 2.5 * scale / np.maximum(np.abs(residual / noise), 1e-9))
        rows = slopes * (np.sqrt(weight) / noise)[:, None]
        normal = rows.T @ rows
        step = np.linalg.solve(normal, rows.T @ (residual * np.sqrt(weight) / noise))
        z = z + step
        if np.max(np.abs(step)) < 1e-7:
            break
    chi2 = float(np.sum(weight * (residual / noise) ** 2)) / max(len(points) - 5, 1)
    covariance = np.linalg.inv(normal) * max(chi2, 1.0)
    return _Rectangle(
        ratio=z[:2],
        turn=float(z[2]),
        middle_mm=z[3:],
        u_ratio=np.sqrt(np.diag(covariance)[:2]),
        rms_mm=float(np.sqrt(np.mean(residual**2))),
    )


def _budgets(
    view: SheetView, edges: tuple[Edge, ...], fit: _Rectangle, height_mm: float
) -> tuple[Budget, Budget]:
    """Relative doubts of both factors."""
    middles = [np.mean([p.place_mm for p in edge.pieces], axis=0) for edge in edges]
    lifts = np.array([np.mean([p.lifted_mm for p in edge.pieces]) for edge in edges])
    seen = np.array(middles) + OUTWARD * np.maximum(lifts, 0.0)[:, None]
    seen_px = view.plane.to_picture(seen)
    cos, sin = math.cos(fit.turn), math.sin(fit.turn)
    normals = OUTWARD @ np.array([[cos, sin], [-sin, cos]])

    def sizes(plane: Pinhole | Affine) -> Floats:
        """Logs of the card's width and height by the same pixels in another view."""
        out = np.sum(plane.to_card(seen_px) * normals, axis=1)
        return np.asarray(np.log([out[1] + out[3], out[0] + out[2]]))

    u_view = np.sqrt(np.sum(slopes_by_step(view.plane, sizes) ** 2, axis=0))
    u_height = math.hypot(u_from_limits(THICKNESS_MM[1]), STAND_OFF_MM[1])
    # Of a log-normal, as the mean is that `_height` takes.
    u_far = math.sqrt(math.expm1(view.u_height**2))
    budgets = []
    for axis, (first, second) in enumerate(((1, 3), (0, 2))):
        low, high = ID1_LIMITS_MM[axis]
        true = (low + high) / 2
        lift = np.maximum(lifts[[first, second]], 0.0).sum() / height_mm
        # A wall that shows may be mistaken for face or paper over part of its width.
        wall = np.abs(np.minimum(lifts[[first, second]], 0.0)).sum()
        u_edge = math.hypot(
            *(
                U_EDGE_MM + U_LEFT_OVER_MM * edges[k].left_over + U_LAMP_MM * edges[k].shadow
                for k in (first, second)
            )
        )
        budgets.append(
            Budget(
                (
                    Component("card", u_from_limits((high - low) / 2) / true),
                    Component("edges", math.hypot(1.5 * float(fit.u_ratio[axis]), u_edge / true)),
                    Component(
                        "height",
                        math.hypot(lift * u_height, u_far * lift * height_mm, 0.2 * wall) / true,
                    ),
                    Component("view", float(u_view[axis])),
                )
            )
        )
    return budgets[0], budgets[1]
