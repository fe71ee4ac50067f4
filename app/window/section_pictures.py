"""Pictures of a skein measured beside the window, one after the other, until stopped."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Event

from PySide6.QtCore import QObject, Qt, Signal

from measure.settings import Settings


class SectionPictures(QObject):
    """Reads pictures in a thread of its own; newest request first come, each picture once."""

    measured = Signal(object, int, int)
    """A `PictureResult`, its number from 1 and how many there are."""
    finished = Signal(bool)
    """All were read; False when they were stopped before."""
    _came = Signal(int, object, int, int)
    _ended = Signal(int, bool)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._work = ThreadPoolExecutor(1, thread_name_prefix="sections")
        self._stop = Event()
        self._round = 0
        self._came.connect(self._pass_on, Qt.ConnectionType.QueuedConnection)
        self._ended.connect(self._end, Qt.ConnectionType.QueuedConnection)

    def start(self, pictures: Sequence[Path], settings: Settings) -> None:
        """Measure these; what was under way is stopped."""
        self._stop.set()
        self._stop = stop = Event()
        self._round += 1
        number = self._round

        def work() -> None:
            from app.batch import PictureJob, measure_one

            for place, path in enumerate(pictures, start=1):
                if stop.is_set():
                    break
                result = measure_one(PictureJob(path), settings)
                if not stop.is_set():
                    self._came.emit(number, result, place, len(pictures))
            self._ended.emit(number, not stop.is_set())

        self._work.submit(work)

    def cancel(self) -> None:
        """Stop after the picture that is being measured; that one is not handed on."""
        self._stop.set()

    def stop(self) -> None:
        """End the thread."""
        self._round += 1
        self._stop.set()
        self._work.shutdown(wait=True, cancel_futures=True)

    def _pass_on(self, number: int, result: object, place: int, many: int) -> None:
        if number == self._round and not self._stop.is_set():
            self.measured.emit(result, place, many)

    def _end(self, number: int, whole: bool) -> None:
        if number == self._round:
            self.finished.emit(whole)
