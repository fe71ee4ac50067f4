"""The picture with what is measured in it: fits, zooms, takes files that are dropped on it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRect, QRectF, QSize, QSizeF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QDragEnterEvent,
    QDragLeaveEvent,
    QDropEvent,
    QFocusEvent,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QResizeEvent,
    QTransform,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.window.frame import Frame
from app.window.picture_empty import draw_invitation
from app.window.picture_marks import (
    PictureMarks,
    draw_marks,
    marks_of,
    marks_place,
    nearest_strand,
)
from app.window.picture_place import PicturePlace, margins
from app.window.picture_scaling import ScaledPicture
from app.window.preferences import Unit
from app.window.theme import LIGHT, Theme
from measure.results import PictureReading, Refusal

_STEP: Final = 1.25
_CLICK: Final = 4
"""A press that moves less than this is a click."""
_EMPTY: Final = "Drop a picture here, paste one, or choose a camera."


class PictureView(QWidget):
    """Shows frames or one still, with the outlines of a reading over it.

    Wheel, + and - zoom, 0 fits, dragging and the arrow keys move, a double click changes between
    fitting and one to one.
    """

    dropped = Signal(object)
    """QMimeData of what was dropped; read it at once, it does not live on."""
    strand_chosen = Signal(int)
    """Number of the strand that was clicked."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = LIGHT
        self._unit: Unit = "wpi"
        self._wrap_factor = 1.0
        self._empty = _EMPTY
        self._picture: ScaledPicture | None = None
        self._live = False
        self._reading: PictureReading | None = None
        self._reasons: Sequence[Refusal] | None = None
        self._marks = PictureMarks()
        self._chosen: int | None = None
        self._place = PicturePlace()
        self._pressed: QPointF | None = None
        self._dragged = False
        self._drop_near = False
        self._cached: tuple[QRect, QSize, QImage] | None = None
        self._drawn: tuple[QTransform, QSize, QPixmap, QRect] | None = None
        """The marks as they were drawn last, and where any are: frames come more often than
        readings of them."""
        self.setAccessibleName("Picture")
        self.setToolTip("Wheel or + and - to zoom, 0 to fit; drag or arrow keys to move")
        self.setMinimumSize(240, 120)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAcceptDrops(True)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self._describe()

    def sizeHint(self) -> QSize:
        """Room for a picture of 16 to 9."""
        return QSize(720, 405)

    # --- what is shown --------------------------------------------------------------------

    def set_theme(self, theme: Theme) -> None:
        """Take the colours of a theme."""
        self._theme = theme
        self._drawn = None
        self.update()

    def set_unit(self, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Write figures as WPI, by this wrap factor, or in mm."""
        self._unit, self._wrap_factor = unit, wrap_factor
        self._mark()

    def show_frame(self, frame: Frame) -> None:
        """Show the next frame of a running source; outlines stay until the next reading."""
        if not self._live:
            self._forget()
        self._show(frame.pixels, live=True)

    def show_still(self, pixels: NDArray[Any]) -> None:
        """Show a picture that stands still, or a smaller copy of it: (rows, columns[, 3])."""
        self._forget()
        self._place.fitted = True
        self._show(pixels, live=False)

    def clear(self, text: str = _EMPTY) -> None:
        """Show no picture but a sentence that says what to do."""
        self._picture, self._cached, self._empty, self._live = None, None, text, False
        self._forget()
        self.update()

    def set_reading(
        self, reading: PictureReading | None, reasons: Sequence[Refusal] | None = None
    ) -> None:
        """Draw the outlines of a reading of this picture, at whatever size that was measured.

        `reasons` are what is said to be unread, where the reading's own would change too often.
        """
        self._reading, self._reasons = reading, reasons
        self._mark()

    def set_chosen(self, number: int | None) -> None:
        """Set one strand off from the others; None: all alike."""
        if number != self._chosen:
            self._chosen = number
            self._drawn = None
            self.update()

    def _forget(self) -> None:
        self._reading, self._reasons, self._chosen = None, None, None
        self._mark()

    def _show(self, pixels: NDArray[Any], live: bool) -> None:
        before = (self._picture.width, self._picture.height) if self._picture else None
        self._picture, self._live, self._cached = ScaledPicture(pixels), live, None
        if (self._picture.width, self._picture.height) != before:
            self._mark()
            self._arrange()
        else:
            self.update()

    def _mark(self) -> None:
        reading, picture = self._reading, self._picture
        before = self._marks
        if reading is None or picture is None:
            self._marks = PictureMarks()
        else:
            self._marks = marks_of(
                reading,
                reading.refusals if self._reasons is None else self._reasons,
                scale=picture.width / reading.width_px,
                unit=self._unit,
                wrap_factor=self._wrap_factor,
                in_full=not self._live,
            )
        bare = not any((*before.strands, *before.unread, *self._marks.strands, *self._marks.unread))
        if not bare or before.chips != self._marks.chips:
            self._drawn = None
            self.update()
        self._describe()

    def _describe(self) -> None:
        if self._picture is None:
            text = self._empty
        else:
            read = len(self._marks.strands)
            text = " ".join([f"{read} strand{'' if read == 1 else 's'} read.", *self._marks.chips])
        if text != self.accessibleDescription():
            self.setAccessibleDescription(text)

    # --- where it is shown ----------------------------------------------------------------

    @property
    def scale(self) -> float:
        """Device-independent pixels of the screen to one of the picture's."""
        return self._place.scale

    def fit(self) -> None:
        """Show the whole picture as large as there is room."""
        self._place.fit()
        self._moved()

    def zoom(self, factor: float, about: QPointF | None = None) -> None:
        """Magnify by a factor, keeping the place `about` of the widget where it is."""
        if self._picture is not None:
            self._place.zoom(factor, about)
            self._moved()

    def move_by(self, dx: float, dy: float) -> None:
        """Move the picture by so many pixels of the screen."""
        self._place.move_by(dx, dy)
        self._moved()

    def _moved(self) -> None:
        self._cached = None
        self.update()

    def _arrange(self) -> None:
        if self._picture is not None:
            size = QSizeF(self._picture.width, self._picture.height)
            self._place.set_sizes(size, QSizeF(self.size()))
        self._moved()

    # --- painting -------------------------------------------------------------------------

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Paint the picture, its marks, and a frame when something is about to be dropped."""
        painter = QPainter(self)
        if self._picture is None:
            painter.setFont(self.font())
            draw_invitation(painter, self.rect(), self._empty, self._theme)
        else:
            self._paint_picture(painter, self._picture)
            self._paint_marks(painter)
        if self._drop_near or self.hasFocus():
            width = 3.0 if self._drop_near else 1.5
            painter.setPen(QPen(QColor(self._theme.accent), width))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            inset = width / 2
            painter.drawRect(QRectF(self.rect()).adjusted(inset, inset, -inset, -inset))
        painter.end()

    def _paint_picture(self, painter: QPainter, picture: ScaledPicture) -> None:
        shown = self._place.seen()
        left, top = max(0, math.floor(shown.left())), max(0, math.floor(shown.top()))
        right = min(picture.width, math.ceil(shown.right()))
        bottom = min(picture.height, math.ceil(shown.bottom()))
        if right <= left or bottom <= top:
            return
        source = QRect(left, top, right - left, bottom - top)
        ratio = self.devicePixelRatioF()
        target = self._place.to_view().mapRect(QRectF(source))
        for margin in margins(self.rect(), target.toAlignedRect().adjusted(1, 1, -1, -1)):
            painter.fillRect(margin, QColor(self._theme.picture_back))
        device = QRect(
            round(target.left() * ratio),
            round(target.top() * ratio),
            max(1, round(target.width() * ratio)),
            max(1, round(target.height() * ratio)),
        )
        if self._cached is None or self._cached[:2] != (source, device.size()):
            image = picture.part(source, device.width(), device.height())
            image.setDevicePixelRatio(ratio)
            self._cached = (source, device.size(), image)
        painter.drawImage(QPointF(device.left() / ratio, device.top() / ratio), self._cached[2])

    def _paint_marks(self, painter: QPainter) -> None:
        marks, to_view, ratio = self._marks, self._place.to_view(), self.devicePixelRatioF()
        if not (marks.strands or marks.unread or marks.chips):
            return
        size = self.size() * ratio
        if self._drawn is None or self._drawn[:2] != (to_view, size):
            drawn = QPixmap(size)
            drawn.setDevicePixelRatio(ratio)
            drawn.fill(Qt.GlobalColor.transparent)
            onto = QPainter(drawn)
            onto.setFont(self.font())
            view = QRectF(self.rect())
            draw_marks(onto, marks, to_view, view, self._theme, self._chosen)
            onto.end()
            place = marks_place(marks, to_view, view).toAlignedRect()
            self._drawn = (to_view, size, drawn, place.intersected(self.rect()))
        drawn, place = self._drawn[2:]
        taken = QRectF(QPointF(place.topLeft()) * ratio, QSizeF(place.size()) * ratio)
        painter.drawPixmap(QRectF(place), drawn, taken)

    # --- hands ----------------------------------------------------------------------------

    def resizeEvent(self, _event: QResizeEvent) -> None:
        """Fit again when it was fitted, else keep the place."""
        self._arrange()

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Zoom about the pointer."""
        turned = event.angleDelta().y() or event.pixelDelta().y()
        if self._picture is None or not turned:
            event.ignore()
            return
        self.zoom(_STEP ** (turned / 120), event.position())
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin to drag, or to click."""
        if event.button() in (Qt.MouseButton.LeftButton, Qt.MouseButton.MiddleButton):
            self._pressed, self._dragged = event.position(), False
        else:
            super().mousePressEvent(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Drag the picture."""
        if self._pressed is None:
            return
        way = event.position() - self._pressed
        if self._dragged or way.manhattanLength() >= _CLICK:
            self._dragged = True
            if not self._place.fitted:
                self.setCursor(Qt.CursorShape.ClosedHandCursor)
            self.move_by(way.x(), way.y())
            self._pressed = event.position()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """End the drag, or choose the strand that was clicked."""
        if self._pressed is None:
            return
        if not self._dragged and event.button() == Qt.MouseButton.LeftButton:
            at = self._place.to_picture(event.position())
            number = nearest_strand(self._marks, at, 10.0 / self._place.scale)
            if number is not None:
                self.strand_chosen.emit(number)
        self._pressed = None
        self.unsetCursor()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Between fitting and one picture pixel to one of the screen's."""
        if self._picture is None:
            return
        one_to_one = 1.0 / self.devicePixelRatioF()
        if self._place.fitted and one_to_one > self._place.scale * 1.01:
            self.zoom(one_to_one / self._place.scale, event.position())
        elif self._place.fitted:
            self.zoom(4.0, event.position())
        else:
            self.fit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Zoom and move by keys; all others are left to the window."""
        key, step = event.key(), 0.1 * min(self.width(), self.height())
        if event.modifiers() & ~(
            Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier
        ):
            event.ignore()
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoom(_STEP)
        elif key in (Qt.Key.Key_Minus, Qt.Key.Key_Underscore):
            self.zoom(1 / _STEP)
        elif key == Qt.Key.Key_0:
            self.fit()
        elif key == Qt.Key.Key_Left and not self._place.fitted:
            self.move_by(step, 0)
        elif key == Qt.Key.Key_Right and not self._place.fitted:
            self.move_by(-step, 0)
        elif key == Qt.Key.Key_Up and not self._place.fitted:
            self.move_by(0, step)
        elif key == Qt.Key.Key_Down and not self._place.fitted:
            self.move_by(0, -step)
        else:
            event.ignore()

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Show that keys come here."""
        super().focusInEvent(event)
        self.update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Show that keys go elsewhere."""
        super().focusOutEvent(event)
        self.update()

    # --- files ----------------------------------------------------------------------------

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Welcome files and pictures."""
        if event.mimeData().hasUrls() or event.mimeData().hasImage():
            self._drop_near = True
            self.update()
            event.acceptProposedAction()

    def dragLeaveEvent(self, _event: QDragLeaveEvent) -> None:
        """They went away."""
        self._drop_near = False
        self.update()

    def dropEvent(self, event: QDropEvent) -> None:
        """Hand on what was dropped."""
        self._drop_near = False
        self.update()
        event.acceptProposedAction()
        self.dropped.emit(event.mimeData())
