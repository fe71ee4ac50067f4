"""The main window: its pages, its menus, and what they share."""

from __future__ import annotations

from pathlib import Path
from typing import Final, cast

from PySide6.QtCore import QSize, Qt, QTimer
from PySide6.QtGui import QAction, QActionGroup, QCloseEvent, QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMenu,
    QMessageBox,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from app import program_version
from app.notebook.errors import NotebookError
from app.window.desk import Desk
from app.window.gauge_page import GaugePage
from app.window.page_stack import Making, Page, PageStack
from app.window.preferences import Preferences
from app.window.source_chooser import AT_THE_WHEEL
from app.window.theme import LIGHT, Theme, palette_of, sheet_of
from app.window.tips import keys_table, tip_of, words_of

_SMALLEST: Final = QSize(1024, 700)
_FIRST_SIZE: Final = QSize(1280, 820)
_SAID_MS: Final = 9000
_PLAIN_KEYS: Final = (
    ("+, -", "Larger, smaller"),
    ("0", "All of it"),
    ("Arrow keys", "Move a picture; from reading to reading in the chart"),
    ("Enter", "Show the reading chosen in the chart"),
)
_COPY_LOOK_MS: Final = 60_000
"""How often it is looked whether the notebook's daily copy is due."""

CAUTIONS: Final = (
    AT_THE_WHEEL,
    "Keep a bank card's number side down when you check the printer; that picture is never saved.",
    "Readings describe what was seen, not what a pattern guarantees: knit a swatch.",
)


class MainWindow(QMainWindow):
    """All of Slubwise that is not a command."""

    def __init__(
        self,
        preferences: Preferences,
        *,
        source: str | None = None,
        notebook: Path | None = None,
    ) -> None:
        super().__init__()
        self.setWindowTitle("Slubwise")
        self.setMinimumSize(_SMALLEST)
        self.preferences = preferences
        self.desk = Desk(notebook, self)
        self.desk.failed.connect(self._say_error)
        self.desk.upkeep.connect(
            lambda share: self.say(f"Bringing the notebook up to date: {100 * share:.0f} %.")
        )
        self.desk.copy_failed.connect(self._say_no_copy)
        self._copies = QTimer(self)
        self._copies.setInterval(_COPY_LOOK_MS)
        self._copies.timeout.connect(self.desk.keep_daily_copy)
        self._copies.start()
        self._theme = LIGHT
        self._buttons: dict[str, QToolButton] = {}
        self._menus = {
            name: self.menuBar().addMenu(title)
            for name, title in (
                ("file", "&File"),
                ("gauge", "&Gauge"),
                ("spins", "&Spins"),
                ("view", "&View"),
                ("help", "&Help"),
            )
        }
        self._page_actions = QActionGroup(self)
        self.pages = PageStack(self._furnish)
        self.pages.shown.connect(self._page_shown)
        self._rail = self._build_rail()
        body = QWidget()
        layout = QHBoxLayout(body)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._rail)
        layout.addWidget(self.pages, 1)
        self.setCentralWidget(body)
        self._said = QLabel()
        self._said.setAccessibleName("Messages")
        self._said.setIndent(10)
        self._said.setTextFormat(Qt.TextFormat.PlainText)
        self._said.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.statusBar().addWidget(self._said, 1)
        self._silence = QTimer(self)
        self._silence.setSingleShot(True)
        self._silence.timeout.connect(self._said.clear)
        self._add_pages(source)
        self._add_own_actions()
        if not self.restoreGeometry(preferences.geometry):
            self.resize(_FIRST_SIZE)
        self.page("gauge")
        self.show_page(preferences.page if preferences.page in self.page_names else "gauge")

    def _build_rail(self) -> QWidget:
        rail = QWidget()
        rail.setObjectName("rail")
        rail.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        layout = QVBoxLayout(rail)
        layout.setContentsMargins(0, 12, 0, 12)
        layout.setSpacing(2)
        layout.addStretch(1)
        return rail

    def _add_pages(self, source: str | None) -> None:
        its_plots = ("bobbin_strips_plot", "forecast_plot")
        for name, title, tip, maker, *modules in (
            ("gauge", "&Gauge", "Measure strands", lambda: self._gauge_page(source), "gauge_page"),
            ("spins", "&Spins", "Spins and their bobbins", self._spins_page, "spins_page"),
            ("plan", "&Plan", "From the yarn you want to the single", self._plan_page, "plan_page"),
            ("bobbins", "&Bobbins", "Compare bobbins before plying", self._bobbins_page,
             "bobbins_page", *its_plots),
            ("skeins", "S&keins", "Finished skeins and their labels", self._skein_page,
             "skein_page"),
            ("card", "&Card", "Print the card, check the printer", self._card_page, "card_page"),
        ):  # fmt: skip
            self.pages.add(name, tuple(f"app.window.{module}" for module in modules), maker)
            self._add_button(name, title, tip)

    def _add_button(self, name: str, title: str, tip: str) -> None:
        number = len(self._buttons) + 1
        action = QAction(title, self)
        action.setShortcut(QKeySequence(f"Ctrl+{number}"))
        action.setCheckable(True)
        action.setToolTip(f"{tip} (Ctrl+{number})")
        action.triggered.connect(lambda: self.show_page(name))
        self._menus["view"].addAction(action)
        self._page_actions.addAction(action)
        button = QToolButton()
        button.setDefaultAction(action)
        button.setText(title.replace("&", ""))
        button.setAccessibleName(f"{title.replace('&', '')} page")
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.setSizePolicy(button.sizePolicy().Policy.Expanding, button.sizePolicy().Policy.Fixed)
        layout = cast(QVBoxLayout, self._rail.layout())
        layout.insertWidget(layout.count() - 1, button)
        self._buttons[name] = button

    def _gauge_page(self, source: str | None) -> Making:
        page = GaugePage(self.preferences, self.desk, source)
        yield
        page.far_view_changed.connect(self._far_view)
        page.begun.connect(self.pages.make_all)
        return page

    def _spins_page(self) -> Making:
        from app.window.spins_page import SpinsPage

        page = yield from self.pages.put(SpinsPage(self.preferences, self.desk))
        gauge = self.gauge
        gauge.unit_changed.connect(page.set_unit)
        page.bobbin_wanted.connect(self._spin_on)
        page.band_wanted.connect(gauge.take_band)
        page.changed.connect(gauge.log.load)
        gauge.session.logged.connect(lambda _: page.refresh() if page.isVisible() else None)
        return page

    def _spin_on(self, bobbin: str) -> None:
        self.gauge.log.use(bobbin)
        self.show_page("gauge")

    def _plan_page(self) -> Making:
        from app.window.plan_page import PlanPage

        page = yield from self.pages.put(PlanPage(self.preferences, self.desk))
        gauge = self.gauge
        gauge.unit_changed.connect(page.set_unit)
        page.band_wanted.connect(gauge.take_band)
        page.twist_band_wanted.connect(gauge.take_twist_band)
        page.changed.connect(gauge.log.load)
        # Worked out and laid out before it is asked for.
        page.refresh()
        return page

    def _bobbins_page(self) -> Making:
        from app.window.bobbins_page import BobbinsPage

        page = yield from self.pages.put(BobbinsPage(self.preferences, self.desk))
        self.gauge.unit_changed.connect(page.set_unit)
        return page

    def _skein_page(self) -> Making:
        from app.window.skein_page import SkeinPage

        gauge = self.gauge
        page = yield from self.pages.put(
            SkeinPage(
                self.preferences,
                self.desk,
                current=gauge.session.current,
                settings=lambda: gauge.measuring.settings,
                printed_card=lambda: gauge.session.bench.printed_card,
            )
        )
        page.lent.connect(gauge.session.set_skein)
        page.section_kept.connect(gauge.say_section)
        gauge.session.skein_changed.connect(page.show_lent)
        gauge.session.section_taken.connect(page.take_section)
        gauge.unit_changed.connect(page.set_unit)
        return page

    def _card_page(self) -> Making:
        from app.printed_cards import FILE_NAME
        from app.window.card_page import CardPage

        page = yield from self.pages.put(CardPage(self.preferences.folder / FILE_NAME))
        gauge = self.gauge
        page.printed_card_changed.connect(gauge.measuring.set_printed_card)
        page.picture_wanted.connect(
            lambda: page.give_picture(gauge.session.newest_pixels, gauge.measuring.lens)
        )
        page.lens.frame_wanted.connect(lambda: page.lens.give_frame(gauge.session.newest_pixels))
        page.lens.lens_changed.connect(gauge.measuring.set_lens)
        gauge.session.camera_changed.connect(page.lens.set_camera)
        page.lens.set_camera(*gauge.session.camera)
        return page

    @property
    def page_names(self) -> tuple[str, ...]:
        """The pages that there are, as they stand in the rail."""
        return self.pages.names

    @property
    def gauge(self) -> GaugePage:
        """The gauge page, which is always there."""
        return cast(GaugePage, self.page("gauge"))

    def page(self, name: str) -> Page:
        """The page of that name, made to its end when it is not made yet."""
        return self.pages.page(name)

    def show_page(self, name: str) -> None:
        """Bring the page of that name to the front, once it is made."""
        self._buttons[name].defaultAction().setChecked(True)
        self.preferences.page = name
        self.gauge.set_keys(False)
        self.pages.show_page(name)

    def _page_shown(self, name: str) -> None:
        # The gauge's keys are for the gauge alone.
        self.gauge.set_keys(name == "gauge")

    def _furnish(self, page: Page) -> None:
        page.set_theme(self._theme)
        page.add_actions(self._menus)
        for menu in self._menus.values():
            menu.menuAction().setVisible(not menu.isEmpty())
        page.said.connect(self.say)

    def _add_own_actions(self) -> None:
        quit_ = QAction("&Quit", self)
        quit_.setShortcut(QKeySequence.StandardKey.Quit)
        quit_.triggered.connect(self.close)
        self._menus["file"].addSeparator()
        self._menus["file"].addAction(quit_)
        for text, shortcut, slot in (
            ("&Keys", QKeySequence("F1"), self._show_keys),
            ("&Cautions", QKeySequence(), self._show_cautions),
            ("&About Slubwise", QKeySequence(), self._show_about),
        ):
            action = QAction(text, self)
            action.setShortcut(shortcut)
            action.triggered.connect(slot)
            self._menus["help"].addAction(action)

    def set_theme(self, theme: Theme) -> None:
        """Draw everything in these colours from now on."""
        self._theme = theme
        application = QApplication.instance()
        if isinstance(application, QApplication):
            application.setPalette(palette_of(theme))
        for part in (self._rail, self.menuBar(), self.statusBar()):
            part.setStyleSheet(sheet_of(theme))
        self.pages.set_theme(theme)

    def say(self, text: str) -> None:
        """Show a sentence for a while."""
        self._said.setText(text)
        self._said.setToolTip(tip_of(text))
        self._silence.start(_SAID_MS)

    def _say_error(self, error: NotebookError) -> None:
        self.say(f"{error.text} {error.advice}")

    def _say_no_copy(self, error: NotebookError) -> None:
        from app.notebook.daily import why_no_copy

        self.say(why_no_copy(error))

    def _far_view(self, on: bool) -> None:
        self._rail.setVisible(not on)
        self.menuBar().setVisible(not on)
        self.statusBar().setVisible(not on)
        if on:
            self.showFullScreen()
        else:
            self.showNormal()

    def _show_keys(self) -> None:
        groups = {name: self._keys_of(menu) for name, menu in self._menus.items()}
        plain = keys_table("Pictures and charts", _PLAIN_KEYS)
        left = "".join(groups[name] for name in ("gauge", "view", "help"))
        right = "".join(groups[name] for name in ("file", "spins")) + plain
        self._tell(
            "Keys", f"<table><tr><td>{left}</td><td width=24></td><td>{right}</td></tr></table>"
        )

    @staticmethod
    def _keys_of(menu: QMenu) -> str:
        native = QKeySequence.SequenceFormat.NativeText
        keys = [(a.shortcut().toString(native), words_of(a.text())) for a in menu.actions()]
        return keys_table(words_of(menu.title()), [row for row in keys if row[0]])

    def _show_cautions(self) -> None:
        self._tell("Take care", "\n\n".join(CAUTIONS), QMessageBox.Icon.Information)

    def _show_about(self) -> None:
        self._tell(
            "About Slubwise",
            f"<b>Slubwise {program_version()}</b><p>A gauge for handspinners: how thick, how even, "
            "how sure.</p><p>Free software under the MIT licence. It works without a network."
            "</p>",
        )

    def _tell(
        self, title: str, text: str, icon: QMessageBox.Icon = QMessageBox.Icon.NoIcon
    ) -> None:
        box = QMessageBox(icon, title, text, parent=self)
        box.setStyleSheet(sheet_of(self._theme))
        box.exec()
        box.deleteLater()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Keys that no widget has, or none that wants them, are for the gauge while it is shown."""
        if self.pages.currentWidget() is self.gauge:
            self.gauge.keyPressEvent(event)

    def closeEvent(self, event: QCloseEvent) -> None:
        """Remember, stop, and leave nothing running."""
        if not self.isFullScreen():
            self.preferences.geometry = self.saveGeometry()
        self.pages.stop()
        self.desk.close()
        self.preferences.save()
        event.accept()
