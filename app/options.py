"""Options that several commands take, spelt once."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class UnitsChoice(StrEnum):
    """Units of what is told."""

    mm = "mm"
    inch = "inch"


class PaperChoice(StrEnum):
    """What it is printed on."""

    a4 = "a4"
    letter = "letter"


NotebookOption = Annotated[
    Path | None,
    typer.Option(
        "--notebook",
        metavar="FILE",
        help="The notebook; default: your own, where this system keeps programs' data.",
        show_default=False,
    ),
]
ChartOption = Annotated[
    str | None,
    typer.Option(
        "--chart",
        metavar="NAME",
        help="Chart of weight classes: craft-yarn-council (default), spin-off, bellaonline.",
    ),
]
WrapOption = Annotated[
    float,
    typer.Option(
        "--wrap-factor",
        metavar="FACTOR",
        min=0.5,
        max=3.0,
        help="Your hand-wrapped pitch over the diameter.",
    ),
]
TableUnitsOption = Annotated[UnitsChoice, typer.Option("--units", help="Units of the table.")]
FirstUnitsOption = Annotated[UnitsChoice, typer.Option("--units", help="Units told first.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON (docs/formats.md).")]
