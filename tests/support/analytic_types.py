"""What a drawn picture is made of, and what is true of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
OpenLane = Literal["paper", "bright", "dark"]


@dataclass(frozen=True, eq=False)
class Fuzz:
    """Hairs about a strand and the unrest of its outline, in its own coordinates.

    `hairs` (rows, columns), 0..1, is the cover of the hairs alone: rows across the strand, its
    axis in the middle, columns along x from `first_mm` on, both `pitch_mm` apart. `upper_mm` and
    `lower_mm` (columns,) are added to the radius towards -y and +y.
    """

    first_mm: float
    pitch_mm: float
    hairs: Floats
    upper_mm: Floats
    lower_mm: Floats

    @property
    def reach_mm(self) -> float:
        """How far off the axis hairs may lie."""
        return (len(self.hairs) - 1) / 2 * self.pitch_mm


@dataclass(frozen=True, eq=False)
class Specks:
    """Share (rows across, columns along x from `first_mm`) of a strand's face that is `colour`."""

    first_mm: float
    pitch_mm: float
    share: Floats
    colour: tuple[float, float, float]


@dataclass(frozen=True)
class Strand:
    """A round strand along a lane; its middle is `offset_mm` off the lane's, at half the card's x.

    `diameter_mm` may be a function of x in mm that varies slowly. `albedo_rgb` is relative to
    paper white; a strand dyed along is a function of x (...) in mm giving (..., 3), as slow.
    `start_mm` and `end_mm` (x on the card) end it inside the lane.

    `flatness` is its height over its width: below 1 it is an elliptical ribbon lying flat, whose
    diameter is the width seen from above. `lift_mm` is how high its underside stands above the
    card. With an `optical_depth` light passes through it, exp(-depth) of it along its diameter.
    `fuzz` is what stands off its edges, and how its outline wanders; `specks` are bits of another
    colour on its face.
    """

    lane: Literal["banded", "open"] = "banded"
    offset_mm: float = 0.0
    diameter_mm: float | Callable[[Floats], Floats] = 1.0
    albedo_rgb: tuple[float, float, float] | Callable[[Floats], Floats] = (0.2, 0.2, 0.2)
    slope: float = 0.0
    bend_amplitude_mm: float = 0.0
    bend_period_mm: float = 60.0
    start_mm: float | None = None
    end_mm: float | None = None
    flatness: float = 1.0
    lift_mm: float = 0.0
    optical_depth: float | None = None
    fuzz: Fuzz | None = None
    specks: Specks | None = None


@dataclass(frozen=True)
class Light:
    """Light shares on open ground (they sum to 1) and how the lamp falls.

    `lean_deg` is the lamp's lean across the strand; positive throws the shadow towards +y.
    `softness_mm` is the standard deviation of the shadow's (Gaussian) edge; with `lamp_size` it is
    that many times the height of what throws the edge, as under a lamp of that size. `scatter` is
    the share of the strand's face that is evenly bright whatever the light. `flat` makes strands
    plain ink.
    """

    flat: bool = False
    sky: float = 1.0
    lamp: float = 0.0
    unshaded: float = 0.0
    lean_deg: float = 0.0
    softness_mm: float = 0.1
    scatter: float = 0.0
    lamp_size: float | None = None

    def __post_init__(self) -> None:
        if abs(self.sky + self.lamp + self.unshaded - 1.0) > 1e-9:
            raise ValueError("sky, lamp and unshaded must sum to 1")


FLAT = Light(flat=True)


@dataclass(frozen=True)
class Camera:
    """Where the picture is taken from, and how it blurs, bends and adds noise.

    `px_per_mm` holds at the card's centre, which lies on the optical axis, square to the view.
    `distance_mm` None means parallel rays (a scanner when not tilted). The camera stands off by
    `tilt_deg` towards `tilt_azimuth_deg` (0 = +x, 90 = +y); `roll_deg` turns the card clockwise in
    the picture. `k1`: x_d = x_u (1 + k1 r_u^2) in units of the focal length, principal point in
    the middle of the picture. `blur_px` is the standard deviation of the Gaussian spread before
    the picture element's own square, which adds 1/12 px^2 of variance. Noise variance in linear
    light is noise^2 + shot * level. A mirror swaps left and right; quarter turns are clockwise and
    come after it. `exposure` is the linear level of paper white.
    """

    px_per_mm: float = 20.0
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 90.0
    roll_deg: float = 0.0
    distance_mm: float | None = 250.0
    k1: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.003
    shot: float = 0.0
    quarter_turns: int = 0
    mirrored: bool = False
    width_px: int | None = None
    height_px: int | None = None
    margin_mm: float = 3.0
    exposure: float = 0.8
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)


SCANNER = Camera(distance_mm=None, px_per_mm=600 / 25.4)


@dataclass(frozen=True)
class StrandTruth:
    """One strand over the part of it that the picture shows in its lane."""

    strand: Strand
    from_mm: float
    to_mm: float
    x_mm: Floats
    diameter_mm: Floats
    mean_diameter_mm: float

    def diameter_at(self, x_mm: Floats) -> Floats:
        """True diameters at places along the card."""
        return np.interp(x_mm, self.x_mm, self.diameter_mm)


@dataclass(frozen=True)
class Truth:
    """What a drawn picture shows."""

    strands: tuple[StrandTruth, ...]
    to_picture: Callable[[Floats], Floats]
    """Card points (n, 2) on the card or (n, 3) above it, mm, to picture points (n, 2), px."""
    camera_centre_mm: tuple[float, float, float] | None
    """None for parallel rays."""
    px_per_mm: float
    blur_px: float
    edge_spread_px: float
    """Standard deviation of an edge in the picture: blur and the picture element together."""
    focal_px: float | None
    size_px: tuple[int, int]
    """Width and height of the picture as returned."""
