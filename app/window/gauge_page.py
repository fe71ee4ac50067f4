"""The gauge at the wheel: the picture, the figure, the drift, and what they are logged under."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Final, Literal, cast

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QMimeData, QObject, Qt, QTimer, Signal
from PySide6.QtGui import QAction, QGuiApplication, QKeyEvent, QKeySequence, QPixmap, QShowEvent
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QLineEdit,
    QMenu,
    QMessageBox,
    QPlainTextEdit,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from app import UseError
from app.batch import PICTURE_SUFFIXES
from app.notebook.records import LoggedReading, Posture
from app.notebook.store import Notebook
from app.window.band_editor import BandEditor
from app.window.bench_bar import BenchBar, BobbinChoice, band_text
from app.window.big_reading import UNIT_NAMES, BigReading
from app.window.camera_meters import CameraMeters
from app.window.desk import Desk
from app.window.drift_chart import DriftChart
from app.window.export import save_chart
from app.window.frame import Frame, SourceState
from app.window.gauge_session import FIRST_SPIN, Bench, GaugeSession
from app.window.measurer import Measured, MeasuredStill, OpenedStill
from app.window.picture_view import PictureView
from app.window.preferences import Preferences, Sound, Unit
from app.window.profile_plot import ProfilePlot
from app.window.sound import Voice
from app.window.sources.listing import (
    SourceError,
    SourceList,
    key_of_path,
    name_of_key,
    open_source,
)
from app.window.sources.still import given
from app.window.sources.video import VIDEO_SUFFIXES
from app.window.theme import LIGHT, Theme
from measure.band import Band
from measure.errors import MeasureError
from measure.live import LiveState
from measure.results import StrandReading
from measure.settings import Printer, Settings

if TYPE_CHECKING:
    from app.printed_cards import PrintedCard
    from measure.lens import Lens

_AXES: Final[tuple[tuple[Literal["number", "time", "grams"], str, str], ...]] = (
    ("number", "by number", "Readings one beside the other"),
    ("time", "by time", "By the time spent spinning"),
    ("grams", "by grams", "By the fibre spun so far"),
)
_PROFILE_MS: Final = 200
"""The strand's profile is drawn anew at most this often: it is looked at, not watched."""
AT_THE_WHEEL: Final = (
    "Stop the wheel, or let go of the treadle or switch, before you bring a card or a camera near "
    "flyer, hooks or drive band. Tie back hair, cords and sleeves."
)
_LOADED_LATER: Final = (
    "app.window.drift_plot",
    "app.window.profile_curves",
    "app.printed_cards",
    "app.lenses",
    "measure.drift",
)
"""What takes long to import and is not needed to draw the window."""
_INSET_PX: Final = 90
_TYPED_INTO: Final = (QAbstractButton, QAbstractSpinBox, QComboBox, QLineEdit, QPlainTextEdit)
_STARTING: Final = "Choose a camera above, open a picture or a video (Ctrl+O), or drop one here."


class GaugePage(QWidget):
    """Everything a spinner needs while spinning, on one page."""

    said = Signal(str)
    far_view_changed = Signal(bool)
    _loaded = Signal()
    unit_changed = Signal(str, float)
    """Unit, and wrap factor."""

    def __init__(self, preferences: Preferences, desk: Desk, source: str | None) -> None:
        super().__init__()
        self._preferences = preferences
        self._desk = desk
        self._theme: Theme = LIGHT
        self._settings = Settings(chart=preferences.chart, wrap_factor=preferences.wrap_factor)
        self._readings: list[LoggedReading] = []
        self._letters: list[QAction] = []
        self._pinned = ""
        self._strand: StrandReading | None = None
        self.session = GaugeSession(
            desk,
            self._settings,
            Bench(preferences.bobbin, preferences.posture, printed_card=""),
            self,
        )
        self.sources = SourceList(self)
        self.bar = BenchBar()
        self.picture = PictureView()
        self.reading = BigReading()
        self.chart = DriftChart()
        self.profile = ProfilePlot()
        self.voice = Voice(self)
        self._drift = _sentence("Drift")
        self._source_words = _sentence("Source")
        self._source_words.setWordWrap(False)
        self.meters = CameraMeters()
        self._profile_words = _sentence("Strand shown")
        self._inset = QLabel()
        self._inset.setAccessibleName("Picture of the reading")
        self._inset.hide()
        self._profile_words.hide()
        self._build()
        self._profile_timer = QTimer(self)
        self._profile_timer.setInterval(_PROFILE_MS)
        self._profile_timer.timeout.connect(self._draw_profile)
        self._profile_timer.start()
        self._connect()
        self._show_preferences()
        application = QApplication.instance()
        if application is not None:
            application.installEventFilter(self)
        # The window is drawn first; what its content needs is loaded beside it.
        self._stopped = False
        self._loading: Thread | None = None
        self._loaded.connect(lambda: self._begin(source), Qt.ConnectionType.QueuedConnection)
        QTimer.singleShot(0, self, self._load)

    def _load(self) -> None:
        def load() -> None:
            for name in _LOADED_LATER:
                import_module(name)
            self._loaded.emit()

        self._loading = Thread(target=load, name="load")
        self._loading.start()

    def _begin(self, source: str | None) -> None:
        if self._stopped:
            return  # closed before it had loaded
        from app.printed_cards import FILE_NAME, PrintedCards

        cards = PrintedCards(self._preferences.folder / FILE_NAME)
        if cards.trouble:
            self.said.emit(cards.trouble)
        self.set_printed_card(cards.chosen())
        self.load_bobbins()
        self._first_source(source)

    # --- building

    def _build(self) -> None:
        self._seen = QWidget()
        column = QVBoxLayout(self._seen)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addWidget(self.picture, 1)
        below = QHBoxLayout()
        below.addWidget(self.meters, 1)
        below.addWidget(self._source_words)
        column.addLayout(below)

        self._axis = QComboBox()
        self._axis.setAccessibleName("What the chart runs along")
        self._axis.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        for axis_name, text, tip in _AXES:
            self._axis.addItem(text, axis_name)
            self._axis.setItemData(self._axis.count() - 1, tip, Qt.ItemDataRole.ToolTipRole)
        self._axis.setToolTip("Lay the readings out by their number, by time or by fibre spun")
        self._axis.activated.connect(lambda _: self.chart.set_x(self._axis.currentData()))
        axis = QHBoxLayout()
        axis.setSpacing(8)
        axis.addWidget(self._drift, 1)
        axis.addWidget(self._axis)
        drift = _panel()
        inside = cast(QVBoxLayout, drift.layout())
        inside.addLayout(axis)
        inside.addWidget(self.chart, 1)
        along = _panel()
        inside = cast(QVBoxLayout, along.layout())
        inside.addWidget(self._profile_words)
        inside.addWidget(self._inset)
        inside.addWidget(self.profile, 1)
        figure = _panel(0)
        cast(QVBoxLayout, figure.layout()).addWidget(self.reading)

        self._top, self._low = QSplitter(), QSplitter()
        self._both = QSplitter(Qt.Orientation.Vertical)
        for splitter, parts, sizes in (
            (self._top, (self._seen, figure), (620, 460)),
            (self._low, (drift, along), (620, 460)),
            (self._both, (self._top, self._low), (430, 260)),
        ):
            splitter.setHandleWidth(10)
            splitter.setChildrenCollapsible(False)
            for part in parts:
                splitter.addWidget(part)
            splitter.setSizes(list(sizes))
        for name, splitter in self._splits():
            splitter.restoreState(self._preferences.split(name))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 10, 12, 6)
        layout.setSpacing(8)
        layout.addWidget(self.bar)
        layout.addWidget(self._both, 1)
        # Keys are for the gauge until something else is reached with Tab.
        self.setFocusProxy(self.picture)

    def _splits(self) -> tuple[tuple[str, QSplitter], ...]:
        return (("top", self._top), ("low", self._low), ("both", self._both))

    def _connect(self) -> None:
        session, bar = self.session, self.bar
        session.frame_arrived.connect(self._show_frame)
        session.live_changed.connect(self._show_live)
        session.still_opened.connect(self._show_opened)
        session.still_measured.connect(self._show_still)
        session.chosen.connect(self._show_chosen)
        session.camera_changed.connect(self._find_lens)
        session.source_changed.connect(self._show_source_state)
        session.logged.connect(self._show_logged)
        session.taken_back.connect(self._show_taken_back)
        session.put_back_done.connect(self._show_put_back)
        session.bobbin_made.connect(self._bobbin_made)
        session.said.connect(self.said)
        session.busy.connect(self._show_busy)
        bar.source_chosen.connect(self.choose_source)
        bar.open_wanted.connect(self.open_files)
        bar.folder_wanted.connect(self.open_folder)
        bar.band_wanted.connect(self.edit_band)
        bar.unit_chosen.connect(self.set_unit)
        bar.bobbin_chosen.connect(self._choose_bobbin)
        bar.spun_changed.connect(lambda g: session.set_bench(replace(session.bench, spun_g=g)))
        bar.posture_chosen.connect(self._choose_posture)
        bar.hands_free_changed.connect(self._set_hands_free)
        bar.sound_chosen.connect(self._set_sound)
        self.sources.changed.connect(self._list_sources)
        self.chart.chosen.connect(self.pin_reading)
        self.picture.dropped.connect(self._take_given)
        self.picture.strand_chosen.connect(session.choose_number)
        self.voice.said.connect(self.said)

    def _show_preferences(self) -> None:
        preferences = self._preferences
        self._list_sources()
        self.bar.show_posture(preferences.posture)
        self.bar.show_hands_free(preferences.hands_free)
        self.session.hands_free = preferences.hands_free
        self.bar.show_sound(preferences.sound)
        self.voice.set_loudness(preferences.sound)
        self.picture.clear(_STARTING)
        self._show_unit()
        self._show_band()

    def add_actions(self, menus: dict[str, QMenu]) -> None:
        """The page's actions, each with its key."""
        for menu, text, key, slot in (
            ("file", "&Open picture or video…", "Ctrl+O", self.open_files),
            ("file", "&Paste picture", "Ctrl+V", self.paste),
            ("file", "&Watch a folder…", "Ctrl+F", self.open_folder),
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
        for part in (self.picture, self.reading, self.chart, self.profile, self.meters):
            part.set_theme(theme)

    def stop(self) -> None:
        """End all work and remember how things stood."""
        application = QApplication.instance()
        if application is not None:
            application.removeEventFilter(self)
        self._stopped = True
        self._profile_timer.stop()
        for name, splitter in self._splits():
            self._preferences.set_split(name, splitter.saveState())
        self.session.stop()
        self.voice.stop()
        if self._loading is not None:
            self._loading.join()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """A space anywhere on this page takes a reading, unless something is being filled in.

        A shortcut would keep the space from buttons and fields; so would a foot switch's.
        """
        if event.type() != QEvent.Type.KeyPress or not self.isVisible():
            return False
        key = cast(QKeyEvent, event)
        if key.key() != Qt.Key.Key_Space or key.isAutoRepeat() or key.modifiers():
            return False
        focus = QApplication.focusWidget()
        if QApplication.activePopupWidget() or QApplication.activeModalWidget():
            return False
        if isinstance(focus, _TYPED_INTO) or not isinstance(watched, QWidget):
            return False
        if watched.window() is not self.window():
            return False
        self.session.take_now()
        return True

    # --- sources

    def _list_sources(self) -> None:
        entries = [(choice.key, choice.name) for choice in self.sources.choices()]
        chosen = self.sources.listed_key(self._preferences.source)
        if chosen and chosen not in [key for key, _ in entries]:
            entries.append((chosen, name_of_key(chosen)))
        self.bar.show_sources(entries, chosen)

    def _first_source(self, source: str | None) -> None:
        if source is not None:
            for choice in self.sources.choices():
                if source == choice.name:
                    source = choice.key
            self.choose_source(source)
        elif self._preferences.source:
            self.choose_source(self._preferences.source)

    def choose_source(self, key: str) -> None:
        """Look at this source from now on; remembered for next time."""
        if not key:
            self._preferences.source = ""
            self.session.set_source(None)
            self.picture.clear(_STARTING)
            self.reading.set_state(LiveState())
            self._source_words.clear()
            return
        try:
            source = open_source(key, self)
        except SourceError as error:
            self.said.emit(f"{error.text} {error.advice}")
            self._list_sources()
            return
        key = key_of_path(Path(key)) if Path(key).exists() else key
        self._preferences.source = key
        self._unpin()
        self.meters.show_help(None)
        if key.startswith("camera:") and not self._preferences.cautioned:
            self._preferences.cautioned = True
            self._caution = QMessageBox(
                QMessageBox.Icon.Information, "At the wheel", AT_THE_WHEEL, parent=self
            )
            self._caution.open()
        self.session.set_source(source, arriving=key.startswith("folder:"))
        self._list_sources()

    def open_files(self) -> None:
        """Ask for a picture or a video."""
        pictures = " ".join(f"*{s}" for s in PICTURE_SUFFIXES)
        videos = " ".join(f"*{s}" for s in VIDEO_SUFFIXES)
        name, _ = QFileDialog.getOpenFileName(
            self,
            "Open a picture or a video",
            "",
            f"Pictures and videos ({pictures} {videos});;All files (*)",
        )
        if name:
            self.choose_source(key_of_path(Path(name)))
        else:
            self._list_sources()

    def open_folder(self) -> None:
        """Ask for a folder to watch."""
        name = QFileDialog.getExistingDirectory(self, "Watch a folder for pictures")
        if name:
            self.choose_source(key_of_path(Path(name)))
        else:
            self._list_sources()

    def paste(self) -> None:
        """Measure what lies on the clipboard."""
        self._take_given(QGuiApplication.clipboard().mimeData())

    def _take_given(self, mime: QMimeData) -> None:
        what = given(mime)
        if what.text:
            self.said.emit(what.text)
        if what.place is not None:
            self.choose_source(key_of_path(what.place))
        elif what.stills:
            self.session.set_source(None)
            self._unpin()
            for still in what.stills:
                self.session.measure_still(still)

    def newest_pixels(self) -> NDArray[np.uint8] | None:
        """The frame shown now, for pages that want a picture from the running camera."""
        return self.session.newest_pixels

    # --- what is seen

    def _show_frame(self, frame: Frame) -> None:
        self.picture.show_frame(frame)

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
            name = measured.still.name
            self.said.emit(
                ("" if name in error.text else f"{name}: ") + f"{error.text} {error.advice}"
            )
            self.reading.set_strand(None, error.advice)
            return
        if measured.preview is not None:
            self.picture.show_still(measured.preview)
        self.picture.set_reading(measured.reading)
        if not measured.reading.strands and measured.reading.refusals:
            refusal = measured.reading.refusals[0]
            self.reading.set_strand(None, f"{refusal.text} {refusal.advice}")
        strands = len(measured.reading.strands)
        if strands > 1:
            self.said.emit(
                f"{strands} strands in {measured.still.name}: N shows the next, space logs the one "
                "shown."
            )

    def _show_chosen(self, strand: StrandReading | None) -> None:
        if strand is None:
            self._strand = None
            return
        self.reading.set_strand(strand)
        self.picture.set_chosen(strand.number)
        self._strand = strand

    def _show_busy(self, busy: bool) -> None:
        if busy:
            self._source_words.setText("Measuring…")
        else:
            self._source_words.clear()

    def _show_source_state(self, state: SourceState) -> None:
        self._source_words.setText(state.detail)
        if state.text:
            sentence = f"{state.text} {state.advice}".strip()
            self.said.emit(sentence)
            if state.kind in ("waiting", "failed"):
                self.picture.clear(sentence)
                self.reading.set_state(LiveState(advice=state.advice))

    def _draw_profile(self) -> None:
        if not self._pinned and self.isVisible():
            self.profile.set_strand(self._strand)

    # --- the log

    def _show_logged(self, reading: LoggedReading) -> None:
        value = self._value_text(reading.diameter_mm)
        self.reading.set_logged(f"Logged: {value}")
        self.said.emit(f"Logged reading {reading.number}: {value}. Z takes it back.")
        self.voice.confirm(reading.diameter_mm, self._unit, self._preferences.wrap_factor)
        if reading.posture == self.session.bench.posture:
            self._readings.append(reading)
            self.chart.add(reading)
            self._watch_drift()

    def _show_taken_back(self, reading: LoggedReading) -> None:
        self.said.emit(f"Took back reading {reading.number}. Shift+Z puts it back.")
        self.voice.take_back()
        self._readings = [r for r in self._readings if r.id != reading.id]
        self.chart.remove(reading.id)
        self._watch_drift()

    def _show_put_back(self, reading: LoggedReading) -> None:
        self.said.emit(f"Put back reading {reading.number}.")
        self._load_readings()

    def _value_text(self, diameter_mm: float) -> str:
        if self._unit == "mm":
            return f"{diameter_mm:.2f} mm"
        return f"{25.4 / (diameter_mm * self._preferences.wrap_factor):.1f} WPI"

    def _watch_drift(self) -> None:
        from app.reading_points import points_of
        from measure.drift import watch_drift

        points = points_of(self._readings)
        if not points:
            self.chart.set_trend(None)
            self._drift.clear()
            return
        drift = watch_drift(points, self._preferences.band)
        self.chart.set_trend(drift)
        sentence = drift.sentence[:1].upper() + drift.sentence[1:]
        self._drift.setText(sentence)
        self._drift.setToolTip(sentence)

    def pin_reading(self, reading_id: str) -> None:
        """Show a logged reading's picture and profile; Escape goes back."""

        def fetch(notebook: Notebook) -> tuple[LoggedReading, bytes | None]:
            return notebook.reading(reading_id), notebook.picture(reading_id)

        self._desk.ask(fetch, self._show_pinned)

    def _show_pinned(self, found: tuple[LoggedReading, bytes | None]) -> None:
        reading, picture = found
        self._pinned = reading.id
        self.chart.mark(reading.id)
        self.profile.set_strand(reading.reading)
        taken = reading.taken_at.astimezone().strftime("%d %b %Y, %H:%M")
        self._profile_words.show()
        self._profile_words.setText(
            f"Reading {reading.number}, {taken}: {self._value_text(reading.diameter_mm)} "
            "(Esc goes back)"
        )
        self._show_inset(picture)

    @property
    def pinned(self) -> str:
        """Id of the logged reading whose profile is shown; empty: the strand before the camera."""
        return self._pinned

    def _show_inset(self, jpeg: bytes | None) -> None:
        """A logged reading's own picture above its profile."""
        pixmap = QPixmap()
        if jpeg is not None and pixmap.loadFromData(jpeg):
            self._inset.setPixmap(
                pixmap.scaled(
                    self.profile.width(),
                    _INSET_PX,
                    Qt.AspectRatioMode.KeepAspectRatio,
                    Qt.TransformationMode.SmoothTransformation,
                )
            )
        self._inset.setVisible(not pixmap.isNull())

    def _unpin(self) -> None:
        self._pinned = ""
        self._profile_words.hide()
        self.chart.mark(None)
        self._show_inset(None)

    # --- bobbins

    def load_bobbins(self) -> None:
        """Look up which bobbins there are, and show the readings of the chosen one."""
        chosen = self._preferences.bobbin

        def fetch(notebook: Notebook) -> tuple[list[BobbinChoice], str]:
            entries = [
                BobbinChoice(bobbin.id, f"{bobbin.name} · {spin.name}")
                for spin in notebook.spins()
                for bobbin in notebook.bobbins(spin.id)
            ]
            ids = {entry.bobbin_id for entry in entries}
            return entries, chosen if chosen in ids else ""

        self._desk.ask(fetch, self._show_bobbins)

    def _show_bobbins(self, found: tuple[list[BobbinChoice], str]) -> None:
        entries, chosen = found
        self.bar.show_bobbins(entries, chosen)
        self._use_bobbin(chosen)

    def _use_bobbin(self, bobbin: str) -> None:
        self._preferences.bobbin = bobbin
        self.session.set_bench(replace(self.session.bench, bobbin=bobbin))
        self._load_readings()

    def use_bobbin(self, bobbin: str) -> None:
        """Log under this bobbin from now on."""
        self._preferences.bobbin = bobbin
        self.load_bobbins()

    def _bobbin_made(self, bobbin: str) -> None:
        self.use_bobbin(bobbin)

    def _choose_bobbin(self, bobbin: str) -> None:
        if bobbin:
            self._use_bobbin(bobbin)
            return
        name, done = QInputDialog.getText(self, "New bobbin", "Name of the bobbin:")
        if not done or not name.strip():
            self.load_bobbins()
            return
        current = self._preferences.bobbin

        def make(notebook: Notebook) -> str:
            if current:
                spin = notebook.bobbin(current).spin_id
            else:
                spins = notebook.spins()
                spin = (spins[0] if spins else notebook.add_spin(FIRST_SPIN)).id
            return notebook.add_bobbin(spin, name.strip()).id

        self._desk.ask(make, self._bobbin_made)

    def _load_readings(self) -> None:
        bobbin, posture = self.session.bench.bobbin, self.session.bench.posture
        if not bobbin:
            self._show_readings([])
            return
        self._desk.ask(
            lambda notebook: [r for r in notebook.readings(bobbin) if r.posture == posture],
            self._show_readings,
        )

    def _show_readings(self, readings: list[LoggedReading]) -> None:
        self._readings = readings
        self.chart.set_readings(readings)
        self._watch_drift()
        if readings and readings[-1].spun_g is not None:
            self.bar.show_spun(readings[-1].spun_g)

    def _choose_posture(self, posture: Posture) -> None:
        self._preferences.posture = posture
        self.session.set_bench(replace(self.session.bench, posture=posture))
        self._load_readings()

    # --- how it is shown

    @property
    def _unit(self) -> Unit:
        return self._preferences.unit

    def set_unit(self, unit: Unit) -> None:
        """Show thickness in this unit everywhere."""
        self._preferences.unit = unit
        self._show_unit()

    def _other_unit(self) -> None:
        units = list(UNIT_NAMES)
        self.set_unit(units[(units.index(self._unit) + 1) % len(units)])

    def _show_unit(self) -> None:
        unit, wrap = self._unit, self._preferences.wrap_factor
        self.bar.show_unit(unit)
        self.bar.show_band(self._preferences.band, unit, wrap)
        self.reading.set_unit(unit, wrap)
        self.picture.set_unit(unit, wrap)
        self.chart.set_unit(unit, wrap)
        self.profile.set_unit(unit, wrap)
        self.unit_changed.emit(unit, wrap)

    def take_band(self, band: Band | None) -> None:
        """Judge by this band from now on, whoever sets it: a dialog, a spin's aim, a plan."""
        self._preferences.band = band
        self._show_band()
        self._watch_drift()
        if band is None:
            self.said.emit("There is no band now.")
        else:
            words = band_text(band, self._unit, self._preferences.wrap_factor)
            self.said.emit(f"The band is {words}.")

    def _show_band(self) -> None:
        band = self._preferences.band
        self.bar.show_band(band, self._unit, self._preferences.wrap_factor)
        self.reading.set_band(band)
        self.chart.set_band(band)
        self.profile.set_band(band)
        self.session.set_aim(None if band is None else band.middle_mm)

    def set_printed_card(self, card: PrintedCard | None) -> None:
        """Measure on this card from now on, by its own printer's factors."""
        printer = Printer() if card is None else card.printer()
        self._settings = replace(self._settings, printer=printer)
        self.session.set_settings(self._settings)
        name, card_id = ("", "") if card is None else (card.name, card.id)
        bench = replace(self.session.bench, printed_card=name, printed_card_id=card_id)
        self.session.set_bench(bench)

    @property
    def lens(self) -> Lens | None:
        """The running camera's lens, where it is known."""
        return self._settings.lens

    def set_lens(self, lens: Lens | None) -> None:
        """Measure with this lens from now on: it belongs to the running camera."""
        if lens != self._settings.lens:
            self._settings = replace(self._settings, lens=lens)
            self.session.set_settings(self._settings)

    def _find_lens(self, camera: str, width_px: int, height_px: int) -> None:
        if not camera:
            self.set_lens(None)
            return
        from app.lenses import FILE_NAME as LENSES_FILE
        from app.lenses import Lenses

        known = Lenses(self._preferences.folder / LENSES_FILE).find(camera, width_px, height_px)
        self.set_lens(None if known is None else known.lens)

    def edit_band(self) -> None:
        """Ask for the band."""
        dialog = BandDialog(self._preferences, self._theme, self)
        if dialog.exec() == QDialog.DialogCode.Accepted:
            self.take_band(dialog.band)

    def edit_wrap_factor(self) -> None:
        """Ask how much farther apart than touching the spinner's own wraps lie."""
        value, done = QInputDialog.getDouble(
            self,
            "Wrap factor",
            "Pitch of your own hand-wrapped yarn over its diameter.\n"
            "1 means turns that touch and are not squeezed:",
            self._preferences.wrap_factor,
            0.5,
            3.0,
            3,
        )
        if done:
            self._preferences.wrap_factor = value
            self._settings = replace(self._settings, wrap_factor=value)
            self.session.set_settings(self._settings)
            self._show_unit()

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
        self._set_far_view(self.bar.isVisible())

    def _set_far_view(self, on: bool) -> None:
        for part in (self.bar, self._low, self._seen):
            part.setVisible(not on)
        self.far_view_changed.emit(on)

    def _escape(self) -> None:
        if not self.bar.isVisible():
            self._set_far_view(False)
        self._unpin()

    def save_chart(self) -> None:
        """Ask where the drift chart goes, as PNG or SVG."""
        name, kind = QFileDialog.getSaveFileName(
            self, "Save the drift chart", "drift.png", "PNG picture (*.png);;SVG drawing (*.svg)"
        )
        if not name:
            return
        file = Path(name)
        if not file.suffix:
            file = file.with_suffix(".svg" if "svg" in kind else ".png")
        try:
            save_chart(self.chart, file, self.bar.bobbin_name)
        except UseError as error:
            self.said.emit(str(error))
        else:
            self.said.emit(f"Saved {file}.")


class BandDialog(QDialog):
    """Asks for the band; no band is an answer too."""

    def __init__(self, preferences: Preferences, theme: Theme, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Band")
        self.band = preferences.band
        self._theme = theme
        self._editor = BandEditor()
        self._editor.set_theme(theme)
        self._editor.set_unit(preferences.unit, preferences.wrap_factor)
        self._editor.set_chart(preferences.chart)
        self._editor.set_band(preferences.band)
        self._editor.changed.connect(self._changed)
        buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel
        )
        none = buttons.addButton("No band", QDialogButtonBox.ButtonRole.DestructiveRole)
        none.clicked.connect(self._no_band)
        self._ok = buttons.button(QDialogButtonBox.StandardButton.Ok)
        self._ok.setProperty("main", True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(self._editor)
        layout.addWidget(buttons)

    def showEvent(self, event: QShowEvent) -> None:
        """A dialog takes the application's palette when it is shown; its hint has its own."""
        super().showEvent(event)
        self._editor.set_theme(self._theme)

    def _changed(self, band: Band | None) -> None:
        self.band = band
        self._ok.setEnabled(band is not None)

    def _no_band(self) -> None:
        self.band = None
        self.accept()


def _sentence(name: str) -> QLabel:
    label = QLabel()
    label.setObjectName("quiet")
    label.setAccessibleName(name)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    return label


def _panel(margin: int = 10) -> QFrame:
    panel = QFrame()
    panel.setObjectName("panel")
    layout = QVBoxLayout(panel)
    layout.setContentsMargins(margin, margin, margin, margin)
    layout.setSpacing(6)
    return panel
