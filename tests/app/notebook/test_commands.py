"""`slubwise notebook ...` as a person types it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from logged_strands import Log
from typer.testing import CliRunner

from app.notebook.store import Notebook
from app.notebook_commands import notebook_app


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(notebook_app, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def three(log: Log, notebook: Notebook) -> Path:
    """A notebook with three readings, in use by a window."""
    for seed in range(3):
        log(seed)
    return notebook.path


def test_backup_check_and_restore(three: Path, notebook: Notebook, log: Log) -> None:
    copy = three.with_name("copy.slubwise")
    code, out, _ = run("backup", copy, "--notebook", three)
    assert code == 0
    assert "3 readings" in out
    code, out, _ = run("check", "--notebook", copy)
    assert (code, out) == (0, f"{copy} is sound: 3 readings.\n")
    log(4)
    code, out, _ = run("restore", copy, "--notebook", three)
    assert code == 0
    assert "3 readings" in out
    aside = Path(out.split("What was there is now ")[1].rstrip().rstrip("."))
    code, out, _ = run("check", "--notebook", aside)
    assert "4 readings" in out


def test_export_and_import(three: Path) -> None:
    file = three.with_name("all.json")
    fresh = three.with_name("fresh.slubwise")
    assert run("export", file, "--notebook", three) == (0, f"Wrote {file}: 3 readings.\n", "")
    assert len(json.loads(file.read_text(encoding="utf-8"))["readings"]) == 3
    code, out, _ = run("import", file, "--notebook", fresh)
    assert code == 0
    assert "1 spin, 1 bobbin, 1 sitting, 0 skeins, 3 readings" in out
    code, out, _ = run("import", file, "--notebook", fresh)
    assert "6 entries were here already" in out
    table = three.with_name("all.CSV")
    code, _, _ = run("export", table, "--notebook", fresh)
    assert code == 0
    with table.open(encoding="utf-8", newline="") as opened:
        assert len(list(csv.DictReader(opened))) == 3


def test_a_damaged_notebook_is_told_with_code_1_and_saved(three: Path, notebook: Notebook) -> None:
    notebook.close()
    content = bytearray(three.read_bytes())
    content[-4096:] = b"\xa5" * 4096
    three.write_bytes(content)
    code, out, _ = run("check", "--notebook", three)
    assert code == 1
    assert "salvage NEW" in out
    new = three.with_name("new.slubwise")
    code, out, _ = run("salvage", new, "--notebook", three)
    assert code == 0
    assert f"Saved from {three} to {new}: " in out
    code, out, _ = run("check", "--notebook", new)
    assert code == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["check"], "There is no notebook"),
        (["backup", "copy.slubwise"], "There is no notebook"),
        (["restore", "none.slubwise"], "There is no notebook"),
        (["export", "x.json"], "There is no notebook"),
        (["import", "none.json"], "cannot be imported"),
        (["salvage", "new.slubwise"], "There is no notebook"),
    ],
)
def test_what_is_missing_is_told_in_one_sentence_with_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*arguments, "--notebook", "own.slubwise")
    assert (code, out) == (2, "")
    assert err.startswith("slubwise: ")
    assert says in err
    assert len(err.splitlines()) == 1


def test_other_endings_are_refused(three: Path) -> None:
    code, _, err = run("export", three.with_name("all.xlsx"), "--notebook", three)
    assert code == 2
    assert ".json" in err
    assert ".csv" in err


def test_without_the_option_it_is_the_own_notebook(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "own" / "notebook.slubwise"
    monkeypatch.setattr("app.notebook.file.default_path", lambda: own)
    code, _, err = run("check")
    assert code == 2
    assert str(own) in err
    with Notebook.open() as notebook:
        notebook.add_spin("x")
    assert run("check") == (0, f"{own} is sound: 0 readings.\n", "")
