"""The commands of `slubwise skein`."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app import UseError
from app.endings import EXIT_BAD_USE, EXIT_READ, EXIT_REFUSED, say
from app.json_text import json_text
from app.notebook_commands import opened_notebook
from app.options import (
    FirstUnitsOption,
    JsonOption,
    NotebookOption,
    PaperChoice,
    UnitsChoice,
    WrapOption,
)

if TYPE_CHECKING:
    from app.batch import PictureResult
    from app.notebook.records import Skein
    from app.notebook.skein_records import Layer
    from app.notebook.store import Notebook

skein_app = typer.Typer(
    name="skein",
    help="Finished skeins: sections read round them, length and grist, what they suit, labels.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


class LayerChoice(StrEnum):
    """How deep in the hanging skein."""

    outside = "outside"
    middle = "middle"
    inside = "inside"


class LengthFromChoice(StrEnum):
    """Which way to the length is told."""

    rounds = "rounds"
    counter = "counter"
    sample = "sample"
    grist = "grist"


class SkeinScaleChoice(StrEnum):
    """Where the millimetres come from."""

    card = "card"
    dpi = "dpi"


NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The skein, by its name.")]
SpinOption = Annotated[
    str | None,
    typer.Option("--spin", metavar="NAME", help="Spin it belongs to, where that is not clear."),
]
SkeinChartOption = Annotated[
    str | None,
    typer.Option("--chart", metavar="NAME", help="Chart of weight classes; default: its own."),
]
ToleranceOption = Annotated[
    float,
    typer.Option(
        "--tolerance", metavar="PERCENT", min=0.1, max=50, help="How well you want the mean known."
    ),
]


@skein_app.command(name="list")
def list_(notebook: NotebookOption = None) -> None:
    """Name all skeins, newest spin first."""
    with opened_notebook(notebook) as opened:
        from app.bobbin_sources import one_line

        for spin in opened.spins():
            for skein in opened.skeins(spin.id):
                number = len(opened.sections(skein.id))
                typer.echo(
                    f"{one_line(skein.name)}: {_sections(number)}, of {one_line(spin.name)}"
                    + (f", washed {skein.finish.washed_on}" if skein.finish.washed_on else "")
                )


@skein_app.command()
def new(
    name: NameArgument,
    bobbins: Annotated[
        list[str] | None,
        typer.Option("--bobbin", metavar="NAME", help="A bobbin it was plied from; repeat it."),
    ] = None,
    spin: Annotated[
        str | None,
        typer.Option("--spin", metavar="NAME", help="Spin of it; default: the one last spun."),
    ] = None,
    method: Annotated[
        str, typer.Option(metavar="WORDS", help="How it was plied, such as chain-plied.")
    ] = "",
    plies: Annotated[int | None, typer.Option(metavar="N", min=1, max=1000)] = None,
    notebook: NotebookOption = None,
) -> None:
    """Make a skein in the notebook."""
    with opened_notebook(notebook) as opened:
        from dataclasses import replace

        from app.bobbin_sources import bobbins_called, spin_called

        of = spin_called(opened, spin)
        if any(s.name == name for s in opened.skeins(of.id)):
            raise UseError(f"{of.name} has a skein called {name!r} already; choose another name.")
        chosen = bobbins_called(opened, of, bobbins) if bobbins else []
        skein = opened.add_skein(of.id, name, [b.id for b in chosen], method=method)
        if plies is not None:
            skein = opened.update_skein(replace(skein, plies=plies))
        typer.echo(
            f"Made {name} of {of.name}. When it is wound: slubwise skein add {_shell(name)} PICTURE"
        )


@skein_app.command()
def add(
    name: NameArgument,
    pictures: Annotated[
        list[Path],
        typer.Argument(
            metavar="PICTURE", help="Pictures, or folders of pictures.", show_default=False
        ),
    ],
    washed: Annotated[
        bool | None,
        typer.Option(
            "--washed/--unwashed",
            help="Whether the yarn was washed. Default: whether the skein has a day of washing.",
        ),
    ] = None,
    layer: Annotated[
        LayerChoice | None, typer.Option(help="Where in the hanging skein they are from.")
    ] = None,
    hour: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, max=12, help="Where round it, the first tie at 12."),
    ] = None,
    scale: Annotated[
        SkeinScaleChoice, typer.Option(help="card in the picture, or the dpi tag of a scan.")
    ] = SkeinScaleChoice.card,
    printer_x: Annotated[
        float, typer.Option(metavar="FACTOR", min=0.8, max=1.25, help="As of slubwise measure.")
    ] = 1.0,
    printer_y: Annotated[
        float, typer.Option(metavar="FACTOR", min=0.8, max=1.25, help="As of slubwise measure.")
    ] = 1.0,
    spin: SpinOption = None,
    notebook: NotebookOption = None,
) -> None:
    """Measure pictures of the skein; each strand read becomes a section.

    Exit code 0: every picture gave a section; 1: at least one gave none; 2: bad use, or a file
    could not be read.
    """
    with opened_notebook(notebook) as opened:
        from app.arguments import build_jobs, build_settings
        from app.measured import error_text, measured
        from app.skein import look_at, skein_called

        skein = skein_called(opened, name, spin)
        settings = build_settings(scale.value, None, (printer_x, printer_y), None, 1.0)
        results = measured(build_jobs(pictures, None), settings)
        is_washed = bool(skein.finish.washed_on) if washed is None else washed
        code = EXIT_READ
        for result in results:
            if result.error is not None:
                say(error_text(result.picture, result.error))
                code = EXIT_BAD_USE
                continue
            kept = _keep(opened, skein, result, is_washed, layer.value if layer else None, hour)
            if not kept and code == EXIT_READ:
                code = EXIT_REFUSED
        looked = look_at(opened, skein.id)
        count = len(looked.sections)
        typer.echo(f"{name} has {_sections(count)}, {looked.plan}.")
        typer.echo(f"Take the next {looked.next_place.words}.")
        if code != EXIT_READ:
            raise typer.Exit(code)


def _keep(
    notebook: Notebook,
    skein: Skein,
    result: PictureResult,
    washed: bool,
    layer: Layer | None,
    hour: int | None,
) -> bool:
    """Keep every strand of a picture as a section; say what was kept and what was not."""
    reading = result.reading
    if reading is None:
        return False
    from app.format import interval_text

    for strand in reading.strands:
        section = notebook.add_section(
            skein.id,
            strand,
            taken_at=datetime.now(UTC),
            washed=washed,
            printed_card=(reading.scale.card or "") if reading.scale else "",
            source=str(result.picture),
            layer=layer,
            hour=hour,
            scale=reading.scale,
        )
        typer.echo(
            f"Section {section.number}: {interval_text(strand.wpi, strand.wpi_interval)} WPI, "
            f"{'washed' if washed else 'not washed'}, from {result.picture.name}."
        )
        for caution in strand.cautions:
            say(f"{result.picture}: {caution.text}")
    for refusal in reading.refusals:
        say(f"{result.picture}: {refusal.text} {refusal.advice}")
    return bool(reading.strands)


@skein_app.command(name="set")
def set_(
    name: NameArgument,
    weight: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="Of the skein: '101.5 g +- 0.5'.")
    ] = None,
    circumference: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="Once round the skein: '1480 mm +- 5'.")
    ] = None,
    rounds: Annotated[
        str | None, typer.Option(metavar="N", help="How often the yarn goes round.")
    ] = None,
    counted: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="Length by a counter: '231 m +- 2 %'.")
    ] = None,
    sample_length: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="Of a piece cut off and weighed.")
    ] = None,
    sample_weight: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="Of that piece: '0.91 g +- 0.005'.")
    ] = None,
    grist: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="As known: '1700 yd/lb', '292 tex +- 2 %'.")
    ] = None,
    length_from: Annotated[
        LengthFromChoice | None, typer.Option(help="Which way to the length goes on the label.")
    ] = None,
    wraps: Annotated[
        str | None, typer.Option(metavar="COUNT", help="Counted by hand: '27 over 2 in'.")
    ] = None,
    washed_on: Annotated[
        str | None, typer.Option(metavar="DAY", help="YYYY-MM-DD, washed and twist set.")
    ] = None,
    finishing: Annotated[str | None, typer.Option(metavar="WORDS", help="How.")] = None,
    hang: Annotated[
        str | None,
        typer.Option(metavar="TURNS", help="Hang test: 0 straight, '2 Z' two turns that way."),
    ] = None,
    pattern: Annotated[str | None, typer.Option(metavar="WORDS", help="What it is for.")] = None,
    want: Annotated[str | None, typer.Option(metavar="CLASS", help="Class wanted.")] = None,
    chart: Annotated[str | None, typer.Option(metavar="NAME", help="Chart of that class.")] = None,
    want_wpi: Annotated[
        str | None, typer.Option(metavar="WPI", help="Wraps wanted: '14 to 16'.")
    ] = None,
    want_grist: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="The pattern yarn's: '400 m/100g'.")
    ] = None,
    fibre: Annotated[str | None, typer.Option(metavar="WORDS", help="For the label.")] = None,
    colourway: Annotated[str | None, typer.Option(metavar="WORDS", help="For the label.")] = None,
    care: Annotated[str | None, typer.Option(metavar="WORDS", help="Care line.")] = None,
    text: Annotated[str | None, typer.Option(metavar="WORDS", help="Your own words.")] = None,
    method: Annotated[str | None, typer.Option(metavar="WORDS", help="How it was plied.")] = None,
    plies: Annotated[int | None, typer.Option(metavar="N", min=1, max=1000)] = None,
    counts: Annotated[
        bool | None,
        typer.Option(
            "--counts/--does-not-count", help="Whether the next plan may learn from this skein."
        ),
    ] = None,
    spin: SpinOption = None,
    notebook: NotebookOption = None,
) -> None:
    """Write down what is known of a skein; an empty text takes something away."""
    said = {
        "weight": weight, "circumference": circumference, "rounds": rounds, "counted": counted,
        "sample_length": sample_length, "sample_weight": sample_weight, "grist": grist,
        "length_from": length_from and length_from.value, "wraps": wraps, "washed_on": washed_on,
        "finishing": finishing, "hang": hang, "pattern": pattern, "want": want, "chart": chart,
        "want_wpi": want_wpi, "want_grist": want_grist, "fibre": fibre, "colourway": colourway,
        "care": care, "text": text, "method": method, "plies": plies, "counts": counts,
    }  # fmt: skip
    with opened_notebook(notebook) as opened:
        from app.skein import chart_of, skein_called, wanted_of
        from app.skein_values import with_written

        skein = skein_called(opened, name, spin)
        changed = with_written(skein, said)
        if changed == skein:
            raise UseError("nothing was given to write down; see slubwise skein set --help.")
        wanted_of(changed, opened.spin(skein.spin_id), chart_of(changed, None))
        opened.update_skein(changed)
        typer.echo(f"Wrote it down. slubwise skein show {_shell(name)} tells what comes of it.")


@skein_app.command()
def show(
    name: NameArgument,
    chart: SkeinChartOption = None,
    wrap_factor: WrapOption = 1.0,
    tolerance: ToleranceOption = 3.0,
    units: FirstUnitsOption = UnitsChoice.mm,
    as_json: JsonOption = False,
    spin: SpinOption = None,
    notebook: NotebookOption = None,
) -> None:
    """Tell all there is to tell of a skein."""
    with opened_notebook(notebook) as opened:
        from app.skein import look_at, skein_called
        from app.skein_json import skein_object
        from app.skein_report import print_skein

        looked = look_at(
            opened,
            skein_called(opened, name, spin).id,
            chart=chart,
            wrap_factor=wrap_factor,
            tolerance_percent=tolerance,
        )
        if as_json:
            typer.echo(json_text(skein_object(looked)))
            return
        from rich.console import Console

        print_skein(Console(), looked, units.value)


@skein_app.command()
def suit(
    name: NameArgument,
    want: Annotated[
        str | None, typer.Option(metavar="CLASS", help="A class of the chart; default: its own.")
    ] = None,
    want_wpi: Annotated[
        str | None, typer.Option(metavar="WPI", help="Or wraps: '14 to 16'.")
    ] = None,
    want_grist: Annotated[
        str | None, typer.Option(metavar="AMOUNT", help="And a grist: '400 m/100g'.")
    ] = None,
    chart: SkeinChartOption = None,
    wrap_factor: WrapOption = 1.0,
    as_json: JsonOption = False,
    spin: SpinOption = None,
    notebook: NotebookOption = None,
) -> None:
    """Does it suit: yes, borderline or no, and why.

    Exit code 0: yes or borderline; 1: no, or nothing can be said; 2: bad use.
    """
    with opened_notebook(notebook) as opened:
        from app.skein import chart_of, look_at, skein_called, wanted_of
        from app.skein_json import skein_object
        from app.skein_report import print_suit
        from app.skein_values import with_written

        skein = skein_called(opened, name, spin)
        asked = with_written(
            skein, {"want": want, "want_wpi": want_wpi, "want_grist": want_grist, "chart": chart}
        )
        if want is not None and want_wpi is None:
            asked = with_written(asked, {"want_wpi": ""})
        by = chart_of(asked, chart)
        wanted = wanted_of(asked, opened.spin(skein.spin_id), by)
        looked = look_at(opened, skein.id, chart=by.name, wrap_factor=wrap_factor, wanted=wanted)
        if as_json:
            typer.echo(json_text(skein_object(looked)))
        elif looked.suit is None:
            say(looked.why_no_suit)
        else:
            from rich.console import Console

            print_suit(Console(), looked)
        if looked.suit is None or looked.suit.verdict == "no":
            raise typer.Exit(EXIT_REFUSED)


@skein_app.command()
def label(
    names: Annotated[list[str], typer.Argument(metavar="NAME...", help="Skeins, by their names.")],
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="File to write: .pdf or .png; default: a .pdf here."),
    ] = None,
    paper: Annotated[
        PaperChoice | None,
        typer.Option(help="Nine on a sheet with cut lines. Default: each on a page of its size."),
    ] = None,
    copies: Annotated[
        int, typer.Option(metavar="N", min=1, max=500, help="Labels of each skein.")
    ] = 1,
    dpi: Annotated[
        int, typer.Option(metavar="N", min=100, max=1200, help="Pixels per inch of a PNG.")
    ] = 300,
    listing: Annotated[
        bool, typer.Option("--listing", help="Print it as text for a shop's listing instead.")
    ] = False,
    chart: SkeinChartOption = None,
    wrap_factor: WrapOption = 1.0,
    units: FirstUnitsOption = UnitsChoice.mm,
    spin: SpinOption = None,
    notebook: NotebookOption = None,
) -> None:
    """Write labels at true size, 60 by 85 mm, or the text for a listing."""
    with opened_notebook(notebook) as opened:
        from app.skein import look_at, skein_called
        from app.skein_label import label_of, listing_of

        labels = [
            label_of(
                look_at(
                    opened, skein_called(opened, name, spin).id, chart=chart,
                    wrap_factor=wrap_factor,
                ),
                units.value,
            )
            for name in names
        ]  # fmt: skip
        if listing:
            typer.echo("\n".join(listing_of(one) for one in labels), nl=False)
            return
        from app.label_files import write_labels

        for line in write_labels(
            labels, out, paper.value if paper else None, copies=copies, dpi=dpi
        ):
            typer.echo(line)


def _sections(number: int) -> str:
    return "1 section" if number == 1 else f"{number} sections"


def _shell(name: str) -> str:
    """A name as it is typed."""
    return f'"{name}"' if any(c.isspace() for c in name) else name
