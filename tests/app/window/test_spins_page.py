"""The spins page on real notebook files: what it shows, what it writes, what it refuses."""

from __future__ import annotations

import dataclasses
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise, permutations
from pathlib import Path

import pytest
from keyboard import give_keyboard, wait_for_focus
from logged_strands import a_strand
from PySide6.QtCore import Qt
from PySide6.QtGui import QTextDocument
from PySide6.QtWidgets import (
    QApplication,
    QDialogButtonBox,
    QLabel,
    QLineEdit,
    QMenu,
    QMessageBox,
    QPlainTextEdit,
    QPushButton,
    QSpinBox,
)
from pytestqt.qtbot import QtBot

from app.notebook.records import Aim, Bobbin
from app.notebook.store import Notebook
from app.notebook.things import places_after_move
from app.window.desk import Desk
from app.window.page_stack import whole
from app.window.preferences import Preferences
from app.window.spin_deleted import DeletedDialog
from app.window.spin_dialogs import BobbinDialog, SpinDialog
from app.window.spin_shelf import when_text
from app.window.spins_page import SpinsPage
from app.window.theme import DARK, LIGHT, palette_of, sheet_of
from app.window.tips import tip_of
from measure.band import Band

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
HOSTILE = (
    "<b>bold</b> &amp; <img src=x>",
    '=HYPERLINK("x")',
    "\u202eright to left\u202c & on",
    "../../etc\\passwd",
    "\N{SHEEP}\N{ZERO WIDTH JOINER}\N{SHEEP}",
    "x" * 10_000,
    "two\nlines\tand a tab",
)
OpenPage = Callable[[Path], SpinsPage]


def log(notebook: Notebook, bobbin_id: str, diameters: list[float], posture: str, day: int) -> None:
    begun = BEGUN + timedelta(days=day)
    sitting = notebook.begin_sitting(bobbin_id, begun)
    for place, d in enumerate(diameters):
        strand = dataclasses.replace(
            a_strand(3, entries=4), diameter_mm=d, diameter_interval_mm=(0.98 * d, 1.02 * d)
        )
        notebook.log(
            sitting.id,
            strand,
            taken_at=begun + timedelta(minutes=place),
            posture=posture,  # type: ignore[arg-type]
            printed_card="",
            source="camera",
        )


@pytest.fixture(scope="module")
def filled_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two spins; the last sitting is on B2 of the older."""
    path = tmp_path_factory.mktemp("filled") / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        socks = notebook.add_spin(
            "Grey sock",
            fibre="Gotland, carded",
            colour_note="lot 14",
            prepared_g=100,
            aim=Aim(0.7, 0.9, 2, "Fingering", "socks"),
            note="short draw",
        )
        one, two, _ = (notebook.add_bobbin(socks.id, f"B{n}") for n in (1, 2, 3))
        log(notebook, one.id, [0.80, 0.82], "tension", 0)
        log(notebook, one.id, [1.27], "washed", 1)
        log(notebook, two.id, [1.0], "tension", 2)
        shawl = notebook.add_spin("Blue shawl", fibre="Merino top")
        notebook.add_bobbin(shawl.id, "S1", note="core has slubs")
        notebook.add_bobbin(shawl.id, "S2")
    return path


@pytest.fixture
def path(filled_once: Path, tmp_path: Path) -> Path:
    """A copy of it to write to."""
    return Path(shutil.copy(filled_once, tmp_path))


@pytest.fixture
def open_page(qtbot: QtBot, tmp_path: Path) -> Iterator[OpenPage]:
    """Shows the page of a notebook, read."""
    opened: list[tuple[SpinsPage, Desk]] = []

    def show(path: Path) -> SpinsPage:
        desk = Desk(path)
        page = whole(SpinsPage(Preferences(tmp_path / "window.ini"), desk))
        qtbot.addWidget(page)
        opened.append((page, desk))
        page.resize(1000, 640)
        page.show()
        give_keyboard(qtbot, page)
        page.setFocus()
        settled(qtbot, page)
        return page

    yield show
    for page, desk in opened:
        page.stop()
        desk.close()


@pytest.fixture
def page(open_page: OpenPage, path: Path) -> SpinsPage:
    return open_page(path)


def settled(qtbot: QtBot, page: SpinsPage) -> None:
    """Wait until all that was asked by now is answered."""
    answered: list[bool] = []
    page._desk.ask(lambda _: True, answered.append, lambda _: answered.append(False))
    qtbot.waitUntil(lambda: bool(answered), timeout=30_000)


def press(qtbot: QtBot, page: SpinsPage, name: str) -> None:
    page.actions_here._by_name[name].trigger()
    for _ in range(3):  # asked, answered, looked up anew
        settled(qtbot, page)


def to_the_front(qtbot: QtBot, page: SpinsPage) -> None:
    """As a window manager does when a dialog has gone; where there is none, nothing does."""
    give_keyboard(qtbot, page)
    page.bobbins.setFocus()


def names(page: SpinsPage) -> list[str]:
    return [page.spins.item(at).text() for at in range(page.spins.count())]


def cells(page: SpinsPage) -> list[list[str]]:
    table = page.bobbins
    found = []
    for row in range(table.rowCount()):
        items = [table.item(row, column) for column in range(table.columnCount())]
        found.append([item.text() if item else "" for item in items])
    return found


def bobbin_names(page: SpinsPage) -> list[str]:
    return [row[0] for row in cells(page)]


def go_to_spin(qtbot: QtBot, page: SpinsPage, name: str) -> None:
    page.spins.setCurrentRow(names(page).index(name))
    settled(qtbot, page)


def field(dialog: SpinDialog | BobbinDialog, name: str) -> QLineEdit:
    return next(e for e in dialog.findChildren(QLineEdit) if e.accessibleName() == name)


def fill(dialog: SpinDialog | BobbinDialog, name: str, text: str) -> None:
    field(dialog, name).setText(text)


def confirm(qtbot: QtBot, page: SpinsPage, dialog: SpinDialog | BobbinDialog) -> None:
    box = dialog.findChild(QDialogButtonBox)
    assert box is not None
    box.button(QDialogButtonBox.StandardButton.Ok).click()
    for _ in range(3):
        settled(qtbot, page)


def spin_dialog(page: SpinsPage) -> SpinDialog:
    assert isinstance(page._work.dialog, SpinDialog)
    return page._work.dialog


def bobbin_dialog(page: SpinsPage) -> BobbinDialog:
    assert isinstance(page._work.dialog, BobbinDialog)
    return page._work.dialog


# --- looking


def test_it_opens_at_the_spin_of_the_last_sitting(page: SpinsPage) -> None:
    assert names(page) == ["Blue shawl", "Grey sock"]
    assert page.heading.accessibleName() == "Spin: Grey sock"
    said = page.about_spin.toPlainText()
    assert said.splitlines() == [
        "Gotland, carded · lot 14 · 100 g prepared",
        "Aim: 28 to 36 WPI · Fingering · 2 plies · socks",
        "short draw",
    ]
    assert "B2 · Grey sock, 3 Mar 2026" in page.latest.accessibleName()


def test_readings_taken_in_different_ways_are_not_averaged(page: SpinsPage) -> None:
    # 25.4 mm to the inch: 0.81 mm is 31.36 wraps, 1.27 mm is 20.
    first, second, third = cells(page)
    assert first == ["B1", "3", "31.4", "2", "2 Mar 2026"]
    assert second == ["B2", "1", "25.4", "1", "3 Mar 2026"]
    assert third == ["B3", "0", "", "0", ""]
    page.bobbins.setCurrentCell(0, 0)
    assert page.about_bobbin.toPlainText().splitlines() == [
        "Single at the wheel: 2 readings, mean 31.4 WPI.",
        "Plied and washed: 1 reading, mean 20.0 WPI.",
    ]
    page.set_unit("mm", 1.0)
    assert [row[2] for row in cells(page)] == ["0.81", "1.00", ""]
    heading = page.bobbins.horizontalHeaderItem(2)
    assert heading is not None
    assert heading.text() == "Mean, mm"


def test_search_finds_by_every_word_wherever_it_stands(qtbot: QtBot, page: SpinsPage) -> None:
    def find(words: str) -> None:
        page.search.setText(words)
        qtbot.waitUntil(lambda: not page._typing.isActive(), timeout=30_000)
        settled(qtbot, page)

    find("gotland SOCK")
    assert (names(page), bobbin_names(page)) == (["Grey sock"], ["B1", "B2", "B3"])
    find("slubs")
    assert (names(page), bobbin_names(page)) == (["Blue shawl"], ["S1"])
    assert page.about_bobbins.text() == "1 more, which the search leaves out"
    find("no such")
    assert (names(page), bobbin_names(page)) == ([], [])
    assert "all these words" in page._empty.toPlainText()
    page.search.setFocus()
    qtbot.keyClick(page.search, Qt.Key.Key_Escape)
    qtbot.waitUntil(lambda: not page._typing.isActive(), timeout=30_000)
    settled(qtbot, page)
    assert len(names(page)) == 2


def test_what_another_window_writes_shows_by_itself(
    qtbot: QtBot, page: SpinsPage, path: Path
) -> None:
    with Notebook.open(path) as other:
        other.add_spin("From the other window")
    page._look.setInterval(20)
    qtbot.waitUntil(lambda: "From the other window" in names(page), timeout=30_000)


# --- spinning on


def test_enter_spins_on_the_bobbin_and_offers_the_band(qtbot: QtBot, page: SpinsPage) -> None:
    told: list[object] = []
    page.bobbin_wanted.connect(told.append)
    page.band_wanted.connect(told.append)
    page.bobbins.setCurrentCell(2, 0)
    row = page.bobbins.row_chosen
    assert row is not None
    qtbot.keyClick(page.bobbins, Qt.Key.Key_Return)
    settled(qtbot, page)
    assert told == [row.bobbin.id, Band(0.7, 0.9)]
    assert row.bobbin.name == "B3"


def test_going_on_takes_one_press(qtbot: QtBot, page: SpinsPage) -> None:
    go_to_spin(qtbot, page, "Blue shawl")
    told: list[str] = []
    page.bobbin_wanted.connect(told.append)
    qtbot.keyClick(page.spins, Qt.Key.Key_G, Qt.KeyboardModifier.ControlModifier)
    for _ in range(2):
        settled(qtbot, page)
    assert page.heading.accessibleName() == "Spin: Grey sock"
    row = page.bobbins.row_chosen
    assert row is not None
    assert (row.bobbin.name, told) == ("B2", [row.bobbin.id])


def test_a_spin_without_a_band_offers_none(qtbot: QtBot, page: SpinsPage) -> None:
    go_to_spin(qtbot, page, "Blue shawl")
    told: list[object] = []
    page.bobbin_wanted.connect(told.append)
    page.band_wanted.connect(told.append)
    press(qtbot, page, "spin_on")
    assert len(told) == 1


def test_a_bobbin_deleted_elsewhere_is_not_spun_on(
    qtbot: QtBot, page: SpinsPage, path: Path
) -> None:
    said: list[str] = []
    told: list[str] = []
    page.said.connect(said.append)
    page.bobbin_wanted.connect(told.append)
    row = page.bobbins.row_chosen
    assert row is not None
    with Notebook.open(path) as other:
        other.delete(row.bobbin)
    press(qtbot, page, "spin_on")
    assert told == []
    assert said == ["That bobbin is not there any more: choose another."]
    assert row.bobbin.name not in bobbin_names(page)


# --- writing down


def test_a_spin_is_made_with_all_that_was_filled_in(
    qtbot: QtBot, page: SpinsPage, path: Path
) -> None:
    press(qtbot, page, "new_spin")
    dialog = spin_dialog(page)
    confirm(qtbot, page, dialog)
    assert page._work.dialog is dialog, "no name, no spin"
    for name, text in (
        ("Name", "Lace"),
        ("Fibre", "Silk"),
        ("Colour or dye lot", "undyed"),
        ("Prepared weight in grams", "85,5"),
        ("Note on the aim", "shawl"),
        ("Low end", "40"),
        ("High end", "50"),
    ):
        edit = field(dialog, name)
        edit.setFocus()
        edit.selectAll()
        qtbot.keyClicks(edit, text)
    plies = next(s for s in dialog.findChildren(QSpinBox) if s.accessibleName() == "Plies")
    plies.setValue(2)
    note = dialog.findChild(QPlainTextEdit)
    assert note is not None
    qtbot.keyClicks(note, "slowly")
    confirm(qtbot, page, dialog)
    assert page._work.dialog is None
    assert page.heading.accessibleName() == "Spin: Lace"
    with Notebook.open(path) as notebook:
        spin = notebook.spins()[0]
    assert (spin.name, spin.fibre, spin.colour_note, spin.prepared_g, spin.note) == (
        "Lace", "Silk", "undyed", 85.5, "slowly",
    )  # fmt: skip
    assert (spin.aim.plies, spin.aim.note) == (2, "shawl")
    assert spin.aim.band_low_mm == pytest.approx(25.4 / 50)
    assert spin.aim.band_high_mm == pytest.approx(25.4 / 40)


def test_what_was_not_touched_stays_to_the_last_bit(
    qtbot: QtBot, open_page: OpenPage, tmp_path: Path
) -> None:
    path = tmp_path / "odd.slubwise"
    with Notebook.open(path) as notebook:
        before = notebook.add_spin(
            "two\nlines",
            fibre="a\tb",
            prepared_g=100 / 3,
            aim=Aim(0.1 + 0.2, 0.9999999999999, None, "own\nwords", ""),
            note="cr\r\nlf",
        )
    page = open_page(path)
    press(qtbot, page, "edit_spin")
    fill(spin_dialog(page), "Colour or dye lot", "new")
    confirm(qtbot, page, spin_dialog(page))
    with Notebook.open(path) as notebook:
        assert notebook.spin(before.id) == dataclasses.replace(before, colour_note="new")


def test_a_slip_is_named_and_nothing_typed_is_lost(
    qtbot: QtBot, page: SpinsPage, path: Path
) -> None:
    press(qtbot, page, "edit_bobbin")
    dialog = bobbin_dialog(page)
    for empty, full, words in (
        ("heavy", "", "must be a number of grams"),
        ("-1", "", "must be a number of grams"),
        ("90", "80", "The empty bobbin is heavier than the full one."),  # the notebook's own
    ):
        fill(dialog, "Weight of the empty bobbin in grams", empty)
        fill(dialog, "Weight of the full bobbin in grams", full)
        confirm(qtbot, page, dialog)
        assert page._work.dialog is dialog
        assert any(words in label.text() for label in dialog.findChildren(QLabel))
    fill(dialog, "Weight of the full bobbin in grams", "130.5")
    fill(dialog, "Name", "Left")
    confirm(qtbot, page, dialog)
    assert "Left" in bobbin_names(page)
    assert "empty 90 g, full 130.5 g, so 40.5 g of yarn" in page.about_bobbin.toPlainText()


def test_a_band_that_cannot_be_understood_is_not_dropped(qtbot: QtBot, page: SpinsPage) -> None:
    press(qtbot, page, "edit_spin")
    dialog = spin_dialog(page)
    low = field(dialog, "Low end")
    low.setFocus()
    low.selectAll()
    qtbot.keyClicks(low, "99")
    confirm(qtbot, page, dialog)
    assert page._work.dialog is dialog
    assert any("band cannot be understood" in w.text() for w in dialog.findChildren(QLabel))
    next(b for b in dialog.findChildren(QPushButton) if b.text() == "No band").click()
    confirm(qtbot, page, dialog)
    assert "WPI" not in page.about_spin.toPlainText()


def test_bobbins_are_made_moved_and_moved_back(qtbot: QtBot, page: SpinsPage) -> None:
    press(qtbot, page, "new_bobbin")
    assert field(bobbin_dialog(page), "Name").text() == "B4"
    confirm(qtbot, page, bobbin_dialog(page))
    assert bobbin_names(page) == ["B1", "B2", "B3", "B4"]
    press(qtbot, page, "up")
    assert bobbin_names(page) == ["B1", "B2", "B4", "B3"]
    press(qtbot, page, "up")
    assert bobbin_names(page) == ["B1", "B4", "B2", "B3"]
    press(qtbot, page, "undo")
    assert bobbin_names(page) == ["B1", "B2", "B4", "B3"], "a swap in the middle is one change"
    to_the_front(qtbot, page)
    qtbot.keyClick(page.bobbins, Qt.Key.Key_Down, Qt.KeyboardModifier.AltModifier)
    for _ in range(2):
        settled(qtbot, page)
    assert bobbin_names(page) == ["B1", "B2", "B3", "B4"]
    row = page.bobbins.row_chosen
    assert row is not None
    assert row.bobbin.name == "B4"


@pytest.mark.parametrize("places", [*permutations((0, 1, 2)), (0, 0, 0), (5, 5, 9), (-7, 3, 2**40)])
def test_every_move_ends_in_the_order_wanted(places: tuple[int, int, int]) -> None:
    def order(bobbins: list[Bobbin]) -> list[str]:
        # The notebook's own order (`Things.bobbins`).
        return [b.id for b in sorted(bobbins, key=lambda b: (b.place, b.made_at, b.id))]

    made = [
        Bobbin(f"{n}", "s", f"B{n}", "", None, None, place, BEGUN + timedelta(minutes=n))
        for n, place in enumerate((*places, 4))
    ]
    start = order(made)
    by_id = {b.id: b for b in made}
    standing = [by_id[id_] for id_ in start]
    for at, (upper, lower) in enumerate(pairwise(start)):
        for id_, by in ((upper, 1), (lower, -1)):
            changed = places_after_move(standing, id_, by)
            wanted = start.copy()
            wanted[at : at + 2] = [lower, upper]
            after = [dataclasses.replace(b, place=changed.get(b.id, b.place)) for b in made]
            assert order(after) == wanted
    assert places_after_move(standing, start[0], -1) == {}
    assert places_after_move(standing, start[-1], 1) == {}


# --- putting away, undoing


def delete(qtbot: QtBot, page: SpinsPage, name: str) -> str:
    """Press Delete and confirm; what was asked."""
    press(qtbot, page, name)
    box = page._work.dialog
    assert isinstance(box, QMessageBox)
    assert box.textFormat() == Qt.TextFormat.PlainText
    text = box.text()
    next(b for b in box.buttons() if b.text() == "Delete").click()
    for _ in range(3):
        settled(qtbot, page)
    return text


def test_deleting_says_what_goes_along_and_undo_brings_it_back(
    qtbot: QtBot, page: SpinsPage
) -> None:
    page.bobbins.setCurrentCell(0, 0)
    asked = delete(qtbot, page, "delete_bobbin")
    assert 'Delete the bobbin "B1"?' in asked
    assert "Along with it: 2 sittings and 3 readings." in asked
    assert bobbin_names(page) == ["B2", "B3"]
    undo = page.actions_here._by_name["undo"]
    assert undo.text() == '&Undo delete bobbin "B1"'
    to_the_front(qtbot, page)
    qtbot.keyClick(page.bobbins, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    for _ in range(2):
        settled(qtbot, page)
    assert bobbin_names(page) == ["B1", "B2", "B3"]
    assert not undo.isEnabled()
    both = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    qtbot.keyClick(page.bobbins, Qt.Key.Key_Z, both)
    for _ in range(2):
        settled(qtbot, page)
    assert bobbin_names(page) == ["B2", "B3"]


def test_deleted_things_come_back_from_the_list(
    qtbot: QtBot, open_page: OpenPage, path: Path
) -> None:
    with Notebook.open(path) as notebook:
        shawl, socks = notebook.spins()
        notebook.delete(notebook.bobbins(socks.id)[0])
        notebook.delete(shawl)
    page = open_page(path)
    assert (names(page), bobbin_names(page)) == (["Grey sock"], ["B2", "B3"])
    press(qtbot, page, "deleted")
    dialog = page._work.dialog
    assert isinstance(dialog, DeletedDialog)
    lines = [dialog.list.item(at).text().split(",")[0] for at in range(dialog.list.count())]
    assert lines == ['Spin "Blue shawl"', 'Bobbin "B1" of "Grey sock"']
    for left in (1, 0):
        dialog.back.click()
        for _ in range(3):
            settled(qtbot, page)
        assert dialog.list.count() == left
    assert not dialog.back.isEnabled()
    assert len(names(page)) == 2
    go_to_spin(qtbot, page, "Grey sock")
    assert bobbin_names(page) == ["B1", "B2", "B3"]


def test_undoing_what_another_window_overtook_says_so(
    qtbot: QtBot, page: SpinsPage, path: Path
) -> None:
    press(qtbot, page, "edit_bobbin")
    fill(bobbin_dialog(page), "Name", "Mine")
    confirm(qtbot, page, bobbin_dialog(page))
    row = page.bobbins.row_chosen
    assert row is not None
    with Notebook.open(path) as other:
        other.update_bobbin(dataclasses.replace(row.bobbin, name="Theirs"))
    said: list[str] = []
    page.said.connect(said.append)
    press(qtbot, page, "undo")
    assert len(said) == 1
    assert "was changed elsewhere in the meantime" in said[0]
    assert "Theirs" in bobbin_names(page)


# --- notebooks that cannot be written or read


def test_a_newer_notebook_is_for_looking(qtbot: QtBot, open_page: OpenPage, path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    page = open_page(path)
    assert "newer Slubwise" in page.trouble.text()
    assert names(page) == ["Blue shawl", "Grey sock"]
    assert not page.actions_here._by_name["edit_spin"].isEnabled()
    told: list[str] = []
    page.bobbin_wanted.connect(told.append)
    press(qtbot, page, "go_on")
    assert len(told) == 1


def test_a_damaged_file_is_said_and_a_whole_one_in_its_place_is_read(
    qtbot: QtBot, open_page: OpenPage, filled_once: Path, tmp_path: Path
) -> None:
    path = tmp_path / "bad.slubwise"
    path.write_bytes(b"no notebook at all" * 400)
    page = open_page(path)
    assert "is not a Slubwise notebook" in page.trouble.text()
    assert page.isEnabled()
    press(qtbot, page, "new_spin")
    fill(spin_dialog(page), "Name", "Lace")
    confirm(qtbot, page, spin_dialog(page))
    assert page._work.dialog is not None, "what was typed is not lost"
    page._work.dialog.reject()
    shutil.copy(filled_once, path)
    page._look.setInterval(20)
    qtbot.waitUntil(lambda: len(names(page)) == 2, timeout=30_000)
    assert not page.trouble.isVisible()


def test_a_part_that_cannot_be_read_leaves_the_rest(open_page: OpenPage, path: Path) -> None:
    db = sqlite3.connect(path)
    (page_size,) = db.execute("PRAGMA page_size").fetchone()
    roots = [
        root
        for (root,) in db.execute(
            "SELECT rootpage FROM sqlite_master WHERE tbl_name = 'reading' AND rootpage > 0"
        )
    ]
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    with path.open("r+b") as file:
        for root in roots:
            file.seek((root - 1) * page_size)
            file.write(b"\xff" * page_size)
    page = open_page(path)
    assert "is damaged" in page.trouble.text()
    assert names(page) == ["Blue shawl", "Grey sock"]
    assert bobbin_names(page) == ["B1", "B2", "B3"]
    assert cells(page)[0][1] == "?"


# --- hostile text, keys, looks


def test_hostile_text_is_inert(qtbot: QtBot, open_page: OpenPage, tmp_path: Path) -> None:
    path = tmp_path / "hostile.slubwise"
    with Notebook.open(path) as notebook:
        for text in HOSTILE:
            spin = notebook.add_spin(
                text, fibre=text, colour_note=text, note=text, aim=Aim(class_name=text, note=text)
            )
            notebook.add_bobbin(spin.id, text, note=text)
    page = open_page(path)
    for at, text in enumerate(reversed(HOSTILE)):
        page.spins.setCurrentRow(at)
        settled(qtbot, page)
        said = page.about_spin.toPlainText()
        assert text.replace("\u202e", "").replace("\u202c", "") in said
        assert "\u202e" not in said, "it would turn what we say after it"
        item = page.bobbins.item(0, 0)
        assert item is not None
        for shown in (page.spins.item(at).text(), item.text()):
            assert len(shown) <= 60
            assert not {"\n", "\u202e"} & set(shown)
        for tip in (page.spins.item(at).toolTip(), item.toolTip(), page.heading.toolTip()):
            assert "<b>" not in tip
            assert "<img" not in tip
    for label in page.findChildren(QLabel):
        assert label.textFormat() == Qt.TextFormat.PlainText
    page.spins.setCurrentRow(len(HOSTILE) - 1)
    settled(qtbot, page)
    delete(qtbot, page, "delete_bobbin")
    assert page.actions_here._by_name["undo"].text().endswith('<b>bold</b> &&amp; <img src=x>"')
    assert "<b>" not in page.actions_here._by_name["undo"].toolTip()


def test_a_tooltip_shows_its_text_and_nothing_else() -> None:
    text = "<b>&lt;</b>  two  spaces\nand a line"
    shown = QTextDocument()
    shown.setHtml(tip_of(text))
    assert shown.toPlainText() == text


def test_letters_on_a_list_go_to_a_name_and_not_to_shortcuts(qtbot: QtBot, page: SpinsPage) -> None:
    taken: list[str] = []
    menu = QMenu(page)
    action = menu.addAction("Take back")
    action.setShortcut("G")
    action.triggered.connect(lambda: taken.append("taken"))
    page.addAction(action)
    page.spins.setFocus()
    qtbot.keyClick(page.spins, Qt.Key.Key_B)
    settled(qtbot, page)
    assert page.heading.accessibleName() == "Spin: Blue shawl"
    qtbot.keyClicks(page.spins, "g")
    assert taken == []


def test_from_the_search_to_spinning_by_keys_alone(qtbot: QtBot, page: SpinsPage) -> None:
    told: list[str] = []
    page.bobbin_wanted.connect(told.append)
    both = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    qtbot.keyClick(page.spins, Qt.Key.Key_F, both)
    wait_for_focus(qtbot, page.search)
    qtbot.keyClicks(page.search, "merino")
    qtbot.waitUntil(lambda: not page._typing.isActive(), timeout=30_000)
    settled(qtbot, page)
    qtbot.keyClick(page.search, Qt.Key.Key_Down)
    wait_for_focus(qtbot, page.spins)
    qtbot.keyClick(page.spins, Qt.Key.Key_Return)
    wait_for_focus(qtbot, page.bobbins)
    qtbot.keyClick(page.bobbins, Qt.Key.Key_Down)
    qtbot.keyClick(page.bobbins, Qt.Key.Key_Return)
    settled(qtbot, page)
    row = page.bobbins.row_chosen
    assert row is not None
    assert (row.bobbin.name, told) == ("S2", [row.bobbin.id])


def test_every_action_stands_in_the_menu_and_every_control_has_a_name(page: SpinsPage) -> None:
    menu = QMenu(page)
    page.add_actions({"spins": menu})
    texts = [a.text() for a in menu.actions() if not a.isSeparator()]
    assert len(texts) == len(page.actions_here._by_name)
    letters = [text[text.index("&") + 1].lower() for text in texts]
    assert len(set(letters)) == len(letters), "no two share a letter"
    for button in page.findChildren(QPushButton):
        assert button.accessibleName()
        assert button.toolTip()
        assert button.focusPolicy() & Qt.FocusPolicy.TabFocus


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_nothing_is_cut_off_in_a_small_window_with_large_letters(
    qtbot: QtBot, qapp: QApplication, page: SpinsPage, theme: object
) -> None:
    assert theme in (LIGHT, DARK)
    palette, sheet, font = qapp.palette(), qapp.styleSheet(), qapp.font()
    try:
        chosen = LIGHT if theme == LIGHT else DARK
        larger = qapp.font()
        larger.setPointSizeF(1.5 * larger.pointSizeF())
        qapp.setFont(larger)
        qapp.setPalette(palette_of(chosen))
        qapp.setStyleSheet(sheet_of(chosen))
        page.set_theme(chosen)
        page.resize(900, 620)  # what the rail and the bars leave of 1024 by 700

        def nothing_is_cut_off() -> None:
            assert (page.width(), page.height()) == (900, 620)
            for button in page.findChildren(QPushButton):
                assert button.width() >= button.sizeHint().width()
                assert button.height() >= button.sizeHint().height()
                corner = button.mapTo(page, button.rect().bottomRight())
                assert page.rect().contains(corner)
            assert page.bobbins.height() > 4 * page.bobbins.fontMetrics().lineSpacing()

        qtbot.waitUntil(nothing_is_cut_off, timeout=30_000)
    finally:
        qapp.setFont(font)
        qapp.setPalette(palette)
        qapp.setStyleSheet(sheet)


@pytest.mark.parametrize("ending", [".pdf", ".html", ".doc"])
def test_the_report_of_a_spin_is_written_while_the_window_goes_on(
    qtbot: QtBot, page: SpinsPage, tmp_path: Path, ending: str
) -> None:
    said: list[str] = []
    page.said.connect(said.append)
    assert page.actions_here._by_name["report"].isEnabled()
    spin = page._shelf.spin
    assert spin is not None
    file = tmp_path / f"report{ending}"
    page._work.save_report(spin, file)
    assert said[0].startswith("Writing the report of")
    qtbot.waitUntil(lambda: len(said) == 2, timeout=60_000)
    if ending == ".doc":
        assert "neither .pdf nor .html" in said[1]
        return
    assert said[1] == f"Saved {file}."
    assert file.read_bytes().startswith(b"%PDF" if ending == ".pdf" else b"<!DOCTYPE html>")


def test_times_are_said_as_one_says_them() -> None:
    noon = datetime(2026, 3, 2, 12, 0).astimezone()
    assert when_text(noon - timedelta(hours=2), noon) == "today 10:00"
    assert when_text(noon - timedelta(hours=14), noon) == "yesterday 22:00"
    assert when_text(noon - timedelta(days=2), noon) == "28 Feb 2026"


def test_stopping_leaves_nothing_behind(qtbot: QtBot, page: SpinsPage) -> None:
    press(qtbot, page, "edit_spin")
    assert page._work.dialog is not None
    page.refresh()
    page.stop()
    assert page._work.dialog is None
    assert not page._look.isActive()
    page._desk.close()
