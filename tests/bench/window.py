"""The window on one core: how fast it opens, shows, measures, and how long it ever blocks.

    python -m tests.bench.window [--seconds 12] [--source sample] [--cores 1]

Starts the real window in a process of its own, held to so many cores together with the process
that measures, lets it show the sample video, and prints what it saw from inside. On a machine
without a display run it under xvfb-run, or with QT_QPA_PLATFORM=offscreen.
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

_BEAT_MS = 4


def watch(source: str, seconds: float, begun: float) -> dict[str, Any]:
    """Open the window in this process and look at it from inside; figures in ms."""
    from PySide6.QtCore import QEvent, QObject, Qt, QTimer

    from app.window.main_window import MainWindow
    from app.window.preferences import Preferences
    from app.window.start import make_application
    from app.window.theme import system_theme

    application = make_application()
    with tempfile.TemporaryDirectory() as folder:
        window = MainWindow(
            Preferences(Path(folder) / "window.ini"),
            source=source,
            notebook=Path(folder) / "notebook.sqlite",
        )
        window.set_theme(system_theme())
        opened: list[float] = []

        class FirstPaint(QObject):
            def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802
                if event.type() == QEvent.Type.UpdateRequest and not opened:
                    opened.append(time.monotonic())
                return False

        first_paint = FirstPaint()
        window.installEventFilter(first_paint)
        beats: list[float] = []
        shown: list[float] = []
        waits: list[float] = []
        session = window.gauge.session
        session.frame_arrived.connect(lambda _frame: shown.append(time.monotonic()))
        session.live_changed.connect(
            lambda _state, measured: waits.append(time.monotonic() - measured.time_s)
        )
        beat = QTimer()
        beat.setTimerType(Qt.TimerType.PreciseTimer)
        beat.timeout.connect(lambda: beats.append(time.monotonic()))
        beat.start(_BEAT_MS)
        window.show()
        QTimer.singleShot(round(1000 * seconds), window.close)
        application.exec()
    # The worker's own start takes a second or two of the core; steady running is what counts.
    steady = [t for t in shown if t > shown[0] + 4.0] if shown else []
    gaps = np.diff([t for t in beats if steady and t > steady[0]])
    return {
        "open_ms": 1e3 * (opened[0] - begun) if opened else None,
        "shown_per_s": (len(steady) - 1) / (steady[-1] - steady[0]) if len(steady) > 1 else 0.0,
        "measured_per_s": len(waits) / (shown[-1] - shown[0]) if len(shown) > 1 else 0.0,
        "frame_to_number_ms": [
            1e3 * float(np.percentile(waits[5:] or [np.nan], q)) for q in (50, 95)
        ],
        "longest_block_ms": 1e3 * float(gaps.max()) if len(gaps) else None,
        "block_99_ms": 1e3 * float(np.percentile(gaps, 99)) if len(gaps) else None,
    }


def main() -> None:
    """Start, wait, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--source", default="sample")
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--inside", type=float, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.inside is not None:
        print(json.dumps(watch(chosen.source, chosen.seconds, chosen.inside)))
        return
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, set(sorted(os.sched_getaffinity(0))[: chosen.cores]))
    done = subprocess.run(
        [
            sys.executable, "-m", "tests.bench.window", "--inside", str(time.monotonic()),
            "--source", chosen.source, "--seconds", str(chosen.seconds),
        ],
        stdout=subprocess.PIPE, text=True, check=True,
    )  # fmt: skip
    said = json.loads(done.stdout)
    middle, late = said["frame_to_number_ms"]
    print("| what | figure | aim |\n|---|---|---|")
    print(f"| from the command to the window drawn | {said['open_ms']:.0f} ms | 2000 ms |")
    print(f"| frames shown a second | {said['shown_per_s']:.1f} | 25 |")
    print(f"| frames measured a second | {said['measured_per_s']:.1f} | |")
    print(f"| frame to number, median | {middle:.0f} ms | 100 ms |")
    print(f"| frame to number, 95th percentile | {late:.0f} ms | |")
    print(f"| longest the window ever blocked | {said['longest_block_ms']:.0f} ms | 50 ms |")
    print(f"| 99 of 100 waits shorter than | {said['block_99_ms']:.0f} ms | |")


if __name__ == "__main__":
    main()
