"""The card page, driven as a person drives it: real files, a real printer to PDF, drawn pictures.

Outside truth: the page size as pypdf reads it (ISO 216), the printer's factors that the picture
of a bank card was drawn with (`drawn_bank_card`).
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
from analytic import Camera
from clipboard import copy
from drawn_bank_card import BankCard, Scene, draw_bank_card
from numpy.typing import NDArray
from PIL import Image
from pypdf import PdfReader
from PySide6.QtCore import QMimeData, QPointF, Qt, QUrl
from PySide6.QtGui import QDropEvent, QImage
from PySide6.QtPrintSupport import QPrinter
from PySide6.QtWidgets import QComboBox, QLineEdit, QPushButton
from pytestqt.qtbot import QtBot

from app.printed_cards import PrintedCards
from app.window.card_page import CardPage
from app.window.page_stack import whole
from app.window.theme import DARK, LIGHT

PRINTER = (0.968, 0.973)


@pytest.fixture(scope="module")
def bank_card_picture() -> NDArray[np.uint8]:
    camera = Camera(px_per_mm=8.0, distance_mm=300.0, tilt_deg=5.0, blur_px=0.8, noise=0.003)
    return draw_bank_card(Scene(PRINTER, camera), BankCard(off_mm=(0.4, -0.3), turn_deg=1.0))


@pytest.fixture
def page(qtbot: QtBot, tmp_path: Path) -> CardPage:
    page = whole(CardPage(tmp_path / "settings" / "cards.json"))
    qtbot.addWidget(page, before_close_func=lambda widget: widget.stop())
    page.resize(900, 640)
    page.show()
    return page


def typed(page: CardPage, **lengths: str) -> None:
    for edit in page.check.findChildren(QLineEdit):
        for name, text in lengths.items():
            if name.replace("_", " ") in edit.accessibleName().replace("100 mm ", "mm ").replace(
                "4 in ", "in "
            ):
                edit.setText(text)


def test_printing_is_the_paper_and_adds_the_card(
    qtbot: QtBot, page: CardPage, tmp_path: Path
) -> None:
    printer = QPrinter(QPrinter.PrinterMode.HighResolution)
    printer.setOutputFormat(QPrinter.OutputFormat.PdfFormat)
    printer.setOutputFileName(str(tmp_path / "out.pdf"))
    page.printing._set_up(printer)
    with qtbot.waitSignal(page.printed_card_changed, timeout=30_000) as changed:
        page.printing.print_on(printer)
    (sheet,) = PdfReader(tmp_path / "out.pdf").pages
    # ISO 216: A4 is 210 x 297 mm; Qt rounds a page to whole points of 1/72 in.
    size_mm = [float(v) * 25.4 / 72 for v in (sheet.mediabox.width, sheet.mediabox.height)]
    assert size_mm == pytest.approx([210.0, 297.0], abs=0.2)
    assert "100 mm across" in sheet.extract_text()
    assert changed.args is not None
    assert changed.args[0].kind == "desk"
    assert page.list.count() == 1
    assert "not checked" in page.list.item(0).toolTip()


def test_other_paper_in_the_printer_prints_nothing(
    qtbot: QtBot, page: CardPage, tmp_path: Path
) -> None:
    from PySide6.QtGui import QPageSize

    printer = QPrinter(QPrinter.PrinterMode.HighResolution)
    printer.setOutputFormat(QPrinter.OutputFormat.PdfFormat)
    printer.setOutputFileName(str(tmp_path / "out.pdf"))
    printer.setPageSize(QPageSize(QPageSize.PageSizeId.A5))
    with qtbot.waitSignal(page.said, timeout=30_000) as said:
        page.printing.print_on(printer)
    assert said.args is not None
    assert "Nothing was printed" in said.args[0]
    assert page.cards.cards() == ()


@pytest.mark.parametrize("name", ["card.pdf", "card.SVG", "card.png", "card ü"])
def test_saving_by_the_names_ending(page: CardPage, tmp_path: Path, name: str) -> None:
    page.printing.save_to(tmp_path / name)
    (saved,) = tmp_path.glob("card*")
    start = saved.read_bytes()[:8]
    wanted = {".pdf": b"%PDF", ".svg": b"<?xml", ".png": b"\x89PNG"}[saved.suffix.lower()]
    assert start.startswith(wanted)


def test_saving_where_nothing_can_be_saved_is_said(
    qtbot: QtBot, page: CardPage, tmp_path: Path
) -> None:
    with qtbot.waitSignal(page.said, timeout=30_000) as said:
        page.printing.save_to(tmp_path / "no folder" / "card.pdf")
    assert said.args is not None
    assert "could not be saved" in said.args[0]


def test_by_ruler_with_a_comma(qtbot: QtBot, page: CardPage) -> None:
    page.add_card()
    typed(page, mm_across="99,0", in_down="4.04")
    with qtbot.waitSignal(page.printed_card_changed, timeout=30_000) as changed:
        page.check._use_ruler.click()
    assert changed.args is not None
    found = changed.args[0].found
    # By hand: 99 mm over 100 mm, 4.04 in over 4 in.
    assert found.factors.x == pytest.approx(0.99, abs=1e-9)
    assert found.factors.y == pytest.approx(1.01, abs=1e-9)
    assert found.by == "ruler"
    assert "1.00 % too small" in page.check.result.text()
    assert "1.00 % too large" in page.check.result.text()
    assert PrintedCards(page.cards.file.path).chosen() == page.cards.chosen()


@pytest.mark.parametrize(
    ("lengths", "words"),
    [
        ({"mm_across": "99"}, "down the page"),
        ({"mm_across": "9,9", "mm_down": "100"}, "cannot be 9.9 mm"),
        ({"mm_across": "ninety", "mm_down": "100"}, "is no length"),
        ({"mm_across": "-99", "mm_down": "100"}, "is no length"),
        ({"mm_across": "98", "in_across": "4.00", "mm_down": "100"}, "disagree"),
    ],
)
def test_by_ruler_what_cannot_be_is_refused(
    page: CardPage, lengths: dict[str, str], words: str
) -> None:
    page.add_card()
    typed(page, **lengths)
    page.check.use_ruler()
    assert words in page.check.result.text()
    chosen = page.cards.chosen()
    assert chosen is not None
    assert chosen.found is None


def test_by_picture_from_the_camera_and_nothing_of_it_kept(
    qtbot: QtBot, page: CardPage, tmp_path: Path, bank_card_picture: NDArray[np.uint8]
) -> None:
    page.picture_wanted.connect(lambda: page.give_picture(bank_card_picture))
    with qtbot.waitSignal(page.check.found, timeout=60000):
        page.check._camera.click()
    card = page.cards.chosen()
    assert card is not None
    assert card.kind == "pocket"
    assert card.found is not None
    assert card.found.by == "picture"
    factors = card.found.factors
    assert factors.interval(0)[0] < PRINTER[0] < factors.interval(0)[1]
    assert factors.interval(1)[0] < PRINTER[1] < factors.interval(1)[1]
    assert "Kept with Pocket card" in page.check.result.text()
    files = [file for file in tmp_path.rglob("*") if file.is_file()]
    assert files == [page.cards.file.path]
    assert page.cards.file.path.stat().st_size < 2000


def test_a_dropped_file_for_another_kind_of_card_is_not_kept(
    qtbot: QtBot, page: CardPage, tmp_path: Path, bank_card_picture: NDArray[np.uint8]
) -> None:
    file = tmp_path / "bänk.png"
    Image.fromarray(bank_card_picture).save(file)
    page.add_card()
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(file))])
    event = QDropEvent(
        QPointF(20, 20),
        Qt.DropAction.CopyAction,
        data,
        Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )
    with qtbot.waitSignal(page.check.found, timeout=60000):
        page.dropEvent(event)
    assert "nothing was kept" in page.check.result.text()
    card = page.cards.chosen()
    assert card is not None
    assert card.found is None


def test_pasting_nothing_and_something_without_a_card(qtbot: QtBot, page: CardPage) -> None:
    copy(qtbot, None)
    page.check.paste()
    assert "no picture on the clipboard" in page.check.result.text()
    image = QImage(320, 240, QImage.Format.Format_RGB32)
    image.fill(Qt.GlobalColor.lightGray)
    copy(qtbot, image)
    page.check.paste()
    qtbot.waitUntil(lambda: not page.check.busy, timeout=30000)
    assert "No printed sheet" in page.check.result.text()
    page.give_picture(None)
    assert "No camera or video is running" in page.check.result.text()


def test_rename_forget_undo(qtbot: QtBot, page: CardPage) -> None:
    page.add_card()
    page.add_card()
    item = page.list.currentItem()
    assert item.text() == "Desk card 2"
    item.setText("Wheel room")
    assert page.cards.chosen() is not None
    assert page.list.currentItem().text() == "Wheel room"
    with qtbot.waitSignal(page.printed_card_changed, timeout=30_000):
        page._forget.click()
    assert [page.list.item(i).text() for i in range(page.list.count())] == ["Desk card"]
    page._undo.click()
    assert page.list.currentItem().text() == "Wheel room"
    with qtbot.waitSignal(page.printed_card_changed, timeout=30_000) as changed:
        page.list.setCurrentRow(0)
    assert changed.args is not None
    assert changed.args[0].name == "Desk card"


def test_a_damaged_list_is_told(qtbot: QtBot, tmp_path: Path) -> None:
    path = tmp_path / "cards.json"
    path.write_text("{", "utf-8")
    page = whole(CardPage(path))
    qtbot.addWidget(page, before_close_func=lambda widget: widget.stop())
    assert "damaged" in page._words.text()


def test_stopping_during_work_leaves_no_thread(
    qtbot: QtBot, tmp_path: Path, bank_card_picture: NDArray[np.uint8]
) -> None:
    page = whole(CardPage(tmp_path / "cards.json"))
    qtbot.addWidget(page)
    page.give_picture(bank_card_picture)
    page.stop()
    assert not [t for t in threading.enumerate() if t.name.startswith("printer-check")]
    assert page.cards.cards() == ()


def test_everything_has_a_name_and_a_tip(page: CardPage) -> None:
    for theme in (LIGHT, DARK):
        page.set_theme(theme)
        assert not page.grab().isNull()
    for button in page.findChildren(QPushButton):
        assert button.toolTip()
        assert button.focusPolicy() & Qt.FocusPolicy.TabFocus
    for control in (*page.findChildren(QComboBox), *page.check.findChildren(QLineEdit)):
        assert control.toolTip()
        assert control.accessibleName()
    page.check.set_card("pocket", "letter")
    assert page.check.drawing.accessibleName() == "Sheet with the pocket card on Letter paper"
