"""The whole window, with its process that measures, its notebook and its thread."""

from __future__ import annotations

import multiprocessing
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import cast

import cv2
import numpy as np
import pytest
from clipboard import copy
from keyboard import give_keyboard, wait_for_focus
from PySide6.QtCore import QEvent, QMimeData, QObject, Qt, QUrl
from PySide6.QtGui import QAction, QImage, QKeySequence
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QLabel,
    QLineEdit,
    QTabBar,
    QWidget,
)
from pytestqt.qtbot import QtBot

from app.lenses import Lenses
from app.notebook.records import Aim
from app.notebook.store import Notebook
from app.samples import samples_folder
from app.window.main_window import MainWindow
from app.window.page_stack import PageStack
from app.window.preferences import Preferences
from app.window.theme import DARK, LIGHT, sheet_of
from measure import measure_picture
from measure.band import Band
from measure.lens import Lens

WAIT_MS = 60_000
SAME = 1e-4
"""Relative: the window measures in another process, whose vector code and threads move the last
digits of sums in single precision; strands of one picture differ by a tenth and more."""
OpenWindow = Callable[..., MainWindow]


@pytest.fixture(autouse=True)
def look(qapp: QApplication) -> Iterator[None]:
    """Whatever a theme changed goes back."""
    palette, sheet = qapp.palette(), qapp.styleSheet()
    yield
    qapp.setPalette(palette)
    qapp.setStyleSheet(sheet)


@pytest.fixture
def open_window(qtbot: QtBot, tmp_path: Path) -> Iterator[OpenWindow]:
    """Opens windows that share a preferences file and a notebook, and closes them."""
    windows: list[MainWindow] = []

    def make(source: str | None = None) -> MainWindow:
        window = MainWindow(
            Preferences(tmp_path / "window.ini"),
            source=source,
            notebook=tmp_path / "notebook.sqlite",
        )
        windows.append(window)
        window.show()
        give_keyboard(qtbot, window)
        return window

    yield make
    for window in windows:
        window.close()
    assert not multiprocessing.active_children()


def sample(name: str) -> str:
    folder = samples_folder()
    assert folder is not None
    return str(folder / name)


def readings(tmp_path: Path) -> list[float]:
    """Diameters that another program finds in the notebook."""
    with Notebook.open(tmp_path / "notebook.sqlite") as notebook:
        bobbin = notebook.latest_bobbin()
        return [] if bobbin is None else [r.diameter_mm for r in notebook.readings(bobbin.id)]


def test_a_picture_is_measured_logged_taken_back_and_put_back(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    """The figure is the one that the library gives; keys do what they say."""
    name = sample("fuzzy_single_phone.jpg")
    window = open_window(name)
    page, session = window.gauge, window.gauge.session
    with qtbot.waitSignal(session.still_measured, timeout=WAIT_MS):
        pass
    expected = measure_picture(name).strands[0]
    assert f"{expected.wpi:.1f}" in page.reading.spoken()

    with qtbot.waitSignal(session.logged, timeout=WAIT_MS) as logged:
        qtbot.keyClick(page.picture, Qt.Key.Key_Space)
    assert readings(tmp_path) == pytest.approx([expected.diameter_mm], rel=SAME)
    assert logged.args[0].source == Path(name).name
    with Notebook.open(tmp_path / "notebook.sqlite") as notebook:
        jpeg = notebook.picture(logged.args[0].id)
    assert jpeg is not None
    # The strand runs across the card: what is cut out is much wider than high.
    cut = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert cut.shape[1] > 4 * cut.shape[0]
    assert [r.id for r in page.chart.points.readings] == [logged.args[0].id]

    wait_for_focus(qtbot, page.picture)
    with qtbot.waitSignal(session.taken_back, timeout=WAIT_MS):
        qtbot.keyClick(page.picture, Qt.Key.Key_Z)
    assert readings(tmp_path) == []
    wait_for_focus(qtbot, page.picture)
    with qtbot.waitSignal(session.put_back_done, timeout=WAIT_MS):
        qtbot.keyClick(page.picture, Qt.Key.Key_Z, Qt.KeyboardModifier.ShiftModifier)
    assert readings(tmp_path) == pytest.approx([expected.diameter_mm], rel=SAME)


def test_next_strand_of_a_picture(open_window: OpenWindow, qtbot: QtBot, tmp_path: Path) -> None:
    name = sample("three_singles_desk.jpg")
    window = open_window(name)
    page, session = window.gauge, window.gauge.session
    with qtbot.waitSignal(session.still_measured, timeout=WAIT_MS):
        pass
    expected = [s.diameter_mm for s in measure_picture(name).strands]
    assert len(expected) == 3
    for step in range(4):
        with qtbot.waitSignal(session.logged, timeout=WAIT_MS):
            qtbot.keyClick(page.picture, Qt.Key.Key_Space)
        wait_for_focus(qtbot, page.picture)
        qtbot.keyClick(page.picture, Qt.Key.Key_N)
        assert readings(tmp_path)[-1] == pytest.approx(expected[step % 3], rel=SAME)


def test_a_space_that_is_typed_takes_no_reading(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    window = open_window(sample("fuzzy_single_phone.jpg"))
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS):
        pass
    field = QLineEdit(window.gauge)
    field.show()
    field.setFocus()
    wait_for_focus(qtbot, field)
    said: list[str] = []
    window.gauge.said.connect(said.append)
    qtbot.keyClicks(field, "two words")
    assert field.text() == "two words"
    # Whatever had been asked of the notebook is answered before this.
    answers: list[int] = []
    window.desk.ask(lambda notebook: len(notebook.spins()), answers.append)
    qtbot.waitUntil(lambda: bool(answers), timeout=WAIT_MS)
    assert readings(tmp_path) == []
    assert said == []


def test_it_remembers(open_window: OpenWindow, qtbot: QtBot) -> None:
    name = sample("fuzzy_single_phone.jpg")
    first = open_window(name)
    with qtbot.waitSignal(first.gauge.session.still_measured, timeout=WAIT_MS):
        pass
    first.gauge.set_unit("mm")
    band = Band.from_wpi(20, 24)
    with qtbot.waitSignal(first.gauge.said, timeout=30_000) as said:
        first.gauge.take_band(band)
    assert said.args == ["The band is 1.06 to 1.27 mm."]  # 25.4 mm / 24 and / 20
    first.resize(1111, 777)
    first.close()

    again = open_window()
    with qtbot.waitSignal(again.gauge.session.still_measured, timeout=WAIT_MS) as measured:
        pass
    assert measured.args[0].still.name == Path(name).name
    assert "mm" in again.gauge.reading.spoken()
    assert again.preferences.band == band
    screen = again.screen().availableSize()
    if screen.width() > 1111 and screen.height() > 800:  # Qt keeps a window on its screen
        assert (again.width(), again.height()) == (1111, 777)


def test_readings_of_yesterday_are_there_again(open_window: OpenWindow, qtbot: QtBot) -> None:
    first = open_window(sample("fuzzy_single_phone.jpg"))
    with qtbot.waitSignal(first.gauge.session.still_measured, timeout=WAIT_MS):
        pass
    with qtbot.waitSignal(first.gauge.session.logged, timeout=WAIT_MS) as logged:
        first.gauge.session.take_now()
    first.close()
    again = open_window()
    qtbot.waitUntil(lambda: len(again.gauge.chart.points.readings) == 1, timeout=WAIT_MS)
    assert again.gauge.chart.points.readings[0].id == logged.args[0].id
    # Chosen on the chart, by Enter here, its own picture and profile are shown.
    assert again.gauge.chart.plot is not None
    for key in (Qt.Key.Key_Right, Qt.Key.Key_Return):
        qtbot.keyClick(again.gauge.chart.plot, key)
    qtbot.waitUntil(lambda: again.gauge.log.pinned == logged.args[0].id, timeout=WAIT_MS)
    inset = next(
        label
        for label in again.gauge.findChildren(QLabel)
        if label.accessibleName() == "Picture of the reading"
    )
    assert inset.isVisible()
    assert inset.pixmap().width() > 4 * inset.pixmap().height()
    again.gauge.profile.set_inch(False)
    assert f"{logged.args[0].length_mm:.0f} mm" in again.gauge.profile.summary()
    with qtbot.waitSignal(again.gauge.said, timeout=30_000) as said:
        again.gauge.log.use("")
        qtbot.waitUntil(lambda: again.gauge.log.pinned == "", timeout=WAIT_MS)
        again.gauge.save_chart()
    assert said.args == ["There are no readings on the chart to save."]


def test_dropped_and_pasted_pictures(
    open_window: OpenWindow, qtbot: QtBot, drawn: Path, no_card: Path
) -> None:
    window = open_window()
    dropped = QMimeData()
    dropped.setUrls([QUrl.fromLocalFile(str(drawn))])
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS) as measured:
        window.gauge.picture.dropped.emit(dropped)
    assert len(measured.args[0].reading.strands) == 2
    # By its action: a bare display shared with other tests may take the keyboard away.
    actions = window.gauge.findChildren(QAction)
    paste = next(a for a in actions if a.shortcut() == QKeySequence("Ctrl+V"))
    copy(qtbot, no_card.read_bytes())
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS) as measured:
        paste.trigger()
    assert measured.args[0].reading.refusals[0].code == "no_card"
    advice = measured.args[0].reading.refusals[0].advice.removesuffix(".")
    assert advice in window.gauge.reading.spoken()
    image = QImage(640, 480, QImage.Format.Format_RGB32)
    image.fill(0xFF808080)
    copy(qtbot, image)
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS) as measured:
        paste.trigger()
    assert (measured.args[0].reading.width_px, measured.args[0].reading.height_px) == (640, 480)
    copy(qtbot, None)


def test_pictures_of_any_shape_are_shown(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    """Each is shown whole, in its own shape and colour, with a sentence why nothing was read."""
    window = open_window()
    for width, height, channels in (
        (8000, 120, 3), (90, 5000, 3), (70, 66, 3), (4000, 3000, 3), (7000, 5000, 3), (900, 700, 1),
    ):  # fmt: skip
        pixels = np.full((height, width, channels), 90, np.uint8)
        pixels[: height // 2] = 180
        file = tmp_path / f"{width} x {height}.png"
        file.write_bytes(cv2.imencode(".png", pixels)[1].tobytes())
        with qtbot.waitSignal(
            window.gauge.session.still_measured,
            timeout=WAIT_MS,
            check_params_cb=lambda what, name=file.name: what.still.name == name,  # type: ignore
        ):
            window.gauge.sources.choose(str(file))
        view = window.gauge.picture
        image = view.grab().toImage()
        ratio = image.devicePixelRatio()
        shown = np.array(
            [
                [
                    image.pixelColor(round(x * ratio), round(y * ratio)).red()
                    for x in range(0, view.width(), 2)
                ]
                for y in range(0, view.height(), 2)
            ]
        )
        light, dark = np.abs(shown - 180) < 6, np.abs(shown - 90) < 6
        fit = min(view.width() / width, view.height() / height)
        expected = width * height * min(fit, max(fit, 1.0)) ** 2 / 4
        assert light.any(), file.name
        assert dark.any(), file.name
        if expected > 500:
            assert light.sum() + dark.sum() == pytest.approx(expected, rel=0.3), file.name


def test_a_watched_folder_logs_what_arrives(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    folder = tmp_path / "from the phone"
    folder.mkdir()
    window = open_window(str(folder))
    # Told once the folder was looked at: what comes from then on is new.
    with qtbot.waitSignal(
        window.gauge.session.source_changed,
        timeout=WAIT_MS,
        check_params_cb=lambda state: state.kind == "running",
    ):
        pass
    with qtbot.waitSignal(window.gauge.session.logged, timeout=WAIT_MS) as logged:
        shutil.copy(sample("fuzzy_single_phone.jpg"), folder / "one.jpg")
    expected = measure_picture(sample("fuzzy_single_phone.jpg")).strands[0].diameter_mm
    assert readings(tmp_path) == pytest.approx([expected], rel=SAME)
    assert logged.args[0].source == "one.jpg"


def test_closing_while_it_works_leaves_nothing(open_window: OpenWindow, qtbot: QtBot) -> None:
    before = set(threading.enumerate())
    window = open_window(sample("three_singles_desk.jpg"))
    with qtbot.waitSignal(window.gauge.session.still_opened, timeout=WAIT_MS):
        pass
    window.close()
    assert not multiprocessing.active_children()
    left = [t for t in set(threading.enumerate()) - before if t.is_alive() and not t.daemon]
    assert left == []


def test_a_file_that_is_no_notebook_is_said_and_kept(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    file = tmp_path / "notebook.sqlite"
    file.write_text("a shopping list")
    window = open_window(sample("fuzzy_single_phone.jpg"))
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS):
        pass
    with qtbot.waitSignal(window.desk.failed, timeout=WAIT_MS) as failed:
        window.gauge.session.take_now()
    assert failed.args[0].code == "not_a_notebook"
    assert failed.args[0].text in window.statusBar().findChild(type(window._said)).text()
    assert file.read_text() == "a shopping list"


def test_both_themes_are_drawn(open_window: OpenWindow, qtbot: QtBot) -> None:
    """What is drawn by hand follows the theme as widgets do."""
    window = open_window()
    backs = []
    for theme in (LIGHT, DARK):
        window.set_theme(theme)
        image = window.gauge.reading.grab().toImage()
        backs.append(image.pixelColor(3, image.height() // 2).name())
    assert backs == [LIGHT.panel, DARK.panel]
    window.page("spins")
    window.set_theme(LIGHT)
    # Pages that are not in front follow one after the other, so that none stands still for all.
    pages = [cast(QWidget, page) for page in window.pages.made]
    assert len(pages) > 1
    qtbot.waitUntil(lambda: {page.styleSheet() for page in pages} == {sheet_of(LIGHT)})


def test_a_bobbin_chosen_among_the_spins_is_the_one_logged_to(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    """Its spin's band comes along; letters are the lists' own while that page is shown."""
    band = Band.from_wpi(28, 33)
    with Notebook.open(tmp_path / "notebook.sqlite") as notebook:
        spin = notebook.add_spin("Heather hat", aim=Aim(band.low_mm, band.high_mm))
        notebook.add_bobbin(spin.id, "First")
        second = notebook.add_bobbin(spin.id, "Second")
    window = open_window(sample("fuzzy_single_phone.jpg"))
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS):
        pass
    window.show_page("spins")
    page = window.page("spins")
    qtbot.keyClick(page, Qt.Key.Key_U)
    assert window.preferences.unit == "wpi"
    page.bobbin_wanted.emit(second.id)
    page.band_wanted.emit(band)
    assert window.gauge.isVisible()
    assert window.preferences.band == band
    with qtbot.waitSignal(window.gauge.session.logged, timeout=WAIT_MS) as logged:
        window.gauge.session.take_now()
    assert logged.args[0].bobbin_id == second.id


def test_a_space_that_no_widget_has_takes_a_reading(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    """While the gauge is shown, and on no other page."""
    window = open_window(sample("fuzzy_single_phone.jpg"))
    with qtbot.waitSignal(window.gauge.session.still_measured, timeout=WAIT_MS):
        pass
    with qtbot.waitSignal(window.gauge.session.logged, timeout=WAIT_MS):
        qtbot.keyClick(window, Qt.Key.Key_Space)
    window.show_page("spins")
    window.page("spins")
    said: list[str] = []
    window.gauge.said.connect(said.append)
    qtbot.keyClick(window, Qt.Key.Key_Space)
    answers: list[int] = []
    window.desk.ask(lambda notebook: len(notebook.spins()), answers.append)
    qtbot.waitUntil(lambda: bool(answers), timeout=WAIT_MS)
    assert len(readings(tmp_path)) == 1
    assert said == []


def test_a_page_is_made_beside_the_window(
    open_window: OpenWindow, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked for, it comes some events later: no event makes more than a piece of it."""
    pieces: list[str] = []
    make = PageStack._making_on

    def noted(pages: PageStack, name: str) -> Iterator[None]:
        for _ in make(pages, name):
            pieces.append(name)
            yield

    monkeypatch.setattr(PageStack, "_making_on", noted)
    # Those that nobody asks for are made as well: not here.
    monkeypatch.setattr(PageStack, "make_all", lambda pages: None)
    window = open_window()
    for name in ("spins", "plan", "bobbins", "skeins", "card"):
        window.show_page(name)
        assert name not in pieces
        qtbot.waitUntil(lambda: window.pages.currentWidget() is not window.pages._empty)
        assert pieces.count(name) >= 4
        assert window.pages.currentWidget() is window.page(name)


class Opened(QObject):
    """Notes what shows itself as a window."""

    def __init__(self) -> None:
        super().__init__()
        self.windows: list[QWidget] = []

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        if event.type() == QEvent.Type.Show and isinstance(watched, QWidget) and watched.isWindow():
            self.windows.append(watched)
        return False


def test_pages_are_made_before_they_are_asked_for(
    open_window: OpenWindow, qtbot: QtBot, qapp: QApplication
) -> None:
    """Unseen: no part of them shows itself, and the keyboard stays where it is."""
    opened = Opened()
    qapp.installEventFilter(opened)
    window = open_window()
    with qtbot.waitSignal(window.pages.all_made):
        pass
    qapp.removeEventFilter(opened)
    assert opened.windows == [window]
    assert window.focusWidget() is window.gauge.picture
    assert len(window.pages.made) == len(window.page_names)
    assert window.pages.currentWidget() is window.gauge
    for name in window.page_names:
        window.show_page(name)
        assert window.page(name).isVisible()


def test_closing_while_a_page_is_made_leaves_nothing(open_window: OpenWindow, qtbot: QtBot) -> None:
    before = set(threading.enumerate())
    window = open_window()
    for name in window.page_names[1:]:
        window.show_page(name)
    qtbot.waitUntil(lambda: bool(window.pages._making), timeout=WAIT_MS)
    window.close()
    assert [t for t in set(threading.enumerate()) - before if t.is_alive() and not t.daemon] == []


def controls(page: QWidget) -> list[QWidget]:
    """What a person can press, choose or type into; not the parts that Qt makes these of."""
    kinds = (QAbstractButton, QComboBox, QAbstractSpinBox, QLineEdit)
    found = [part for part in page.findChildren(QWidget) if isinstance(part, kinds)]
    parts = {inner for part in found for inner in part.findChildren(QWidget)}
    made_by_qt = {p for p in found if p.objectName().startswith("qt_")}
    made_by_qt |= {p for p in found if isinstance(p.parent(), QTabBar)}
    return [p for p in found if p not in parts | made_by_qt]


def test_every_page_opens_and_closes(open_window: OpenWindow, qtbot: QtBot) -> None:
    window = open_window()
    assert set(window.page_names) >= {"gauge", "spins", "plan", "bobbins", "skeins", "card"}
    for number, name in enumerate(window.page_names, start=1):
        qtbot.keyClick(window, Qt.Key(Qt.Key.Key_0 + number), Qt.KeyboardModifier.ControlModifier)
        page = cast(QWidget, window.page(name))
        assert page.isVisible()
        assert window.preferences.page == name
        for part in controls(page):
            told = part.accessibleName() or (isinstance(part, QAbstractButton) and part.text())
            assert told, (name, part)
            assert part.toolTip(), (name, told)


def test_a_lens_belongs_to_its_camera(
    open_window: OpenWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    """The lens kept for a camera is used while it runs, and for nothing else."""
    lens = Lens(1400.0, (639.5, 359.5), -0.02, 0.0, 0.003, 0.05, 6, 1280, 720)
    Lenses(tmp_path / "lenses.json").put("Sample video", lens)
    window = open_window("sample")
    qtbot.waitUntil(lambda: window.gauge.measuring.lens is not None, timeout=WAIT_MS)
    assert window.gauge.measuring.lens == lens
    window.show_page("card")
    assert window.page("card").lens.lens == lens
    window.gauge.sources.choose(sample("no_card.jpg"))
    assert window.gauge.measuring.lens is None
    assert window.page("card").lens.lens is None


def test_what_a_person_wrote_stays_words(
    qtbot: QtBot, open_window: OpenWindow, monkeypatch: pytest.MonkeyPatch
) -> None:
    window = open_window()
    window.show_page("spins")
    hostile = "<img src=x> & <b>bold</b>"
    made: list[object] = []
    window.desk.ask(lambda notebook: notebook.add_spin(hostile), made.append)
    qtbot.waitUntil(lambda: bool(made), timeout=WAIT_MS)
    window.page("spins").refresh()  # type: ignore[attr-defined]

    def undoes() -> bool:
        actions = [a for menu in window._menus.values() for a in menu.actions()]
        return any("<img" in action.text() for action in actions)

    qtbot.waitUntil(undoes, timeout=WAIT_MS)
    told: list[str] = []
    monkeypatch.setattr(
        "app.window.main_window.QMessageBox.exec", lambda box: told.append(box.text())
    )
    window._show_keys()
    assert "&lt;img src=x&gt; &amp; &lt;b&gt;bold" in told[0].replace("&nbsp;", " ")
    assert "<img" not in told[0]
    window.say(f"Deleted {hostile}.")
    assert window._said.textFormat() == Qt.TextFormat.PlainText
    assert window._said.text() == f"Deleted {hostile}."
    assert "<img" not in window._said.toolTip()
