"""The report of a spin: read back from PDF (pypdf) and HTML (the standard library's parser)."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import statistics
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pypdf
import pytest
from hostile_texts import HOSTILE_TEXTS
from logged_strands import a_strand
from PIL import Image
from typer.testing import CliRunner

from app import UseError
from app.cli import cli
from app.figure import Dot, shortened, svg
from app.notebook.records import Aim, Spin
from app.notebook.skein_records import Amounts, Finish
from app.notebook.store import Notebook
from app.sheet import PAPER_MM
from app.spin_charts import drift_figures, ribbon_figure, steps
from app.spin_report import Drawn, SpinFound, chart_bobbins, find_out, report_of
from app.spin_report_files import report_object, write_data, write_report
from app.spin_report_html import report_html
from app.spin_report_pdf import report_pdf

BEGUN = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
MM_PER_POINT = 25.4 / 72  # PDF 32000-1: a unit of user space is 1/72 inch
SWATCH = "knit a swatch"

SINGLES = {
    "First": (0.60, 0.61, 0.59, 0.60, 0.62),
    "Zweite <b>ß</b>": (0.62, 0.61, 0.63, 0.62, 0.61, 0.60, 0.62, 0.61, 0.70, 0.76, 0.80, 0.83),
    "第三": (0.61, 0.60, 0.62, 0.61, 0.60),
}
UNWASHED = (1.22, 1.25, 1.20, 1.27)
WASHED = (1.28, 1.33, 1.30, 1.35, 1.29)


def a_jpeg() -> bytes:
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "where it was taken"  # ImageDescription, Exif 2.32
    Image.new("RGB", (1400, 200), (120, 90, 60)).save(out, "JPEG", exif=exif)
    return out.getvalue()


def a_reading(diameter_mm: float, seed: int):  # type: ignore[no-untyped-def]
    strand = a_strand(seed, entries=240, diameter_mm=diameter_mm)
    return dataclasses.replace(strand, lane="banded")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A notebook with the spin of `SINGLES`, an empty one and another with a reading."""
    file = tmp_path_factory.mktemp("report") / "spins.slubwise"
    with Notebook.open(file) as notebook:
        notebook.add_spin("Empty")
        other = notebook.add_spin("Other")
        sitting = notebook.begin_sitting(notebook.add_bobbin(other.id, "X").id, BEGUN)
        log(notebook, sitting.id, 0.9, 7, BEGUN)
        spin = notebook.add_spin(
            "Moor",
            fibre="Wensleydale <script>alert(1)</script>",
            prepared_g=100,
            aim=Aim(0.55, 0.68, 3, "Fine", "mittens"),
            note="lange Wörter " * 150 + "Ende.",
        )
        ids = []
        for day, (name, diameters) in enumerate(SINGLES.items()):
            bobbin = notebook.add_bobbin(spin.id, name, empty_g=80, full_g=112)
            ids.append(bobbin.id)
            begun = BEGUN + timedelta(days=day)
            sitting = notebook.begin_sitting(bobbin.id, begun)
            for n, mm in enumerate(diameters):
                log(notebook, sitting.id, mm, 2 * n + 1, begun + timedelta(minutes=20 * n))
        skein = notebook.add_skein(spin.id, "Moor 1", ids, method="plied")
        skein = notebook.update_skein(
            dataclasses.replace(
                skein,
                finish=Finish(washed_on="2026-03-09", hang_turns=0),
                amounts=Amounts(
                    weight_g=95, circumference_mm=1500, circumference_within_mm=10, rounds=200
                ),
            )
        )
        for washed, diameters in ((False, UNWASHED), (True, WASHED)):
            for n, mm in enumerate(diameters):
                notebook.add_section(
                    skein.id,
                    a_reading(mm, 2 * n),
                    taken_at=BEGUN + timedelta(days=7, minutes=n),
                    washed=washed,
                    printed_card="",
                    source="file",
                )
    return file


def log(notebook: Notebook, sitting: str, mm: float, seed: int, at: datetime) -> None:
    notebook.log(
        sitting,
        a_reading(mm, seed),
        taken_at=at,
        posture="tension",
        printed_card="desk",
        source="camera",
        picture_jpeg=a_jpeg(),
    )


@pytest.fixture(scope="module")
def notebook(path: Path) -> Iterator[Notebook]:
    with Notebook.open(path) as opened:
        yield opened


def the_spin(notebook: Notebook, name: str = "Moor") -> Spin:
    return next(spin for spin in notebook.spins() if spin.name == name)


@pytest.fixture(scope="module")
def found(notebook: Notebook) -> SpinFound:
    return find_out(notebook, the_spin(notebook))


@pytest.fixture(scope="module")
def pdf(found: SpinFound) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(report_pdf(report_of(found)))).pages)


class Page(HTMLParser):
    """Everything that a browser would act on, and the words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def letters(text: str) -> str:
    """Only what counts: a line break may stand anywhere."""
    return "".join(text.split())


def texts_of(found: SpinFound) -> list[str]:
    """Words that must be in both forms."""
    out = [found.spin.name, found.spin.fibre, found.spin.note.strip(), "mittens", *SINGLES]
    out += [f"{figures.drift.sentence[1:]}" for figures in found.figures]
    out += [p.caption for p in found.pictures]
    return out


def test_the_pdf_has_every_word_on_numbered_pages_of_true_size(
    found: SpinFound, pdf: list[pypdf.PageObject]
) -> None:
    said = ""
    for number, page in enumerate(pdf, start=1):
        size = float(page.mediabox.width), float(page.mediabox.height)
        # Qt writes whole points: half of one is 0.18 mm.
        assert [side * MM_PER_POINT for side in size] == pytest.approx(PAPER_MM["a4"], abs=0.18)
        text = letters(page.extract_text())
        assert f"{number}of{len(pdf)}" in text
        said += text.replace(letters("Report of a spin, by Slubwise"), "").replace(
            f"{number}of{len(pdf)}", ""
        )
    for text in texts_of(found):
        # A letter that no font here has is drawn, and read back, as an empty box.
        if text != "第三" and "第三" not in text:
            assert letters(text) in said, text
    assert said.lower().count(letters(SWATCH)) == 1


def test_letter_paper_is_letter_paper(found: SpinFound) -> None:
    (first, *_) = pypdf.PdfReader(io.BytesIO(report_pdf(report_of(found), "letter"))).pages
    size = float(first.mediabox.width), float(first.mediabox.height)
    # ANSI/ASME Y14.1 size A: 8.5 x 11 in.
    assert size == pytest.approx((8.5 * 72, 11 * 72), abs=0.5)


def test_the_page_acts_on_nothing_and_loads_nothing(found: SpinFound) -> None:
    page = Page(report_html(report_of(found)))
    assert set(page.tags) <= {
        "html", "head", "meta", "title", "style", "body", "main", "header", "h1", "h2", "p",
        "section", "dl", "dt", "dd", "div", "table", "thead", "tbody", "tr", "th", "td", "figure",
        "figcaption", "img", "svg", "polyline", "polygon", "circle", "rect", "text", "footer",
    }  # fmt: skip
    for name, value in page.attributes:
        assert not name.startswith("on")
        assert name not in ("href", "xlink:href", "action", "srcset")
        assert name != "src" or value.startswith("data:image/jpeg;base64,")
    assert any("default-src 'none'" in value for _, value in page.attributes)
    words = letters(" ".join(page.words))
    for text in texts_of(found):
        assert letters(text) in words
    assert words.lower().count(letters(SWATCH)) == 1


def test_hostile_words_stay_words_in_both_forms(found: SpinFound) -> None:
    for text in HOSTILE_TEXTS:
        spin = dataclasses.replace(found.spin, name=text, note=text, fibre=text)
        report = report_of(dataclasses.replace(found, spin=spin, pictures=()))
        page = Page(report_html(report))
        assert "script" not in page.tags
        assert "b" not in page.tags
    # The last, a long one, and one full of controls and marks, also on paper.
    for text in (HOSTILE_TEXTS[-1], HOSTILE_TEXTS[-5]):
        spin = dataclasses.replace(found.spin, name=text[:400], note=text)
        content = report_pdf(report_of(dataclasses.replace(found, spin=spin, pictures=())))
        pages = pypdf.PdfReader(io.BytesIO(content)).pages
        said = letters("".join(page.extract_text() for page in pages))
        if text == HOSTILE_TEXTS[-1]:
            assert said.count("long") >= 2000, "nothing is cut"


def test_pictures_are_made_small_and_tell_no_more_than_they_show(found: SpinFound) -> None:
    assert 0 < len(found.pictures) <= 12
    names = [p.caption.split(", reading")[0] for p in found.pictures]
    assert set(names) == set(SINGLES), "spread over the spin"
    with Image.open(io.BytesIO(found.pictures[0].jpeg)) as image:
        assert image.size == (900, 129)  # 1400 x 200 shrunk to 900 wide
        assert not image.getexif()


def test_what_came_out_is_held_against_the_forecast(found: SpinFound) -> None:
    (one,) = found.forecasts
    mean = statistics.fmean(UNWASHED)
    percent = 100 * (mean / one.made.mean_mm - 1)
    sentence = one.sentences[-1]
    assert f"{abs(percent):.0f}" in sentence or f"{abs(percent):.1f}" in sentence
    plied, washed = one.bars[-2:]
    assert [plied.name, washed.name] == ["Came out, as plied", "Came out, washed"]
    # WPI is 25.4 mm over the diameter (docs/definitions.md).
    assert plied.wpi == pytest.approx(25.4 / mean)
    assert washed.wpi_range == pytest.approx((25.4 / max(WASHED), 25.4 / min(WASHED)))


def test_a_drifting_bobbin_is_named_and_marked(found: SpinFound) -> None:
    drifting = [f.bobbin.name for f in found.figures if f.drift.state == "thicker"]
    assert drifting == ["Zweite <b>ß</b>"]
    (figure,) = drift_figures(chart_bobbins(found), (0.55, 0.68), 1.0)
    drawing = ElementTree.fromstring(svg(figure))
    squares = [e for e in drawing.iter() if e.tag.endswith("rect")]
    alarms = sum(len(f.drift.alarms) for f in found.figures)
    assert len(squares) == alarms > 0
    rings = [e for e in drawing.iter() if e.tag.endswith("circle")]
    assert len(rings) == sum(map(len, SINGLES.values())) - alarms


def test_every_drawing_is_sound_xml_within_its_frame(found: SpinFound) -> None:
    drawn = [
        block.figure
        for chapter in report_of(found).chapters
        for block in chapter.blocks
        if isinstance(block, Drawn)
    ]
    assert len(drawn) == 4  # drift, bobbins, forecast, ribbon
    for figure in drawn:
        root = ElementTree.fromstring(svg(figure))
        for element in root.iter():
            if element.tag.endswith(("polyline", "polygon")):
                for pair in element.attrib["points"].split():
                    x, y = map(float, pair.split(","))
                    assert 0 <= x <= figure.width_mm
                    assert 0 <= y <= figure.height_mm


def test_the_data_are_those_of_the_notebook(
    notebook: Notebook, found: SpinFound, tmp_path: Path
) -> None:
    files = write_data(notebook, found, tmp_path / "data")
    document = json.loads(files[0].read_text("utf-8"))
    assert [b["name"] for b in document["bobbins"]] == list(SINGLES)
    for bobbin, diameters in zip(document["bobbins"], SINGLES.values(), strict=True):
        assert bobbin["diameters_mm"] == pytest.approx(diameters, abs=1e-5)
        assert bobbin["mean"]["diameter_mm"] == pytest.approx(statistics.fmean(diameters), rel=0.02)
    (skein,) = document["skeins"]
    # 200 rounds of 1.5 m.
    assert skein["routes"][0]["length_m"]["value"] == pytest.approx(300)
    assert document == json.loads(json.dumps(report_object(found)))
    readings = list(csv.DictReader(io.StringIO(files[1].read_text("utf-8"), newline="")))
    assert len(readings) == sum(map(len, SINGLES.values())), "of this spin alone"
    sections = list(csv.DictReader(io.StringIO(files[2].read_text("utf-8"), newline="")))
    assert [float(row["diameter_mm"]) for row in sections] == [*UNWASHED, *WASHED]


def test_the_command_writes_what_it_is_asked_for_and_refuses_in_sentences(
    path: Path, tmp_path: Path
) -> None:
    out, data = tmp_path / "moor.html", tmp_path / "behind"
    run = CliRunner().invoke
    done = run(cli, ["report", "moor", "--notebook", str(path), "--out", str(out),
                     "--data", str(data), "--units", "inch"])  # fmt: skip
    assert done.exit_code == 0, done.output
    assert out.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert sorted(p.name for p in data.iterdir()) == [
        "readings.csv", "report.json", "sections.csv",
    ]  # fmt: skip
    for words, says in (
        (["moor", "--out", str(tmp_path / "a.doc")], "neither .pdf nor .html"),
        (["Empty", "--out", str(out)], "nothing to report"),
        (["nobody", "--out", str(out)], "no spin called"),
        (["moor", "--out", str(tmp_path / "none" / "a.html")], "could not be written"),
    ):
        refused = run(cli, ["report", *words, "--notebook", str(path)])
        assert refused.exit_code == 2
        assert says in refused.output.replace("\n", " ")
    missing = run(cli, ["report", "--notebook", str(tmp_path / "no.slubwise")])
    assert missing.exit_code == 2


def test_a_spin_that_was_only_begun_gives_what_there_is(notebook: Notebook, tmp_path: Path) -> None:
    found = find_out(notebook, the_spin(notebook, "Other"))
    report = report_of(found)
    assert [c.title for c in report.chapters] == ["Spinning", "Bobbins", "Pictures", "Take care"]
    write_report(found, tmp_path / "other.pdf")
    assert (tmp_path / "other.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(UseError, match="nothing to report"):
        find_out(notebook, the_spin(notebook, "Empty"))


def test_a_skein_that_cannot_be_worked_out_is_said_and_the_rest_is_told(tmp_path: Path) -> None:
    with Notebook.open(tmp_path / "odd.slubwise") as notebook:
        spin = notebook.add_spin("Odd")
        sitting = notebook.begin_sitting(notebook.add_bobbin(spin.id, "B1").id, BEGUN)
        for n in range(150):
            log(notebook, sitting.id, 0.6 + 0.01 * (n % 3), 3, BEGUN + timedelta(minutes=n))
        skein = notebook.add_skein(spin.id, "O1", [], method="plied")
        wanted = dataclasses.replace(skein.wanted, wanted_class="no such class")
        notebook.update_skein(dataclasses.replace(skein, wanted=wanted))
        found = find_out(notebook, spin)
    assert len(found.troubles) == 1
    page = report_html(report_of(found))
    assert "The skein O1 is left out" in page
    (figure,) = drift_figures(chart_bobbins(found), None, 1.0)
    assert all(0 <= m.x <= figure.width_mm for m in figure.marks if isinstance(m, Dot))


def test_round_numbers_lie_between_the_ends() -> None:
    assert steps(0.55, 0.71, 5) == (pytest.approx([0.55, 0.60, 0.65, 0.70]), 2)
    assert steps(10, 42, 4) == (pytest.approx([10, 20, 30, 40]), 0)


def test_words_that_do_not_fit_a_drawing_say_so() -> None:
    assert shortened("B1", 20, 3) == "B1"
    assert shortened("a very long name for a bobbin", 20, 3).endswith("…")


def test_a_ribbon_of_nothing_is_none() -> None:
    import numpy as np

    assert ribbon_figure(np.full(20, np.nan)) is None
