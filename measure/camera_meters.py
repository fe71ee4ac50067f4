"""How a camera stands, as a result: five meters, one advice; `measure.camera_help` finds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MeterName = Literal["focus", "glare", "light", "pixels", "tilt"]
Unit = Literal["px", "%", "px/mm", "°"]
State = Literal["good", "poor", "unknown"]


@dataclass(frozen=True)
class Meter:
    """One figure of how the camera stands."""

    name: MeterName
    value: float | None
    """None where the picture does not show it."""
    unit: Unit
    limit: float
    """What it should stay under; for light and pixels, reach."""
    state: State


@dataclass(frozen=True)
class CameraHelp:
    """How the camera stands for this picture's strand, or for a fine one when there is none."""

    focus: Meter
    """Edge spread (standard deviation), px, against what the strand needs."""
    glare: Meter
    """Per cent of the card that is burnt out or mirrors the lamp."""
    light: Meter
    """Brightness of the paper, per cent of the brightest the picture can hold."""
    pixels: Meter
    """Pixels across the finest strand; without one, pixels per mm."""
    tilt: Meter
    blur_mm: float | None
    """The edge spread on the card."""
    needed_blur_mm: float
    """How soft edges may be for the strand."""
    strand_mm: float
    """The strand all this is for."""
    advice: str
    """What to do first, one sentence; empty when all is well."""

    @property
    def meters(self) -> tuple[Meter, ...]:
        """All five."""
        return (self.focus, self.glare, self.light, self.pixels, self.tilt)
