"""What the skeins page shows of the notebook."""

from __future__ import annotations

from dataclasses import dataclass

from app import UseError
from app.notebook.records import Bobbin, Skein, Spin
from app.notebook.store import Notebook
from app.skein import LookedAt, look_at


@dataclass(frozen=True)
class SkeinShelf:
    """What the notebook gives: every skein with its spin, and the chosen one worked out."""

    spins: tuple[tuple[Spin, tuple[Bobbin, ...]], ...]
    skeins: tuple[tuple[Spin, Skein], ...]
    looked: LookedAt | None
    trouble: str = ""
    undo: str | None = None
    redo: str | None = None
    """What could be undone and done again."""


def look_up(notebook: Notebook, wanted: str, chart: str, wrap_factor: float) -> SkeinShelf:
    """In the notebook's thread: all skeins, and the wanted one, or the newest, worked out."""
    spins = notebook.spins()
    skeins = [(spin, skein) for spin in spins for skein in notebook.skeins(spin.id)]
    chosen = next((s for _, s in skeins if s.id == wanted), None)
    chosen = chosen or max((s for _, s in skeins), key=lambda s: s.made_at, default=None)
    looked, trouble = None, ""
    if chosen is not None:
        try:
            by = chosen.wanted.wanted_chart or chart
            looked = look_at(notebook, chosen.id, chart=by, wrap_factor=wrap_factor)
        except UseError as error:
            trouble = str(error)
    with_bobbins = tuple((spin, tuple(notebook.bobbins(spin.id))) for spin in spins)
    return SkeinShelf(
        with_bobbins, tuple(skeins), looked, trouble, notebook.undo_text, notebook.redo_text
    )
