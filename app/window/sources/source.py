"""What all sources share: one interface, newest frame wins, nothing after the stop."""

from __future__ import annotations

import threading
from collections import deque
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, Qt, Signal, Slot

from app.window.frame import Frame, SourceState, Still


class Source(QObject):
    """Something that hands over pictures; lives in the UI thread and emits there.

    Between `start()` and `stop()` it emits `frame` (a Frame), `still` (a Still) and `state` (a
    SourceState, only when it changed); after `stop()` nothing. At most one frame waits to be
    delivered: a newer one takes its place.
    """

    frame = Signal(object)
    still = Signal(object)
    state = Signal(object)
    _arrived = Signal()

    def __init__(self, name: str, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.measuring_rests: threading.Event | None = None
        """Set while nothing is measured; given before the start where work may wait for it."""
        self._name = name
        self._running = False
        self._said = SourceState("ended")
        self._lock = threading.Lock()
        self._waiting: deque[Frame | Still | SourceState] = deque()
        self._number = 0
        self._arrived.connect(self._deliver, Qt.ConnectionType.QueuedConnection)

    @property
    def name(self) -> str:
        """What to call it: the camera's own name, the file's, the folder's."""
        return self._name

    @property
    def current_state(self) -> SourceState:
        """The state emitted last."""
        return self._said

    def start(self) -> None:
        """Begin; does nothing when it runs already."""
        if self._running:
            return
        self._running = True
        self._say(SourceState("starting"))
        self._begin()

    def stop(self) -> None:
        """End and give back the device, the file and every thread; can be started again."""
        if not self._running:
            return
        self._running = False
        self._end()
        with self._lock:
            self._waiting.clear()

    def _begin(self) -> None:
        raise NotImplementedError

    def _end(self) -> None:
        raise NotImplementedError

    def _say(self, state: SourceState) -> None:
        """Emit a state, in the UI thread."""
        if state != self._said:
            self._said = state
            self.state.emit(state)

    def _hand_frame(self, pixels: NDArray[np.uint8], time_s: float, in_time: bool = True) -> None:
        """Hand over a frame, from any thread; one that was not delivered yet is dropped."""
        with self._lock:
            self._number += 1
            idle = not self._waiting
            kept = [item for item in self._waiting if not isinstance(item, Frame)]
            in_time |= any(isinstance(item, Frame) and item.in_time for item in self._waiting)
            self._waiting = deque([*kept, Frame(pixels, time_s, self._number, in_time)])
        if idle:
            self._arrived.emit()

    def _hand(self, item: Still | SourceState) -> None:
        """Hand over a still or a state, from any thread; each is delivered, in order."""
        with self._lock:
            idle = not self._waiting
            self._waiting.append(item)
        if idle:
            self._arrived.emit()

    @Slot()
    def _deliver(self) -> None:
        with self._lock:
            items = list(self._waiting)
            self._waiting.clear()
        for item in items:
            if not self._running:
                return
            if isinstance(item, Frame):
                self.frame.emit(item)
            elif isinstance(item, Still):
                self.still.emit(item)
            else:
                self._say(item)


class ThreadedSource(Source):
    """A source whose work is done in a thread of its own, joined by `stop()`."""

    STOP_WITHIN_S: ClassVar[float] = 2.0
    """How long `stop()` waits for a thread that hangs in a dead drive; it dies with the program."""

    def __init__(self, name: str, parent: QObject | None = None) -> None:
        super().__init__(name, parent)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def _begin(self) -> None:
        self._stopping = threading.Event()
        self._thread = threading.Thread(
            target=self._run, args=(self._stopping,), name=f"source {self.name}", daemon=True
        )
        self._thread.start()

    def _end(self) -> None:
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(self.STOP_WITHIN_S)
            self._thread = None

    def _run(self, stopping: threading.Event) -> None:
        try:
            self._work(stopping)
        except Exception as error:  # noqa: BLE001  the person must hear of a fault of ours, too
            if not stopping.is_set():
                self._hand(
                    SourceState(
                        "failed",
                        f"{self.name} stopped through a fault in the program.",
                        f"Choose it again, and report this: {error!r}.",
                    )
                )

    def _wake(self) -> None:
        """Get the thread out of whatever it waits for, but for the event it was given."""

    def _work(self, stopping: threading.Event) -> None:
        """Run in the thread until `stopping` is set, and hand nothing over after that."""
        raise NotImplementedError
