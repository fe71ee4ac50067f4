"""What a reading shares with others: how much of its doubt, and the scale it came from.

The notebook's lists carry both, so that drift and comparisons need not unpack every reading.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import suppress

from app.notebook.plain import from_plain, plain_of_packed
from measure.results import ScaleSummary, StrandReading, shared_doubt_mm

Told = Callable[[float], None]
"""Hears how much of something long is done, 0 to 1; what it raises calls it off."""


def unheard(share: float) -> None:
    """Told to nobody."""


def known_shared(strand: StrandReading) -> float | None:
    """The doubt a strand shares with others taken its way, mm; None when it is not known."""
    return _known(strand.budget_mm, strand.u_diameter_mm)


def _known(budget_mm: Mapping[str, float], u_diameter_mm: float) -> float | None:
    shared = float(shared_doubt_mm(budget_mm, u_diameter_mm)) if budget_mm else math.nan
    return shared if math.isfinite(shared) else None


def scale_text(scale: ScaleSummary | None) -> str:
    """Where millimetres came from: "card desk 1", "dpi", "marks"; empty when nobody knows."""
    return "" if scale is None else scale_words(scale.source, scale.card)


def scale_words(source: object, card: object) -> str:
    """The same from a scale's two fields as JSON has them."""
    return " ".join(word for word in (source, card) if isinstance(word, str) and word)


def fill_in_what_is_shared(db: sqlite3.Connection, told: Told = unheard) -> None:
    """Give each reading that has none its shared doubt and its scale, from all that it said.

    A reading that does not unpack stays without; `Notebook.check` tells of it.
    """
    (end,) = db.execute("SELECT max(rowid) FROM reading").fetchone()
    last = 0
    while some := db.execute(_BARE, (last,)).fetchall():
        last = some[-1][0]
        db.executemany(
            "UPDATE reading SET u_shared_mm = ?, scale_from = ? WHERE rowid = ?",
            [(*_shared_of(packed, scale), rowid) for rowid, packed, scale in some],
        )
        told(last / end)


_BARE = """
    SELECT r.rowid, d.strand, d.scale FROM reading r JOIN detail d ON d.reading_id = r.id
    WHERE r.rowid > ? AND r.u_shared_mm IS NULL ORDER BY r.rowid LIMIT 1000
"""


def _shared_of(packed: bytes, scale: str | None) -> tuple[float | None, str]:
    shared, words = None, ""
    with suppress(ValueError, TypeError, KeyError, AttributeError):
        plain = plain_of_packed(packed)
        budget = from_plain(dict[str, float], plain["budget_mm"])
        shared = _known(budget, from_plain(float, plain["u_diameter_mm"]))
    with suppress(ValueError, TypeError, AttributeError):
        plain = {} if scale is None else json.loads(scale)
        words = scale_words(plain.get("source"), plain.get("card"))
    return shared, words
