"""Everything that can be done on the spins page: its actions, their keys, when they can be done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMenu, QPushButton, QWidget

from app.bobbin_sources import one_line
from app.window.spin_shelf import BobbinRow, Shelf
from app.window.tips import label_of, tip_of

_GAP: Final = ""
_OWN: Final = {"edit_spin": "spins", "delete_spin": "spins"} | {
    "edit_bobbin": "bobbins",
    "delete_bobbin": "bobbins",
}
"""The two lists have the same keys for their own."""

_ACTIONS: Final = (
    ("go_on", "&Go on where I stopped", "", "Ctrl+G", "Spin on the bobbin of the last sitting"),
    (
        "spin_on",
        "&Spin on this bobbin",
        "",
        "Ctrl+Return",
        "Log readings under this bobbin from now on; in the list, Enter does it too",
    ),
    (_GAP, "", "", "", ""),
    ("undo", "&Undo", "", "Ctrl+Z", ""),
    ("redo", "&Redo", "", "Ctrl+Shift+Z", ""),
    (
        "deleted",
        "&Deleted spins and bobbins…",
        "Deleted…",
        "Ctrl+Shift+D",
        "What was deleted, to bring it back",
    ),
    (_GAP, "", "", "", ""),
    ("new_spin", "&New spin…", "", "Ctrl+N", "Make a spin"),
    ("edit_spin", "&Edit spin…", "Edit…", "F2", "Name, fibre, aim and note of this spin"),
    ("delete_spin", "Delete s&pin…", "Delete…", "Del", "Put this spin away, with all in it"),
    (
        "report",
        "Sa&ve report…",
        "Report…",
        "Ctrl+Shift+R",
        "Write the report of this spin, as PDF or HTML",
    ),
    (_GAP, "", "", "", ""),
    ("new_bobbin", "New &bobbin…", "", "Ctrl+Shift+N", "Make a bobbin of this spin"),
    ("edit_bobbin", "Edit b&obbin…", "Edit…", "F2", "Name, weights and note of this bobbin"),
    ("up", "Move bobbin up (&1)", "Up", "Alt+Up", "One place up"),
    ("down", "Move bobbin down (&2)", "Down", "Alt+Down", "One place down"),
    (
        "delete_bobbin",
        "Delete bobb&in…",
        "Delete…",
        "Del",
        "Put this bobbin away, with its readings",
    ),
    (_GAP, "", "", "", ""),
    ("find", "&Find…", "", "Ctrl+Shift+F", "Find spins and bobbins by their words"),
)
"""Name, text, text on a button when that is shorter, key, tooltip."""


class SpinActions:
    """The actions by name, those of a list on that list, the others on the page."""

    def __init__(self, page: QWidget, lists: dict[str, QWidget]) -> None:
        self._by_name: dict[str, QAction] = {}
        for name, text, button, key, tip in _ACTIONS:
            if name == _GAP:
                continue
            action = QAction(text, page)
            action.setIconText(button or text.replace("&", ""))
            action.setShortcut(QKeySequence(key))
            action.setToolTip(f"{tip} ({_key_of(action)})")
            if name in _OWN:
                action.setShortcutContext(Qt.ShortcutContext.WidgetShortcut)
                lists[_OWN[name]].addAction(action)
            else:
                action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
                page.addAction(action)
            self._by_name[name] = action

    def does(self, **slots: Callable[[], Any]) -> None:
        """What each of these actions does."""
        for name, slot in slots.items():
            self._by_name[name].triggered.connect(lambda _=False, s=slot: s())

    def add_to(self, menu: QMenu) -> None:
        """Put them all into a menu."""
        for name, *_ in _ACTIONS:
            if name == _GAP:
                menu.addSeparator()
            else:
                menu.addAction(self._by_name[name])

    def button(self, name: str, spoken: str = "", *, main: bool = False) -> QPushButton:
        """A button that does what an action does, and can when it can."""
        action = self._by_name[name]
        button = QPushButton(action.iconText())
        button.setAccessibleName(spoken or action.iconText().removesuffix("…"))
        button.clicked.connect(lambda: action.trigger())

        def follow() -> None:
            if main and button.property("main") != action.isEnabled():
                button.setProperty("main", action.isEnabled())
                button.style().unpolish(button)
                button.style().polish(button)
            button.setEnabled(action.isEnabled())
            button.setToolTip(action.toolTip())

        action.changed.connect(follow)
        follow()
        return button

    def follow(self, shelf: Shelf, row: BobbinRow | None) -> None:
        """Let those be done that can be done now."""
        can = shelf.trouble is None or shelf.trouble.code != "newer_notebook"
        for name, word, text in (
            ("undo", "Undo", shelf.undo_text),
            ("redo", "Redo", shelf.redo_text),
        ):
            action = self._by_name[name]
            action.setText(f"&{word} {label_of(one_line(text))}" if text else f"&{word}")
            action.setIconText(word)
            what = f"{word} {one_line(text)}" if text else f"Nothing to {word.lower()}"
            action.setToolTip(tip_of(f"{what} ({_key_of(action)})"))
            action.setEnabled(can and text is not None)
        at = shelf.bobbins.index(row) if row is not None else -1
        in_order = can and row is not None and not shelf.left_out
        for name, on in (
            ("go_on", shelf.latest is not None),
            ("spin_on", row is not None),
            ("new_spin", can),
            ("deleted", can),
            ("edit_spin", can and shelf.spin is not None),
            ("delete_spin", can and shelf.spin is not None),
            ("report", shelf.spin is not None),
            ("new_bobbin", can and shelf.spin is not None),
            ("edit_bobbin", can and row is not None),
            ("delete_bobbin", can and row is not None),
            ("up", in_order and at > 0),
            ("down", in_order and at + 1 < len(shelf.bobbins)),
        ):
            self._by_name[name].setEnabled(on)


def _key_of(action: QAction) -> str:
    return action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
