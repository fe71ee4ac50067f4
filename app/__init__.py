"""Everything that a person touches: commands, printed card, tables, drawings."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


class UseError(Exception):
    """The program was asked for something that it cannot do; its text says what to do instead."""


def program_version() -> str:
    """The installed version, as `slubwise --version` says it."""
    try:
        return version("slubwise")
    except PackageNotFoundError:
        return "0 (not installed)"
