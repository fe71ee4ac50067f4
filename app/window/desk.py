"""The notebook's own thread: it commits and reads there, so that a slow disk stops no picture."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from PySide6.QtCore import QObject, Qt, Signal

from app.notebook.errors import NotebookError
from app.notebook.store import Notebook

T = TypeVar("T")
_TELL_EVERY_S: Final = 0.25
Done = Callable[[Any], None]


class Desk(QObject):
    """One notebook, asked in turn from one thread; answers come back in the window's thread."""

    failed = Signal(object)
    """A NotebookError: nothing was changed by what was asked."""
    upkeep = Signal(float)
    """How much of an old notebook is brought up to date, 0 to 1, now and then while it is."""
    copy_failed = Signal(object)
    """A NotebookError: the day's copy could not be made."""
    _answered = Signal(object, object)

    def __init__(self, file: Path | None, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._file = file
        self._notebook: Notebook | None = None
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="notebook")
        self._copying = ThreadPoolExecutor(1, thread_name_prefix="daily copy")
        self._copy_failed = False
        self._told_s = -math.inf
        self._open = True
        self._answered.connect(self._give, Qt.ConnectionType.QueuedConnection)

    def ask(
        self,
        question: Callable[[Notebook], T],
        answer: Callable[[T], None] | None = None,
        failed: Callable[[NotebookError], None] | None = None,
    ) -> None:
        """Put a question to the notebook; `answer` gets what comes of it, later.

        Questions are answered in the order they were put. A NotebookError goes to `failed`, or to
        the signal of that name.
        """
        if self._open:
            future = self._thread.submit(self._work, question)
            future.add_done_callback(lambda done: self._pass_on(done, answer, failed))

    def keep_daily_copy(self) -> None:
        """Make the day's copy of the notebook where one is due, beside everything else.

        What goes wrong is said by `copy_failed`, once, and not tried again by this window.
        """
        self.ask(lambda notebook: self._copying.submit(self._copy, notebook), failed=_pass)

    def _copy(self, notebook: Notebook) -> None:
        from app.notebook.daily import keep_copy

        if self._copy_failed:
            return
        try:
            keep_copy(notebook, datetime.now().astimezone().date(), lambda: not self._open)
        except NotebookError as error:
            self._copy_failed = True
            self._answered.emit(self.copy_failed.emit, error)

    def close(self) -> None:
        """Answer what was asked, close the notebook, end the threads."""
        if not self._open:
            return
        self._open = False
        self._thread.shutdown(wait=True)
        self._copying.shutdown(wait=True)
        if self._notebook is not None:
            self._notebook.close()

    def _work(self, question: Callable[[Notebook], T]) -> T:
        if self._notebook is None:
            self._notebook = Notebook.open(self._file, go_on=self._keep_up)
        return question(self._notebook)

    def _keep_up(self, share: float) -> bool:
        """In the notebook's thread: tell how far it is; no further once the window closes."""
        if time.monotonic() - self._told_s >= _TELL_EVERY_S:
            self._told_s = time.monotonic()
            self._answered.emit(self.upkeep.emit, share)
        return self._open

    def _pass_on(
        self,
        done: Future[T],
        answer: Done | None,
        failed: Callable[[NotebookError], None] | None,
    ) -> None:
        """In the notebook's thread: hand the outcome over to the window's."""
        error = done.exception()
        if error is None:
            if answer is not None:
                self._answered.emit(answer, done.result())
        elif isinstance(error, NotebookError):
            self._answered.emit(failed or self.failed.emit, error)
        else:
            self._answered.emit(_raise, error)

    def _give(self, receiver: Done, outcome: object) -> None:
        receiver(outcome)


def _pass(error: NotebookError) -> None:
    """Whoever asks for a reading is told; a copy is not worth a second word about it."""


def _raise(error: BaseException) -> None:
    raise error
