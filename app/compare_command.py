"""The command `slubwise compare`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app import UseError
from app.endings import clean_end
from app.notebook_commands import notebook_at
from app.options import JsonOption, NotebookOption, TableUnitsOption, UnitsChoice, WrapOption

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.bobbin_sources import ComparedBobbin


class PostureChoice(StrEnum):
    """How the strands lay."""

    tension = "tension"
    relaxed = "relaxed"
    plied = "plied"
    washed = "washed"


def compare(
    bobbins: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="BOBBIN",
            help="Bobbins of the notebook by name, or .json and .csv files of slubwise measure, "
            "one a bobbin. Default: all bobbins of the spin.",
            show_default=False,
        ),
    ] = None,
    spin: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Spin in the notebook; default: the one last spun."),
    ] = None,
    notebook: NotebookOption = None,
    posture: Annotated[
        PostureChoice | None,
        typer.Option(help="Only readings taken so. Default: as most were."),
    ] = None,
    margin: Annotated[
        float,
        typer.Option(
            metavar="PERCENT",
            min=0.1,
            max=100,
            help="Bobbins whose mean diameters differ by no more than this match.",
        ),
    ] = 10.0,
    tolerance: Annotated[
        float,
        typer.Option(
            metavar="PERCENT", min=0.1, max=50, help="How well you want each mean to be known."
        ),
    ] = 2.0,
    plies: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=2, max=6, help="Also find which bobbins to ply together, N at a time."
        ),
    ] = None,
    own: Annotated[
        str | None,
        typer.Option(
            metavar="GROUPS",
            help='Your own choice to hold against it, such as "B1 + B4 rewound; B2 + B3".',
        ),
    ] = None,
    rewind: Annotated[
        bool, typer.Option("--rewind/--no-rewind", help="Whether bobbins may be rewound.")
    ] = True,
    wrap_factor: WrapOption = 1.0,
    units: TableUnitsOption = UnitsChoice.mm,
    as_json: JsonOption = False,
) -> None:
    """Compare bobbins: do they match, and which are plied together for the evenest yarn?"""
    with clean_end():
        if own is not None and plies is None:
            raise UseError("--own is held against the best way to ply; say how with --plies.")
        from app.compare import compare as compared
        from app.compare import print_comparison
        from app.compare_json import as_json as json_of

        found = compared(
            gather(bobbins or [], spin, notebook, posture),
            margin_percent=margin,
            tolerance_percent=tolerance,
            plies=plies,
            own=own,
            may_rewind=rewind,
            wrap_factor=wrap_factor,
        )
        if as_json:
            typer.echo(json_of(found))
            return
        from rich.console import Console

        print_comparison(Console(), found, units.value)


def gather(
    names: Sequence[str],
    spin: str | None,
    path: Path | None,
    posture: PostureChoice | None,
    *,
    profiles: int = 0,
) -> list[ComparedBobbin]:
    """The bobbins asked for, from files or from the notebook; UseError for a mixture.

    With profiles of so many readings of each where they come from the notebook.
    """
    from app.bobbin_sources import (
        FILE_ENDINGS,
        bobbins_called,
        from_files,
        from_notebook,
        spin_called,
    )

    files = [name for name in names if name.lower().endswith(FILE_ENDINGS)]
    if files:
        if len(files) < len(names):
            other = next(name for name in names if name not in files)
            raise UseError(
                f"{other} is no .json or .csv file; compare files with files, or bobbins of the "
                "notebook with each other."
            )
        if spin is not None or path is not None or posture is not None:
            raise UseError("--spin, --notebook and --posture are for the notebook; leave them out.")
        return from_files([Path(name) for name in files])
    with notebook_at(path) as notebook:
        chosen = spin_called(notebook, spin)
        return from_notebook(
            notebook,
            chosen,
            bobbins_called(notebook, chosen, names),
            None if posture is None else posture.value,
            profiles=profiles,
        )
