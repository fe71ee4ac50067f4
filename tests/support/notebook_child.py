"""A process of its own that uses a notebook; it says what happened in lines of JSON.

    python notebook_child.py [--nobody] [--most-bytes N] [--wait-for FILE] WHAT PATH [MORE]

WHAT is `log` (MORE: how many), `look`, `write` or `look-and-write`. `--nobody` gives up root's
right to write everywhere; `--most-bytes` is the system's limit on the size of a file.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import time
from datetime import UTC, datetime
from pathlib import Path

from logged_strands import a_strand

from app.notebook.errors import NotebookError
from app.notebook.store import Notebook

NOBODY = 65534


def say(**what: object) -> None:
    print(json.dumps(what), flush=True)


def log(path: Path, count: int) -> None:
    with Notebook.open(path) as notebook:
        bobbin = notebook.latest_bobbin()
        if bobbin is None:
            bobbin = notebook.add_bobbin(notebook.add_spin("Wool").id, "B")
        sitting = notebook.begin_sitting(bobbin.id, datetime.now(UTC))
        for seed in range(count):
            reading = notebook.log(
                sitting.id,
                a_strand(seed, entries=50),
                taken_at=datetime.now(UTC),
                posture="tension",
                printed_card="",
                source=str(os.getpid()),
            )
            say(logged=reading.id)


def look(path: Path) -> None:
    with Notebook.open(path, make=False) as notebook:
        ids = [
            notebook.reading(reading.id).id
            for spin in notebook.spins()
            for bobbin in notebook.bobbins(spin.id)
            for reading in notebook.readings(bobbin.id)
        ]
        say(ids=ids, why_not=notebook.why_not and notebook.why_not.code)


def write(path: Path) -> None:
    with Notebook.open(path) as notebook:
        notebook.add_spin("More")
        say(added=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--nobody", action="store_true")
    parser.add_argument("--most-bytes", type=int)
    parser.add_argument("--wait-for", type=Path)
    parser.add_argument("what", choices=["log", "look", "write", "look-and-write"])
    parser.add_argument("path", type=Path)
    parser.add_argument("more", nargs="?", type=int, default=0)
    given = parser.parse_args()
    if given.nobody and os.geteuid() == 0:
        os.setegid(NOBODY)
        os.seteuid(NOBODY)
    if given.most_bytes:
        resource.setrlimit(resource.RLIMIT_FSIZE, (given.most_bytes, given.most_bytes))
    say(ready=True)
    while given.wait_for and not given.wait_for.exists():
        time.sleep(0.005)
    try:
        match given.what:
            case "log":
                log(given.path, given.more)
            case "look":
                look(given.path)
            case "write":
                write(given.path)
            case "look-and-write":
                look(given.path)
                write(given.path)
    except NotebookError as error:
        say(code=error.code, text=error.text, advice=error.advice)


if __name__ == "__main__":
    main()
