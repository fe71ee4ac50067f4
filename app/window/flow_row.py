"""A row of labelled controls that breaks into more rows where the window is narrow."""

from __future__ import annotations

from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLayout, QLayoutItem, QSizePolicy, QWidget


class FlowRow(QWidget):
    """Controls one after the other, each with its label."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._flow = _Flow(self)
        policy = QSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Minimum)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    def add(self, title: str, control: QWidget) -> None:
        """Add a control; the letter after & in its title jumps to it."""
        pair = QWidget()
        row = QHBoxLayout(pair)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(6)
        if title:
            label = QLabel(title)
            label.setBuddy(control)
            row.addWidget(label)
            control.setAccessibleName(title.replace("&", ""))
        row.addWidget(control)
        self._flow.addWidget(pair)

    def show_control(self, control: QWidget, on: bool) -> None:
        """Show or hide a control with its label; those after it move up."""
        pair = control.parentWidget()
        assert pair is not None
        pair.setVisible(on)


class _Flow(QLayout):
    """Items from left to right, and on the next line when one does not fit."""

    _GAP = 14
    _LINE_GAP = 6

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._items: list[QLayoutItem] = []
        self._heights: dict[int, int] = {}
        """By width; Qt asks for them many times over."""
        self._sizes: list[tuple[QLayoutItem, int, int]] | None = None
        self._least: QSize | None = None
        self.setContentsMargins(0, 0, 0, 0)

    def addItem(self, item: QLayoutItem) -> None:
        self._items.append(item)

    def count(self) -> int:
        return len(self._items)

    def itemAt(self, index: int) -> QLayoutItem | None:
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QLayoutItem | None:
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> Qt.Orientation:
        return Qt.Orientation(0)

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        if width not in self._heights:
            self._heights[width] = self._arrange(QRect(0, 0, width, 0), move=False)
        return self._heights[width]

    def invalidate(self) -> None:
        self._heights.clear()
        self._sizes = self._least = None
        super().invalidate()

    def setGeometry(self, rect: QRect) -> None:
        super().setGeometry(rect)
        self._arrange(rect, move=True)

    def sizeHint(self) -> QSize:
        return self.minimumSize()

    def minimumSize(self) -> QSize:
        if self._least is None:
            self._least = QSize()
            for item in self._items:
                self._least = self._least.expandedTo(item.minimumSize())
        return self._least

    def _sized(self) -> list[tuple[QLayoutItem, int, int]]:
        """The items that are shown, each with the width and height it would like."""
        if self._sizes is None:
            shown = [(item, item.sizeHint()) for item in self._items if not item.isEmpty()]
            self._sizes = [(item, hint.width(), hint.height()) for item, hint in shown]
        return self._sizes

    def _arrange(self, rect: QRect, *, move: bool) -> int:
        """Put the items into the rectangle, or only tell how high they would stand."""
        left, room = rect.x(), rect.width()
        x, y, high = left, rect.y(), 0
        line: list[tuple[QLayoutItem, QRect]] = []

        def end_line() -> None:
            for item, place in line:
                # Controls of different kinds differ in height: their words stand on one level.
                item.setGeometry(place.translated(0, (high - place.height()) // 2))
            line.clear()

        for item, wanted, height in self._sized():
            width = min(wanted, room)
            if x > left and x + width > left + room:
                end_line()
                x, y, high = left, y + high + self._LINE_GAP, 0
            if move:
                line.append((item, QRect(x, y, width, height)))
            x, high = x + width + self._GAP, max(high, height)
        end_line()
        return y + high - rect.y()
