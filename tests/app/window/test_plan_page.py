"""The plan page on real notebooks: what it says, what it learned, what it hands on and keeps."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from logged_strands import SCALE, a_strand
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from app.notebook.records import Aim
from app.notebook.store import Notebook
from app.window.desk import Desk
from app.window.page_stack import whole
from app.window.plan_page import PlanPage
from app.window.preferences import Preferences
from app.window.theme import DARK, LIGHT
from measure.band import Band
from measure.ply_geometry import ply_factor

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def spun_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two skeins of earlier spins, one as geometry says and one a fifth thicker; a spin begun."""
    path = tmp_path_factory.mktemp("spun") / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        for name, over in (("Plain", 1.0), ("Lofty", 1.2)):
            spin = notebook.add_spin(name, fibre="Shetland", aim=Aim(plies=2))
            bobbins = [notebook.add_bobbin(spin.id, f"B{k}") for k in (1, 2)]
            for bobbin in bobbins:
                sitting = notebook.begin_sitting(bobbin.id, BEGUN)
                for place in range(3):
                    notebook.log(
                        sitting.id, strand(0.5), taken_at=BEGUN + timedelta(minutes=place),
                        posture="tension", printed_card="", source="camera", scale=SCALE,
                    )  # fmt: skip
            skein = notebook.add_skein(spin.id, "S1", bobbin_ids=[b.id for b in bobbins])
            for washed in (False, True):
                for _ in range(3):
                    notebook.add_section(
                        skein.id, strand(0.5 * ply_factor(2) * over), taken_at=BEGUN,
                        washed=washed, printed_card="", source="camera",
                    )  # fmt: skip
        hat = notebook.add_spin(
            "Hat", fibre="Shetland", prepared_g=90, aim=Aim(plies=2, class_name="Medium")
        )
        notebook.begin_sitting(notebook.add_bobbin(hat.id, "B1").id, BEGUN + timedelta(days=1))
    return path


def strand(d: float) -> object:
    return dataclasses.replace(
        a_strand(3, entries=8),
        diameter_mm=d,
        u_diameter_mm=0.01 * d,
        diameter_interval_mm=(0.98 * d, 1.02 * d),
    )


@pytest.fixture
def path(spun_once: Path, tmp_path: Path) -> Path:
    """A copy of it to write to."""
    return Path(shutil.copy(spun_once, tmp_path))


@pytest.fixture
def page(qtbot: QtBot, path: Path, tmp_path: Path) -> Iterator[PlanPage]:
    desk = Desk(path)
    made = whole(PlanPage(Preferences(tmp_path / "window.ini"), desk))
    qtbot.addWidget(made)
    made.resize(900, 640)
    made.show()
    qtbot.waitUntil(lambda: "2 skeins of yours" in plain(made.sentences), timeout=20_000)
    yield made
    made.stop()
    desk.close()


def plain(label: QLabel) -> str:
    """What a label says, with plain spaces."""
    return label.text().replace("\N{NO-BREAK SPACE}", " ")


def cell(page: PlanPage, row: int, title: str) -> str:
    heads = [page.lessons.horizontalHeaderItem(c).text() for c in range(7)]
    return page.lessons.item(row, heads.index(title)).text()


def test_it_takes_over_the_spin_and_says_what_to_spin(page: PlanPage) -> None:
    assert page.form.spin.currentText() == "Hat"
    assert page.form.classes.currentText() == "4 Medium"
    assert (page.form.low.value(), page.form.high.value()) == (9.0, 12.0)
    assert page.form.fibre_g.value() == 90
    assert page.headline.text().startswith("Spin 1")
    assert page.headline.text().endswith(" WPI")
    assert "single, under tension" in page.table.text()
    assert "2 of 2 skeins count" in page.about.text()
    page.set_unit("mm", 1.0)
    assert page.headline.text().endswith(" mm")


def test_it_shows_what_each_skein_said(page: PlanPage) -> None:
    assert cell(page, 0, "Skein") == "Plain: S1"
    assert cell(page, 1, "Skein") == "Lofty: S1"
    assert [cell(page, row, "Finished") for row in (0, 1)] == ["0 %", "+20 %"]
    assert [cell(page, row, "Wash") for row in (0, 1)] == ["0 %", "0 %"]
    assert cell(page, 0, "Pull").startswith("-")
    assert cell(page, 1, "Pull").startswith("+")


def test_a_skein_left_out_counts_no_more_and_stays_out(
    qtbot: QtBot, page: PlanPage, path: Path
) -> None:
    before = page.headline.text()
    page.lessons.setFocus()
    page.lessons.setCurrentCell(1, 0)
    with qtbot.waitSignal(page.said) as said:
        qtbot.keyClick(page.lessons, Qt.Key.Key_Space)
    assert said.args == ['Left out "Lofty: S1".']
    qtbot.waitUntil(lambda: "1 skein of yours" in plain(page.sentences), timeout=20_000)
    # Thicker singles, fewer wraps, are wanted where the yarn does not grow.
    assert page.headline.text() != before
    assert cell(page, 1, "Pull") == "left out"

    def kept() -> list[bool]:
        with Notebook.open(path) as notebook:
            return [
                skein.counts_for_learning
                for spin in notebook.spins()
                for skein in notebook.skeins(spin.id)
                if spin.name == "Lofty"
            ]

    qtbot.waitUntil(lambda: kept() == [False], timeout=20_000)


def test_its_band_goes_to_the_gauge_and_to_the_spin(
    qtbot: QtBot, page: PlanPage, path: Path
) -> None:
    with (
        qtbot.waitSignal(page.changed, timeout=20_000),
        qtbot.waitSignal(page.band_wanted) as wanted,
    ):
        qtbot.mouseClick(page.use, Qt.MouseButton.LeftButton)
    (band,) = wanted.args
    assert isinstance(band, Band)
    with Notebook.open(path) as notebook:
        (aim,) = [spin.aim for spin in notebook.spins() if spin.name == "Hat"]
    assert (aim.band_low_mm, aim.band_high_mm) == (band.low_mm, band.high_mm)
    assert (aim.plies, aim.class_name) == (2, "Medium")


def test_wraps_typed_are_no_class_and_nonsense_is_said(qtbot: QtBot, page: PlanPage) -> None:
    page.form.low.setValue(10.5)
    assert page.form.classes.currentText() == "by its wraps"
    qtbot.waitUntil(lambda: "10.5 to 12.0" in plain(page.table))
    page.form.low.setValue(14.0)
    assert "from a smaller to a larger WPI" in page.trouble.text()
    assert page.trouble.isVisible()
    assert not page.use.isEnabled()
    assert not page.headline.isVisible()
    page.form.high.setValue(16.0)
    qtbot.waitUntil(page.use.isEnabled, timeout=20_000)
    assert not page.trouble.isVisible()


def test_way_wheel_and_length_are_taken_up(qtbot: QtBot, page: PlanPage) -> None:
    page.form.way.setCurrentText("chain-plied")
    page.form.way.activated.emit(page.form.way.currentIndex())
    page.form.ratio.setValue(9)
    page.form.length_m.setValue(200)

    def told() -> bool:
        text = plain(page.table)
        return "treadles" in text and "fibre needed" in text

    qtbot.waitUntil(told, timeout=20_000)
    assert page.form.wish().plies == 3
    page.form.way.setCurrentText("left a single")
    page.form.way.activated.emit(page.form.way.currentIndex())
    assert page.form.angle.value() == 15
    qtbot.waitUntil(lambda: "its angle" in page.table.text(), timeout=20_000)


def test_themes_and_ends(qtbot: QtBot, page: PlanPage) -> None:
    for theme in (DARK, LIGHT):
        page.set_theme(theme)
        assert theme.quiet_ink in page.table.text()
    page.form.low.setValue(9.5)
    page.stop()
    page.form.low.setValue(9.6)


def test_without_a_spin_it_says_how_to_begin(qtbot: QtBot, tmp_path: Path) -> None:
    desk = Desk(tmp_path / "empty.slubwise")
    page = whole(PlanPage(Preferences(tmp_path / "window.ini"), desk))
    qtbot.addWidget(page)
    page.show()
    qtbot.waitUntil(lambda: "Nothing learned yet" in page.about.text(), timeout=20_000)
    qtbot.waitUntil(lambda: "no skein of yours" in page.sentences.text(), timeout=20_000)
    with qtbot.waitSignal(page.band_wanted), qtbot.waitSignal(page.twist_band_wanted) as twist:
        page.use_band()
    assert page._plan is not None
    assert (twist.args[0].low, twist.args[0].high) == page._plan.twist.ply_band
    page.stop()
    desk.close()
