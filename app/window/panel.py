"""Panels, headings and quiet words, alike on every page."""

from __future__ import annotations

from typing import Final, TypeVar

from PySide6.QtCore import QEvent, QObject, QSize, Qt
from PySide6.QtGui import QFont
from PySide6.QtWidgets import (
    QAbstractScrollArea,
    QAbstractSpinBox,
    QFrame,
    QLabel,
    QLineEdit,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

_TABLE_LETTERS: Final = 60
_Field = TypeVar("_Field", bound=QAbstractSpinBox)


def panel(margin: int = 10) -> tuple[QFrame, QVBoxLayout]:
    """A framed panel, and the layout that its parts go into below each other."""
    frame = QFrame()
    frame.setObjectName("panel")
    layout = QVBoxLayout(frame)
    layout.setContentsMargins(margin, margin, margin, margin)
    layout.setSpacing(6)
    return frame, layout


def headed_panel(title: str, *parts: QWidget, stretch: QWidget) -> QFrame:
    """A panel under a heading, filled by one of its parts."""
    frame, layout = panel()
    frame.setAccessibleName(title)
    frame.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
    layout.setSpacing(8)
    layout.addWidget(_heading(title))
    for part in parts:
        layout.addWidget(part, 1 if part is stretch else 0)
    return frame


def scrolled_panel(title: str, *parts: QWidget, tall: bool = False) -> QScrollArea:
    """A panel under a heading that scrolls when there is more than fits; `tall`: as TallArea."""
    inside = QWidget()
    layout = QVBoxLayout(inside)
    layout.setContentsMargins(10, 6, 8, 6)  # and the style sheet's padding
    layout.addWidget(_heading(title))
    for part in parts:
        layout.addWidget(part)
    layout.addStretch(1)
    area = TallArea(inside) if tall else _area(QScrollArea(), inside)
    area.setObjectName("panel")
    area.setAccessibleName(title)
    # A scroll area fills what it is given with the window's colour: the panel's own shows through.
    inside.setAutoFillBackground(False)
    area.viewport().setAutoFillBackground(False)
    return area


class TallArea(QScrollArea):
    """Scrolls up and down only: it is never narrower than what is in it."""

    def __init__(self, inside: QWidget) -> None:
        super().__init__()
        self._inside = inside
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        _area(self, inside)

    def minimumSizeHint(self) -> QSize:
        """As wide as what is in it, and the bar beside it."""
        bar = self.verticalScrollBar().sizeHint().width()
        width = self._inside.minimumSizeHint().width() + bar + 2 * self.frameWidth() + 2
        return QSize(width, super().minimumSizeHint().height())

    def sizeHint(self) -> QSize:
        """No wider than it must be."""
        return QSize(self.minimumSizeHint().width(), super().sizeHint().height())

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Ask for another width when what is in it does."""
        if watched is self._inside and event.type() == QEvent.Type.LayoutRequest:
            self.updateGeometry()
        return super().eventFilter(watched, event)


def _area(area: QScrollArea, inside: QWidget) -> QScrollArea:
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setWidget(inside)
    return area


class _Wrapped(QLabel):
    """Words that wrap, and remember how high they stand: Qt asks a dozen times for each width.

    It works that out anew each time, which takes some milliseconds for a table.
    """

    def __init__(self, text: str = "") -> None:
        super().__init__(text)
        self._heights: dict[int, int] = {}
        self._hint: QSize | None = None
        self._told: tuple[object, ...] = ()

    def heightForWidth(self, width: int) -> int:
        """As QLabel says."""
        self._look()
        if width not in self._heights:
            self._heights[width] = super().heightForWidth(width)
        return self._heights[width]

    def sizeHint(self) -> QSize:
        """As QLabel says; of a table, at some width."""
        self._look()
        if self._hint is None and self.textFormat() == Qt.TextFormat.RichText:
            # Qt would lay it out many times over to find a pleasing shape.
            width = _TABLE_LETTERS * self.fontMetrics().averageCharWidth()
            self._hint = QSize(width, self.heightForWidth(width))
        elif self._hint is None:
            self._hint = super().sizeHint()
        return self._hint

    def changeEvent(self, event: QEvent) -> None:
        """Another font or style is another size."""
        self._told = ()
        super().changeEvent(event)

    def _look(self) -> None:
        """Forget all of it when any of what counts is another than it was."""
        now = (
            self.text(), self.textFormat(), self.wordWrap(), self.margin(), self.indent(),
            self.devicePixelRatioF(),
        )  # fmt: skip
        if now != self._told:
            # What Qt does on the way, as taking on the style, may change it once more.
            self.ensurePolished()
            self._told, self._hint = now, None
            self._heights.clear()


def words_label(name: str = "") -> QLabel:
    """Plain words that wrap and can be copied; `name` is their accessible name."""
    label = _Wrapped()
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    label.setTextInteractionFlags(
        Qt.TextInteractionFlag.TextSelectableByMouse
        | Qt.TextInteractionFlag.TextSelectableByKeyboard
    )
    if name:
        label.setAccessibleName(name)
    return label


def quiet_label(name: str = "", text: str = "") -> QLabel:
    """Plain words in the quiet colour; `name` is their accessible name."""
    label = _Wrapped(text)
    label.setObjectName("quiet")
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    if name:
        label.setAccessibleName(name)
    return label


def number_field(kind: type[_Field]) -> _Field:
    """A field for a number, its text as far from the edge as that of other fields.

    A style sheet's padding makes room there, but does not move the text.
    """
    field = kind()
    edit = field.findChild(QLineEdit)
    assert edit is not None
    edit.setTextMargins(round(0.4 * field.fontMetrics().height()), 0, 0, 0)
    return field


def field_label(title: str, field: QWidget) -> QLabel:
    """A field's label for a form, in the middle of its height, or at the top of a high field."""
    label = QLabel(title)
    label.setBuddy(field)
    if not isinstance(field, QAbstractScrollArea):
        label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
    return label


def heading_font(widget: QWidget, factor: float) -> QFont:
    """The widget's font, bold and larger by that factor."""
    font = QFont(widget.font())
    font.setBold(True)
    if font.pointSizeF() > 0:
        font.setPointSizeF(font.pointSizeF() * factor)
    return font


def _heading(title: str) -> QLabel:
    heading = QLabel(title)
    heading.setFont(heading_font(heading, 1.15))
    return heading
