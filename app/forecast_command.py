"""The command `slubwise forecast`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app import UseError, program_version
from app.compare_command import PostureChoice, gather
from app.endings import clean_end
from app.json_text import json_text
from app.notebook_commands import notebook_at
from app.options import JsonOption, NotebookOption, TableUnitsOption, UnitsChoice, WrapOption

if TYPE_CHECKING:
    from app.forecast import Forecasts


def forecast(
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
    plies: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=2, max=6, help="Plies; default: all bobbins together, at most 3."
        ),
    ] = None,
    own: Annotated[
        str | None,
        typer.Option(
            metavar="GROUPS",
            help='What is plied together, such as "B1 + B4 rewound; B2 + B3"; default: in order.',
        ),
    ] = None,
    loop: Annotated[
        float,
        typer.Option(metavar="METRES", min=0.02, max=5, help="Length of a chain's loop."),
    ] = 0.4,
    length: Annotated[
        float | None,
        typer.Option(metavar="METRES", min=1, help="Length of single on every bobbin."),
    ] = None,
    tpi: Annotated[
        float | None,
        typer.Option(metavar="TPI", min=0.1, max=60, help="Ply twist; default: 20 degrees."),
    ] = None,
    wrap_factor: WrapOption = 1.0,
    units: TableUnitsOption = UnitsChoice.mm,
    as_json: JsonOption = False,
) -> None:
    """How thick and how even the yarn would be, plied from bobbins or chain-plied from each."""
    with clean_end():
        from app.compare import own_groups
        from app.forecast import PROFILES, as_object, groups_in_order, print_forecasts
        from app.forecast import forecast as forecasts

        read = [
            b for b in gather(bobbins or [], spin, notebook, posture, profiles=PROFILES) if b.points
        ]
        if len(read) < 2:
            raise UseError("a forecast takes two bobbins with readings; name others.")
        names = [bobbin.name for bobbin in read]
        groups = (
            groups_in_order(names, plies or min(len(names), 3))
            if own is None
            else own_groups(own, names)
        )
        used = [end.name for group in groups for end in group]
        if len({len(group) for group in groups}) > 1 or len(groups[0]) < 2:
            raise UseError("--own needs groups of two bobbins or more, as many in each.")
        if len(set(used)) < len(used):
            raise UseError("--own names a bobbin twice; correct it.")
        found = forecasts(
            read,
            groups,
            loop_m=loop,
            length_m=length,
            turns_per_inch=tpi,
            wrap_factor=wrap_factor,
        )
        files = any(name.lower().endswith((".json", ".csv")) for name in bobbins or [])
        washed = "" if files else _washed(found, notebook, spin)
        if as_json:
            document = {"slubwise": program_version()} | as_object(found, washed)
            typer.echo(json_text(document))
            return
        from rich.console import Console

        print_forecasts(Console(), found, units.value, washed)


def _washed(found: Forecasts, path: Path | None, spin: str | None) -> str:
    """The forecast once washed, by what the notebook's own skeins did."""
    from app.bobbin_sources import spin_called
    from app.pairs import known_skeins, pairs_but
    from measure.bloom import learn

    with notebook_at(path) as notebook:
        fibre = spin_called(notebook, spin).fibre
        pairs = pairs_but(known_skeins(notebook), [])
    return found.washed_sentence(
        learn(pairs, "plied", found.plied.plies, fibre), learn(pairs, "chain-plied", 3, fibre)
    )
