"""Pictures kept in the notebook, made small enough for a report."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from app.format import interval_text
from app.spin_charts import day_text

if TYPE_CHECKING:
    from app.notebook.records import LoggedReading
    from app.notebook.store import Notebook

MOST_PICTURES: Final = 12
_LONGEST_PX: Final = 900
_QUALITY: Final = 82


@dataclass(frozen=True)
class Picture:
    """A picture as JPEG, without what cameras write into files, and what it shows."""

    jpeg: bytes
    width_px: int
    height_px: int
    caption: str


def pictures_of(
    notebook: Notebook, names: Sequence[str], logged: Sequence[Sequence[LoggedReading]]
) -> tuple[Picture, ...]:
    """Up to `MOST_PICTURES` of them, spread evenly over the spin; `names` are the bobbins'."""
    kept = [
        (name, reading)
        for name, readings in zip(names, logged, strict=True)
        for reading in readings
        if reading.has_picture
    ]
    count = min(len(kept), MOST_PICTURES)
    # The first and the last one are always among them.
    chosen = [kept[round(n * (len(kept) - 1) / max(count - 1, 1))] for n in range(count)]
    found = (_picture(notebook.picture(r.id), _caption(name, r)) for name, r in chosen)
    return tuple(picture for picture in found if picture is not None)


def _caption(name: str, reading: LoggedReading) -> str:
    size = interval_text(reading.diameter_mm, reading.interval_mm)
    return f"{name}, reading {reading.number}, {day_text(reading.taken_at.astimezone())}: {size} mm"


def _picture(data: bytes | None, caption: str) -> Picture | None:
    """The picture made small; None for one that is damaged."""
    from PIL import Image

    if data is None:
        return None
    try:
        with Image.open(io.BytesIO(data), formats=["JPEG"]) as opened:
            image = opened.convert("RGB")
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    image.thumbnail((_LONGEST_PX, _LONGEST_PX))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=_QUALITY, optimize=True)
    return Picture(out.getvalue(), image.width, image.height, caption)
