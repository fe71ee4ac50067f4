"""The window's pages, one in front: made a piece at a time, beside other work or when wanted."""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator, Iterator, Sequence
from itertools import chain
from typing import Final, Protocol, TypeVar, cast

from PySide6.QtCore import Qt, QTimer, Signal, SignalInstance
from PySide6.QtWidgets import QMenu, QStackedWidget, QWidget

from app.window.later import Loading, laid_out, paint_soon, some_of, soon
from app.window.theme import Theme, sheet_of

_PAUSE_MS: Final = 40
"""Between pieces of pages that nobody waits for."""


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


class PageInPieces(Page, Protocol):
    """A page that is made some milliseconds at a time."""

    def make(self) -> Iterator[None]:
        """Make what is on it, to be run to its end before anything else.

        It stands in the window from the start, so that each part takes on the window's style in a
        step of its own.
        """


Making = Generator[None, None, Page]
"""A page being made in pieces of some milliseconds, between which the window answers."""


APage = TypeVar("APage", bound=PageInPieces)


def whole(page: APage) -> APage:
    """A page made to its end at once."""
    for _ in page.make():
        pass
    return page


class PageStack(QStackedWidget):
    """Makes pages and brings them forward.

    The window opens faster with one page, and stands still for none of the others: a page's modules
    are imported in a thread and its pieces made in events of their own. Pages that nobody asked for
    yet are made so as well, with pauses in between, after `make_all`.
    """

    shown = Signal(str)
    """The page of that name has come to the front."""
    all_made = Signal()
    """There is nothing left to import and to make."""
    _loaded = Signal(str)
    _all_loaded = Signal()

    def __init__(self, furnish: Callable[[Page], None]) -> None:
        """`furnish` gives a page that was made what it has from the window."""
        super().__init__()
        self._furnish = furnish
        self._makers: dict[str, Callable[[], Making]] = {}
        self._modules: dict[str, tuple[str, ...]] = {}
        self._making: dict[str, Iterator[None]] = {}
        self._made: dict[str, Page] = {}
        self._wanted = ""
        """The page that is to be in front, once it is made."""
        self._loadings: list[Loading] = []
        self._closed = False
        self._theme: Theme | None = None
        self._sheet = ""
        self._empty = QWidget()
        self.addWidget(self._empty)
        self._loaded.connect(self._make_on, Qt.ConnectionType.QueuedConnection)
        self._all_loaded.connect(self._make_rest, Qt.ConnectionType.QueuedConnection)

    def add(self, name: str, modules: tuple[str, ...], maker: Callable[[], Making]) -> None:
        """One more page, for which these modules have to be imported."""
        self._makers[name], self._modules[name] = maker, modules

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
            for _ in self._making_on(name):
                pass
            self._show_when_wanted(name)
        return self._made[name]

    def show_page(self, name: str) -> None:
        """Bring the page of that name to the front, once it is made."""
        self._wanted = name
        if name in self._made:
            self._show_when_wanted(name)
        else:
            self.setCurrentWidget(self._empty)
            self._load(self._modules[name], lambda: self._loaded.emit(name))

    def make_all(self) -> None:
        """Make all pages beside other work, so that each opens at once when it is wanted."""
        self._load([*chain(*self._modules.values())], self._all_loaded.emit)

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours: the page in front now, each other in an event of its own.

        A page has the style sheet for itself: the whole window would take it on at once, which
        takes long.
        """
        self._theme, self._sheet = theme, sheet_of(theme)
        front = self.currentWidget()
        pages = sorted(self._made.values(), key=lambda page: cast(QWidget, page) is not front)
        for widget in self._being_made():
            widget.setStyleSheet(self._sheet)
        if pages:
            self._dress(pages, theme, self._sheet)

    def _being_made(self) -> list[QWidget]:
        made = [self._empty, *self._made.values()]
        return [w for w in self.children() if isinstance(w, QWidget) and w not in made]

    def _dress(self, pages: list[Page], theme: Theme, sheet: str) -> None:
        """Give the first of these pages its colours, and the others theirs later."""
        if self._closed or sheet != self._sheet:
            return
        page, *rest = pages
        cast(QWidget, page).setStyleSheet(sheet)
        page.set_theme(theme)
        if rest:
            soon(self, lambda: self._dress(rest, theme, sheet))

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
            self._make_pieces(name)
            soon(self, lambda: self._make_on(name))

    def _make_rest(self) -> None:
        """Make the next pieces of a page that is not made, and what follows some time later."""
        name = next((name for name in self._makers if name not in self._made), None)
        if self._closed:
            return
        if name is None:
            self.all_made.emit()
            return
        self._make_pieces(name)
        QTimer.singleShot(_PAUSE_MS, self, self._make_rest)

    def _make_pieces(self, name: str) -> None:
        some_of(self._making_on(name))

    def _making_on(self, name: str) -> Iterator[None]:
        """What makes the page, from where it stands; it begins when nothing does yet."""
        return self._making.setdefault(name, self._make(name))

    def _make(self, name: str) -> Iterator[None]:
        self._made[name] = yield from self._placed(name)
        del self._making[name]

    def _placed(self, name: str) -> Making:
        page = yield from self._makers[name]()
        widget = cast(QWidget, page)
        if not widget.styleSheet():
            widget.setStyleSheet(self._sheet)
        self.addWidget(widget)
        yield
        sheet = self._sheet
        self._furnish(page)
        if self.isVisible():
            yield
            widget.resize(self.size())
            yield from laid_out(widget)
        if self._theme is not None and self._sheet != sheet:  # they changed meanwhile
            page.set_theme(self._theme)
        return page

    def put(self, page: APage) -> Generator[None, None, APage]:
        """Put a page that is still empty in the window and make what is on it."""
        widget = cast(QWidget, page)
        widget.setParent(self)
        widget.setStyleSheet(self._sheet)
        yield
        yield from page.make()
        return page

    def _show_when_wanted(self, name: str) -> None:
        if self._wanted == name:
            page = cast(QWidget, self._made[name])
            self.setCurrentWidget(page)
            paint_soon(page)
            page.setFocus()
            self.shown.emit(name)
