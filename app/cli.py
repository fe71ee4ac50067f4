"""The `slubwise` command. Heavy libraries are imported inside the commands that need them."""

from __future__ import annotations

import json
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app import program_version
from app.compare_command import compare
from app.endings import EXIT_BAD_USE, EXIT_READ, EXIT_REFUSED, clean_end, fail, say
from app.forecast_command import forecast
from app.measured import error_text
from app.notebook_commands import notebook_app
from app.options import (
    ChartOption,
    JsonOption,
    PaperChoice,
    TableUnitsOption,
    UnitsChoice,
    WrapOption,
)
from app.plan_command import plan
from app.skein_commands import skein_app
from app.spin_report_command import report

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.batch import PictureResult

cli = typer.Typer(
    name="slubwise",
    help="Slubwise reads yarn diameter, wraps per inch and evenness from a picture of strands "
    "lying on a printed card.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class CardKindChoice(StrEnum):
    """Which card to print."""

    desk = "desk"
    pocket = "pocket"


class FormatChoice(StrEnum):
    """What kind of file."""

    pdf = "pdf"
    png = "png"
    svg = "svg"


class ScaleChoice(StrEnum):
    """Where the millimetres come from."""

    auto = "auto"
    card = "card"
    ruler = "ruler"
    dpi = "dpi"


class RulerChoice(StrEnum):
    """What a ruler's marks are."""

    mm = "mm"
    inch = "inch"


def main() -> None:
    """Run the command line; every failure ends in one sentence and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A file name that the terminal cannot show must not end the program.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    cli()


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        fail(
            f"{file} could not be written ({error.strerror or error}). "
            "Choose another place with --out."
        )


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"slubwise {program_version()}")
        raise typer.Exit


@cli.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Say the version."),
    ] = False,
    source: Annotated[
        str | None,
        typer.Option(
            metavar="SOURCE",
            help="What the window looks at: sample, a camera's name, a video, a picture or a "
            "folder. Default: what it looked at last.",
        ),
    ] = None,
    notebook: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Notebook of the window; default: your own."),
    ] = None,
) -> None:
    """Without a command: open the window."""
    if context.invoked_subcommand is None:
        with clean_end():
            _open_window(source, notebook)
    elif source is not None or notebook is not None:
        fail("--source and --notebook before a command are for the window; leave them out.")


def _open_window(source: str | None, notebook: Path | None) -> None:
    """The window, until it is closed; a sentence where none can be opened."""
    from app.qt_setup import why_no_window

    reason = why_no_window()
    if reason is not None:
        fail(reason)
    try:
        from app.window.start import open_window
    except ImportError as error:
        fail(
            f"the window is drawn with Qt, which does not load here ({error}). Install what it "
            "names; the commands in slubwise --help work without it."
        )
    code = open_window(source, notebook)
    if code:
        raise typer.Exit(code)


@cli.command()
def card(
    kind: Annotated[
        CardKindChoice, typer.Option(help="desk for the table, pocket the size of a bank card.")
    ] = CardKindChoice.desk,
    paper: Annotated[PaperChoice, typer.Option(help="Paper of the PDF or SVG.")] = PaperChoice.a4,
    file_format: Annotated[
        FormatChoice | None,
        typer.Option(
            "--format", help="pdf or svg: a sheet to print; png: the bare card. Default: pdf."
        ),
    ] = None,
    dpi: Annotated[
        int, typer.Option(metavar="N", min=100, max=1200, help="Pixels per inch of the PNG.")
    ] = 600,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="File to write; default: in this folder.")
    ] = None,
    geometry: Annotated[
        bool, typer.Option("--geometry", help="Print the card's geometry as JSON, write nothing.")
    ] = False,
) -> None:
    """Write the card to print, or its geometry."""
    with clean_end():
        from measure.card import newest_card

        chosen = newest_card(kind.value)
        if geometry:
            typer.echo(json.dumps(chosen.geometry(), indent=1))
            return
        from app.arguments import card_format

        file_format = FormatChoice(card_format(out, file_format and file_format.value))
        if out is None:
            sheet = "" if file_format is FormatChoice.png else f"-{paper.value}"
            out = Path(f"slubwise-card-{kind.value}{sheet}.{file_format.value}")

        from app.card_sheet import card_file

        try:
            content = card_file(chosen, paper=paper.value, file_format=file_format.value, dpi=dpi)
        except ImportError as error:
            fail(
                f"the PDF is drawn with Qt, which does not load here ({error}). "
                "Install what it names, or take --format svg."
            )
        _write(out, content)
        if file_format is FormatChoice.png:
            typer.echo(f"Wrote {out}: the bare card at {dpi} pixels per inch.")
        else:
            typer.echo(
                f"Wrote {out}: print it at 100 %, no fit to page, then check the bars with a ruler."
            )


@cli.command()
def measure(
    pictures: Annotated[
        list[Path],
        typer.Argument(
            metavar="PICTURE", help="Pictures, or folders of pictures.", show_default=False
        ),
    ],
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV, one row per strand.")] = False,
    overlay: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Write the picture with the outlines drawn on; a folder for several pictures.",
        ),
    ] = None,
    scale: Annotated[
        ScaleChoice,
        typer.Option(
            help="auto: the card in the picture, without one a ruler; card or ruler: only that; "
            "dpi: the tag of a scan."
        ),
    ] = ScaleChoice.auto,
    ruler: Annotated[
        RulerChoice | None,
        typer.Option(help="What the ruler's marks are, where the picture does not tell."),
    ] = None,
    marks: Annotated[
        str | None,
        typer.Option(
            metavar="X1,Y1,X2,Y2,MM",
            help="Two places in the picture (pixels) and the millimetres between them, as scale.",
        ),
    ] = None,
    printer_x: Annotated[
        float,
        typer.Option(
            metavar="FACTOR", min=0.8, max=1.25, help="True over nominal length of the bars across."
        ),
    ] = 1.0,
    printer_y: Annotated[
        float,
        typer.Option(
            metavar="FACTOR", min=0.8, max=1.25, help="True over nominal length of the bars down."
        ),
    ] = 1.0,
    chart: ChartOption = None,
    wrap_factor: WrapOption = 1.0,
    singles_tpi: Annotated[
        float | None,
        typer.Option(
            metavar="TPI",
            min=0.1,
            max=100,
            help="Twist of the singles that plied strands were plied from, to say whether it "
            "balances them.",
        ),
    ] = None,
    units: TableUnitsOption = UnitsChoice.mm,
) -> None:
    """Measure the strands in pictures.

    Exit code 0: every picture gave a reading; 1: at least one gave none; 2: bad use, or a file
    could not be read or written.
    """
    with clean_end():
        if as_json and as_csv:
            fail("--json and --csv exclude each other; choose one.")
        from app.arguments import build_jobs, build_settings
        from app.measured import measured

        settings = build_settings(
            scale.value,
            marks,
            (printer_x, printer_y),
            chart,
            wrap_factor,
            None if ruler is None else ruler.value,
        )
        jobs = build_jobs(pictures, overlay)
        results = measured(jobs, settings)
        _print_results(results, as_json, as_csv, units, singles_tpi)
        for result in results:
            if result.error is not None:
                say(error_text(result.picture, result.error))
            elif result.write_error is not None:
                say(
                    f"the overlay of {result.picture} could not be written ({result.write_error}). "
                    "Choose another place with --overlay."
                )
        code = exit_code(results)
        if code != EXIT_READ:
            raise typer.Exit(code)


def exit_code(results: Sequence[PictureResult]) -> int:
    """What a program is told of pictures measured: docs/formats.md, the worst going first."""
    if any(r.error is not None or r.write_error is not None for r in results):
        return EXIT_BAD_USE
    if any(r.reading is not None and not r.reading.read for r in results):
        return EXIT_REFUSED
    return EXIT_READ


def _print_results(
    results: Sequence[PictureResult],
    as_json: bool,
    as_csv: bool,
    units: UnitsChoice,
    singles_tpi: float | None,
) -> None:
    from app import report

    if as_json:
        typer.echo(report.as_json(results, singles_tpi))
        return
    if as_csv:
        typer.echo(report.as_csv(results), nl=False)
        # A picture or strand without a row is said beside the rows.
        for result in results:
            for refusal in result.reading.refusals if result.reading else ():
                who = f"strand {refusal.strand}: " if refusal.strand is not None else ""
                say(f"{result.picture}: {who}{refusal.text} {refusal.advice}")
        return
    from rich.console import Console

    console = Console()
    for result in results:
        if result.reading is not None:
            name = str(result.picture)
            report.print_reading(console, name, result.reading, units.value, singles_tpi)
            console.print()


@cli.command()
def demo(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for what is written.")] = Path(
        "slubwise-demo"
    ),
    window: Annotated[
        bool, typer.Option("--window/--no-window", help="Open the window on it afterwards.")
    ] = True,
    spin: Annotated[
        bool,
        typer.Option(
            "--spin", help="A whole spin instead: bobbins, skein, report and label, in seconds."
        ),
    ] = False,
) -> None:
    """Measure a sample picture, draw the result, open the window on it.

    The sample comes with the program; its overlay and a picture of its drift are written. The
    window opens where there is a display; what is logged in it stays in the same folder.
    """
    with clean_end():
        if spin:
            from app.demo_spin import demo_spin

            demo_spin(out, window)
            return
        import io

        from app.arguments import make_folder
        from app.batch import PictureJob, measure_one
        from app.samples import demo_picture
        from measure.settings import Settings

        sample = demo_picture()
        if sample is None:
            fail("this copy came without the sample pictures; install it again.")
        make_folder(out, "--out")
        result = measure_one(PictureJob(sample, out / f"{sample.stem}-overlay.png"), Settings())
        if result.error is not None:
            fail(error_text(sample, result.error))
        if result.write_error is not None:
            fail(f"{out} cannot be written to ({result.write_error}). Choose another with --out.")
        reading = result.reading
        if reading is None or not reading.read:
            fail(f"nothing could be read from {sample.name}.", EXIT_REFUSED)

        from rich.console import Console

        from app.drift_picture import draw_drift
        from app.report import print_reading

        typer.echo("A sample picture, rendered by computer and not photographed:")
        print_reading(Console(), sample.name, reading, "mm")
        bands = [(0.9 * s.diameter_mm, 1.1 * s.diameter_mm) for s in reading.strands]
        image = io.BytesIO()
        draw_drift(reading, bands, "mean ±10 %").save(image, "PNG")
        drift = out / f"{sample.stem}-drift.png"
        _write(drift, image.getvalue())
        typer.echo(f"\nWrote {out / f'{sample.stem}-overlay.png'}: what was measured and where.")
        typer.echo(f"Wrote {drift}: the diameter along the strands.")
        if window:
            _show_demo(sample, out)


def _show_demo(sample: Path, out: Path) -> None:
    """The window on the sample, with a notebook and preferences of its own."""
    from app.qt_setup import why_no_window

    if why_no_window() is not None:
        typer.echo("No window is opened here; slubwise opens it where you see a desktop.")
        return
    from app.window.start import open_window

    typer.echo("The window opens on the same picture; close it to come back.", err=True)
    open_window(str(sample), out / "demo-notebook.sqlite", preferences=out / "demo-window.ini")


cli.command()(compare)
cli.command()(plan)
cli.command()(forecast)
cli.command()(report)
cli.add_typer(notebook_app)
cli.add_typer(skein_app)


if __name__ == "__main__":
    main()
