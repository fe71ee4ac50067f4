"""A large JSON object read bit by bit: its members, and the members' elements one at a time."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import IO, Any, Final

_CHUNK: Final = 1 << 20
_SPACE: Final = " \t\n\r"
_LARGEST: Final = 1 << 28
"""Characters that a single element may have."""


def members(file: IO[str]) -> Iterator[tuple[str, Any]]:
    """Members of the object in `file` as (name, value); of a list, (name, element) for each.

    Raises ValueError when it is not JSON (RFC 8259), or no object, or goes on after its end.
    """
    text = _Text(file)
    text.take("{")
    if text.peek() != "}":
        while True:
            name = text.value()
            if not isinstance(name, str):
                raise ValueError("a member has no name")
            text.take(":")
            if text.peek() == "[":
                for element in _elements(text):
                    yield name, element
            else:
                yield name, text.value()
            if text.peek() != ",":
                break
            text.take(",")
    text.take("}")
    if text.peek():
        raise ValueError("it goes on after its end")


def _elements(text: _Text) -> Iterator[Any]:
    text.take("[")
    if text.peek() != "]":
        while True:
            yield text.value()
            if text.peek() != ",":
                break
            text.take(",")
    text.take("]")


class _Text:
    """A file with a place in it, of which only what is needed is in memory."""

    def __init__(self, file: IO[str]) -> None:
        self._file = file
        self._text = ""
        self._at = 0
        self._decoder = json.JSONDecoder(parse_constant=_refuse)

    def peek(self) -> str:
        """The next character that is no space; empty at the end."""
        while True:
            while self._at < len(self._text) and self._text[self._at] in _SPACE:
                self._at += 1
            if self._at < len(self._text):
                return self._text[self._at]
            if not self._more():
                return ""

    def take(self, character: str) -> None:
        """Step over this character, which must come next."""
        found = self.peek()
        if found != character:
            raise ValueError(f"{found or 'its end'} stands where {character} should")
        self._at += 1

    def value(self) -> Any:
        """The JSON value that comes next."""
        self.peek()
        while True:
            try:
                value, end = self._decoder.raw_decode(self._text, self._at)
            except RecursionError:
                raise ValueError("it is nested too deeply") from None
            except json.JSONDecodeError as error:
                if not self._more():
                    raise ValueError(error.msg) from None
                continue
            # A number at the end of what is in memory may go on: 1, 1. or 1e+ may become 1e+5.
            rest = self._text[end : end + 3]
            if len(rest) < 3 and not rest.strip(".eE+-") and self._more():
                continue
            self._at = end
            return value

    def _more(self) -> bool:
        """Read on, at least as much as is held, so that a long value is not begun too often."""
        rest = len(self._text) - self._at
        if rest > _LARGEST:
            raise ValueError("one part of it is too large")
        chunk = self._file.read(max(_CHUNK, rest))
        self._text = self._text[self._at :] + chunk
        self._at = 0
        return bool(chunk)


def _refuse(name: str) -> Any:
    raise ValueError(f"{name} is no JSON")
