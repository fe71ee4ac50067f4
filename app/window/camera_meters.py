"""How the camera stands: five small meters in a row, and what to do first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QLabel, QSizePolicy, QVBoxLayout, QWidget

from app.window.flow_row import FlowRow
from app.window.live_advice import brief_advice
from app.window.theme import LIGHT, Theme

if TYPE_CHECKING:
    from measure.camera_meters import CameraHelp, Meter, MeterName, State

_NAMES: Final[dict[MeterName, str]] = {
    "focus": "Focus",
    "glare": "Glare",
    "light": "Light",
    "pixels": "Pixels",
    "tilt": "Tilt",
}
_TIPS: Final[dict[MeterName, str]] = {
    "focus": "How soft edges are, in pixels; a strand this fine needs less than {limit}",
    "glare": "How much of the card mirrors the lamp or is burnt out; should be under {limit}",
    "light": "How bright the paper is, of what the picture can hold; should be over {limit}",
    "pixels": "Pixels across the strand, or in a millimetre without one; should be over {limit}",
    "tilt": "How far the card leans away from the camera; should be under {limit}",
}


class MeterChip(QWidget):
    """One meter: a tick or a cross, its name and its figure."""

    def __init__(self, name: MeterName) -> None:
        super().__init__()
        self._name = name
        self._theme: Theme = LIGHT
        self._meter: Meter | None = None
        self._widest = 0
        """Room once taken is kept: figures that change must not push their neighbours about."""
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        self._describe()

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._theme = theme
        self.update()

    def show_meter(self, meter: Meter | None) -> None:
        """Show this figure; None: nothing is known."""
        before = self._text(), self._state
        self._meter = meter
        if (self._text(), self._state) == before:
            return
        if self.sizeHint().width() > self.width():
            self.updateGeometry()
        self._describe()
        self.update()

    @property
    def _state(self) -> State:
        return "unknown" if self._meter is None else self._meter.state

    def sizeHint(self) -> QSize:
        """Room for sign and words."""
        metrics = QFontMetricsF(self.font())
        width = metrics.horizontalAdvance(self._text()) + 1.6 * metrics.height()
        self._widest = max(self._widest, round(width))
        return QSize(self._widest, round(1.3 * metrics.height()))

    def changeEvent(self, event: QEvent) -> None:
        """Measure anew in another font."""
        if event.type() == QEvent.Type.FontChange:
            self._widest = 0
        super().changeEvent(event)

    def minimumSizeHint(self) -> QSize:
        """Never less."""
        return self.sizeHint()

    def _text(self) -> str:
        name = _NAMES[self._name]
        if self._meter is None or self._meter.value is None:
            return name
        return f"{name} {_figure(self._meter.value, self._meter.unit)}"

    def _describe(self) -> None:
        meter = self._meter
        self.setAccessibleName(f"{self._text()}, {self._state}")
        if meter is not None:
            limit = _figure(meter.limit, meter.unit)
            self.setToolTip(_TIPS[self._name].format(limit=limit))

    def paintEvent(self, _event: QPaintEvent) -> None:
        """A tick, a cross or a dot, then the words."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme = self._theme
        state = self._state
        side = 0.62 * self.height()
        box = QRectF(1, (self.height() - side) / 2, side, side)
        colour = {"good": theme.in_band, "poor": theme.caution, "unknown": theme.line}[state]
        painter.setPen(QPen(QColor(colour), max(1.6, 0.16 * side), c=Qt.PenCapStyle.RoundCap))
        corners: tuple[tuple[float, float], ...]
        if state == "good":
            corners = ((0.08, 0.55), (0.38, 0.88), (0.92, 0.14))
        elif state == "poor":
            corners = ((0.14, 0.14), (0.86, 0.86))
            painter.drawLine(_at(box, 0.86, 0.14), _at(box, 0.14, 0.86))
        else:
            corners = ((0.2, 0.5), (0.8, 0.5))
        painter.drawPolyline([_at(box, x, y) for x, y in corners])
        painter.setPen(QColor(theme.ink if state == "poor" else theme.quiet_ink))
        words = QRectF(self.rect())
        words.setLeft(box.right() + 0.35 * side)
        painter.drawText(words, int(Qt.AlignmentFlag.AlignVCenter.value), self._text())
        painter.end()


class CameraMeters(QWidget):
    """The five meters, what is chosen of the source, and one plain advice."""

    def __init__(self) -> None:
        super().__init__()
        self._chips: dict[MeterName, MeterChip] = {name: MeterChip(name) for name in _NAMES}
        self._advice = QLabel()
        self._advice.setObjectName("caution")
        self._advice.setWordWrap(True)
        self._advice.setTextFormat(Qt.TextFormat.PlainText)
        self._advice.setAccessibleName("Camera advice")
        self._advice.hide()
        row = FlowRow()
        for chip in self._chips.values():
            row.add("", chip)
        self._source = QLabel()
        self._source.setObjectName("quiet")
        self._source.setTextFormat(Qt.TextFormat.PlainText)
        self._source.setAccessibleName("Source")
        row.add("", self._source)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        layout.addWidget(row)
        layout.addWidget(self._advice)
        self.setAccessibleName("Camera")

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        for chip in self._chips.values():
            chip.set_theme(theme)

    def show_help(self, help_: CameraHelp | None, said: str = "") -> None:
        """Show how the camera stands; None: nothing is known. `said` is said elsewhere already."""
        meters: dict[MeterName, Meter] = {} if help_ is None else {m.name: m for m in help_.meters}
        for name, chip in self._chips.items():
            chip.show_meter(meters.get(name))
        advice = "" if help_ is None else brief_advice(help_.advice)
        if advice == said:
            advice = ""
        if advice != self._advice.text():
            self._advice.setText(advice)
            self._advice.setVisible(bool(advice))

    def say_source(self, text: str) -> None:
        """What is chosen of the source, or what it is doing."""
        self._source.setText(text)

    @property
    def advice(self) -> str:
        """What to do first; empty when all is well."""
        return self._advice.text()


def _figure(value: float, unit: str) -> str:
    digits = 1 if unit == "px" and value < 10 else 0
    gap = "" if unit == "°" else " "
    return f"{value:.{digits}f}{gap}{unit}"


def _at(box: QRectF, x: float, y: float) -> QPointF:
    return QPointF(box.left() + x * box.width(), box.top() + y * box.height())
