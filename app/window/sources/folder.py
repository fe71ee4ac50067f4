"""A watched folder: pictures that a phone or a scanner puts there, taken as they come."""

from __future__ import annotations

import math
import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from PySide6.QtCore import QFileSystemWatcher, QObject

from app.batch import PICTURE_SUFFIXES
from app.window.frame import SourceState, Still
from app.window.sources.source import ThreadedSource
from measure.errors import PictureError
from measure.picture import read_picture
from measure.picture_decoding import kind_of
from measure.picture_wholeness import jpeg_is_whole, png_is_whole

_LOOK_EVERY_S: Final = 1.5
"""Also without a word from the system: network folders and some drives never send one."""
_LOOK_AGAIN_S: Final = 0.3
"""While a file is arriving."""
_LOOK_INTO_S: Final = 1.0
"""Between two attempts at reading a file that was not whole."""
_GIVEN_UP_S: Final = 20.0
"""A file that did not change for so long and still is not whole will stay so."""
_HIDDEN: Final = (".", "~", "_tmp")
"""How names begin that programs give to what is not finished (common practice, no source)."""


class FolderSource(ThreadedSource):
    """Hands over each picture that comes into a folder, once it is whole.

    What lies there at the start is left alone; a file that is replaced later is taken again. A
    folder that goes away is waited for.
    """

    def __init__(self, folder: Path, parent: QObject | None = None) -> None:
        super().__init__(folder.name or str(folder), parent)
        self._folder = folder
        self._look = threading.Event()
        self._watcher = QFileSystemWatcher(self)
        self._watcher.directoryChanged.connect(self._look.set)

    def _begin(self) -> None:
        self.state.connect(self._watch)
        super()._begin()

    def _end(self) -> None:
        self.state.disconnect(self._watch)
        super()._end()
        if self._watcher.directories():
            self._watcher.removePaths(self._watcher.directories())

    def _wake(self) -> None:
        self._look.set()

    def _watch(self, state: SourceState) -> None:
        # Again each time: the system forgets a folder that went away.
        if state.kind == "running" and not self._watcher.directories():
            self._watcher.addPath(str(self._folder))

    def _work(self, stopping: threading.Event) -> None:
        arrivals: Arrivals | None = None
        while not stopping.is_set():
            self._look.clear()
            found = files_in(self._folder)
            if stopping.is_set():
                return
            if found is None:
                self._hand(
                    SourceState(
                        "waiting",
                        f"The folder {self.name} is not there.",
                        "Connect the drive or the network it is on, or choose another one.",
                    )
                )
            else:
                if arrivals is None:
                    arrivals = Arrivals(found)
                self._hand(SourceState("running", detail="watching for new pictures"))
                for path in arrivals.finished(found, time.monotonic()):
                    self._hand(Still(path, path.name))
            busy = arrivals is not None and arrivals.pending
            # A word from the system ends the long wait only: files in the making send many.
            if busy:
                stopping.wait(_LOOK_AGAIN_S)
            else:
                self._look.wait(_LOOK_EVERY_S)


@dataclass(frozen=True)
class FileState:
    """What a look at a file shows without opening it."""

    size: int
    changed_ns: int


@dataclass
class _Arriving:
    state: FileState
    since_s: float
    looked_into_s: float = -math.inf


class Arrivals:
    """Which files of a folder are new and finished, told look by look."""

    def __init__(self, there: dict[Path, FileState]) -> None:
        self._done = dict(there)
        self._arriving: dict[Path, _Arriving] = {}

    @property
    def pending(self) -> bool:
        """Some file is not finished yet."""
        return bool(self._arriving)

    def finished(self, found: dict[Path, FileState], now_s: float) -> list[Path]:
        """Files that were the same at two looks and are whole, oldest change first.

        `found` is what a look at the folder shows at `now_s`, on any clock that does not jump.
        """
        # What is done stays known: a drive may be taken off and come back with the same files.
        self._arriving = {p: known for p, known in self._arriving.items() if p in found}
        ready: list[Path] = []
        for path, state in sorted(found.items(), key=lambda item: item[1].changed_ns):
            if self._done.get(path) == state:
                self._arriving.pop(path, None)
                continue
            before = self._arriving.get(path)
            if before is None or before.state != state:
                self._arriving[path] = _Arriving(state, now_s)
                continue
            stays = now_s - before.since_s >= _GIVEN_UP_S
            if not stays and (state.size == 0 or now_s - before.looked_into_s < _LOOK_INTO_S):
                continue
            before.looked_into_s = now_s
            if stays or is_whole(path):
                del self._arriving[path]
                self._done[path] = state
                ready.append(path)
        return ready


def files_in(folder: Path) -> dict[Path, FileState] | None:
    """The picture files directly in `folder`, by their names; None when it cannot be looked at."""
    found: dict[Path, FileState] = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                try:
                    if _is_finished_picture(entry.name.lower()) and entry.is_file():
                        # Not the entry's own figures: Windows keeps old ones of an open file.
                        stat = Path(entry.path).stat()
                        state = FileState(stat.st_size, stat.st_mtime_ns)
                        found[Path(entry.path)] = state
                except OSError:  # gone since, or not to be read: not now
                    continue
    except OSError:
        return None
    return found


def _is_finished_picture(name: str) -> bool:
    """By its name in lower case: neither hidden nor a download's or a copy's before its end."""
    return name.endswith(PICTURE_SUFFIXES) and not name.startswith(_HIDDEN)


def is_whole(path: Path) -> bool:
    """True when the picture is there to its end, or when it is no picture that could be.

    JPEG and PNG by their structure, other kinds by decoding them. A file that cannot be opened
    (another program still holds it) is not whole yet.
    """
    try:
        data = path.read_bytes()
    except OSError:
        return False
    kind = kind_of(data)
    if kind == "JPEG":
        return jpeg_is_whole(data)
    if kind == "PNG":
        return png_is_whole(data)
    try:
        read_picture(data)
    except PictureError as error:
        # What the first bytes do not show to be a picture may only have begun.
        return error.code not in ("truncated_file", "not_a_picture", "unreadable_file")
    return True
