"""What was read on each bobbin of a spin, apart by how the strand lay: they are not comparable."""

from __future__ import annotations

from dataclasses import dataclass

from app.notebook.records import POSTURES, Posture
from app.notebook.store import Notebook


@dataclass(frozen=True)
class PostureTally:
    """The readings of one bobbin in one posture; those taken back are not counted."""

    posture: Posture
    readings: int
    mean_diameter_mm: float


def by_posture(notebook: Notebook, spin_id: str) -> dict[str, tuple[PostureTally, ...]]:
    """The tallies of each bobbin that was read, by its id, in the order of `POSTURES`.

    NotebookError when the notebook cannot be read.
    """
    found: dict[str, list[PostureTally]] = {}
    with notebook.connection_beside() as db:
        for bobbin_id, posture, readings, mean in db.execute(
            "SELECT r.bobbin_id, r.posture, count(*), avg(r.diameter_mm) FROM bobbin b "
            "JOIN reading r ON r.bobbin_id = b.id "
            "WHERE b.spin_id = ? AND r.taken_back_at IS NULL GROUP BY r.bobbin_id, r.posture",
            (spin_id,),
        ):
            found.setdefault(bobbin_id, []).append(PostureTally(posture, readings, mean))
    return {
        bobbin_id: tuple(sorted(tallies, key=lambda tally: POSTURES.index(tally.posture)))
        for bobbin_id, tallies in found.items()
    }
