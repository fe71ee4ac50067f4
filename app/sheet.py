"""The sheet a card is printed on, as plain shapes in millimetres.

Origin at the top left corner of the page, y down. `app.card_sheet` turns the shapes into a
file; what lies on the card itself comes from `measure.card` and from nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from measure.card import Card, dark_rectangles_mm
from measure.check_frame import (
    CLEAR_MM,
    CUT_DASH_MM,
    CUT_STROKE_MM,
    ID1_CORNER_MM,
    SIDE_MM,
    frame_ink_mm,
)

Paper = Literal["a4", "letter"]

PAPER_MM: Final[dict[Paper, tuple[float, float]]] = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
}
"""Width and height: ISO 216 A4, ANSI/ASME Y14.1 size A (US Letter, 8.5 x 11 in)."""

MARGIN_MM: Final = 8.0
"""Nothing is drawn nearer to the paper's edge; desk printers reach that far."""

CAP_TO_EM: Final = 1 / 0.7
"""Font size over the height of its capitals, for the plain sans-serif faces used here."""

WINDOW_STROKE_MM: Final = 0.15
WINDOW_CLEARANCE_MM: Final = 0.1
"""The dashed line runs this far outside the open lane, so that the lane itself is blank."""

WINDOW_DASH_MM: Final = (2.0, 1.5)
CUT_GREY: Final = 150
WORD_GREY: Final = 90


@dataclass(frozen=True)
class Frame:
    """A stroked rectangle: top left corner, size and corner radius of the stroke's middle.

    Dashes are counted clockwise from the end of the top left corner's bow.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    stroke_mm: float
    grey: int = 0
    radius_mm: float = 0.0
    dash_mm: tuple[float, float] | None = None


@dataclass(frozen=True)
class Words:
    """One line of text on its baseline; `size_mm` is the font size (em)."""

    text: str
    x_mm: float
    baseline_mm: float
    size_mm: float
    align: Literal["left", "middle"] = "left"
    turn_deg: float = 0.0
    grey: int = 0


@dataclass(frozen=True)
class Bar:
    """A filled black bar to check with a ruler, end to end."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Sheet:
    """A page with a card on it: the ink of the card is one shape, the rest lies around it."""

    paper: Paper
    title: str
    width_mm: float
    height_mm: float
    card: Card
    ink_mm: tuple[tuple[float, float, float, float], ...]
    bars: tuple[Bar, ...]
    frames: tuple[Frame, ...]
    words: tuple[Words, ...]


def card_name(card: Card) -> str:
    """Kind and edition, as printed on the card: 'desk 1'."""
    return f"{card.kind} {card.edition}"


def window_frame(card: Card) -> Frame:
    """The dashed line round the open lane, in card millimetres."""
    lane = card.lane("open")
    out = WINDOW_CLEARANCE_MM + WINDOW_STROKE_MM / 2
    return Frame(
        lane.x_mm - out,
        lane.y_mm - out,
        lane.width_mm + 2 * out,
        lane.height_mm + 2 * out,
        WINDOW_STROKE_MM,
        CUT_GREY,
        dash_mm=WINDOW_DASH_MM,
    )


def outline_frame(card: Card) -> Frame:
    """The line to cut the card out by, in card millimetres.

    The pocket card's is dashed: between its dashes a bank card laid on it is seen against bare
    paper (`measure.printer_check`).
    """
    if card.kind == "pocket":
        return Frame(
            0.0,
            0.0,
            card.width_mm,
            card.height_mm,
            CUT_STROKE_MM,
            CUT_GREY // 2,
            ID1_CORNER_MM,
            CUT_DASH_MM,
        )
    return Frame(0.0, 0.0, card.width_mm, card.height_mm, CUT_STROKE_MM, CUT_GREY // 2)


def surround_mm(card: Card) -> float:
    """How far what is printed round the card reaches beyond it: the pocket card's frame."""
    return CLEAR_MM + SIDE_MM if card.kind == "pocket" else 0.0


def card_words(card: Card) -> tuple[Words, ...]:
    """What is written on the card, in card millimetres: ruler figures, its name, 'cut out'."""
    lane = card.lane("open")
    figures = [
        Words(
            label.text,
            label.x_mm,
            label.y_mm + label.height_mm / 2,
            label.height_mm * CAP_TO_EM,
            "middle",
            grey=WORD_GREY,
        )
        for label in card.labels
    ]
    # Beside the window, at its lower corners: no strand in the middle of it passes over them.
    size = 2.4 if lane.x_mm > 12 else 1.8
    baseline = lane.y_mm + lane.height_mm - 1.0
    left = lane.x_mm / 2
    right = card.width_mm - left
    return (
        *figures,
        Words(card_name(card), left, baseline, size, "middle", grey=WORD_GREY),
        Words("cut out", right, baseline, size, "middle", grey=WORD_GREY),
    )


def lay_out(card: Card, paper: Paper) -> Sheet:
    """The card in the middle of an upright page, with print advice and check bars around it."""
    width, height = PAPER_MM[paper]
    x0, y0 = (width - card.width_mm) / 2, (height - card.height_mm) / 2
    inked = [dark_rectangles_mm(card)]
    if card.kind == "pocket":
        inked.append(frame_ink_mm())
    ink = tuple(
        (float(x) + x0, float(y) + y0, float(w), float(h)) for x, y, w, h in np.concatenate(inked)
    )
    frames = tuple(
        replace(frame, x_mm=frame.x_mm + x0, y_mm=frame.y_mm + y0)
        for frame in (outline_frame(card), window_frame(card))
    )
    on_card = tuple(
        Words(w.text, w.x_mm + x0, w.baseline_mm + y0, w.size_mm, w.align, grey=w.grey)
        for w in card_words(card)
    )
    bars, bar_words = _check_bars(width, y0, card)
    words = (*on_card, *_advice(card, y0, width), *bar_words)
    title = f"Slubwise card, {card_name(card)}"
    return Sheet(paper, title, width, height, card, ink, bars, frames, words)


_BAR_MM: Final = 1.2


def _check_bars(
    page_width: float, card_y: float, card: Card
) -> tuple[tuple[Bar, ...], tuple[Words, ...]]:
    """100 mm and 4 in, across below the card and down beside it."""
    bars: list[Bar] = []
    words: list[Words] = []
    y = card_y + card.height_mm + surround_mm(card) + 12.0
    for length, text in ((100.0, "100 mm across"), (101.6, "4 in across")):
        bars.append(Bar((page_width - length) / 2, y, length, _BAR_MM))
        words.append(Words(text, page_width / 2, y - 0.9, 3.0, "middle"))
        y += 8.0
    middle = card_y + card.height_mm / 2
    for x, length, text, text_x in (
        (MARGIN_MM, 100.0, "100 mm down", MARGIN_MM + _BAR_MM + 3.2),
        (
            page_width - MARGIN_MM - _BAR_MM,
            101.6,
            "4 in down",
            page_width - MARGIN_MM - _BAR_MM - 0.9,
        ),
    ):
        bars.append(Bar(x, middle - length / 2, _BAR_MM, length))
        words.append(Words(text, text_x, middle, 3.0, "middle", turn_deg=-90.0))
    return tuple(bars), tuple(words)


def _advice(card: Card, card_y: float, page_width: float) -> tuple[Words, ...]:
    left = 18.0
    words = [Words(f"Slubwise card: {card_name(card)}", left, 18.0, 6.0)]
    before: list[tuple[str, tuple[str, ...]]] = [
        (
            "1",
            (
                "Print at 100 % (actual size): no fit to page, no shrinking, scaling off.",
                "Plain matt paper, black ink, best quality.",
            ),
        ),
        (
            "2",
            (
                "Lay a ruler on the check bars, end to end, across and down.",
                "One is off by more than half a millimetre? Print again with scaling off, or tell",
                "the program: a 100 mm bar that measures 99 mm is --printer-x 0.99 if it runs",
                "across, --printer-y 0.99 if it runs down.",
            ),
        ),
        ("3", ("Glue the sheet to thin board if you can, so that the card stays flat.",)),
        ("4", ("Cut along the outer line. Then cut out the dashed window.",)),
    ]
    if card.kind == "pocket":
        before.insert(
            2,
            (
                "",
                (
                    "Or lay any bank-size card on the outline, number side down: it must just",
                    "cover it on all four sides. A picture of that, all the squares round it",
                    "showing, lets the program find the printer's factors by itself.",
                ),
            ),
        )
    y = 26.0
    for number, lines in before:
        words.append(Words(number, left, y, 3.4))
        for line in lines:
            words.append(Words(line, left + 5.0, y, 3.4))
            y += 5.0

    y = card_y + card.height_mm + surround_mm(card) + 33.0
    for line in (
        "Lay the strand along a lane, straight, flat on the card and running off both ends.",
        "On the banded lane it crosses light and dark ground; across the window it is read against",
        "a bright screen or the sky. The whole card in the picture is best; a part will do.",
    ):
        words.append(Words(line, left, y, 3.4))
        y += 5.0
    y += 3.0
    words.append(Words("Take care", left, y, 4.2))
    y += 5.0
    for line in (
        "Stop the wheel, or let go of the treadle or switch, before bringing a card or a camera",
        "near flyer, hooks or drive band. Tie back hair, cords and sleeves.",
        "Readings describe what was seen, not what a pattern guarantees: knit a swatch.",
    ):
        words.append(Words(line, left, y, 3.4))
        y += 5.0
    words.append(
        Words(
            "cut along this line" if card.kind == "desk" else "cut along the dashes inside",
            page_width / 2,
            card_y - surround_mm(card) - 1.0,
            2.2,
            "middle",
            grey=WORD_GREY,
        )
    )
    return tuple(words)
