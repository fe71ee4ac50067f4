"""How long it takes to open a bobbin of a large notebook, to log into it, and what a reading takes.

    python -m tests.bench.notebook [--readings 10000 100000 1000000] [--detail-bytes 2000]
        [--folder FOLDER] [--repeats 60]

Makes notebooks of so many readings, 500 on a bobbin and 20 bobbins in a spin, with noise in place
of what the instrument said, then times what a window does, on bobbins picked at random. "Cold" is
after the system was told to forget the file. The size of real readings is taken from the shipped
samples. Times are medians; the worst is in brackets.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ[_name] = "1"

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "support")]

from logged_strands import a_strand

from app.notebook.file import connect
from app.notebook.plain import pack
from app.notebook.records import Aim, Bobbin, LoggedReading, Sitting, Spin
from app.notebook.rows import (
    BOBBIN_COLUMNS,
    SITTING_COLUMNS,
    SPIN_COLUMNS,
    bobbin_values,
    insert,
    new_id,
    reading_values,
    sitting_values,
    spin_values,
)
from app.notebook.store import Notebook, put_reading
from measure import measure_picture

ON_A_BOBBIN: Final = 500
IN_A_SPIN: Final = 20
BEGUN: Final = datetime(2026, 1, 1, tzinfo=UTC)


def fill(path: Path, readings: int, detail_bytes: int) -> None:
    """Write so many readings, a spin's worth in a transaction."""
    packed = (os.urandom(1000), os.urandom(max(0, detail_bytes - 1000)))
    Notebook.open(path).close()
    count = 0
    with closing(connect(path, "rw")) as db:
        for setting in ("synchronous = OFF", "cache_size = -400000"):  # it may be lost here
            db.execute(f"PRAGMA {setting}")
        while count < readings:
            spin = Spin(new_id(), f"Spin {count}", "", "", None, Aim(), "", BEGUN)
            db.execute("BEGIN")
            db.execute(insert("spin", SPIN_COLUMNS), spin_values(spin))
            for place in range(IN_A_SPIN):
                if count >= readings:
                    break
                count += _bobbin(db, spin, place, min(ON_A_BOBBIN, readings - count), packed)
            db.execute("COMMIT")


def _bobbin(db: Any, spin: Spin, place: int, count: int, packed: tuple[bytes, bytes]) -> int:
    bobbin = Bobbin(new_id(), spin.id, f"B{place}", "", None, None, place, BEGUN)
    db.execute(insert("bobbin", BOBBIN_COLUMNS), bobbin_values(bobbin))
    sitting = Sitting(new_id(), bobbin.id, BEGUN, BEGUN)
    db.execute(insert("sitting", SITTING_COLUMNS), sitting_values(sitting))
    for number in range(1, count + 1):
        reading = LoggedReading(
            id=new_id(),
            sitting_id=sitting.id,
            bobbin_id=bobbin.id,
            number=number,
            taken_at=BEGUN + timedelta(seconds=20 * number),
            posture="tension",
            diameter_mm=0.7,
            u_diameter_mm=0.014,
            interval_mm=(0.67, 0.73),
            cv_percent=9.5,
            length_mm=130.0,
            turns_per_inch=None,
            twist=None,
            spun_g=0.1 * number,
            note="",
            printed_card="desk 1, kitchen printer",
            source="camera",
            has_picture=False,
        )
        put_reading(db, reading_values(reading), packed, None, "bench", None)
    return count


def timed(task: Callable[[], Any]) -> float:
    """Milliseconds that a task took."""
    start = time.perf_counter()
    task()
    return 1e3 * (time.perf_counter() - start)


def forget(path: Path) -> None:
    """Tell the system to drop what it holds of the file in memory."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def times(path: Path, repeats: int) -> dict[str, list[float]]:
    """Milliseconds of what a window does, by what it is."""
    chance = random.Random(0)
    found: dict[str, list[float]] = {}

    def add(name: str, task: Callable[[], Any]) -> None:
        found.setdefault(name, []).append(timed(task))

    def open_bobbin(bobbin_id: str) -> None:
        with Notebook.open(path) as opened:
            assert len(opened.readings(bobbin_id)) > 0

    with Notebook.open(path) as notebook:
        spins = notebook.spins()
        bobbins = [b.id for s in chance.sample(spins, min(60, len(spins)))
                   for b in notebook.bobbins(s.id)]  # fmt: skip
    for _ in range(max(5, repeats // 4)):
        forget(path)
        add("file and bobbin opened, cold", lambda: open_bobbin(chance.choice(bobbins)))
    for _ in range(repeats):
        add("file and bobbin opened", lambda: open_bobbin(chance.choice(bobbins)))
    with Notebook.open(path) as notebook:
        for _ in range(repeats):
            bobbin = chance.choice(bobbins)
            add("bobbin opened", lambda b=bobbin: notebook.readings(b))  # type: ignore[misc]
            add("what came since", lambda b=bobbin: notebook.readings(b, 495))  # type: ignore[misc]
            spin = chance.choice(spins).id
            add(
                "a spin's bobbins and their figures",
                lambda s=spin: (notebook.bobbins(s), notebook.tallies(s)),  # type: ignore[misc]
            )
        add("search", lambda: notebook.search("spin 7"))
        strand = a_strand(1)

        def log(sitting: Sitting) -> LoggedReading:
            return notebook.log(
                sitting.id, strand, taken_at=BEGUN, posture="tension", printed_card="", source=""
            )

        for _ in range(repeats):
            sitting = notebook.begin_sitting(chance.choice(bobbins), BEGUN)
            reading = log(sitting)
            add("a reading logged", lambda s=sitting: log(s))  # type: ignore[misc]
            add("a reading with its profile", lambda r=reading: notebook.reading(r.id))  # type: ignore[misc]
    return found


def size_of_readings() -> list[str]:
    """What readings of the shipped samples take in the file, a line each."""
    lines = []
    for picture in sorted((ROOT / "sample_images").glob("*.jpg")):
        for strand in measure_picture(picture).strands:
            text, arrays = pack(strand)
            entries = len(strand.along.position_mm)
            size_kb = (len(text) + len(arrays)) / 1e3
            lines.append(f"| {picture.stem} {strand.number} | {entries} | {size_kb:.1f} |")
    return lines


def main() -> None:
    """Make, time, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--detail-bytes", type=int, default=2000)
    parser.add_argument("--folder", type=Path, help="where to; default: a temporary folder")
    parser.add_argument("--repeats", type=int, default=60)
    chosen = parser.parse_args()
    table: dict[str, list[str]] = {}
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        for readings in chosen.readings:
            path = Path(folder) / f"{readings}.slubwise"
            fill(path, readings, chosen.detail_bytes)
            table.setdefault("size, MB", []).append(f"{path.stat().st_size / 1e6:.0f}")
            for name, spent in times(path, chosen.repeats).items():
                told = f"{statistics.median(spent):.1f} ({max(spent):.1f})"
                table.setdefault(f"{name}, ms", []).append(told)
            path.unlink()
    print("| readings | " + " | ".join(f"{n:,}" for n in chosen.readings) + " |")
    print("|---|" + "---:|" * len(chosen.readings))
    for name, cells in table.items():
        print(f"| {name} | {' | '.join(cells)} |")
    print("\n| sample, strand | places along | kB in the notebook |\n|---|---:|---:|")
    print("\n".join(size_of_readings()))


if __name__ == "__main__":
    main()
