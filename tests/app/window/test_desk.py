"""The notebook's own thread, and the one that copies it once a day."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from logged_strands import a_strand
from pytestqt.qtbot import QtBot

from app.notebook.daily import copies_of, folder_of_copies
from app.notebook.errors import NotebookError
from app.notebook.store import Notebook
from app.window.desk import Desk


def one_reading(notebook: Notebook) -> None:
    bobbin = notebook.add_bobbin(notebook.add_spin("Wool").id, "B1")
    sitting = notebook.begin_sitting(bobbin.id, bobbin.made_at)
    notebook.log(
        sitting.id,
        a_strand(1, entries=4),
        taken_at=bobbin.made_at,
        posture="tension",
        printed_card="",
        source="",
    )


def test_the_days_copy_is_made_beside_the_desk(qtbot: QtBot, tmp_path: Path) -> None:
    desk = Desk(tmp_path / "n.slubwise")
    desk.ask(one_reading)
    desk.keep_daily_copy()
    qtbot.waitUntil(lambda: len(copies_of(tmp_path / "n.slubwise")) == 1, timeout=30_000)
    desk.keep_daily_copy()
    desk.close()
    assert len(copies_of(tmp_path / "n.slubwise")) == 1


def test_what_stands_in_its_way_is_said_once(qtbot: QtBot, tmp_path: Path) -> None:
    folder_of_copies(tmp_path / "n.slubwise").write_text("in the way", "utf-8")
    desk = Desk(tmp_path / "n.slubwise")
    said: list[NotebookError] = []
    desk.copy_failed.connect(said.append)
    desk.failed.connect(said.append)
    desk.ask(one_reading)
    answered: list[int] = []
    for _ in range(3):
        desk.keep_daily_copy()
    desk.ask(Notebook.number_of_readings, answered.append)
    qtbot.waitUntil(lambda: bool(answered and said), timeout=30_000)
    desk.close()
    qtbot.wait(0)
    assert [error.code for error in said] == ["not_written"]
    assert answered == [1], "the notebook works as before"


def test_an_old_notebook_is_brought_up_to_date_and_told_of(qtbot: QtBot, tmp_path: Path) -> None:
    script = Path(__file__).parents[1] / "notebook" / "edition_1.sql"
    with closing(sqlite3.connect(tmp_path / "n.slubwise")) as db:
        db.executescript(script.read_text("utf-8"))
    desk = Desk(tmp_path / "n.slubwise")
    shares: list[float] = []
    answered: list[int] = []
    desk.upkeep.connect(shares.append)
    desk.ask(Notebook.number_of_readings, answered.append)
    qtbot.waitUntil(lambda: bool(answered))
    desk.close()
    assert shares
    assert all(0.0 <= share <= 1.0 for share in shares)
