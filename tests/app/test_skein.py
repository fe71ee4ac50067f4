"""`slubwise skein ...` as a person types it, on a real notebook and a real picture."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pypdf
import pytest
from hostile_texts import HOSTILE_TEXTS
from logged_strands import a_strand
from typer.testing import CliRunner

from app.notebook.records import Aim, Skein
from app.notebook.skein_records import LAYERS
from app.notebook.store import Notebook
from app.skein import look_at
from app.skein_commands import skein_app
from app.skein_report import facts_of, heading_of, sentences_of

NOW = datetime(2026, 3, 9, 18, 0, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]
SCAN = ROOT / "sample_images" / "two_ply_scan.png"


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(skein_app, [str(a) for a in arguments], env={"COLUMNS": "200"})
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def read(notebook: Notebook, skein: Skein, mm: list[float], *, washed: bool = True) -> None:
    for n, diameter in enumerate(mm):
        strand = replace(
            a_strand(n, diameter_mm=diameter), turns_per_inch=5.0 + 0.1 * (n % 3), twist="S"
        )
        notebook.add_section(
            skein.id,
            strand,
            taken_at=NOW,
            washed=washed,
            layer=LAYERS[n % 3],
            hour=1 + (4 * n) % 12,
            printed_card="desk 1",
            source="camera",
        )


MM = [1.50, 1.62, 1.41, 1.55, 1.70, 1.48]


@pytest.fixture
def notebook(tmp_path: Path) -> Iterator[Notebook]:
    with Notebook.open(tmp_path / "n.slubwise") as opened:
        yield opened


@pytest.fixture
def skein(notebook: Notebook) -> Skein:
    spin = notebook.add_spin(
        "Harbour", fibre="Corriedale", colour_note="Moss", aim=Aim(class_name="Fine")
    )
    bobbins = [notebook.add_bobbin(spin.id, name).id for name in ("B1", "B2")]
    return notebook.add_skein(spin.id, "Harbour 1", bobbins, method="plied")


def test_a_skein_from_the_first_word_to_the_verdict(notebook: Notebook, skein: Skein) -> None:
    file = ("--notebook", notebook.path)
    read(notebook, skein, [d / 1.1 for d in MM], washed=False)
    read(notebook, skein, MM)
    code, out, err = run(
        "set", "harbour 1", "--weight", "100 g", "--counted", "200 m", "--hang", "2 Z",
        "--washed-on", "2026-03-08", "--wraps", "27 over 2 in", "--want", "Fine",
        "--sample-length", "2 m", "--sample-weight", "1.1 g", *file,
    )  # fmt: skip
    assert (code, err) == (0, "")
    code, out, _ = run("show", "Harbour 1", *file)
    assert code == 0
    text = " ".join(out.split())
    # 100 g of 200 m: 500 tex, 992 yd/lb, 200 m in 100 g, by the definition of tex (ISO 1144).
    assert "200 m, 219 yd, by the counted length (told on the label)" in text
    assert "200 m in 100 g, 992 yd/lb, 500 tex" in text
    assert "Harbour 1: Corriedale, Moss, 2-ply, plied" in text
    assert "15 to 18 WPI, thickest to thinnest section" in text
    assert "turns against its ply: more ply twist than balances" in text
    # 27 wraps over 50.8 mm are 1.881 mm apart; the sections' mean is 1.5433 mm.
    assert "1.22 of the diameter apart" in text
    assert "By the counted length the yarn is 9.1 %" in text
    assert "Yes: the mean" in text
    assert "Knit a swatch" in text
    code, out, _ = run("show", "Harbour 1", "--json", *file)
    plain = json.loads(out)
    assert plain["washed"]["sections"] == 6
    assert plain["washed"]["diameter_mm"] == pytest.approx(sum(MM) / 6, abs=1e-5)
    assert plain["wash_percent"] == pytest.approx(10.0, abs=1e-4)
    assert plain["routes"][0]["tex"]["value"] == 500.0
    assert plain["suit"]["verdict"] == "yes"
    assert plain["washed"]["twist"]["twist"] == "S"
    assert set(plain["washed"]["layers"]) == set(LAYERS)
    code, out, _ = run("suit", "Harbour 1", "--chart", "spin-off", "--want", "Worsted", *file)
    assert code == 1
    assert out.startswith("No: the skein is ")
    assert "finer than wanted" in out
    code, out, _ = run("suit", "Harbour 1", "--want-wpi", "15 to 18", *file)
    assert code == 0
    assert notebook.skein(skein.id).wanted.wanted_class == "Fine", "asking changes nothing"


def test_a_picture_becomes_a_section(notebook: Notebook, skein: Skein, tmp_path: Path) -> None:
    file = ("--notebook", notebook.path)
    code, out, _ = run("add", "Harbour 1", SCAN, "--layer", "inside", "--hour", 3, *file)
    assert code == 0
    assert "Section 1: " in out
    assert "not washed, from two_ply_scan.png" in out
    assert "begin with 5 sections, 4 more" in out
    (light,) = notebook.sections(skein.id)
    assert (light.layer, light.hour, light.washed) == ("inside", 3, False)
    (truth,) = json.loads(SCAN.with_suffix(".json").read_text(encoding="utf-8"))["strands"]
    low, high = light.interval_mm
    assert low <= truth["core_mean_mm"] <= high
    whole = notebook.section(light.id)
    assert whole.reading is not None
    assert whole.scale is not None
    broken = tmp_path / "broken.png"
    broken.write_bytes(b"\x89PNG\r\n\x1a\n")
    code, _, err = run("add", "Harbour 1", broken, *file)
    assert code == 2
    assert "broken.png" in err
    assert len(notebook.sections(skein.id)) == 1


def test_making_and_naming_skeins(notebook: Notebook, skein: Skein) -> None:
    file = ("--notebook", notebook.path)
    spin = notebook.spin(skein.spin_id)
    code, out, _ = run(
        "new", "Two", "--spin", spin.name, "--bobbin", "B2", "--method", "chain", "--plies", 3,
        *file,
    )  # fmt: skip
    assert code == 0
    assert "slubwise skein add Two PICTURE" in out
    made = notebook.skeins(spin.id)[1]
    assert (made.name, made.plies, len(made.bobbin_ids)) == ("Two", 3, 1)
    code, _, err = run("new", "Two", "--spin", spin.name, *file)
    assert code == 2
    assert "already" in err
    code, out, _ = run("list", *file)
    assert out == "Harbour 1: 0 sections, of Harbour\nTwo: 0 sections, of Harbour\n"
    other = notebook.add_spin("Other")
    notebook.add_skein(other.id, "Two", [])
    code, _, err = run("show", "two", *file)
    assert (code, "say which --spin" in err) == (2, True)
    code, out, _ = run("show", "two", "--spin", "other", *file)
    assert code == 0
    code, _, err = run("show", "Three", *file)
    assert (code, "known are Two" in err) == (2, True)


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--weight", "1,5", "dot"),
        ("--rounds", "12 ± 1", "leave out"),
        ("--hang", "left", "hang test"),
        ("--wraps", "many", "27 over 2 in"),
        ("--want-wpi", "14 to 16 to 18", "14 to 16"),
        ("--want-wpi", "16 to 14", "more to fewer"),
        ("--washed-on", "yesterday", "YYYY-MM-DD"),
        ("--want", "Sport", "Super Fine"),
        ("--chart", "mine", "chart"),
    ],
)
def test_what_makes_no_sense_is_said_and_nothing_is_written(
    notebook: Notebook, skein: Skein, option: str, value: str, says: str
) -> None:
    code, _, err = run("set", "Harbour 1", option, value, "--notebook", notebook.path)
    assert code == 2
    assert says in err
    assert "Traceback" not in err
    assert notebook.skein(skein.id) == skein
    code, _, err = run("set", "Harbour 1", "--notebook", notebook.path)
    assert (code, "nothing was given" in err) == (2, True)


def test_an_empty_text_takes_something_away(notebook: Notebook, skein: Skein) -> None:
    file = ("--notebook", notebook.path)
    given = {
        "--weight": "3 oz", "--circumference": "1.5 m", "--rounds": "20", "--counted": "30 m",
        "--grist": "500", "--wraps": "11", "--hang": "0", "--washed-on": "2026-01-02",
        "--want": "Fine", "--want-wpi": "14", "--want-grist": "400 m/100g", "--pattern": "hat",
    }  # fmt: skip
    run("set", "Harbour 1", *[part for pair in given.items() for part in pair], *file)
    full = notebook.skein(skein.id)
    assert full.amounts.weight_g == pytest.approx(85.0486)
    assert (full.wanted.wanted_wpi_low, full.wanted.wanted_wpi_high) == (14.0, 14.0)
    assert full.finish.hang_turns == 0.0
    code, _, _ = run("set", "Harbour 1", *[p for o in given for p in (o, "")], *file)
    assert code == 0
    assert notebook.skein(skein.id) == skein


def test_labels_and_the_text_for_a_listing(
    qapp: object, notebook: Notebook, skein: Skein, tmp_path: Path
) -> None:
    file = ("--notebook", notebook.path)
    code, _, err = run("label", "Harbour 1", "--listing", *file)
    assert (code, "nothing is known of this skein yet" in err) == (2, True)
    read(notebook, skein, MM)
    run("set", "Harbour 1", "--weight", "100 g +- 1", "--counted", "200 m +- 1 %", *file)
    code, out, _ = run("label", "Harbour 1", "--listing", *file)
    assert code == 0
    # 1 % as a rectangle is 0.58 %: 1.13 % either way at 95 %.
    assert "Length: 200 m (198 to 202), 219 yd" in out
    assert "Weight: 100 g, 3.53 oz" in out
    assert "Thickness: 16 WPI, sections 15 to 18" in out
    target = tmp_path / "labels.pdf"
    code, out, _ = run(
        "label", "Harbour 1", "--paper", "letter", "--copies", 10, "--out", target, *file
    )
    assert (code, "print it at 100 %" in out) == (0, True)
    pages = pypdf.PdfReader(target).pages
    assert ["".join(p.extract_text().split()).count("Harbour1") for p in pages] == [9, 1]
    run("set", "Harbour 1", "--text", "wool " * 2000, *file)
    code, _, err = run("label", "Harbour 1", "--out", target, *file)
    assert (code, "shorten it" in err) == (2, True)


@pytest.mark.parametrize("text", [HOSTILE_TEXTS[0], "x" * 10_000, "\u202eאבג\n[bold]", "[/]"])
def test_any_name_can_be_shown(notebook: Notebook, skein: Skein, text: str) -> None:
    read(notebook, skein, MM[:1])
    named = replace(skein, name=text or "x", method=text)
    named = notebook.update_skein(replace(named, label=replace(skein.label, fibre=text)))
    looked = look_at(notebook, skein.id)
    assert "\n" not in heading_of(looked)
    assert len(heading_of(looked)) < 400
    assert all(fact.text for fact in facts_of(looked, "inch"))
    assert sentences_of(looked)[0].endswith("o'clock.")
    code, _, _ = run("show", named.name, "--notebook", notebook.path)
    assert code == 0


def test_a_skein_without_anything_can_be_shown(notebook: Notebook, skein: Skein) -> None:
    code, out, err = run("show", "Harbour 1", "--notebook", notebook.path)
    assert (code, err) == (0, "")
    assert "Begin with 5 sections, 5 more; the next from the outside, at 12 o'clock." in out
    code, _, err = run("suit", "Harbour 1", "--notebook", notebook.path)
    assert (code, "No section was read yet" in err) == (1, True)


def test_own_packing_is_learned_from_skeins_that_count(notebook: Notebook, skein: Skein) -> None:
    file = ("--notebook", notebook.path)
    read(notebook, skein, MM)
    run("set", "Harbour 1", "--weight", "100 g", "--counted", "200 m", *file)

    def learned() -> Any:
        return json.loads(run("show", "Harbour 1", "--json", *file)[1])

    told = learned()
    assert told["learned_k"]["k"] == pytest.approx(told["k"], rel=1e-4)
    # WPI 25.4/1.5433 over the root of 992.109 yd/lb.
    assert told["k"] == pytest.approx(25.4 / (sum(MM) / 6) / 992.109**0.5, rel=1e-5)
    run("set", "Harbour 1", "--does-not-count", *file)
    assert learned()["learned_k"] is None
    run("set", "Harbour 1", "--counts", *file)
    assert learned()["learned_k"] is not None
