"""The command as a person runs it: real files in, text, files and exit codes out."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from app.batch import PictureResult
from app.cli import cli, exit_code
from measure.card import newest_card
from measure.errors import MeasureError
from measure.results import PictureReading

ROOT = Path(__file__).resolve().parents[2]


def _environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def _run(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "app", *map(str, arguments)],
        cwd=cwd,
        env=_environment(),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )


def _invoke(*arguments: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="displays are Linux's affair")
def test_without_a_display_the_window_is_refused_in_a_sentence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for variable in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(variable, raising=False)
    code, out, err = _invoke()
    assert (code, out) == (2, "")
    assert "no display" in err
    assert "slubwise --help" in err


def test_help_names_every_command() -> None:
    code, out, _ = _invoke("--help")
    assert code == 0
    for command in ("card", "measure", "demo", "compare", "notebook"):
        assert command in out


def test_options_of_the_window_are_not_for_commands() -> None:
    code, _, err = _invoke("--source", "sample", "card", "--geometry")
    assert code == 2
    assert "--source" in err


def test_version_is_one_line() -> None:
    code, out, _ = _invoke("--version")
    assert code == 0
    assert out.startswith("slubwise ")
    assert len(out.splitlines()) == 1


@pytest.mark.parametrize("kind", ["desk", "pocket"])
def test_geometry_is_the_cards_own(kind: str) -> None:
    code, out, _ = _invoke("card", "--geometry", "--kind", kind)
    assert code == 0
    geometry = json.loads(out)
    assert geometry == newest_card(kind).geometry()
    assert {"edition", "kind", "size_mm", "lanes", "markers"} == set(geometry)
    assert sorted(lane["kind"] for lane in geometry["lanes"]) == ["banded", "open"]


@pytest.mark.parametrize(
    ("arguments", "name", "begins"),
    [
        ([], "slubwise-card-desk-a4.pdf", b"%PDF"),
        (["--paper", "letter", "--format", "svg"], "slubwise-card-desk-letter.svg", b"<?xml"),
        (["--kind", "pocket", "--format", "png"], "slubwise-card-pocket.png", b"\x89PNG"),
        (["--kind", "pocket", "--out", "mine.svg"], "mine.svg", b"<?xml"),
    ],
)
def test_card_writes_one_file_where_asked(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    name: str,
    begins: bytes,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, _ = _invoke("card", *arguments)
    assert code == 0
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes().startswith(begins)
    assert name in out


def test_card_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    code, _, err = _invoke("card", "--format", "svg", "--out", tmp_path / "nowhere" / "card.svg")
    assert code == 2
    assert "could not be written" in err
    assert "--out" in err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--out", "card.gif"], ".pdf, .svg or .png"),
        (["--out", "card.png", "--format", "pdf"], "make them agree"),
    ],
)
def test_card_is_never_written_under_a_name_of_another_kind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = _invoke("card", *options)
    assert code == 2
    assert words in err
    assert list(tmp_path.iterdir()) == []


def test_csv_names_the_strand_that_was_not_read(tmp_path: Path) -> None:
    code, _, err = _invoke("measure", ROOT / "sample_images" / "too_far_away.jpg", "--csv")
    assert code == 1
    assert "too_far_away.jpg: strand 1: " in err


def test_json_of_a_real_picture(drawn: Path, drawn_mm: tuple[float, ...], tmp_path: Path) -> None:
    done = _run("measure", drawn, "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["picture"] == str(drawn)
    assert document["scale"]["card"] == "pocket 1"
    assert [s["lane"] for s in document["strands"]] == ["banded", "open"]
    for strand, truth in zip(document["strands"], drawn_mm, strict=True):
        assert strand["diameter_mm"] == pytest.approx(truth, rel=0.03)
        # 25.4 mm to the inch, exactly; no wrap factor was given.
        assert strand["wpi"] == pytest.approx(25.4 / strand["diameter_mm"], rel=1e-4)
        low, high = strand["diameter_interval_mm"]
        assert low < strand["diameter_mm"] < high
        steps = np.diff(strand["along"]["position_mm"])
        assert steps.min() > 0
        # The running profile has an entry each 0.25 mm or less.
        assert np.median(steps) <= 0.2505
    assert list(tmp_path.iterdir()) == []


def test_table_names_the_strands(drawn: Path) -> None:
    code, out, err = _invoke("measure", drawn)
    assert code == 0
    assert err == ""
    for words in ("WPI", "Diameter, mm", "banded", "open", "pocket 1 card"):
        assert words in out
    _, inches, _ = _invoke("measure", drawn, "--units", "inch")
    assert "Diameter, in" in inches


def test_options_reach_the_measuring(drawn: Path) -> None:
    def first(*options: str) -> dict[str, object]:
        code, out, _ = _invoke("measure", drawn, "--json", *options)
        assert code == 0
        strand: dict[str, object] = json.loads(out)["strands"][0]
        return strand

    plain = first()
    wrapped = first("--wrap-factor", "1.25")
    assert wrapped["wpi"] == pytest.approx(plain["wpi"] / 1.25, rel=1e-4)  # type: ignore[operator]
    # A card printed 2 % too large: what lies on it is that much thicker than the card says.
    large = first("--printer-x", "1.02", "--printer-y", "1.02")
    assert large["diameter_mm"] == pytest.approx(
        1.02 * plain["diameter_mm"],  # type: ignore[operator]
        rel=0.003,
    )
    assert first("--chart", "spin-off")["weight_classes"] != plain["weight_classes"]


def test_marks_and_dpi_give_the_scale(
    drawn: Path, drawn_mm: tuple[float, ...], tmp_path: Path
) -> None:
    scan = tmp_path / "scan.png"
    with Image.open(drawn) as picture:
        # A part of the open lane, as if scanned without a card; 16 pixels to the millimetre.
        part = picture.crop((320, 560, 1120, 720))
        part.save(scan, dpi=(16 * 25.4, 16 * 25.4))
    marks = f"0,20,{part.width - 1},20,{(part.width - 1) / 16}"
    for source, options in (("marks", ["--marks", marks]), ("dpi", ["--scale", "dpi"])):
        code, out, err = _invoke("measure", scan, "--json", *options)
        assert code == 0, err + out
        document = json.loads(out)
        assert document["scale"]["source"] == source
        assert document["scale"]["mm_per_px"] == pytest.approx(1 / 16, rel=0.002)
        assert document["scale"]["verified"] == (source == "marks")
        (strand,) = document["strands"]
        assert strand["lane"] == "picture"
        assert strand["diameter_mm"] == pytest.approx(drawn_mm[1], rel=0.05)


def test_a_picture_without_a_card_is_refused_with_advice(no_card: Path) -> None:
    code, out, _ = _invoke("measure", no_card)
    assert code == 1
    assert "Not read" in out
    assert "(no_card)" in out
    code, out, _ = _invoke("measure", no_card, "--json")
    assert code == 1
    document = json.loads(out)
    assert document["strands"] == []
    assert [r["code"] for r in document["refusals"]] == ["no_card"]
    code, out, err = _invoke("measure", no_card, "--csv")
    assert code == 1
    assert len(out.splitlines()) == 1
    assert "blank.png" in err


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("text.jpg", b"this is no picture"),
        ("empty.png", b""),
        ("missing.jpg", None),
        ("folder.tif", "folder"),
    ],
)
def test_unreadable_files_end_in_a_sentence(
    tmp_path: Path, name: str, content: bytes | str | None
) -> None:
    file = tmp_path / name
    if isinstance(content, bytes):
        file.write_bytes(content)
    elif content == "folder":
        file.mkdir()
    code, _, err = _invoke("measure", file)
    assert code == 2
    assert name in err
    assert len(err.splitlines()) == 1
    assert "Traceback" not in err


def test_truncated_picture_is_said_to_be_so(drawn: Path, tmp_path: Path) -> None:
    content = drawn.read_bytes()
    file = tmp_path / "cut.jpg"
    file.write_bytes(content[: len(content) // 2])
    code, out, err = _invoke("measure", file, "--json")
    assert code == 2
    document = json.loads(out)
    assert [r["code"] for r in document["refusals"]] == ["truncated_file"]
    assert document["size_px"] is None
    assert "cut.jpg" in err


def test_folder_in_order_with_every_kind_of_outcome(
    drawn: Path, drawn_mm: tuple[float, ...], no_card: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "pictures"
    folder.mkdir()
    shutil.copy(drawn, folder / "b.JPG")
    shutil.copy(drawn, folder / "d.jpg")
    shutil.copy(no_card, folder / "a.png")
    (folder / "c.jpg").write_bytes(b"broken")
    (folder / "notes.txt").write_text("not a picture and not asked for")
    shutil.copy(no_card, folder / ".hidden.png")
    done = _run("measure", folder, "--json", "--overlay", tmp_path / "drawn", cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert "c.jpg" in done.stderr
    pictures = json.loads(done.stdout)["pictures"]
    assert [Path(p["picture"]).name for p in pictures] == ["a.png", "b.JPG", "c.jpg", "d.jpg"]
    assert [p["read"] for p in pictures] == [False, True, False, True]
    # Many processes give what one gives: each worker is of its own.
    assert pictures[1]["strands"] == pictures[3]["strands"]
    for one, truth in zip(pictures[3]["strands"], drawn_mm, strict=True):
        assert one["diameter_mm"] == pytest.approx(truth, rel=0.03)
    assert sorted(p.name for p in (tmp_path / "drawn").iterdir()) == [
        "a-overlay.png",
        "b-overlay.png",
        "d-overlay.png",
    ]


def test_the_worst_of_several_pictures_is_the_exit_code(
    reading: PictureReading, empty_reading: PictureReading
) -> None:
    read, refused = (PictureResult(Path("a"), r) for r in (reading, empty_reading))
    broken = PictureResult(Path("b"), None, MeasureError("truncated_file", "x", "y"))
    not_drawn = PictureResult(Path("c"), reading, None, "disk full")
    assert exit_code([read, read]) == 0
    assert exit_code([read, refused]) == exit_code([refused, read]) == 1
    assert exit_code([broken, refused, read]) == exit_code([refused, not_drawn]) == 2


def test_csv_of_a_real_picture(drawn: Path, drawn_mm: tuple[float, ...]) -> None:
    code, out, _ = _invoke("measure", drawn, "--csv")
    assert code == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [r["strand"] for r in rows] == ["1", "2"]
    for row, truth in zip(rows, drawn_mm, strict=True):
        assert float(row["diameter_mm"]) == pytest.approx(truth, rel=0.03)


def test_overlay_is_the_picture_with_a_panel(drawn: Path, tmp_path: Path) -> None:
    file = tmp_path / "seen.png"
    code, _, _ = _invoke("measure", drawn, "--overlay", file)
    assert code == 0
    with Image.open(drawn) as before, Image.open(file) as after:
        assert after.width == before.width
        assert after.height > before.height
        assert after.tobytes() != before.tobytes()


@pytest.mark.parametrize(
    ("overlay", "words"),
    [
        ("seen.xyz", "ending in"),
        ("nowhere/seen.png", "does not exist"),
        ("copy.jpg", "overwrite"),
    ],
)
def test_overlay_that_makes_no_sense_is_refused_before_measuring(
    drawn: Path, tmp_path: Path, overlay: str, words: str
) -> None:
    shutil.copy(drawn, tmp_path / "copy.jpg")
    before = (tmp_path / "copy.jpg").read_bytes()
    code, out, err = _invoke("measure", tmp_path / "copy.jpg", "--overlay", tmp_path / overlay)
    assert code == 2
    assert out == ""
    assert words in err
    assert (tmp_path / "copy.jpg").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["copy.jpg"]


def test_overlay_of_several_pictures_needs_a_folder(drawn: Path, tmp_path: Path) -> None:
    (tmp_path / "file.png").write_bytes(b"")
    code, _, err = _invoke("measure", drawn, drawn, "--overlay", tmp_path / "file.png")
    assert code == 2
    assert "folder" in err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_full_disk_ends_in_a_sentence(drawn: Path, tmp_path: Path) -> None:
    link = tmp_path / "seen.png"
    link.symlink_to("/dev/full")
    code, out, err = _invoke("measure", drawn, "--overlay", link)
    assert code == 2
    assert "banded" in out
    assert "No space left" in err
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "app", "card", "--geometry"],
            env=_environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 2
    assert "No space left" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--json", "--csv"], "exclude each other"),
        (["--marks", "1,2,3"], "five numbers"),
        (["--marks", "1,2,nan,4,5"], "five numbers"),
        (["--marks", "1,2,3,4,5", "--scale", "dpi"], "exclude each other"),
        (["--chart", "none-such"], "craft-yarn-council"),
        (["--printer-x", "3"], "--printer-x"),
        (["--wrap-factor", "0,9"], "--wrap-factor"),
        (["--units", "ell"], "--units"),
    ],
)
def test_bad_use_says_what_is_wrong(drawn: Path, options: list[str], words: str) -> None:
    code, out, err = _invoke("measure", drawn, *options)
    assert code == 2
    assert out == ""
    assert words in " ".join(err.split())


def test_folder_without_pictures_is_bad_use(tmp_path: Path) -> None:
    code, _, err = _invoke("measure", tmp_path)
    assert code == 2
    assert "holds no picture" in err
    assert "Name the folder they lie in" in err


@pytest.mark.skipif(os.name == "nt", reason="needs signals")
def test_ctrl_c_stops_without_a_traceback(drawn: Path, tmp_path: Path) -> None:
    folder = tmp_path / "drawn"
    # What a shell runs in the background ignores the signal, and would hand that on.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "app", "measure", *[str(drawn)] * 200, "--overlay", str(folder)],
            env=_environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
    finally:
        signal.signal(signal.SIGINT, before)
    try:
        # The folder is made just before the measuring begins.
        while process.poll() is None and not folder.exists():
            time.sleep(0.01)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    finally:
        process.kill()
    # Python itself dies of the signal when it arrives while a module is being made.
    assert process.returncode in (130, -signal.SIGINT)
    assert out == ""
    assert err == "slubwise: stopped.\n"


def test_closed_pipe_is_no_error(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "app", "card", "--geometry"],
        env=_environment(),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    with process.stderr as errors:
        assert errors.read() == b""
    assert process.wait(timeout=60) == 141


@pytest.mark.parametrize(
    "code",
    [
        "import measure; measure.measure_picture",
        "import app.cli",
        "from typer.testing import CliRunner; from app.cli import cli; "
        "assert CliRunner().invoke(cli, ['measure', {picture!r}, '--overlay', {out!r}])"
        ".exit_code == 0",
        "from typer.testing import CliRunner; from app.cli import cli; "
        "assert CliRunner().invoke(cli, ['card', '--format', 'png', '--out', {out!r}])"
        ".exit_code == 0",
    ],
)
def test_no_qt_where_no_window_or_pdf_is_made(drawn: Path, tmp_path: Path, code: str) -> None:
    code = code.format(picture=str(drawn), out=str(tmp_path / "out.png"))
    code += "; import sys; print([m for m in sys.modules if 'PySide' in m or 'pyqtgraph' in m])"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=_environment(),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_help_loads_none_of_the_heavy_libraries(tmp_path: Path) -> None:
    code = (
        "from typer.testing import CliRunner; from app.cli import cli; "
        "assert CliRunner().invoke(cli, ['measure', '--help']).exit_code == 0; import sys; "
        "print([m for m in ('numpy', 'cv2', 'scipy', 'PIL', 'measure') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=_environment(),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.strip() == "[]", done.stderr


def test_demo_measures_the_shipped_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = _invoke("demo", "--no-window")
    assert code == 0, err
    assert "rendered by computer" in out
    assert "WPI" in out
    (folder,) = tmp_path.iterdir()
    assert folder.name == "slubwise-demo"
    names = sorted(p.name for p in folder.iterdir())
    assert [n.split("-")[-1] for n in names] == ["drift.png", "overlay.png"]
    for name in names:
        with Image.open(folder / name) as image:
            assert image.width >= 600
