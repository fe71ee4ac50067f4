"""Skein labels at true size: one on a page of its own, or nine on an A4 or Letter sheet to cut.

Everything is laid out in fixed units, the same on paper, in a PNG and in the preview. Words that do
not fit in their size are set smaller, down to a floor; then the maker's words go to a second side;
then the label is refused, and it is said what to shorten. Nothing is ever cut off.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from app import UseError
from app.evenness_strip import paint_strip
from app.page_text import plain_font, printable
from app.pdf_page import pdf_of
from app.qt_setup import drawing_application
from app.sheet import PAPER_MM, Paper
from app.skein_label import SWATCH, Label

if TYPE_CHECKING:
    from PySide6.QtGui import QFont, QPainter, QPdfWriter, QTextLayout

LABEL_MM: Final = (60.0, 85.0)
"""Width and height of a label; three by three fit A4 and Letter."""
ACROSS, DOWN = 3, 3

UNIT: Final = 40.0
"""Units of the layout to the mm."""
_MARGIN_MM: Final = 4.5
_STRIP_MM: Final = 7.0
_STRIP_IN_MM: Final = 1.5
"""The ribbon reaches into the margins, but not over a cut."""
_FLOOR_MM: Final = 1.75
"""Smallest font size (em), some 5 points: smaller cannot be read at arm's length."""
_MOST_LETTERS: Final = 8000
"""More than this no side holds, however narrow the letters: 51 mm of lines 1.75 mm high."""
_SHRINKS: Final = (1.0, 0.92, 0.85, 0.78, 0.72, 0.66, 0.6, 0.54, 0.48)
_INK: Final = "#22211e"
_QUIET: Final = "#5c5850"
_RIBBON: Final = "#3d5a80"
_CUT: Final = "#969696"


@dataclass(frozen=True)
class _Style:
    size_mm: float
    bold: bool = False
    colour: str = _INK


_NAME: Final = _Style(4.6, bold=True)
_BIG: Final = _Style(9.0, bold=True)
_WORDS: Final = _Style(2.7)
_SMALL: Final = _Style(2.35, colour=_QUIET)
_FOOT: Final = _Style(1.8, colour=_QUIET)


@dataclass(frozen=True, eq=False)
class _Placed:
    """A laid out text: top left corner in units."""

    layout: QTextLayout
    x: float
    y: float
    colour: str


@dataclass(frozen=True, eq=False)
class Side:
    """One side of a label, laid out."""

    texts: tuple[_Placed, ...]
    strip_y: float | None
    """Top of the ribbon, in units."""


@dataclass(frozen=True, eq=False)
class SetLabel:
    """A label whose every word has its place."""

    label: Label
    sides: tuple[Side, ...]
    missing: str
    """Letters that no font of this system has, each once."""
    application: object
    """What Qt draws with; it must live as long as the label."""


def set_label(label: Label) -> SetLabel:
    """Lay a label out. UseError says what to shorten when two sides do not hold it."""
    application = drawing_application()
    maker = [text for text in (label.care, label.text) if text]
    for what, text in _texts(label):
        if len(text) > _MOST_LETTERS:
            raise _too_long((what, text))
    for shrink in _SHRINKS:
        side = _front(label, shrink, maker)
        if side is not None:
            return _checked(label, (side,), application)
    for shrink in _SHRINKS:
        front = _front(label, shrink, [])
        if front is None:
            continue
        for back_shrink in _SHRINKS:
            back = _back(label, back_shrink, maker)
            if back is not None:
                return _checked(label, (front, back), application)
        raise _too_long(max(_texts(label)[4:], key=lambda p: len(p[1])))
    raise _too_long(max(_texts(label)[:4], key=lambda p: len(p[1])))


def _texts(label: Label) -> tuple[tuple[str, str], ...]:
    """What a maker typed, by name; the last two may go to a second side."""
    made = next((f.text for f in label.facts if f.name == "Made"), "")
    return (
        ("name", label.name),
        ("fibre", label.fibre),
        ("colourway", label.colourway),
        ("method", made),
        ("care line", label.care),
        ("text", label.text),
    )


def _too_long(what: tuple[str, str]) -> UseError:
    name, text = what
    return UseError(
        f"the label does not hold its words even in the smallest letters on two sides: the {name} "
        f"has {len(text)} characters; shorten it."
    )


def label_pdf(
    labels: Sequence[SetLabel], *, paper: Paper | None = None, title: str = "Skein label"
) -> bytes:
    """Labels as a PDF: each on a page of its own size, or on sheets of paper with cut lines.

    A second side is a page after the first; on a sheet its columns run the other way, so that it
    comes to lie behind the first when printed on both sides, flipped on the long edge.
    """

    def paint(painter: QPainter, writer: QPdfWriter) -> None:
        for number, page in enumerate(_pages(labels, paper)):
            if number:
                writer.newPage()
            _paint_page(painter, page, paper)

    size_mm = LABEL_MM if paper is None else PAPER_MM[paper]
    return pdf_of(title, size_mm, paper or "label", UNIT, paint)


def label_png(
    labels: Sequence[SetLabel], *, paper: Paper | None = None, dpi: int = 300
) -> list[bytes]:
    """The same pages as PNGs of true size at `dpi`, one each."""
    from PySide6.QtCore import QBuffer, QByteArray, QIODevice
    from PySide6.QtGui import QColor, QImage, QPainter

    out = []
    width, height = LABEL_MM if paper is None else PAPER_MM[paper]
    for page in _pages(labels, paper):
        image = QImage(
            round(width / 25.4 * dpi), round(height / 25.4 * dpi), QImage.Format.Format_RGB32
        )
        image.fill(QColor("white"))
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        painter.scale(image.width() / (width * UNIT), image.height() / (height * UNIT))
        _paint_page(painter, page, paper)
        painter.end()
        # Said after painting: Qt would size the words by it.
        image.setDotsPerMeterX(round(dpi / 0.0254))
        image.setDotsPerMeterY(round(dpi / 0.0254))
        data = QByteArray()
        buffer = QBuffer(data)
        buffer.open(QIODevice.OpenModeFlag.WriteOnly)
        image.save(buffer, "PNG")  # type: ignore[call-overload]
        out.append(bytes(data.data()))
    return out


_Slot = tuple[float, float, SetLabel, int]
"""Top left corner in mm, the label and which of its sides."""


def _pages(labels: Sequence[SetLabel], paper: Paper | None) -> list[list[_Slot]]:
    if paper is None:
        return [[(0.0, 0.0, one, n)] for one in labels for n in range(len(one.sides))]
    width, height = PAPER_MM[paper]
    x0, y0 = (width - ACROSS * LABEL_MM[0]) / 2, (height - DOWN * LABEL_MM[1]) / 2
    pages = []
    for start in range(0, len(labels), ACROSS * DOWN):
        batch = labels[start : start + ACROSS * DOWN]
        for side in range(max(len(one.sides) for one in batch)):
            slots: list[_Slot] = []
            for place, one in enumerate(batch):
                row, column = divmod(place, ACROSS)
                if side:
                    column = ACROSS - 1 - column
                x, y = x0 + column * LABEL_MM[0], y0 + row * LABEL_MM[1]
                if side < len(one.sides):
                    slots.append((x, y, one, side))
            pages.append(slots)
    return pages


def _paint_page(painter: QPainter, page: list[_Slot], paper: Paper | None) -> None:
    from PySide6.QtCore import QRectF, Qt
    from PySide6.QtGui import QColor, QPen

    for x, y, one, number in page:
        painter.save()
        painter.translate(x * UNIT, y * UNIT)
        paint_side(painter, one, number)
        if paper is not None:
            pen = QPen(QColor(_CUT), 0.15 * UNIT)
            pen.setDashPattern([12.0, 10.0])
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            painter.setPen(pen)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(0, 0, LABEL_MM[0] * UNIT, LABEL_MM[1] * UNIT))
        painter.restore()


def paint_side(painter: QPainter, one: SetLabel, number: int) -> None:
    """Paint a side with its top left corner at the origin, `UNIT` painter units to the mm."""
    from PySide6.QtCore import QPointF, QRectF
    from PySide6.QtGui import QColor

    side = one.sides[number]
    if side.strip_y is not None:
        width = LABEL_MM[0] - 2 * _STRIP_IN_MM
        area = QRectF(_STRIP_IN_MM * UNIT, side.strip_y, width * UNIT, _STRIP_MM * UNIT)
        paint_strip(painter, area, one.label.strip_mm, QColor(_RIBBON))
    for placed in side.texts:
        painter.setPen(QColor(placed.colour))
        placed.layout.draw(painter, QPointF(placed.x, placed.y))


# --- laid out


class _Column:
    """Texts below one another within the margins; `full` when one did not fit."""

    def __init__(self, shrink: float) -> None:
        self._shrink = shrink
        self.texts: list[_Placed] = []
        self.y = _MARGIN_MM * UNIT
        self.bottom = (LABEL_MM[1] - _MARGIN_MM + 1.5) * UNIT
        self.small = False
        """A text would be below the floor."""

    def add(
        self, text: str, style: _Style, *, x_mm: float = 0.0, gap_mm: float = 0.0, move: bool = True
    ) -> float:
        """Put a text at `x_mm` from the margin; gives its height in units."""
        left = (_MARGIN_MM + x_mm) * UNIT
        width = (LABEL_MM[0] - _MARGIN_MM) * UNIT - left
        size_mm = max(style.size_mm * self._shrink, min(_FLOOR_MM, style.size_mm))
        layout, height = _laid_out(text, _font(size_mm, style.bold), width)
        self.texts.append(_Placed(layout, left, self.y, style.colour))
        if move:
            self.y += height + gap_mm * UNIT
        return height


def _front(label: Label, shrink: float, maker: Sequence[str]) -> Side | None:
    """The first side at this size; None when it does not fit."""
    column = _Column(shrink)
    if label.name:
        column.add(label.name, _NAME, gap_mm=0.6)
    for text in (label.colourway, label.fibre):
        if text:
            column.add(text, _WORDS, gap_mm=0.3)
    column.y += 1.2 * UNIT
    if label.wpi:
        figure_mm = _natural_width(label.wpi, _font(_BIG.size_mm * max(shrink, 0.7), True)) / UNIT
        top = column.y
        big = column.add(label.wpi, _Style(_BIG.size_mm * max(shrink, 0.7) / shrink, True),
                         move=False)  # fmt: skip
        column.y += 1.0 * UNIT * shrink
        column.add(label.wpi_range, _WORDS, x_mm=figure_mm + 2.0, gap_mm=0.2)
        column.add(label.class_name, _WORDS, x_mm=figure_mm + 2.0, gap_mm=0.2)
        column.add(label.chart, _FOOT, x_mm=figure_mm + 2.0)
        column.y = max(column.y, top + big) + 0.8 * UNIT
    strip_y = None
    if len(label.strip_mm):
        strip_y = column.y
        column.y += (_STRIP_MM + 1.6) * UNIT
    for fact in label.facts:
        value_x = 16.0
        before = column.y
        title = column.add(fact.name, _SMALL, move=False)
        column.add(fact.text, _WORDS, x_mm=value_x)
        column.y = max(column.y, before + title) + 0.25 * UNIT
    for text in maker:
        column.y += 0.9 * UNIT
        column.add(text, _WORDS)
    return _ended(column, strip_y)


def _back(label: Label, shrink: float, maker: Sequence[str]) -> Side | None:
    column = _Column(shrink)
    column.add(label.name, _Style(3.2, bold=True), gap_mm=1.2)
    for text in maker:
        column.add(text, _WORDS, gap_mm=1.0)
    return _ended(column, None)


def _ended(column: _Column, strip_y: float | None) -> Side | None:
    """The side with its foot, or None when that no longer fits."""
    foot_layout, height = _laid_out(
        SWATCH, _font(_FOOT.size_mm, False), (LABEL_MM[0] - 2 * _MARGIN_MM) * UNIT
    )
    top = column.bottom - height
    if column.y + 0.5 * UNIT > top:
        return None
    foot = _Placed(foot_layout, _MARGIN_MM * UNIT, top, _FOOT.colour)
    return Side((*column.texts, foot), strip_y)


def _font(size_mm: float, bold: bool) -> QFont:
    return plain_font(size_mm * UNIT, bold)


def _laid_out(text: str, font: QFont, width: float) -> tuple[QTextLayout, float]:
    """The text in lines of at most that width, and its height; paragraphs stay paragraphs."""
    from PySide6.QtCore import QPointF
    from PySide6.QtGui import QTextLayout, QTextOption

    option = QTextOption()
    # A word longer than a line is broken anywhere rather than cut.
    option.setWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
    layout = QTextLayout(printable(text), font)
    layout.setTextOption(option)
    layout.setCacheEnabled(True)
    layout.beginLayout()
    y = 0.0
    while True:
        line = layout.createLine()
        if not line.isValid():
            break
        line.setLineWidth(width)
        line.setPosition(QPointF(0, y))
        y += line.height()
        if y > 4 * LABEL_MM[1] * UNIT:
            break  # longer than two sides: there is no need to lay out the rest
    layout.endLayout()
    return layout, y


def _natural_width(text: str, font: QFont) -> float:
    from PySide6.QtGui import QFontMetricsF

    return QFontMetricsF(font).horizontalAdvance(text)


def _checked(label: Label, sides: tuple[Side, ...], application: object) -> SetLabel:
    """The label with the letters that no font has: Qt draws an empty box for each."""
    missing: dict[str, None] = {}
    for side in sides:
        for placed in side.texts:
            fonts = [run.rawFont() for run in placed.layout.glyphRuns()]
            for letter in dict.fromkeys(placed.layout.text()):
                kind = unicodedata.category(letter)
                if kind[0] == "Z" or kind in ("Cc", "Cf") or letter in missing:
                    continue
                if not any(font.supportsCharacter(ord(letter)) for font in fonts):
                    missing[letter] = None
    return SetLabel(label, sides, "".join(missing), application)
