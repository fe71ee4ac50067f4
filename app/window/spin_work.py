"""What is done to spins and bobbins: asked of the person, then of the notebook, then said."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtWidgets import QDialog, QFileDialog, QMessageBox, QWidget

from app import UseError
from app.bobbin_sources import one_line
from app.notebook.errors import NotebookError
from app.notebook.records import Aim, Bobbin, Spin
from app.notebook.store import Notebook
from app.notebook.things import quoted
from app.window.desk import Desk
from app.window.preferences import Preferences
from app.window.spin_deleted import DeletedDialog, Gone, gone_line, question_of
from app.window.spin_dialogs import BobbinDialog, SpinDialog
from app.window.spin_shelf import latest_of, when_text
from app.window.theme import LIGHT

T = TypeVar("T")


class SpinWork(QObject):
    """Changes spins and bobbins, in dialogs over a page; the notebook does it on its own thread."""

    said = Signal(str)
    done = Signal(object)
    """Something was changed; the Spin or Bobbin to be shown now, or None."""
    refused = Signal()
    """Something could not be changed, and how it stands should be looked up."""
    spin_on_wanted = Signal(object, object)
    """The Bobbin to spin on, and its Spin."""

    def __init__(self, preferences: Preferences, desk: Desk, page: QWidget) -> None:
        super().__init__(page)
        self._preferences = preferences
        self._desk = desk
        self._page = page
        self._stopped = False
        self.theme = LIGHT
        """Colours of dialogs to come."""
        self.dialog: QDialog | None = None
        """The one that is shown now."""

    def stop(self) -> None:
        """Close what is shown and forget all answers to come."""
        self._stopped = True
        if self.dialog is not None:
            self.dialog.reject()

    def ask(
        self,
        question: Callable[[Notebook], T],
        answer: Callable[[T], None],
        failed: Callable[[NotebookError], None] | None = None,
    ) -> None:
        """Ask the desk, and forget the answer once the page has stopped."""

        def passed(given: T) -> None:
            if not self._stopped:
                answer(given)

        def refused(error: NotebookError) -> None:
            if not self._stopped:
                (failed or self._refuse)(error)

        self._desk.ask(question, passed, refused)

    def _refuse(self, error: NotebookError) -> None:
        self.said.emit(f"{error.text} {error.advice}")
        self.refused.emit()

    def _done(self, text: str, thing: Spin | Bobbin | None = None) -> None:
        self.said.emit(text)
        self.done.emit(thing)

    # --- gone on with, ordered, undone

    def spin_on(self, bobbin: Bobbin) -> None:
        """Spin on this bobbin, if it is still there."""
        self.ask(lambda n: _to_spin_on(n, n.bobbin(bobbin.id)), self._want)

    def go_on(self) -> None:
        """Spin on the bobbin of the last sitting."""
        self.ask(
            lambda n: None if (found := latest_of(n)) is None else _to_spin_on(n, found.bobbin),
            self._want,
        )

    def _want(self, found: tuple[Bobbin, Spin] | None) -> None:
        if found is None:
            self.said.emit("That bobbin is not there any more: choose another.")
            self.refused.emit()
            return
        bobbin, spin = found
        self.said.emit(f"Spinning on {quoted(bobbin.name)} of {quoted(spin.name)}.")
        self.spin_on_wanted.emit(bobbin, spin)

    def move(self, bobbin: Bobbin, by: int) -> None:
        """Move a bobbin so many places down; up when less than 0."""
        text = f"Moved {quoted(bobbin.name)} {'up' if by < 0 else 'down'}."
        self.ask(lambda n: n.move_bobbin(bobbin.id, by), lambda _: self._done(text, bobbin))

    def undo(self) -> None:
        """Undo the last change made through this window."""
        self.ask(Notebook.undo, lambda text: self._turned("Undone", text))

    def redo(self) -> None:
        """Do again what was undone last."""
        self.ask(Notebook.redo, lambda text: self._turned("Done again", text))

    def _turned(self, word: str, text: str | None) -> None:
        if text is not None:
            self._done(f"{word}: {text}.")

    # --- written down

    def new_spin(self) -> None:
        """Ask for a new spin."""

        def work(notebook: Notebook, changes: dict[str, Any]) -> Spin:
            return notebook.add_spin(**changes | {"aim": Aim(**changes.get("aim", {}))})

        dialog = SpinDialog(None, self._preferences, self.theme, self._page)
        self._open_form(dialog, work, lambda spin: f"Made the spin {quoted(spin.name)}.")

    def edit_spin(self, spin: Spin) -> None:
        """Ask what is to be changed about a spin."""

        def work(notebook: Notebook, changes: dict[str, Any]) -> Spin:
            now = notebook.spin(spin.id)
            aim = replace(now.aim, **changes.get("aim", {}))
            return notebook.update_spin(replace(now, **changes | {"aim": aim}))

        dialog = SpinDialog(spin, self._preferences, self.theme, self._page)
        self._open_form(dialog, work, lambda after: f"Changed the spin {quoted(after.name)}.")

    def new_bobbin(self, spin: Spin, taken: Collection[str]) -> None:
        """Ask for a new bobbin of a spin whose bobbins have these names."""
        numbers = range(len(taken) + 1, 2 * len(taken) + 2)
        name = next(f"B{number}" for number in numbers if f"B{number}" not in taken)

        def work(notebook: Notebook, changes: dict[str, Any]) -> Bobbin:
            return notebook.add_bobbin(spin.id, **{"name": name} | changes)

        dialog = BobbinDialog(None, name, self._page)
        self._open_form(dialog, work, lambda bobbin: f"Made the bobbin {quoted(bobbin.name)}.")

    def edit_bobbin(self, bobbin: Bobbin) -> None:
        """Ask what is to be changed about a bobbin."""

        def work(notebook: Notebook, changes: dict[str, Any]) -> Bobbin:
            return notebook.update_bobbin(replace(notebook.bobbin(bobbin.id), **changes))

        dialog = BobbinDialog(bobbin, "", self._page)
        self._open_form(dialog, work, lambda after: f"Changed the bobbin {quoted(after.name)}.")

    def _open_form(
        self,
        dialog: SpinDialog | BobbinDialog,
        work: Callable[[Notebook, dict[str, Any]], Spin | Bobbin],
        words: Callable[[Any], str],
    ) -> None:
        """Show a form; what it wants is written before it closes, or it says why not."""

        def written(thing: Spin | Bobbin) -> None:
            if self.dialog is dialog:
                dialog.accept()
            self._done(words(thing), thing)

        def refused(error: NotebookError) -> None:
            if self.dialog is dialog:
                dialog.refuse(error)
                self.refused.emit()
            else:
                self._refuse(error)

        def wanted(changes: dict[str, Any]) -> None:
            self.ask(lambda notebook: work(notebook, changes), written, refused)

        dialog.wanted.connect(wanted)
        dialog.fit()
        self._open(dialog)

    def _open(self, dialog: QDialog) -> None:
        """Show a dialog over the window; the window goes on meanwhile."""

        def finished() -> None:
            if self.dialog is dialog:
                self.dialog = None
            dialog.deleteLater()

        dialog.finished.connect(finished)
        self.dialog = dialog
        dialog.open()

    # --- reported

    def ask_for_report(self, spin: Spin) -> None:
        """Ask where the report of a spin goes and write it."""
        name, kind = QFileDialog.getSaveFileName(
            self._page,
            "Save the report",
            f"report-{_stem(spin.name)}.pdf",
            "PDF (*.pdf);;Web page (*.html)",
        )
        if name:
            file = Path(name)
            if not file.suffix:
                file = file.with_suffix(".html" if "html" in kind else ".pdf")
            self.save_report(spin, file)

    def save_report(self, spin: Spin, file: Path) -> None:
        """Write the report of a spin into a file; what came of it is said."""
        wrap = self._preferences.wrap_factor
        self.said.emit(f"Writing the report of {quoted(spin.name)}…")

        def work(notebook: Notebook) -> str:
            # Here, in the notebook's thread, and drawn there too: pages need no window.
            from app.spin_report import find_out
            from app.spin_report_files import write_report

            try:
                found = find_out(notebook, notebook.spin(spin.id), wrap_factor=wrap)
                write_report(found, file)
            except UseError as error:
                return str(error)
            return f"Saved {file}."

        self.ask(work, self.said.emit)

    # --- put away and brought back

    def delete(self, thing: Spin | Bobbin) -> None:
        """Ask whether it is to be put away with what goes along; then do it."""
        kind = "spin" if isinstance(thing, Spin) else "bobbin"
        spun = self._preferences.bobbin

        def question(along: str) -> None:
            box = QMessageBox(self._page)
            box.setWindowTitle(f"Delete {kind}")
            box.setTextFormat(Qt.TextFormat.PlainText)
            if thing.id == spun:
                along = f"It is the bobbin being spun now. {along}"
            box.setText(question_of(f"Delete the {kind} {quoted(thing.name)}?", along))
            box.setIcon(QMessageBox.Icon.Question)
            delete = box.addButton("Delete", QMessageBox.ButtonRole.AcceptRole)
            box.addButton(QMessageBox.StandardButton.Cancel)
            box.setDefaultButton(delete)
            box.accepted.connect(lambda: self._delete(thing))
            self._open(box)

        self.ask(lambda notebook: notebook.what_goes_along(thing.id), question)

    def _delete(self, thing: Spin | Bobbin) -> None:
        name = quoted(thing.name)
        self.ask(
            lambda notebook: notebook.delete(thing),
            lambda along: self._done(f"Deleted {name}. {along} Undo brings it back."),
        )

    def show_deleted(self) -> None:
        """Show what was deleted, to bring it back."""

        def show(gone: list[Gone]) -> None:
            dialog = DeletedDialog(gone, self._page)
            dialog.wanted.connect(lambda thing: self._bring_back(dialog, thing))
            self._open(dialog)

        self.ask(_what_is_gone, show)

    def _bring_back(self, dialog: DeletedDialog, thing: Spin | Bobbin) -> None:
        def work(notebook: Notebook) -> list[Gone]:
            notebook.bring_back(thing)
            return _what_is_gone(notebook)

        def back(gone: list[Gone]) -> None:
            if self.dialog is dialog:
                dialog.show_gone(gone)
            self._done(f"{quoted(thing.name)} is back.", thing)

        def refused(error: NotebookError) -> None:
            if self.dialog is dialog:
                dialog.say(f"{error.text} {error.advice}")
            self._refuse(error)

        self.ask(work, back, refused)


def _stem(name: str) -> str:
    """A file name that every system takes."""
    kept = "".join(c for c in one_line(name) if c.isalnum() or c in " -_").strip()
    return kept or "spin"


def _to_spin_on(notebook: Notebook, bobbin: Bobbin) -> tuple[Bobbin, Spin] | None:
    """The bobbin with its spin; None when one of them was deleted."""
    spin = notebook.spin(bobbin.spin_id)
    return None if bobbin.deleted_at or spin.deleted_at else (bobbin, spin)


def _what_is_gone(notebook: Notebook) -> list[Gone]:
    """Deleted spins, and deleted bobbins of spins that are not; the last deleted first."""
    gone: list[tuple[Spin | Bobbin, Spin | None]] = [
        (spin, None) for spin in notebook.spins(deleted=True)
    ]
    for spin in notebook.spins():
        gone += [(bobbin, spin) for bobbin in notebook.bobbins(spin.id, deleted=True)]
    now = datetime.now(UTC)
    gone.sort(key=lambda pair: pair[0].deleted_at or now, reverse=True)
    return [
        Gone(
            thing,
            gone_line(thing, of, lambda at: when_text(at, now)),
            notebook.what_goes_along(thing.id),
        )
        for thing, of in gone
    ]
