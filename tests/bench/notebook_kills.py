"""Kills processes that log, at random moments, and looks for what they had said was logged.

    python -m tests.bench.notebook_kills [--kills 1000] [--seed 0] [--folder FOLDER]

Two processes log into one notebook as fast as they can, each telling a pipe of every reading after
`Notebook.log` has returned. One of the two is killed (SIGKILL) at a random moment, some readings
and a part of a further one after the last kill, a fresh one takes its place, and so on: so the log
of late commits stays in use, is taken up by newcomers and is folded into the file while others are
killed. After twenty kills a notebook is begun anew, so that kills also fall into its making.
Prints one line of JSON; exit code 1 when anything was lost.

It shows what a dying program loses, not what a power cut does: that rests on SQLite's synchronous
FULL and on the disk keeping what it says it kept.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

from logged_strands import a_strand

from app.notebook.plain import pack
from app.notebook.store import Notebook

STRANDS = [a_strand(seed) for seed in range(8)]
PACKED = [pack(strand) for strand in STRANDS]
MOST_READINGS = 10
"""Readings between two kills, at most."""
LONGEST_S = 0.02
"""From one of those to the kill, at most: some times what logging a reading takes, or making a
notebook."""


def log_until_killed(path: Path, seed: int, out: int) -> None:
    """Make the spin and bobbin, then log for ever; a line for each reading that is logged."""
    notebook = Notebook.open(path)
    bobbin = notebook.latest_bobbin()
    if bobbin is None:
        bobbin = notebook.add_bobbin(notebook.add_spin("Kills").id, "B")
    sitting = notebook.begin_sitting(bobbin.id, datetime.now(UTC))
    while True:
        seed += 1
        reading = notebook.log(
            sitting.id,
            STRANDS[seed % len(STRANDS)],
            taken_at=datetime.now(UTC),
            posture="tension",
            printed_card="desk 1",
            source="kills",
            note=str(seed),
            picture_jpeg=bytes(20_000) if seed % 4 == 0 else None,
        )
        os.write(out, f"{reading.id} {seed}\n".encode())


@dataclass
class Logger:
    """A process that logs, and the end of the pipe where it says so."""

    pid: int
    pipe: int
    said: bytes = b""

    @classmethod
    def start(cls, path: Path, seed: int) -> Logger:
        """A fresh one, in a process of its own."""
        reader, writer = os.pipe()
        pid = os.fork()
        if pid == 0:
            try:
                os.close(reader)
                log_until_killed(path, seed, writer)
            except BaseException as error:  # noqa: BLE001 - a child never returns into the parent
                os.write(writer, f"failed {error!r}\n".encode())
            finally:
                os._exit(3)
        os.close(writer)
        return cls(pid, reader)

    def wait_for(self, readings: int) -> None:
        """Until it has said so many more, or has ended."""
        wanted = self.said.count(b"\n") + readings
        while self.said.count(b"\n") < wanted:
            more = os.read(self.pipe, 4096)
            if not more:
                return
            self.said += more

    def kill(self) -> Iterator[tuple[str, str]]:
        """Kill it; what it had said: ids and seeds. A line cut short was not said."""
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        with os.fdopen(self.pipe, "rb") as pipe:
            said = (self.said + pipe.read()).decode()
        for line in said.split("\n")[:-1]:
            id_, _, seed = line.partition(" ")
            yield id_, seed


@dataclass
class Outcome:
    """What came of it."""

    kills: int = 0
    notebooks: int = 0
    said: int = 0
    lost: int = 0
    wrong: int = 0
    """Readings that are there but are not what was logged."""
    unsound: list[str] = field(default_factory=list)
    kills_before_a_reading: int = 0
    unsaid: int = 0
    """Readings that are there though their process died before it could say so."""


def look(path: Path, said: dict[str, str], outcome: Outcome) -> None:
    """Hold the notebook to what was said of it."""
    with Notebook.open(path) as notebook:
        there = {
            reading.id: reading
            for spin in notebook.spins()
            for bobbin in notebook.bobbins(spin.id)
            for reading in notebook.readings(bobbin.id)
        }
        with notebook.connection_beside() as db:
            rows = db.execute("SELECT reading_id, strand, arrays FROM detail")
            details = {id_: (strand, arrays) for id_, strand, arrays in rows}
        outcome.said += len(said)
        outcome.lost += len(said.keys() - there.keys())
        outcome.unsaid += len(there.keys() - said.keys())
        for id_ in said.keys() & there.keys():
            light, which = there[id_], int(said[id_]) % len(STRANDS)
            same = light.note == said[id_] and light.diameter_mm == STRANDS[which].diameter_mm
            if not same or details.get(id_) != PACKED[which]:
                outcome.wrong += 1
        for bobbin_id in {reading.bobbin_id for reading in there.values()}:
            numbers = [r.number for r in there.values() if r.bobbin_id == bobbin_id]
            if sorted(numbers) != list(range(1, len(numbers) + 1)):
                outcome.unsound.append("the numbers have gaps")
        outcome.unsound += notebook.check().problems


def run(kills: int, seed: int, folder: Path) -> Outcome:
    """Kill so often and look."""
    chance = random.Random(seed)
    outcome = Outcome()
    while outcome.kills < kills:
        outcome.notebooks += 1
        path = folder / f"notebook-{outcome.notebooks}.slubwise"
        said: dict[str, str] = {}
        loggers: list[Logger] = []
        failed: list[str] = []
        for _ in range(min(20, kills - outcome.kills)):
            while len(loggers) < 2:
                loggers.append(Logger.start(path, 1000 * outcome.kills + 100 * len(loggers)))
            victim = loggers.pop(chance.randrange(2))
            victim.wait_for(chance.randrange(MOST_READINGS + 1))
            time.sleep(chance.uniform(0, LONGEST_S))
            told = list(victim.kill())
            failed += [f"{a} {b}" for a, b in told if a == "failed"]
            outcome.kills += 1
            outcome.kills_before_a_reading += not told
            said |= {a: b for a, b in told if a != "failed"}
        for logger in loggers:
            said |= dict(logger.kill())
        outcome.unsound += failed
        look(path, said, outcome)
        for file in folder.glob(path.name + "*"):
            file.unlink()
    return outcome


def main() -> None:
    """Run, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--folder", type=Path, help="where to; default: a temporary folder")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        outcome = run(chosen.kills, chosen.seed, Path(folder))
    print(json.dumps(vars(outcome)))
    if outcome.lost or outcome.wrong or outcome.unsound:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
