"""The cards a person has printed and what is known of their printers: a small JSON file."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, cast, get_args
from uuid import uuid4

from app.kept_list import KeptList, KeptListError, time_of
from app.sheet import Paper
from measure.card import CardKind, newest_card
from measure.printer_check import PrinterFactors
from measure.settings import Printer

FoundBy = Literal["ruler", "picture", "typed"]

FILE_NAME: Final = "printed-cards.json"
VERSION: Final = 1
LONGEST_NAME: Final = 60


@dataclass(frozen=True)
class FactorsFound:
    """A printer's factors, how they were found, and when."""

    factors: PrinterFactors
    by: FoundBy
    at: datetime


@dataclass(frozen=True)
class PrintedCard:
    """One card as it came out of a printer."""

    name: str
    kind: CardKind
    edition: int
    paper: Paper
    printed_at: datetime
    found: FactorsFound | None = None
    """None: its printer has not been checked."""
    id: str = field(default_factory=lambda: uuid4().hex)

    def printer(self) -> Printer:
        """For `measure.pipeline.Settings`; an unchecked printer is doubted, not corrected."""
        return self.found.factors.printer() if self.found else Printer()


@dataclass(frozen=True)
class _Content:
    cards: tuple[PrintedCard, ...] = ()
    chosen_id: str | None = None


class PrintedCards:
    """The printed cards and which of them is in use; `path` None is the usual place.

    Changes raise KeptListError when they cannot be written; nothing is changed then.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.file = KeptList("printed cards", VERSION, FILE_NAME, path)
        self._content = self.file.read(_parsed, _Content())
        self._before: list[_Content] = []

    def cards(self) -> tuple[PrintedCard, ...]:
        """All of them, in the order in which they were added."""
        return self._content.cards

    def chosen(self) -> PrintedCard | None:
        """The one in use, or None: no card was added yet, or it was forgotten."""
        return self.card(self._content.chosen_id) if self._content.chosen_id else None

    def card(self, card_id: str) -> PrintedCard | None:
        """The card of that id."""
        return next((card for card in self._content.cards if card.id == card_id), None)

    def printer(self) -> Printer:
        """That of the card in use; an unchecked one without."""
        card = self.chosen()
        return card.printer() if card else Printer()

    def add(
        self, name: str, kind: CardKind, paper: Paper, printed_at: datetime | None = None
    ) -> PrintedCard:
        """Add a card of the newest edition and use it from now on."""
        edition = newest_card(kind).edition
        when = printed_at or datetime.now(UTC)
        card = PrintedCard(self._free_name(name), kind, edition, paper, when)
        self._change(_Content((*self._content.cards, card), card.id))
        return card

    def choose(self, card_id: str) -> PrintedCard:
        """Use that card from now on."""
        card = self._known(card_id)
        self._change(replace(self._content, chosen_id=card_id))
        return card

    def rename(self, card_id: str, name: str) -> PrintedCard:
        """Give a card another name; KeptListError for a blank or taken one."""
        card = self._known(card_id)
        name = _tidy(name)
        if not name:
            raise KeptListError("A card needs a name.", "Type one.")
        if any(other.name == name and other.id != card_id for other in self._content.cards):
            raise KeptListError(f"Another card is called {name}.", "Choose a different name.")
        return self._put(replace(card, name=name))

    def set_factors(self, card_id: str, found: FactorsFound | None) -> PrintedCard:
        """Store what was found of a card's printer; None forgets it."""
        return self._put(replace(self._known(card_id), found=found))

    def forget(self, card_id: str) -> None:
        """Take a card off the list; `undo` brings it back."""
        self._known(card_id)
        left = tuple(card for card in self._content.cards if card.id != card_id)
        chosen = self._content.chosen_id
        if chosen == card_id:
            chosen = left[-1].id if left else None
        self._change(_Content(left, chosen))

    def can_undo(self) -> bool:
        """Whether there is a change of this session to take back."""
        return bool(self._before)

    def undo(self) -> None:
        """Take back the last change of this session."""
        if self._before:
            self._write(self._before[-1])
            self._content = self._before.pop()

    def _known(self, card_id: str) -> PrintedCard:
        card = self.card(card_id)
        if card is None:
            raise KeptListError("That card is not on the list any more.", "Choose another.")
        return card

    def _put(self, card: PrintedCard) -> PrintedCard:
        cards = tuple(card if old.id == card.id else old for old in self._content.cards)
        self._change(replace(self._content, cards=cards))
        return card

    def _change(self, content: _Content) -> None:
        self._write(content)
        self._before.append(self._content)
        self._content = content

    def _free_name(self, name: str) -> str:
        wanted = _tidy(name) or "Card"
        taken = {card.name for card in self._content.cards}
        if wanted not in taken:
            return wanted
        return next(n for i in range(2, len(taken) + 3) if (n := f"{wanted} {i}") not in taken)

    def _write(self, content: _Content) -> None:
        cards = [_as_json(card) for card in content.cards]
        self.file.write({"chosen": content.chosen_id, "cards": cards})


def _tidy(name: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in name).split())[:LONGEST_NAME]


def _as_json(card: PrintedCard) -> dict[str, Any]:
    data = asdict(card)
    data["printed_at"] = card.printed_at.isoformat()
    if card.found is not None:
        data["found"]["at"] = card.found.at.isoformat()
    return data


def _parsed(data: dict[str, Any]) -> _Content:
    cards = tuple(_card(item) for item in data["cards"])
    if len({card.id for card in cards}) != len(cards):
        raise ValueError("an id twice")
    chosen = data["chosen"]
    return _Content(cards, chosen if any(card.id == chosen for card in cards) else None)


def _card(item: dict[str, Any]) -> PrintedCard:
    kind, paper = item["kind"], item["paper"]
    if kind not in get_args(CardKind) or paper not in get_args(Paper):
        raise ValueError("no such card")
    found = None
    if item["found"] is not None:
        by = item["found"]["by"]
        if by not in get_args(FoundBy):
            raise ValueError("found by nothing known")
        values = [float(item["found"]["factors"][key]) for key in ("x", "y", "u_x", "u_y")]
        if not all(math.isfinite(value) and value > 0 for value in values):
            raise ValueError("no factors")
        factors = PrinterFactors(*values)
        factors.printer()  # refuses what no printer does
        found = FactorsFound(factors, cast(FoundBy, by), time_of(item["found"]["at"]))
    name, card_id = item["name"], item["id"]
    if not (isinstance(name, str) and isinstance(card_id, str) and _tidy(name) and card_id):
        raise ValueError("a card without a name")
    return PrintedCard(
        name=_tidy(name),
        kind=cast(CardKind, kind),
        edition=int(item["edition"]),
        paper=cast(Paper, paper),
        printed_at=time_of(item["printed_at"]),
        found=found,
        id=card_id,
    )
