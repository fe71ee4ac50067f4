from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
from pytestqt.qtbot import QtBot

from app.window.frame import Frame, SourceState, Still
from app.window.sources.source import Source, ThreadedSource

BLACK = np.zeros((4, 6, 3), np.uint8)


class Plain(Source):
    def _begin(self) -> None:
        pass

    def _end(self) -> None:
        pass


def heard(source: Source) -> list[object]:
    out: list[object] = []
    source.frame.connect(out.append)
    source.still.connect(out.append)
    source.state.connect(out.append)
    return out


def from_a_thread(work: object) -> None:
    thread = threading.Thread(target=work)  # type: ignore[arg-type]
    thread.start()
    thread.join()


def test_of_frames_that_wait_only_the_newest_is_delivered(qtbot: QtBot) -> None:
    source = Plain("plain")
    out = heard(source)
    source.start()

    from_a_thread(lambda: [source._hand_frame(BLACK, float(i)) for i in range(5)])
    qtbot.wait(20)

    assert out[0] == SourceState("starting")
    (frame,) = out[1:]
    assert isinstance(frame, Frame)
    assert (frame.number, frame.time_s) == (5, 4.0)
    source.stop()


def test_stills_and_states_are_all_delivered_in_order_in_the_ui_thread(qtbot: QtBot) -> None:
    source = Plain("plain")
    out = heard(source)
    threads: list[threading.Thread] = []
    source.still.connect(lambda _: threads.append(threading.current_thread()))
    source.start()
    stills = [Still(Path(f"{i}.jpg"), f"{i}.jpg") for i in range(3)]

    def work() -> None:
        source._hand(stills[0])
        source._hand_frame(BLACK, 1.0)
        source._hand(stills[1])
        source._hand_frame(BLACK, 2.0)
        source._hand(stills[2])
        source._hand(SourceState("ended"))

    from_a_thread(work)
    qtbot.wait(20)

    kinds = [type(item) for item in out[1:]]
    assert kinds == [Still, Still, Frame, Still, SourceState]
    assert [item for item in out if isinstance(item, Still)] == stills
    assert set(threads) == {threading.main_thread()}
    source.stop()


def test_nothing_comes_after_the_stop_also_of_what_was_under_way(qtbot: QtBot) -> None:
    source = Plain("plain")
    out = heard(source)
    source.start()
    from_a_thread(lambda: source._hand_frame(BLACK, 1.0))
    source.stop()
    out.clear()
    qtbot.wait(20)
    assert out == []


def test_stopping_in_the_middle_of_a_delivery_ends_it(qtbot: QtBot) -> None:
    source = Plain("plain")
    out: list[Still] = []

    def take(still: Still) -> None:
        out.append(still)
        source.stop()

    source.still.connect(take)
    source.start()
    for name in ("a", "b"):
        source._hand(Still(b"", name))
    qtbot.wait(20)
    assert [still.name for still in out] == ["a"]


def test_a_state_is_told_once(qtbot: QtBot) -> None:
    source = Plain("plain")
    out = heard(source)
    source.start()
    for _ in range(3):
        source._hand(SourceState("running", detail="x"))
        qtbot.wait(5)
    assert out == [SourceState("starting"), SourceState("running", detail="x")]
    assert source.current_state == SourceState("running", detail="x")
    source.stop()


def test_a_threaded_source_starts_again_after_its_stop(qtbot: QtBot) -> None:
    class Counting(ThreadedSource):
        def _work(self, stopping: threading.Event) -> None:
            self._hand_frame(BLACK, 0.0)
            stopping.wait()

    source = Counting("counting")
    for number in (1, 2):
        with qtbot.waitSignal(source.frame, timeout=30_000) as came:
            source.start()
        assert came.args is not None
        assert came.args[0].number == number
        source.stop()


def test_a_fault_in_the_thread_is_told(qtbot: QtBot) -> None:
    class Broken(ThreadedSource):
        def _work(self, stopping: threading.Event) -> None:
            raise ZeroDivisionError("by nought")

    source = Broken("broken")
    source.start()
    qtbot.waitUntil(lambda: source.current_state.kind == "failed", timeout=30_000)
    assert source.current_state.text == "broken stopped through a fault in the program."
    assert "by nought" in source.current_state.advice
    source.stop()
