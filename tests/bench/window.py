"""The window on one core: how fast it opens, shows, measures, and how long it ever blocks.

    python -m tests.bench.window [--seconds 12] [--source sample] [--cores 1]
                                 [--posture plied]

Starts the real window in a process of its own, held to so many cores together with the process
that measures, lets it make its pages, then show the sample video for so many seconds, then opens
each of the other pages, and prints what it saw from inside: by the clock, and by processor time,
which says what an idle machine would do when this one is busy with other things.
On a machine without a display run it under xvfb-run, or with QT_QPA_PLATFORM=offscreen.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from app.notebook.records import POSTURES, Posture

_BEAT_MS = 4
_A_PAGE_S = 1.5


def watch(source: str, seconds: float, begun: float, posture: Posture) -> dict[str, Any]:
    """Open the window in this process and look at it from inside; figures in ms."""
    from PySide6.QtCore import QEvent, QObject, Qt, QTimer

    from app.window.main_window import MainWindow
    from app.window.measurer import Measured
    from app.window.preferences import Preferences
    from app.window.start import collect_little, make_application
    from app.window.theme import system_theme

    application = make_application()
    with tempfile.TemporaryDirectory() as folder:
        preferences = Preferences(Path(folder) / "window.ini")
        preferences.posture = posture
        window = MainWindow(
            preferences,
            source=source,
            notebook=Path(folder) / "notebook.sqlite",
        )
        collect_little(window)
        window.set_theme(system_theme())
        opened: list[float] = []

        class FirstPaint(QObject):
            def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802
                if event.type() == QEvent.Type.UpdateRequest and not opened:
                    opened.extend((time.monotonic(), time.process_time()))
                return False

        first_paint = FirstPaint()
        window.installEventFilter(first_paint)
        beats: list[tuple[float, float]] = []
        shown: list[tuple[float, float]] = []
        waits: list[tuple[float, float, float]] = []
        session = window.gauge.session
        session.frame_arrived.connect(
            lambda _frame: shown.append((time.monotonic(), time.process_time()))
        )

        def note(_state: object, measured: Measured | None) -> None:
            if measured is not None:
                now_s = time.monotonic()
                waits.append((now_s, now_s - measured.time_s, measured.took_cpu_s))

        session.live_changed.connect(note)
        beat = QTimer()
        beat.setTimerType(Qt.TimerType.PreciseTimer)
        beat.timeout.connect(lambda: beats.append((time.monotonic(), time.thread_time())))
        beat.start(_BEAT_MS)
        window.show()
        others = [name for name in window.page_names if name != "gauge"]
        asked: list[float] = []
        made: list[float] = []

        def show(name: str) -> None:
            asked.append(time.monotonic())
            window.show_page(name)

        def go_on() -> None:
            made.append(time.monotonic())
            for number, name in enumerate(others):
                at_s = seconds + _A_PAGE_S * number
                QTimer.singleShot(round(1000 * at_s), window, lambda n=name: show(n))  # type: ignore
            end_s = seconds + _A_PAGE_S * len(others)
            QTimer.singleShot(round(1000 * end_s), close)

        def close() -> None:
            beat.stop()
            window.close()

        window.pages.all_made.connect(go_on)
        application.exec()

    # The start of the process that measures and the making of pages are told by themselves.
    steady = np.array([at for at in shown if made[0] < at[0] < asked[0]])
    gaps = np.diff([at for at in beats if made[0] < at[0] < asked[0]], axis=0)
    makings = np.diff([at for at in beats if shown[0][0] < at[0] <= made[0]], axis=0)
    turns = np.diff([at for at in beats if at[0] > asked[0]], axis=0)
    measured = np.array([at for at in waits if made[0] < at[0] < asked[0]])
    took_s, worked_s = steady[-1] - steady[0]
    frames = len(steady) - 1
    return {
        "open_ms": [1e3 * (opened[0] - begun), 1e3 * opened[1]],
        "shown_per_s": frames / took_s,
        "measured_per_s": len(measured) / took_s,
        "make_block_ms": [float(x) for x in 1e3 * makings.max(axis=0)],
        "page_block_ms": [float(x) for x in 1e3 * turns.max(axis=0)],
        "shown_cpu_ms": 1e3 * worked_s / frames,
        "frame_to_number_ms": [float(x) for x in 1e3 * np.percentile(measured[:, 1], (50, 95))],
        "measured_cpu_ms": [float(x) for x in 1e3 * np.percentile(measured[:, 2], (50, 95))],
        "block_ms": [[float(x) for x in 1e3 * np.percentile(gaps, q, axis=0)] for q in (99, 100)],
    }


def main() -> None:
    """Start, wait, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--source", default="sample")
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--posture", default="tension", choices=POSTURES)
    parser.add_argument("--inside", type=float, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.inside is not None:
        print(json.dumps(watch(chosen.source, chosen.seconds, chosen.inside, chosen.posture)))
        return
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, set(sorted(os.sched_getaffinity(0))[: chosen.cores]))
    done = subprocess.run(
        [
            sys.executable, "-m", "tests.bench.window", "--inside", str(time.monotonic()),
            "--source", chosen.source, "--seconds", str(chosen.seconds),
            "--posture", chosen.posture,
        ],
        stdout=subprocess.PIPE, text=True, check=True,
    )  # fmt: skip
    said = json.loads(done.stdout)
    middle, late = said["frame_to_number_ms"]
    middle_cpu, late_cpu = said["measured_cpu_ms"]
    (most, most_cpu), (longest, longest_cpu) = said["block_ms"]
    opened, opened_cpu = said["open_ms"]
    turning, turning_cpu = said["page_block_ms"]
    making, making_cpu = said["make_block_ms"]
    drawing = said["shown_cpu_ms"]
    rows = (
        ("from the command to the window drawn", f"{opened:.0f} ms", f"{opened_cpu:.0f} ms", "2 s"),
        ("frames shown a second", f"{said['shown_per_s']:.1f}", f"{drawing:.1f} ms each", "25"),
        ("frames measured a second", f"{said['measured_per_s']:.1f}", "", ""),
        ("frame to number, median", f"{middle:.0f} ms", f"{middle_cpu:.0f} ms", "100 ms"),
        ("frame to number, 95th percentile", f"{late:.0f} ms", f"{late_cpu:.0f} ms", ""),
        ("longest the window ever blocked", f"{longest:.0f} ms", f"{longest_cpu:.0f} ms", "50 ms"),
        ("while pages are made after the start", f"{making:.0f} ms", f"{making_cpu:.0f} ms", ""),
        ("while other pages are opened", f"{turning:.0f} ms", f"{turning_cpu:.0f} ms", "50 ms"),
        ("99 of 100 waits shorter than", f"{most:.0f} ms", f"{most_cpu:.0f} ms", ""),
    )
    print("| what | by the clock | processor time | aim |\n|---|---|---|---|")
    for row in rows:
        print(f"| {' | '.join(row)} |")


if __name__ == "__main__":
    main()
