"""Where a picture lies in its view: how large, and which part of it."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QPointF, QRect, QRectF, QSizeF
from PySide6.QtGui import QTransform

_CLOSEST: Final = 24.0
"""Most device-independent pixels to one of the picture's."""
_TINY_GROWS: Final = 6.0
"""How far a picture smaller than its room is enlarged to fit."""


class PicturePlace:
    """Scale and centre of a picture in a view; the picture never leaves a gap it could fill."""

    def __init__(self) -> None:
        self.scale = 1.0
        """Device-independent pixels of the view to one of the picture's."""
        self.fitted = True
        self._centre = QPointF()
        self._picture = QSizeF(1, 1)
        self._view = QSizeF(1, 1)

    def set_sizes(self, picture: QSizeF, view: QSizeF) -> None:
        """Another picture or another view; it fits again when it fitted."""
        if picture != self._picture:
            self.fitted = True
        self._picture, self._view = picture, view
        if self.fitted:
            self.fit()
        else:
            self._hold_in()

    def fit(self) -> None:
        """The whole picture, as large as there is room."""
        self.fitted = True
        self.scale = self._fit_scale()
        self._hold_in()

    def zoom(self, factor: float, about: QPointF | None = None) -> None:
        """Magnify by a factor; the place `about` in the view (its middle) stays where it is."""
        about = about if about is not None else self._middle()
        keep = self.to_picture(about)
        smallest = self._fit_scale()
        self.scale = min(max(self.scale * factor, smallest), max(_CLOSEST, smallest))
        self.fitted = self.scale <= smallest * 1.0001
        self._centre = keep - (about - self._middle()) / self.scale
        self._hold_in()

    def move_by(self, dx: float, dy: float) -> None:
        """Move the picture by so many pixels of the view."""
        self._centre -= QPointF(dx, dy) / self.scale
        self._hold_in()

    def to_view(self) -> QTransform:
        """From picture pixels, the first one's corner at the origin, to the view's."""
        offset = self._middle() - self._centre * self.scale
        return QTransform(self.scale, 0, 0, self.scale, offset.x(), offset.y())

    def to_picture(self, at: QPointF) -> QPointF:
        """The place in the picture that is seen at a place of the view."""
        return self._centre + (at - self._middle()) / self.scale

    def seen(self) -> QRectF:
        """The part of the picture's plane that the view shows, in picture pixels."""
        half = QPointF(self._view.width(), self._view.height()) / (2 * self.scale)
        return QRectF(self._centre - half, self._centre + half)

    def _middle(self) -> QPointF:
        return QPointF(self._view.width() / 2, self._view.height() / 2)

    def _fit_scale(self) -> float:
        across = self._view.width() / self._picture.width()
        down = self._view.height() / self._picture.height()
        return min(across, down, _TINY_GROWS)

    def _hold_in(self) -> None:
        """Centred where it is smaller than the view, else without a gap."""
        x, y = (
            size / 2
            if room / self.scale >= size
            else min(max(at, room / self.scale / 2), size - room / self.scale / 2)
            for size, room, at in (
                (self._picture.width(), self._view.width(), self._centre.x()),
                (self._picture.height(), self._view.height(), self._centre.y()),
            )
        )
        self._centre = QPointF(x, y)


def margins(outer: QRect, inner: QRect) -> tuple[QRect, ...]:
    """What of `outer` lies above, below, left and right of `inner`; empty where nothing does."""
    above, below = max(inner.top(), 0), min(inner.bottom() + 1, outer.height())
    left, right = max(inner.left(), 0), min(inner.right() + 1, outer.width())
    return (
        QRect(0, 0, outer.width(), above),
        QRect(0, below, outer.width(), outer.height() - below),
        QRect(0, above, left, below - above),
        QRect(right, above, outer.width() - right, below - above),
    )
