"""One reading on its way into the notebook: all of this runs in the notebook's thread."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from app.notebook.records import LoggedReading, Posture
from app.notebook.store import Notebook
from measure.results import ScaleSummary, StrandReading

FIRST_SPIN: Final = "My spinning"
FIRST_BOBBIN: Final = "Bobbin 1"
_SAME_SITTING: Final = timedelta(minutes=30)
"""A sitting interrupted for less (a crash, a cup of tea) goes on."""
_MARGIN_WIDTHS: Final = 4.0
"""What is kept beside a strand, in its widths."""
_JPEG_QUALITY: Final = 85
_PICTURE_LONGEST_PX: Final = 1600


@dataclass(frozen=True)
class Bench:
    """What a reading is logged under."""

    bobbin: str
    """Its id; empty: the first reading makes a bobbin."""
    posture: Posture
    printed_card: str
    """What the print of the card is called, and its id; empty: nobody said which it is."""
    printed_card_id: str = ""
    spun_g: float | None = None
    note: str = ""


@dataclass(frozen=True, eq=False)
class LogEntry:
    """A reading and all that is kept with it."""

    bench: Bench
    sitting: str
    """Id of the sitting that goes on; empty: that is looked up, or begun."""
    strand: StrandReading
    scale: ScaleSummary | None
    taken_at: datetime
    source: str
    pixels: NDArray[np.uint8] | None
    """(rows, columns, 3) RGB that the strand is cut out of; nobody writes into it."""
    factor: float
    """Pixels here per pixel of the picture that was measured."""

    def commit(self, notebook: Notebook) -> tuple[LoggedReading, str]:
        """Log it, and tell the bobbin; makes that and the sitting where there is none yet."""
        bench = self.bench
        bobbin = bench.bobbin or _first_bobbin(notebook)
        logged = notebook.log(
            self.sitting or _sitting(notebook, bobbin, self.taken_at),
            self.strand,
            taken_at=self.taken_at,
            posture=bench.posture,
            printed_card=bench.printed_card,
            source=self.source,
            spun_g=bench.spun_g,
            note=bench.note,
            picture_jpeg=cut_out(self.pixels, self.strand, self.factor),
            scale=self.scale,
            printed_card_id=bench.printed_card_id,
        )
        return logged, bobbin


def _first_bobbin(notebook: Notebook) -> str:
    """The bobbin to go on with: that of the last sitting, else a first one."""
    latest = notebook.latest_bobbin()
    if latest is not None:
        return latest.id
    spins = notebook.spins()
    spin = spins[0] if spins else notebook.add_spin(FIRST_SPIN)
    bobbins = notebook.bobbins(spin.id)
    return (bobbins[-1] if bobbins else notebook.add_bobbin(spin.id, FIRST_BOBBIN)).id


def _sitting(notebook: Notebook, bobbin: str, now: datetime) -> str:
    """The sitting going on, or a new one."""
    sittings = notebook.sittings(bobbin)
    if sittings:
        last = sittings[-1]
        latest = last.ended_at or max(
            [r.taken_at for r in notebook.readings(bobbin) if r.sitting_id == last.id],
            default=last.begun_at,
        )
        if now - latest < _SAME_SITTING:
            return last.id
    return notebook.begin_sitting(bobbin, now).id


def cut_out(pixels: NDArray[np.uint8] | None, strand: StrandReading, factor: float) -> bytes | None:
    """JPEG of the strand and what lies next to it; None where nothing of it is in the picture.

    `pixels` is (rows, columns, 3) RGB, `factor` its pixels per pixel of the strand's outline.
    """
    if pixels is None:
        return None
    edges = np.concatenate([strand.outline.left_px, strand.outline.right_px]) * factor
    edges = edges[np.isfinite(edges).all(axis=1)]
    if not len(edges):
        return None
    margin = max(20.0, _MARGIN_WIDTHS * strand.width_px * factor)
    low = np.floor(np.maximum(edges.min(axis=0) - margin, 0)).astype(int)
    high = np.ceil(edges.max(axis=0) + margin).astype(int) + 1
    part: NDArray[Any] = pixels[low[1] : high[1], low[0] : high[0]]
    if part.size == 0:
        return None
    shrink = _PICTURE_LONGEST_PX / max(part.shape[:2])
    if shrink < 1.0:
        part = cv2.resize(part, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(part[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    )
    return data.tobytes() if done else None
