"""A spin's report written to files: one to read, and the data behind it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from app import UseError, program_version
from app.compare_json import bobbin_object, compare_object
from app.forecast import as_object
from app.json_text import json_text
from app.skein_json import skein_object
from app.spin_report import SpinFound, Units, report_of

if TYPE_CHECKING:
    from app.notebook.store import Notebook
    from app.sheet import Paper

ENDINGS: Final = (".pdf", ".html", ".htm")
_TOLERANCE_PERCENT: Final = 2.0


def check_name(out: Path) -> None:
    """UseError unless the name says which kind of report is wanted."""
    if out.suffix.lower() not in ENDINGS:
        raise UseError(f"{out} is named neither .pdf nor .html; end the name in one of them.")


def write_report(found: SpinFound, out: Path, *, units: Units = "mm", paper: Paper = "a4") -> None:
    """Write the report, as the name's ending says; it is there whole or not at all."""
    check_name(out)
    report = report_of(found, units)
    if out.suffix.lower() == ".pdf":
        try:
            from app.spin_report_pdf import report_pdf

            content = report_pdf(report, paper)
        except ImportError as error:
            raise UseError(
                f"the PDF is drawn with Qt, which does not load here ({error}). Install what it "
                "names, or end the name in .html."
            ) from error
    else:
        from app.spin_report_html import report_html

        content = report_html(report).encode("utf-8")
    _write(out, content)


def write_data(notebook: Notebook, found: SpinFound, folder: Path) -> list[Path]:
    """Write `report.json`, `readings.csv` and `sections.csv`; gives the files."""
    from app.notebook.table import export_csv, export_sections_csv

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UseError(
            f"{folder} could not be made ({error.strerror or error}). Choose another with --data."
        ) from error
    files = [folder / name for name in ("report.json", "readings.csv", "sections.csv")]
    text = json_text(report_object(found))
    _write(files[0], f"{text}\n".encode("utf-8", errors="replace"))
    export_csv(notebook, files[1], found.spin.id)
    export_sections_csv(notebook, files[2], found.spin.id)
    return files


def report_object(found: SpinFound) -> dict[str, Any]:
    """Everything worked out of a spin as plain data (docs/formats.md)."""
    spin, aim = found.spin, found.spin.aim
    return {
        "slubwise": program_version(),
        "spin": {
            "name": spin.name,
            "fibre": spin.fibre,
            "colour_note": spin.colour_note,
            "prepared_g": spin.prepared_g,
            "note": spin.note,
            "aim": {
                "band_low_mm": aim.band_low_mm,
                "band_high_mm": aim.band_high_mm,
                "plies": aim.plies,
                "class_name": aim.class_name,
                "note": aim.note,
            },
        },
        "posture": found.posture,
        "wrap_factor": found.wrap_factor,
        "bobbins": [
            bobbin_object(figures, found.wrap_factor, _TOLERANCE_PERCENT)
            for figures in found.figures
        ],
        "comparison": None if found.compared is None else _comparison(found),
        "forecasts": [
            {"skein": one.skein or None} | as_object(one.forecasts, one.washed)
            for one in found.forecasts
        ],
        "skeins": [skein_object(looked) for looked in found.skeins],
    }


def _comparison(found: SpinFound) -> dict[str, Any]:
    assert found.compared is not None
    whole = compare_object(found.compared)
    # The bobbins stand above already.
    return {key: value for key, value in whole.items() if key != "bobbins"}


def _write(file: Path, content: bytes) -> None:
    part = file.with_name(f".{file.name[:100]}.part")
    try:
        part.write_bytes(content)
        part.replace(file)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise UseError(
            f"{file} could not be written ({error.strerror or error}). Choose another place."
        ) from error
