"""The plan page: from the yarn wanted to the single to spin, and what skeins taught.

Shown, it looks the notebook up anew. The plan is worked out beside the window.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from html import escape
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFont, QShowEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QMenu,
    QPushButton,
    QSizePolicy,
    QSplitter,
    QWidget,
)

from app.notebook.records import Spin
from app.notebook.store import Notebook
from app.notebook.things import quoted
from app.pairs import KnownSkein, known_skeins
from app.plan import SWATCH, Wheel, plan_lines
from app.window.bench_bar import band_text
from app.window.desk import Desk
from app.window.flow_row import FlowRow
from app.window.later import laid_out, paint_soon, some_of, soon
from app.window.panel import headed_panel, quiet_label, scrolled_panel, words_label
from app.window.plan_form import PlanForm
from app.window.plan_lessons import LessonTable
from app.window.preferences import Preferences, Unit
from app.window.theme import LIGHT, Theme
from measure.bloom import Pair
from measure.plan import Plan, Wish, make_plan, plan_sentences
from measure.twist_band import TwistBand

_NONE_LEARNED: Final = (
    "Nothing learned yet. Read a skein's singles at the wheel, then its plied and its washed yarn: "
    "from then on it narrows every plan."
)


@dataclass(frozen=True)
class _Shelf:
    """What the notebook gives."""

    spins: tuple[Spin, ...]
    latest: str
    """Id of the spin of the last sitting."""
    skeins: tuple[KnownSkein, ...]


@dataclass(frozen=True)
class _Found:
    """A plan, or why there is none."""

    plan: Plan | None
    why_not: str = ""


class PlanPage(QWidget):
    """Plans a yarn and hands its band to the gauge."""

    said = Signal(str)
    band_wanted = Signal(object)
    """The Band to spin in from now on."""
    twist_band_wanted = Signal(object)
    """The TwistBand to ply in, or None."""
    changed = Signal()
    """A spin's aim was set here."""
    _worked_out = Signal(int, object)

    def __init__(self, preferences: Preferences, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._preferences = preferences
        self._desk = desk
        self._theme = LIGHT
        self._unit: Unit = preferences.unit
        self._wrap = preferences.wrap_factor
        self._skeins: tuple[KnownSkein, ...] = ()
        self._left_out: set[str] = set()
        self._plan: Plan | None = None
        self._known = self._seen = False
        """Whether the notebook answered yet, and whether a person has seen it."""
        self._looked_up = self._asked = 0
        self._stopped = False
        self._laying: Iterator[None] = iter(())
        """What is left to be laid out before the page is shown."""
        self._work = ThreadPoolExecutor(1, thread_name_prefix="plan")
        self._worked_out.connect(self._show, Qt.ConnectionType.QueuedConnection)

    # --- what it is made of

    def make(self) -> Iterator[None]:
        """Make what is on it, in steps."""
        layout = QHBoxLayout(self)
        layout.setContentsMargins(12, 12, 12, 12)
        layout.setSpacing(8)
        self.form = PlanForm(self._preferences.chart, self._wrap)
        yield
        self.form.changed.connect(self._work_out)
        self.form.spin_chosen.connect(self._choose_spin)
        wanted = scrolled_panel("What you want", self.form, tall=True)
        wanted.setSizePolicy(QSizePolicy.Policy.Maximum, QSizePolicy.Policy.Expanding)
        yield
        layout.addWidget(wanted)
        self._right = QSplitter(Qt.Orientation.Vertical)
        self._right.setChildrenCollapsible(False)
        layout.addWidget(self._right, 1)
        yield
        self._right.addWidget(self._plan_panel())
        yield
        self.about = quiet_label("About what was learned")
        self.lessons = LessonTable()
        self.lessons.ticked.connect(self._tick)
        self._right.addWidget(
            headed_panel("Learned from", self.about, self.lessons, stretch=self.lessons)
        )
        yield
        if not self._right.restoreState(self._preferences.split("plan")):
            # Larger than any window, so that what counts is their proportion.
            self._right.setSizes([6600, 3400])

    def _plan_panel(self) -> QWidget:
        self.headline = words_label("What to spin")
        strong = QFont(self.headline.font())
        strong.setPointSizeF(strong.pointSizeF() * 1.7)
        strong.setBold(True)
        self.headline.setFont(strong)
        self.sentences = words_label("What the plan says")
        self.table = words_label("The plan")
        self.table.setTextFormat(Qt.TextFormat.RichText)
        self.trouble = words_label("What is wrong")
        self.trouble.setObjectName("caution")
        self.use = QPushButton("Spin in this &band")
        self.use.setProperty("main", True)
        self.use.setToolTip("Judge readings by this band, and make it the aim of the spin")
        self.use.clicked.connect(self.use_band)
        self.headline.setWordWrap(False)
        top = FlowRow()
        top.add("", self.headline)
        top.add("", self.use)
        swatch = quiet_label("Caution", SWATCH)
        return scrolled_panel("What to spin", top, self.trouble, self.sentences, self.table, swatch)

    # --- what the window asks of a page

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours from now on."""
        self._theme = theme
        self._fill()

    def set_unit(self, unit: Unit, wrap_factor: float) -> None:
        """Say thickness in this unit from now on; another wrap factor is another plan."""
        changed = wrap_factor != self._wrap
        self._unit, self._wrap = unit, wrap_factor
        self.form.set_chart(self._preferences.chart, wrap_factor)
        self._fill()
        if changed:
            self._work_out()

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """The page's controls are all on it; it adds nothing to the menus."""

    def stop(self) -> None:
        """End all work and remember how things stood."""
        self._stopped = True
        self._asked += 1
        self._looked_up += 1
        self._preferences.set_split("plan", self._right.saveState())
        self._work.shutdown(wait=True, cancel_futures=True)

    def showEvent(self, event: QShowEvent) -> None:
        """Look the notebook up: skeins may have been read since."""
        super().showEvent(event)
        self.set_unit(self._preferences.unit, self._preferences.wrap_factor)
        self.refresh()

    # --- from the notebook

    def refresh(self) -> None:
        """Read spins and skeins anew."""
        self._looked_up += 1
        number = self._looked_up

        def look_up(notebook: Notebook) -> _Shelf:
            latest = notebook.latest_bobbin()
            return _Shelf(
                tuple(notebook.spins()), latest.spin_id if latest else "", known_skeins(notebook)
            )

        def put(shelf: _Shelf) -> None:
            if number == self._looked_up:
                self._put(shelf)

        self._desk.ask(look_up, put)

    def _put(self, shelf: _Shelf) -> None:
        first = not self._seen
        self._known, self._seen = True, self._seen or self.isVisible()
        chosen = shelf.latest if first else self.form.spin.currentData()
        self.form.set_spins(shelf.spins, chosen)
        bobbins = {s.id for s in shelf.skeins if not s.is_skein}
        self._skeins = shelf.skeins
        # What the notebook says of skeins, and what was said here of bobbins.
        self._left_out = (self._left_out & bobbins) | {s.id for s in shelf.skeins if not s.counts}
        spin = self.form.chosen_spin
        if first and spin is not None:
            self.form.follow_spin(spin)
        self._work_out()

    def _choose_spin(self) -> None:
        spin = self.form.chosen_spin
        if spin is not None:
            self.form.follow_spin(spin)

    def _tick(self, skein_id: str, counts: bool) -> None:
        (self._left_out.discard if counts else self._left_out.add)(skein_id)
        skein = next(s for s in self._skeins if s.id == skein_id)
        if skein.is_skein:

            def keep(notebook: Notebook) -> None:
                now = notebook.skein(skein_id)
                notebook.update_skein(replace(now, counts_for_learning=counts))

            # Kept with the skein; if it cannot be, the notebook's word stands.
            self._desk.ask(keep, lambda _: self.refresh())
        word = "Learning from" if counts else "Left out"
        self.said.emit(f"{word} {quoted(skein.pair.name)}.")
        self._work_out()

    # --- worked out beside the window

    def _work_out(self) -> None:
        if self._stopped:
            return
        self._asked += 1
        number = self._asked
        try:
            wish = self.form.wish()
        except ValueError as error:
            self._show(number, _Found(None, _sentence(str(error))))
            return
        pairs = [s.pair for s in self._skeins if s.id not in self._left_out]

        def work() -> None:
            # Only the newest question is worth an answer.
            if number == self._asked:
                self._worked_out.emit(number, _answer(wish, pairs))

        self._work.submit(work)

    def _show(self, number: int, found: _Found) -> None:
        if number != self._asked:
            return
        paint_soon(self)
        self._plan = found.plan
        self.trouble.setText(found.why_not)
        self.trouble.setVisible(bool(found.why_not))
        self.use.setEnabled(found.plan is not None)
        self._fill()
        if not self.isVisible():
            soon(self, self._lay_out)

    def _lay_out(self) -> None:
        """Lay out what is to be shown later: the words take as long as all else on the page."""
        self._laying = laid_out(self)
        self._lay_on(self._laying)

    def _lay_on(self, laying: Iterator[None]) -> None:
        """A piece of that, and what follows in an event of its own."""
        wanted = laying is self._laying and not self._stopped and not self.isVisible()
        if wanted and some_of(laying):
            soon(self, lambda: self._lay_on(laying))

    def _fill(self) -> None:
        """Put the plan into words."""
        plan = self._plan
        for part in (self.headline, self.sentences, self.table):
            part.setVisible(plan is not None)
        lessons = plan.lessons if plan else ()
        self.lessons.show_skeins(self._skeins, self._left_out, lessons)
        self.lessons.setVisible(bool(self._skeins))
        self.about.setText(_about(self._skeins, self._left_out) if self._known else "")
        if plan is None:
            return
        self.headline.setText(f"Spin {band_text(plan.single, self._unit, self._wrap)}")
        sentences = plan_sentences(plan, self.form.chart, self._wrap)[1:]
        self.sentences.setText(_kept("\n".join(map(_sentence, sentences))))
        self.table.setText(_table(plan, self.form.wheel(), self.form.units.currentData(),
                                  self._wrap, self._theme))  # fmt: skip

    # --- done

    def use_band(self) -> None:
        """Hand the band to the gauge and make it the spin's aim."""
        plan, spin = self._plan, self.form.chosen_spin
        if plan is None:
            return
        band, one = plan.single, self.form.weight_class
        self.band_wanted.emit(band)
        balance = plan.twist.ply_band
        self.twist_band_wanted.emit(None if balance is None else TwistBand(*balance, balanced=True))
        if spin is None:
            return
        plies = plan.wish.plies
        class_name = one.name if one is not None else ""

        def keep(notebook: Notebook) -> Spin:
            now = notebook.spin(spin.id)
            aim = replace(
                now.aim,
                band_low_mm=band.low_mm,
                band_high_mm=band.high_mm,
                plies=plies,
                class_name=class_name,
            )
            return notebook.update_spin(replace(now, aim=aim))

        def done(kept: Spin) -> None:
            if not self._stopped:
                words = band_text(band, self._unit, self._wrap)
                self.said.emit(f"The band is {words}, and {quoted(kept.name)} aims at it.")
                self.changed.emit()
                self.refresh()

        self._desk.ask(keep, done)


def _answer(wish: Wish, pairs: Sequence[Pair]) -> _Found:
    """In a thread of its own: the plan, or why there is none."""
    try:
        return _Found(make_plan(wish, pairs))
    except ValueError as error:
        return _Found(None, _sentence(str(error)))


def _about(skeins: tuple[KnownSkein, ...], left_out: set[str]) -> str:
    if not skeins:
        return _NONE_LEARNED
    counted = sum(s.id not in left_out for s in skeins)
    return (
        f"{counted} of {len(skeins)} skeins count. How much thicker each was than geometry makes "
        "it; untick what does not belong."
    )


def _table(plan: Plan, wheel: Wheel, units: str, wrap: float, theme: Theme) -> str:
    rows, before = [], ""
    for line in plan_lines(plan, wheel, units, wrap):
        group = "" if line.group == before else line.group
        gap = "padding-top: 7px; " if group and before else ""
        before = line.group
        rows.append(
            f'<tr><td style="{gap}padding-right: 14px; color: {theme.quiet_ink}">{group}</td>'
            f'<td style="{gap}padding-right: 14px">{escape(_kept(line.what))}</td>'
            f'<td style="{gap}">{escape(_kept(line.figures))}</td></tr>'
        )
    return f'<table cellspacing="0" cellpadding="1">{"".join(rows)}</table>'


def _kept(words: str) -> str:
    """A figure and its unit on one line."""
    return re.sub(r"(?<=[0-9]) (?=[%A-Za-z])(?!to |of |an |de |pl )", "\N{NO-BREAK SPACE}", words)


def _sentence(words: str) -> str:
    text = f"{words[:1].upper()}{words[1:]}".rstrip(".")
    return f"{text}."
