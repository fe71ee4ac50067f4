"""The spins page: spins and their bobbins, made, written down, ordered, put away, gone on with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QHideEvent, QShowEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QMenu,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from app.bobbin_sources import one_line
from app.notebook.errors import NotebookError
from app.notebook.records import Bobbin, Spin
from app.notebook.store import Notebook
from app.window.desk import Desk
from app.window.flow_row import FlowRow
from app.window.panel import heading_font, panel
from app.window.preferences import Preferences, Unit
from app.window.spin_actions import SpinActions
from app.window.spin_lists import BobbinTable, SearchField, SpinList
from app.window.spin_shelf import (
    Shelf,
    band_of,
    bobbin_words,
    look_up,
    spin_words,
    when_text,
)
from app.window.spin_work import SpinWork
from app.window.theme import LIGHT, Theme
from app.window.words import ShortLabel, Words

LOOK_EVERY_MS: Final = 3000
"""How often it looks whether another window wrote to the notebook, while it is shown."""
_TYPING_MS: Final = 150
_NO_SPIN: Final = (
    "No spin yet. Make one here; or take a reading on the Gauge page, and the first spin and "
    "bobbin are made by themselves."
)
_NONE_FOUND: Final = "No spin and no bobbin has all these words in a name, fibre or note."
_UNREAD: Final = "The notebook cannot be read."
_NO_BOBBIN: Final = "No bobbin yet: make one to spin on."


class SpinsPage(QWidget):
    """The notebook's spins and bobbins. Shown, it looks the notebook up anew."""

    said = Signal(str)
    bobbin_wanted = Signal(str)
    """Id of the bobbin to spin on from now on."""
    band_wanted = Signal(object)
    """The Band that this bobbin's spin aims at; sent right after `bobbin_wanted`."""
    changed = Signal()
    """Spins or bobbins were changed here: lists of them elsewhere are to be read anew."""

    def __init__(self, preferences: Preferences, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._preferences = preferences
        self._desk = desk
        self._unit: Unit = preferences.unit
        self._wrap = preferences.wrap_factor
        self._theme = LIGHT
        self._shelf = Shelf()
        self._spin_chosen = self._bobbin_chosen = ""
        self._looked_up = 0
        self._failed_before = False
        self._was_read = False
        """Whether the notebook answered yet: until then nobody knows whether there is no spin."""
        self._work = SpinWork(preferences, desk, self)
        self._typing = QTimer(self)
        self._typing.setSingleShot(True)
        self._typing.setInterval(_TYPING_MS)
        self._typing.timeout.connect(self.refresh)
        self._look = QTimer(self)
        self._look.setInterval(LOOK_EVERY_MS)
        self._look.timeout.connect(self._look_elsewhere)

    # --- what it is made of

    def make(self) -> Iterator[None]:
        """Make what is on it, in steps."""
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 12, 12, 12)
        layout.setSpacing(8)
        self.spins = SpinList()
        yield
        self.bobbins = BobbinTable()
        yield
        self.actions_here = SpinActions(self, {"spins": self.spins, "bobbins": self.bobbins})
        yield
        layout.addLayout(self._top_row())
        yield
        self.trouble = QLabel()
        self.trouble.setObjectName("caution")
        self.trouble.setAccessibleName("What is wrong with the notebook")
        self.trouble.setTextFormat(Qt.TextFormat.PlainText)
        self.trouble.setWordWrap(True)
        self.trouble.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.trouble.hide()
        layout.addWidget(self.trouble)
        self._split = QSplitter(Qt.Orientation.Horizontal)
        self._split.setChildrenCollapsible(False)
        layout.addWidget(self._split, 1)
        yield
        self._split.addWidget(self._spins_panel())
        yield
        self._split.addWidget(self._bobbins_panel())
        yield
        self._split.setStretchFactor(0, 2)
        self._split.setStretchFactor(1, 5)
        if not self._split.restoreState(self._preferences.split("spins")):
            # Larger than any window, so that what counts is their proportion.
            self._split.setSizes([3000, 7000])
        self._connect()
        self.set_theme(LIGHT)

    def _top_row(self) -> QHBoxLayout:
        self.search = SearchField()
        self.search.setAccessibleName("Find spins and bobbins")
        self.search.setPlaceholderText("Find…")
        self.search.setToolTip("Find spins and bobbins by name, fibre or note (Ctrl+Shift+F)")
        self.search.setClearButtonEnabled(True)
        self.latest = ShortLabel("Where you stopped")
        self.latest.setObjectName("quiet")
        top = QHBoxLayout()
        top.setSpacing(8)
        top.addWidget(self.actions_here.button("go_on"))
        top.addWidget(self.latest, 1)
        for action in ("undo", "redo", "deleted"):
            top.addWidget(self.actions_here.button(action))
        return top

    def _spins_panel(self) -> QWidget:
        self.spins.setToolTip("Enter goes on to its bobbins")
        self._empty = Words("About the list", 8)
        row = FlowRow()
        row.add("", self.actions_here.button("new_spin"))
        frame, layout = panel()
        layout.addWidget(self.search)
        layout.addWidget(self._empty)
        layout.addWidget(self.spins, 1)
        layout.addWidget(row)
        return frame

    def _bobbins_panel(self) -> QWidget:
        self.heading = ShortLabel("Spin")
        self.heading.setFont(heading_font(self.heading, 1.4))
        self.about_spin = Words("About this spin", 5)
        self.about_bobbins = ShortLabel()
        self.about_bobbins.setObjectName("quiet")
        self.about_bobbin = Words("About this bobbin", 6)
        head = QHBoxLayout()
        head.setSpacing(8)
        head.addWidget(self.heading, 1)
        head.addWidget(self.actions_here.button("edit_spin", "Edit spin"))
        head.addWidget(self.actions_here.button("delete_spin", "Delete spin"))
        row = FlowRow()
        row.add("", self.actions_here.button("spin_on", main=True))
        row.add("", self.actions_here.button("new_bobbin"))
        for action, name in (
            ("edit_bobbin", "Edit bobbin"),
            ("up", "Move bobbin up"),
            ("down", "Move bobbin down"),
            ("delete_bobbin", "Delete bobbin"),
        ):
            row.add("", self.actions_here.button(action, name))
        frame, layout = panel()
        layout.addLayout(head)
        layout.addWidget(self.about_spin)
        layout.addWidget(self.bobbins, 1)
        layout.addWidget(self.about_bobbins)
        layout.addWidget(self.about_bobbin)
        layout.addWidget(row)
        return frame

    def _connect(self) -> None:
        other = Qt.FocusReason.OtherFocusReason
        self.setFocusProxy(self.spins)
        self.search.textChanged.connect(lambda _: self._typing.start())
        self.search.left.connect(lambda: self.spins.setFocus(other))
        self.spins.chosen.connect(self._choose_spin)
        self.spins.entered.connect(lambda: self.bobbins.setFocus(other))
        self.bobbins.chosen.connect(self._choose_bobbin)
        self.bobbins.wanted.connect(self.spin_on)
        work = self._work
        work.said.connect(self.said)
        work.done.connect(self._done)
        work.refused.connect(self.refresh)
        work.spin_on_wanted.connect(self._spin_on)
        self.actions_here.does(
            go_on=work.go_on,
            spin_on=self.spin_on,
            undo=work.undo,
            redo=work.redo,
            deleted=work.show_deleted,
            new_spin=work.new_spin,
            edit_spin=self._with_spin(work.edit_spin),
            delete_spin=self._with_spin(work.delete),
            report=self._with_spin(work.ask_for_report),
            new_bobbin=self._new_bobbin,
            edit_bobbin=self._with_bobbin(work.edit_bobbin),
            delete_bobbin=self._with_bobbin(work.delete),
            up=self._with_bobbin(lambda bobbin: work.move(bobbin, -1)),
            down=self._with_bobbin(lambda bobbin: work.move(bobbin, 1)),
            find=lambda: self.search.setFocus(Qt.FocusReason.ShortcutFocusReason),
        )

    # --- what the window asks of a page

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self._work.theme = theme
        self.spins.set_theme(theme)
        self.bobbins.set_theme(theme)
        self._put(self._shelf)

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Say thickness in this unit from now on."""
        if (unit, wrap_factor) != (self._unit, self._wrap):
            self._unit, self._wrap = unit, wrap_factor
            self._put(self._shelf)

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """Put everything that can be done here into the menu "spins"."""
        self.actions_here.add_to(menus["spins"])

    def stop(self) -> None:
        """End all work and remember how things stood."""
        self._looked_up += 1
        self._typing.stop()
        self._look.stop()
        self._preferences.set_split("spins", self._split.saveState())
        self._work.stop()

    def showEvent(self, event: QShowEvent) -> None:
        """Look the notebook up: readings may have been logged since."""
        super().showEvent(event)
        self.set_unit(self._preferences.unit, self._preferences.wrap_factor)
        self.refresh()
        self._look.start()

    def hideEvent(self, event: QHideEvent) -> None:
        """Nobody sees it: no need to look."""
        super().hideEvent(event)
        self._look.stop()

    # --- from the notebook

    def refresh(self) -> None:
        """Read all that is shown anew."""
        self._looked_up += 1
        number, wanted, words = self._looked_up, self._spin_chosen, self.search.text()

        def put(shelf: Shelf) -> None:
            if number == self._looked_up:
                self._failed_before, self._was_read = False, True
                self._put(shelf)

        self._work.ask(lambda notebook: look_up(notebook, wanted, words), put, self._cannot)

    def _look_elsewhere(self) -> None:
        def answer(changed: bool) -> None:
            if changed or self._failed_before:
                self.refresh()

        self._work.ask(Notebook.changed_elsewhere, answer, self._cannot)

    def _cannot(self, error: NotebookError) -> None:
        """The notebook could not be looked up: what was shown stays, the reason stands above."""
        self._failed_before = self._was_read = True
        self._put(replace(self._shelf, trouble=error))

    # --- shown

    def _put(self, shelf: Shelf) -> None:
        self._shelf = shelf
        spin = shelf.spin
        trouble = shelf.trouble
        self.trouble.setText(f"{trouble.text} {trouble.advice}" if trouble else "")
        self.trouble.setVisible(trouble is not None)
        self.spins.show_rows(shelf.spins, spin.id if spin else "", self._unit, self._wrap)
        empty = _NONE_FOUND if self.search.text().split() else _UNREAD if trouble else _NO_SPIN
        self._empty.say("" if shelf.spins or not self._was_read else empty)
        self.heading.say(spin.name if spin else "")
        self.about_spin.say(spin_words(spin, self._unit, self._wrap) if spin else "")
        now = datetime.now(UTC)
        latest = shelf.latest
        self.bobbins.show_rows(
            shelf.bobbins,
            self._bobbin_chosen or self._preferences.bobbin,
            self._preferences.bobbin,
            self._unit,
            self._wrap,
            now,
        )
        if latest is None:
            self.latest.say("", "No sitting yet")
        else:
            there = f"{one_line(latest.bobbin.name)[:24]} · {one_line(latest.spin.name)[:24]}"
            self.latest.say(
                f"{there}, {when_text(latest.at, now)}",
                f"{latest.bobbin.name} · {latest.spin.name}",
                there,
            )
        self._say_of_bobbins()
        self._choose_bobbin()

    def _say_of_bobbins(self) -> None:
        shelf = self._shelf
        text = ""
        if shelf.left_out:
            text = f"{shelf.left_out} more, which the search leaves out"
        elif shelf.spin is not None and not shelf.bobbins:
            text = _NO_BOBBIN
        self.about_bobbins.say(text)
        self.about_bobbins.setVisible(bool(text))

    def _choose_spin(self, spin_id: str) -> None:
        self._spin_chosen, self._bobbin_chosen = spin_id, ""
        self.refresh()

    def _choose_bobbin(self) -> None:
        row = self.bobbins.row_chosen
        words = ""
        if row is not None:
            self._bobbin_chosen = row.bobbin.id
            spun = row.bobbin.id == self._preferences.bobbin
            words = bobbin_words(row, self._unit, self._wrap, now_spun=spun)
        self.about_bobbin.say(words)
        self.actions_here.follow(self._shelf, row)

    # --- done

    def spin_on(self) -> None:
        """Spin on the bobbin that is chosen."""
        self._with_bobbin(self._work.spin_on)()

    def _with_spin(self, do: Callable[[Spin], None]) -> Callable[[], None]:
        """What does it with the spin that is chosen by then, if one is."""

        def done() -> None:
            if self._shelf.spin is not None:
                do(self._shelf.spin)

        return done

    def _with_bobbin(self, do: Callable[[Bobbin], None]) -> Callable[[], None]:
        """The same with the bobbin."""

        def done() -> None:
            row = self.bobbins.row_chosen
            if row is not None:
                do(row.bobbin)

        return done

    def _spin_on(self, bobbin: Bobbin, spin: Spin) -> None:
        self._spin_chosen, self._bobbin_chosen = spin.id, bobbin.id
        self.bobbin_wanted.emit(bobbin.id)
        band = band_of(spin.aim)
        if band is not None:
            self.band_wanted.emit(band)
        self.refresh()

    def _new_bobbin(self) -> None:
        shelf = self._shelf
        if shelf.spin is not None:
            self._work.new_bobbin(shelf.spin, shelf.bobbin_names)

    def _done(self, thing: Spin | Bobbin | None) -> None:
        """Something was changed: go to it, let others know, and look it up."""
        if isinstance(thing, Spin):
            if self._shelf.spin is None or self._shelf.spin.id != thing.id:
                self._spin_chosen, self._bobbin_chosen = thing.id, ""
                self.search.clear()
        elif thing is not None:
            self._spin_chosen, self._bobbin_chosen = thing.spin_id, thing.id
        self.changed.emit()
        self.refresh()
