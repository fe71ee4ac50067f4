"""Numbers and documents in JSON, alike in every command (docs/formats.md)."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any


def json_text(document: dict[str, Any]) -> str:
    """The document as text; ValueError where a number in it is not finite."""
    return json.dumps(document, allow_nan=False, ensure_ascii=False, indent=1)


def number(value: float | None, decimals: int = 5) -> float | None:
    """A JSON number without noise digits; what is not finite becomes null."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals)


def numbers(values: Iterable[float] | None, decimals: int = 5) -> list[float | None] | None:
    """The same of several; null where there are none to give."""
    return None if values is None else [number(value, decimals) for value in values]
