from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from logged_strands import SCALE, Log, a_strand

from app.notebook.records import LoggedReading, Sitting
from app.notebook.store import Notebook

HERE = Path(__file__).parent
BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the notebook lies: a folder with a name that is awkward in a URI."""
    folder = tmp_path / "wool ü #1 100% ?"
    folder.mkdir()
    return folder / "spinning.slubwise"


@pytest.fixture
def notebook(path: Path) -> Iterator[Notebook]:
    with Notebook.open(path) as opened:
        yield opened


@pytest.fixture
def sitting(notebook: Notebook) -> Sitting:
    """A sitting on the bobbin "B1" of the spin "Grey sock"."""
    bobbin = notebook.add_bobbin(notebook.add_spin("Grey sock").id, "B1")
    return notebook.begin_sitting(bobbin.id, BEGUN)


@pytest.fixture
def log(notebook: Notebook, sitting: Sitting) -> Log:
    """Logs the strand of a seed in the sitting, a minute after the one before."""

    def put(seed: int, **more: object) -> LoggedReading:
        given: dict[str, object] = {
            "taken_at": BEGUN + timedelta(minutes=seed),
            "posture": "tension",
            "printed_card": "desk 1, kitchen printer",
            "source": "camera",
            "scale": SCALE,
        }
        strand = a_strand(seed, entries=20)
        return notebook.log(sitting.id, strand, **(given | more))  # type: ignore[arg-type]

    return put


@pytest.fixture
def old_notebook() -> Callable[[Path], None]:
    """Writes the notebook of the first edition, from the script that is kept of it."""

    def write(path: Path) -> None:
        with closing(sqlite3.connect(path)) as db:
            db.executescript((HERE / "edition_1.sql").read_text(encoding="utf-8"))

    return write
