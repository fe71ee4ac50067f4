"""The widgets of the spins page that show what others wrote: as plain text, cut short to fit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from PySide6.QtCore import QEvent, QModelIndex, QPersistentModelIndex, QRect, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetrics,
    QIcon,
    QKeyEvent,
    QPainter,
    QPixmap,
    QResizeEvent,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QApplication,
    QFrame,
    QHeaderView,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableWidget,
    QTableWidgetItem,
)

from app.bobbin_sources import one_line
from app.window.preferences import Unit
from app.window.spin_shelf import (
    BobbinRow,
    SpinRow,
    bobbin_words,
    mean_text,
    spin_line,
    spin_words,
    when_text,
)
from app.window.theme import LIGHT, Theme
from app.window.tips import tip_of

_ID: Final = Qt.ItemDataRole.UserRole
_SECOND_LINE: Final = Qt.ItemDataRole.UserRole + 1
_TO_THE_LEFT: Final = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_TO_THE_RIGHT: Final = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_AT_THE_TOP: Final = int((Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop).value)
_WRAPPED: Final = _AT_THE_TOP | int(Qt.TextFlag.TextWordWrap.value)
_SITTINGS: Final = 3
"""Their column."""
_NAME_LETTERS: Final = 14
_ENTER: Final = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
_Index = QModelIndex | QPersistentModelIndex


def _is_typing(event: QEvent) -> bool:
    """Whether a key is about to be taken for a shortcut that is a letter, or Enter."""
    if event.type() != QEvent.Type.ShortcutOverride or not isinstance(event, QKeyEvent):
        return False
    plain = event.modifiers() & ~(
        Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier
    )
    letter = bool(event.text()) and event.text().isprintable()
    return not plain.value and (letter or event.key() in _ENTER)


class SearchField(QLineEdit):
    """Finds while one types; Escape empties it, Down and Enter go to what was found."""

    left = Signal()

    def event(self, event: QEvent) -> bool:
        """Keep Escape from the window's shortcuts as long as there is something to empty."""
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and isinstance(event, QKeyEvent)
            and event.key() == Qt.Key.Key_Escape
            and self.text()
        ):
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape, Down and Enter."""
        if event.key() == Qt.Key.Key_Escape and self.text():
            self.clear()
        elif event.key() in (*_ENTER, Qt.Key.Key_Down):
            self.left.emit()
        else:
            super().keyPressEvent(event)


class SpinList(QListWidget):
    """The spins, each with its fibre below its name."""

    chosen = Signal(str)
    """Id of the spin that the person went to."""
    entered = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setAccessibleName("Spins")
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self._delegate = _SpinDelegate(self)
        self.setItemDelegate(self._delegate)
        self._rows: tuple[SpinRow, ...] = ()
        self._filling = False
        self.currentItemChanged.connect(self._current_changed)

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._delegate.theme = theme
        self.viewport().update()

    def show_rows(
        self, rows: tuple[SpinRow, ...], chosen: str, unit: Unit, wrap_factor: float
    ) -> None:
        """Show these, with one of them chosen."""
        self._filling = True
        if rows != self._rows:
            at = self.verticalScrollBar().value()
            self.clear()
            for row in rows:
                name = one_line(row.spin.name) or "spin"
                item = QListWidgetItem(name)
                item.setData(_ID, row.spin.id)
                item.setData(_SECOND_LINE, spin_line(row))
                item.setData(Qt.ItemDataRole.AccessibleTextRole, f"{name}, {spin_line(row)}")
                self.addItem(item)
            self.verticalScrollBar().setValue(at)
            self._rows = rows
        for at, row in enumerate(rows):
            words = spin_words(row.spin, unit, wrap_factor)
            self.item(at).setToolTip(tip_of(f"{row.spin.name}\n{words}"))
            if row.spin.id == chosen and self.currentRow() != at:
                self.setCurrentRow(at)
        self._filling = False

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another width breaks the lines elsewhere."""
        super().resizeEvent(event)
        self.scheduleDelayedItemsLayout()

    def _current_changed(self, item: QListWidgetItem | None) -> None:
        if item is not None and not self._filling:
            self.chosen.emit(str(item.data(_ID)))

    def event(self, event: QEvent) -> bool:
        """Letters go to the names that begin with them."""
        if _is_typing(event):
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter goes on to the bobbins."""
        if event.key() in _ENTER:
            self.entered.emit()
        else:
            super().keyPressEvent(event)


class _SpinDelegate(QStyledItemDelegate):
    """Draws a name in bold, cut short with dots, and quiet words below it in some lines."""

    theme = LIGHT

    def __init__(self, view: QListWidget) -> None:
        super().__init__(view)
        self._view = view

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: _Index) -> None:
        """Draw one spin."""
        self.initStyleOption(option, index)
        text, option.text = option.text, ""
        style = option.widget.style() if option.widget else QApplication.style()
        style.drawControl(QStyle.ControlElement.CE_ItemViewItem, option, painter, option.widget)
        chosen = bool(option.state & QStyle.StateFlag.State_Selected)
        rect = self._inside(option.rect, option.fontMetrics)
        bold = QFont(option.font)
        bold.setBold(True)
        painter.save()
        metrics = QFontMetrics(bold)
        painter.setFont(bold)
        painter.setPen(QColor(self.theme.on_accent if chosen else self.theme.ink))
        name = metrics.elidedText(text, Qt.TextElideMode.ElideRight, rect.width())
        painter.drawText(rect, _AT_THE_TOP, name)
        rect.setTop(rect.top() + metrics.lineSpacing())
        painter.setFont(option.font)
        painter.setPen(QColor(self.theme.on_accent if chosen else self.theme.quiet_ink))
        painter.drawText(rect, _WRAPPED, self._words(index, rect.width(), option.fontMetrics))
        painter.restore()

    def sizeHint(self, option: QStyleOptionViewItem, index: _Index) -> QSize:
        """Room for the name and for the words at the list's width."""
        metrics, line = option.fontMetrics, option.fontMetrics.lineSpacing()
        width = self._inside(self._view.viewport().rect(), metrics).width()
        room = QRect(0, 0, width, 10 * line)
        words = metrics.boundingRect(room, _WRAPPED, self._words(index, width, metrics))
        return QSize(10 * line, 2 * line + max(line, words.height()))

    def _words(self, index: _Index, width: int, metrics: QFontMetrics) -> str:
        """The second line's words, cut short where they would take more than three lines."""
        words = str(index.data(_SECOND_LINE))
        return metrics.elidedText(words, Qt.TextElideMode.ElideRight, round(2.6 * width))

    def _inside(self, rect: QRect, metrics: QFontMetrics) -> QRect:
        gap = metrics.lineSpacing() // 2
        return rect.adjusted(gap, gap, -gap, -gap)


class BobbinTable(QTableWidget):
    """The bobbins of a spin with what is on them."""

    chosen = Signal()
    wanted = Signal()
    """Enter or a double click: spin on this one."""

    def __init__(self) -> None:
        super().__init__(0, 5)
        self.setAccessibleName("Bobbins")
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setTabKeyNavigation(False)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setItemDelegate(_RoomyDelegate(self))
        self.verticalHeader().hide()
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setSectionsClickable(False)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self._theme = LIGHT
        self._rows: Sequence[BobbinRow] = ()
        self._filling = False
        self._sittings_px = 0
        self.currentCellChanged.connect(self._current_changed)
        self.cellDoubleClicked.connect(lambda *_: self.wanted.emit())

    def set_theme(self, theme: Theme) -> None:
        """Draw in these colours."""
        self._theme = theme

    @property
    def row_chosen(self) -> BobbinRow | None:
        """The bobbin that is chosen."""
        at = self.currentRow()
        return self._rows[at] if 0 <= at < len(self._rows) else None

    def show_rows(
        self,
        rows: Sequence[BobbinRow],
        chosen: str,
        spun_now: str,
        unit: Unit,
        wrap_factor: float,
        now: datetime,
    ) -> None:
        """Show these with one of them chosen, the first when that is none of them."""
        self._filling = True
        self._rows = rows
        titles = ("Bobbin", "Readings", f"Mean, {'mm' if unit == 'mm' else 'WPI'}", "Sittings")
        for column, title in enumerate((*titles, "Last")):
            heading = QTableWidgetItem(title)
            heading.setTextAlignment(_TO_THE_RIGHT if column else _TO_THE_LEFT)
            self.setHorizontalHeaderItem(column, heading)
        self.setRowCount(len(rows))
        for at, row in enumerate(rows):
            self._fill(at, row, spun_now, unit, wrap_factor, now)
        ids = [row.bobbin.id for row in rows]
        if rows:
            self.setCurrentCell(ids.index(chosen) if chosen in ids else 0, 0)
        height = round(1.9 * self.fontMetrics().lineSpacing())
        self.verticalHeader().setDefaultSectionSize(height)
        self._filling = False
        self._fit()

    def _fit(self) -> None:
        """Leave the number of sittings out where names would be cut off: the least needed."""
        header = self.horizontalHeader()
        widths = [
            max(self.sizeHintForColumn(column), header.sectionSizeHint(column))
            for column in range(1, self.columnCount())
        ]
        if not self.isColumnHidden(_SITTINGS):  # else it does not tell its width
            self._sittings_px = widths[_SITTINGS - 1]
        widths[_SITTINGS - 1] = self._sittings_px
        names = _NAME_LETTERS * self.fontMetrics().averageCharWidth()
        self.setColumnHidden(_SITTINGS, self.viewport().width() - sum(widths) < names)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another width, other columns."""
        super().resizeEvent(event)
        self._fit()

    def _fill(
        self, at: int, row: BobbinRow, spun_now: str, unit: Unit, wrap_factor: float, now: datetime
    ) -> None:
        is_spun = row.bobbin.id == spun_now
        tally = row.tally
        mean = mean_text(row, unit, wrap_factor)
        cells = (
            one_line(row.bobbin.name) or "bobbin",
            "?" if tally is None else str(tally.readings),
            mean.replace(" mm", "", 1).replace(" WPI", "", 1),
            "?" if tally is None else str(tally.sittings),
            "" if tally is None or tally.last_at is None else when_text(tally.last_at, now),
        )
        words = bobbin_words(row, unit, wrap_factor, now_spun=is_spun)
        tip = tip_of(f"{row.bobbin.name}\n{words}")
        for column, text in enumerate(cells):
            item = QTableWidgetItem(text)
            item.setToolTip(tip)
            if column:
                item.setTextAlignment(_TO_THE_RIGHT)
            if column == 0:
                item.setIcon(self._dot(is_spun))
                if is_spun:
                    item.setData(Qt.ItemDataRole.AccessibleTextRole, f"{text}, being spun now")
            self.setItem(at, column, item)

    def _dot(self, filled: bool) -> QIcon:
        """A dot before the bobbin that is being spun; as much room before the others."""
        side = self.iconSize().width() if self.iconSize().isValid() else 16
        ratio = self.devicePixelRatioF()
        picture = QPixmap(QSize(side, side) * ratio)
        picture.setDevicePixelRatio(ratio)
        picture.fill(Qt.GlobalColor.transparent)
        if filled:
            with QPainter(picture) as painter:
                painter.setRenderHint(QPainter.RenderHint.Antialiasing)
                painter.setPen(QColor(self._theme.panel))
                painter.setBrush(QColor(self._theme.in_band))
                painter.drawEllipse(QRect(side // 4, side // 4, side // 2, side // 2))
        icon = QIcon(picture)
        icon.addPixmap(picture, QIcon.Mode.Selected)
        return icon

    def _current_changed(self, row: int, _column: int, before: int, _before: int) -> None:
        if not self._filling and row != before:
            self.chosen.emit()

    def event(self, event: QEvent) -> bool:
        """Letters go to the names that begin with them."""
        if _is_typing(event):
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter spins on."""
        if event.key() in _ENTER and not event.modifiers() & Qt.KeyboardModifier.AltModifier:
            self.wanted.emit()
        else:
            super().keyPressEvent(event)


class _RoomyDelegate(QStyledItemDelegate):
    """Leaves room between columns."""

    def sizeHint(self, option: QStyleOptionViewItem, index: _Index) -> QSize:
        """As wide as the text and two letters more."""
        size = super().sizeHint(option, index)
        return size + QSize(2 * option.fontMetrics.averageCharWidth(), 0)
