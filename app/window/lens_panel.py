"""Getting to know a camera's lens: views of the card, taken by a button or by themselves."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QHideEvent, QPalette
from PySide6.QtWidgets import QCheckBox, QLabel, QPushButton, QVBoxLayout, QWidget

from app.kept_list import KeptListError
from app.lenses import KnownLens, Lenses
from app.window.flow_row import FlowRow
from measure.errors import MeasureError
from measure.lens import Lens, LensView, fit_lens, lens_view, missing_views
from measure.settings import Printer

_LOOK_MS: Final = 600
_STILL_PX: Final = 1.5
"""A card whose markers move less than this from look to look lies still."""
_NEW_FALL: Final = 0.1
"""Tangent by which a view must be tilted otherwise than every other to be a new one,"""
_NEW_PLACE: Final = 0.12
"""or share of the picture by which the card must have moved."""
MOST_VIEWS: Final = 20


@dataclass(frozen=True, eq=False)
class _Look:
    """What a look at one frame gave."""

    view: LensView | None
    why_not: str
    lens: Lens | None = None


class LensPanel(QWidget):
    """Collects views until they tell the lens, keeps it, and says how well it fits.

    `printer` gives the factors of the printed card in use: a stretched card looks like a tilt.
    `path` is where the lenses are kept.
    """

    frame_wanted = Signal()
    """Wants the running camera's newest frame by `give_frame`."""
    lens_changed = Signal(object)
    """The Lens to measure with from now on, or None."""
    _looked = Signal(int, bool, object)

    def __init__(
        self,
        path: Path | None = None,
        printer: Callable[[], Printer] = Printer,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.lenses = Lenses(path)
        self._printer = printer
        self._camera = ""
        self._size: tuple[int, int] | None = None
        self._views: list[LensView] = []
        self._last: LensView | None = None
        self._forgotten: KnownLens | None = None
        self._asked = 0
        self._busy = self._by_hand = False
        self._open = True
        self._work = ThreadPoolExecutor(1, thread_name_prefix="lens")
        self._looked.connect(self._use_look, Qt.ConnectionType.QueuedConnection)
        self._clock = QTimer(self)
        self._clock.setInterval(_LOOK_MS)
        self._clock.timeout.connect(self._look_again)
        self._build()
        self._show_state()

    def _build(self) -> None:
        how = _words(
            "Optional: with its lens known, a camera reads surer, most of all near the picture's "
            "edges. Show the card to the running camera square on and tilted to each side, some "
            "views near the picture's edges."
        )
        self.by_itself = QCheckBox("Take views b&y itself")
        self.by_itself.setToolTip("Takes a view whenever the card lies still in a new pose")
        self.by_itself.toggled.connect(self._start_or_stop)
        self.take = QPushButton("Take a vie&w")
        self.take.setToolTip("Use what the running camera sees now")
        self.take.clicked.connect(self.take_view)
        self.again = QPushButton("Start aga&in")
        self.again.setToolTip("Drop the views taken so far; a lens already known is kept")
        self.again.clicked.connect(self.start_again)
        self.forget = QPushButton("Forget lens")
        self.forget.clicked.connect(self.forget_or_bring_back)
        row = FlowRow()
        for button in (self.take, self.again, self.forget):
            row.add("", button)
        self.count = _words("")
        self.count.setAccessibleName("Views taken")
        self.missing = _words("")
        self.missing.setAccessibleName("Views still missing")
        self.words = _words("")
        self.words.setAccessibleName("What is known of the lens")
        self.words.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        layout = QVBoxLayout(self)
        for part in (how, self.by_itself, row, self.count, self.missing, self.words):
            layout.addWidget(part)
        layout.addStretch(1)
        self.setBackgroundRole(QPalette.ColorRole.Base)

    # --- what the page asks of it

    def set_camera(self, name: str, width_px: int = 0, height_px: int = 0) -> None:
        """The running camera and its picture size; "" and 0: none runs, or it is not known yet."""
        size = (width_px, height_px) if width_px and height_px else None
        if (name, size) == (self._camera, self._size):
            return
        self._camera, self._size = name, size
        self._forgotten = None
        self.start_again()
        self.lens_changed.emit(self.lens)

    @property
    def lens(self) -> Lens | None:
        """The running camera's lens, where it is known."""
        known = self._known()
        return known.lens if known else None

    @property
    def views(self) -> tuple[LensView, ...]:
        """The views taken so far."""
        return tuple(self._views)

    def take_view(self) -> None:
        """Ask for a frame and take the view it gives."""
        self._by_hand = True
        self.frame_wanted.emit()

    def give_frame(self, pixels: NDArray[Any] | None) -> None:
        """A frame that was asked for; None: no camera runs."""
        by_hand, self._by_hand = self._by_hand, False
        if pixels is None or not self._camera:
            if by_hand:
                self._say("No camera is running. Choose one on the Gauge page, then come back.")
            return
        if self._busy or not self._open:
            return
        height, width = pixels.shape[:2]
        self.set_camera(self._camera, width, height)
        self._busy = True
        self._asked += 1
        self._work.submit(
            self._look, self._asked, by_hand, pixels.copy(), tuple(self._views), self._printer()
        )

    def start_again(self) -> None:
        """Drop the views taken so far."""
        self._asked += 1
        self._busy = False
        self._views, self._last = [], None
        self._show_state()

    def forget_or_bring_back(self) -> None:
        """Forget the running camera's lens, or bring back the one just forgotten."""
        if self._size is None:
            return
        try:
            if self._forgotten is not None:
                self.lenses.put(
                    self._forgotten.camera, self._forgotten.lens, self._forgotten.found_at
                )
                self._forgotten = None
            else:
                self._forgotten = self.lenses.forget(self._camera, *self._size)
        except KeptListError as error:
            self._say(f"{error.text} {error.advice}")
            return
        self._show_state()
        self.lens_changed.emit(self.lens)

    def stop(self) -> None:
        """End all work; nothing is said any more."""
        self._open = False
        self._clock.stop()
        self._work.shutdown(wait=True, cancel_futures=True)

    def hideEvent(self, event: QHideEvent) -> None:
        """Nothing is taken by itself while nobody sees it."""
        self.by_itself.setChecked(False)
        super().hideEvent(event)

    # --- looking

    def _start_or_stop(self, on: bool) -> None:
        if on:
            self._clock.start()
        else:
            self._clock.stop()

    def _look_again(self) -> None:
        if not self._busy:
            self.frame_wanted.emit()

    def _look(
        self,
        number: int,
        by_hand: bool,
        pixels: NDArray[Any],
        views: tuple[LensView, ...],
        printer: Printer,
    ) -> None:
        """In the worker's thread: the view that a frame gives, and the lens if it is now told."""
        from measure.picture import read_picture
        from measure.scale import find_scale

        view: LensView | None = None
        why_not, lens = "", None
        try:
            height, width = pixels.shape[:2]
            view = lens_view(find_scale(read_picture(pixels), printer), width, height)
            if view is None:
                why_not = "Too little of the card is seen for a view. Show more of it."
            elif by_hand or self._is_new(view, views):
                every = [*views, view]
                if not missing_views(every):
                    lens = fit_lens(every)
        except MeasureError as error:
            why_not = f"{error.text} {error.advice}"
        if self._open:
            self._looked.emit(number, by_hand, _Look(view, why_not, lens))

    def _use_look(self, number: int, by_hand: bool, look: _Look) -> None:
        if number != self._asked:
            return
        self._busy = False
        if look.view is None:
            if by_hand:
                self._say(look.why_not)
            return
        still = self._last is not None and _moved_px(look.view, self._last) < _STILL_PX
        self._last = look.view
        if not by_hand and not (still and self._is_new(look.view, self._views)):
            return
        if len(self._views) >= MOST_VIEWS:
            self._say("That is plenty of views. Start again to take others.")
            self.by_itself.setChecked(False)
            return
        self._views.append(look.view)
        if look.lens is not None:
            self._keep(look.lens)
        else:
            self._show_state()
            if look.why_not:
                self._say(look.why_not)

    def _keep(self, lens: Lens) -> None:
        try:
            self.lenses.put(self._camera, lens)
        except KeptListError as error:
            self._say(f"{error.text} {error.advice}")
            return
        self._forgotten = None
        self.by_itself.setChecked(False)
        self._show_state()
        self.lens_changed.emit(lens)

    @staticmethod
    def _is_new(view: LensView, views: list[LensView] | tuple[LensView, ...]) -> bool:
        size = np.array([view.width_px, view.height_px])
        return all(
            np.hypot(*np.subtract(view.falls, other.falls)) > _NEW_FALL
            or np.max(np.abs(view.points_px.mean(axis=0) - other.points_px.mean(axis=0)) / size)
            > _NEW_PLACE
            for other in views
        )

    # --- saying

    def _known(self) -> KnownLens | None:
        return self.lenses.find(self._camera, *self._size) if self._size else None

    def _say(self, text: str) -> None:
        self.words.setText(text)

    def _show_state(self) -> None:
        count = len(self._views)
        self.count.setText(
            "No views taken yet." if count == 0 else f"{count} view{'s' * (count > 1)} taken."
        )
        lacking = missing_views(self._views) if count else ()
        self.missing.setText("\n".join(f"• {text}" for text in lacking))
        self.missing.setVisible(bool(lacking))
        known = self._known()
        if known is not None:
            lens = known.lens
            when = known.found_at.astimezone().strftime("%d %b %Y").lstrip("0")
            self._say(
                f"In use for {known.camera} at {lens.width_px} x {lens.height_px} since {when}: "
                f"{lens.views} views, which it fits to {lens.residual_px:.2f} pixels; focal "
                f"length {lens.focal_px:.0f} pixels, give or take "
                f"{1.96 * lens.u_focal_relative * lens.focal_px:.0f}."
            )
        else:
            who = self._camera or "the camera"
            unknown = f"The lens of {who} is not known: readings allow for that."
            self._say(self.lenses.file.trouble or unknown)
        back = self._forgotten is not None
        self.forget.setText("Bring lens back" if back else "Forget lens")
        self.forget.setToolTip(
            "Use the lens that was forgotten again"
            if back
            else "Measure without this lens from now on; can be undone"
        )
        self.forget.setEnabled(back or known is not None)
        self.again.setEnabled(count > 0)


def _moved_px(view: LensView, other: LensView) -> float:
    """Median way of the markers seen in both views."""
    same = np.all(view.points_mm[:, None] == other.points_mm[None], axis=2)
    here, there = np.nonzero(same)
    if len(here) < 4:
        return np.inf
    return float(np.median(np.linalg.norm(view.points_px[here] - other.points_px[there], axis=1)))


def _words(text: str) -> QLabel:
    label = QLabel(text)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    return label
