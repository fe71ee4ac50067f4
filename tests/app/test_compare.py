"""`slubwise compare` as a person runs it: notebooks and files in, tables, sentences, JSON out."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import typer
from logged_strands import SCALE, a_strand
from typer.testing import CliRunner

from app.batch import PictureResult
from app.bobbin_sources import from_files, named_apart, one_line
from app.compare_command import compare
from app.notebook.records import Aim
from app.notebook.store import Notebook
from app.report import as_csv, as_json
from measure.results import PictureReading, StrandReading

program = typer.Typer(pretty_exceptions_enable=False, rich_markup_mode=None)
program.command()(compare)

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
WIDE = {"COLUMNS": "200"}


def run(*arguments: str | Path) -> tuple[int, str, str]:
    result = CliRunner(env=WIDE).invoke(program, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def diameters(percent: float, slope: float = 0.0, n: int = 20, seed: int = 1) -> list[float]:
    """Thicker than 0.8 mm by so much, growing by `slope` from first to last, with scatter."""
    noise = np.random.default_rng(seed).normal(size=n)
    logs = math.log(0.8 * (1 + percent / 100)) + 0.02 * (noise - noise.mean())
    return np.exp(logs + slope * np.linspace(-0.5, 0.5, n)).tolist()


def strands(values: Sequence[float]) -> list[StrandReading]:
    """Strands of these diameters, all seen alike."""
    pattern = a_strand(3, entries=8)
    return [
        dataclasses.replace(
            pattern,
            diameter_mm=d,
            u_diameter_mm=0.01 * d,
            diameter_interval_mm=(0.98 * d, 1.02 * d),
            wpi=25.4 / d,
            wpi_interval=(25.4 / d / 1.02, 25.4 / d / 0.98),
            budget_mm={"scale": 0.006 * d, "edges": 0.008 * d},
        )
        for d in values
    ]


def results(values: Sequence[float]) -> list[PictureResult]:
    return [
        PictureResult(Path(f"{number}.jpg"), PictureReading(100, 100, SCALE, (strand,), (), ()))
        for number, strand in enumerate(strands(values))
    ]


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """A folder with three bobbins: B1 thicker, B2 and B3 alike but growing opposite ways."""
    for name, percent, slope in (("B1", 14, 0.0), ("B2", 0, 0.15), ("B3", 0, -0.15)):
        written = as_json(results(diameters(percent, slope, seed=ord(name[1]))))
        (tmp_path / f"{name}.json").write_text(written, "utf-8")
    return tmp_path


@pytest.fixture(scope="module")
def spun_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same three bobbins in a notebook, with some relaxed readings of B1."""
    path = tmp_path_factory.mktemp("spun") / "spinning.slubwise"
    with Notebook.open(path) as opened:
        opened.add_spin("Empty spin")
        spin = opened.add_spin("Grey sock", aim=Aim(band_low_mm=0.7, band_high_mm=0.9))
        for name, percent, slope in (("B1", 14, 0.0), ("B2", 0, 0.15), ("B3", 0, -0.15)):
            bobbin = opened.add_bobbin(spin.id, name, empty_g=20.0, full_g=70.0)
            sitting = opened.begin_sitting(bobbin.id, BEGUN)
            taken = [(d, "tension") for d in diameters(percent, slope, seed=ord(name[1]))]
            taken += [(0.9, "relaxed")] * (2 if name == "B1" else 0)
            for place, (d, posture) in enumerate(taken):
                opened.log(
                    sitting.id,
                    strands([d])[0],
                    taken_at=BEGUN + timedelta(minutes=place),
                    posture=posture,  # type: ignore[arg-type]
                    printed_card="desk 1, kitchen printer",
                    source="camera",
                    spun_g=2.5 * place + 1,
                    scale=SCALE,
                )
    return path


@pytest.fixture
def notebook(spun_once: Path, tmp_path: Path) -> Path:
    """A copy of it to write to."""
    return Path(shutil.copy(spun_once, tmp_path))


def test_files_are_compared_in_words(files: Path) -> None:
    code, out, err = run(*(files / f"B{k}.json" for k in (1, 2, 3)))
    assert (code, err) == (0, "")
    assert "B2 and B3 match." in out
    assert "B1 is thicker by 14 % (" in out
    assert "B2: drifting thicker: " in out
    assert "B1: steady: no drift larger than " in out
    assert "20 readings," in out
    assert "0.04 m" in out
    assert "0.04 yd" in run(files / "B1.json", files / "B2.json", "--units", "inch")[1]


def test_json_and_csv_of_the_same_readings_say_the_same(files: Path) -> None:
    for k, (percent, slope) in ((1, (14, 0.0)), (2, (0, 0.15))):
        values = diameters(percent, slope, seed=ord(str(k)))
        (files / f"B{k}.csv").write_text(as_csv(results(values)), "utf-8")
    _, from_json, _ = run(files / "B1.json", files / "B2.json", "--json")
    _, from_csv, _ = run(files / "B1.csv", files / "B2.csv", "--json")
    there, here = json.loads(from_json), json.loads(from_csv)
    assert [p["percent"] for p in there["pairs"]] == [p["percent"] for p in here["pairs"]]
    assert there["bobbins"][0]["diameters_mm"] == here["bobbins"][0]["diameters_mm"]
    # What more readings cannot take away is told by both.
    known = there["bobbins"][0]["mean"]["known_to_percent"]
    assert here["bobbins"][0]["mean"]["known_to_percent"] == pytest.approx(known, rel=1e-3)
    older = re.sub(r",[^,\n]*,[^,\n]*$", "", as_csv(results(values)), flags=re.MULTILINE)
    assert "u_shared_mm" not in older
    (files / "B1.csv").write_text(older, "utf-8")
    _, careful, _ = run(files / "B1.csv", files / "B2.csv", "--json")
    assert json.loads(careful)["bobbins"][0]["mean"]["known_to_percent"] > known


def test_the_notebooks_bobbins_are_compared(notebook: Path) -> None:
    code, out, err = run("--notebook", notebook)
    assert (code, err) == (0, "")
    assert "B2 and B3 match." in out
    assert "B1 is thicker by 14 % (" in out
    assert "than the band" in out, "the spin's band is told against"
    assert "2 readings were of B1 taken in another posture" in out.replace("\n", " ")


def test_the_notebook_and_files_give_the_same_means(notebook: Path, files: Path) -> None:
    _, ours, _ = run("--notebook", notebook, "--json")
    _, theirs, _ = run(*(files / f"B{k}.json" for k in (1, 2, 3)), "--json")
    for a, b in zip(json.loads(ours)["bobbins"], json.loads(theirs)["bobbins"], strict=True):
        assert a["name"] == b["name"]
        assert a["mean"]["diameter_mm"] == pytest.approx(b["mean"]["diameter_mm"], abs=2e-5)
        assert a["mean"]["known_to_percent"] == pytest.approx(
            b["mean"]["known_to_percent"], abs=1e-3
        )
        assert a["net_g"] == 50


def test_bobbins_and_posture_can_be_chosen(notebook: Path) -> None:
    _, out, _ = run("b2", "B3", "--notebook", notebook, "--spin", "grey SOCK", "--json")
    assert [b["name"] for b in json.loads(out)["bobbins"]] == ["B2", "B3"]
    code, _, err = run("--notebook", notebook, "--posture", "relaxed")
    assert code == 2
    assert "there is only one" in err


def test_which_with_which_is_told_and_held_against_the_spinners_own(files: Path) -> None:
    names = [files / f"B{k}.json" for k in (1, 2, 3)]
    code, out, _ = run(*names, "--plies", "2", "--own", "B1 + B2 rewound")
    assert code == 0
    assert "B2 + B3" in out
    assert "as you have it" in out
    assert "B1 + B2 rewound" in out
    _, text, _ = run(*names, "--plies", "2", "--json")
    plying = json.loads(text)["plying"]
    best = plying["best"]
    # B2 grew thicker and B3 thinner: as they come off they make each other even.
    assert best["groups"][0]["bobbins"] == [
        {"name": "B2", "rewound": False},
        {"name": "B3", "rewound": False},
    ]
    assert best["left_over"] == ["B1"]
    assert best["drift_percent"] < 1.0 < plying["worst"]["drift_percent"]
    assert plying["own_given"] is False


def test_the_json_has_no_nan_and_what_is_promised(files: Path) -> None:
    _, text, _ = run(files / "B1.json", files / "B2.json", "--json", "--wrap-factor", "1.25")
    found = json.loads(text, parse_constant=lambda name: pytest.fail(name))
    assert set(found) == {
        "slubwise", "margin_percent", "same_way", "bobbins", "pairs", "groups", "sentences",
        "notes", "plying",
    }  # fmt: skip
    mean = found["bobbins"][0]["mean"]
    assert mean["wpi"] == pytest.approx(25.4 / (mean["diameter_mm"] * 1.25), abs=1e-3)
    assert found["pairs"][0]["verdict"] == "differ"
    assert found["pairs"][0]["beyond_margin"] is True


def test_different_cards_are_noted(files: Path) -> None:
    other = as_json(results(diameters(0))).replace("desk 1", "pocket 1")
    (files / "B4.json").write_text(other, "utf-8")
    _, out, _ = run(files / "B2.json", files / "B4.json")
    assert "measured on different cards" in out


def test_a_name_keeps_its_small_letter(files: Path) -> None:
    small, other = files / "late.json", files / "later.json"
    for file, seed in ((small, 1), (other, 2)):
        file.write_text(as_json(results(diameters(0, seed=seed))), "utf-8")
    _, out, _ = run(small, other)
    assert "\nlate and later match." in out
    assert "Note Nobody said which print " in out


def test_two_prints_of_one_card_are_two_cards(tmp_path: Path) -> None:
    """A print is known by its id: its name may change, or be given to the next one."""
    path = tmp_path / "n.slubwise"
    with Notebook.open(path) as opened:
        spin = opened.add_spin("Grey sock")
        prints = {
            "A": ("Desk card", "1"),
            "B": ("Desk card", "2"),
            "C": ("Green card", "1"),
            "D": ("", ""),
            "E": ("", ""),
            "F": ("Green card", ""),
        }
        for bobbin_name, (name, id_) in prints.items():
            bobbin = opened.add_bobbin(spin.id, bobbin_name)
            sitting = opened.begin_sitting(bobbin.id, BEGUN)
            for place, strand in enumerate(strands(diameters(0))):
                opened.log(
                    sitting.id,
                    strand,
                    taken_at=BEGUN + timedelta(minutes=place),
                    posture="tension",
                    printed_card=name,
                    printed_card_id=id_,
                    source="camera",
                    scale=SCALE,
                )

    def notes(*names: str) -> tuple[bool, str]:
        found = json.loads(run(*names, "--notebook", path, "--json")[1])
        return found["same_way"], " ".join(found["notes"])

    assert notes("A", "C") == (True, "")
    assert notes("A", "B")[0] is False
    assert "different cards" in notes("A", "B")[1]
    assert notes("D", "E")[0] is True
    assert "nobody said which print" in notes("D", "E")[1]
    assert notes("A", "D")[0] is False
    assert notes("C", "F") == (True, ""), "one of before there were ids"


def test_a_bobbin_with_one_reading_is_told_of(files: Path) -> None:
    (files / "B4.json").write_text(as_json(results([0.8])), "utf-8")
    code, out, _ = run(files / "B1.json", files / "B2.json", files / "B4.json")
    assert code == 0
    assert "B4 has one reading and is not compared; two are needed" in out


def test_names_that_would_do_harm_are_made_harmless(files: Path) -> None:
    assert one_line("a\x1b[31m\nb\u202ec\ud800") == "a [31m b c"
    assert len(one_line("x" * 10_000)) == 60
    assert named_apart(["a", "a", "", "\n"]) == ["a", "a (2)", "bobbin", "bobbin (2)"]
    harmful = files / "[red]x[bold].json"
    harmful.write_text(as_json(results(diameters(0))), "utf-8")
    code, out, _ = run(files / "B1.json", harmful)
    assert code == 0
    assert "[red]x[bold]" in out


def test_two_files_of_one_name_are_told_apart(files: Path) -> None:
    (files / "more").mkdir()
    (files / "more" / "B1.json").write_text((files / "B2.json").read_text("utf-8"), "utf-8")
    both = from_files([files / "B1.json", files / "more" / "B1.json"])
    assert [bobbin.name for bobbin in both] == ["B1", "B1 (2)"]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("gone.json", None, "could not be read"),
        ("a.json", "{", "is no JSON"),
        ("a.json", "[" * 100_000, "is no JSON"),
        ("a.json", "[1, 2]", "is not what slubwise measure --json writes"),
        ("a.json", '{"pictures": 3}', "is not what slubwise measure --json writes"),
        ("a.json", '{"pictures": [{"strands": [4]}]}', "is not what slubwise measure"),
        ("a.json", '{"strands": [{"diameter_mm": 1}]}', "reading 1 in .* no u_diameter_mm"),
        ("a.json", '{"strands": [{"diameter_mm": true, "u_diameter_mm": 1}]}', "not a number"),
        ("a.json", '{"strands": [{"diameter_mm": 1e999, "u_diameter_mm": 1}]}', "is inf"),
        ("a.json", '{"strands": [{"diameter_mm": -1, "u_diameter_mm": 0}]}', "positive number"),
        ("a.csv", "x,y\n1,2\n", "no columns diameter_mm"),
        ("a.csv", "diameter_mm,u_diameter_mm\nthick,1\n", "'thick', not a number"),
        ("a.csv", "diameter_mm,u_diameter_mm\n1\n", "reading 1 in"),
        ("a.csv", "", "no columns"),
        ("a.csv", b"\xff\xfe\x00", "no text in UTF-8"),
    ],
)
def test_files_that_are_none_end_in_a_sentence(
    files: Path, name: str, content: str | bytes | None, says: str
) -> None:
    path = files / name
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif content is not None:
        path.write_text(content, "utf-8")
    code, out, err = run(files / "B1.json", path)
    assert (code, out) == (2, "")
    assert err.startswith("slubwise: ")
    assert err.count("\n") == 1
    assert re.search(says, err)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["B1.json", "B2"], "B2 is no .json or .csv file"),
        (["B1.json", "B2.json", "--spin", "x"], "are for the notebook"),
        (["B1.json", "B2.json", "--plies", "3"], "3 plies take 3 to 12 bobbins, and 2 can"),
        (["B1.json", "B2.json", "--own", "B1 + B2"], "say how with --plies"),
        (["B1.json", "B2.json", "--plies", "2", "--own", "B1 + B7"], "--own names 'B7'"),
        (["B1.json", "B2.json", "--plies", "2", "--own", "B1; B2"], "correct --own"),
        (["--notebook", "gone.slubwise"], "There is no notebook"),
        (["--notebook", "spinning.slubwise", "--spin", "Blue"], "known are Grey sock, Empty spin"),
        (["--notebook", "spinning.slubwise", "--spin", "Empty spin"], "has no bobbins"),
        (["--notebook", "spinning.slubwise", "B9"], "no bobbin called 'B9'"),
    ],
)
def test_what_makes_no_sense_ends_in_a_sentence(
    files: Path, notebook: Path, arguments: list[str], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(files)
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    assert err.startswith("slubwise: ")
    assert says in err


def test_two_spins_of_one_name_cannot_be_told_apart(notebook: Path) -> None:
    with Notebook.open(notebook) as opened:
        opened.add_spin("Grey sock")
    code, _, err = run("--notebook", notebook, "--spin", "Grey sock")
    assert code == 2
    assert "two or more spins are called 'Grey sock'" in err


def test_the_table_fits_eighty_columns(files: Path) -> None:
    names = [str(files / f"B{k}.json") for k in (1, 2, 3)]
    result = CliRunner(env={"COLUMNS": "80"}).invoke(program, [*names, "--plies", "2"])
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "…" not in result.stdout
