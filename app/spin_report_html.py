"""A spin's report as one HTML file: drawings inline, pictures as data, no script, no network.

Whatever the spinner wrote is escaped: it is never read as markup. The page may load nothing, and
says so itself (Content Security Policy Level 3, W3C).
"""

from __future__ import annotations

import base64
import unicodedata
from html import escape
from typing import Final

from app.figure import svg
from app.spin_report import Block, Chapter, Drawn, Facts, Pictures, Says, SpinReport, Table

_POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"

_STYLE: Final = """
:root { color-scheme: light; }
body { margin: 0; background: #f6f4ef; color: #22211e;
  font: 16px/1.5 system-ui, "Segoe UI", Roboto, "Noto Sans", Helvetica, Arial, sans-serif; }
main { max-width: 54rem; margin: 0 auto; padding: 3rem 2rem 4rem; background: #fffdf9; }
h1 { font-size: 2rem; line-height: 1.2; margin: 0; }
h2 { font-size: 1.25rem; margin: 2.6rem 0 .6rem; padding-top: .7rem;
  border-top: 1px solid #d9d4c8; }
h1, h2, p, td, th, dd, dt, figcaption { overflow-wrap: anywhere; unicode-bidi: plaintext; }
p { margin: .5rem 0; white-space: pre-line; }
.quiet, figcaption, .under, footer { color: #67635a; font-size: .9rem; }
figure { margin: 1rem 0; }
svg { display: block; width: 100%; height: auto; font-family: inherit; }
dl { display: grid; grid-template-columns: minmax(7rem, max-content) 1fr; gap: .2rem 1.2rem; }
dt { color: #67635a; max-width: 14rem; } dd { margin: 0; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th { text-align: right; font-weight: 600; font-size: .9rem; color: #67635a; }
td { text-align: right; } th:first-child, td:first-child { text-align: left; }
th, td { padding: .3rem .6rem .3rem 0; border-bottom: 1px solid #e9e5da; vertical-align: top; }
.pictures { display: grid; grid-template-columns: repeat(auto-fill, minmax(16rem, 1fr));
  gap: 1rem; }
.pictures figure { margin: 0; } .pictures img { width: 100%; height: auto; display: block; }
footer { margin-top: 3rem; }
@media print { body, main { background: #fff; } main { padding: 0; max-width: none; }
  figure, table, dl { break-inside: avoid; } h2 { break-after: avoid; } }
"""


def report_html(report: SpinReport) -> str:
    """The whole page."""
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="referrer" content="no-referrer">',
        f"<title>{_text(report.title)}</title>",
        f"<style>{_STYLE}</style></head><body><main>",
        f"<header><h1>{_text(report.title)}</h1>",
        f'<p class="under">{_text(report.under)}</p></header>' if report.under else "</header>",
        *(_chapter(chapter) for chapter in report.chapters),
        f"<footer>{_text(report.foot)}</footer>",
        "</main></body></html>",
    ]
    return "\n".join(parts) + "\n"


def _chapter(chapter: Chapter) -> str:
    blocks = "\n".join(_block(block) for block in chapter.blocks)
    return f"<section><h2>{_text(chapter.title)}</h2>\n{blocks}\n</section>"


def _block(block: Block) -> str:
    if isinstance(block, Says):
        kind = ' class="quiet"' if block.quiet else ""
        return f"<p{kind}>{_text(block.text)}</p>"
    if isinstance(block, Facts):
        rows = "".join(f"<dt>{_text(f.name)}</dt><dd>{_text(f.text)}</dd>" for f in block.rows)
        return f"<dl>{rows}</dl>"
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Drawn):
        caption = f"<figcaption>{_text(block.caption)}</figcaption>" if block.caption else ""
        return f"<figure>{_without_controls(svg(block.figure))}{caption}</figure>"
    return _pictures(block)


def _table(table: Table) -> str:
    heads = "".join(f'<th scope="col">{_text(head)}</th>' for head in table.heads)
    rows = "".join(
        "<tr>" + "".join(f"<td>{_text(cell)}</td>" for cell in row) + "</tr>" for row in table.rows
    )
    return (
        f'<div class="wide"><table><thead><tr>{heads}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _pictures(pictures: Pictures) -> str:
    shown = "".join(
        f'<figure><img alt="{_text(p.caption)}" width="{p.width_px}" height="{p.height_px}" '
        f'src="data:image/jpeg;base64,{base64.b64encode(p.jpeg).decode("ascii")}">'
        f"<figcaption>{_text(p.caption)}</figcaption></figure>"
        for p in pictures.of
    )
    return f'<div class="pictures">{shown}</div>'


def _text(text: str) -> str:
    return escape(_without_controls(text))


def _without_controls(text: str) -> str:
    """No controls but line breaks, no halves of characters: HTML allows neither."""
    return "".join(
        c if c == "\n" or unicodedata.category(c) not in ("Cc", "Cs", "Cn") else " " for c in text
    )
