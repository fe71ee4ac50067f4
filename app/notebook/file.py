"""The file of a notebook: opened, brought up to date, written in transactions.

WAL keeps readers and a writer out of each other's way; synchronous FULL has SQLite wait for the
disk at each commit, so that what was committed survives a power cut
(https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from app.notebook.errors import NotebookError, explained, problem
from app.notebook.schema import STEPS, Step, bring_up, edition_of
from app.notebook.shared import Told

BUSY_S: Final = 5.0
"""How long a window waits for another to finish writing."""

MAGIC: Final = b"SQLite format 3\0"
"""How every file of SQLite's begins."""

GoOn = Callable[[float], bool]
"""Hears how much of something long is done, 0 to 1, and says whether to go on."""

SUFFIX: Final = ".slubwise"
"""How a notebook's name ends, unless somebody chose otherwise."""

_NO_WRITING: Final = (
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
)


def default_path() -> Path:
    """Where the notebook lies when nobody says otherwise: the user's data folder."""
    from platformdirs import user_data_dir

    return Path(user_data_dir("slubwise", appauthor=False)) / f"notebook{SUFFIX}"


def own_path() -> Path:
    """The default place, its folder made; NotebookError when it cannot be."""
    path = default_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise problem("read_only", name=path) from error
    return path


class NotebookFile:
    """One connection to a notebook, for any thread, one at a time."""

    def __init__(
        self,
        path: Path,
        *,
        steps: Sequence[Step] = STEPS,
        make: bool = True,
        go_on: GoOn = lambda _share: True,
    ) -> None:
        """Open the notebook at `path`, or make it when `make`; NotebookError when it cannot be.

        One of an older edition is brought up to date, which takes a minute for a million readings:
        `go_on` hears how far that has come, and calls it off by False (NotebookError `called_off`).

        A notebook that cannot be written to, or is from a newer program, opens for reading:
        `why_not` says why, and is raised by `write` as long as that stands.
        """
        self.path = path.absolute()
        self.why_not: NotebookError | None = None
        self._lock = threading.RLock()
        self._steps = steps
        self._go_on = go_on
        self._to_close = ExitStack()
        refuse_what_is_none(self.path, make)
        try:
            self._db = self._opened(make)
            self._seen = self._data_version()
        except BaseException as error:
            self._to_close.close()
            if isinstance(error, sqlite3.Error):
                raise explained(error, self.path) from error
            raise

    def _opened(self, make: bool) -> sqlite3.Connection:
        steps = self._steps
        try:
            db = connect(self.path, "rwc" if make else "rw")
            self._to_close.callback(db.close)
            edition = _known_edition(db, self.path)
            if edition > len(steps):
                self.why_not = problem("newer_notebook", name=self.path)
                db.execute("PRAGMA query_only = ON")
            elif edition < len(steps):
                if edition:
                    _try_to_write(db)
                    _keep_before(db, self.path, edition, lambda: not self._go_on(0.0))
                _turn_wal_on(db)
                bring_up(db, steps, self._told)
            else:
                _try_to_write(db)
        except sqlite3.OperationalError as error:
            kind = error.sqlite_errorcode & 0xFF
            if kind not in _NO_WRITING or not self.path.exists():
                raise
            self._to_close.close()
            return self._opened_to_read(explained(error, self.path))
        except _NotKeptError as error:
            self._to_close.close()
            return self._opened_to_read(error.why)
        return db

    def _told(self, share: float) -> None:
        if not self._go_on(share):
            raise problem("called_off", name=self.path)

    def _opened_to_read(self, why_not: NotebookError) -> sqlite3.Connection:
        self.why_not = why_not
        db = self._to_close.enter_context(open_to_read(self.path))
        edition = _known_edition(db, self.path)
        if edition == 0:
            raise self.why_not
        if edition > len(self._steps):
            self.why_not = problem("newer_notebook", name=self.path)
        if edition < len(self._steps):
            db = self._to_close.enter_context(
                _brought_up_apart(db, self.path, self._steps, self._told)
            )
        return db

    def _open_again(self) -> None:
        """See whether what stood in the way of writing has gone: space was freed, a lock undone."""
        before, why_not = self._to_close, self.why_not
        self._to_close, self.why_not = ExitStack(), None
        try:
            self._db = self._opened(make=False)
        except (sqlite3.Error, NotebookError):
            self._to_close.close()
            self._to_close, self.why_not = before, why_not
            return
        before.close()

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
        """The connection, for reading; SQLite's errors come out as NotebookErrors."""
        with self._lock:
            try:
                yield self._db
            except sqlite3.ProgrammingError:
                raise
            except sqlite3.Error as error:
                if self.why_not is not None and self.why_not.code == "newer_notebook":
                    raise problem_again(self.why_not) from error
                raise explained(error, self.path) from error

    @contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """One transaction: on the disk when this ends, or not there at all when it raises."""
        with self._lock:
            if self.why_not is not None and self.why_not.code != "newer_notebook":
                self._open_again()
            if self.why_not is not None:
                raise problem_again(self.why_not)
            with self.read() as db:
                db.execute("BEGIN IMMEDIATE")
                try:
                    yield db
                    db.execute("COMMIT")
                except BaseException:
                    if db.in_transaction:
                        with suppress(sqlite3.Error):
                            db.execute("ROLLBACK")
                    raise

    @contextmanager
    def beside(self) -> Iterator[sqlite3.Connection]:
        """A connection for long reading that sees one moment and does not hold up logging."""
        if self.why_not is not None:
            with self.read() as db:
                yield db
            return
        try:
            with closing(connect(self.path, "rw")) as db:
                db.execute("BEGIN")
                yield db
        except sqlite3.Error as error:
            raise explained(error, self.path) from error

    def rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[tuple[Any, ...]]:
        """All rows of a question."""
        with self.read() as db:
            return db.execute(sql, values).fetchall()

    def changed_elsewhere(self) -> bool:
        """Whether another window or program wrote to it since this was last asked."""
        with self.read():
            now = self._data_version()
            changed, self._seen = now != self._seen, now
            return changed

    def _data_version(self) -> int:
        (version,) = self._db.execute("PRAGMA data_version").fetchone()
        return int(version)

    def close(self) -> None:
        """Close the file; all that was committed is in it."""
        with self._lock:
            self._to_close.close()


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection as notebooks want it; `mode` is SQLite's, "ro", "rw" or "rwc".

    Raises sqlite3.OperationalError already here when the file cannot be opened.
    """
    db = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        for setting in (
            "foreign_keys = ON",
            "synchronous = FULL",
            "fullfsync = ON",  # macOS: the disk's own cache as well
            "checkpoint_fullfsync = ON",
            "trusted_schema = OFF",
            "cell_size_check = ON",
        ):
            db.execute(f"PRAGMA {setting}")
        db.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.Error:
        db.close()
        raise
    return db


@contextmanager
def open_to_read(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection for reading alone, wherever the file lies.

    SQLite reads the log of late commits beside a file only where it may write; elsewhere both are
    copied to where it may. Raises sqlite3.Error, and NotebookError when they cannot be copied.
    """
    with ExitStack() as stack:
        try:
            db = connect(path, "ro")
        except sqlite3.OperationalError:
            log = path.with_name(path.name + "-wal")
            if not log.exists() or log.stat().st_size == 0:
                db = connect(path, "ro&immutable=1")
            else:
                folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="slubwise-"))
                copy = Path(folder) / f"notebook{SUFFIX}"
                try:
                    shutil.copyfile(path, copy)
                    shutil.copyfile(log, copy.with_name(copy.name + "-wal"))
                except OSError as error:
                    detail = error.strerror or error
                    raise problem("disk_failed", name=path, detail=detail) from error
                db = connect(copy, "rw")
        stack.callback(db.close)
        yield db


def problem_again(error: NotebookError) -> NotebookError:
    """The same error anew, so that no old traceback grows on it."""
    return NotebookError(error.code, error.text, error.advice)


def refuse_what_is_none(path: Path, make: bool) -> None:
    """Raise NotebookError when no notebook can be at `path`, and none be made there."""
    try:
        if not path.exists():
            if not make:
                raise problem("no_notebook", name=path)
            if not path.parent.is_dir():
                raise problem("no_folder", name=path.parent)
            return
        if path.is_dir():
            raise problem("not_a_notebook", name=path)
        with path.open("rb") as file:
            start = file.read(len(MAGIC))
    except OSError as error:
        raise problem("disk_failed", name=path, detail=error.strerror or error) from error
    if start not in (b"", MAGIC):
        raise problem("not_a_notebook", name=path)


def _known_edition(db: sqlite3.Connection, path: Path) -> int:
    edition = edition_of(db)
    if edition is None:
        raise problem("not_a_notebook", name=path)
    return edition


def _try_to_write(db: sqlite3.Connection) -> None:
    """Raise OperationalError when it cannot be written to, which opening alone does not tell."""
    try:
        db.execute("PRAGMA busy_timeout = 0")
        db.execute("BEGIN IMMEDIATE")
        db.execute("ROLLBACK")
        if db.execute("PRAGMA journal_mode").fetchone() != ("wal",):
            _turn_wal_on(db)  # a backup that was opened as a notebook
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
            raise  # held by somebody who writes, so it can be written to
    finally:
        db.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")


def _turn_wal_on(db: sqlite3.Connection) -> None:
    """WAL, where the file system has it; elsewhere the journal that SQLite can keep there."""
    patience = time.monotonic() + BUSY_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            # Two that make the same notebook at once: SQLite does not wait here by itself.
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise
            if time.monotonic() > patience:
                raise
            time.sleep(0.02)


class _NotKeptError(Exception):
    """An older notebook could not be copied, and so is not to be brought up to date."""

    def __init__(self, why: NotebookError) -> None:
        super().__init__(why)
        self.why = why


def _keep_before(
    db: sqlite3.Connection, path: Path, edition: int, stopped: Callable[[], bool]
) -> None:
    """Leave a copy of an older notebook beside it before it is brought up to date.

    Raises `_NotKeptError` when there is no room for it or no right to write it, and NotebookError
    `called_off` soon after `stopped` becomes true.
    """
    from app.notebook.backup import Stopped, copy_to

    kept = path.with_name(f"{path.stem}-edition-{edition}{path.suffix}")
    # Of one moment, so that it can be copied in pieces and stopped in between.
    db.execute("BEGIN")
    db.execute("SELECT 1 FROM sqlite_master").fetchone()
    try:
        copy_to(db, path, kept, stopped)
    except Stopped as error:
        raise problem("called_off", name=path) from error
    except NotebookError as error:
        if error.code == "disk_full":
            raise _NotKeptError(problem("disk_full", name=path)) from error
        if error.code in ("read_only", "not_written", "bad_target", "disk_failed"):
            raise _NotKeptError(problem("not_brought_up", name=path, detail=error.text)) from error
        raise
    finally:
        db.execute("ROLLBACK")


@contextmanager
def _brought_up_apart(
    db: sqlite3.Connection, path: Path, steps: Sequence[Step], told: Told
) -> Iterator[sqlite3.Connection]:
    """An older notebook that cannot be written to, as it would look if it could."""
    with tempfile.TemporaryDirectory(prefix="slubwise-") as folder:
        try:
            copy = connect(Path(folder) / f"notebook{SUFFIX}", "rwc")
        except sqlite3.OperationalError as error:
            raise problem("disk_failed", name=path, detail=error) from error
        with closing(copy):
            db.backup(copy)
            bring_up(copy, steps, told)
            copy.execute("PRAGMA query_only = ON")
            yield copy
