"""Any order of logging, taking back, deleting, undoing: as in a model made of plain lists."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)
from logged_strands import a_strand

from app.notebook.errors import NotebookError
from app.notebook.store import Notebook

NOW = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
STRANDS = [a_strand(seed, entries=2) for seed in range(4)]


@dataclass
class ModelBobbin:
    """What the model knows of a bobbin."""

    name: str
    deleted: bool = False
    readings: dict[str, bool] = field(default_factory=dict)
    """Whether each stands, by id, in the order logged."""


class NotebookAgainstLists(RuleBasedStateMachine):
    """Two windows on one notebook; the model is of what is in it, undo of what each did."""

    bobbins = Bundle("bobbins")
    readings = Bundle("readings")

    def __init__(self) -> None:
        super().__init__()
        memory = Path("/dev/shm")
        folder = memory if memory.is_dir() else None
        self.folder = Path(tempfile.mkdtemp(prefix="slubwise-", dir=folder))
        self.windows = [Notebook.open(self.folder / "n.slubwise") for _ in range(2)]
        self.model: dict[str, ModelBobbin] = {}
        self.sittings: dict[str, str] = {}
        # Each change as (object of the model, its attribute or reading, before, after).
        self.done: list[list[tuple[Any, str, Any, Any]]] = [[], []]
        self.undone: list[list[tuple[Any, str, Any, Any]]] = [[], []]

    @initialize()
    def begin(self) -> None:
        self.spin = self.windows[0].add_spin("Wool")
        self.windows[0]._history._done.clear()

    def get(self, place: Any, name: str) -> Any:
        return place.readings[name] if name in place.readings else getattr(place, name)

    def set(self, place: Any, name: str, value: Any) -> None:
        if name in place.readings:
            place.readings[name] = value
        else:
            setattr(place, name, value)

    def change(self, window: int, place: ModelBobbin, name: str, value: Any) -> None:
        before = self.get(place, name)
        if before != value:
            self.set(place, name, value)
            self.done[window].append((place, name, before, value))
            self.undone[window].clear()

    @rule(target=bobbins, window=st.sampled_from([0, 1]), name=st.text("ab=", min_size=1))
    def make_bobbin(self, window: int, name: str) -> str:
        bobbin = self.windows[window].add_bobbin(self.spin.id, name)
        made = ModelBobbin(name)
        self.model[bobbin.id] = made
        self.done[window].append((made, "deleted", True, False))
        self.undone[window].clear()
        self.sittings[bobbin.id] = self.windows[window].begin_sitting(bobbin.id, NOW).id
        return bobbin.id

    @rule(target=readings, window=st.sampled_from([0, 1]), bobbin=bobbins, seed=st.integers(0, 3))
    def log(self, window: int, bobbin: str, seed: int) -> tuple[str, str]:
        reading = self.windows[window].log(
            self.sittings[bobbin],
            STRANDS[seed],
            taken_at=NOW,
            posture="tension",
            printed_card="",
            source="",
        )
        self.model[bobbin].readings[reading.id] = True
        assert reading.number == len(self.model[bobbin].readings)
        return bobbin, reading.id

    @rule(window=st.sampled_from([0, 1]), which=readings)
    def take_back(self, window: int, which: tuple[str, str]) -> None:
        bobbin, reading = which
        self.windows[window].take_back(reading)
        self.change(window, self.model[bobbin], reading, False)

    @rule(window=st.sampled_from([0, 1]), which=readings)
    def restore(self, window: int, which: tuple[str, str]) -> None:
        bobbin, reading = which
        self.windows[window].restore(reading)
        self.change(window, self.model[bobbin], reading, True)

    @rule(window=st.sampled_from([0, 1]), bobbin=bobbins)
    def delete(self, window: int, bobbin: str) -> None:
        notebook, model = self.windows[window], self.model[bobbin]
        said = notebook.delete(notebook.bobbin(bobbin))
        standing = sum(model.readings.values())
        assert (f"{standing} reading" in said) == (standing > 0)
        self.change(window, model, "deleted", True)

    @rule(window=st.sampled_from([0, 1]), bobbin=bobbins)
    def bring_back(self, window: int, bobbin: str) -> None:
        notebook = self.windows[window]
        notebook.bring_back(notebook.bobbin(bobbin))
        self.change(window, self.model[bobbin], "deleted", False)

    @rule(window=st.sampled_from([0, 1]), bobbin=bobbins, name=st.text("ab=", min_size=1))
    def rename(self, window: int, bobbin: str, name: str) -> None:
        notebook = self.windows[window]
        notebook.update_bobbin(replace(notebook.bobbin(bobbin), name=name))
        self.change(window, self.model[bobbin], "name", name)

    def turn(self, window: int, *, back: bool) -> None:
        notebook = self.windows[window]
        piles = (self.done[window], self.undone[window])
        pile, other = piles if back else piles[::-1]
        do = notebook.undo if back else notebook.redo
        if not pile:
            assert do() is None
            return
        place, name, before, after = pile.pop()
        now, then = (after, before) if back else (before, after)
        if self.get(place, name) != now:
            with pytest.raises(NotebookError, match="changed elsewhere"):
                do()
            return
        assert do() is not None
        self.set(place, name, then)
        other.append((place, name, before, after))

    @rule(window=st.sampled_from([0, 1]))
    def undo(self, window: int) -> None:
        self.turn(window, back=True)

    @rule(window=st.sampled_from([0, 1]))
    def redo(self, window: int) -> None:
        self.turn(window, back=False)

    @precondition(lambda self: self.model)
    @rule(window=st.sampled_from([0, 1]))
    def open_anew(self, window: int) -> None:
        self.windows[window].close()
        self.windows[window] = Notebook.open(self.folder / "n.slubwise")
        self.done[window].clear()
        self.undone[window].clear()

    @invariant()
    def both_windows_show_the_model(self) -> None:
        if not self.model:
            return
        for notebook in self.windows:
            for deleted in (False, True):
                assert {b.id: b.name for b in notebook.bobbins(self.spin.id, deleted=deleted)} == {
                    id_: b.name for id_, b in self.model.items() if b.deleted == deleted
                }
            for id_, bobbin in self.model.items():
                for stands in (True, False):
                    shown = [r.id for r in notebook.readings(id_, taken_back=not stands)]
                    assert shown == [r for r, s in bobbin.readings.items() if s == stands]

    def teardown(self) -> None:
        assert self.windows[0].check().problems == ()
        for notebook in self.windows:
            notebook.close()
        shutil.rmtree(self.folder)


TestNotebookAgainstLists = NotebookAgainstLists.TestCase
TestNotebookAgainstLists.settings = settings(
    max_examples=15,
    stateful_step_count=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
