"""What the drift chart, the profile and the strips share: a plot in its panel, or words instead."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Generic, TypeVar

from PySide6.QtCore import QEvent, QSize, Qt
from PySide6.QtWidgets import QLabel, QSizePolicy, QStackedLayout, QVBoxLayout, QWidget

from app.window.chart_frame import Ringed, details_label, dress_label
from app.window.panel import quiet_label
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme
from measure.band import Band

if TYPE_CHECKING:
    from app.window.plots import ThicknessPlot

Plot = TypeVar("Plot", bound="ThicknessPlot")


class ChartPanel(QWidget, Generic[Plot]):
    """A ringed panel with a sentence in it, and over that a plot once there is something to plot.

    The plot is made with the first thing that it is to show, or before that in the steps of
    `make_ready` (`app.window.plots` says why not with the panel).
    """

    def __init__(self, name: str, empty: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._band: Band | None = None
        self._unit: Unit = "wpi"
        self._wrap = 1.0
        self._theme: Theme = LIGHT
        self._plot: Plot | None = None
        self._frame = Ringed()
        self._empty = quiet_label(text=empty)
        self._empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._empty.setMargin(16)
        inside = QVBoxLayout(self._frame)
        inside.setContentsMargins(5, 5, 5, 5)
        # Within the panel before there is anything in it: it shows its first part at once, which
        # would be a window of its own.
        self._stack = QStackedLayout()
        inside.addLayout(self._stack)
        self._stack.addWidget(self._empty)
        self._head, self._foot = quiet_label(), quiet_label()
        self._foot.hide()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        layout.addWidget(self._head)
        layout.addWidget(self._frame, 1)
        layout.addWidget(self._foot)
        self._details: QLabel = details_label(self)
        self.setAccessibleName(name)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self._frame.dress(LIGHT)
        dress_label(self._details, LIGHT)

    @property
    def plot(self) -> Plot | None:
        """The plot, once there was something to show."""
        return self._plot

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._theme = theme
        self._frame.dress(theme)
        dress_label(self._details, theme)
        self._dress()

    def show_all(self) -> None:
        """Undo any zoom."""
        if self._plot is not None:
            self._plot.show_all()

    # --- the plot

    def make_ready(self) -> Iterator[None]:
        """Make the plot now rather than at the first thing to show: some milliseconds a step."""
        if self._plot is not None:
            return
        plot = self._make_plot()
        yield
        yield from plot.furnish()
        # Something may have come to be shown in between.
        if self._plot is None:
            self._hang(plot)

    def _ready_plot(self) -> Plot:
        if self._plot is None:
            for _ in self.make_ready():
                pass
        assert self._plot is not None
        return self._plot

    def _make_plot(self) -> Plot:
        """A bare plot, to be furnished."""
        raise NotImplementedError

    def _hang(self, plot: Plot) -> None:
        """Put the plot into the panel."""
        plot.setAccessibleName(self.accessibleName())
        plot.setMouseTracking(True)
        plot.viewport().installEventFilter(self)
        self._frame.watch(plot)
        self._stack.addWidget(plot)
        self.setFocusProxy(plot)
        self._plot = plot
        self._dress()

    def _dress(self) -> None:
        if self._plot is not None:
            self._plot.dress(self._theme, self.font())

    # --- the widget

    def minimumSizeHint(self) -> QSize:
        """Still of use."""
        line = self.fontMetrics().height()
        return QSize(16 * line, 6 * line)

    def changeEvent(self, event: QEvent) -> None:
        """Follow a change of font."""
        if event.type() == QEvent.Type.FontChange:
            self._dress()
        super().changeEvent(event)
