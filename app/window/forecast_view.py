"""A plying forecast in a sentence and a plot."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, cast

from PySide6.QtCore import QEvent
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from app.forecast import Forecasts, left_over_text, notes_of
from app.window.chart_frame import Ringed
from app.window.panel import quiet_label, scrolled_panel, words_label
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme

if TYPE_CHECKING:
    from app.window.forecast_plot import ForecastPlot

KEY: Final = "Whole line: plied. Dashes: chain-plied. Shades: what 95 % of it lies between."
NONE: Final = "Two bobbins with two readings each are needed to foretell what they would give."


_LINES: Final = 10
"""Height of the plot at least, in lines of words."""


class ForecastView(QWidget):
    """A panel that says what plying would give, with what can be set about it at its foot."""

    def __init__(self, controls: QWidget, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._found: Forecasts | None = None
        self._washed = ""
        self._unit: Unit = "wpi"
        self._wrap = 1.0
        self._theme: Theme = LIGHT
        self._plot: ForecastPlot | None = None
        self.words = words_label("Forecast")
        strong = QFont(self.words.font())
        strong.setBold(True)
        self.words.setFont(strong)
        self.notes = quiet_label("Notes on the forecast")
        self._frame = Ringed()
        self._frame.setMinimumHeight(_LINES * self.fontMetrics().height())
        self._frame.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self._inside = QVBoxLayout(self._frame)
        self._inside.setContentsMargins(5, 5, 5, 5)
        self._key = quiet_label("What is drawn", KEY)
        area = scrolled_panel(
            "What would it give?", self.words, self._frame, self._key, self.notes, controls
        )
        inside = cast(QVBoxLayout, cast(QWidget, area.widget()).layout())
        # The plot takes what is left over.
        inside.setStretchFactor(self._frame, 100)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(area)
        self.set_theme(LIGHT)
        self._fill()

    @property
    def plot(self) -> ForecastPlot | None:
        """The plot, once there was something to draw."""
        return self._plot

    def set_forecasts(self, found: Forecasts | None, washed: str = "") -> None:
        """Show these; None empties it."""
        self._found, self._washed = found, washed
        self._fill()

    def set_unit(self, unit: Unit, wrap_factor: float) -> None:
        """Say thickness in WPI, turns `wrap_factor` diameters apart, or in mm."""
        self._unit, self._wrap = unit, wrap_factor
        self._fill()

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._theme = theme
        self._frame.dress(theme)
        if self._plot is not None:
            self._plot.dress(theme, self.font())

    def changeEvent(self, event: QEvent) -> None:
        """Follow the window's font."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.FontChange and self._plot is not None:
            self._plot.dress(self._theme, self.font())

    def _fill(self) -> None:
        found = self._found
        self._frame.setVisible(found is not None)
        self._key.setVisible(found is not None)
        if found is None:
            self.words.clear()
            self.notes.setText(NONE)
            return
        said = found.sentence_in(self._unit)
        self.words.setText(f"{said[:1].upper()}{said[1:]}.")
        words = [self._washed, left_over_text(found), *notes_of(found)]
        self.notes.setText(" ".join(f"{w[:1].upper()}{w[1:]}." for w in words if w))
        plot = self._made_plot()
        plot.set_unit(self._unit, self._wrap)
        chained = found.chained
        plot.show_ways(found.plied.sections_mm, None if chained is None else chained.sections_mm)
        plot.setAccessibleDescription(said)

    def make_ready(self) -> Iterator[None]:
        """Make the plot now rather than at the first forecast: some milliseconds a step."""
        if self._plot is not None:
            return
        from app.window.forecast_plot import ForecastPlot

        plot = ForecastPlot()
        yield
        yield from plot.furnish()
        if self._plot is None:
            plot.setAccessibleName("The forecast yarn along its length")
            plot.setToolTip(KEY)
            plot.dress(self._theme, self.font())
            self._inside.addWidget(plot)
            self._frame.watch(plot)
            self._plot = plot

    def _made_plot(self) -> ForecastPlot:
        if self._plot is None:
            for _ in self.make_ready():
                pass
        assert self._plot is not None
        return self._plot
