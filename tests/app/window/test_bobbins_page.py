"""The bobbins page on real notebooks: what is drawn, what is said, and what it leaves behind."""

from __future__ import annotations

import dataclasses
import math
import shutil
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from logged_strands import SCALE, a_strand
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QLabel, QScrollArea
from pytestqt.qtbot import QtBot

from app.notebook.records import Aim
from app.notebook.store import Notebook
from app.window.bobbins_page import BobbinsPage
from app.window.desk import Desk
from app.window.page_stack import whole
from app.window.preferences import Preferences
from app.window.theme import DARK, LIGHT

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def log(notebook: Notebook, bobbin_id: str, diameters: list[float], posture: str) -> None:
    sitting = notebook.begin_sitting(bobbin_id, BEGUN)
    for place, d in enumerate(diameters):
        strand = dataclasses.replace(
            a_strand(3, entries=8),
            diameter_mm=d,
            u_diameter_mm=0.01 * d,
            diameter_interval_mm=(0.98 * d, 1.02 * d),
            budget_mm={"scale": 0.006 * d, "edges": 0.008 * d},
        )
        notebook.log(
            sitting.id,
            strand,
            taken_at=BEGUN + timedelta(minutes=place),
            posture=posture,  # type: ignore[arg-type]
            printed_card="desk 1",
            source="camera",
            spun_g=2.0 * place,
            scale=SCALE,
        )


def spun(percent: float, slope: float, seed: int, n: int = 20) -> list[float]:
    noise = np.random.default_rng(seed).normal(size=n)
    logs = math.log(0.8 * (1 + percent / 100)) + 0.02 * (noise - noise.mean())
    return np.exp(logs + slope * np.linspace(-0.5, 0.5, n)).tolist()


@pytest.fixture(scope="module")
def spun_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A spin of three bobbins, B1 thicker, B2 and B3 alike but growing opposite ways."""
    path = tmp_path_factory.mktemp("spun") / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        spin = notebook.add_spin("Grey sock", aim=Aim(band_low_mm=0.7, band_high_mm=0.9))
        for name, percent, slope in (("B1", 14, 0.0), ("B2", 0, 0.2), ("B3", 0, -0.2)):
            bobbin = notebook.add_bobbin(spin.id, name)
            log(notebook, bobbin.id, spun(percent, slope, ord(name[1])), "tension")
    return path


@pytest.fixture
def path(spun_once: Path, tmp_path: Path) -> Path:
    """A copy of it to write to."""
    return Path(shutil.copy(spun_once, tmp_path))


@pytest.fixture
def desk(path: Path) -> Iterator[Desk]:
    made = Desk(path)
    yield made
    made.close()


@pytest.fixture
def page(qtbot: QtBot, desk: Desk, tmp_path: Path) -> Iterator[BobbinsPage]:
    made = whole(BobbinsPage(Preferences(tmp_path / "window.ini"), desk))
    qtbot.addWidget(made)
    made.resize(1000, 680)
    yield made
    made.stop()


def words(page: BobbinsPage) -> str:
    """All that the page's labels say, with plain spaces."""
    said = "\n".join(label.text() for label in page.findChildren(QLabel))
    return said.replace("\N{NO-BREAK SPACE}", " ")


def wait_for(qtbot: QtBot, page: BobbinsPage, text: str) -> None:
    qtbot.waitUntil(lambda: text in words(page), timeout=30_000)


def test_it_says_what_matches_and_draws_every_reading(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "B2 and B3 match.")
    said = words(page)
    assert "B1 is thicker by 14 % (" in said
    assert "B2 (20 readings, 0.04 m, 6.1 TPI Z): drifting thicker: " in said
    assert "than the band" in said
    plot = page.strips.plot
    assert plot is not None
    x, y = plot.points.getData()
    assert len(x) == 60
    assert np.all((x > 0) & (x < 3))
    # B2 grew thicker in the order spun: up and to the right in its strip.
    second = (x > 1) & (x < 2)
    assert np.polyfit(x[second], y[second], 1)[0] > 0
    assert len(plot.middles.getData()[0]) == 3
    assert "drifting" in page.strips.accessibleDescription()


def test_it_tells_which_to_ply_together(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "Evenest: ")
    ways = page.ways.text().replace("\N{NO-BREAK SPACE}", " ")
    first, groups = ways.splitlines()[:2]
    assert groups == "B2 + B3"
    assert "B1 left over" in ways
    assert " WPI, CV " in first
    assert "In order: " in ways
    page.set_unit("mm", 1.0)
    assert " mm, CV " in page.ways.text().replace("\N{NO-BREAK SPACE}", " ")


def test_it_foretells_what_plying_would_give(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "Plied from two bobbins this would be ")
    said = words(page)
    assert "; chain-plied from one, " in said
    assert "loops of 40 cm" in said
    plot = page.forecast.plot
    assert plot is not None
    # Two grow opposite ways and are plied together; a chain of either passes its drift on.
    plied, chained = (mean.getData()[1] for _, mean, _ in plot._curves)
    assert np.ptp(chained) > 2 * np.ptp(plied)
    page.set_unit("mm", 1.0)
    assert " mm; chain-plied from one, " in words(page)
    page._loop.setValue(90)
    wait_for(qtbot, page, "loops of 90 cm")
    page._plies.setValue(6)
    wait_for(qtbot, page, "Two bobbins with two readings each")
    page.set_theme(DARK)


def test_the_spinners_own_choice_is_held_against_it(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "Evenest: ")
    qtbot.keyClicks(page._own, "B1 + B2 rewound")
    qtbot.keyClick(page._own, Qt.Key.Key_Return)
    wait_for(qtbot, page, "As you have it: ")
    assert "B1 + B2 rewound" in page.ways.text()
    page._own.setText("B1 & B9")
    qtbot.keyClick(page._own, Qt.Key.Key_Return)
    wait_for(qtbot, page, 'Write your own choice as "B1 + B2 rewound"')
    assert "B2 and B3 match." in words(page), "the comparison stays"
    assert not page.ways.isVisible()


def test_more_plies_than_bobbins_is_said(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "Evenest: ")
    page._plies.setValue(4)
    wait_for(qtbot, page, "4 plies take 4 to 12 bobbins with readings, and there are 3.")


def test_bobbins_can_be_left_out(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "B1 is thicker")
    page._which.menu().actions()[0].trigger()
    qtbot.waitUntil(lambda: "B1 is thicker" not in words(page), timeout=30_000)
    assert page._which.text() == "2 of 3"
    page._which.menu().actions()[1].trigger()
    wait_for(qtbot, page, "Two bobbins with two readings each are needed to compare.")
    assert page.strips.plot is not None
    assert len(page.strips.plot.points.getData()[0]) == 20


def test_a_wider_margin_lets_more_match(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "B1 is thicker")
    page._margin.setValue(25)
    wait_for(qtbot, page, "B1, B2 and B3 match.")


def test_other_postures_are_looked_up(qtbot: QtBot, page: BobbinsPage, path: Path) -> None:
    page.show()
    wait_for(qtbot, page, "B2 and B3 match.")
    page._posture.setCurrentIndex(page._posture.findData("washed"))
    page._posture.activated.emit(page._posture.currentIndex())
    qtbot.waitUntil(lambda: "match." not in words(page), timeout=30_000)
    wait_for(qtbot, page, "No readings taken this way on these bobbins.")


def test_shown_again_it_looks_up_what_was_logged(
    qtbot: QtBot, page: BobbinsPage, path: Path
) -> None:
    page.show()
    wait_for(qtbot, page, "B1 is thicker")
    page.hide()
    with Notebook.open(path) as notebook:
        spin = notebook.spins()[0]
        bobbin = notebook.add_bobbin(spin.id, "<b>B4</b> & more")
        log(notebook, bobbin.id, spun(1, 0.0, 7), "tension")
    page.show()
    wait_for(qtbot, page, "<b>B4</b> & more (20 readings, 0.04 m, 6.1 TPI Z): steady")
    assert page._which.menu().actions()[3].text() == "<b>B4</b> && more"


def test_without_a_spin_it_says_where_to_begin(qtbot: QtBot, tmp_path: Path) -> None:
    desk = Desk(tmp_path / "empty.slubwise")
    page = whole(BobbinsPage(Preferences(tmp_path / "window.ini"), desk))
    qtbot.addWidget(page)
    page.show()
    qtbot.waitUntil(lambda: not page._spin.isEnabled(), timeout=30_000)
    assert "log readings on the Gauge page" in words(page)
    page.stop()
    desk.close()


def test_stopped_it_leaves_no_thread(qtbot: QtBot, page: BobbinsPage) -> None:
    page.show()
    wait_for(qtbot, page, "match.")
    page.stop()
    assert not [t for t in threading.enumerate() if t.name.startswith("bobbins")]


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_large_type_in_the_smallest_window_cuts_nothing_off(
    qtbot: QtBot, page: BobbinsPage, theme: object
) -> None:
    font = page.font()
    font.setPointSizeF(font.pointSizeF() * 1.5)
    page.setFont(font)
    page.set_theme(theme)  # type: ignore[arg-type]
    page.resize(900, 640)
    page.show()
    wait_for(qtbot, page, "Evenest: ")
    QApplication.processEvents()
    assert page.width() <= 900
    for label in page.findChildren(QLabel):
        if label.isVisible() and label.text():
            assert label.width() >= min(label.minimumSizeHint().width(), label.sizeHint().width())
            if label.wordWrap():
                assert label.height() >= label.heightForWidth(label.width()) - 1, label.text()
    for area in page.findChildren(QScrollArea):
        assert area.horizontalScrollBar().maximum() == 0, "nothing runs out of a panel sideways"
