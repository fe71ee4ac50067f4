"""The lenses of a person's cameras: a small JSON file, by camera and picture size."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from app.whole_file import move_aside, write_whole
from measure.lens import Lens

FILE_NAME: Final = "lenses.json"
VERSION: Final = 1


class LensesError(Exception):
    """The lenses could not be saved: `text` says why, `advice` what to do."""

    def __init__(self, text: str, advice: str) -> None:
        super().__init__(text, advice)
        self.text = text
        self.advice = advice

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class KnownLens:
    """The lens of one camera at one picture size."""

    camera: str
    lens: Lens
    found_at: datetime


def default_path() -> Path:
    """Where the lenses are kept: in the person's folder for settings."""
    from platformdirs import user_config_path

    return user_config_path("slubwise", appauthor=False) / FILE_NAME


class Lenses:
    """Every lens that was worked out; `path` None is `default_path()`.

    `trouble` is a sentence when the file could not be understood and was moved aside, else "".
    Changes raise LensesError when they cannot be written; nothing is changed then.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or default_path()
        self.trouble = ""
        self._known = self._read()

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
        data = {
            "version": VERSION,
            "lenses": [{**asdict(one), "found_at": one.found_at.isoformat()} for one in known],
        }
        try:
            write_whole(self.path, json.dumps(data, indent=1, ensure_ascii=False) + "\n")
        except OSError as error:
            raise LensesError(
                f"The lens could not be saved: {error.strerror or error}.",
                f"See that {self.path.parent} can be written to and the disk is not full.",
            ) from error
        self._known = known

    def _read(self) -> tuple[KnownLens, ...]:
        try:
            data = json.loads(self.path.read_text("utf-8"))
            if data["version"] != VERSION:
                raise ValueError("another version")
            return tuple(_known(item) for item in data["lenses"])
        except FileNotFoundError:
            return ()
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            aside = move_aside(self.path)
            kept = f" and is kept as {aside.name}" if aside else ""
            self.trouble = f"The list of lenses was damaged{kept}; it starts empty."
            return ()


def _known(item: dict[str, Any]) -> KnownLens:
    lens = item["lens"]
    x, y = (float(value) for value in lens["centre_px"])
    found_at = datetime.fromisoformat(item["found_at"])
    if not isinstance(item["camera"], str) or found_at.tzinfo is None:
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
        found_at,
    )
