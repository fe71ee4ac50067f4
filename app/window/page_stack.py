"""The window's pages, one in front: made when first wanted, a piece at a time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator, Sequence
from typing import Protocol, cast

from PySide6.QtCore import Qt, Signal, SignalInstance
from PySide6.QtWidgets import QMenu, QStackedWidget, QWidget

from app.window.later import Loading, soon
from app.window.theme import Theme


class Page(Protocol):
    """What the window asks of a page."""

    @property
    def said(self) -> SignalInstance:
        """Sentences for the person."""

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """Put the page's actions into the window's menus, by menu name."""

    def stop(self) -> None:
        """End all work; called once, before the window goes."""


Making = Generator[None, None, Page]
"""A page being made in pieces of some milliseconds, between which the window answers."""


class PageStack(QStackedWidget):
    """Makes pages and brings them forward.

    The window opens faster with one page, and stands still for none of the others: a page's modules
    are imported in a thread and its pieces made in events of their own.
    """

    shown = Signal(str)
    """The page of that name has come to the front."""
    _loaded = Signal(str)

    def __init__(self, furnish: Callable[[Page], None]) -> None:
        """`furnish` gives a page that was made what it has from the window."""
        super().__init__()
        self._furnish = furnish
        self._makers: dict[str, Callable[[], Making]] = {}
        self._modules: dict[str, str] = {}
        self._making: dict[str, Making] = {}
        self._made: dict[str, Page] = {}
        self._wanted = ""
        """The page that is to be in front, once it is made."""
        self._loadings: list[Loading] = []
        self._closed = False
        self._empty = QWidget()
        self.addWidget(self._empty)
        self._loaded.connect(self._make_on, Qt.ConnectionType.QueuedConnection)

    def add(self, name: str, module: str, maker: Callable[[], Making]) -> None:
        """One more page, for which `module` has to be imported."""
        self._makers[name], self._modules[name] = maker, module

    @property
    def names(self) -> tuple[str, ...]:
        """Of all pages, in the order they were added."""
        return tuple(self._makers)

    @property
    def made(self) -> tuple[Page, ...]:
        """The pages that are made."""
        return tuple(self._made.values())

    def page(self, name: str) -> Page:
        """The page of that name, made to its end when it is not made yet."""
        if name not in self._made:
            while name not in self._made:
                self._make_piece(name)
            self._show_when_wanted(name)
        return self._made[name]

    def show_page(self, name: str) -> None:
        """Bring the page of that name to the front, once it is made."""
        self._wanted = name
        if name in self._made:
            self._show_when_wanted(name)
        else:
            self.setCurrentWidget(self._empty)
            self._load((self._modules[name],), lambda: self._loaded.emit(name))

    def load_all(self) -> None:
        """Import what pages need, so that each opens at once when it is wanted."""
        self._load(tuple(self._modules.values()), lambda: None)

    def stop(self) -> None:
        """End all work, that of the pages as well."""
        self._closed = True
        for loading in self._loadings:
            loading.stop()
        for name in tuple(self._making):
            self.page(name)  # to be stopped as any other
        for page in self._made.values():
            page.stop()

    def _load(self, modules: Sequence[str], done: Callable[[], None]) -> None:
        if all(name in sys.modules for name in modules):
            done()
        else:
            self._loadings.append(Loading(modules, done))

    def _make_on(self, name: str) -> None:
        """Make the page's next piece, and what follows in an event of its own."""
        if self._closed:
            return
        if name in self._made:
            self._show_when_wanted(name)
        else:
            self._make_piece(name)
            soon(self, lambda: self._make_on(name))

    def _make_piece(self, name: str) -> None:
        making = self._making.setdefault(name, self._placed(name))
        try:
            next(making)
        except StopIteration as end:
            self._made[name] = end.value
            del self._making[name]

    def _placed(self, name: str) -> Making:
        page = yield from self._makers[name]()
        yield
        self.addWidget(cast(QWidget, page))
        yield
        self._furnish(page)
        return page

    def _show_when_wanted(self, name: str) -> None:
        if self._wanted == name:
            page = cast(QWidget, self._made[name])
            self.setCurrentWidget(page)
            page.setFocus()
            self.shown.emit(name)
