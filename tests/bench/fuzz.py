"""Mutated picture files, read and measured in worker processes with limits of time and memory.

    python -m tests.bench.fuzz [--cases 100000] [--seed 0] [--jobs 2] [--write docs/accuracy.md]
    python -m tests.bench.fuzz --only SEED FILE     # writes that one's file to look at

Allowed is a picture or a PictureError; then a reading or refusals. Anything else is a finding: an
exception, a process that died, more than a minute, or memory beyond three times the decoded
picture and what a worker needs anyway. Exit code 1 when there is one.
"""

# ruff: noqa: E402, BLE001
from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Final

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "support")]

import cv2
from mutations import CODES, mutated

from measure import PictureError, measure_picture
from measure.picture import read_picture
from tests.bench.accuracy import write_between

BEGIN, END = "<!-- bench: fuzz -->", "<!-- end of bench: fuzz -->"
SECONDS: Final = 60.0
"""For one file, in a worker that shares its core with others."""
ADDRESS_BYTES: Final = 3_000_000_000
"""Of a worker, libraries and all."""
MOST_BYTES: Final = 450_000_000
"""For a file that is refused in the end: its header may promise the largest picture there is."""
TAKEN_BYTES: Final = 60_000_000
"""What decoding may take beyond three times the picture (the libraries' own buffers)."""


def outcome(seed: int) -> str:
    """What came of that case; a finding begins with "!"."""
    said, data = mutated(seed)
    before = _most_memory()
    try:
        picture = read_picture(data)
    except PictureError as error:
        grown = _most_memory() - before
        if error.code not in CODES or not (error.text and error.advice):
            return f"!{said}: odd refusal {error.code}"
        if grown > MOST_BYTES:
            return f"!{said}: {grown / 1e6:.0f} MB for a file that is refused"
        return error.code
    except BaseException as error:
        return f"!{said}: {type(error).__name__}: {error}"
    grown = _most_memory() - before
    if grown > 3 * picture.pixels.nbytes + TAKEN_BYTES:
        return f"!{said}: {grown / 1e6:.0f} MB for {picture.pixels.nbytes / 1e6:.0f} MB of picture"
    try:
        reading = measure_picture(picture)
    except BaseException as error:
        return f"!{said}: measuring: {type(error).__name__}: {error}"
    return "read" if reading.read else "a picture, refused"


def _most_memory() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _work(pipe: Connection) -> None:
    """Take seeds, give outcomes, until there are no more."""
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_BYTES, ADDRESS_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    cv2.setNumThreads(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # the decoders' own complaints
    while (seed := pipe.recv()) is not None:
        pipe.send(outcome(seed))


@dataclass
class _Worker:
    """A process, what it is at, and since when."""

    process: Any = None
    pipe: Any = None
    seed: int | None = None
    since: float = 0.0
    done: int = 0

    def give(self, seed: int | None) -> None:
        """The next case; a process that has done many is exchanged, so that maxima start anew."""
        if self.process is None or self.done >= 500:
            self.end()
            context = multiprocessing.get_context("spawn")
            self.pipe, other = context.Pipe()
            self.process = context.Process(target=_work, args=(other,), daemon=True)
            self.process.start()
            other.close()
            self.done = 0
        self.seed, self.since = seed, time.monotonic()
        self.pipe.send(seed)
        self.done += 1

    def end(self) -> None:
        """Kill it, if there is one."""
        if self.process is not None:
            self.process.kill()
            self.process.join()
            self.process = None


@dataclass
class Found:
    """What came of all cases."""

    counts: Counter[str] = field(default_factory=Counter)
    findings: dict[int, str] = field(default_factory=dict)

    def take(self, seed: int, said: str) -> None:
        """Count an outcome."""
        if said.startswith("!"):
            self.findings[seed] = said[1:]
            print(f"seed {seed}: {said[1:]}", flush=True)
            said = "finding"
        self.counts[said] += 1


def run(seeds: range, jobs: int) -> Found:
    """All cases, shared out to `jobs` processes."""
    found, left = Found(), iter(seeds)
    workers = [_Worker() for _ in range(jobs)]
    for worker in workers:
        if (seed := next(left, None)) is not None:
            worker.give(seed)
    while busy := [w for w in workers if w.seed is not None]:
        ready = wait([w.pipe for w in busy], timeout=1.0)
        for worker in busy:
            assert worker.seed is not None
            if worker.pipe in ready:
                try:
                    found.take(worker.seed, worker.pipe.recv())
                except EOFError:
                    worker.process.join()
                    found.take(worker.seed, f"!the process died ({worker.process.exitcode})")
                    worker.end()
            elif worker.process is not None and time.monotonic() - worker.since > SECONDS:
                found.take(worker.seed, f"!took longer than {SECONDS:.0f} s")
                worker.end()
            else:
                continue
            worker.seed = next(left, None)
            if worker.seed is not None:
                worker.give(worker.seed)
            done = sum(found.counts.values())
            if done % 1000 == 0:
                print(f"{done} of {len(seeds)}", file=sys.stderr, flush=True)
    for worker in workers:
        worker.end()
    return found


def main() -> int:
    """Mutate, read, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", nargs=2, metavar=("SEED", "FILE"), help="write one case's file")
    parser.add_argument("--write", type=Path, help="put the table into this Markdown file")
    chosen = parser.parse_args()
    if chosen.only:
        said, data = mutated(int(chosen.only[0]))
        Path(chosen.only[1]).write_bytes(data)
        print(said)
        return 0
    found = run(range(chosen.seed, chosen.seed + chosen.cases), chosen.jobs)
    lines = ["| what came of it | files |", "|---|---|"]
    lines += [f"| {name} | {count} |" for name, count in found.counts.most_common()]
    lines.append(f"| **crashes, hangs, tracebacks, too much memory** | {len(found.findings)} |")
    table = "\n".join(lines)
    print(table)
    if chosen.write:
        said = f"`python -m tests.bench.fuzz --cases {chosen.cases} --seed {chosen.seed}`"
        write_between(chosen.write, BEGIN, END, f"Made by {said}.\n\n{table}")
    return 1 if found.findings else 0


if __name__ == "__main__":
    sys.exit(main())
