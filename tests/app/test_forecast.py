"""`slubwise forecast` as a person runs it, on notebooks and files."""

from __future__ import annotations

import dataclasses
import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import typer
from logged_strands import SCALE, a_strand
from typer.testing import CliRunner

from app.batch import PictureResult
from app.bobbin_sources import from_files
from app.forecast_command import forecast
from app.notebook.store import Notebook
from app.report import as_json
from measure.ply_geometry import ply_factor
from measure.results import Along, PictureReading, StrandReading

program = typer.Typer(pretty_exceptions_enable=False, rich_markup_mode=None)
program.command()(forecast)

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
SLOPES = {"B1": 0.3, "B2": -0.3, "B3": 0.0}


def run(*arguments: str | Path, columns: int = 200) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": str(columns)}).invoke(program, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def strand(d: float, seed: int) -> StrandReading:
    """A reading of this mean whose 1 mm cuts vary by 8 %, each for itself."""
    cuts = np.random.default_rng(seed).normal(size=60)
    width = np.repeat(d * (1 + 0.08 * (cuts - cuts.mean())), 4)
    n = len(width)
    along = Along(0.25 * np.arange(n), width, np.full(n, 0.005), np.full(n, "dark"))
    return dataclasses.replace(
        a_strand(3, entries=8),
        diameter_mm=d,
        u_diameter_mm=0.01 * d,
        diameter_interval_mm=(0.98 * d, 1.02 * d),
        cv_percent=8.0,
        along=along,
    )


def readings(name: str) -> list[StrandReading]:
    """Twelve readings that grow by so much from the first to the last."""
    sizes = 0.8 * np.exp(SLOPES[name] * np.linspace(-0.5, 0.5, 12))
    return [strand(d, 100 * ord(name[1]) + k) for k, d in enumerate(sizes.tolist())]


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("spun") / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        spin = notebook.add_spin("Grey sock", fibre="Shetland")
        for name in SLOPES:
            bobbin = notebook.add_bobbin(spin.id, name, empty_g=20, full_g=60)
            sitting = notebook.begin_sitting(bobbin.id, BEGUN)
            for place, read in enumerate(readings(name)):
                notebook.log(
                    sitting.id,
                    read,
                    taken_at=BEGUN + timedelta(minutes=place),
                    posture="tension",
                    printed_card="desk 1",
                    source="camera",
                    scale=SCALE,
                )
    return path


def test_opposite_drifts_cancel_when_plied_and_are_passed_on_by_a_chain(path: Path) -> None:
    code, out, err = run("B1", "B2", "--notebook", path, "--length", "100", "--json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    # The CV of a drift by 0.3 in the logarithm is about 0.3/sqrt(12), 8.7 %: a chain keeps it.
    slope = 100 * 0.3 / math.sqrt(12)
    for chain in found["chains"]:
        assert chain["cv_percent"] == pytest.approx(slope, rel=0.15)
        assert chain["diameter_mm"] == pytest.approx(0.8 * ply_factor(3), rel=0.02)
    assert found["plied"]["cv_percent"] < 0.4 * slope
    assert found["plied"]["diameter_mm"] == pytest.approx(0.8 * ply_factor(2), rel=0.02)
    # Short irregularity as drawn: 8 % over a millimetre.
    assert found["irregularity"]["short_percent"] == pytest.approx(8, rel=0.1)
    assert found["irregularity"]["short_mm"] < 1.5
    # 100 m less 1 - cos 20 degrees; of the chain a third.
    assert found["plied"]["length_m"] == pytest.approx(100 * math.cos(math.radians(20)), rel=0.01)
    assert found["chains"][0]["length_m"] == pytest.approx(found["plied"]["length_m"] / 3, rel=0.02)
    assert found["sentences"][0].startswith("plied from two bobbins this would be ")
    assert "; chain-plied from one, " in found["sentences"][0]


def test_the_table_fits_and_says_what_was_taken_for_granted(path: Path) -> None:
    code, out, _ = run("--notebook", path, "--plies", "2", "--loop", "0.3", columns=80)
    assert code == 0
    assert "Plied from two bobbins" in out
    assert "loops of 30 cm" in out
    assert "by weight" in out
    assert "B3 not plied" in out
    assert max(map(len, out.splitlines())) <= 80
    own = run("--notebook", path, "--units", "inch", "--own", "B1 rewound + B3")[1]
    assert " yd" in own
    assert "B1 rewound + B3" in own


def test_files_do_as_well(tmp_path: Path) -> None:
    for name in ("B1", "B2"):
        results = [
            PictureResult(Path("x.jpg"), PictureReading(100, 100, SCALE, (read,), (), ()))
            for read in readings(name)
        ]
        (tmp_path / f"{name}.json").write_text(as_json(results), "utf-8")
    files = [tmp_path / f"{name}.json" for name in ("B1", "B2")]
    assert [len(bobbin.along) for bobbin in from_files(files)] == [12, 12]
    code, out, err = run(*files)
    assert (code, err) == (0, "")
    assert "lengths unknown, taken as 100 m a bobbin" in out.replace("\n", " ")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("B1",), "takes two bobbins"),
        (("--plies", "4"), "4 plies take 4 bobbins"),
        (("--own", "B1 + B9"), "--own names 'B9'"),
        (("--own", "B1 + B1"), "names a bobbin twice"),
        (("--own", "B1 + B2; B3"), "as many in each"),
    ],
)
def test_what_cannot_be_plied_is_said(
    path: Path, arguments: tuple[str, ...], sentence: str
) -> None:
    code, out, err = run(*arguments, "--notebook", path)
    assert (code, out) == (2, "")
    assert sentence in err
