"""People's own words in tooltips, buttons and menus, where marks in them would mean something."""

from __future__ import annotations

from html import escape
from typing import Final

_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))
"""Embeddings, overrides and isolates of the Unicode bidirectional algorithm (UAX 9, 2.1 to 2.4);
right-to-left scripts need none of them."""


def tip_of(text: str) -> str:
    """A tooltip that shows just this text, wrapped, whatever marks are in it."""
    return f'<p style="white-space: pre-wrap">{escape(forward(text))}</p>' if text else ""


def forward(text: str) -> str:
    """A text without the marks that turn the writing direction: they would turn what follows."""
    return text.translate(_TURNING)


def label_of(text: str) -> str:
    """A text for a button or a menu: its ampersands are its own."""
    return text.replace("&", "&&")


def words_of(label: str) -> str:
    """The text on a button or a menu, without the mark of its key."""
    return "&".join(part.replace("&", "") for part in label.split("&&"))
