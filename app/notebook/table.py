"""A notebook's readings, or its skeins' sections, as CSV for spreadsheets and programs (RFC 4180).

A text that a spreadsheet would run as a formula gets an apostrophe in front (the advice of OWASP's
page "CSV Injection", from memory); `text_of_cell` takes it away again. Numbers stay numbers.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path
from typing import Any, Final

from app.notebook.exchange import writing
from app.notebook.store import Notebook

COLUMNS: Final = (
    "spin", "bobbin", "sitting_begun_at", "number", "taken_at", "posture", "diameter_mm",
    "u_diameter_mm", "diameter_low_mm", "diameter_high_mm", "cv_percent", "length_mm",
    "turns_per_inch", "twist", "spun_g", "printed_card", "source", "note", "has_picture", "id",
    "u_shared_mm", "scale_from", "printed_card_id",
)  # fmt: skip
"""Columns, one row per reading; units are in the names."""

SECTION_CSV_COLUMNS: Final = (
    "spin", "skein", "number", "taken_at", "washed", "layer", "hour", "diameter_mm",
    "u_diameter_mm", "diameter_low_mm", "diameter_high_mm", "cv_percent", "length_mm",
    "turns_per_inch", "twist", "printed_card", "source", "note", "id",
)  # fmt: skip
"""Columns of the sections of skeins, one row per section."""

_FORMULA: Final = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")

_QUESTION: Final = """
    SELECT p.name, b.name, s.begun_at, r.number, r.taken_at, r.posture, r.diameter_mm,
        r.u_diameter_mm, r.low_mm, r.high_mm, r.cv_percent, r.length_mm, r.turns_per_inch, r.twist,
        r.spun_g, r.printed_card, r.source, r.note, r.has_picture, r.id,
        r.u_shared_mm, r.scale_from, r.printed_card_id
    FROM spin p JOIN bobbin b ON b.spin_id = p.id JOIN reading r ON r.bobbin_id = b.id
        JOIN sitting s ON s.id = r.sitting_id
    WHERE (:spin = '' OR p.id = :spin) AND p.deleted_at IS NULL AND b.deleted_at IS NULL
        AND r.taken_back_at IS NULL
    ORDER BY p.made_at, p.id, b.place, b.made_at, b.id, r.number
"""

_SECTIONS_QUESTION: Final = """
    SELECT p.name, k.name, t.number, t.taken_at, t.washed, t.layer, t.hour, t.diameter_mm,
        t.u_diameter_mm, t.low_mm, t.high_mm, t.cv_percent, t.length_mm, t.turns_per_inch, t.twist,
        t.printed_card, t.source, t.note, t.id
    FROM spin p JOIN skein k ON k.spin_id = p.id JOIN section t ON t.skein_id = k.id
    WHERE (:spin = '' OR p.id = :spin) AND p.deleted_at IS NULL AND k.deleted_at IS NULL
        AND t.taken_back_at IS NULL
    ORDER BY p.made_at, p.id, k.made_at, k.id, t.number
"""


def export_csv(notebook: Notebook, target: Path, spin_id: str = "") -> int:
    """Write every reading that stands, one row each, of one spin or of all; gives how many."""
    return _export(notebook, target, COLUMNS, _QUESTION, spin_id)


def export_sections_csv(notebook: Notebook, target: Path, spin_id: str = "") -> int:
    """The same of the sections of skeins."""
    return _export(notebook, target, SECTION_CSV_COLUMNS, _SECTIONS_QUESTION, spin_id)


def _export(
    notebook: Notebook, target: Path, columns: tuple[str, ...], question: str, spin_id: str
) -> int:
    with notebook.connection_beside() as db, writing(target, "") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(columns)
        count = 0
        for row in db.execute(question, {"spin": spin_id}):
            writer.writerow([_cell(value) for value in row])
            count += 1
        return count


def cell_of_text(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def text_of_cell(cell: str) -> str:
    """The text that `cell_of_text` was given."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        return cell_of_text(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
