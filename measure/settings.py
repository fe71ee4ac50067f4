"""What a person chose before measuring; light to import, since it looks at no picture."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from measure.lens import Lens

RulerUnit = Literal["mm", "inch"]

DEFAULT_CHART: Final = "craft-yarn-council"


@dataclass(frozen=True)
class Printer:
    """True size over nominal size of the printed card along x and y, and their doubt.

    An unchecked printer is taken to be right within 0.2 % (standard uncertainty, our assumption).
    """

    x: float = 1.0
    y: float = 1.0
    u_relative: float = 0.002

    def __post_init__(self) -> None:
        if not all(0.5 <= factor <= 2.0 for factor in (self.x, self.y)):
            raise ValueError("a printer's factors are true over nominal size, between 0.5 and 2")
        if not 0.0 <= self.u_relative < 0.5:
            raise ValueError("the printer's relative doubt must be between 0 and 0.5")


@dataclass(frozen=True)
class Marks:
    """Two places in the picture, px, and the distance between them on the plane, mm."""

    first_px: tuple[float, float]
    second_px: tuple[float, float]
    distance_mm: float


@dataclass(frozen=True)
class Settings:
    """What the person chose; the defaults suit a picture of the card, or of a ruler."""

    printer: Printer = field(default_factory=Printer)
    scale: Literal["auto", "card", "ruler", "dpi"] = "auto"
    """"auto" is the card and, where there is none, a ruler."""
    ruler: RulerUnit | None = None
    """What the ruler's marks are, where they do not tell."""
    marks: Marks | None = None
    """When given, the scale is theirs and no card is looked for."""
    wrap_factor: float = 1.0
    chart: str = DEFAULT_CHART
    lens: Lens | None = None
    """The camera's, where it was calibrated (`measure.lens`)."""
    twist: bool = True
    """Whether twist is looked for, which takes some time: at the wheel not in every frame."""
