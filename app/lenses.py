"""The lenses of a person's cameras: a small JSON file, by camera and picture size."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from app.kept_list import KeptList, time_of
from measure.lens import Lens

FILE_NAME: Final = "lenses.json"
VERSION: Final = 1


@dataclass(frozen=True)
class KnownLens:
    """The lens of one camera at one picture size."""

    camera: str
    lens: Lens
    found_at: datetime


class Lenses:
    """Every lens that was worked out; `path` None is the usual place.

    Changes raise KeptListError when they cannot be written; nothing is changed then.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.file = KeptList("lenses", VERSION, FILE_NAME, path)
        none: tuple[KnownLens, ...] = ()
        self._known = self.file.read(_parsed, none)

    def lenses(self) -> tuple[KnownLens, ...]:
        """All of them."""
        return self._known

    def find(self, camera: str, width_px: int, height_px: int) -> KnownLens | None:
        """That of a camera for pictures of this size; none for another resolution."""
        return next(
            (
                known
                for known in self._known
                if known.camera == camera
                and (known.lens.width_px, known.lens.height_px) == (width_px, height_px)
            ),
            None,
        )

    def put(self, camera: str, lens: Lens, found_at: datetime | None = None) -> KnownLens:
        """Keep a camera's lens in place of what was known at this picture size."""
        new = KnownLens(camera, lens, found_at or datetime.now(UTC))
        self._change((*self._without(camera, lens.width_px, lens.height_px), new))
        return new

    def forget(self, camera: str, width_px: int, height_px: int) -> KnownLens | None:
        """Take a lens off the list and give it back, to be put again on second thoughts."""
        old = self.find(camera, width_px, height_px)
        if old is not None:
            self._change(self._without(camera, width_px, height_px))
        return old

    def _without(self, camera: str, width_px: int, height_px: int) -> tuple[KnownLens, ...]:
        old = self.find(camera, width_px, height_px)
        return tuple(known for known in self._known if known is not old)

    def _change(self, known: tuple[KnownLens, ...]) -> None:
        lenses = [{**asdict(one), "found_at": one.found_at.isoformat()} for one in known]
        self.file.write({"lenses": lenses})
        self._known = known


def _parsed(data: dict[str, Any]) -> tuple[KnownLens, ...]:
    return tuple(_known(item) for item in data["lenses"])


def _known(item: dict[str, Any]) -> KnownLens:
    lens = item["lens"]
    x, y = (float(value) for value in lens["centre_px"])
    if not isinstance(item["camera"], str):
        raise ValueError("no lens")
    return KnownLens(
        item["camera"],
        Lens(
            focal_px=float(lens["focal_px"]),
            centre_px=(x, y),
            k1=float(lens["k1"]),
            k2=float(lens["k2"]),
            u_focal_relative=float(lens["u_focal_relative"]),
            residual_px=float(lens["residual_px"]),
            views=int(lens["views"]),
            width_px=int(lens["width_px"]),
            height_px=int(lens["height_px"]),
        ),
        time_of(item["found_at"]),
    )
