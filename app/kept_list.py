"""What a person keeps beside the notebook: printed cards, lenses. Small JSON files, one for each.

Every change is written at once and whole. A file that cannot be understood is moved aside, never
overwritten, and told.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from app.whole_file import move_aside, write_whole

T = TypeVar("T")


class KeptListError(Exception):
    """What was asked of a list could not be done: `text` says why, `advice` what to do."""

    def __init__(self, text: str, advice: str) -> None:
        super().__init__(text, advice)
        self.text = text
        self.advice = advice

    def __str__(self) -> str:
        return self.text


class KeptList:
    """The file of one list. `what` names it in sentences; `path` None: in the settings' folder."""

    def __init__(self, what: str, version: int, file_name: str, path: Path | None) -> None:
        self.path = path or _settings_folder() / file_name
        self.trouble = ""
        """A sentence when the file could not be understood, else ""."""
        self._what = what
        self._version = version

    def read(self, parse: Callable[[dict[str, Any]], T], empty: T) -> T:
        """What `parse` makes of the file's JSON, `empty` where there is none or it is damaged.

        For whatever is not its own, `parse` raises ValueError, KeyError, TypeError or
        AttributeError.
        """
        try:
            data = json.loads(self.path.read_text("utf-8"))
            if data["version"] != self._version:
                raise ValueError("another version")
            return parse(data)
        except FileNotFoundError:
            return empty
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            self._put_aside(error)
            return empty

    def write(self, data: dict[str, Any]) -> None:
        """Write it all; KeptListError when that cannot be done, and the old file is still there."""
        text = json.dumps({"version": self._version, **data}, indent=1, ensure_ascii=False)
        try:
            write_whole(self.path, text + "\n")
        except OSError as error:
            raise KeptListError(
                f"The list of {self._what} could not be saved: {error.strerror or error}.",
                f"See that {self.path.parent} can be written to and the disk is not full.",
            ) from error

    def _put_aside(self, error: Exception) -> None:
        aside = move_aside(self.path)
        if aside is None:
            self.trouble = (
                f"The list of {self._what} ({self.path}) could not be read "
                f"({type(error).__name__}); it starts empty."
            )
        else:
            self.trouble = (
                f"The list of {self._what} was damaged and is kept as {aside.name}; "
                "it starts empty."
            )


def time_of(text: str) -> datetime:
    """A time that was written with its zone; ValueError without one."""
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError("a time without its zone")
    return when


def _settings_folder() -> Path:
    from platformdirs import user_config_path

    return user_config_path("slubwise", appauthor=False)
