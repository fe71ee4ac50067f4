"""Slubwise's measuring library: pictures in, readings out.

    >>> import measure
    >>> reading = measure.measure_picture("strands.jpg")     # doctest: +SKIP
    >>> reading.strands[0].wpi, reading.strands[0].wpi_interval     # doctest: +SKIP

It knows no window, no database and no clock; only `measure.picture` reads files.
"""

from measure.camera_help import CameraHelp, Meter, camera_help
from measure.card import CARDS, Card, newest_card
from measure.errors import MeasureError, PictureError
from measure.lens import Lens, LensView, fit_lens, lens_view, missing_views
from measure.picture import Picture, read_picture
from measure.pipeline import Marks, Seen, Settings, follow, measure_picture
from measure.results import (
    Along,
    Caution,
    Outline,
    PictureReading,
    Refusal,
    ScaleSummary,
    StrandReading,
    UnevenPlace,
    WeightClass,
)
from measure.scale import Printer, Scale

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
    "UnevenPlace",
    "WeightClass",
    "camera_help",
    "fit_lens",
    "follow",
    "lens_view",
    "measure_picture",
    "missing_views",
    "newest_card",
    "read_picture",
]
