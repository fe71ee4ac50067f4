"""Results as their bits, to compare without a tolerance."""

from __future__ import annotations

import dataclasses
import struct
from typing import Any

import numpy as np


def bits(value: Any) -> Any:
    """A value with floats and arrays as their bytes, so that equal means the same bits."""
    if isinstance(value, np.ndarray):
        if value.dtype.kind == "f":
            return value.shape, value.astype("<f8").tobytes()
        return value.shape, value.tolist()
    if dataclasses.is_dataclass(value):
        return [bits(getattr(value, field.name)) for field in dataclasses.fields(value)]
    if isinstance(value, dict):
        return [(key, bits(item)) for key, item in value.items()]
    if isinstance(value, tuple):
        return [bits(item) for item in value]
    return struct.pack("<d", value) if isinstance(value, float) else value
