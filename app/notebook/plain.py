"""Frozen results to plain JSON data and back, without losing a bit.

What a record holds follows from its own type hints, so a figure that the instrument learns to
tell is kept without a change here. Numbers are Python's shortest that come back the same (IEEE
754 binary64); what JSON has no number for is the text "NaN", "Infinity" or "-Infinity". For the
notebook the arrays are set apart: neighbouring values differ little, so the differences of their
bit patterns, all first bytes before all second bytes, squeeze well.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import types
import zlib
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from measure.results import Floats, StrandReading

_NOT_NUMBERS: Final = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf}
_MOST_BYTES: Final = 1 << 28
"""A strand never needs more; a file made to swell without end does."""


def to_plain(value: object, apart: list[Floats] | None = None) -> Any:
    """Plain JSON data of a record; arrays of numbers go to the end of `apart` when it is given."""
    if isinstance(value, np.ndarray):
        if value.dtype.kind == "f" and apart is not None:
            apart.append(value.astype(np.float64, copy=False))
            return {"shape": list(value.shape)}
        if value.size == 0 and value.ndim > 1:
            return {"shape": list(value.shape)}  # as a list it would not tell its columns
        return to_plain(value.tolist())
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, float) and not math.isfinite(value):
        return str(value).replace("nan", "NaN").replace("inf", "Infinity")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: to_plain(getattr(value, field.name), apart)
            for field in dataclasses.fields(value)
        }
    if isinstance(value, Mapping):
        return {str(key): to_plain(item, apart) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(item, apart) for item in value]
    if value is None or isinstance(value, str | int | float):
        return value
    raise TypeError(f"{type(value).__name__} has no plain form")


def from_plain(kind: Any, plain: object, apart: list[Floats] | None = None, at: str = "") -> Any:
    """The value of type `kind` that `to_plain` gave `plain` for.

    Arrays are taken from the front of `apart` when it is given. `at` says where in the whole it
    stands. Raises ValueError, naming that place, when `plain` is not of that kind.
    """
    origin = get_origin(kind)
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        return _record(kind, plain, apart, at)
    if origin is np.ndarray:
        return _array(kind, plain, apart, at)
    if origin in (Union, types.UnionType):
        (inner,) = (k for k in get_args(kind) if k is not type(None))
        return None if plain is None else from_plain(inner, plain, apart, at)
    if origin is Literal:
        if isinstance(plain, str) and plain in get_args(kind):
            return plain
    elif origin is tuple:
        if isinstance(plain, list):
            kinds = get_args(kind)
            if kinds[-1] is Ellipsis:
                kinds = (kinds[0],) * len(plain)
            if len(kinds) == len(plain):
                return tuple(
                    from_plain(k, item, apart, f"{at}[{i}]")
                    for i, (k, item) in enumerate(zip(kinds, plain, strict=True))
                )
    elif origin is dict:
        if isinstance(plain, dict):
            _, inner = get_args(kind)
            return {
                key: from_plain(inner, item, apart, f"{at}.{key}") for key, item in plain.items()
            }
    elif kind is float:
        if isinstance(plain, str) and plain in _NOT_NUMBERS:
            return _NOT_NUMBERS[plain]
        if isinstance(plain, int | float) and not isinstance(plain, bool):
            return float(plain)
    elif kind in (int, str, bool):
        if type(plain) is kind:
            return plain
    elif kind is datetime:
        if isinstance(plain, str):
            with suppress(ValueError, OverflowError):
                time = datetime.fromisoformat(plain)
                if time.tzinfo is not None:
                    return time.astimezone(UTC)
    else:
        raise TypeError(f"no plain form of {kind} is known")
    raise ValueError(f"{at or 'it'} is not what it should be")


@functools.cache
def _fields(kind: type) -> tuple[tuple[str, Any, bool], ...]:
    """Name, type and whether it must be there, of every field."""
    hints = get_type_hints(kind)
    missing = dataclasses.MISSING
    return tuple(
        (f.name, hints[f.name], f.default is missing and f.default_factory is missing)
        for f in dataclasses.fields(kind)
    )


def _record(kind: type, plain: object, apart: list[Floats] | None, at: str) -> Any:
    if not isinstance(plain, dict):
        raise ValueError(f"{at or 'it'} is not what it should be")
    given = {}
    for name, inner, needed in _fields(kind):
        where = f"{at}.{name}" if at else name
        if name in plain:
            given[name] = from_plain(inner, plain[name], apart, where)
        elif needed:
            raise ValueError(f"{where} is missing")
    return kind(**given)


def _array(kind: Any, plain: object, apart: list[Floats] | None, at: str) -> NDArray[Any]:
    (wanted,) = get_args(get_args(kind)[1])
    if isinstance(plain, dict) and apart is not None:
        if not apart or list(apart[0].shape) != plain.get("shape"):
            raise ValueError(f"{at} does not fit its array")
        return apart.pop(0)
    if isinstance(plain, dict) and 0 in (shape := _shapes(plain)[0] if _shapes(plain) else ()):
        return np.zeros(shape)
    if not isinstance(plain, list):
        raise ValueError(f"{at} is not a list")
    if issubclass(wanted, np.str_):
        return np.array([from_plain(str, v, None, at) for v in plain], dtype=np.str_)
    rows = [
        [from_plain(float, v, None, at) for v in row]
        if isinstance(row, list)
        else from_plain(float, row, None, at)
        for row in plain
    ]
    try:
        return np.array(rows, dtype=np.float64)
    except ValueError:
        raise ValueError(f"{at} is not a table of numbers") from None


def pack(strand: StrandReading) -> tuple[bytes, bytes]:
    """A strand for the notebook: its JSON and its arrays, both squeezed."""
    arrays: list[Floats] = []
    text = json.dumps(to_plain(strand, arrays), allow_nan=False, ensure_ascii=False)
    flat = np.concatenate([np.zeros(0), *(a.T.ravel() for a in arrays)])
    steps = np.diff(flat.astype("<f8").view("<u8"), prepend=np.uint64(0))
    planes = steps.astype("<u8").view(np.uint8).reshape(-1, 8).T
    return zlib.compress(text.encode()), zlib.compress(planes.tobytes())


def unpack(text: bytes, arrays: bytes) -> StrandReading:
    """The strand that `pack` was given; ValueError when the bytes are not what it made."""
    try:
        plain = json.loads(_inflated(text))
        planes = np.frombuffer(_inflated(arrays), np.uint8).reshape(8, -1)
        steps = np.ascontiguousarray(planes.T).view("<u8").ravel()
        flat = np.cumsum(steps, dtype=np.uint64).view(np.float64)
        apart = list(_split(flat, _shapes(plain)))
        strand: StrandReading = from_plain(StrandReading, plain, apart)
    except (zlib.error, RecursionError, OverflowError) as error:
        raise ValueError(str(error)) from error
    if apart:
        raise ValueError("more arrays than the strand has")
    return strand


def plain_of_packed(text: bytes) -> Any:
    """The JSON of a strand as `pack` made it, arrays left apart; ValueError when it is not whole.

    For what is wanted of many strands and needs none of their profiles.
    """
    try:
        return json.loads(_inflated(text))
    except (zlib.error, RecursionError) as error:
        raise ValueError(str(error)) from error


def is_whole(packed: bytes) -> bool:
    """Whether squeezed bytes come out whole: their own checksum (RFC 1950, Adler-32) is right."""
    try:
        _inflated(packed)
    except (zlib.error, ValueError):
        return False
    return True


def _inflated(packed: bytes) -> bytes:
    inflater = zlib.decompressobj()
    out = inflater.decompress(packed, _MOST_BYTES)
    if not inflater.eof:
        raise ValueError("cut short, or swollen")
    return out


def _shapes(plain: object) -> list[tuple[int, ...]]:
    """The shapes of the arrays set apart, in their order."""
    if isinstance(plain, dict):
        shape = plain.get("shape")
        if isinstance(shape, list) and len(plain) == 1:
            return [tuple(map(int, shape))]
        return [s for item in plain.values() for s in _shapes(item)]
    if isinstance(plain, list):
        return [s for item in plain for s in _shapes(item)]
    return []


def _split(flat: Floats, shapes: list[tuple[int, ...]]) -> list[Floats]:
    parts, start = [], 0
    for shape in shapes:
        stop = start + math.prod(shape)
        parts.append(np.ascontiguousarray(flat[start:stop].reshape(shape[::-1]).T))
        start = stop
    if start != len(flat):
        raise ValueError("the arrays are not as long as they should be")
    return parts
