"""The commands of `slubwise notebook`."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from app import UseError
from app.endings import EXIT_REFUSED, clean_end
from app.options import NotebookOption

if TYPE_CHECKING:
    from rich.progress import Progress

    from app.notebook.purge import Purge
    from app.notebook.store import Notebook

_LONG_S: Final = 1.0
"""What takes longer is told how far it is."""

notebook_app = typer.Typer(
    name="notebook",
    help="Back up, restore, check, export, import, clear out the notebook of readings.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@contextmanager
def _told() -> Iterator[None]:
    """A notebook's errors become the sentence that a command ends with."""
    from app.notebook.errors import NotebookError

    try:
        yield
    except NotebookError as error:
        raise UseError(f"{error.text} {error.advice}") from error


@contextmanager
def notebook_at(path: Path | None, *, make: bool = False) -> Iterator[Notebook]:
    """The notebook, its errors and those of what is done with it as UseError."""
    from app.notebook.store import Notebook

    with _told():
        with _upkeep() as go_on:
            notebook = Notebook.open(path, make=make, go_on=go_on)
        with notebook:
            yield notebook


@contextmanager
def _upkeep() -> Iterator[Callable[[float], bool]]:
    """A bar on the terminal, once bringing an old notebook up to date takes long; Ctrl-C ends it.

    What had come of it by then is taken back, as of any transaction that does not end.
    """
    begun_s = time.monotonic()
    with ExitStack() as stack:
        bar: Progress | None = None

        def go_on(share: float) -> bool:
            nonlocal bar
            if bar is None and time.monotonic() - begun_s > _LONG_S:
                from rich.console import Console
                from rich.progress import Progress

                bar = Progress(console=Console(stderr=True), transient=True)
                bar.add_task("Bringing the notebook up to date")
                stack.enter_context(bar)
            if bar is not None:
                bar.update(bar.task_ids[0], completed=100 * share)
            return True

        yield go_on


@contextmanager
def opened_notebook(path: Path | None, *, make: bool = False) -> Iterator[Notebook]:
    """The notebook for a whole command, which ends in a sentence whatever happens."""
    with clean_end(), notebook_at(path, make=make) as notebook:
        yield notebook


@notebook_app.command()
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="File to write.")],
    notebook: NotebookOption = None,
) -> None:
    """Copy the notebook to one file.

    Also while the window is open; an older copy of that name is replaced.
    """
    with opened_notebook(notebook) as opened:
        from app.notebook.backup import back_up

        size = back_up(opened, file)
        typer.echo(
            f"Wrote {file}: {_readings(opened.number_of_readings())}, {size / 1e6:.1f} MB. "
            "Keep it on another disk."
        )


@notebook_app.command()
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    notebook: NotebookOption = None,
) -> None:
    """Go back to a backup.

    The notebook that was there is kept beside it under another name.
    """
    with clean_end(), _told():
        from app.notebook.backup import restore as go_back
        from app.notebook.file import own_path

        path = own_path() if notebook is None else notebook
        restored = go_back(file, path)
        typer.echo(f"Restored {path} from {file}: {_readings(restored.readings)}.")
        if restored.replaced is not None:
            typer.echo(f"What was there is now {restored.replaced}.")


@notebook_app.command()
def check(notebook: NotebookOption = None) -> None:
    """Look the whole notebook over.

    Exit code 1 when something is wrong with it.
    """
    with opened_notebook(notebook) as opened:
        found = opened.check()
        for line in found.problems:
            typer.echo(line)
        if found.problems:
            typer.echo(
                f"{opened.path} is damaged. Leave it as it is, save what can be read with "
                '"slubwise notebook salvage NEW", or go back to a backup with '
                '"slubwise notebook restore BACKUP".'
            )
            raise typer.Exit(EXIT_REFUSED)
        typer.echo(f"{opened.path} is sound: {_readings(found.readings)}.")


@notebook_app.command()
def export(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="File to write: .json or .csv.")],
    pictures: Annotated[
        bool, typer.Option("--pictures/--no-pictures", help="Pictures too, in the JSON.")
    ] = True,
    sections: Annotated[
        bool, typer.Option("--sections", help="In a CSV: the sections of skeins instead.")
    ] = False,
    notebook: NotebookOption = None,
) -> None:
    """Write the readings as JSON or CSV.

    A .json is everything and can be imported, a .csv is a row for each reading that stands.
    """
    with opened_notebook(notebook) as opened:
        ending = file.suffix.lower()
        if sections and ending == ".csv":
            from app.notebook.table import export_sections_csv

            count = export_sections_csv(opened, file)
            typer.echo(f"Wrote {file}: {_count(count, 'section')}.")
            return
        if ending == ".json":
            from app.notebook.exchange import export_json

            count = export_json(opened, file, pictures=pictures)
        elif ending == ".csv":
            from app.notebook.table import export_csv

            count = export_csv(opened, file)
        else:
            raise UseError(f"{file} is named neither .json nor .csv; end the name in one of them.")
        typer.echo(f"Wrote {file}: {_readings(count)}.")


@notebook_app.command(name="import")
def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An exported .json.")],
    notebook: NotebookOption = None,
) -> None:
    """Add what was exported elsewhere.

    What is here already stays as it is; a file that is not right adds nothing.
    """
    with opened_notebook(notebook, make=True) as opened:
        from app.notebook.exchange import import_json

        added = import_json(opened, file)
        typer.echo(
            f"Added to {opened.path}: {_count(added.spins, 'spin')}, "
            f"{_count(added.bobbins, 'bobbin')}, {_count(added.sittings, 'sitting')}, "
            f"{_count(added.skeins, 'skein')}, {_readings(added.readings)}, "
            f"{_count(added.sections, 'section')}."
        )
        if added.known:
            typer.echo(f"{_count(added.known, 'entry', 'entries')} were here already.")


@notebook_app.command()
def purge(
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
    notebook: NotebookOption = None,
) -> None:
    """Remove for good what was deleted.

    Deleted spins, bobbins and skeins and readings taken back stay in the notebook, so that they
    can be brought back, until this is asked for. It says what goes and asks first.
    """
    with opened_notebook(notebook) as opened:
        from app.notebook.daily import copies_of, folder_of_copies
        from app.notebook.purge import purge as remove
        from app.notebook.purge import what_would_go

        if opened.why_not is not None:
            raise opened.why_not
        going = what_would_go(opened)
        for line in _lines_of(going):
            typer.echo(line)
        if going.nothing:
            typer.echo(f"There is nothing to remove from {opened.path}.")
            return
        if not yes and not _agreed("Remove it for good?"):
            typer.echo("Nothing was removed.")
            return
        purged = remove(opened)
        counts = purged.gone.counts
        typer.echo(
            f"Removed from {opened.path}: {_readings(counts['reading'])}, "
            f"{_count(counts['picture'], 'picture')}, {purged.bytes_freed / 1e6:.1f} MB."
        )
        if copies_of(opened.path):
            typer.echo(f"The daily copies in {folder_of_copies(opened.path)} still have it.")


def _lines_of(going: Purge) -> list[str]:
    """What goes and what does not, a line each."""
    from app.bobbin_sources import one_line

    lines = [f'Goes: the spin "{one_line(name)}" with everything in it.' for name in going.spins]
    for kind, things in (("bobbin", going.bobbins), ("skein", going.skeins)):
        lines += [
            f'Goes: the {kind} "{one_line(name)}" of "{one_line(spin)}".' for name, spin in things
        ]
    lines += [
        f"Goes: {_count(number, word)} that {'was' if number == 1 else 'were'} taken back."
        for number, word in (
            (going.taken_back, "reading"),
            (going.sections_taken_back, "section"),
        )
        if number
    ]
    if lines:
        counts = going.counts
        lines.append(
            f"In all {_count(counts['bobbin'], 'bobbin')}, {_count(counts['sitting'], 'sitting')}, "
            f"{_readings(counts['reading'])}, {_count(counts['picture'], 'picture')}, "
            f"{_count(counts['section'], 'section')}."
        )
    return lines + [
        f'Stays: the deleted bobbin "{one_line(name)}", since a skein was plied from it.'
        for name in going.kept
    ]


def _agreed(question: str) -> bool:
    """What a person answers; UseError where nobody can be asked."""
    try:
        return typer.confirm(question)
    except typer.Abort:
        typer.echo("")
        raise UseError("nobody was there to ask; say --yes if it is to be removed.") from None


@notebook_app.command()
def salvage(
    file: Annotated[Path, typer.Argument(metavar="NEW", help="The new notebook to write.")],
    notebook: NotebookOption = None,
) -> None:
    """Save what a damaged notebook holds.

    It goes to a new notebook; the damaged one is left alone.
    """
    with clean_end(), _told():
        from app.notebook.file import own_path
        from app.notebook.salvage import salvage as save

        path = own_path() if notebook is None else notebook
        saved = save(path, file)
        typer.echo(f"Saved from {path} to {file}: {_readings(saved.readings)}.")
        if saved.main_figures_only:
            typer.echo(
                f"Of {_readings(saved.main_figures_only)} only the main figures could be read."
            )
        if saved.without_bobbin:
            typer.echo(
                f"{_readings(saved.without_bobbin)} had lost their bobbin; they are on bobbins "
                'called "Lost bobbin".'
            )


def _readings(number: int) -> str:
    return _count(number, "reading")


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
