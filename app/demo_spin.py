"""The sample spin: rendered pictures measured as any others, and a made-up story of who spun when.

A notebook is made of both by the ways that the window and the commands use, so that it holds what
this version of the program reads in the pictures.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import typer
from numpy.typing import NDArray

from app import UseError
from app.batch import PictureJob, PictureResult
from app.samples import samples_folder
from measure.settings import Settings

if TYPE_CHECKING:
    from app.notebook.records import Skein
    from app.notebook.store import Notebook
    from app.spin_report import SpinFound

_CARD: Final = "pocket card of the story"
_STORY: Final = "story.json"

Measure = Callable[[Sequence[PictureJob], Settings], Sequence[PictureResult]]


def spin_folder() -> Path | None:
    """The folder of the spin's pictures, or None when this copy came without them."""
    samples = samples_folder()
    folder = None if samples is None else samples / "spin"
    return folder if folder is not None and (folder / _STORY).is_file() else None


def spin_notebook(path: Path, measure: Measure) -> int:
    """Measure the pictures and make the notebook; gives how many readings and sections it holds.

    It is there whole or not at all. UseError when a notebook of that name is there already, or a
    picture of the sample could not be read.
    """
    from app.notebook.store import Notebook

    folder = spin_folder()
    if folder is None:
        raise UseError("this copy came without the sample spin; install it again.")
    if path.exists():
        raise UseError(f"{path} is there already; choose another folder with --out.")
    story = json.loads((folder / _STORY).read_text(encoding="utf-8"))
    jobs = [PictureJob(folder / shot["file"], None) for shot in story["pictures"]]
    results = measure(jobs, Settings())
    part = path.with_name(f"{path.name}.part")
    for left in part.parent.glob(f"{part.name}*"):
        left.unlink()
    with Notebook.open(part) as notebook:
        _fill(notebook, story, results)
    part.replace(path)
    return len(results)


def demo_spin(out: Path, window: bool) -> None:
    """The command `slubwise demo --spin`: notebook, report and label in a folder, then the window.

    A notebook that an earlier run left there is taken as it is.
    """
    from rich.console import Console

    from app.arguments import make_folder
    from app.compare import print_comparison
    from app.label_files import write_labels
    from app.measured import measured
    from app.notebook_commands import opened_notebook
    from app.qt_setup import why_no_window
    from app.skein_label import label_of
    from app.skein_report import print_skein
    from app.spin_report import find_out
    from app.spin_report_files import write_report

    make_folder(out, "--out")
    shown = window and why_no_window() is None
    if shown:
        # Writing a PDF makes an application of its own where there is none, and the window needs
        # another kind.
        from app.window.start import make_application

        application = make_application()
    path = out / "spin.slubwise"
    if not path.exists():
        typer.echo("A made-up spin in pictures rendered by computer, not photographed:")
        count = spin_notebook(path, measured)
        typer.echo(f"Measured {count} pictures into {path}.")
    console = Console()
    with opened_notebook(path) as notebook:
        spin = notebook.spins()[0]
        found = find_out(notebook, spin)
        for figures in found.figures:
            typer.echo(f"{figures.bobbin.name}: {figures.drift.sentence}")
        if found.compared is not None:
            print_comparison(console, found.compared, "mm")
        for one in found.forecasts:
            typer.echo("\n".join(one.sentences))
        for looked in found.skeins:
            print_skein(console, looked, "mm")
        report = out / "report.pdf"
        write_report(found, report)
        typer.echo(f"Wrote {report}: all of it on paper.")
        for line in write_labels(
            [label_of(looked) for looked in found.skeins], out / "label.pdf", None
        ):
            typer.echo(line)
    if shown:
        typer.echo("The window opens on its notebook; close it to come back.", err=True)
        _show(found, path, out / "demo-window.ini")
        del application
    elif window:
        typer.echo("No window is opened here; slubwise opens it where you see a desktop.")


def _show(found: SpinFound, path: Path, file: Path) -> None:
    """The window at the bobbin with most readings, looking at the last one's picture."""
    from app.window.preferences import Preferences
    from app.window.start import open_window
    from measure.band import Band

    readings = max(found.readings, key=len)
    preferences = Preferences(file)
    if not preferences.bobbin:
        preferences.bobbin = readings[-1].bobbin_id
        aim = found.spin.aim
        if aim.band_low_mm is not None and aim.band_high_mm is not None:
            preferences.band = Band(aim.band_low_mm, aim.band_high_mm)
        preferences.save()
    folder = spin_folder()
    # A still picture: nothing is logged of it by itself, as of a video.
    shipped = [folder / r.source for r in readings if folder is not None]
    pictures = [str(picture) for picture in shipped if picture.is_file()]
    open_window(pictures[-1] if pictures else None, path, preferences=file)


def _fill(notebook: Notebook, story: dict[str, Any], results: Sequence[PictureResult]) -> None:
    from app.notebook.records import Aim

    said = story["spin"]
    spin = notebook.add_spin(**{**said, "aim": Aim(**said["aim"])})
    bobbins = [notebook.add_bobbin(spin.id, **bobbin) for bobbin in story["bobbins"]]
    skein = _skein(notebook, spin.id, [b.id for b in bobbins], story["skein"])
    sittings: dict[tuple[int, int], str] = {}
    last: dict[str, datetime] = {}
    for shot, result in zip(story["pictures"], results, strict=True):
        at = datetime.fromisoformat(shot["taken_at"])
        if "section" in shot:
            _section(notebook, skein, shot, result, at)
            continue
        key = shot["bobbin"], shot["sitting"]
        if key not in sittings:
            sittings[key] = notebook.begin_sitting(bobbins[key[0] - 1].id, at).id
        _reading(notebook, sittings[key], shot, result, at)
        last[sittings[key]] = at
    for sitting, at in last.items():
        notebook.end_sitting(sitting, at)
    # What was made here is no change of the person's, to be undone.
    notebook.forget_changes()


def _skein(
    notebook: Notebook, spin_id: str, bobbin_ids: Sequence[str], said: dict[str, Any]
) -> Skein:
    from app.notebook.skein_records import Amounts, Finish, LabelWords, Wanted

    skein = notebook.add_skein(spin_id, said["name"], bobbin_ids, method=said["method"])
    return notebook.update_skein(
        replace(
            skein,
            plies=said["plies"],
            finish=Finish(**said["finish"]),
            amounts=Amounts(**said["amounts"]),
            wanted=Wanted(**said["wanted"]),
            label=LabelWords(**said["label"]),
        )
    )


def _reading(
    notebook: Notebook, sitting: str, shot: dict[str, Any], result: PictureResult, at: datetime
) -> None:
    from app.window.log_entry import cut_out

    reading = _read(result)
    strand = reading.strands[0]
    notebook.log(
        sitting,
        strand,
        taken_at=at,
        posture="tension",
        printed_card=_CARD,
        printed_card_id=_CARD,
        source=result.picture.name,
        spun_g=shot["spun_g"],
        picture_jpeg=cut_out(_pixels(result.picture), strand, 1.0),
        scale=reading.scale,
    )


def _pixels(file: Path) -> NDArray[np.uint8]:
    from PIL import Image

    with Image.open(file) as opened:
        return np.asarray(opened.convert("RGB"))


def _section(
    notebook: Notebook, skein: Skein, shot: dict[str, Any], result: PictureResult, at: datetime
) -> None:
    reading = _read(result)
    notebook.add_section(
        skein.id,
        reading.strands[0],
        taken_at=at,
        printed_card=_CARD,
        source=result.picture.name,
        scale=reading.scale,
        **shot["section"],
    )


def _read(result: PictureResult) -> Any:
    reading = result.reading
    if reading is None or not reading.strands:
        raise UseError(f"the sample {result.picture.name} could not be read; install it again.")
    return reading
