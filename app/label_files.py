"""Labels written to files: one PDF, or a PNG for each page."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from app import UseError
from app.bobbin_sources import one_line
from app.sheet import Paper
from app.skein_label import Label


def write_labels(
    labels: Sequence[Label],
    out: Path | None,
    paper: Paper | None,
    *,
    copies: int = 1,
    dpi: int = 300,
) -> list[str]:
    """Write so many of each and say what was written, a sentence each.

    `out` ends in .pdf or .png; None: a PDF in this folder, named like the first skein. UseError
    when a label does not hold its words, or the file cannot be written.
    """
    if out is None:
        out = Path(f"{file_stem(labels[0])}.pdf")
    ending = out.suffix.lower()
    if ending not in (".pdf", ".png"):
        raise UseError(f"{out} is named neither .pdf nor .png; end the name in one of them.")
    try:
        from app.label_sheet import label_pdf, label_png, set_label

        done = [set_label(label) for label in labels]
    except ImportError as error:
        raise UseError(
            f"labels are drawn with Qt, which does not load here ({error}). Install what it names; "
            "--listing works without it."
        ) from error
    many = [one for one in done for _ in range(copies)]
    said = []
    if ending == ".pdf":
        _write(out, label_pdf(many, paper=paper, title=f"Skein label, {one_line(labels[0].name)}"))
        said.append(f"Wrote {out}: print it at 100 %, no fit to page.")
    else:
        pages = label_png(many, paper=paper, dpi=dpi)
        for number, page in enumerate(pages, start=1):
            file = out if len(pages) == 1 else out.with_name(f"{out.stem}-{number}{out.suffix}")
            _write(file, page)
            said.append(f"Wrote {file}: true size at {dpi} pixels per inch.")
    if any(len(one.sides) > 1 for one in done):
        said.append("The maker's words go on a second side; on paper, flip on the long edge.")
    missing = "".join(dict.fromkeys("".join(one.missing for one in done)))
    if missing:
        shown = " ".join(missing[:12])
        said.append(
            f"No font of this system has {shown}: they are empty boxes on the label. Install a "
            "font with them and write it again."
        )
    return said


def file_stem(label: Label) -> str:
    """A file name that every system takes."""
    stem = re.sub(r"[^\w -]+", "", one_line(label.name)).strip(" .") or "skein"
    return f"label-{stem[:60]}"


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        raise UseError(
            f"{file} could not be written ({error.strerror or error}). Choose another place."
        ) from error
