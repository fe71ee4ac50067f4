"""The command `slubwise plan`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from app import UseError
from app.endings import clean_end
from app.notebook_commands import notebook_at
from app.options import (
    ChartOption,
    JsonOption,
    NotebookOption,
    TableUnitsOption,
    UnitsChoice,
    WrapOption,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from measure.band import Band
    from measure.bloom import Method, Pair
    from measure.weight_class import WeightChart


class MethodChoice(StrEnum):
    """How it is plied."""

    plied = "plied"
    chain = "chain"
    single = "single"


def plan(
    weight_class: Annotated[
        str | None,
        typer.Option("--class", metavar="NAME", help="Weight class wanted, by name or number."),
    ] = None,
    wpi: Annotated[
        str | None,
        typer.Option(metavar="WPI", help="Or wraps per inch wanted: 14, or a range such as 12-15."),
    ] = None,
    chart: ChartOption = None,
    method: Annotated[
        MethodChoice,
        typer.Option(help="plied from bobbins, chain-plied from one, or left a single."),
    ] = MethodChoice.plied,
    plies: Annotated[
        int | None, typer.Option(metavar="N", min=2, max=6, help="Plies; default 2.")
    ] = None,
    fibre: Annotated[
        str, typer.Option(metavar="WORDS", help="Fibre, in the words of your notebook.")
    ] = "",
    weight: Annotated[
        float | None, typer.Option(metavar="GRAMS", min=0.1, help="Fibre in hand.")
    ] = None,
    length: Annotated[
        float | None, typer.Option(metavar="METRES", min=0.1, help="Finished yarn needed.")
    ] = None,
    angle: Annotated[
        float | None,
        typer.Option(
            metavar="DEGREES",
            min=1,
            max=44,
            help="Ply angle: 20 is soft (default), 30 firm. Of a single: of its fibres; "
            "default 15.",
        ),
    ] = None,
    ply_tpi: Annotated[
        float | None, typer.Option(metavar="TPI", min=0.1, help="Or the ply's turns per inch.")
    ] = None,
    single_tpi: Annotated[
        float | None, typer.Option(metavar="TPI", min=0.1, help="The single's turns per inch.")
    ] = None,
    ratio: Annotated[
        str | None,
        typer.Option(
            metavar="TURNS",
            help="Your wheel: turns of the flyer to one of it, 9 or counted as 45/5.",
        ),
    ] = None,
    motor: Annotated[
        str | None,
        typer.Option(
            metavar="RPM",
            help="Or a motor wheel's turns a minute, 800 or counted as 133/10, turns in seconds.",
        ),
    ] = None,
    draft: Annotated[
        float, typer.Option(metavar="MM", min=10, max=3000, help="Length of one draft.")
    ] = 300.0,
    treadles: Annotated[
        float,
        typer.Option(metavar="N", min=0.5, max=4, help="Treadle strokes to one turn of the wheel."),
    ] = 1.0,
    waste: Annotated[
        float, typer.Option(metavar="PERCENT", min=0, max=90, help="Fibre lost on the way.")
    ] = 5.0,
    bobbin_g: Annotated[
        float, typer.Option(metavar="GRAMS", min=1, help="What a bobbin holds.")
    ] = 100.0,
    tolerance: Annotated[
        float,
        typer.Option(
            metavar="PERCENT", min=0.1, max=50, help="How well each bobbin's mean is wanted."
        ),
    ] = 3.0,
    without: Annotated[
        list[str] | None,
        typer.Option(metavar="SKEIN", help="Do not learn from this skein; may be given again."),
    ] = None,
    notebook: NotebookOption = None,
    wrap_factor: WrapOption = 1.0,
    units: TableUnitsOption = UnitsChoice.mm,
    as_json: JsonOption = False,
) -> None:
    """From the yarn wanted: what single to spin, with what twist, of how much fibre.

    Learns from the skeins in your notebook whose singles and finished yarn you read.
    """
    with clean_end():
        from app.arguments import chart_called
        from app.plan import print_plan, wheel_of
        from app.plan_json import as_json as json_of
        from measure.plan import Wish, make_plan

        chosen_chart = chart_called(chart)
        wanted = _band(weight_class, wpi, chosen_chart, wrap_factor)
        way, strands = _way(method, plies)
        wheel = wheel_of(ratio, motor, treadles, draft)
        pairs = _pairs(notebook, without or [])
        try:
            wish = Wish(
                wanted,
                strands,
                way,
                fibre=fibre,
                fibre_g=weight,
                length_m=length,
                angle_deg=angle,
                ply_turns_per_inch=ply_tpi,
                single_turns_per_inch=single_tpi,
                waste_percent=waste,
                bobbin_g=bobbin_g,
                tolerance_percent=tolerance,
            )
            made = make_plan(wish, pairs)
        except ValueError as error:
            raise UseError(f"{error}.") from None
        if as_json:
            typer.echo(json_of(made, chosen_chart, wrap_factor))
            return
        from rich.console import Console

        print_plan(Console(), made, chosen_chart, wheel, units.value, wrap_factor)


def _band(
    weight_class: str | None, wpi: str | None, chart: WeightChart, wrap_factor: float
) -> Band:
    from app.plan import band_of_class, band_of_wpi

    if (weight_class is None) == (wpi is None):
        raise UseError("say what yarn you want with --class or with --wpi, one of them.")
    if weight_class is not None:
        return band_of_class(chart, weight_class, wrap_factor)
    return band_of_wpi(str(wpi), wrap_factor)


def _way(method: MethodChoice, plies: int | None) -> tuple[Method, int]:
    if method is MethodChoice.plied:
        return "plied", plies or 2
    if plies is not None and not (method is MethodChoice.chain and plies == 3):
        has = "three plies" if method is MethodChoice.chain else "no plies"
        raise UseError(f"--method {method.value} has {has}; leave --plies out.")
    return ("chain-plied", 3) if method is MethodChoice.chain else ("single", 1)


def _pairs(path: Path | None, without: Sequence[str]) -> list[Pair]:
    """What the notebook teaches; nothing where there is none yet and none was named."""
    from app.notebook.file import own_path
    from app.pairs import known_skeins, pairs_but

    if path is None and not own_path().exists():
        return pairs_but([], without)
    with notebook_at(path) as notebook:
        return pairs_but(known_skeins(notebook), without)
