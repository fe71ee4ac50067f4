"""Slubwise's measuring library: pictures in, readings out.

    >>> import measure
    >>> reading = measure.measure_picture("strands.jpg")     # doctest: +SKIP
    >>> reading.strands[0].wpi, reading.strands[0].wpi_interval     # doctest: +SKIP

It knows no window, no database and no clock; only `measure.picture` reads files.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from measure.camera_meters import CameraHelp, Meter
    from measure.card import CARDS, Card, newest_card
    from measure.errors import MeasureError, PictureError
    from measure.lens import Lens, LensView, fit_lens, lens_view, missing_views
    from measure.picture import Picture, read_picture
    from measure.pipeline import Seen, follow, measure_picture
    from measure.results import (
        Along,
        Caution,
        Outline,
        PictureReading,
        Refusal,
        ScaleSummary,
        StrandReading,
        Twist,
        TwistCue,
        UnevenPlace,
        WeightClass,
    )
    from measure.scale import Scale
    from measure.settings import Marks, Printer, Settings

__all__ = [
    "CARDS",
    "Along",
    "CameraHelp",
    "Card",
    "Caution",
    "Lens",
    "LensView",
    "Marks",
    "MeasureError",
    "Meter",
    "Outline",
    "Picture",
    "PictureError",
    "PictureReading",
    "Printer",
    "Refusal",
    "Scale",
    "ScaleSummary",
    "Seen",
    "Settings",
    "StrandReading",
    "Twist",
    "TwistCue",
    "UnevenPlace",
    "WeightClass",
    "fit_lens",
    "follow",
    "lens_view",
    "measure_picture",
    "missing_views",
    "newest_card",
    "read_picture",
]

# A name is looked up when it is first asked for: a program that only shows readings starts faster.
_HOMES: Final = {
    "measure.camera_meters": (
        "CameraHelp",
        "Meter",
    ),
    "measure.card": (
        "CARDS",
        "Card",
        "newest_card",
    ),
    "measure.errors": (
        "MeasureError",
        "PictureError",
    ),
    "measure.lens": (
        "Lens",
        "LensView",
        "fit_lens",
        "lens_view",
        "missing_views",
    ),
    "measure.picture": (
        "Picture",
        "read_picture",
    ),
    "measure.pipeline": (
        "Seen",
        "follow",
        "measure_picture",
    ),
    "measure.results": (
        "Along",
        "Caution",
        "Outline",
        "PictureReading",
        "Refusal",
        "ScaleSummary",
        "StrandReading",
        "Twist",
        "TwistCue",
        "UnevenPlace",
        "WeightClass",
    ),
    "measure.scale": ("Scale",),
    "measure.settings": ("Marks", "Printer", "Settings"),
}


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            value = getattr(import_module(home), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
