"""Many pictures, every core: one worker process per core, results in the order asked for."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from measure.errors import MeasureError

if TYPE_CHECKING:
    from measure.results import PictureReading
    from measure.settings import Settings

PICTURE_SUFFIXES: Final = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp", ".bmp",
)  # fmt: skip
"""Endings taken from a folder, in any case; a file named by itself may have any ending."""


@dataclass(frozen=True)
class PictureJob:
    """One picture to measure and, when asked for, the overlay to write."""

    picture: Path
    overlay: Path | None = None


@dataclass(frozen=True)
class PictureResult:
    """What came of one job: a reading, or the error that made the picture unreadable."""

    picture: Path
    reading: PictureReading | None
    error: MeasureError | None = None
    write_error: str | None = None
    """Why the overlay could not be written, though the picture was measured."""


def pictures_in(folder: Path) -> list[Path]:
    """Picture files directly in `folder`, by name; hidden ones are left out."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in PICTURE_SUFFIXES
        and not path.name.startswith(".")
        and path.is_file()
    )


def measure_one(job: PictureJob, settings: Settings) -> PictureResult:
    """Read and measure one picture; write its overlay when the job names one."""
    from measure.picture import read_picture
    from measure.pipeline import measure_picture

    try:
        picture = read_picture(job.picture)
        reading = measure_picture(picture, settings=settings)
    except MeasureError as error:
        return PictureResult(job.picture, None, error)
    write_error = None
    if job.overlay is not None:
        from app.overlay import write_overlay

        try:
            write_overlay(picture.pixels, reading, job.overlay)
        except OSError as error:
            write_error = error.strerror or str(error)
    return PictureResult(job.picture, reading, None, write_error)


def measure_all(jobs: Sequence[PictureJob], settings: Settings) -> Iterator[PictureResult]:
    """Measure every job and give the results in the jobs' order, each as soon as it is its turn.

    One job is done in this process. Raises BrokenProcessPool when a worker died.
    """
    if len(jobs) == 1:
        yield measure_one(jobs[0], settings)
        return
    context = multiprocessing.get_context("spawn")
    workers = min(len(jobs), os.cpu_count() or 1)
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_prepare_worker)
    try:
        futures = _submit(pool, jobs, settings)
        for future in futures:
            yield future.result()
    except BaseException:
        # Ctrl-C, or the results are no longer wanted: nobody waits for pictures under way.
        for worker in set(multiprocessing.active_children()) - others:
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _submit(
    pool: ProcessPoolExecutor, jobs: Sequence[PictureJob], settings: Settings
) -> list[Future[PictureResult]]:
    """Hand over all jobs; the workers, begun here, inherit that Ctrl-C is not for them.

    Each would print a traceback otherwise. Held back, not ignored: it still reaches this process.
    """
    if not hasattr(signal, "pthread_sigmask"):
        return [pool.submit(measure_one, job, settings) for job in jobs]
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        return [pool.submit(measure_one, job, settings) for job in jobs]
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _prepare_worker() -> None:
    """One thread per worker, set before numpy and OpenCV are loaded: the cores are shared out."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    import cv2

    cv2.setNumThreads(1)
