"""The bobbin that is spun on: which one, its readings, their drift, and the one looked at."""

from __future__ import annotations

from dataclasses import replace

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QInputDialog

from app.notebook.records import LoggedReading, Posture
from app.notebook.store import Notebook
from app.window.bench_bar import BobbinChoice
from app.window.desk import Desk
from app.window.gauge_parts import GaugeParts
from app.window.gauge_session import GaugeSession
from app.window.log_entry import FIRST_SPIN
from app.window.preferences import Preferences


class BobbinLog(QObject):
    """Keeps bar, chart and profile in step with the notebook."""

    def __init__(
        self,
        preferences: Preferences,
        desk: Desk,
        session: GaugeSession,
        parts: GaugeParts,
    ) -> None:
        super().__init__(parts)
        self._preferences = preferences
        self._desk = desk
        self._session = session
        self._parts = parts
        self._readings: list[LoggedReading] = []
        self._pinned = ""
        bar = parts.bar
        bar.bobbin_chosen.connect(self._choose)
        bar.spun_changed.connect(lambda g: session.set_bench(replace(session.bench, spun_g=g)))
        bar.posture_chosen.connect(self._choose_posture)
        parts.chart.chosen.connect(self.pin)
        session.bobbin_made.connect(self.use)
        session.logged.connect(self._add)
        session.taken_back.connect(self._remove)
        session.put_back_done.connect(lambda _: self._load_readings())

    def value_text(self, diameter_mm: float) -> str:
        """A thickness in the unit that is shown."""
        if self._preferences.unit == "mm":
            return f"{diameter_mm:.2f} mm"
        return f"{25.4 / (diameter_mm * self._preferences.wrap_factor):.1f} WPI"

    # --- which bobbin

    def load(self) -> None:
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

    def use(self, bobbin: str) -> None:
        """Log under this bobbin from now on."""
        self._preferences.bobbin = bobbin
        self.load()

    def _show_bobbins(self, found: tuple[list[BobbinChoice], str]) -> None:
        entries, chosen = found
        self._parts.bar.show_bobbins(entries, chosen)
        self._use(chosen)

    def _use(self, bobbin: str) -> None:
        if bobbin != self._session.bench.bobbin:
            self.unpin()
        self._preferences.bobbin = bobbin
        self._session.set_bench(replace(self._session.bench, bobbin=bobbin))
        self._load_readings()

    def _choose(self, bobbin: str) -> None:
        if bobbin:
            self._use(bobbin)
            return
        name, done = QInputDialog.getText(self._parts, "New bobbin", "Name of the bobbin:")
        if not done or not name.strip():
            self.load()
            return
        current = self._preferences.bobbin

        def make(notebook: Notebook) -> str:
            if current:
                spin = notebook.bobbin(current).spin_id
            else:
                spins = notebook.spins()
                spin = (spins[0] if spins else notebook.add_spin(FIRST_SPIN)).id
            return notebook.add_bobbin(spin, name.strip()).id

        self._desk.ask(make, self.use)

    def _choose_posture(self, posture: Posture) -> None:
        self._preferences.posture = posture
        self._session.set_bench(replace(self._session.bench, posture=posture))
        self._load_readings()

    # --- its readings

    def _load_readings(self) -> None:
        bobbin, posture = self._session.bench.bobbin, self._session.bench.posture
        if not bobbin:
            self._show_readings([])
            return
        self._desk.ask(
            lambda notebook: [r for r in notebook.readings(bobbin) if r.posture == posture],
            self._show_readings,
        )

    def _show_readings(self, readings: list[LoggedReading]) -> None:
        self._readings = readings
        self._parts.chart.set_readings(readings)
        self.watch_drift()
        if readings and readings[-1].spun_g is not None:
            self._parts.bar.show_spun(readings[-1].spun_g)

    def _add(self, reading: LoggedReading) -> None:
        if reading.posture == self._session.bench.posture:
            self._readings.append(reading)
            self._parts.chart.add(reading)
            self.watch_drift()

    def _remove(self, reading: LoggedReading) -> None:
        self._readings = [r for r in self._readings if r.id != reading.id]
        self._parts.chart.remove(reading.id)
        if reading.id == self._pinned:
            self.unpin()
        self.watch_drift()

    def watch_drift(self) -> None:
        """Work the drift out anew: after another reading, or against another band."""
        from app.reading_points import points_of
        from measure.drift import watch_drift

        points = points_of(self._readings)
        if not points:
            self._parts.chart.set_trend(None)
            self._parts.say_drift("")
            return
        drift = watch_drift(points, self._preferences.band)
        self._parts.chart.set_trend(drift)
        self._parts.say_drift(drift.sentence[:1].upper() + drift.sentence[1:])

    # --- the reading looked at

    @property
    def pinned(self) -> str:
        """Id of the logged reading whose profile is shown; empty: the strand before the camera."""
        return self._pinned

    def pin(self, reading_id: str) -> None:
        """Show a logged reading's picture and profile."""

        def fetch(notebook: Notebook) -> tuple[LoggedReading, bytes | None]:
            return notebook.reading(reading_id), notebook.picture(reading_id)

        self._desk.ask(fetch, self._show_pinned)

    def unpin(self) -> None:
        """Show the strand before the camera again."""
        self._pinned = ""
        self._parts.chart.mark(None)
        self._parts.show_logged("", None)

    def _show_pinned(self, found: tuple[LoggedReading, bytes | None]) -> None:
        reading, picture = found
        self._pinned = reading.id
        self._parts.chart.mark(reading.id)
        self._parts.profile.set_strand(reading.reading)
        taken = reading.taken_at.astimezone().strftime("%d %b %Y, %H:%M")
        value = self.value_text(reading.diameter_mm)
        self._parts.show_logged(
            f"Reading {reading.number}, {taken}: {value} (Esc goes back)", picture
        )
