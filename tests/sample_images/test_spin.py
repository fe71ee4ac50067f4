"""The sample spin from pictures to label, by the real commands' own ways.

The pictures are rendered; the widths beside them were counted from the fibres that were rendered
(sample_images/README.md), without any part of the program.
"""

from __future__ import annotations

import io
import json
import os
import re
import statistics
from collections.abc import Iterator
from datetime import datetime
from html import escape
from pathlib import Path
from typing import Any

import pypdf
import pytest
from typer.testing import CliRunner

from app.batch import measure_one
from app.bobbin_sources import from_notebook
from app.cli import cli
from app.compare import compare
from app.demo_spin import spin_folder, spin_notebook
from app.notebook.store import Notebook
from app.qt_setup import forget_opencv_plugins
from app.skein import look_at
from app.skein_label import label_of
from app.spin_report import SpinFound, find_out, report_of
from app.spin_report_html import report_html
from measure.drift import FIRST_READINGS

SPIN = Path(__file__).resolve().parents[2] / "sample_images" / "spin"
STORY = json.loads((SPIN / "story.json").read_text("utf-8"))
DRIFTS = "Second"


@pytest.fixture(scope="module", autouse=True)
def application(request: pytest.FixtureRequest) -> None:
    """The application of all tests: writing a PDF makes a smaller one where there is none."""
    if not os.environ.get("DISPLAY"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    forget_opencv_plugins()
    request.getfixturevalue("qapp")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The notebook, made once."""
    file = tmp_path_factory.mktemp("demo") / "out" / "spin.slubwise"
    file.parent.mkdir()
    count = spin_notebook(file, lambda jobs, settings: [measure_one(j, settings) for j in jobs])
    assert count == len(STORY["pictures"])
    return file


@pytest.fixture(scope="module")
def notebook(path: Path) -> Iterator[Notebook]:
    with Notebook.open(path, make=False) as opened:
        yield opened


@pytest.fixture(scope="module")
def found(notebook: Notebook) -> SpinFound:
    (spin,) = notebook.spins()
    return find_out(notebook, spin)


def strand_of(shot: dict[str, Any]) -> dict[str, Any]:
    """What is true of the strand, as it was rendered."""
    text = (SPIN / shot["file"]).with_suffix(".json").read_text("utf-8")
    [strand] = json.loads(text)["strands"]
    return dict(strand)


def truth_of(shot: dict[str, Any]) -> float:
    """Its mean width, mm."""
    return float(strand_of(shot)["core_mean_mm"])


def test_the_pictures_ship_and_are_small() -> None:
    assert spin_folder() == SPIN
    sizes = [(SPIN / shot["file"]).stat().st_size for shot in STORY["pictures"]]
    assert max(sizes) < 150_000
    assert sum(sizes) < 3_000_000
    assert STORY["made"].startswith("rendered, not photographed")


def test_every_reading_is_right_within_its_interval_nineteen_times_in_twenty(
    notebook: Notebook, found: SpinFound
) -> None:
    (skein,) = found.skeins
    kept: list[Any] = [r for readings in found.readings for r in readings]
    kept += list(skein.sections)
    by_file = {reading.source: reading for reading in kept}
    assert len(by_file) == len(STORY["pictures"])
    outside = [
        shot["file"]
        for shot in STORY["pictures"]
        for low, high in [by_file[shot["file"]].interval_mm]
        if not low <= truth_of(shot) <= high
    ]
    # Of 31 at 95 %, more than four have a chance of one in fifty (binomial).
    assert len(outside) <= 4, outside


def test_the_story_is_kept_as_it_was_told(notebook: Notebook, found: SpinFound) -> None:
    shots = [shot for shot in STORY["pictures"] if "bobbin" in shot]
    logged = [r for readings in found.readings for r in readings]
    assert [r.taken_at for r in logged] == [datetime.fromisoformat(s["taken_at"]) for s in shots]
    assert [r.spun_g for r in logged] == [s["spun_g"] for s in shots]
    sittings = [len(notebook.sittings(b.id)) for b in found.bobbins]
    assert sittings == [
        len({s["sitting"] for s in shots if s["bobbin"] == number}) for number in (1, 2, 3)
    ]
    assert notebook.undo_text is None
    assert notebook.check().problems == ()


def test_the_drift_is_found_on_the_bobbin_that_drifts(found: SpinFound) -> None:
    states = {f.bobbin.name: f.drift.state for f in found.figures}
    assert [name for name, state in states.items() if state == "thicker"] == [DRIFTS]
    assert not set(states.values()) & {"thinner"}
    drift = next(f.drift for f in found.figures if f.bobbin.name == DRIFTS)
    assert min(drift.alarms) >= FIRST_READINGS, "not before it does"


def test_bobbins_compare_as_they_were_rendered(notebook: Notebook, found: SpinFound) -> None:
    sources = from_notebook(notebook, found.spin, found.bobbins, "tension")
    compared = compare(sources, margin_percent=10, plies=3)
    assert compared.same_way
    for number, figures in enumerate(compared.figures, start=1):
        truth = statistics.fmean(
            truth_of(s) for s in STORY["pictures"] if s.get("bobbin") == number
        )
        assert figures.precision is not None
        low, high = figures.precision.mean_interval_mm
        assert low <= truth <= high
    assert compared.pairing is not None
    assert {end.name for g in compared.pairing.best.groups for end in g.ends} == {
        b.name for b in found.bobbins
    }


def test_the_skein_came_out_near_its_forecast(found: SpinFound) -> None:
    (one,) = found.forecasts
    (skein,) = found.skeins
    assert skein.unwashed is not None
    assert one.made.plies == 3
    # Plies pack a little closer or wider than round strands laid by geometry do.
    assert skein.unwashed.mean_mm == pytest.approx(one.made.mean_mm, rel=0.12)


def test_the_skein_is_told_whole(notebook: Notebook, found: SpinFound) -> None:
    (skein,) = found.skeins
    looked = look_at(notebook, skein.skein.id)
    assert looked.washed is not None
    assert looked.route is not None
    assert looked.route.length_m is not None
    amounts = STORY["skein"]["amounts"]
    length = amounts["circumference_mm"] * amounts["rounds"] / 1000
    assert looked.route.length_m.value == pytest.approx(length)
    assert looked.swelling is not None
    assert looked.swelling.percent > 0, "it was rendered fuller"
    turned = looked.washed.twist
    assert turned is not None
    rendered = {
        strand_of(s)["turns_per_inch"]
        for s in STORY["pictures"]
        if s.get("section", {}).get("washed")
    }
    assert rendered
    low, high = turned.turns_per_inch.interval
    assert all(low <= true <= high for true in rendered)
    assert looked.suit is not None
    label = label_of(looked)
    assert label.name == STORY["skein"]["name"]
    assert label.wpi
    assert len(label.strip_mm)


def test_the_report_says_all_of_it(found: SpinFound) -> None:
    page = report_html(report_of(found))
    (drift,) = (f.drift for f in found.figures if f.bobbin.name == DRIFTS)
    for words in (STORY["spin"]["name"], drift.sentence[1:], "Came out, washed", "Knit a swatch"):
        assert escape(words) in page
    assert page.count("data:image/jpeg") == 12


def test_the_command_shows_it_without_a_window(path: Path) -> None:
    """With the notebook made above: it is taken as it is."""
    done = CliRunner().invoke(cli, ["demo", "--spin", "--no-window", "--out", str(path.parent)])
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    # It sets in late and goes fast: a step says it about as well as a line.
    assert re.search(rf"{DRIFTS}: (drifting thicker|thicker by a step): \d", said)
    for name, pages in (("report.pdf", 2), ("label.pdf", 1)):
        read = pypdf.PdfReader(io.BytesIO((path.parent / name).read_bytes()))
        assert len(read.pages) >= pages
        assert STORY["skein"]["name"] in read.pages[0].extract_text()
