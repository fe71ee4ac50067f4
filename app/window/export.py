"""A chart as a picture file: PNG or SVG, always light, so that it can be printed.

The file holds what the chart shows as it is zoomed, a title above and the figures in words below.
Whatever a title contains stays words: it is never read as markup.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from threading import Thread
from typing import Final, Protocol, TypeAlias, TypeVar

from PySide6.QtCore import (
    QBuffer,
    QByteArray,
    QIODevice,
    QObject,
    QRect,
    QRectF,
    QSize,
    QSizeF,
    Qt,
    Signal,
)
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QImage, QImageWriter, QPaintDevice, QPainter
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QApplication, QFileDialog, QWidget

from app import UseError
from app.window.later import soon
from app.window.theme import LIGHT
from app.window.tips import forward

SHEET_PX: Final = QSize(1200, 640)
"""Size of the sheet; a PNG has `PNG_SCALE` times as many pixels each way."""
PNG_SCALE: Final = 2
_MARGIN: Final = 24.0
_PX_PER_INCH: Final = 96
_TITLE_LETTERS: Final = 200


T = TypeVar("T")
Steps: TypeAlias = Generator[None, None, T]
"""Something made in steps of some milliseconds, between which the window answers."""


class Drawable(Protocol):
    """A chart that can draw itself on a sheet."""

    def paint_on(self, painter: QPainter, area: QRectF) -> Iterator[None]:
        """Draw into part of the sheet, in steps of some milliseconds."""

    def summary(self) -> str:
        """The figures in words."""


def plain(text: str) -> str:
    """`text` on one line, without what no file should contain: controls, halves of characters.

    Nor has it marks that turn the writing direction of what follows.
    """
    kept = "".join(
        " " if unicodedata.category(c) in ("Cc", "Cs", "Cn") else c for c in forward(text)
    )
    line = " ".join(kept.split())
    return line if len(line) <= _TITLE_LETTERS else line[: _TITLE_LETTERS - 1] + "…"


def chart_png(chart: Drawable, title: str, size: QSize = SHEET_PX) -> bytes:
    """The chart as a PNG of `PNG_SCALE` times `size` pixels."""
    return _png_of(_at_once(_chart_image(chart, title, size)), title)


def _at_once(steps: Steps[T]) -> T:
    while True:
        try:
            next(steps)
        except StopIteration as end:
            done: T = end.value
            return done


def _chart_image(chart: Drawable, title: str, size: QSize) -> Steps[QImage]:
    image = QImage(size * PNG_SCALE, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(PNG_SCALE)
    yield from _paint_sheet(image, chart, title, size)
    # Said after painting: Qt would size the words by it.
    dots_per_metre = round(_PX_PER_INCH * PNG_SCALE / 0.0254)
    image.setDotsPerMeterX(dots_per_metre)
    image.setDotsPerMeterY(dots_per_metre)
    return image


def _png_of(image: QImage, title: str) -> bytes:
    """In any thread; takes longer than the painting."""
    store = QByteArray()
    buffer = QBuffer(store)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QImageWriter(buffer, QByteArray(b"png"))
    writer.setText("Title", plain(title))
    if not writer.write(image):
        raise RuntimeError(writer.errorString())
    return bytes(store.data())


def chart_svg(chart: Drawable, title: str, size: QSize = SHEET_PX) -> bytes:
    """The chart as an SVG of `size` pixels."""
    return _at_once(_chart_drawing(chart, title, size))


def _chart_drawing(chart: Drawable, title: str, size: QSize) -> Steps[bytes]:
    store = QByteArray()
    buffer = QBuffer(store)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setSize(size)
    generator.setViewBox(QRect(0, 0, size.width(), size.height()))
    generator.setResolution(_PX_PER_INCH)
    generator.setTitle(plain(title))
    generator.setDescription(plain(chart.summary()))
    yield from _paint_sheet(generator, chart, title, size)
    buffer.close()
    return bytes(store.data())


def save_chart(chart: Drawable, file: Path, title: str) -> None:
    """Write the chart into `file`, as its ending says; UseError when that cannot be done.

    The file is there whole or not at all.
    """
    _write(file, _at_once(_drawn(chart, file, title)))


def _drawn(chart: Drawable, file: Path, title: str) -> Steps[Callable[[], bytes]]:
    """Draw the chart, and give what makes a file's content of that, in any thread."""
    ending = file.suffix.lower()
    if ending == ".png":
        image = yield from _chart_image(chart, title, SHEET_PX)
        return lambda: _png_of(image, title)
    if ending == ".svg":
        content = yield from _chart_drawing(chart, title, SHEET_PX)
        return lambda: content
    raise UseError(f"{file.name} does not say which kind of picture: end it in .png or .svg.")


def _write(file: Path, content: Callable[[], bytes]) -> None:
    part = file.with_name(file.name + ".part")
    try:
        part.write_bytes(content())
        part.replace(file)
    except OSError as problem:
        part.unlink(missing_ok=True)
        why = problem.strerror or "the system refused"
        raise UseError(f"{file} could not be written ({why}); choose another place.") from problem


class ChartSaver(QObject):
    """Asks where a chart goes and writes it beside the window's own work."""

    said = Signal(str)
    """What came of it, a sentence."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._parent = parent
        self._drawing: tuple[Path, Steps[Callable[[], bytes]]] | None = None
        self._writing: Thread | None = None

    def ask(self, chart: Drawable, title: str) -> None:
        """Ask, and save the chart as it is now."""
        name, kind = QFileDialog.getSaveFileName(
            self._parent,
            "Save the chart",
            "drift.png",
            "PNG picture (*.png);;SVG drawing (*.svg)",
        )
        if not name:
            return
        file = Path(name)
        if not file.suffix:
            file = file.with_suffix(".svg" if "svg" in kind else ".png")
        self.save(chart, file, title)

    def save(self, chart: Drawable, file: Path, title: str) -> None:
        """Save the chart as it is now: drawn in steps, between which the window goes on."""
        self.stop()
        self._drawing = (file, _drawn(chart, file, title))
        self._draw()

    def _draw(self) -> None:
        if self._drawing is None:
            return
        (file, steps), self._drawing = self._drawing, None
        try:
            next(steps)
        except UseError as error:
            self.said.emit(str(error))
        except StopIteration as end:
            self._writing = Thread(target=self._work, args=(file, end.value), name="save the chart")
            self._writing.start()
        else:
            self._drawing = file, steps
            soon(self, self._draw)

    def _work(self, file: Path, content: Callable[[], bytes]) -> None:
        try:
            _write(file, content)
        except UseError as error:
            self.said.emit(str(error))
        else:
            self.said.emit(f"Saved {file}.")

    def stop(self) -> None:
        """Finish what is being drawn and written."""
        while self._drawing is not None:
            self._draw()
        if self._writing is not None:
            self._writing.join()
            self._writing = None


def _paint_sheet(device: QPaintDevice, chart: Drawable, title: str, size: QSize) -> Steps[None]:
    painter = QPainter(device)
    try:
        yield from _paint_words_and_chart(painter, chart, title, size)
    finally:
        # A painter that outlives its device takes the program with it.
        painter.end()


def _paint_words_and_chart(
    painter: QPainter, chart: Drawable, title: str, size: QSize
) -> Steps[None]:
    sheet = QRectF(0, 0, size.width(), size.height())
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.fillRect(sheet, QColor(LIGHT.panel))
    body = QFont(QApplication.font())
    head = QFont(body)
    head.setPointSizeF(body.pointSizeF() * 1.4 if body.pointSizeF() > 0 else 14.0)
    inside = sheet.adjusted(_MARGIN, _MARGIN, -_MARGIN, -_MARGIN)
    head_px = QFontMetricsF(head).height() * 1.5
    body_px = QFontMetricsF(body).height() * 1.4
    top = QRectF(inside.topLeft(), QSizeF(inside.width(), head_px))
    foot = QRectF(inside.left(), inside.bottom() - body_px, inside.width(), body_px)
    for words, font, area, colour in (
        (title, head, top, LIGHT.ink),
        (chart.summary(), body, foot, LIGHT.quiet_ink),
    ):
        painter.setFont(font)
        painter.setPen(QColor(colour))
        text = QFontMetricsF(font).elidedText(
            plain(words), Qt.TextElideMode.ElideRight, area.width()
        )
        flags = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(area, int(flags) | int(Qt.TextFlag.TextSingleLine), text)
    yield from chart.paint_on(
        painter, QRectF(inside.left(), top.bottom(), inside.width(), foot.top() - top.bottom() - 6)
    )
