"""Pictures measured for a command: with a bar when it takes a while, and errors in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from app.endings import fail

if TYPE_CHECKING:
    from app.batch import PictureJob, PictureResult
    from measure.errors import MeasureError
    from measure.settings import Settings


def error_text(picture: Path, error: MeasureError) -> str:
    """Cause and advice; the name in front unless the cause already says it."""
    name = "" if picture.name in error.text else f"{picture}: "
    return f"{name}{error.text} {error.advice}"


def measured(jobs: Sequence[PictureJob], settings: Settings) -> list[PictureResult]:
    """All results; on a terminal a bar appears when it takes more than a second."""
    from concurrent.futures.process import BrokenProcessPool
    from threading import Timer

    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from app.batch import measure_all

    console = Console(stderr=True)
    progress = Progress(
        TextColumn("measuring"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.description}"),
        console=console,
        transient=True,
        disable=not console.is_terminal or len(jobs) == 1,
    )
    task = progress.add_task("", total=len(jobs))
    late = Timer(1.0, progress.start)
    late.daemon = True
    late.start()
    results: list[PictureResult] = []
    try:
        for result in measure_all(jobs, settings):
            results.append(result)
            progress.update(task, advance=1, description=result.picture.name)
    except BrokenProcessPool:
        fail(
            f"a worker process died after {len(results)} of {len(jobs)} pictures, most likely for "
            "want of memory. Measure fewer pictures at a time."
        )
    finally:
        late.cancel()
        late.join()
        progress.stop()
    return results
