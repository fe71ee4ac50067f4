"""A spin's report on A4 or Letter pages: text that can be searched, drawings as lines.

Laid out in fixed units, page by page. What is longer than its line wraps; a table's row, a drawing
with its caption and a picture stay whole; what does not fit goes to the next page.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from app.figure import FAINT, INK, QUIET, Area, Dot, Figure, Line, Mark
from app.page_text import plain_font, printable
from app.pdf_page import pdf_of
from app.qt_setup import drawing_application
from app.sheet import PAPER_MM, Paper
from app.spin_pictures import Picture
from app.spin_report import Block, Chapter, Drawn, Facts, Pictures, Says, SpinReport, Table

if TYPE_CHECKING:
    from PySide6.QtGui import QFont, QPainter, QPdfWriter, QTextLayout

UNIT: Final = 40.0
"""Units of the layout to the mm."""
_SIDE_MM: Final = 18.0
_TOP_MM: Final = 17.0
_BOTTOM_MM: Final = 20.0
"""Free below what is told; the foot stands in it."""
_FACT_MM: Final = 34.0
_GAP_MM: Final = 1.6
_PICTURES_ACROSS: Final = 2
_SHORT: Final = 10
"""Rows of a table that goes on one page."""


@dataclass(frozen=True)
class _Style:
    size_mm: float
    bold: bool = False
    colour: str = INK


_TITLE: Final = _Style(7.4, bold=True)
_HEADING: Final = _Style(4.6, bold=True)
_BODY: Final = _Style(3.3)
_QUIET: Final = _Style(2.9, colour=QUIET)
_HEAD: Final = _Style(2.9, bold=True, colour=QUIET)
_FOOT: Final = _Style(2.6, colour=QUIET)

_Paint = Callable[["QPainter", float], None]
"""Paints something whose top is so many units down the page."""


@dataclass(frozen=True, eq=False)
class _Piece:
    """Something that is not divided between pages."""

    height: float
    paint: _Paint
    gap: float = 0.0
    """Free space before it, but at a page's top."""
    with_next: bool = False
    """Not the last thing on a page."""


def report_pdf(report: SpinReport, paper: Paper = "a4") -> bytes:
    """The report as a PDF."""
    application = drawing_application()
    width, height = PAPER_MM[paper]
    setter = _Setter((width - 2 * _SIDE_MM) * UNIT)
    pages = _pages(setter.pieces(report), (height - _TOP_MM - _BOTTOM_MM) * UNIT)
    pdf = pdf_of(
        " ".join(printable(report.title).split()),
        (width, height),
        paper,
        UNIT,
        lambda painter, writer: _paint_pages(
            painter, writer, pages, setter, report.foot, (width, height)
        ),
    )
    del application
    return pdf


def _pages(pieces: Sequence[_Piece], room: float) -> list[list[tuple[float, _Piece]]]:
    """Which piece stands on which page, and how far down."""
    pages: list[list[tuple[float, _Piece]]] = [[]]
    y = 0.0
    at = 0
    while at < len(pieces):
        # A heading goes with the first thing under it.
        group = [pieces[at]]
        while group[-1].with_next and at + len(group) < len(pieces):
            group.append(pieces[at + len(group)])
        needed = sum(p.height + p.gap for p in group)
        if pages[-1] and y + needed > room:
            pages.append([])
            y = 0.0
        for piece in group:
            if pages[-1]:
                y += piece.gap
            if pages[-1] and y + piece.height > room:
                pages.append([])
                y = 0.0
            pages[-1].append((y, piece))
            y += piece.height
        at += len(group)
    return pages


def _paint_pages(
    painter: QPainter,
    writer: QPdfWriter,
    pages: Sequence[Sequence[tuple[float, _Piece]]],
    setter: _Setter,
    foot: str,
    size_mm: tuple[float, float],
) -> None:
    for number, page in enumerate(pages, start=1):
        if number > 1:
            writer.newPage()
        painter.save()
        painter.translate(_SIDE_MM * UNIT, _TOP_MM * UNIT)
        for y, piece in page:
            piece.paint(painter, y)
        below = (size_mm[1] - _TOP_MM - _BOTTOM_MM + 7.0) * UNIT
        for text, right in ((foot, False), (f"{number} of {len(pages)}", True)):
            setter.text(text, _FOOT, right=right).paint(painter, below)
        painter.restore()


class _Setter:
    """Turns blocks into pieces of one width."""

    def __init__(self, width: float) -> None:
        self.width = width

    def pieces(self, report: SpinReport) -> list[_Piece]:
        out = [self.text(report.title, _TITLE)]
        if report.under:
            out.append(self.text(report.under, _BODY_QUIET, gap_mm=0.8))
        for chapter in report.chapters:
            out += self._chapter(chapter)
        return out

    def _chapter(self, chapter: Chapter) -> list[_Piece]:
        heading = self.text(chapter.title, _HEADING)

        def paint(painter: QPainter, y: float) -> None:
            _rule(painter, 0.0, self.width, y, FAINT)
            heading.paint(painter, y + 2.2 * UNIT)

        out = [_Piece(heading.height + 2.6 * UNIT, paint, 6.0 * UNIT, with_next=True)]
        for block in chapter.blocks:
            out += self._block(block)
        return out

    def _block(self, block: Block) -> list[_Piece]:
        if isinstance(block, Says):
            style = _QUIET if block.quiet else _BODY
            return self._lines(block.text, style)
        if isinstance(block, Facts):
            return [
                self._row((fact.name, fact.text), (_BODY_QUIET, _BODY), (0.0, _FACT_MM), 0.9)
                for fact in block.rows
            ]
        if isinstance(block, Table):
            return self._table(block)
        if isinstance(block, Drawn):
            return [self._drawn(block)]
        return self._pictures(block)

    def text(self, text: str, style: _Style, *, gap_mm: float = 0.0, right: bool = False) -> _Piece:
        """A text over the whole width, whole."""
        layout, height = self._laid_out(text, style, self.width, right)
        return _Piece(
            height, lambda painter, y: _draw(painter, layout, 0.0, y, style), gap_mm * UNIT
        )

    def _lines(self, text: str, style: _Style) -> list[_Piece]:
        """A paragraph, its lines apart, so that a long one runs on over pages."""
        layout, _ = self._laid_out(text, style, self.width)
        count = layout.lineCount()
        out = []
        for n in range(count):
            line = layout.lineAt(n)

            def paint(painter: QPainter, y: float, n: int = n) -> None:
                _draw_line(painter, layout, n, y, style)

            out.append(_Piece(line.height(), paint, _GAP_MM * UNIT if n == 0 else 0.0))
        return out

    def _row(
        self,
        cells: Sequence[str],
        styles: Sequence[_Style],
        lefts_mm: Sequence[float],
        gap_mm: float,
        right: Sequence[bool] = (),
        rule: bool = False,
    ) -> _Piece:
        """Texts beside each other, each in its column."""
        ends = [*(left * UNIT for left in lefts_mm[1:]), self.width + 2.0 * UNIT]
        laid = []
        for n, (text, style) in enumerate(zip(cells, styles, strict=True)):
            left = lefts_mm[n] * UNIT
            laid.append(
                (
                    *self._laid_out(
                        text, style, ends[n] - left - 2.0 * UNIT, bool(right) and right[n]
                    ),
                    left,
                    style,
                )
            )
        height = max(entry[1] for entry in laid)

        def paint(painter: QPainter, y: float) -> None:
            for layout, _, left, style in laid:
                _draw(painter, layout, left, y, style)
            if rule:
                _rule(painter, 0.0, self.width, y + height + 0.7 * UNIT, FAINT)

        return _Piece(height + (1.0 * UNIT if rule else 0.0), paint, gap_mm * UNIT)

    def _table(self, table: Table) -> list[_Piece]:
        columns = len(table.heads)
        # The widths the columns would like, the first one's name at most a third.
        wants = [
            max(
                self._natural(cell, _HEAD if not n else _BODY)
                for n, cell in enumerate((table.heads[c], *(row[c] for row in table.rows)))
            )
            + 2.5 * UNIT
            for c in range(columns)
        ]
        wants[0] = min(wants[0], self.width / 3)
        spare = self.width + 2.0 * UNIT - sum(wants)
        if spare < 0:
            widths = [w * (self.width + 2.0 * UNIT) / sum(wants) for w in wants]
        else:
            widths = [w + spare / columns for w in wants]
        lefts = [sum(widths[:c]) / UNIT for c in range(columns)]
        right = [c > 0 for c in range(columns)]
        head = self._row(table.heads, [_HEAD] * columns, lefts, _GAP_MM, right, rule=True)
        out = [_Piece(head.height, head.paint, head.gap + 1.0 * UNIT, with_next=True)]
        for n, row in enumerate(table.rows, start=1):
            piece = self._row(row, [_BODY] * columns, lefts, 0.8, right, rule=True)
            # A short table stays whole; of a long one no row stands alone.
            together = (
                n < len(table.rows) if len(table.rows) <= _SHORT else n == len(table.rows) - 1
            )
            out.append(replace(piece, with_next=together))
        return out

    def _drawn(self, drawn: Drawn) -> _Piece:
        figure = drawn.figure
        scale = self.width / figure.width_mm
        tall = figure.height_mm * scale
        caption = self.text(drawn.caption, _QUIET) if drawn.caption else None

        def paint(painter: QPainter, y: float) -> None:
            painter.save()
            painter.translate(0.0, y)
            painter.scale(scale / UNIT, scale / UNIT)
            _paint_figure(painter, figure)
            painter.restore()
            if caption is not None:
                caption.paint(painter, y + tall + 0.8 * UNIT)

        under = 0.0 if caption is None else caption.height + 0.8 * UNIT
        return _Piece(tall + under, paint, 2.2 * UNIT)

    def _pictures(self, pictures: Pictures) -> list[_Piece]:
        shown = pictures.of
        return [
            self._picture_row(shown[at : at + _PICTURES_ACROSS])
            for at in range(0, len(shown), _PICTURES_ACROSS)
        ]

    def _picture_row(self, row: Sequence[Picture]) -> _Piece:
        gap = 5.0 * UNIT
        wide = (self.width - gap * (_PICTURES_ACROSS - 1)) / _PICTURES_ACROSS
        # None taller than a third of a page.
        sizes = [
            (w := min(wide, 80.0 * UNIT * p.width_px / p.height_px), w * p.height_px / p.width_px)
            for p in row
        ]
        captions = [self._laid_out(p.caption, _QUIET, wide) for p in row]
        height = max(h + 0.8 * UNIT + c[1] for (_, h), c in zip(sizes, captions, strict=True))

        def paint(painter: QPainter, y: float) -> None:
            from PySide6.QtCore import QRectF
            from PySide6.QtGui import QImage

            for n, picture in enumerate(row):
                left, (width, tall) = n * (wide + gap), sizes[n]
                image = QImage.fromData(picture.jpeg)
                painter.drawImage(QRectF(left, y, width, tall), image)
                _draw(painter, captions[n][0], left, y + tall + 0.8 * UNIT, _QUIET)

        return _Piece(height, paint, 3.0 * UNIT)

    # --- text

    def _natural(self, text: str, style: _Style) -> float:
        from PySide6.QtGui import QFontMetricsF

        return QFontMetricsF(_font(style.size_mm, style.bold)).horizontalAdvance(text)

    def _laid_out(
        self, text: str, style: _Style, width: float, right: bool = False
    ) -> tuple[QTextLayout, float]:
        """The text in lines of at most that width, and its height."""
        from PySide6.QtCore import QPointF, Qt
        from PySide6.QtGui import QTextLayout, QTextOption

        option = QTextOption()
        # A word longer than a line is broken anywhere rather than cut.
        option.setWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
        if right:
            option.setAlignment(Qt.AlignmentFlag.AlignRight)
        # A number and its sign belong together.
        kept = printable(text).replace(" %", "\N{NO-BREAK SPACE}%")
        layout = QTextLayout(kept, _font(style.size_mm, style.bold))
        layout.setTextOption(option)
        layout.setCacheEnabled(True)
        layout.beginLayout()
        y = 0.0
        while (line := layout.createLine()).isValid():
            line.setLineWidth(width)
            line.setPosition(QPointF(0, y))
            y += line.height() * 1.08
        layout.endLayout()
        return layout, y


_BODY_QUIET: Final = _Style(3.3, colour=QUIET)


def _font(size_mm: float, bold: bool) -> QFont:
    return plain_font(size_mm * UNIT, bold)


def _draw(painter: QPainter, layout: QTextLayout, x: float, y: float, style: _Style) -> None:
    from PySide6.QtCore import QPointF
    from PySide6.QtGui import QColor

    painter.setPen(QColor(style.colour))
    layout.draw(painter, QPointF(x, y))


def _draw_line(painter: QPainter, layout: QTextLayout, n: int, y: float, style: _Style) -> None:
    from PySide6.QtCore import QPointF
    from PySide6.QtGui import QColor

    painter.setPen(QColor(style.colour))
    line = layout.lineAt(n)
    line.draw(painter, QPointF(0.0, y - line.y()))


def _rule(painter: QPainter, left: float, right: float, y: float, colour: str) -> None:
    from PySide6.QtCore import QLineF
    from PySide6.QtGui import QColor, QPen

    painter.setPen(QPen(QColor(colour), 0.2 * UNIT))
    painter.drawLine(QLineF(left, y, right, y))


def _paint_figure(painter: QPainter, figure: Figure) -> None:
    """A drawing at `UNIT` painter units to its mm."""
    for mark in figure.marks:
        _paint_mark(painter, mark)


def _paint_mark(painter: QPainter, mark: Mark) -> None:
    from PySide6.QtCore import QPointF, QRectF, Qt
    from PySide6.QtGui import QColor, QPen, QPolygonF

    if isinstance(mark, Line):
        pen = QPen(QColor(mark.colour), mark.width_mm * UNIT)
        pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        if mark.dash_mm:
            pen.setDashPattern([mark.dash_mm / mark.width_mm] * 2)
        painter.setPen(pen)
        painter.drawPolyline(QPolygonF([QPointF(x * UNIT, y * UNIT) for x, y in mark.points]))
    elif isinstance(mark, Area):
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(mark.fill))
        painter.drawPolygon(QPolygonF([QPointF(x * UNIT, y * UNIT) for x, y in mark.points]))
    elif isinstance(mark, Dot):
        painter.setPen(QPen(QColor(mark.edge), 0.3 * UNIT) if mark.edge else Qt.PenStyle.NoPen)
        painter.setBrush(QColor(mark.fill))
        r = mark.radius_mm * UNIT
        area = QRectF(mark.x * UNIT - r, mark.y * UNIT - r, 2 * r, 2 * r)
        if mark.square:
            painter.drawRect(area)
        else:
            painter.drawEllipse(area)
    else:
        from PySide6.QtGui import QFontMetricsF

        chosen = _font(mark.size_mm, mark.bold)
        text = printable(mark.text)
        wide = QFontMetricsF(chosen).horizontalAdvance(text)
        back = {"start": 0.0, "middle": wide / 2, "end": wide}[mark.anchor]
        painter.setFont(chosen)
        painter.setPen(QColor(mark.colour))
        painter.drawText(QPointF(mark.x * UNIT - back, mark.y * UNIT), text)
