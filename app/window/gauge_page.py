"""The gauge at the wheel: the picture, the figure, the drift, and what they are logged under."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QAction, QKeyEvent, QKeySequence
from PySide6.QtWidgets import QDialog, QInputDialog, QMenu

from app.notebook.records import PLIED_POSTURES, LoggedReading, Posture
from app.window.band_dialog import BandDialog
from app.window.bench_bar import band_text
from app.window.big_reading import UNIT_NAMES
from app.window.bobbin_log import BobbinLog
from app.window.desk import Desk
from app.window.export import ChartSaver
from app.window.frame import SourceState
from app.window.gauge_parts import GaugeParts
from app.window.gauge_session import GaugeSession
from app.window.later import OF_THE_GAUGE, Loading, soon
from app.window.log_entry import Bench
from app.window.measurer import Measured, MeasuredStill, OpenedStill
from app.window.measuring_settings import MeasuringSettings
from app.window.preferences import Preferences, Sound, Unit
from app.window.sound import Voice
from app.window.source_chooser import SourceChooser
from app.window.still_words import still_words, trouble_words
from app.window.theme import LIGHT, Theme
from measure.band import Band
from measure.errors import MeasureError
from measure.live import LiveState
from measure.results import StrandReading
from measure.twist_band import TwistBand

_PROFILE_MS: Final = 500
"""The strand's profile is drawn anew at most this often: it is looked at, not watched."""
_DONE: Final = object()
_WRAP_FACTOR: Final = (
    "Pitch of your own hand-wrapped yarn over its diameter.\n"
    "1 means turns that touch and are not squeezed:"
)
_STARTING: Final = "Choose a camera above, open a picture or a video (Ctrl+O), or drop one here."


class GaugePage(GaugeParts):
    """Everything a spinner needs while spinning, on one page."""

    said = Signal(str)
    far_view_changed = Signal(bool)
    unit_changed = Signal(str, float)
    """Unit, and wrap factor."""
    begun = Signal()
    """All of it is made, and the source begun."""
    _loaded = Signal()

    def __init__(self, preferences: Preferences, desk: Desk, source: str | None) -> None:
        super().__init__()
        self._preferences = preferences
        self._theme: Theme = LIGHT
        self._letters: list[QAction] = []
        self._strand: StrandReading | None = None
        self._source_detail = ""
        self.session = GaugeSession(
            desk, Bench(preferences.bobbin, preferences.posture, printed_card=""), self
        )
        self.measuring = MeasuringSettings(preferences, self.session)
        self.sources = SourceChooser(preferences, self.session, self.bar, self)
        self.voice = Voice(self)
        self._saver = ChartSaver(self)
        self._saver.said.connect(self.said)
        # Before the log, whose chart asks for more time than the figure and the sound.
        self._connect()
        self.log = BobbinLog(preferences, desk, self.session, self)
        self._profile_timer = QTimer(self)
        self._profile_timer.setInterval(_PROFILE_MS)
        self._profile_timer.timeout.connect(self._draw_profile)
        self._profile_timer.start()
        self._show_preferences()
        # The window is drawn first; what its content needs is loaded beside it.
        self._stopped = False
        self._loading: Loading | None = None
        # One thing at a time, so that the window answers in between.
        self._steps = self._beginning(source)
        self._loaded.connect(self._step, Qt.ConnectionType.QueuedConnection)
        QTimer.singleShot(0, self, self._load)

    def _load(self) -> None:
        self._loading = Loading(OF_THE_GAUGE, self._loaded.emit)

    def _step(self) -> None:
        # It may have been closed before it had loaded.
        if not self._stopped and next(self._steps, _DONE) is not _DONE:
            soon(self, self._step)

    def _beginning(self, source: str | None) -> Iterator[None]:
        yield from self.chart.make_ready()
        yield from self.profile.make_ready()
        self._begin(source)
        yield
        self.begun.emit()

    def _begin(self, source: str | None) -> None:
        from app.printed_cards import FILE_NAME, PrintedCards

        cards = PrintedCards(self._preferences.folder / FILE_NAME)
        if cards.file.trouble:
            self.said.emit(cards.file.trouble)
        self.measuring.set_printed_card(cards.chosen())
        self.log.load()
        self.sources.begin(source)

    def _connect(self) -> None:
        session, bar = self.session, self.bar
        session.frame_arrived.connect(self.picture.show_frame)
        session.live_changed.connect(self._show_live)
        session.still_opened.connect(self._show_opened)
        session.still_measured.connect(self._show_still)
        session.chosen.connect(self._show_chosen)
        session.source_changed.connect(self._show_source_state)
        session.logged.connect(self._say_logged)
        session.taken_back.connect(self._say_taken_back)
        session.put_back_done.connect(self._say_put_back)
        session.skein_changed.connect(bar.show_skein)
        session.said.connect(self.said)
        session.busy.connect(self._show_busy)
        self.sources.said.connect(self.said)
        self.sources.changed.connect(self._show_other_source)
        bar.band_wanted.connect(self.edit_band)
        bar.unit_chosen.connect(self.set_unit)
        bar.posture_chosen.connect(self._show_posture)
        bar.hands_free_changed.connect(self._set_hands_free)
        bar.sound_chosen.connect(self._set_sound)
        bar.skein_ended.connect(lambda: session.set_skein(""))
        self.picture.dropped.connect(self.sources.take)
        self.picture.strand_chosen.connect(session.choose_number)
        self.voice.said.connect(self.said)

    def _show_preferences(self) -> None:
        preferences = self._preferences
        self.restore_layout(preferences)
        self.sources.show()
        self.bar.show_posture(preferences.posture)
        self._show_posture(preferences.posture)
        self.reading.set_twist_band(preferences.twist_band)
        self.bar.show_hands_free(preferences.hands_free)
        self.session.hands_free = preferences.hands_free
        self.bar.show_sound(preferences.sound)
        self.voice.set_loudness(preferences.sound)
        self.picture.clear(_STARTING)
        self._tell_unit()
        self._tell_band()

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """The page's actions, each with its key."""
        for menu, text, key, slot in (
            ("file", "&Open picture or video…", "Ctrl+O", self.sources.open_files),
            ("file", "&Paste picture", "Ctrl+V", self.sources.paste),
            ("file", "&Watch a folder…", "Ctrl+F", self.sources.open_folder),
            ("file", "&Save the drift chart…", "Ctrl+S", self.save_chart),
            ("gauge", "&Take a reading (space)", "F9", self.session.take_now),
            ("gauge", "Take the last one &back", "Z", self.session.take_back),
            ("gauge", "&Put it back again", "Shift+Z", self.session.put_back),
            ("gauge", "&Next strand of a picture", "N", lambda: self.session.choose(1)),
            ("gauge", "P&revious strand", "Shift+N", lambda: self.session.choose(-1)),
            ("gauge", "&Hands-free on or off", "H", self._turn_hands_free),
            ("gauge", "Set the &band…", "B", self.edit_band),
            ("gauge", "Wrap &factor…", "", self.edit_wrap_factor),
            ("gauge", "&Sound off, quiet, on", "S", self._next_sound),
            ("view", "WPI or &mm", "U", self._other_unit),
            ("view", "&Far view: the figure alone", "F11", self._turn_far_view),
            ("view", "&Back to the strand before the camera", "Esc", self._escape),
        ):
            action = QAction(text, self)
            if key:
                action.setShortcut(QKeySequence(key))
            action.triggered.connect(lambda _=False, s=slot: s())
            menus[menu].addAction(action)
            if len(key) == 1 or key.startswith("Shift+"):
                self._letters.append(action)

    def set_keys(self, on: bool) -> None:
        """Whether single letters are for the gauge; on other pages they are for lists."""
        for action in self._letters:
            action.setEnabled(on)

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._theme = theme
        super().set_theme(theme)

    def stop(self) -> None:
        """End all work and remember how things stood."""
        self._stopped = True
        self._profile_timer.stop()
        self.keep_layout(self._preferences)
        self.sources.stop()
        self.session.stop()
        self.voice.stop()
        self._saver.stop()
        if self._loading is not None:
            self._loading.stop()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """A space that nothing here takes for itself, as buttons and fields do, takes a reading.

        A shortcut would keep the space from buttons and fields; so would a foot switch's.
        """
        if event.key() != Qt.Key.Key_Space or event.isAutoRepeat() or event.modifiers():
            super().keyPressEvent(event)
            return
        self.session.take_now()

    # --- what is seen

    def _show_other_source(self, some: bool) -> None:
        self.log.unpin()
        self.meters.show_help(None)
        self._source_detail = ""
        self.meters.say_source("")
        if not some:
            self.picture.clear(_STARTING)
            self.reading.set_state(LiveState())

    def _show_live(self, state: LiveState, measured: Measured | None) -> None:
        self.reading.set_state(state)
        self._strand = state.strand or self._strand
        band = self._preferences.band
        self.voice.follow(state, band)
        if measured is not None:
            reasons = () if state.refusal is None else (state.refusal,)
            self.picture.set_reading(measured.reading, reasons)
            self.meters.show_help(measured.help, state.advice)
            self.picture.set_chosen(state.strand.number if state.strand else None)

    def _show_opened(self, opened: OpenedStill) -> None:
        self.picture.show_still(opened.preview)

    def _show_still(self, measured: MeasuredStill) -> None:
        if isinstance(measured.reading, MeasureError):
            error = measured.reading
            self.picture.clear(f"{error.text} {error.advice}")
            self.said.emit(trouble_words(measured.still.name, error))
            self.reading.set_strand(None, error.advice)
            return
        if measured.preview is not None:
            self.picture.show_still(measured.preview)
        self.picture.set_reading(measured.reading)
        if not measured.reading.strands and measured.reading.refusals:
            refusal = measured.reading.refusals[0]
            self.reading.set_strand(None, f"{refusal.text} {refusal.advice}")
        if words := still_words(measured.still.name, measured.reading):
            self.said.emit(words)

    def _show_chosen(self, strand: StrandReading | None) -> None:
        if strand is None:
            self._strand = None
            return
        self.reading.set_strand(strand)
        self.picture.set_chosen(strand.number)
        self._strand = strand

    def _show_busy(self, busy: bool) -> None:
        self.meters.say_source("Measuring…" if busy else self._source_detail)

    def _show_source_state(self, state: SourceState) -> None:
        self._source_detail = state.detail
        self.meters.say_source(state.detail)
        if state.text:
            sentence = f"{state.text} {state.advice}".strip()
            self.said.emit(sentence)
            if state.kind in ("waiting", "failed"):
                self.picture.clear(sentence)
                self.reading.set_state(LiveState(advice=state.advice))

    def _draw_profile(self) -> None:
        if not self.log.pinned and self.isVisible():
            self.profile.set_strand(self._strand)

    # --- what was logged

    def _say_logged(self, reading: LoggedReading) -> None:
        value = self.log.value_text(reading.diameter_mm)
        self.reading.set_logged(f"Logged: {value}")
        self.said.emit(f"Logged reading {reading.number}: {value}. Z takes it back.")
        self.voice.confirm(reading.diameter_mm, self._unit, self._preferences.wrap_factor)

    def say_section(self, diameter_mm: float, skein: str) -> None:
        """A reading was kept as a section of a skein, not on the bobbin."""
        value = self.log.value_text(diameter_mm)
        self.reading.set_logged(f"Section: {value}")
        self.said.emit(f"Kept {value} as a section of {skein}; not logged on the bobbin.")
        self.voice.confirm(diameter_mm, self._unit, self._preferences.wrap_factor)

    def _say_taken_back(self, reading: LoggedReading) -> None:
        self.said.emit(f"Took back reading {reading.number}. Shift+Z puts it back.")
        self.voice.take_back()

    def _say_put_back(self, reading: LoggedReading) -> None:
        self.said.emit(f"Put back reading {reading.number}.")

    # --- how it is shown

    @property
    def _unit(self) -> Unit:
        return self._preferences.unit

    def set_unit(self, unit: Unit) -> None:
        """Show thickness in this unit everywhere."""
        self._preferences.unit = unit
        self._tell_unit()

    def _other_unit(self) -> None:
        units = list(UNIT_NAMES)
        self.set_unit(units[(units.index(self._unit) + 1) % len(units)])

    def _tell_unit(self) -> None:
        unit, wrap = self._unit, self._preferences.wrap_factor
        self.show_unit(unit, wrap)
        self.bar.show_band(self._preferences.band, unit, wrap)
        self.unit_changed.emit(unit, wrap)

    def take_band(self, band: Band | None) -> None:
        """Judge by this band from now on, whoever sets it: a dialog, a spin's aim, a plan."""
        self._preferences.band = band
        self._tell_band()
        self.log.watch_drift()
        if band is None:
            self.said.emit("There is no band now.")
        else:
            words = band_text(band, self._unit, self._preferences.wrap_factor)
            self.said.emit(f"The band is {words}.")

    def _tell_band(self) -> None:
        band = self._preferences.band
        self.bar.show_band(band, self._unit, self._preferences.wrap_factor)
        self.show_band(band)
        self.session.set_aim(None if band is None else band.middle_mm)

    def edit_band(self) -> None:
        """Ask for the band."""
        dialog = BandDialog(self._preferences, self._theme, self)
        if dialog.exec() == QDialog.DialogCode.Accepted:
            self.take_twist_band(dialog.twist_band)
            self.take_band(dialog.band)

    def take_twist_band(self, band: TwistBand | None) -> None:
        """Judge ply twist by this band from now on, whoever sets it."""
        self._preferences.twist_band = band
        self.reading.set_twist_band(band)

    def _show_posture(self, posture: Posture) -> None:
        self.reading.set_plied(posture in PLIED_POSTURES)

    def edit_wrap_factor(self) -> None:
        """Ask how much farther apart than touching the spinner's own wraps lie."""
        value, done = QInputDialog.getDouble(
            self, "Wrap factor", _WRAP_FACTOR, self._preferences.wrap_factor, 0.5, 3.0, 3
        )
        if done:
            self.measuring.set_wrap_factor(value)
            self._tell_unit()

    def _turn_hands_free(self) -> None:
        self.bar.show_hands_free(not self.session.hands_free)

    def _set_hands_free(self, on: bool) -> None:
        self.session.hands_free = on
        self._preferences.hands_free = on

    def _set_sound(self, sound: Sound) -> None:
        self._preferences.sound = sound
        self.voice.set_loudness(sound)

    def _next_sound(self) -> None:
        order: tuple[Sound, ...] = ("off", "quiet", "on")
        sound = order[(order.index(self._preferences.sound) + 1) % len(order)]
        self._set_sound(sound)
        self.bar.show_sound(sound)
        self.said.emit(f"Sound {sound}.")

    def _turn_far_view(self) -> None:
        self.set_far(not self.is_far)
        self.far_view_changed.emit(self.is_far)

    def _escape(self) -> None:
        if self.is_far:
            self._turn_far_view()
        self.log.unpin()

    def save_chart(self) -> None:
        """Ask where the drift chart goes, as PNG or SVG."""
        if not self.chart.points.readings:
            self.said.emit("There are no readings on the chart to save.")
            return
        self._saver.ask(self.chart, self.bar.bobbin_name)
