"""What was typed on the command line, turned into settings and jobs, or into one clear sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from app import UseError
from app.batch import PICTURE_SUFFIXES, PictureJob, pictures_in

if TYPE_CHECKING:
    from measure.settings import Marks, Settings
    from measure.weight_class import WeightChart


CARD_FORMATS: Final = ("pdf", "png", "svg")
"""Kinds of file a card is written as."""


def card_format(out: Path | None, asked: str | None) -> str:
    """The kind of file a card is written as; UseError when `out` is named like another kind."""
    ending = out.suffix.lower().removeprefix(".") if out else ""
    if asked is None and ending and ending not in CARD_FORMATS:
        raise UseError(
            f"a card is not written as {out.suffix if out else ''}; "
            "end the name in .pdf, .svg or .png, or choose with --format."
        )
    if asked is not None and ending in CARD_FORMATS and ending != asked:
        raise UseError(
            f"{out} is named like a {ending}, but --format says {asked}; make them agree."
        )
    return asked or ending or "pdf"


def build_settings(
    scale: Literal["auto", "card", "ruler", "dpi"],
    marks: str | None,
    printer: tuple[float, float],
    chart: str | None,
    wrap_factor: float,
    ruler: Literal["mm", "inch"] | None = None,
) -> Settings:
    """How to measure, from what was typed; UseError when it makes no sense."""
    from measure.settings import Printer, Settings

    chosen = chart_called(chart)
    if marks is not None and scale != "auto":
        raise UseError(f"--marks and --scale {scale} exclude each other; choose one.")
    if ruler is not None and (marks is not None or scale in ("card", "dpi")):
        other = "--marks" if marks is not None else f"--scale {scale}"
        raise UseError(f"--ruler and {other} exclude each other; choose one.")
    return Settings(
        printer=Printer(*printer),
        scale="ruler" if ruler is not None else scale,
        ruler=ruler,
        marks=None if marks is None else _marks(marks),
        wrap_factor=wrap_factor,
        chart=chosen.name,
    )


def chart_called(name: str | None) -> WeightChart:
    """The chart of weight classes of that name, or the first; UseError when there is none."""
    from measure.weight_class import CHARTS

    chosen = next(iter(CHARTS)) if name is None else name
    if chosen not in CHARTS:
        raise UseError(f"there is no chart named {chosen!r}; choose one of {', '.join(CHARTS)}.")
    return CHARTS[chosen]


def _marks(text: str) -> Marks:
    from measure.settings import Marks

    try:
        x1, y1, x2, y2, distance_mm = (float(part) for part in text.split(","))
        if not all(map(math.isfinite, (x1, y1, x2, y2, distance_mm))):
            raise ValueError
    except ValueError:
        raise UseError(
            f"--marks needs five numbers with commas between and a dot in decimals, "
            f"x1,y1,x2,y2,mm, not {text!r}."
        ) from None
    return Marks((x1, y1), (x2, y2), distance_mm)


def build_jobs(pictures: Sequence[Path], overlay: Path | None) -> list[PictureJob]:
    """What to measure and where each overlay goes; UseError when that makes no sense."""
    found: list[Path] = []
    for path in pictures:
        if not path.is_dir():
            found.append(path)
            continue
        try:
            inside = pictures_in(path)
        except OSError as error:
            raise UseError(
                f"the folder {path} cannot be read ({error.strerror or error})."
            ) from error
        if not inside:
            raise UseError(
                f"the folder {path} holds no picture ({', '.join(PICTURE_SUFFIXES)}). "
                "Name the folder they lie in; folders inside it are not searched."
            )
        found += inside
    if overlay is None:
        return [PictureJob(path) for path in found]

    from app.overlay import OVERLAY_SUFFIXES

    if len(found) == 1 and not overlay.is_dir():
        if overlay.suffix.lower() not in OVERLAY_SUFFIXES:
            raise UseError(
                f"--overlay needs a file ending in one of {', '.join(OVERLAY_SUFFIXES)}, "
                "or a folder that exists."
            )
        if not overlay.parent.is_dir():
            raise UseError(
                f"the folder {overlay.parent} for the overlay does not exist; make it first."
            )
        targets = [overlay]
    else:
        make_folder(overlay, "--overlay")
        targets = _overlay_names(found, overlay)
    sources = {path.resolve() for path in found}
    for target in targets:
        if target.resolve() in sources:
            raise UseError(
                f"the overlay would overwrite the picture {target}; choose another name."
            )
    return [PictureJob(path, target) for path, target in zip(found, targets, strict=True)]


def _overlay_names(pictures: Sequence[Path], folder: Path) -> list[Path]:
    """A file for each picture's overlay in `folder`, no two the same even in small letters."""
    names: list[Path] = []
    used: set[str] = set()
    for picture in pictures:
        number, name = 1, f"{picture.stem}-overlay.png"
        while name.lower() in used:
            number += 1
            name = f"{picture.stem}-overlay-{number}.png"
        used.add(name.lower())
        names.append(folder / name)
    return names


def make_folder(folder: Path, option: str) -> None:
    """Make a folder where there is none; `option` named it. UseError when it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UseError(
            f"{folder} cannot be used as a folder ({error.strerror or error}). "
            f"Name another folder with {option}."
        ) from error
