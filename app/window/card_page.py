"""The card page: print or save a card, choose the printed one in use, check its printer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import (
    QAction,
    QDragEnterEvent,
    QDropEvent,
    QFont,
    QKeySequence,
    QPalette,
)
from PySide6.QtWidgets import (
    QLabel,
    QListWidget,
    QListWidgetItem,
    QMenu,
    QPushButton,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from app.kept_list import KeptListError
from app.printed_cards import FactorsFound, FoundBy, PrintedCard, PrintedCards
from app.window.flow_row import FlowRow
from app.window.lens_panel import LensPanel
from app.window.panel import TallArea, headed_panel
from app.window.print_panel import PrintPanel
from app.window.printer_panel import PictureSource, PrinterPanel, in_words, picture_in
from app.window.theme import Theme
from app.window.tips import tip_of
from measure.card import CardKind
from measure.lens import Lens
from measure.printer_check import PrinterFactors

_FOUND_BY: Final[dict[FoundBy, str]] = {
    "ruler": "with a ruler",
    "picture": "with a bank card",
    "typed": "by factors typed in",
}
_NO_CARD: Final = (
    "No printed card yet. Print one here, or add one you have; until then readings allow 0.2 % for "
    "an unchecked printer."
)


class CardPage(QWidget):
    """Everything about the printed card, and the camera's lens, which it shows (`lens`).

    `path` is where the list of cards is kept; the lenses are kept beside it.
    """

    printed_card_changed = Signal(object)
    """The PrintedCard in use from now on, or None; also when its factors change."""
    picture_wanted = Signal()
    """Wants the running camera's picture by `give_picture`."""
    said = Signal(str)

    def __init__(self, path: Path | None = None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._path = path
        self.cards = PrintedCards(path)
        self.setAcceptDrops(True)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)

    # --- what it is made of

    def make(self) -> Iterator[None]:
        """Make what is on it, in steps."""
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 12, 12, 12)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.setChildrenCollapsible(False)
        layout.addWidget(split, 1)
        yield
        self.printing = PrintPanel()
        self.printing.printed.connect(lambda: self._add_as("printed"))
        self.printing.said.connect(self.said)
        yield
        split.addWidget(self.printing)
        yield
        split.addWidget(self._cards_panel())
        yield
        self.check = PrinterPanel()
        self.check.found.connect(self._keep_factors)
        self.check.picture_wanted.connect(self.picture_wanted)
        yield
        self.lens = LensPanel(
            self._path.with_name("lenses.json") if self._path else None,
            lambda: self.cards.printer(),
        )
        self.check.tabs.addTab(self.lens, "&Lens")
        yield
        checking = self._check_panel()
        yield
        split.addWidget(checking)
        yield
        split.setSizes([2700, 2800, 4500])
        for column, stretch in enumerate((27, 28, 45)):
            split.setStretchFactor(column, stretch)
        self._add_own_actions()
        self._show_cards()
        if self.cards.file.trouble:
            self._words.setText(f"{self.cards.file.trouble} {self._words.text()}")

    def _cards_panel(self) -> QWidget:
        self.list = QListWidget()
        self.list.setAccessibleName("Printed cards")
        self.list.setToolTip("The card chosen here is the one in use; F2 renames it")
        self.list.setWordWrap(True)
        self.list.setEditTriggers(
            QListWidget.EditTrigger.EditKeyPressed | QListWidget.EditTrigger.DoubleClicked
        )
        self.list.currentItemChanged.connect(self._choose)
        self.list.itemChanged.connect(self._renamed)
        self._words = QLabel()
        self._words.setTextFormat(Qt.TextFormat.PlainText)
        self._words.setWordWrap(True)
        self._words.setAccessibleName("What is known of the card in use")
        self._words.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._add = QPushButton("Add &one I have")
        self._add.setToolTip("Add a card of the kind and paper chosen on the left")
        self._add.clicked.connect(self.add_card)
        self._rename = QPushButton("Rena&me")
        self._rename.setToolTip("Give the card in use another name (F2)")
        self._rename.clicked.connect(self._begin_renaming)
        self._forget = QPushButton("Forg&et")
        self._forget.setToolTip("Take the card in use off the list; can be undone")
        self._forget.clicked.connect(self.forget_card)
        self._undo = QPushButton("U&ndo")
        self._undo.setToolTip("Take back the last change to the list (Ctrl+Z)")
        self._undo.clicked.connect(self.undo)
        buttons = FlowRow()
        for button in (self._add, self._rename, self._forget, self._undo):
            buttons.add("", button)
        return headed_panel("Printed cards", self.list, self._words, buttons, stretch=self.list)

    def _check_panel(self) -> QWidget:
        area = TallArea(self.check)
        area.setAccessibleName("Check printer and lens")
        area.viewport().setBackgroundRole(QPalette.ColorRole.Base)
        return headed_panel("Check printer and lens", area, stretch=area)

    def _add_own_actions(self) -> None:
        undo = QAction("Undo", self)
        undo.setShortcut(QKeySequence.StandardKey.Undo)
        undo.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        undo.triggered.connect(self.undo)
        paste = QAction("Paste a picture", self)
        paste.setShortcut(QKeySequence.StandardKey.Paste)
        paste.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        paste.triggered.connect(self.check.paste)
        self.addActions([undo, paste])

    # --- what the window asks of a page

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self.printing.preview.set_theme(theme)
        self.check.set_theme(theme)

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """Put printing and saving into the file menu."""
        menu = menus.get("file")
        if menu is None:
            return
        for text, slot in (
            ("&Print the card…", self.printing.print_card),
            ("Save the card…", self.printing.save_card),
        ):
            action = QAction(text, self)
            if "Print" in text:
                action.setShortcut(QKeySequence.StandardKey.Print)
            action.triggered.connect(slot)
            menu.addAction(action)

    def stop(self) -> None:
        """End all work."""
        self.check.stop()
        self.lens.stop()

    def give_picture(self, source: PictureSource | None, lens: Lens | None = None) -> None:
        """A picture of a bank card on the sheet, to check the printer by; it is not kept.

        `lens` is that of the camera it comes from, where it is known.
        """
        self.check.give_picture(source, lens)

    # --- the list

    def add_card(self) -> None:
        """Add a card of the chosen kind and paper to the list and use it."""
        self._add_as("added")

    def _add_as(self, done: str) -> None:
        title = "Desk card" if self.printing.kind == "desk" else "Pocket card"
        card = self._try(lambda: self.cards.add(title, self.printing.kind, self.printing.paper))
        if isinstance(card, PrintedCard):
            self.said.emit(f"{card.name} {done} and in use. Check its printer before you trust it.")

    def forget_card(self) -> None:
        """Take the card in use off the list."""
        card = self.cards.chosen()
        if card is not None:
            self._try(lambda: self.cards.forget(card.id))
            self.said.emit(f"{card.name} forgotten. Undo brings it back.")

    def undo(self) -> None:
        """Take back the last change to the list."""
        if self.cards.can_undo():
            self._try(self.cards.undo)
            self.check.say("")

    def _begin_renaming(self) -> None:
        item = self.list.currentItem()
        if item is not None:
            self.list.editItem(item)

    def _choose(self, item: QListWidgetItem | None, _before: QListWidgetItem | None) -> None:
        if item is not None:
            card_id = item.data(Qt.ItemDataRole.UserRole)
            chosen = self.cards.chosen()
            if chosen is None or chosen.id != card_id:
                self.check.say("")
                self._try(lambda: self.cards.choose(card_id), rebuild=False)

    def _renamed(self, item: QListWidgetItem) -> None:
        card = self.cards.card(item.data(Qt.ItemDataRole.UserRole))
        if card is not None and item.text() != card.name:
            self._try(lambda: self.cards.rename(card.id, item.text()))

    def _try(self, change: object, rebuild: bool = True) -> object:
        """Make a change to the list, show it and tell of it; say why when it fails."""
        before = self.cards.chosen()
        result = None
        try:
            result = change()  # type: ignore[operator]
        except KeptListError as error:
            self.said.emit(f"{error.text} {error.advice}")
            rebuild = True
        if rebuild:
            self._show_cards()
        else:
            self._show_card_in_use()
        if self.cards.chosen() != before:
            self.printed_card_changed.emit(self.cards.chosen())
        return result

    def _show_cards(self) -> None:
        self.list.blockSignals(True)
        self.list.clear()
        chosen = self.cards.chosen()
        for card in self.cards.cards():
            item = QListWidgetItem(card.name)
            item.setData(Qt.ItemDataRole.UserRole, card.id)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsEditable)
            item.setToolTip(tip_of(_about(card)))
            item.setData(Qt.ItemDataRole.AccessibleDescriptionRole, _about(card))
            self.list.addItem(item)
            if chosen is not None and card.id == chosen.id:
                self.list.setCurrentItem(item)
        self.list.blockSignals(False)
        self._show_card_in_use()

    def _show_card_in_use(self) -> None:
        card = self.cards.chosen()
        bold = QFont(self.list.font())
        bold.setBold(True)
        self.list.blockSignals(True)
        for row in range(self.list.count()):
            item = self.list.item(row)
            used = card is not None and item.data(Qt.ItemDataRole.UserRole) == card.id
            item.setFont(bold if used else self.list.font())
        self.list.blockSignals(False)
        self._words.setText(f"In use: {_about(card)}" if card else _NO_CARD)
        for button in (self._rename, self._forget):
            button.setEnabled(card is not None)
        self._undo.setEnabled(self.cards.can_undo())
        if card is not None:
            self.check.set_card(card.kind, card.paper)
        else:
            self.check.set_card(self.printing.kind, self.printing.paper)

    # --- the printer's factors

    def _keep_factors(self, factors: PrinterFactors, by: FoundBy, kind: CardKind | None) -> None:
        from datetime import UTC, datetime

        card = self.cards.chosen()
        if card is not None and kind is not None and kind != card.kind:
            same = [other for other in self.cards.cards() if other.kind == kind]
            self.check.say(
                f"{in_words(factors)} But the picture shows a {kind} card's sheet and "
                f"{card.name}, a {card.kind} card, is in use: nothing was kept. "
                + (f"Choose {same[-1].name} and check again." if same else "Add that card first."),
                "error",
            )
            return
        if card is None:
            if kind is not None:
                self.printing.set_kind(kind)
            self.add_card()
            card = self.cards.chosen()
        if card is None:
            return
        found = FactorsFound(factors, by, datetime.now(UTC))
        kept = self._try(lambda: self.cards.set_factors(card.id, found))
        if isinstance(kept, PrintedCard):
            self.check.say(f"{in_words(factors)} Kept with {kept.name}; every reading uses it.")

    # --- dropping

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Files and pictures may be dropped."""
        if event.mimeData().hasUrls() or event.mimeData().hasImage():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """A dropped picture is one of a bank card on the sheet."""
        source = picture_in(event.mimeData())
        if source is not None:
            event.acceptProposedAction()
            self.give_picture(source)


def _about(card: PrintedCard) -> str:
    paper = {"a4": "A4", "letter": "US Letter"}[card.paper]
    printed = card.printed_at.astimezone().strftime("%-d %b %Y") if card.printed_at else ""
    head = f"{card.name}, a {card.kind} {card.edition} on {paper}, since {printed}."
    if card.found is None:
        return f"{head} Its printer is not checked: readings allow 0.2 % for it."
    when = card.found.at.astimezone().strftime("%-d %b %Y")
    return f"{head} {in_words(card.found.factors)} Checked {_FOUND_BY[card.found.by]} on {when}."
