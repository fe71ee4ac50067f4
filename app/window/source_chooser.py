"""How a person says what is to be looked at: from the list, a file, a folder, dropped, pasted."""

from __future__ import annotations

from pathlib import Path
from threading import Thread
from typing import Final

from PySide6.QtCore import QMimeData, QObject, Qt, Signal
from PySide6.QtGui import QGuiApplication, QImage
from PySide6.QtWidgets import QFileDialog, QMessageBox, QWidget

from app.batch import PICTURE_SUFFIXES
from app.window.bench_bar import BenchBar
from app.window.gauge_session import GaugeSession
from app.window.preferences import Preferences
from app.window.sources.listing import (
    SourceError,
    SourceList,
    key_of_path,
    name_of_key,
    open_source,
)
from app.window.sources.still import given, still_of_image
from app.window.sources.video import VIDEO_SUFFIXES

AT_THE_WHEEL: Final = (
    "Stop the wheel, or let go of the treadle or switch, before you bring a card or a camera near "
    "flyer, hooks or drive band. Tie back hair, cords and sleeves."
)


class SourceChooser(QObject):
    """Opens what is chosen, hands it to the session and remembers it for next time."""

    said = Signal(str)
    """A sentence for the person."""
    changed = Signal(bool)
    """Something else is looked at from now on; whether there is anything at all."""
    _pasted = Signal(object)
    """Still, from the thread that made it."""

    def __init__(
        self, preferences: Preferences, session: GaugeSession, bar: BenchBar, page: QWidget
    ) -> None:
        super().__init__(page)
        self._preferences = preferences
        self._session = session
        self._bar = bar
        self._page = page
        self._encoding: Thread | None = None
        self._pasted.connect(session.measure_still, Qt.ConnectionType.QueuedConnection)
        self._list = SourceList(self)
        self._list.changed.connect(self.show)
        bar.source_chosen.connect(self.choose)
        bar.open_wanted.connect(self.open_files)
        bar.folder_wanted.connect(self.open_folder)

    def show(self) -> None:
        """Fill the list of what can be looked at now."""
        entries = [(choice.key, choice.name) for choice in self._list.choices()]
        chosen = self._list.listed_key(self._preferences.source)
        if chosen and chosen not in [key for key, _ in entries]:
            entries.append((chosen, name_of_key(chosen)))
        self._bar.show_sources(entries, chosen)

    def begin(self, source: str | None) -> None:
        """Look at this key, name or file, or with None at what was looked at last."""
        if source is None:
            source = self._preferences.source
            if not source:
                return
        else:
            named = [choice.key for choice in self._list.choices() if choice.name == source]
            source = named[-1] if named else source
        self.choose(source)

    def choose(self, key: str) -> None:
        """Look at this source from now on; empty: at none."""
        if not key:
            self._preferences.source = ""
            self._session.set_source(None)
            self.changed.emit(False)
            return
        try:
            source = open_source(key, self)
        except SourceError as error:
            self.said.emit(f"{error.text} {error.advice}")
            self.show()
            return
        key = key_of_path(Path(key)) if Path(key).exists() else key
        self._preferences.source = key
        self.changed.emit(True)
        if key.startswith("camera:"):
            self._caution_once()
        self._session.set_source(source, arriving=key.startswith("folder:"))
        self.show()

    def _caution_once(self) -> None:
        if not self._preferences.cautioned:
            self._preferences.cautioned = True
            self._caution = QMessageBox(
                QMessageBox.Icon.Information, "At the wheel", AT_THE_WHEEL, parent=self._page
            )
            self._caution.open()

    def open_files(self) -> None:
        """Ask for a picture or a video."""
        pictures = " ".join(f"*{s}" for s in PICTURE_SUFFIXES)
        videos = " ".join(f"*{s}" for s in VIDEO_SUFFIXES)
        name, _ = QFileDialog.getOpenFileName(
            self._page,
            "Open a picture or a video",
            "",
            f"Pictures and videos ({pictures} {videos});;All files (*)",
        )
        self._choose_named(name)

    def open_folder(self) -> None:
        """Ask for a folder to watch."""
        self._choose_named(
            QFileDialog.getExistingDirectory(self._page, "Watch a folder for pictures")
        )

    def _choose_named(self, name: str) -> None:
        if name:
            self.choose(key_of_path(Path(name)))
        else:
            self.show()

    def paste(self) -> None:
        """Measure what lies on the clipboard."""
        self.take(QGuiApplication.clipboard().mimeData())

    def take(self, mime: QMimeData) -> None:
        """Measure what was dropped or pasted."""
        what = given(mime)
        if what.text:
            self.said.emit(what.text)
        if what.place is not None:
            self.choose(key_of_path(what.place))
        elif what.stills or what.image is not None:
            self._session.set_source(None)
            self.changed.emit(True)
            for still in what.stills:
                self._session.measure_still(still)
            if what.image is not None:
                self._encode(what.image)

    def _encode(self, image: QImage) -> None:
        """Make a still of pixels beside the window's own work."""
        self.stop()
        self._encoding = Thread(
            target=lambda: self._pasted.emit(still_of_image(image)), name="pasted"
        )
        self._encoding.start()

    def stop(self) -> None:
        """Leave no thread behind."""
        if self._encoding is not None:
            self._encoding.join()
            self._encoding = None
