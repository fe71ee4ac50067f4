"""The bobbins page: a spin's bobbins side by side, whether they match, which to ply with which."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final, cast

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QFont, QShowEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QLabel,
    QLineEdit,
    QMenu,
    QSpinBox,
    QSplitter,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from app.bobbin_sources import ComparedBobbin, from_notebook, one_line
from app.compare import (
    TOLERANCE_PERCENT,
    BobbinFigures,
    read_text,
)
from app.forecast import LOOP_M, PROFILES, Forecasts
from app.notebook.records import POSTURES, Bobbin, Posture, Spin
from app.notebook.store import Notebook
from app.pairs import known_skeins, pairs_but
from app.window.bench_bar import POSTURE_NAMES
from app.window.bobbin_strips import BobbinStrips
from app.window.bobbins_work import Asked, Found, answer, foretold
from app.window.desk import Desk
from app.window.flow_row import FlowRow
from app.window.forecast_view import ForecastView
from app.window.panel import number_field, scrolled_panel, words_label
from app.window.plying_ways import PlyingWays
from app.window.preferences import Preferences, Unit
from app.window.theme import LIGHT, Theme
from measure.bloom import Pair
from measure.match import MARGIN_PERCENT
from measure.pairing import MOST_PLIES

_NO_SPIN: Final = "No spin yet: log readings on the Gauge page, and its bobbins show here."
_NO_READINGS: Final = "No readings taken this way on these bobbins."


@dataclass(frozen=True)
class _Shelf:
    """What the notebook gives for a spin."""

    spins: tuple[Spin, ...]
    spin: Spin | None
    bobbins: tuple[Bobbin, ...]
    read: tuple[ComparedBobbin, ...]
    """The bobbins' readings in one posture, in the same order."""
    pairs: tuple[Pair, ...] = ()
    """Skeins that what becomes of the yarn in the wash is learned from."""


class BobbinsPage(QWidget):
    """Compares the bobbins of a spin. Shown, it looks the notebook up anew."""

    said = Signal(str)
    _worked_out = Signal(int, object)
    _forecast_out = Signal(int, object)

    def __init__(self, preferences: Preferences, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._preferences = preferences
        self._desk = desk
        self._unit: Unit = preferences.unit
        self._wrap = preferences.wrap_factor
        self._theme = LIGHT
        self._shelf = _Shelf((), None, (), ())
        self._left_out: set[str] = set()
        self._looked_up = self._asked = 0
        self._work = ThreadPoolExecutor(1, thread_name_prefix="bobbins")
        self._worked_out.connect(self._show, Qt.ConnectionType.QueuedConnection)
        self._forecast_out.connect(self._show_forecast, Qt.ConnectionType.QueuedConnection)

    # --- what it is made of

    def make(self) -> Iterator[None]:
        """Make what is on it, in steps."""
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 12, 12, 12)
        layout.setSpacing(8)
        layout.addWidget(self._bar())
        split, upper, self._lower = (
            QSplitter(Qt.Orientation.Vertical),
            QSplitter(Qt.Orientation.Horizontal),
            QSplitter(Qt.Orientation.Horizontal),
        )
        for each in (split, upper, self._lower):
            each.setChildrenCollapsible(False)
        split.addWidget(upper)
        split.addWidget(self._lower)
        layout.addWidget(split, 1)
        yield
        self.strips = BobbinStrips()
        self.strips.set_empty_text(_NO_SPIN)
        upper.addWidget(self.strips)
        yield
        self.forecast = ForecastView(self._loop_row())
        yield
        upper.addWidget(self.forecast)
        yield
        self._lower.addWidget(self._words_panel())
        yield
        self._lower.addWidget(self._plying_panel())
        yield
        self._lower.setStretchFactor(0, 1)
        self._lower.setStretchFactor(1, 1)
        # Larger than any window, so that what counts is their proportion.
        split.setSizes([5500, 4500])
        upper.setSizes([6300, 3700])
        self._lower.setSizes([5000, 5000])
        yield
        yield from self.strips.make_ready()
        yield from self.forecast.make_ready()

    def _bar(self) -> QWidget:
        self._spin = QComboBox()
        self._spin.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._spin.setMinimumContentsLength(14)
        self._spin.setToolTip("The spin whose bobbins are shown")
        self._spin.activated.connect(self._choose_spin)
        self._posture = QComboBox()
        self._posture.setToolTip("Which readings: only those taken in the same way are compared")
        for posture in POSTURES:
            self._posture.addItem(POSTURE_NAMES[posture], posture)
        self._posture.setCurrentIndex(POSTURES.index(self._preferences.posture))
        self._posture.activated.connect(self.refresh)
        self._which = QToolButton()
        self._which.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self._which.setToolTip("Choose which bobbins are compared and plied")
        self._which.setMenu(QMenu(self._which))
        self._margin = number_field(QDoubleSpinBox)
        self._margin.setRange(0.5, 100)
        self._margin.setDecimals(1)
        self._margin.setValue(MARGIN_PERCENT)
        self._margin.setSuffix(" %")
        self._margin.setKeyboardTracking(False)
        self._margin.setToolTip("Mean diameters that differ by no more than this match")
        self._margin.valueChanged.connect(self._work_out)
        bar = FlowRow()
        bar.add("&Spin", self._spin)
        bar.add("&Readings", self._posture)
        bar.add("&Bobbins", self._which)
        bar.add("&Match within", self._margin)
        return bar

    def _loop_row(self) -> QWidget:
        self._loop = number_field(QSpinBox)
        self._loop.setRange(2, 500)
        self._loop.setValue(round(100 * LOOP_M))
        self._loop.setSuffix(" cm")
        self._loop.setKeyboardTracking(False)
        self._loop.setToolTip("Length of the loops when a bobbin is chain-plied instead")
        self._loop.valueChanged.connect(self._work_out)
        row = FlowRow()
        row.add("Chain &loop", self._loop)
        return row

    def _words_panel(self) -> QWidget:
        self._matches = words_label("What the comparison says")
        strong = QFont(self._matches.font())
        strong.setBold(True)
        self._matches.setFont(strong)
        self._each = words_label("What is said of each bobbin")
        self._notes = words_label("Notes on the comparison")
        self._notes.setObjectName("quiet")
        return scrolled_panel("Do they match?", self._matches, self._each, self._notes)

    def _plying_panel(self) -> QWidget:
        self._plies = number_field(QSpinBox)
        self._plies.setRange(2, MOST_PLIES)
        self._plies.setValue(2)
        self._plies.setKeyboardTracking(False)
        self._plies.setToolTip("How many strands are plied together")
        self._plies.valueChanged.connect(self._work_out)
        self._rewind = QCheckBox("May be re&wound")
        self._rewind.setChecked(True)
        self._rewind.setToolTip(
            "A bobbin comes off in the reverse of how it was spun; rewound, it comes off as spun"
        )
        self._rewind.toggled.connect(self._work_out)
        self._own = QLineEdit()
        self._own.setMinimumWidth(self._own.fontMetrics().averageCharWidth() * 30)
        self._own.setPlaceholderText("B1 + B2; B3 + B4")
        self._own.setToolTip(
            "Your own choice to hold against the evenest one, as B1 + B2 rewound; B3 + B4. "
            "Empty: in order"
        )
        self._own.editingFinished.connect(self._work_out)
        row = FlowRow()
        row.add("&Plies", self._plies)
        row.add("", self._rewind)
        row.add("Your &own", self._own)
        self.ways = PlyingWays()
        self._plying_words = words_label("What is said of plying")
        return scrolled_panel("Which with which?", row, self._plying_words, self.ways)

    # --- what the window asks of a page

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self._theme = theme
        self.strips.set_theme(theme)
        self.forecast.set_theme(theme)

    def set_unit(self, unit: Unit, wrap_factor: float) -> None:
        """Say thickness in this unit from now on."""
        changed = wrap_factor != self._wrap
        self._unit, self._wrap = unit, wrap_factor
        self.strips.set_unit(unit, wrap_factor)
        self.ways.set_unit(unit, wrap_factor)
        self.forecast.set_unit(unit, wrap_factor)
        if changed:
            self._work_out()

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """The page's controls are all on it; it adds nothing to the menus."""

    def stop(self) -> None:
        """End all work."""
        self._asked += 1
        self._work.shutdown(wait=True, cancel_futures=True)

    def showEvent(self, event: QShowEvent) -> None:
        """Look the notebook up: readings may have been logged since."""
        super().showEvent(event)
        self.set_unit(self._preferences.unit, self._preferences.wrap_factor)
        self.refresh()

    # --- from the notebook

    def refresh(self) -> None:
        """Read the spin's bobbins anew."""
        wanted = self._spin.currentData()
        posture = cast(Posture, self._posture.currentData())
        self._looked_up += 1
        number = self._looked_up

        def look_up(notebook: Notebook) -> _Shelf:
            spins = tuple(notebook.spins())
            spin = next((s for s in spins if s.id == wanted), None)
            if spin is None:
                latest = notebook.latest_bobbin()
                spin = next((s for s in spins if latest and s.id == latest.spin_id), None)
            spin = spin or (spins[0] if spins else None)
            bobbins = tuple(notebook.bobbins(spin.id)) if spin else ()
            read: tuple[ComparedBobbin, ...] = ()
            if spin:
                read = tuple(from_notebook(notebook, spin, bobbins, posture, profiles=PROFILES))
            return _Shelf(spins, spin, bobbins, read, tuple(pairs_but(known_skeins(notebook), ())))

        def put(shelf: _Shelf) -> None:
            if number == self._looked_up:
                self._put_on_shelf(shelf)

        self._desk.ask(look_up, put)

    def _choose_spin(self) -> None:
        self._left_out.clear()
        self._own.clear()
        self.refresh()

    def _put_on_shelf(self, shelf: _Shelf) -> None:
        self._shelf = shelf
        self._spin.clear()
        for spin in shelf.spins:
            self._spin.addItem(one_line(spin.name) or "spin", spin.id)
        if shelf.spin is not None:
            self._spin.setCurrentIndex(shelf.spins.index(shelf.spin))
        self._spin.setEnabled(bool(shelf.spins))
        menu = self._which.menu()
        menu.clear()
        for bobbin, read in zip(shelf.bobbins, shelf.read, strict=True):
            action = QAction(read.name.replace("&", "&&"), menu)
            action.setCheckable(True)
            action.setChecked(bobbin.id not in self._left_out)
            action.toggled.connect(self._chooser(bobbin.id))
            menu.addAction(action)
        self.strips.set_empty_text(_NO_READINGS if shelf.spins else _NO_SPIN)
        self._work_out()

    def _chooser(self, bobbin_id: str) -> Callable[[bool], None]:
        def choose(wanted: bool) -> None:
            (self._left_out.discard if wanted else self._left_out.add)(bobbin_id)
            self._work_out()

        return choose

    def _chosen(self) -> tuple[ComparedBobbin, ...]:
        return tuple(
            read
            for bobbin, read in zip(self._shelf.bobbins, self._shelf.read, strict=True)
            if bobbin.id not in self._left_out
        )

    # --- worked out beside the window

    def _work_out(self) -> None:
        chosen = self._chosen()
        many = len(self._shelf.bobbins)
        self._which.setText(f"{len(chosen)} of {many}")
        self._which.setEnabled(many > 0)
        self._which.setAccessibleDescription(f"{len(chosen)} of {many} bobbins are compared")
        asked = Asked(
            bobbins=chosen,
            margin_percent=self._margin.value(),
            plies=self._plies.value(),
            own=self._own.text().strip() or None,
            may_rewind=self._rewind.isChecked(),
            wrap_factor=self._wrap,
            loop_m=self._loop.value() / 100,
            pairs=self._shelf.pairs,
            fibre=self._shelf.spin.fibre if self._shelf.spin else "",
        )
        self._asked += 1
        number = self._asked

        def work() -> None:
            # Only the newest question is worth an answer.
            if number == self._asked:
                try:
                    found = answer(asked)
                    self._worked_out.emit(number, found)
                    # It takes longer, and the rest is shown meanwhile.
                    if number == self._asked:
                        self._forecast_out.emit(number, foretold(asked, found))
                except Exception as error:
                    self._worked_out.emit(number, error)
                    raise

        self._work.submit(work)

    def _show(self, number: int, found: Found | Exception) -> None:
        if isinstance(found, Exception):
            raise found
        if number != self._asked:
            return
        band = next((f.bobbin.band for f in found.figures if f.bobbin.band), None)
        self.strips.set_bobbins(found.figures, found.drifts_mm, band)
        compared = found.compared
        if compared is None:
            why = f"{found.why_not[:1].upper()}{found.why_not[1:]}."
            _say(self._matches, [why] if found.figures else [])
        else:
            sentences = compared.comparison.sentences
            _say(self._matches, (f"{compared.capital(text)}." for text in sentences))
        _say(self._each, (_of_each(f) for f in found.figures if f.bobbin.points))
        notes = [f"{compared.capital(note)}." for note in compared.notes] if compared else []
        if compared is not None:
            notes.append("All that is said here of pairs holds together with 95 % confidence.")
        _say(self._notes, notes)
        pairing = compared.pairing if compared else None
        self.ways.set_pairing(pairing)
        self.ways.setVisible(pairing is not None)
        if pairing is None:
            self.forecast.set_forecasts(None)
        _say(self._plying_words, [found.why_not] if compared and not pairing else [])

    def _show_forecast(self, number: int, foretold: tuple[Forecasts, str] | None) -> None:
        if number == self._asked:
            self.forecast.set_forecasts(*(foretold or (None,)))


def _of_each(figures: BobbinFigures) -> str:
    bobbin = figures.bobbin
    about = read_text(bobbin, "mm")
    if bobbin.turns_per_inch is not None:
        about += f", {bobbin.turns_per_inch:.1f} TPI {bobbin.twist or ''}".rstrip()
    known = ""
    if figures.precision is not None:
        known = f"; {figures.precision.sentence(TOLERANCE_PERCENT)}"
    return f"{bobbin.name} ({about}): {figures.drift.sentence}{known}."


def _say(label: QLabel, sentences: Iterable[str]) -> None:
    """Put sentences on a label, each on its own line; an empty label takes no room."""
    # A figure and its unit belong on one line.
    text = "\n".join(sentences).replace(" %", "\N{NO-BREAK SPACE}%")
    label.setText(text)
    label.setVisible(bool(text))
