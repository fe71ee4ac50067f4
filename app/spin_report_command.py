"""The command `slubwise report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from app.notebook_commands import opened_notebook
from app.options import FirstUnitsOption, NotebookOption, PaperChoice, UnitsChoice, WrapOption


def report(
    spin: Annotated[
        str | None,
        typer.Argument(
            metavar="SPIN", help="Spin by its name; default: the one last spun.", show_default=False
        ),
    ] = None,
    notebook: NotebookOption = None,
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="File to write, ending in .pdf or .html.")
    ] = Path("slubwise-report.pdf"),
    data: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="Folder for the CSV and JSON behind it.", show_default=False
        ),
    ] = None,
    paper: Annotated[PaperChoice, typer.Option(help="Paper of the PDF.")] = PaperChoice.a4,
    wrap_factor: WrapOption = 1.0,
    units: FirstUnitsOption = UnitsChoice.mm,
) -> None:
    """Write the report of a spin: aim, drift, bobbins, plying, skein and pictures."""
    with opened_notebook(notebook) as opened:
        from app.bobbin_sources import spin_called
        from app.spin_report import find_out
        from app.spin_report_files import check_name, write_data, write_report

        check_name(out)
        found = find_out(opened, spin_called(opened, spin), wrap_factor=wrap_factor)
        write_report(found, out, units=units.value, paper=paper.value)
        typer.echo(f"Wrote {out}.")
        if data is not None:
            for file in write_data(opened, found, data):
                typer.echo(f"Wrote {file}.")
