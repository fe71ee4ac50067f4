"""Skein labels: read back from the PDF by pypdf, looked at as pixels, refused where too long."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from hostile_texts import HOSTILE_TEXTS
from PIL import Image
from PySide6.QtWidgets import QApplication

from app import UseError
from app.evenness_strip import runs_of, thinned
from app.label_files import file_stem, write_labels
from app.label_sheet import LABEL_MM, label_pdf, label_png, set_label
from app.sheet import PAPER_MM
from app.skein_label import Label, listing_of
from app.skein_report import Fact

MM_PER_POINT = 25.4 / 72  # PDF 32000-1: a unit of user space is 1/72 inch


def a_strip() -> np.ndarray:
    """Two sections: one even, one with a place twice as thick in its middle."""
    first, second = np.full(100, 1.0), np.full(100, 1.0)
    second[45:55] = 2.0
    return np.concatenate([first, [np.nan], second, [np.nan]])


LABEL = Label(
    name="Harbour 1",
    fibre="Shetland and silk",
    colourway="plum to grey",
    wpi="17",
    wpi_range="WPI, sections 16 to 20",
    class_name="Fine / Super Fine",
    chart="class by the Craft Yarn Council chart",
    facts=(
        Fact("Weight", "101.5 g, 3.58 oz"),
        Fact("Length", "225 m (224 to 226), 246 yd"),
        Fact("Made", "3-ply, plied"),
    ),
    care="Hand wash cool, dry flat",
    text="Spun on a castle wheel by the sea.",
    strip_mm=a_strip(),
)


@pytest.fixture(autouse=True)
def application(qapp: QApplication) -> QApplication:
    return qapp


def pages(pdf: bytes) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(pdf)).pages)


def size_mm(page: pypdf.PageObject) -> tuple[float, float]:
    box = page.mediabox
    return float(box.width) * MM_PER_POINT, float(box.height) * MM_PER_POINT


def letters(text: str) -> str:
    """Only what counts: a line break may stand anywhere."""
    return "".join(text.split())


def test_a_label_is_a_page_of_its_size_with_every_word_on_it() -> None:
    (page,) = pages(label_pdf([set_label(LABEL)]))
    # Qt writes whole points: half of one is 0.18 mm.
    assert size_mm(page) == pytest.approx(LABEL_MM, abs=0.18)
    said = letters(page.extract_text())
    for text in (
        LABEL.name, LABEL.fibre, LABEL.colourway, LABEL.wpi, LABEL.wpi_range, LABEL.class_name,
        LABEL.chart, LABEL.care, LABEL.text, "knit a swatch", *(f.text for f in LABEL.facts),
    ):  # fmt: skip
        assert letters(text) in said, text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nine_stand_on_a_sheet_and_the_tenth_on_the_next(paper: str) -> None:
    sheets = pages(label_pdf([set_label(LABEL)] * 10, paper=paper))  # type: ignore[arg-type]
    assert [size_mm(sheet) for sheet in sheets] == [
        pytest.approx(PAPER_MM[paper], abs=0.18)  # type: ignore[index]
    ] * 2
    counts = [letters(sheet.extract_text()).count("Harbour1") for sheet in sheets]
    assert counts == [9, 1]


def ribbon_of(image: np.ndarray) -> np.ndarray:
    """Rows of ribbon blue in each column."""
    red, blue = image[..., 0].astype(int), image[..., 2].astype(int)
    return ((blue - red > 40) & (blue < 200)).sum(axis=0)


def test_the_picture_has_true_size_and_the_ribbon_is_the_yarn() -> None:
    (png,) = label_png([set_label(LABEL)], dpi=300)
    image = Image.open(io.BytesIO(png))
    assert image.size == (round(60 / 25.4 * 300), round(85 / 25.4 * 300))
    assert image.info["dpi"] == pytest.approx((300, 300), abs=0.02)
    wide = ribbon_of(np.asarray(image.convert("RGB")))
    seen = np.flatnonzero(wide > 3)
    inner = wide[seen[0] : seen[-1] + 1]
    # Twice as thick for a tenth of the second section, at three quarters of the whole.
    usual, widest = np.median(inner), inner.max()
    assert widest / usual == pytest.approx(2.0, rel=0.08)
    thick = np.flatnonzero(inner > 1.5 * usual)
    assert thick.mean() / len(inner) == pytest.approx((101 + 50) / 202, abs=0.02)
    assert len(thick) / len(inner) == pytest.approx(10 / 202, abs=0.01)


def test_labels_on_a_sheet_stand_apart_within_the_paper_and_are_cut_by_dashes() -> None:
    (png,) = label_png([set_label(LABEL)] * 9, paper="letter", dpi=120)
    grey = np.asarray(Image.open(io.BytesIO(png)).convert("L"))
    ink = np.argwhere(grey < 235)
    low, high = ink.min(axis=0) / 120 * 25.4, ink.max(axis=0) / 120 * 25.4
    # The nine are in the middle of the page, and its margins are those printers leave free.
    assert low == pytest.approx(((279.4 - 255) / 2, (215.9 - 180) / 2), abs=0.4)
    assert high == pytest.approx(((279.4 + 255) / 2, (215.9 + 180) / 2), abs=0.4)


def test_words_are_set_smaller_then_go_to_a_second_side_then_are_refused() -> None:
    sentence = "Spun slowly over one winter. "
    smaller = replace(LABEL, text=sentence * 8)
    (page,) = pages(label_pdf([set_label(smaller)]))
    assert letters(smaller.text) in letters(page.extract_text())
    longer = replace(LABEL, text=sentence * 40)
    done = set_label(longer)
    front, back = pages(label_pdf([done]))
    assert letters(longer.text) in letters(back.extract_text())
    assert letters(longer.text) not in letters(front.extract_text())
    assert letters(LABEL.facts[1].text) in letters(front.extract_text())
    for field, words in (("text", "text"), ("care", "care line"), ("name", "name")):
        with pytest.raises(UseError, match=f"the {words} has 10000 characters; shorten it"):
            set_label(replace(LABEL, **{field: "wool " * 2000}))  # type: ignore[arg-type]


def test_second_sides_come_to_lie_behind_the_first() -> None:
    """Flipped on the long edge a page's left and right change places."""
    one = set_label(LABEL)
    two = set_label(replace(LABEL, name="Second", text="More of it. " * 120))
    assert len(two.sides) == 2
    front, back = label_png([two, one], paper="a4", dpi=60)

    def middle_of_ink(png: bytes) -> float:
        grey = np.asarray(Image.open(io.BytesIO(png)).convert("L"))
        return float(np.argwhere(grey < 128)[:, 1].mean()) / grey.shape[1]

    assert middle_of_ink(front) < 0.5
    assert middle_of_ink(back) > 0.6


@pytest.mark.parametrize("text", [*HOSTILE_TEXTS, "W" * 100, "a\nb\r\nc", "ألف באב " * 10])
def test_any_text_is_set_or_refused_and_never_cut(text: str) -> None:
    label = replace(LABEL, name=text or "x", text=text, fibre=text)
    if len(text) > 5000:
        with pytest.raises(UseError, match="shorten it"):
            set_label(label)
        return
    done = set_label(label)
    for side in done.sides:
        for placed in side.texts:
            layout = placed.layout
            lines = [layout.lineAt(i) for i in range(layout.lineCount())]
            whole = layout.text()
            # Every letter is in a line, every line within the label, none below its foot.
            assert sum(line.textLength() for line in lines) == len(whole.encode("utf-16-le")) // 2
            for line in lines:
                end = placed.y + line.y() + line.height()
                assert placed.x + line.naturalTextWidth() <= (LABEL_MM[0] - 4.4) * 40.0 + 1
                assert end <= LABEL_MM[1] * 40.0


def test_letters_that_no_font_has_are_told() -> None:
    plain = set_label(LABEL)
    assert plain.missing == ""
    # A letter of a script that is in hardly any font (Unicode 15: Kawi).
    rare = "\U00011f04"
    assert rare in set_label(replace(LABEL, name=f"Wool {rare}")).missing


def test_an_empty_place_is_left_to_the_others() -> None:
    bare = replace(
        LABEL, fibre="", colourway="", wpi="", wpi_range="", class_name="", chart="", care="",
        text="", strip_mm=np.empty(0),
    )  # fmt: skip
    done = set_label(bare)
    assert len(done.sides) == 1
    (page,) = pages(label_pdf([done]))
    assert letters(bare.facts[0].text) in letters(page.extract_text())


def test_the_listing_has_all_of_it_whole() -> None:
    long = replace(LABEL, text="x" * 10_000)
    text = listing_of(long)
    assert "x" * 10_000 in text
    assert "Thickness: 17 WPI, sections 16 to 20" in text
    assert "Class: Fine / Super Fine (Craft Yarn Council chart)" in text
    assert "Care: Hand wash cool, dry flat" in text
    assert "knit a swatch" in text


def test_files(tmp_path: Path) -> None:
    lines = write_labels([LABEL], tmp_path / "l.pdf", "a4", copies=3)
    assert lines == [f"Wrote {tmp_path / 'l.pdf'}: print it at 100 %, no fit to page."]
    assert len(pages((tmp_path / "l.pdf").read_bytes())) == 1
    two = replace(LABEL, text="More of it. " * 120)
    lines = write_labels([two], tmp_path / "l.png", None)
    assert [line.split(":")[0] for line in lines[:2]] == [
        f"Wrote {tmp_path / 'l-1.png'}", f"Wrote {tmp_path / 'l-2.png'}",
    ]  # fmt: skip
    assert "second side" in lines[2]
    with pytest.raises(UseError, match="neither"):
        write_labels([LABEL], tmp_path / "l.txt", None)
    with pytest.raises(UseError, match="could not be written"):
        write_labels([LABEL], tmp_path / "no" / "l.pdf", None)
    assert file_stem(replace(LABEL, name="../a:b*c?\n")) == "label-abc"
    assert file_stem(replace(LABEL, name="///")) == "label-skein"


def test_a_ribbon_is_thinned_by_means_and_keeps_its_gaps() -> None:
    strip = a_strip()
    assert [len(run) for run in runs_of(strip)] == [100, 100]
    thin = thinned(strip, 50)
    assert len(thin) <= 50
    assert np.nanmax(thin) == pytest.approx(2.0)
    assert np.isnan(thin).any()
    assert runs_of(np.full(5, np.nan)) == []
