"""The skeins page on real notebooks: sections taken, words written down, the label saved."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import pypdf
import pytest
from clipboard import copy
from logged_strands import SCALE, a_strand
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QCheckBox, QLabel, QLineEdit, QPushButton
from pytestqt.qtbot import QtBot

from app.notebook.records import Aim, Skein
from app.notebook.skein_records import LAYERS
from app.notebook.store import Notebook
from app.window.desk import Desk
from app.window.frame import Still
from app.window.gauge_session import Current
from app.window.main_window import MainWindow
from app.window.measurer import MeasuredStill
from app.window.page_stack import whole
from app.window.preferences import Preferences
from app.window.skein_dialog import SkeinDialog
from app.window.skein_page import SkeinPage
from app.window.theme import DARK, LIGHT
from measure.results import PictureReading
from measure.settings import Settings

NOW = datetime(2026, 3, 9, 18, 0, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[3]
MM = [1.50, 1.62, 1.41, 1.55, 1.70, 1.48]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A spin with two bobbins and a skein of six washed sections."""
    file = tmp_path / "n.slubwise"
    with Notebook.open(file) as notebook:
        spin = notebook.add_spin("Harbour", fibre="Corriedale", aim=Aim(class_name="Fine"))
        bobbins = [notebook.add_bobbin(spin.id, name).id for name in ("B1", "B2")]
        skein = notebook.add_skein(spin.id, "Harbour 1", bobbins, method="plied")
        for n, mm in enumerate(MM):
            notebook.add_section(
                skein.id, a_strand(2 * n + 1, entries=60, diameter_mm=mm), taken_at=NOW,
                washed=True, layer=LAYERS[n % 3], hour=1 + 2 * n, printed_card="", source="camera",
            )  # fmt: skip
    return file


class Gauge:
    """What stands on the gauge."""

    def __init__(self) -> None:
        self.reading: Current | None = None


@pytest.fixture
def gauge() -> Gauge:
    return Gauge()


@pytest.fixture
def page(qtbot: QtBot, path: Path, tmp_path: Path, gauge: Gauge) -> Iterator[SkeinPage]:
    desk = Desk(path)
    made = whole(
        SkeinPage(
            Preferences(tmp_path / "window.ini"),
            desk,
            current=lambda: gauge.reading,
            settings=Settings,
            printed_card=lambda: "Kitchen printer",
        )
    )
    qtbot.addWidget(made)
    made.resize(1000, 680)
    made.show()
    qtbot.waitUntil(lambda: made.skeins.count() > 0, timeout=30_000)
    yield made
    made.stop()
    desk.close()


def words(page: SkeinPage) -> str:
    said = "\n".join(label.text() for label in page.findChildren(QLabel))
    return said.replace("\N{NO-BREAK SPACE}", " ")


def there(path: Path) -> tuple[Notebook, Skein]:
    notebook = Notebook.open(path)
    (spin,) = notebook.spins()
    return notebook, notebook.skeins(spin.id)[-1]


def until(qtbot: QtBot, what: Callable[[], bool]) -> None:
    qtbot.waitUntil(what, timeout=30_000)


def test_it_tells_a_skein_and_prompts_the_next_section(qtbot: QtBot, page: SkeinPage) -> None:
    until(qtbot, lambda: "15 to 18 WPI, thickest to thinnest section" in words(page))
    said = words(page)
    assert "Harbour 1: Corriedale, 2-ply, plied" in said
    assert "Yes: the mean" in said
    assert "Knit a swatch" in said
    assert "Take the next from the " in page.sections.prompt.text()
    assert page.sections.table.rowCount() == 6
    assert page.sections.washed, "all were washed so far"
    layer, hour = page.sections.place
    assert layer == "outside"
    assert hour not in {1, 3, 5, 7, 9, 11}
    assert "6 sections, 15 to 18 WPI" in page.plot.accessibleDescription()
    for theme in (LIGHT, DARK):
        page.set_theme(theme)
        picture = page.plot.grab().toImage()
        colours = {picture.pixelColor(x, y).name() for x in range(0, picture.width(), 3)
                   for y in range(0, picture.height(), 3)}  # fmt: skip
        assert theme.accent in colours, "dots and ribbon are drawn"


def test_a_section_is_taken_from_the_gauge_and_taken_back(
    qtbot: QtBot, page: SkeinPage, path: Path, gauge: Gauge
) -> None:
    with qtbot.waitSignal(page.said, timeout=30_000) as said:
        qtbot.mouseClick(page.sections.from_gauge, Qt.MouseButton.LeftButton)
    assert "The gauge reads no strand now" in said.args[0]
    strand = replace(a_strand(0, entries=60, diameter_mm=1.6), turns_per_inch=5.0, twist="S")
    gauge.reading = Current(strand, SCALE, None, 1.0, "camera")
    place = page.sections.place
    page.sections.state.setCurrentIndex(0)
    qtbot.mouseClick(page.sections.from_gauge, Qt.MouseButton.LeftButton)
    until(qtbot, lambda: page.sections.table.rowCount() == 7)
    notebook, skein = there(path)
    with notebook:
        section = notebook.section(notebook.sections(skein.id)[-1].id)
    assert (section.layer, section.hour) == place
    assert (section.washed, section.printed_card) == (False, "Kitchen printer")
    assert section.scale == SCALE
    assert page.sections.place != place or page.sections.washed, "the next is another place"
    page.sections.table.selectRow(6)
    qtbot.mouseClick(page.sections.back, Qt.MouseButton.LeftButton)
    until(qtbot, lambda: page.sections.table.rowCount() == 6)
    until(qtbot, page.undo.isEnabled)
    assert "take back section 7" in page.undo.toolTip()
    qtbot.mouseClick(page.undo, Qt.MouseButton.LeftButton)
    until(qtbot, lambda: page.sections.table.rowCount() == 7)
    until(qtbot, page.redo.isEnabled)


def test_pictures_become_sections(qtbot: QtBot, page: SkeinPage, tmp_path: Path) -> None:
    broken = tmp_path / "broken.png"
    broken.write_bytes(b"not a picture")
    told: list[str] = []
    page.said.connect(told.append)
    page.take_pictures([broken, ROOT / "sample_images" / "two_ply_scan.png"])
    assert not page.sections.busy.isHidden()
    until(qtbot, lambda: page.sections.table.rowCount() == 7)
    until(qtbot, page.sections.busy.isHidden)
    assert any("broken.png" in text for text in told)
    assert any("Kept a section from two_ply_scan.png" in text for text in told)


def test_stopping_keeps_what_was_measured(qtbot: QtBot, page: SkeinPage) -> None:
    with qtbot.waitSignal(page.said, timeout=60_000) as said:
        page.take_pictures([ROOT / "sample_images" / "two_ply_scan.png"] * 3)
        qtbot.mouseClick(page.sections.cancel, Qt.MouseButton.LeftButton)
    assert said.args[0].startswith("Stopped")
    assert page.sections.busy.isHidden()
    assert page.sections.table.rowCount() == 6


def write(qtbot: QtBot, page: SkeinPage, name: str, text: str) -> None:
    """Type into the field of that accessible name and leave it."""
    (field,) = [f for f in page.findChildren(QLineEdit) if f.accessibleName() == name]
    field.selectAll()
    if len(text) > 100:
        copy(qtbot, text)
        field.paste()
    else:
        qtbot.keyClicks(field, text)
    qtbot.keyClick(field, Qt.Key.Key_Return)


def test_what_is_written_down_is_kept_and_shown_as_it_was_taken(
    qtbot: QtBot, page: SkeinPage, path: Path
) -> None:
    until(qtbot, lambda: "Yes: the mean" in words(page))
    page.tabs.setCurrentIndex(1)
    write(qtbot, page, "Weight", "100 g")
    until(qtbot, lambda: "Weight" in words(page) and "100 g" in words(page))
    write(qtbot, page, "Counted length", "200 m")
    # 100 g of 200 m is 500 tex and 992 yd/lb, by the definition of tex (ISO 1144).
    until(qtbot, lambda: "200 m in 100 g, 992 yd/lb, 500 tex" in words(page))
    write(qtbot, page, "Circumference", "58 in +- 0.25")
    lines = page.amounts.findChildren(QLineEdit)
    until(qtbot, lambda: "1473.2 mm ± 6.35" in [line.text() for line in lines])
    write(qtbot, page, "Rounds", "1,5")
    until(qtbot, lambda: "Rounds: write decimals with a dot" in words(page))
    notebook, skein = there(path)
    with notebook:
        assert skein.amounts.rounds is None
        assert skein.amounts.weight_g == 100.0


def test_learning_can_be_turned_off_and_is_told(qtbot: QtBot, page: SkeinPage, path: Path) -> None:
    page.tabs.setCurrentIndex(1)
    write(qtbot, page, "Weight", "100 g")
    write(qtbot, page, "Counted length", "200 m")
    until(qtbot, lambda: "the next plan learns from its washed and grist" in words(page))
    page.tabs.setCurrentIndex(2)
    (check,) = page.finish.findChildren(QCheckBox)
    assert check.isChecked()
    check.click()
    until(qtbot, lambda: "left out by you" in words(page))
    notebook, skein = there(path)
    with notebook:
        assert not skein.counts_for_learning


def test_a_new_skein_is_made_from_bobbins(qtbot: QtBot, page: SkeinPage, path: Path) -> None:
    until(qtbot, page.new.isEnabled)
    qtbot.mouseClick(page.new, Qt.MouseButton.LeftButton)
    (dialog,) = page.findChildren(SkeinDialog)
    assert dialog.name.text() == "Harbour 2"
    dialog.bobbins.item(0).setCheckState(Qt.CheckState.Unchecked)
    dialog.method.setCurrentText("chain-plied")
    dialog.accept()
    until(qtbot, lambda: page.skeins.count() == 2)
    until(qtbot, lambda: page.skeins.currentText().startswith("Harbour 2"))
    assert "begin with 5 sections" in page.sections.prompt.text().casefold()
    notebook, skein = there(path)
    with notebook:
        assert (skein.name, skein.method, len(skein.bobbin_ids)) == ("Harbour 2", "chain-plied", 1)
    qtbot.mouseClick(page.delete, Qt.MouseButton.LeftButton)
    until(qtbot, lambda: page.skeins.count() == 1)


def test_the_label_is_shown_saved_and_copied(qtbot: QtBot, page: SkeinPage, tmp_path: Path) -> None:
    page.tabs.setCurrentIndex(3)
    until(qtbot, page.label.save.isEnabled)
    write(qtbot, page, "Care", "Hand wash, dry flat")
    until(qtbot, lambda: "Hand wash" in page.label.preview.accessibleDescription())
    picture = page.label.preview.grab().toImage()
    whites = sum(
        picture.pixelColor(x, y).name() == "#ffffff"
        for x in range(0, picture.width(), 4) for y in range(0, picture.height(), 4)
    )  # fmt: skip
    assert whites > 200
    page.label.paper.setCurrentIndex(1)
    page.label.paper.activated.emit(1)
    assert page.label.copies.value() == 9
    page.label.save_to(tmp_path / "l.pdf")
    (sheet,) = pypdf.PdfReader(tmp_path / "l.pdf").pages
    assert "".join(sheet.extract_text().split()).count("Handwash,dryflat") == 9

    def copied() -> bool:
        # Again until the display has taken it, as `copy` does.
        qtbot.mouseClick(page.label.copy, Qt.MouseButton.LeftButton)
        return "Care: Hand wash, dry flat" in QGuiApplication.clipboard().text()

    until(qtbot, copied)
    with qtbot.waitSignal(page.said, timeout=30_000) as said:
        page.label.save_to(tmp_path / "no" / "l.pdf")
    assert "could not be written" in said.args[0]
    write(qtbot, page, "Care", "wool " * 2000)
    until(qtbot, lambda: not page.label.save.isEnabled())
    assert "shorten it" in page.label.trouble.text()
    assert page.label.copy.isEnabled(), "the listing has room for all of it"


def test_lent_to_a_skein_the_gauge_logs_nothing_on_the_bobbin(
    qtbot: QtBot, path: Path, tmp_path: Path
) -> None:
    """A strand taken meanwhile is a section, and only that; afterwards the bobbin has it again."""
    window = MainWindow(Preferences(tmp_path / "window.ini"), notebook=path)
    window.show()
    session, bar = window.gauge.session, window.gauge.bar
    window.show_page("skeins")
    page = cast("SkeinPage", window.page("skeins"))
    until(qtbot, lambda: page.sections.table.rowCount() == 6)
    page.sections.lend.setFocus()
    qtbot.keyClick(page.sections.lend, Qt.Key.Key_Space)
    assert session.skein == "Harbour 1"
    window.show_page("gauge")
    button = next(b for b in bar.findChildren(QPushButton) if "Harbour 1" in b.text())
    assert button.isVisible()
    # A photo in a watched folder goes the same way as a frame that was held.
    still = Still(b"", "six.jpg")
    read = PictureReading(3000, 2000, SCALE, (a_strand(5, entries=60, diameter_mm=1.6),), ())
    session._log_arriving = True
    session._take_still(MeasuredStill(still, read, None, 1.0))
    until(qtbot, lambda: page.sections.table.rowCount() == 7)
    session.take_now()
    until(qtbot, lambda: page.sections.table.rowCount() == 8)
    said: list[str] = []
    session.said.connect(said.append)
    session.take_back()
    assert "its page takes a section back" in said[0]
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert not page.sections.lend.isChecked()
    assert not button.isVisible()
    with qtbot.waitSignal(session.logged, timeout=30_000):
        session.take_now()
    window.close()
    notebook, skein = there(path)
    with notebook:
        assert len(notebook.sections(skein.id)) == 8
        (spin,) = notebook.spins()
        logged = [r for b in notebook.bobbins(spin.id) for r in notebook.readings(b.id)]
        assert len(logged) == 1, "the one that was taken afterwards"


def test_without_a_skein_it_says_what_to_do(qtbot: QtBot, tmp_path: Path) -> None:
    desk = Desk(tmp_path / "empty.slubwise")
    page = whole(
        SkeinPage(
            Preferences(tmp_path / "w.ini"),
            desk,
            current=lambda: None,
            settings=Settings,
            printed_card=lambda: "",
        )
    )
    qtbot.addWidget(page)
    page.show()
    until(qtbot, lambda: "No skein yet" in words(page))
    assert not page.sections.isEnabled()
    assert not page.delete.isEnabled()
    page.grab()
    page.stop()
    desk.close()
