"""People's own words in tooltips, buttons and menus, where marks in them would mean something."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from typing import Final

_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))
"""Embeddings, overrides and isolates of the Unicode bidirectional algorithm (UAX 9, 2.1 to 2.4);
right-to-left scripts need none of them."""

_ADDED_KEY: Final = re.compile(r" \(&\w\)$")


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
    """The text on a button or a menu, without the mark of its key or a key added at its end."""
    label = _ADDED_KEY.sub("", label)
    return "&".join(part.replace("&", "") for part in label.split("&&"))


def keys_table(title: str, keys: Sequence[tuple[str, str]]) -> str:
    """Keys and what they do under a title, as HTML."""
    rows = "".join(
        f"<tr><td><b>{_unbroken(key)}</b>&nbsp;&nbsp;</td><td>{_unbroken(words)}</td></tr>"
        for key, words in keys
    )
    return f"<p><i>{escape(title)}</i></p><table>{rows}</table>"


def _unbroken(words: str) -> str:
    return escape(words).replace(" ", "&nbsp;")
