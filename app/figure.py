"""A drawing as plain shapes in millimetres, to be painted on paper or written as SVG alike.

Origin at the top left corner, y down. What a drawing says stands beside it in words, for whoever
does not see it.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Final, Literal

Anchor = Literal["start", "middle", "end"]
Place = tuple[float, float]

INK: Final = "#22211e"
QUIET: Final = "#67635a"
FAINT: Final = "#d9d4c8"
BAND: Final = "#dcebdf"
BLUE: Final = "#3d5a80"
PALE_BLUE: Final = "#c3d0df"
RED: Final = "#b34700"

_LETTER: Final = 0.56
"""Mean width of a letter over its size, in plain sans-serif faces; wide scripts take one."""


@dataclass(frozen=True)
class Line:
    """An open line through two places or more."""

    points: tuple[Place, ...]
    colour: str = INK
    width_mm: float = 0.2
    dash_mm: float = 0.0
    """Length of dashes and gaps; 0: drawn through."""


@dataclass(frozen=True)
class Area:
    """A filled shape."""

    points: tuple[Place, ...]
    fill: str


@dataclass(frozen=True)
class Dot:
    """A round or a square mark."""

    x: float
    y: float
    radius_mm: float
    fill: str
    edge: str = ""
    square: bool = False


@dataclass(frozen=True)
class Words:
    """One line of text on its baseline."""

    x: float
    y: float
    text: str
    size_mm: float = 2.6
    colour: str = INK
    anchor: Anchor = "start"
    bold: bool = False


Mark = Line | Area | Dot | Words


@dataclass(frozen=True)
class Figure:
    """A drawing and what it says."""

    width_mm: float
    height_mm: float
    marks: tuple[Mark, ...]
    says: str


def box(left: float, top: float, right: float, bottom: float, fill: str) -> Area:
    """A filled rectangle."""
    return Area(((left, top), (right, top), (right, bottom), (left, bottom)), fill)


def shortened(text: str, width_mm: float, size_mm: float) -> str:
    """`text`, or its beginning and an ellipsis where it would not fit a width."""
    used = 0.0
    for at, letter in enumerate(text):
        used += size_mm * (1.0 if ord(letter) > 0x2E7F else _LETTER)
        if used > width_mm:
            return text[: max(at - 2, 1)].rstrip() + "…"
    return text


def svg(figure: Figure) -> str:
    """The drawing as an SVG element whose user unit is one millimetre."""
    width, height = _n(figure.width_mm), _n(figure.height_mm)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{escape(figure.says)}">',
        *(_svg_mark(mark) for mark in figure.marks),
        "</svg>",
    ]
    return "".join(parts)


def _svg_mark(mark: Mark) -> str:
    if isinstance(mark, Line):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in mark.points)
        dash = f' stroke-dasharray="{_n(mark.dash_mm)}"' if mark.dash_mm else ""
        return (
            f'<polyline points="{points}" fill="none" stroke="{mark.colour}" '
            f'stroke-width="{_n(mark.width_mm)}" stroke-linejoin="round"{dash}/>'
        )
    if isinstance(mark, Area):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in mark.points)
        return f'<polygon points="{points}" fill="{mark.fill}"/>'
    if isinstance(mark, Dot):
        edge = f' stroke="{mark.edge}" stroke-width="0.3"' if mark.edge else ""
        r = mark.radius_mm
        if mark.square:
            return (
                f'<rect x="{_n(mark.x - r)}" y="{_n(mark.y - r)}" width="{_n(2 * r)}" '
                f'height="{_n(2 * r)}" fill="{mark.fill}"{edge}/>'
            )
        return f'<circle cx="{_n(mark.x)}" cy="{_n(mark.y)}" r="{_n(r)}" fill="{mark.fill}"{edge}/>'
    weight = ' font-weight="bold"' if mark.bold else ""
    return (
        f'<text x="{_n(mark.x)}" y="{_n(mark.y)}" font-size="{_n(mark.size_mm)}" '
        f'fill="{mark.colour}" text-anchor="{mark.anchor}"{weight}>{escape(mark.text)}</text>'
    )


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text
