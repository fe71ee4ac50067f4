"""The card as a file: a sheet to print (PDF, SVG) or the bare card's pixels (PNG)."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Literal

from app.pdf_page import OWN_UNITS_PER_MM, pdf_of
from app.sheet import Frame, Paper, Sheet, Words, card_words, lay_out, window_frame
from measure.card import Card
from measure.yarn import MM_PER_INCH

if TYPE_CHECKING:
    from PySide6.QtGui import QPainter, QPainterPath

FileFormat = Literal["pdf", "png", "svg"]


def card_file(
    card: Card, *, paper: Paper = "a4", file_format: FileFormat = "pdf", dpi: int = 600
) -> bytes:
    """The content of a card file: `paper` is for PDF and SVG, `dpi` for PNG."""
    if file_format == "pdf":
        return sheet_pdf(lay_out(card, paper))
    if file_format == "svg":
        return sheet_svg(lay_out(card, paper)).encode("utf-8")
    return card_png(card, dpi)


def sheet_svg(sheet: Sheet) -> str:
    """The sheet as SVG whose user unit is one millimetre."""
    ink = "".join(f"M{_n(x)} {_n(y)}h{_n(w)}v{_n(h)}h{_n(-w)}z" for x, y, w, h in sheet.ink_mm)
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(sheet.width_mm)}mm" '
        f'height="{_n(sheet.height_mm)}mm" '
        f'viewBox="0 0 {_n(sheet.width_mm)} {_n(sheet.height_mm)}">',
        f"<title>{escape(sheet.title)}</title>",
        f'<rect width="{_n(sheet.width_mm)}" height="{_n(sheet.height_mm)}" fill="#fff"/>',
        f'<path id="ink" d="{ink}" fill="#000"/>',
    ]
    parts += [
        f'<rect class="check-bar" x="{_n(b.x_mm)}" y="{_n(b.y_mm)}" '
        f'width="{_n(b.width_mm)}" height="{_n(b.height_mm)}" fill="#000"/>'
        for b in sheet.bars
    ]
    parts += [_svg_frame(frame) for frame in sheet.frames]
    parts += [_svg_words(words) for words in sheet.words]
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _n(value: float) -> str:
    """A length with a tenth of a micrometre and no trailing zeros."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def _hex(grey: int) -> str:
    return f"#{grey:02x}{grey:02x}{grey:02x}"


def _svg_frame(frame: Frame) -> str:
    dash = f' stroke-dasharray="{frame.dash_mm[0]} {frame.dash_mm[1]}"' if frame.dash_mm else ""
    corner = f' rx="{_n(frame.radius_mm)}"' if frame.radius_mm else ""
    return (
        f'<rect class="cut" x="{_n(frame.x_mm)}" y="{_n(frame.y_mm)}" '
        f'width="{_n(frame.width_mm)}" height="{_n(frame.height_mm)}"{corner} fill="none" '
        f'stroke="{_hex(frame.grey)}" stroke-width="{_n(frame.stroke_mm)}"{dash}/>'
    )


def _svg_words(words: Words) -> str:
    turn = (
        f' transform="rotate({_n(words.turn_deg)} {_n(words.x_mm)} {_n(words.baseline_mm)})"'
        if words.turn_deg
        else ""
    )
    anchor = ' text-anchor="middle"' if words.align == "middle" else ""
    return (
        f'<text x="{_n(words.x_mm)}" y="{_n(words.baseline_mm)}" font-size="{_n(words.size_mm)}" '
        f'font-family="Helvetica, Arial, sans-serif" fill="{_hex(words.grey)}"'
        f"{anchor}{turn}>{escape(words.text)}</text>"
    )


def _outline(frame: Frame, unit: float) -> QPainterPath:
    """A frame's path in the order in which SVG draws one, so that dashes fall on the same places.

    SVG 2, 10.2: clockwise from the end of the top left corner's bow.
    """
    from PySide6.QtCore import QRectF
    from PySide6.QtGui import QPainterPath

    x, y = frame.x_mm * unit, frame.y_mm * unit
    width, height, r = frame.width_mm * unit, frame.height_mm * unit, frame.radius_mm * unit
    path = QPainterPath()
    path.moveTo(x + r, y)
    for corner_x, corner_y, start_deg in (
        (x + width, y, 90.0),
        (x + width, y + height, 0.0),
        (x, y + height, -90.0),
        (x, y, 180.0),
    ):
        if r == 0.0:
            path.lineTo(corner_x, corner_y)
            continue
        # The bow's box lies inside the corner; arcTo draws the straight way to its start itself.
        left = corner_x - (2 * r if corner_x > x else 0.0)
        top = corner_y - (2 * r if corner_y > y else 0.0)
        path.arcTo(QRectF(left, top, 2 * r, 2 * r), start_deg, -90.0)
    path.closeSubpath()
    return path


def sheet_pdf(sheet: Sheet) -> bytes:
    """The sheet as a PDF page of exactly the paper's size, vector shapes and text only."""
    return pdf_of(
        sheet.title,
        (sheet.width_mm, sheet.height_mm),
        sheet.paper,
        OWN_UNITS_PER_MM,
        lambda painter, _: paint_sheet(painter, sheet, OWN_UNITS_PER_MM),
    )


def paint_sheet(painter: QPainter, sheet: Sheet, unit: float) -> None:
    """Paint the sheet, its top left corner at the origin and `unit` painter units to the mm."""
    paint_shapes(painter, sheet, unit)
    paint_words(painter, sheet.words, unit)


def paint_shapes(painter: QPainter, sheet: Sheet, unit: float) -> None:
    """Of the sheet, all but the words, which take longer."""
    from PySide6.QtCore import QRectF, Qt
    from PySide6.QtGui import QColor, QPainterPath, QPen

    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(0, 0, 0))
    # One path for all the ink: rectangles that touch leave no hairline between them.
    path = QPainterPath()
    path.setFillRule(Qt.FillRule.WindingFill)
    for x, y, w, h in sheet.ink_mm:
        path.addRect(QRectF(x * unit, y * unit, w * unit, h * unit))
    painter.drawPath(path)
    for bar in sheet.bars:
        painter.drawRect(
            QRectF(bar.x_mm * unit, bar.y_mm * unit, bar.width_mm * unit, bar.height_mm * unit)
        )
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for frame in sheet.frames:
        pen = QPen(QColor(frame.grey, frame.grey, frame.grey), frame.stroke_mm * unit)
        pen.setJoinStyle(Qt.PenJoinStyle.MiterJoin)
        if frame.dash_mm:
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            pen.setDashPattern([length / frame.stroke_mm for length in frame.dash_mm])
        painter.setPen(pen)
        painter.drawPath(_outline(frame, unit))


def paint_words(painter: QPainter, lines: Sequence[Words], unit: float) -> None:
    """Lines of a sheet's words, some or all."""
    from PySide6.QtCore import QPointF
    from PySide6.QtGui import QColor, QFont, QFontMetricsF

    family = _own_family()
    for words in lines:
        font = QFont(family)
        font.setPixelSize(max(1, round(words.size_mm * unit)))
        # A ligature would be read back, and searched for, as one odd letter.
        font.setFeature(QFont.Tag("liga"), 0)
        painter.setFont(font)
        painter.setPen(QColor(words.grey, words.grey, words.grey))
        painter.save()
        painter.translate(words.x_mm * unit, words.baseline_mm * unit)
        painter.rotate(words.turn_deg)
        metrics = QFontMetricsF(font, painter.device())
        start = 0.0 if words.align == "left" else -metrics.horizontalAdvance(words.text) / 2
        # Word by word: this font's blank is read back as a tab.
        for match in re.finditer(r"\S+", words.text):
            offset = metrics.horizontalAdvance(words.text[: match.start()])
            painter.drawText(QPointF(start + offset, 0.0), match.group())
        painter.restore()


def _own_family() -> str:
    """A font of our own, as a machine may have none at all; Pillow always brings one along.

    It stays for as long as the program runs: taking it away makes Qt load every other font anew.
    """
    from PIL import ImageFont
    from PySide6.QtCore import QByteArray
    from PySide6.QtGui import QFontDatabase

    font = ImageFont.load_default(16)
    name = font.getname()[0] if isinstance(font, ImageFont.FreeTypeFont) else None
    if name and not QFontDatabase.hasFamily(name):
        QFontDatabase.addApplicationFontFromData(QByteArray(font_bytes()))
    return name or "sans-serif"


def font_bytes() -> bytes:
    """Pillow's own font, so that no machine lacks one."""
    from PIL import ImageFont

    font = ImageFont.load_default(16)
    return font.font_bytes if isinstance(font, ImageFont.FreeTypeFont) else b""


def card_png(card: Card, dpi: int = 600) -> bytes:
    """The bare trimmed card as a grey PNG at `dpi`, area-exact in linear light."""
    import numpy as np
    from PIL import Image, ImageDraw, ImageFont

    from measure.card import ink_coverage
    from measure.linear_light import encode_srgb

    pixels_per_mm = dpi / MM_PER_INCH
    pixels = encode_srgb(1.0 - ink_coverage(card, pixels_per_mm))
    rows, columns = pixels.shape
    across, down = columns / card.width_mm, rows / card.height_mm

    image = Image.fromarray(pixels, "L")
    draw = ImageDraw.Draw(image)
    for words in card_words(card):
        font = ImageFont.load_default(words.size_mm * down)
        draw.text(
            (words.x_mm * across, words.baseline_mm * down),
            words.text,
            fill=words.grey,
            font=font,
            anchor="ms" if words.align == "middle" else "ls",
        )

    # Whole pixels, rounded away from the window: not one of its own is touched.
    lane, frame = card.lane("open"), window_frame(card)
    stroke = max(1, round(frame.stroke_mm * down))
    left = math.floor(lane.x_mm * across) - 1
    right = math.ceil((lane.x_mm + lane.width_mm) * across)
    top = math.floor(lane.y_mm * down) - 1
    bottom = math.ceil((lane.y_mm + lane.height_mm) * down)
    canvas = np.array(image)
    dash, gap = frame.dash_mm or (1.0, 0.0)
    along_x = np.arange(left, right + 1)
    along_y = np.arange(top, bottom + 1)
    on_x = along_x[((along_x - left) / across) % (dash + gap) < dash]
    on_y = along_y[((along_y - top) / down) % (dash + gap) < dash]
    for step in range(stroke):
        canvas[top - step, on_x] = frame.grey
        canvas[bottom + step, on_x] = frame.grey
        canvas[on_y, left - step] = frame.grey
        canvas[on_y, right + step] = frame.grey

    out = io.BytesIO()
    Image.fromarray(canvas, "L").save(out, "PNG", dpi=(dpi, dpi))
    return out.getvalue()
