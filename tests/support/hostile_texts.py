"""Names and notes that try something: each must stay what it is and do nothing."""

from __future__ import annotations

from typing import Final

HOSTILE_TEXTS: Final = (
    '=HYPERLINK("http://example.invalid","click")',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1,2)",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    "＝1+1",
    "'=already quoted",
    "''=twice",
    "'twas",
    "'",
    'say "hello", twice; or\r\nthrice',
    "'; DROP TABLE reading; --",
    "% _ \\ ? :id",
    "../../etc/passwd",
    "C:\\Windows\\..\\x",
    "CON",
    "<script>alert(1)</script><b>&amp;",
    "[bold red]markup[/]",
    "]]><!--",
    "{0.__class__} %s %n",
    "שלום \u202egnp.exe\u202c \u2066x\u2069",
    "🧶👩🏽\u200d🌾 ﷽ e\u0301 Z\u0335\u0321",
    "\x00 NUL \x00 within \x1b[31m \x7f",
    "\ufeffbyte order",
    "a\u2028line\u2029end\x85here",
    " leading and trailing ",
    "long " * 2000,
)
"""Formula starts, quotes, path pieces, markup, right-to-left, emoji, control characters, length."""
