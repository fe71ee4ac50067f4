"""What pictures are measured with: the printed card in use, the camera's lens, the wrap factor."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject

from app.window.gauge_session import GaugeSession
from app.window.preferences import Preferences
from measure.settings import Printer, Settings

if TYPE_CHECKING:
    from app.printed_cards import PrintedCard
    from measure.lens import Lens


class MeasuringSettings(QObject):
    """Hands every change to the session; looks up the lens of each camera that runs."""

    def __init__(self, preferences: Preferences, session: GaugeSession) -> None:
        super().__init__(session)
        self._preferences = preferences
        self._session = session
        self._settings = Settings(chart=preferences.chart, wrap_factor=preferences.wrap_factor)
        session.set_settings(self._settings)
        session.camera_changed.connect(self._find_lens)

    def set_printed_card(self, card: PrintedCard | None) -> None:
        """Measure on this card from now on, by its own printer's factors."""
        self._set(replace(self._settings, printer=Printer() if card is None else card.printer()))
        name, card_id = ("", "") if card is None else (card.name, card.id)
        bench = replace(self._session.bench, printed_card=name, printed_card_id=card_id)
        self._session.set_bench(bench)

    def set_wrap_factor(self, wrap_factor: float) -> None:
        """Turns lie this many diameters apart from now on."""
        self._preferences.wrap_factor = wrap_factor
        self._set(replace(self._settings, wrap_factor=wrap_factor))

    @property
    def settings(self) -> Settings:
        """How pictures are measured now."""
        return self._settings

    @property
    def lens(self) -> Lens | None:
        """The running camera's lens, where it is known."""
        return self._settings.lens

    def set_lens(self, lens: Lens | None) -> None:
        """Measure with this lens from now on: it belongs to the running camera."""
        if lens != self._settings.lens:
            self._set(replace(self._settings, lens=lens))

    def _find_lens(self, camera: str, width_px: int, height_px: int) -> None:
        if not camera:
            self.set_lens(None)
            return
        from app.lenses import FILE_NAME, Lenses

        known = Lenses(self._preferences.folder / FILE_NAME).find(camera, width_px, height_px)
        self.set_lens(None if known is None else known.lens)

    def _set(self, settings: Settings) -> None:
        self._settings = settings
        self._session.set_settings(settings)
