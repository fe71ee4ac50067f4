"""What happens at the wheel: pictures in, readings out, and each one logged.

Between the source, the process that measures, the live rule and the notebook. No widget: the page
shows what this says.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, QTimer, Signal

from app.notebook.errors import NotebookError
from app.notebook.records import PLIED_POSTURES, LoggedReading
from app.window.desk import Desk
from app.window.frame import Frame, Still
from app.window.live_advice import briefly
from app.window.log_entry import Bench, LogEntry
from app.window.measurer import Measured, MeasuredStill, Measurer
from app.window.sources.source import Source
from measure.errors import MeasureError
from measure.live import LiveGauge, LiveState
from measure.results import PictureReading, ScaleSummary, StrandReading
from measure.settings import Settings
from measure.weight_class import chart_named

_SILENCE_MS: Final = 250
_SILENT_S: Final = 0.8
"""Without a measured frame for so long, time is passed on by itself."""


@dataclass(frozen=True, eq=False)
class Current:
    """A reading as it stands on the gauge."""

    strand: StrandReading
    scale: ScaleSummary | None
    pixels: NDArray[np.uint8] | None
    factor: float
    """Pixels there per pixel of the picture that was measured."""
    source: str


class GaugeSession(QObject):
    """One source at a time, measured, judged and logged."""

    frame_arrived = Signal(object)
    """Frame to be shown."""
    live_changed = Signal(object, object)
    """LiveState and the Measured it came from, None when only time has passed."""
    still_opened = Signal(object)
    """OpenedStill: to be shown while it is measured."""
    still_measured = Signal(object)
    """MeasuredStill."""
    chosen = Signal(object)
    """StrandReading of a still that is shown in figures, or None."""
    camera_changed = Signal(str, int, int)
    """Name of the source and size of its frames, px; "" and 0 when none with frames runs."""
    source_changed = Signal(object)
    """SourceState."""
    logged = Signal(object)
    """LoggedReading, after it was committed."""
    taken_back = Signal(object)
    put_back_done = Signal(object)
    """LoggedReading."""
    bobbin_made = Signal(str)
    section_taken = Signal(object)
    """Current: taken for the skein instead of logged on the bobbin."""
    skein_changed = Signal(str)
    """Name of the skein that takes what is read; empty: the bobbin does."""
    said = Signal(str)
    """A sentence for the person."""
    busy = Signal(bool)
    """A still is being measured."""

    def __init__(self, desk: Desk, bench: Bench, parent: QObject) -> None:
        super().__init__(parent)
        self.hands_free = True
        self.bench = bench
        self.skein = ""
        """Name of the skein that takes what is read; empty: it is logged on the bobbin."""
        self._desk = desk
        self._gauge = LiveGauge()
        self._source: Source | None = None
        self._name = ""
        self.camera = ("", 0, 0)
        """Name of the running source, and the size of its frames in pixels."""
        self._still: MeasuredStill | None = None
        self._choice = 0
        self._log_arriving = False
        self._sitting = ""
        self._measured: Measured | None = None
        self._taken: list[LoggedReading] = []
        self._back: list[LoggedReading] = []
        self._heard_s = self._gauge_s = -math.inf
        self._measurer = Measurer(parent=self)
        self._measurer.set_twist(bench.posture in PLIED_POSTURES)
        self._measurer.measured.connect(self._take_frame)
        self._measurer.still_opened.connect(self.still_opened)
        self._measurer.still_measured.connect(self._take_still)
        self._measurer.died.connect(self.said)
        self._silence = QTimer(self)
        self._silence.setInterval(_SILENCE_MS)
        self._silence.timeout.connect(self._pass_time)
        self._silence.start()

    def stop(self) -> None:
        """End source, process and sitting; what was logged is already safe."""
        self._silence.stop()
        self._drop_source()
        self._measurer.stop()
        self._end_sitting()

    # --- where pictures come from

    def set_source(self, source: Source | None, arriving: bool = False) -> None:
        """Measure this source from now on; `arriving` when its stills are to log themselves."""
        self._drop_source()
        self._gauge.reset()
        self._gauge_s = -math.inf
        self._measured = None
        self._set_camera("", 0, 0)
        self._measurer.begin_source()
        self._source, self._log_arriving = source, arriving
        if source is None:
            return
        self._name = source.name
        source.measuring_rests = self._measurer.rests
        source.frame.connect(self._show_frame)
        source.still.connect(self.measure_still)
        source.state.connect(self.source_changed)
        source.start()

    def _drop_source(self) -> None:
        if self._source is not None:
            self._source.stop()
            self._source.deleteLater()
            self._source = None

    def measure_still(self, still: Still) -> None:
        """Measure one picture; the outcome comes as `still_measured`."""
        self.busy.emit(True)
        self._measurer.measure_still(still)

    def set_settings(self, settings: Settings) -> None:
        """Measure so from now on."""
        self._measurer.set_settings(settings)
        self._gauge.set_chart(chart_named(settings.chart))

    def set_aim(self, strand_mm: float | None) -> None:
        """The strand aimed at: what the camera is set up for when none is there."""
        self._measurer.set_aim(strand_mm)

    @property
    def newest_pixels(self) -> NDArray[np.uint8] | None:
        """The frame measured last; None when no source with frames runs."""
        return None if self._measured is None or self._still else self._measured.frame.pixels

    def _show_frame(self, frame: Frame) -> None:
        self._still = None
        height, width = frame.pixels.shape[:2]
        self._set_camera(self._name, width, height)
        self._measurer.offer(frame)
        self.frame_arrived.emit(frame)

    def _set_camera(self, name: str, width_px: int, height_px: int) -> None:
        if (name, width_px, height_px) != self.camera:
            self.camera = (name, width_px, height_px)
            self.camera_changed.emit(*self.camera)

    # --- what was measured

    def _take_frame(self, measured: Measured) -> None:
        if self._source is None or self._still is not None:
            return
        self._measured = measured
        self._heard_s = time.monotonic()
        state = self._update(measured.reading, measured.time_s)
        self.live_changed.emit(state, measured)
        if state.take is not None and self.hands_free:
            self._log(state.take, measured.reading.scale, measured.frame.pixels)

    def _update(self, reading: PictureReading | None, time_s: float) -> LiveState:
        # Time that passed without a frame is told to the gauge too; it must never run backwards.
        self._gauge_s = max(time_s, self._gauge_s)
        return briefly(self._gauge.update(reading, self._gauge_s))

    def _pass_time(self) -> None:
        """Let the figure fade when a source falls silent."""
        now_s = time.monotonic()
        if self._measured is not None and self._still is None and now_s - self._heard_s > _SILENT_S:
            self.live_changed.emit(self._update(None, now_s - _SILENT_S), None)

    def _take_still(self, measured: MeasuredStill) -> None:
        if not self._measurer.stills_waiting:
            self.busy.emit(False)
        self._still, self._choice = measured, 0
        self.still_measured.emit(measured)
        self.chosen.emit(self._chosen())
        reading = measured.reading
        if self._log_arriving and self.hands_free and not isinstance(reading, MeasureError):
            for strand in reading.strands:
                self._log(strand, reading.scale, measured.preview, measured.factor)

    def choose(self, step: int) -> None:
        """Show the next (1) or the previous (-1) strand of a still."""
        strands = self._strands()
        if strands:
            self._choice = (self._choice + step) % len(strands)
            self.chosen.emit(self._chosen())

    def choose_number(self, number: int) -> None:
        """Show the strand of that number of a still."""
        for i, strand in enumerate(self._strands()):
            if strand.number == number:
                self._choice = i
                self.chosen.emit(strand)

    def _strands(self) -> tuple[StrandReading, ...]:
        if self._still is None or isinstance(self._still.reading, MeasureError):
            return ()
        return self._still.reading.strands

    def _chosen(self) -> StrandReading | None:
        strands = self._strands()
        return strands[self._choice] if strands else None

    # --- the log

    def current(self) -> Current | None:
        """What would be logged now; None when there is no reading."""
        still = self._still
        if still is not None:
            strand = self._chosen()
            if strand is not None and not isinstance(still.reading, MeasureError):
                return Current(
                    strand, still.reading.scale, still.preview, still.factor, still.still.name
                )
            return None
        strand = self._gauge.take_now()
        if strand is None or self._measured is None:
            return None
        # A strand that was held still before lay where the newest frame shows it.
        seen = self._measured
        return Current(strand, seen.reading.scale, seen.frame.pixels, 1.0, self._name)

    def take_now(self) -> None:
        """Log what is shown, at the person's will."""
        current = self.current()
        if current is None:
            self.said.emit("There is no reading to take now.")
        else:
            self._log(current.strand, current.scale, current.pixels, current.factor)

    def take_back(self) -> None:
        """Take back the reading logged last in this window."""
        if self.skein:
            self.said.emit("Readings go to a skein now: its page takes a section back.")
            return
        if not self._taken:
            self.said.emit("Nothing was logged in this window that could be taken back.")
            return
        last = self._taken.pop()
        self._desk.ask(
            lambda notebook: notebook.take_back(last.id),
            lambda _: self._was_taken_back(last),
            lambda error: self._not_taken_back(last, error),
        )

    def put_back(self) -> None:
        """Log again what was taken back last."""
        if not self._back:
            self.said.emit("Nothing was taken back in this window.")
            return
        last = self._back.pop()
        self._desk.ask(
            lambda notebook: notebook.restore(last.id),
            lambda _: self._was_put_back(last),
            lambda error: self._not_put_back(last, error),
        )

    def _was_taken_back(self, reading: LoggedReading) -> None:
        self._back.append(reading)
        self.taken_back.emit(reading)

    def _not_taken_back(self, reading: LoggedReading, error: NotebookError) -> None:
        self._taken.append(reading)
        self._desk.failed.emit(error)

    def _not_put_back(self, reading: LoggedReading, error: NotebookError) -> None:
        self._back.append(reading)
        self._desk.failed.emit(error)

    def _was_put_back(self, reading: LoggedReading) -> None:
        self._taken.append(reading)
        self.put_back_done.emit(reading)

    def set_skein(self, name: str) -> None:
        """Give what is taken from now on to this skein; with "" log it on the bobbin again."""
        if name != self.skein:
            self.skein = name
            self.skein_changed.emit(name)

    def set_bench(self, bench: Bench) -> None:
        """Log under this from now on; another bobbin begins another sitting."""
        if bench.bobbin != self.bench.bobbin:
            self._end_sitting()
        if bench.posture != self.bench.posture:
            self._measurer.set_twist(bench.posture in PLIED_POSTURES)
            self._gauge.forget_twist()
        self.bench = bench

    def _end_sitting(self) -> None:
        sitting, self._sitting = self._sitting, ""
        if sitting:
            now = datetime.now(UTC)
            self._desk.ask(lambda notebook: notebook.end_sitting(sitting, now))

    def _log(
        self,
        strand: StrandReading,
        scale: ScaleSummary | None,
        pixels: NDArray[np.uint8] | None,
        factor: float = 1.0,
    ) -> None:
        now = datetime.now(UTC)
        # Pasted pictures and those that arrive in a folder have names of their own.
        name = self._name if self._still is None else self._still.still.name
        if self.skein:
            self.section_taken.emit(Current(strand, scale, pixels, factor, name))
            return
        entry = LogEntry(self.bench, self._sitting, strand, scale, now, name, pixels, factor)
        self._desk.ask(entry.commit, self._was_logged)

    def _was_logged(self, outcome: tuple[LoggedReading, str]) -> None:
        reading, bobbin = outcome
        if self.bench.bobbin in ("", bobbin):
            self._sitting = reading.sitting_id
        if not self.bench.bobbin:
            self.bench = replace(self.bench, bobbin=bobbin)
            self.bobbin_made.emit(bobbin)
        self._taken.append(reading)
        self._back.clear()
        self.logged.emit(reading)
