"""Text and lines on pixels: the one font, plates that stay legible on anything, gaps in curves."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import ImageFont

if TYPE_CHECKING:
    from PIL import ImageDraw

    from measure.results import StrandReading, UnevenPlace

Colour = tuple[int, int, int]

INK: Final[Colour] = (20, 20, 20)
PAPER: Final[Colour] = (255, 255, 255)
STRAND_COLOURS: Final[tuple[Colour, ...]] = (
    (225, 85, 0),
    (45, 140, 220),
    (0, 150, 105),
    (200, 85, 160),
)
"""Told apart with any common colour vision; numbers say the same, so no colour is needed."""

# Pillow's own font, so that no machine lacks it; it has no glyph for these.
_SPELLED: Final = str.maketrans(
    {"–": "-", "—": "-", "×": "x", "’": "'", "‘": "'", "“": '"', "”": '"', "≥": ">=", "≤": "<="}
)


@lru_cache(maxsize=16)
def font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The drawing font at a size in pixels."""
    return ImageFont.load_default(size_px)


def drawable(text: str) -> str:
    """`text` with the signs that the drawing font lacks spelled in ones that it has."""
    return text.translate(_SPELLED)


def text_width(text: str, size_px: int) -> int:
    """Width of a line of text in pixels."""
    left, _, right, _ = font(size_px).getbbox(drawable(text))
    return round(right - left)


def wrapped(text: str, size_px: int, width_px: int) -> list[str]:
    """`text` broken at spaces into lines of at most `width_px`; a longer word stays whole."""
    lines: list[str] = []
    for word in drawable(text).split():
        if lines and text_width(f"{lines[-1]} {word}", size_px) <= width_px:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def triangle(
    draw: ImageDraw.ImageDraw,
    at: NDArray[np.float64],
    towards: NDArray[np.float64],
    size_px: float,
) -> None:
    """A dark triangle with a light rim, its middle at `at`, pointing along unit `towards`."""
    side = np.array([-towards[1], towards[0]])
    for grow, colour in ((1.45, PAPER), (1.0, INK)):
        s = size_px * grow
        base = at - towards * s * 0.7
        corners = (at + towards * s, base + side * s, base - side * s)
        draw.polygon([(float(x), float(y)) for x, y in corners], fill=colour)


def runs(points: NDArray[np.float64], position: NDArray[np.float64]) -> list[NDArray[Any]]:
    """Index arrays of the stretches of a curve without a gap.

    `points` (n,) or (n, 2) breaks where it is not finite, `position` (n,) where it leaps by more
    than four of its usual steps.
    """
    if not len(points):
        return []
    good = np.isfinite(points) if points.ndim == 1 else np.isfinite(points).all(axis=1)
    kept = np.nonzero(good)[0]
    if not len(kept):
        return []
    steps = np.diff(position[kept])
    usual = float(np.median(steps)) if len(steps) else 0.0
    leaps = np.nonzero((steps > 4 * usual) | (np.diff(kept) > 1))[0]
    return [run for run in np.split(kept, leaps + 1) if len(run) > 1]


def merged_places(strand: StrandReading) -> list[UnevenPlace]:
    """Thick and thin places to mark: of those that overlap, the one that passes most."""
    best: list[UnevenPlace] = []
    for place in sorted(strand.uneven_places, key=lambda p: -abs(p.extreme_percent)):
        same_kind = (other for other in best if other.kind == place.kind)
        if not any(p.from_mm <= place.to_mm and place.from_mm <= p.to_mm for p in same_kind):
            best.append(place)
    return sorted(best, key=lambda p: p.from_mm)
