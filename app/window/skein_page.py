"""The skeins page: sections round a finished skein, what they say, what it suits, its label."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QHideEvent, QKeySequence, QShowEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QMenu,
    QWidget,
)

from app import UseError
from app.batch import PICTURE_SUFFIXES, PictureResult
from app.bobbin_sources import one_line
from app.notebook.errors import NotebookError
from app.notebook.records import Skein
from app.notebook.store import Notebook
from app.skein import wanted_of
from app.skein_report import facts_of, heading_of, sentences_of
from app.skein_values import with_written
from app.window.desk import Desk
from app.window.gauge_session import Current
from app.window.preferences import Preferences, Unit
from app.window.section_pictures import SectionPictures
from app.window.skein_dialog import SkeinDialog
from app.window.skein_fields import SkeinFields
from app.window.skein_parts import SkeinParts
from app.window.skein_shelf import SkeinShelf, look_up
from app.window.theme import LIGHT, Theme
from app.window.units import inches_here
from measure.results import ScaleSummary, StrandReading
from measure.settings import Settings
from measure.weight_class import chart_named

_NO_SKEIN: Final = (
    "No skein yet. When a yarn is plied and wound, make its skein here and take sections round it."
)
_NO_READING: Final = "The gauge reads no strand now: lay one on the card on the Gauge page first."


class SkeinPage(SkeinParts):
    """Finished skeins. Shown, it looks the notebook up anew."""

    said = Signal(str)
    changed = Signal()
    """Skeins were changed here: plans learn from them."""
    lent = Signal(str)
    """Name of the skein that is to take what the gauge reads; empty: none."""
    section_kept = Signal(float, str)
    """Diameter in mm of a section that the gauge took, and its skein, after it was committed."""

    def __init__(
        self,
        preferences: Preferences,
        desk: Desk,
        *,
        current: Callable[[], Current | None],
        settings: Callable[[], Settings],
        printed_card: Callable[[], str],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(preferences, parent)
        self._preferences = preferences
        self._desk = desk
        self._current = current
        self._settings = settings
        self._printed_card = printed_card
        self._theme = LIGHT
        self._chosen = ""
        self._looked_up = 0
        self._shelf = SkeinShelf((), (), None)
        self._to = ("", True, None, None)  # type: tuple[str, bool, Any, Any]
        self._lent_to = ""
        self._pictures = SectionPictures(self)
        self._pictures.measured.connect(self._take_picture)
        self._pictures.finished.connect(self._end_pictures)

    # --- what it is made of

    def make(self) -> Iterator[None]:
        """Make what is on it, in steps."""
        yield from self.make_parts()
        yield
        self._connect()

    def _connect(self) -> None:
        self.skeins.activated.connect(self._choose)
        self.new.clicked.connect(self._new)
        self.delete.clicked.connect(self._delete)
        self.undo.clicked.connect(lambda: self._turn(Notebook.undo, "Undid"))
        self.redo.clicked.connect(lambda: self._turn(Notebook.redo, "Did again"))
        self.sections.gauge_wanted.connect(self._take_from_gauge)
        self.sections.lend.toggled.connect(self._lend)
        self.sections.pictures_wanted.connect(self._ask_for_pictures)
        self.sections.cancelled.connect(self._pictures.cancel)
        self.sections.taken_back.connect(
            lambda id_: self._do(lambda n: n.take_back_section(id_), "Took the section back.")
        )
        for fields in (self.amounts, self.finish, self.label.fields):
            fields.wrote.connect(self._writer(fields))
        self.label.said.connect(self.said)

    # --- what the window asks of a page

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self._theme = theme
        self.plot.set_theme(theme)
        self.label.set_theme(theme)

    def set_unit(self, unit: Unit, wrap_factor: float) -> None:
        """Wraps are told with this factor from now on."""
        if self.isVisible():
            self.refresh()

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """What can be done on this page, with its keys."""
        for text, key, slot in (
            ("Take a section from the &gauge", "Ctrl+Return", self._take_from_gauge),
            ("Take sections from &pictures…", "Ctrl+Shift+O", self._ask_for_pictures),
        ):
            action = QAction(text, self)
            action.setShortcut(QKeySequence(key))
            action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
            action.triggered.connect(slot)
            self.addAction(action)
            menus["spins"].addAction(action)

    def stop(self) -> None:
        """End all work."""
        self._looked_up += 1
        self._pictures.stop()

    def showEvent(self, event: QShowEvent) -> None:
        """Look the notebook up: bobbins may have been read since."""
        super().showEvent(event)
        self.refresh()

    def hideEvent(self, event: QHideEvent) -> None:
        """Remember how the page was divided."""
        super().hideEvent(event)
        self._preferences.set_split("skeins", self.split.saveState())

    # --- from the notebook

    def refresh(self) -> None:
        """Read the skeins anew and work the chosen one out."""
        wanted, chart, wrap = self._chosen, self._preferences.chart, self._preferences.wrap_factor
        self._looked_up += 1
        number = self._looked_up

        def put(shelf: SkeinShelf) -> None:
            if number == self._looked_up:
                self._show(shelf)
                for button, word, text in (
                    (self.undo, "Undo", shelf.undo), (self.redo, "Redo", shelf.redo)
                ):  # fmt: skip
                    button.setEnabled(text is not None)
                    button.setToolTip(
                        f"{word} {one_line(text)}" if text else f"Nothing to {word.lower()}"
                    )

        self._desk.ask(lambda notebook: look_up(notebook, wanted, chart, wrap), put)

    def _show(self, shelf: SkeinShelf) -> None:
        self._shelf = shelf
        looked = shelf.looked
        self._chosen = looked.skein.id if looked else ""
        self.skeins.clear()
        for spin, skein in shelf.skeins:
            self.skeins.addItem(f"{one_line(skein.name)} ({one_line(spin.name)})", skein.id)
        self.skeins.setCurrentIndex(self.skeins.findData(self._chosen))
        self.skeins.setEnabled(bool(shelf.skeins))
        self.new.setEnabled(bool(shelf.spins))
        self.delete.setEnabled(looked is not None)
        if self._chosen != self._lent_to:
            self.sections.lend.setChecked(False)
        self.sections.show_skein(looked)
        self.plot.show_skein(looked)
        for fields in (self.amounts, self.finish):
            fields.setEnabled(looked is not None)
            if looked is not None:
                fields.show_skein(looked.skein)
        units = "inch" if inches_here() else "mm"
        self.label.show_skein(looked, units)
        if looked is None:
            self.words.say("", (), (shelf.trouble or _NO_SKEIN,), ())
            return
        suit = looked.suit.sentences if looked.suit else (looked.why_no_suit,)
        self.words.say(heading_of(looked), facts_of(looked, units), suit, sentences_of(looked))

    def _choose(self) -> None:
        self._chosen = self.skeins.currentData() or ""
        self.refresh()

    # --- changes

    def _do(
        self,
        work: Callable[[Notebook], Any],
        done: str = "",
        refused: Callable[[NotebookError], None] | None = None,
        then: Callable[[], None] | None = None,
    ) -> None:
        """Ask the notebook for a change, then show what came of it."""

        def passed(_: object) -> None:
            if done:
                self.said.emit(done)
            if then is not None:
                then()
            self.changed.emit()
            self.refresh()

        self._desk.ask(work, passed, refused)

    def _writer(self, fields: SkeinFields) -> Callable[[dict[str, Any]], None]:
        def write(said: dict[str, Any]) -> None:
            looked = self._shelf.looked
            if looked is None:
                return
            try:
                changed = with_written(looked.skein, said)
                chart = chart_named(changed.wanted.wanted_chart or self._preferences.chart)
                wanted_of(changed, looked.spin, chart)
            except UseError as error:
                text = str(error)
                fields.refuse(f"{text[:1].upper()}{text[1:]}")
                return

            def work(notebook: Notebook) -> Skein:
                # The fields of another window may have been written since: only these change.
                return notebook.update_skein(with_written(notebook.skein(changed.id), said))

            self._do(work, refused=lambda error: fields.refuse(f"{error.text} {error.advice}"))

        return write

    def _new(self) -> None:
        taken = [one_line(skein.name) for _, skein in self._shelf.skeins]
        latest = self._shelf.looked.spin.id if self._shelf.looked else ""
        dialog = SkeinDialog(self, self._shelf.spins, latest, taken)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)

        def make() -> None:
            filled = dialog.filled_in()

            def work(notebook: Notebook) -> Skein:
                skein = notebook.add_skein(
                    filled.spin_id, filled.name, filled.bobbin_ids, method=filled.method
                )
                if filled.plies is not None:
                    skein = notebook.update_skein(replace(skein, plies=filled.plies))
                return skein

            def made(skein: Skein) -> None:
                self._chosen = skein.id
                self.changed.emit()
                self.refresh()

            self._desk.ask(work, made)

        dialog.accepted.connect(make)
        dialog.open()

    def _delete(self) -> None:
        looked = self._shelf.looked
        if looked is not None:
            skein, name = looked.skein, one_line(looked.skein.name)
            self._do(
                lambda notebook: notebook.delete(skein), f"Deleted {name}; Undo brings it back."
            )

    def _turn(self, how: Callable[[Notebook], str | None], word: str) -> None:
        def passed(text: str | None) -> None:
            if text:
                self.said.emit(f"{word}: {one_line(text)}.")
            self.changed.emit()
            self.refresh()

        self._desk.ask(how, passed)

    # --- sections

    def _take_from_gauge(self) -> None:
        looked = self._shelf.looked
        if looked is None:
            self.said.emit(_NO_SKEIN)
            return
        current = self._current()
        if current is None:
            self.said.emit(_NO_READING)
            return
        to = (looked.skein.id, self.sections.washed, *self.sections.place)
        self._keep(to, ((current.strand, current.scale),), current.source, "")

    def _lend(self, on: bool) -> None:
        looked = self._shelf.looked
        self._lent_to = looked.skein.id if on and looked else ""
        self.lent.emit(one_line(looked.skein.name) if on and looked else "")

    def show_lent(self, name: str) -> None:
        """Which skein takes what the gauge reads; empty: it is logged on the bobbin again."""
        self.sections.lend.setChecked(bool(name))

    def take_section(self, current: Current) -> None:
        """Keep what the gauge took as a section of the skein that it was lent to."""
        looked = self._shelf.looked
        if looked is None or looked.skein.id != self._lent_to:
            return
        name = one_line(looked.skein.name)
        to = (looked.skein.id, self.sections.washed, *self.sections.place)
        self._keep(
            to,
            ((current.strand, current.scale),),
            current.source,
            "",
            lambda: self.section_kept.emit(current.strand.diameter_mm, name),
        )

    def _ask_for_pictures(self) -> None:
        if self._shelf.looked is None:
            self.said.emit(_NO_SKEIN)
            return
        endings = " ".join(f"*{suffix}" for suffix in PICTURE_SUFFIXES)
        files, _ = QFileDialog.getOpenFileNames(
            self, "Pictures of the skein", "", f"Pictures ({endings});;All files (*)"
        )
        if files:
            self.take_pictures([Path(file) for file in files])

    def take_pictures(self, pictures: list[Path]) -> None:
        """Measure these; each strand read becomes a section of the skein shown now."""
        looked = self._shelf.looked
        if looked is None or not pictures:
            return
        place = self.sections.place if len(pictures) == 1 else (None, None)
        self._to = (looked.skein.id, self.sections.washed, *place)
        self.sections.show_progress(0, len(pictures))
        self._pictures.start(pictures, self._settings())

    def _take_picture(self, result: PictureResult, done: int, of: int) -> None:
        self.sections.show_progress(done, of)
        if result.error is not None:
            self.said.emit(f"{result.picture.name}: {result.error.text} {result.error.advice}")
            return
        reading = result.reading
        if reading is None or not reading.read:
            refusal = reading.refusals[0] if reading is not None and reading.refusals else None
            why = f"{refusal.text} {refusal.advice}" if refusal else "no strand was read."
            self.said.emit(f"{result.picture.name}: {why}")
            return
        taken = tuple((strand, reading.scale) for strand in reading.strands)
        self._keep(self._to, taken, str(result.picture), f" from {result.picture.name}")

    def _end_pictures(self, whole: bool) -> None:
        self.sections.show_progress(0, 0)
        if not whole:
            self.said.emit("Stopped; what was measured before is kept.")

    def _keep(
        self,
        to: tuple[str, bool, Any, Any],
        taken: tuple[tuple[StrandReading, ScaleSummary | None], ...],
        source: str,
        words: str,
        kept: Callable[[], None] | None = None,
    ) -> None:
        skein, washed, layer, hour = to
        now, card = datetime.now(UTC), self._printed_card()

        def work(notebook: Notebook) -> None:
            for strand, scale in taken:
                notebook.add_section(
                    skein, strand, taken_at=now, washed=washed, layer=layer, hour=hour,
                    printed_card=card, source=source, scale=scale,
                )  # fmt: skip

        many = "a section" if len(taken) == 1 else f"{len(taken)} sections"
        self._do(work, f"Kept {many}{words}.", then=kept)
