"""Small files that are never half written and never overwritten when they cannot be understood."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write a file so that it is the old one or the new one at any moment, never half of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".new")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise


def move_aside(path: Path) -> Path | None:
    """Give a damaged file a name of its own and tell it; None where that cannot be done."""
    aside = path.with_name(f"{path.stem}-damaged{path.suffix}")
    number = 2
    while aside.exists():
        aside = path.with_name(f"{path.stem}-damaged-{number}{path.suffix}")
        number += 1
    try:
        return path.replace(aside)
    except OSError:
        return None
