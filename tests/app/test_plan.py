"""`slubwise plan` as a person runs it, and what it learns from a real notebook."""

from __future__ import annotations

import dataclasses
import json
import math
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import typer
from logged_strands import SCALE, a_strand
from typer.testing import CliRunner

from app.notebook.records import Aim, Bobbin
from app.notebook.skein_records import Amounts, LabelWords
from app.notebook.store import Notebook
from app.pairs import Tally, known_skeins, mean_of, pairs_but, way_plied
from app.plan import Wheel, percent_text, wheel_of
from app.plan_command import plan

program = typer.Typer(pretty_exceptions_enable=False, rich_markup_mode=None)
program.command()(plan)

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def run(*arguments: str | Path, columns: int = 200) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": str(columns)}).invoke(program, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def log(notebook: Notebook, bobbin: Bobbin, posture: str, diameters: list[float]) -> None:
    sitting = notebook.begin_sitting(bobbin.id, BEGUN)
    for place, d in enumerate(diameters):
        strand = dataclasses.replace(
            a_strand(3, entries=8),
            diameter_mm=d,
            u_diameter_mm=0.01 * d,
            diameter_interval_mm=(0.98 * d, 1.02 * d),
        )
        notebook.log(
            sitting.id,
            strand,
            taken_at=BEGUN + timedelta(minutes=place),
            posture=posture,  # type: ignore[arg-type]
            printed_card="desk 1",
            source="camera",
            scale=SCALE,
        )


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two spins: a skein of two bobbins that finished twice as thick as its singles; a bobbin read
    at all stages; another of which nothing can be learned."""
    path = tmp_path_factory.mktemp("spun") / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        spin = notebook.add_spin("Grey hat", fibre="Shetland", aim=Aim(plies=2))
        bobbins = [notebook.add_bobbin(spin.id, name) for name in ("B1", "B2", "B3")]
        for bobbin, d in zip(bobbins[:2], (0.48, 0.52), strict=True):
            log(notebook, bobbin, "tension", [d] * 4)
        log(notebook, bobbins[0], "washed", [1.0] * 5)
        notebook.add_skein(
            spin.id, "First", bobbin_ids=[b.id for b in bobbins[:2]], method="from two bobbins"
        )
        log(notebook, bobbins[2], "tension", [0.5])
        other = notebook.add_spin("Sample", fibre="merino", aim=Aim(plies=3))
        sample = notebook.add_bobbin(other.id, "Chained")
        for posture, d in (("tension", 0.5), ("relaxed", 0.53), ("plied", 0.95), ("washed", 1.02)):
            log(notebook, sample, posture, [d] * 3)
        lone = notebook.add_spin("No plies said", fibre="merino")
        log(notebook, notebook.add_bobbin(lone.id, "B1"), "tension", [0.5, 0.5])
    return path


def test_it_says_what_to_spin_without_a_notebook(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    code, out, err = run("--class", "fine", "--plies", "3", "--weight", "200", "--ratio", "9")
    assert (code, err) == (0, "")
    assert "12.0 to 18.0 WPI, 1.411 to 2.117 mm" in out
    assert "on no skein of yours" in out
    assert "treadles" in out
    assert out.count("knit a swatch") == 1


def test_what_the_notebook_knows_of_each_skein(path: Path) -> None:
    with Notebook.open(path) as notebook:
        first, chained = known_skeins(notebook)
    assert first.pair.name == "Grey hat: First"
    assert (first.pair.method, first.pair.plies, first.pair.fibre) == ("plied", 2, "Shetland")
    assert first.pair.single_mm is not None
    assert first.pair.washed_mm is not None
    assert first.pair.single_mm.value == pytest.approx(0.5)
    assert first.pair.washed_mm.value == pytest.approx(1.0)
    assert first.pair.plied_mm is None
    assert chained.pair.name == "Sample: Chained"
    assert chained.pair.relaxed_mm is not None
    assert chained.pair.relaxed_mm.value == pytest.approx(0.53)


def test_sections_and_amounts_of_a_skein_count_for_it(path: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copy(path, tmp_path))
    with Notebook.open(copy) as notebook:
        (spin,) = [s for s in notebook.spins() if s.name == "Grey hat"]
        (skein,) = notebook.skeins(spin.id)
        for washed, d in ((False, 0.9), (True, 1.1), (True, 1.2)):
            strand = dataclasses.replace(a_strand(3, entries=8), diameter_mm=d, u_diameter_mm=0.01)
            notebook.add_section(
                skein.id, strand, taken_at=BEGUN, washed=washed, printed_card="", source="camera"
            )
        notebook.update_skein(
            dataclasses.replace(
                skein,
                plies=3,
                method="chained",
                label=LabelWords(fibre="Shetland and silk"),
                amounts=Amounts(weight_g=100.0, counted_m=250.0),
                counts_for_learning=False,
            )
        )
        known = known_skeins(notebook)[0]
    pair = known.pair
    assert (pair.method, pair.plies, pair.fibre) == ("chain-plied", 3, "Shetland and silk")
    assert pair.plied_mm is not None
    assert pair.washed_mm is not None
    assert pair.tex is not None
    assert (pair.plied_mm.value, pair.washed_mm.value) == pytest.approx((0.9, 1.15))
    # 100 g of 250 m.
    assert pair.tex.value == pytest.approx(400)
    assert pairs_but([known], []) == []


def test_it_learns_from_them(path: Path) -> None:
    wish = ("--wpi", "12-14", "--fibre", "shetland", "--notebook", path, "--json")
    code, out, err = run(*wish)
    assert (code, err) == (0, "")
    found = json.loads(out)
    names = [lesson["name"] for lesson in found["learned"]]
    assert names == ["Grey hat: First", "Sample: Chained"]
    # Twice its singles, where geometry makes 1 + 2/pi of them.
    over = 100 * (2 / (1 + 2 / math.pi) - 1)
    assert found["learned"][0]["finished_percent"] == pytest.approx(over, abs=0.01)
    without = json.loads(run(*wish, "--without", "grey hat: first", "--without", "Chained")[1])
    assert without["learned"] == []
    assert found["single_middle"]["diameter_mm"] < without["single_middle"]["diameter_mm"]
    low, high = found["finished"]["diameter_interval_mm"]
    far, wide = without["finished"]["diameter_interval_mm"]
    assert high / low < wide / far
    assert found["single"]["low_mm"] < found["single_middle"]["diameter_mm"]
    assert found["twist"]["balance"] == "balanced"
    assert found["amounts"]["length_m"] is None


def test_the_table_names_them_and_fits_a_terminal(path: Path) -> None:
    code, out, _ = run(
        "--wpi", "13", "--notebook", path, "--weight", "100", "--motor", "700", columns=80
    )
    assert code == 0
    assert "Grey hat: First" in out
    assert "2 skeins of yours" in out
    assert max(map(len, out.splitlines())) <= 80
    inches = run("--wpi", "13", "--notebook", path, "--weight", "100", "--units", "inch")[1]
    assert "yd/lb" in inches
    assert " in\n" in inches.replace("  ", "")
    assert " mm" not in inches


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((), "with --class or with --wpi"),
        (("--wpi", "14", "--class", "Fine"), "with --class or with --wpi"),
        (("--class", "Fingering"), "has no class 'Fingering'"),
        (("--wpi", "15-12"), "--wpi needs a number or a range"),
        (("--wpi", "12,5"), "--wpi needs a number or a range"),
        (("--wpi", "14", "--chart", "mine"), "no chart named 'mine'"),
        (("--wpi", "14", "--method", "chain", "--plies", "2"), "leave --plies out"),
        (("--wpi", "14", "--ratio", "9:1"), "--ratio needs a number"),
        (("--wpi", "14", "--motor", "133/0"), "--motor needs a number"),
        (("--wpi", "14", "--without", "Nobody"), "no skein called 'Nobody'"),
        (("--wpi", "14", "--ply-tpi", "90"), "too many for plies"),
        (("--wpi", "14", "--ply-tpi", "3", "--angle", "20"), "give one of them"),
        (("--wpi", "14", "--notebook", "nowhere.slubwise"), "nowhere.slubwise"),
    ],
)
def test_what_makes_no_sense_is_said_in_a_sentence(
    arguments: tuple[str, ...], sentence: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    assert sentence in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "plies", "bobbins", "way"),
    [
        ("Chain plied", None, 1, ("chain-plied", 3)),
        ("", 3, 1, ("chain-plied", 3)),
        ("", 3, 3, ("plied", 3)),
        ("", None, 2, ("plied", 2)),
        ("", 2, 4, ("plied", 2)),
        ("", 1, 1, ("single", 1)),
        ("", None, 1, None),
        ("", None, 9, None),
        ("", 40, 2, None),
    ],
)
def test_ways_to_ply_in_a_spinners_words(
    words: str, plies: int | None, bobbins: int, way: tuple[str, int] | None
) -> None:
    assert way_plied(words, plies, bobbins) == way


def test_few_readings_have_the_usual_scatter_and_many_their_own() -> None:
    one = mean_of([Tally(1, 0.5, 0.25, 0.0)])
    assert one is not None
    # One reading: 5 % (ours).
    assert one.u / one.value == pytest.approx(0.05)
    square = 0.25 * (1 + 0.02**2)
    many = mean_of([Tally(400, 0.5, square, 0.01)])
    assert many is not None
    assert many.u / many.value == pytest.approx(math.hypot(0.02 / 20, 0.01), rel=0.01)
    # Two bobbins that count alike, whatever the number of readings.
    both = mean_of([Tally(400, 0.5, 0.25, 0.0), Tally(1, 0.7, 0.49, 0.0)])
    assert both is not None
    assert both.value == pytest.approx(0.6)
    assert mean_of([]) is None


def test_a_wheel_is_said_or_counted() -> None:
    # 45 turns of the flyer in 5 of the wheel; 133 in 10 seconds are 798 a minute.
    assert wheel_of("45/5", "133/10", 1.0, 300.0) == Wheel(9.0, 798.0)
    assert wheel_of("9", "800", 1.0, 300.0) == Wheel(9.0, 800.0)
    assert wheel_of(None, None, 2.0, 250.0) == Wheel(None, None, 2.0, 250.0)


def test_per_cents_have_a_sign_unless_they_are_nothing() -> None:
    assert percent_text(8.2) == "+8 %"
    assert percent_text(-0.2) == "0 %"
    assert percent_text(-0.24, decimals=1) == "-0.2 %"
    assert percent_text(None) == ""
