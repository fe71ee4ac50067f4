"""The list of printed cards: kept through restarts, damage and full disks."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.kept_list import KeptListError
from app.printed_cards import FactorsFound, PrintedCards
from measure.printer_check import PrinterFactors
from measure.settings import Printer

FOUND = FactorsFound(
    PrinterFactors(0.9712, 0.9725, 0.0011, 0.0012), "picture", datetime(2026, 3, 1, 9, tzinfo=UTC)
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "new folder" / "cards ü.json"


def test_an_empty_list_is_an_unchecked_printer(path: Path) -> None:
    cards = PrintedCards(path)
    assert cards.cards() == ()
    assert cards.chosen() is None
    assert cards.printer() == Printer()
    assert cards.file.trouble == ""
    assert not path.exists()


def test_what_was_done_is_there_after_a_restart(path: Path) -> None:
    cards = PrintedCards(path)
    desk = cards.add("Büro, matt", "desk", "a4")
    pocket = cards.add("Pouch", "pocket", "letter")
    cards.set_factors(desk.id, FOUND)
    cards.choose(desk.id)
    cards.rename(pocket.id, "  Green\tpouch ")
    again = PrintedCards(path)
    assert again.cards() == cards.cards()
    assert [card.name for card in again.cards()] == ["Büro, matt", "Green pouch"]
    chosen = again.chosen()
    assert chosen is not None
    assert chosen.found == FOUND
    # The larger of the two relative doubts holds for both directions.
    printer = again.printer()
    assert (printer.x, printer.y) == (0.9712, 0.9725)
    assert printer.u_relative == pytest.approx(0.0012 / 0.9725, rel=1e-12)
    assert list(path.parent.iterdir()) == [path]


def test_forgetting_chooses_another_and_is_undone(path: Path) -> None:
    cards = PrintedCards(path)
    first, second = cards.add("a", "desk", "a4"), cards.add("b", "desk", "a4")
    cards.forget(second.id)
    assert cards.chosen() == first
    cards.undo()
    assert cards.chosen() == second
    assert PrintedCards(path).cards() == (first, second)
    cards.undo()
    cards.undo()
    assert cards.cards() == ()
    assert not cards.can_undo()


def test_names_are_told_apart(path: Path) -> None:
    cards = PrintedCards(path)
    names = [cards.add("Desk card", "desk", "a4").name for _ in range(3)]
    assert names == ["Desk card", "Desk card 2", "Desk card 3"]
    with pytest.raises(KeptListError, match="called Desk card 2"):
        cards.rename(cards.cards()[0].id, "Desk card 2")
    with pytest.raises(KeptListError, match="needs a name"):
        cards.rename(cards.cards()[0].id, " \n ")
    with pytest.raises(KeptListError, match="not on the list"):
        cards.choose("no such id")


WHOLE = {
    "version": 1,
    "chosen": "x",
    "cards": [
        {
            "name": "n",
            "kind": "desk",
            "edition": 1,
            "paper": "a4",
            "printed_at": "2026-03-01T09:00:00+00:00",
            "found": None,
            "id": "x",
        }
    ],
}


def damaged() -> list[str]:
    def changed(**change: object) -> str:
        return json.dumps({**WHOLE, "cards": [{**WHOLE["cards"][0], **change}]})  # type: ignore[dict-item,index]

    return [
        "",
        "{",
        "[]",
        "null",
        "7",
        json.dumps({**WHOLE, "version": 99}),
        json.dumps({**WHOLE, "cards": WHOLE["cards"] * 2}),  # type: ignore[operator]
        changed(kind="wall"),
        changed(name=""),
        changed(printed_at="yesterday"),
        changed(printed_at="2026-03-01T09:00:00"),
        changed(
            found={
                "by": "ruler",
                "at": "2026-03-01T09:00:00+00:00",
                "factors": {"x": 30.0, "y": 1.0, "u_x": 0.1, "u_y": 0.1},
            }
        ),
    ]


def test_the_example_is_read_before_it_is_damaged(path: Path) -> None:
    path.parent.mkdir()
    path.write_text(json.dumps(WHOLE), "utf-8")
    chosen = PrintedCards(path).chosen()
    assert chosen is not None
    assert chosen.name == "n"


@pytest.mark.parametrize("text", damaged())
def test_a_damaged_file_is_kept_aside(path: Path, text: str) -> None:
    path.parent.mkdir()
    path.write_text(text, "utf-8")
    cards = PrintedCards(path)
    assert cards.cards() == ()
    assert "damaged" in cards.file.trouble
    assert path.with_name("cards ü-damaged.json").read_text("utf-8") == text
    cards.add("new", "desk", "a4")
    assert PrintedCards(path).file.trouble == ""


def test_a_second_damaged_file_does_not_replace_the_first(path: Path) -> None:
    path.parent.mkdir()
    for content in (b"\xff\xfe\x00", b"{{"):
        path.write_bytes(content)
        PrintedCards(path)
    kept = sorted(file.read_bytes() for file in path.parent.glob("*damaged*"))
    assert kept == sorted([b"\xff\xfe\x00", b"{{"])


def test_a_change_that_cannot_be_written_changes_nothing(tmp_path: Path) -> None:
    cards = PrintedCards(tmp_path / "cards.json")
    card = cards.add("a", "desk", "a4")
    # A file stands where the folder must be: what a vanished drive amounts to.
    cards.file.path = tmp_path / "cards.json" / "deeper.json"
    with pytest.raises(KeptListError, match="could not be saved"):
        cards.rename(card.id, "b")
    assert cards.cards() == (card,)
