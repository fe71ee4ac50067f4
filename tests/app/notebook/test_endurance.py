"""Killed programs, full disks, folders that cannot be written to, several programs at once."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from logged_strands import a_strand

from app.notebook.backup import back_up, restore
from app.notebook.errors import NotebookError
from app.notebook.records import LoggedReading
from app.notebook.store import Notebook

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="uses POSIX processes and limits")

ROOT = Path(__file__).resolve().parents[3]
SUPPORT = ROOT / "tests" / "support"
NOW = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def start(*arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(SUPPORT / "notebook_child.py"), *map(str, arguments)],
        env=os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{SUPPORT}"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def said(child: subprocess.Popen[str]) -> list[dict[str, Any]]:
    """Everything a child said, once it has ended well."""
    out, err = child.communicate(timeout=120)
    assert (child.returncode, err) == (0, "")
    return [json.loads(line) for line in out.splitlines()]


def put(notebook: Notebook, sitting_id: str, seed: int, entries: int = 200) -> LoggedReading:
    return notebook.log(
        sitting_id,
        a_strand(seed, entries=entries),
        taken_at=NOW,
        posture="tension",
        printed_card="",
        source="",
    )


def begin(notebook: Notebook) -> str:
    """A sitting on a fresh bobbin."""
    bobbin = notebook.add_bobbin(notebook.add_spin("Wool").id, "B1")
    return notebook.begin_sitting(bobbin.id, NOW).id


def ids_in(notebook: Notebook) -> list[str]:
    """Ids of all readings, each of which unpacks."""
    return [
        notebook.reading(light.id).id
        for spin in notebook.spins()
        for bobbin in notebook.bobbins(spin.id)
        for light in notebook.readings(bobbin.id)
    ]


def test_fifty_killed_programs_lose_nothing_they_had_logged(tmp_path: Path) -> None:
    # The bench of the same name does a thousand.
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.notebook_kills", "--kills", "50", "--folder", tmp_path],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.stderr == ""
    outcome = json.loads(done.stdout)
    assert (outcome["lost"], outcome["wrong"], outcome["unsound"]) == (0, 0, [])
    assert outcome["kills"] == 50
    assert outcome["said"] >= 50
    assert done.returncode == 0


def test_programs_that_begin_one_notebook_at_once_log_side_by_side(path: Path) -> None:
    go = path.with_name("go")
    children = [start("--wait-for", go, "log", path, 20) for _ in range(2)]
    for child in children:
        assert child.stdout is not None
        assert json.loads(child.stdout.readline()) == {"ready": True}
    go.touch()
    logged = [line["logged"] for child in children for line in said(child)]
    assert len(set(logged)) == 40
    with Notebook.open(path) as notebook:
        assert sorted(ids_in(notebook)) == sorted(logged)
        for spin in notebook.spins():
            for bobbin in notebook.bobbins(spin.id):
                numbers = [r.number for r in notebook.readings(bobbin.id)]
                assert numbers == list(range(1, len(numbers) + 1))
        assert notebook.check().problems == ()


def test_a_notebook_held_by_another_program_is_told_and_comes_free(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.notebook.file.BUSY_S", 0.2)
    with Notebook.open(path) as mine, Notebook.open(path) as theirs:
        sitting = begin(mine)
        with theirs.transaction():
            with pytest.raises(NotebookError) as caught:
                put(mine, sitting, 1)
            assert caught.value.code == "busy"
            assert ids_in(mine) == [], "reading goes on meanwhile"
            with Notebook.open(path) as third:
                assert third.why_not is None
        put(mine, sitting, 1)


def log_until_refused(notebook: Notebook, sitting: str, logged: list[str]) -> NotebookError:
    """Log until it is refused; ids of what was logged go into `logged`."""
    for seed in range(2000):
        try:
            logged.append(put(notebook, sitting, seed).id)
        except NotebookError as error:
            return error
    raise AssertionError("the disk is larger than it should be")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of four megabytes."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = shutil.which("mount")
    if mount is None or os.geteuid() != 0:
        pytest.skip("only root can mount a small disk")
    made = subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=4m", "none", disk], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no small disk can be mounted here")
    yield disk
    subprocess.run(["umount", disk], check=True)


def test_a_full_disk_stops_logging_and_loses_nothing(small_disk: Path, tmp_path: Path) -> None:
    path = small_disk / "spinning.slubwise"
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(2_000_000))
    logged: list[str] = []
    with Notebook.open(path) as notebook:
        sitting = begin(notebook)
        spin = notebook.spins()[0]
        error = log_until_refused(notebook, sitting, logged)
        assert error.code == "disk_full"
        assert "safe" in error.text
        assert len(logged) > 20
        assert ids_in(notebook) == logged
        target = small_disk / "copy.slubwise"
        with pytest.raises(NotebookError) as caught:
            back_up(notebook, target)
        assert caught.value.code == "disk_full"
        assert not target.exists()
        assert sorted(p.name for p in small_disk.iterdir() if p.name.endswith(".part")) == []
        back_up(notebook, tmp_path / "elsewhere.slubwise")
    with Notebook.open(path) as notebook:  # opens on the full disk as well
        assert ids_in(notebook) == logged
        ballast.unlink()
    with Notebook.open(path) as notebook:
        assert notebook.why_not is None
        logged.append(put(notebook, sitting, 0).id)
        notebook.delete(spin)
        notebook.undo()
        assert ids_in(notebook) == logged
        assert notebook.check().problems == ()
    with Notebook.open(tmp_path / "elsewhere.slubwise") as copy:
        assert ids_in(copy) == logged[:-1]


def test_what_could_only_be_looked_at_is_written_to_when_it_can_be(small_disk: Path) -> None:
    path = small_disk / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        sitting = begin(notebook)
        logged = [put(notebook, sitting, 1).id]
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with Notebook.open(path) as notebook:
        assert ids_in(notebook) == logged
        for _ in range(2):
            with pytest.raises(NotebookError) as caught:
                put(notebook, sitting, 2)
            assert caught.value.code == "read_only"
            assert notebook.why_not is not None
        subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
        logged.append(put(notebook, sitting, 3).id)
        assert notebook.why_not is None
        assert ids_in(notebook) == logged
        assert notebook.check().problems == ()


def test_a_quota_stops_logging_and_loses_nothing(path: Path) -> None:
    # The system's limit on the size of a file stands for a quota: writing fails in the same way.
    lines = said(start("--most-bytes", 1_500_000, "log", path, 1000))
    logged = [line["logged"] for line in lines if "logged" in line]
    assert lines[-1]["code"] == "disk_failed"
    assert "quota" in lines[-1]["advice"]
    assert len(logged) > 20
    with Notebook.open(path) as notebook:
        assert ids_in(notebook) == logged
        assert notebook.check().problems == ()


@pytest.fixture
def locked() -> Iterator[Path]:
    """A folder that anybody may read; `lock` it after filling."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


def lock(folder: Path) -> None:
    """Let nobody but root write there."""
    for file in folder.iterdir():
        file.chmod(0o444)
    folder.chmod(0o555)


def test_in_a_read_only_folder_it_can_be_looked_at(locked: Path) -> None:
    path = locked / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        sitting = begin(notebook)
        logged = [put(notebook, sitting, seed).id for seed in range(3)]
    lock(locked)
    before = path.read_bytes()
    looked, told = said(start("--nobody", "look-and-write", path))[-2:]
    assert looked == {"ids": logged, "why_not": "read_only"}
    assert told["code"] == "read_only"
    assert str(path) in told["text"]
    assert path.read_bytes() == before
    assert [p.name for p in locked.iterdir()] == [path.name]


def test_late_commits_are_read_in_a_read_only_folder_too(locked: Path, tmp_path: Path) -> None:
    path = tmp_path / "spinning.slubwise"
    with Notebook.open(path) as notebook:
        sitting = begin(notebook)
        logged = [put(notebook, sitting, seed).id for seed in range(3)]
        # As a killed program leaves it: the last commits are only in the log beside the file.
        for end in ("", "-wal"):
            shutil.copyfile(f"{path}{end}", locked / f"spinning.slubwise{end}")
    lock(locked)
    there = locked / "spinning.slubwise"
    assert said(start("--nobody", "look", there))[-1] == {"ids": logged, "why_not": "read_only"}
    assert sorted(p.name for p in locked.iterdir()) == [there.name, there.name + "-wal"]


def test_a_new_notebook_in_a_read_only_folder_is_refused(locked: Path) -> None:
    lock(locked)
    told = said(start("--nobody", "write", locked / "new.slubwise"))[-1]
    assert told["code"] == "read_only"
    assert list(locked.iterdir()) == []


def test_a_backup_on_a_disk_that_cannot_be_written_to_is_restored(locked: Path, path: Path) -> None:
    with Notebook.open(path) as notebook:
        logged = [put(notebook, begin(notebook), 1).id]
        back_up(notebook, locked / "copy.slubwise")
    lock(locked)
    again = path.with_name("again.slubwise")
    assert restore(locked / "copy.slubwise", again).readings == 1
    with Notebook.open(again) as notebook:
        assert ids_in(notebook) == logged
