"""The notebook's own promises, on a real file."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from logged_strands import SCALE, Log, a_strand
from notebook_bits import bits

from app.notebook.errors import NotebookError
from app.notebook.file import default_path
from app.notebook.records import Aim, Sitting
from app.notebook.rows import time_of, time_text
from app.notebook.store import Notebook

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def test_everything_about_a_reading_is_there_after_closing(path: Path) -> None:
    aim = Aim(0.4, 0.55, 3, "Super Fine", "soft")
    strand = a_strand(3)
    with Notebook.open(path) as notebook:
        spin = notebook.add_spin(
            "Sock", fibre="wool", colour_note="lot 7", prepared_g=120.5, aim=aim, note="worsted"
        )
        bobbin = notebook.add_bobbin(spin.id, "B1", note="left", empty_g=81.0, full_g=140.0)
        sitting = notebook.begin_sitting(bobbin.id, BEGUN)
        logged = notebook.log(
            sitting.id,
            strand,
            taken_at=BEGUN + timedelta(seconds=1.25),
            posture="relaxed",
            printed_card="pocket 1",
            source="phone",
            spun_g=12.5,
            note="near the leader",
            picture_jpeg=b"\xff\xd8 not looked at",
            scale=SCALE,
        )
        ended = notebook.end_sitting(sitting.id, BEGUN + timedelta(hours=1))
        skein = notebook.add_skein(spin.id, "S1", [bobbin.id], method="chain", note="tight")
    with Notebook.open(path) as notebook:
        assert notebook.spins() == [spin]
        assert notebook.spin(spin.id).aim == aim
        assert notebook.bobbins(spin.id) == [bobbin]
        assert notebook.sittings(bobbin.id) == [ended]
        assert notebook.skeins(spin.id) == [skein]
        (light,) = notebook.readings(bobbin.id)
        whole = notebook.reading(logged.id)
        assert (light.reading, light.scale) == (None, None)
        assert replace(light, scale=SCALE) == whole == logged
        assert whole.reading is not None
        assert bits(whole.reading) == bits(strand)
        assert whole.scale == SCALE
        assert (light.diameter_mm, light.interval_mm) == (
            strand.diameter_mm,
            strand.diameter_interval_mm,
        )
        assert (light.twist, light.turns_per_inch, light.spun_g) == ("Z", 6.1, 12.5)
        assert notebook.picture(logged.id) == b"\xff\xd8 not looked at"
        assert notebook.check().problems == ()


def test_numbers_count_within_the_bobbin_and_are_not_given_twice(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    first = [log(seed) for seed in range(3)]
    assert [r.number for r in first] == [1, 2, 3]
    notebook.take_back(first[2].id)
    assert log(9).number == 4
    notebook.restore(first[2].id)
    assert [r.number for r in notebook.readings(sitting.bobbin_id)] == [1, 2, 3, 4]
    assert [r.number for r in notebook.readings(sitting.bobbin_id, since_number=2)] == [3, 4]
    other = notebook.add_bobbin(notebook.spins()[0].id, "B2")
    elsewhere = notebook.begin_sitting(other.id, BEGUN)
    strand = a_strand(0, entries=4)
    again = notebook.log(
        elsewhere.id, strand, taken_at=BEGUN, posture="plied", printed_card="", source=""
    )
    assert (again.number, again.bobbin_id) == (1, other.id)


def test_times_come_back_in_utc_from_any_zone_and_sort_as_text(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    east = datetime(2026, 3, 1, 23, 30, 0, 7, tzinfo=timezone(timedelta(hours=5, minutes=45)))
    reading = log(0, taken_at=east)
    assert notebook.reading(reading.id).taken_at == east
    assert notebook.reading(reading.id).taken_at.tzinfo is UTC
    times = [datetime(1, 1, 2, tzinfo=UTC), datetime(999, 5, 5, tzinfo=UTC), east, BEGUN]
    assert sorted(times) == [time_of(text) for text in sorted(map(time_text, times))]
    with pytest.raises(ValueError, match="time zone"):
        time_text(datetime(2026, 3, 1))


def test_values_that_make_no_sense_change_nothing(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    spin = notebook.spins()[0]
    bobbin = notebook.bobbin(sitting.bobbin_id)
    kept = log(1)
    for wrong in (
        lambda: notebook.add_spin("  "),
        lambda: notebook.add_spin("x", prepared_g=-1.0),
        lambda: notebook.add_spin("x", prepared_g=float("nan")),
        lambda: notebook.update_spin(replace(spin, aim=Aim(0.6, 0.5))),
        lambda: notebook.update_spin(replace(spin, aim=Aim(plies=0))),
        lambda: notebook.update_bobbin(replace(bobbin, empty_g=10.0, full_g=9.0)),
        lambda: notebook.update_bobbin(replace(bobbin, name="")),
        lambda: log(2, posture="upside down"),
        lambda: log(2, spun_g=float("inf")),
        lambda: notebook.log(
            sitting.id,
            replace(a_strand(1, entries=3), diameter_mm=float("nan")),
            taken_at=BEGUN,
            posture="tension",
            printed_card="",
            source="",
        ),
    ):
        with pytest.raises(NotebookError) as caught:
            wrong()
        assert caught.value.code == "bad_value"
        assert caught.value.text.endswith(".")
    assert notebook.spins() == [spin]
    assert notebook.bobbins(spin.id) == [bobbin]
    assert notebook.readings(bobbin.id) == [replace(kept, scale=None)]
    assert notebook.undo_text == 'make bobbin "B1"'


def test_what_is_not_there_is_told(notebook: Notebook) -> None:
    for ask in (
        lambda: notebook.spin("x"),
        lambda: notebook.bobbin("x"),
        lambda: notebook.skein("x"),
        lambda: notebook.sitting("x"),
        lambda: notebook.reading("x"),
        lambda: notebook.take_back("x"),
        lambda: notebook.begin_sitting("x", BEGUN),
        lambda: notebook.end_sitting("x", BEGUN),
        lambda: notebook.add_bobbin("x", "B"),
    ):
        with pytest.raises(NotebookError) as caught:
            ask()
        assert caught.value.code == "gone"
    assert notebook.picture("x") is None


def test_deleting_says_what_goes_along_and_undo_brings_it_back(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    readings = [log(seed, picture_jpeg=b"jpeg" if seed else None) for seed in range(4)]
    notebook.take_back(readings[3].id)
    spin = notebook.spins()[0]
    bobbin = notebook.bobbin(sitting.bobbin_id)
    empty = notebook.add_bobbin(spin.id, "B2")
    notebook.add_skein(spin.id, "S", [bobbin.id])
    assert notebook.what_goes_along(bobbin.id) == (
        "Along with it: 1 sitting, 3 readings and 2 pictures. 1 skein plied from it stays."
    )
    assert notebook.what_goes_along(empty.id) == "Nothing else goes along."
    assert notebook.delete(spin) == (
        "Along with it: 2 bobbins, 1 skein, 1 sitting, 3 readings and 2 pictures."
    )
    assert notebook.spins() == []
    assert notebook.latest_bobbin() is None
    assert notebook.search("sock") == []
    assert [s.id for s in notebook.spins(deleted=True)] == [spin.id]
    assert notebook.undo() == 'delete spin "Grey sock"'
    assert notebook.spins() == [spin]
    assert [r.id for r in notebook.readings(bobbin.id)] == [r.id for r in readings[:3]]
    assert notebook.latest_bobbin() == bobbin


def test_a_reading_on_a_bobbin_deleted_in_another_window_is_kept(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    with Notebook.open(notebook.path) as other:
        bobbin = other.bobbin(sitting.bobbin_id)
        other.delete(bobbin)
        log(1)
        other.bring_back(bobbin)
        assert len(other.readings(bobbin.id)) == 1


def test_undo_and_redo_walk_through_the_changes(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    reading = log(1)
    bobbin = notebook.bobbin(sitting.bobbin_id)
    notebook.update_bobbin(replace(bobbin, name="Left", empty_g=80.0))
    notebook.take_back(reading.id)
    notebook.update_reading(replace(reading, note="slub", posture="relaxed"))
    assert notebook.undo_text == "change reading 1"
    assert notebook.undo() == "change reading 1"
    assert notebook.reading(reading.id).note == ""
    assert notebook.undo() == "take back reading 1"
    assert notebook.undo() == 'change bobbin "Left"'
    assert notebook.bobbin(bobbin.id) == bobbin
    assert notebook.redo_text == 'change bobbin "Left"'
    notebook.redo()
    assert notebook.redo() == "take back reading 1"
    assert notebook.readings(bobbin.id) == []
    notebook.restore(reading.id)
    assert notebook.redo() is None, "a new change ends what could be redone"
    while notebook.undo():
        pass
    assert notebook.spins() == []
    assert notebook.undo_text is None
    while notebook.redo():
        pass
    assert [r.id for r in notebook.readings(bobbin.id)] == [reading.id]


def test_a_skeins_bobbins_are_changed_and_changed_back(
    notebook: Notebook, sitting: Sitting
) -> None:
    spin = notebook.spins()[0]
    ids = [sitting.bobbin_id, *(notebook.add_bobbin(spin.id, f"B{n}").id for n in (2, 3))]
    skein = notebook.add_skein(spin.id, "S", ids[:2], method="ordinary")
    changed = notebook.update_skein(replace(skein, bobbin_ids=(ids[2], ids[0], ids[2])))
    assert changed.bobbin_ids == (ids[2], ids[0], ids[2])
    notebook.undo()
    assert notebook.skein(skein.id) == skein


def test_undo_does_not_run_over_what_another_window_did(
    notebook: Notebook, sitting: Sitting
) -> None:
    bobbin = notebook.bobbin(sitting.bobbin_id)
    notebook.update_bobbin(replace(bobbin, name="mine"))
    with Notebook.open(notebook.path) as other:
        other.update_bobbin(replace(bobbin, name="theirs"))
    with pytest.raises(NotebookError) as caught:
        notebook.undo()
    assert caught.value.code == "changed_meanwhile"
    assert notebook.bobbin(bobbin.id).name == "theirs"
    assert notebook.undo_text == 'make bobbin "B1"', "and it is not in the way any more"


def test_a_window_learns_of_what_another_did_and_not_of_its_own(
    notebook: Notebook, sitting: Sitting, log: Log
) -> None:
    log(1)
    assert not notebook.changed_elsewhere()
    with Notebook.open(notebook.path) as other:
        assert not notebook.changed_elsewhere(), "opening is no change"
        other.add_spin("Another")
        assert notebook.changed_elsewhere()
        assert not notebook.changed_elsewhere(), "told once"
        log(2)
        assert other.changed_elsewhere()


def test_threads_take_turns(notebook: Notebook, sitting: Sitting) -> None:
    def work(first: int) -> None:
        for seed in range(first, first + 10):
            notebook.log(
                sitting.id,
                a_strand(seed, entries=5),
                taken_at=BEGUN,
                posture="tension",
                printed_card="",
                source="",
            )

    threads = [threading.Thread(target=work, args=(10 * n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [r.number for r in notebook.readings(sitting.bobbin_id)] == list(range(1, 41))
    assert notebook.check().problems == ()


def test_a_list_of_bobbins_has_its_figures(notebook: Notebook, sitting: Sitting, log: Log) -> None:
    readings = [log(seed) for seed in range(5)]
    notebook.take_back(readings[4].id)
    spin = notebook.spins()[0]
    empty = notebook.add_bobbin(spin.id, "B2")
    tallies = notebook.tallies(spin.id)
    tally = tallies[sitting.bobbin_id]
    assert (tally.sittings, tally.readings) == (1, 4)
    assert (tally.first_at, tally.last_at) == (readings[0].taken_at, readings[3].taken_at)
    mean = sum(r.diameter_mm for r in readings[:4]) / 4
    assert tally.mean_diameter_mm == pytest.approx(mean, rel=1e-12)
    assert tallies[empty.id].readings == 0
    assert tallies[empty.id].mean_diameter_mm is None


def test_bobbins_stand_in_the_order_they_are_given(notebook: Notebook, sitting: Sitting) -> None:
    spin = notebook.spins()[0]
    for name in ("B2", "B3"):
        notebook.add_bobbin(spin.id, name)
    assert [(b.name, b.place) for b in notebook.bobbins(spin.id)] == [
        ("B1", 0),
        ("B2", 1),
        ("B3", 2),
    ]
    last = notebook.bobbins(spin.id)[2]
    notebook.update_bobbin(replace(last, place=-1))
    assert [b.name for b in notebook.bobbins(spin.id)] == ["B3", "B1", "B2"]


def test_search_finds_every_word_in_any_script(notebook: Notebook, sitting: Sitting) -> None:
    spin = notebook.add_spin("Жёлтая пряжа", fibre="Blue-faced wool", note="ΣΊΣΥΦΟΣ")
    bobbin = notebook.add_bobbin(spin.id, "100%_B", note="gift")
    skein = notebook.add_skein(spin.id, "Straße", [bobbin.id], method="chain")
    assert notebook.search("ЖЁЛТАЯ wool") == [spin]
    assert notebook.search("σίσυφος") == [spin]
    assert notebook.search("100%_b GIFT") == [bobbin]
    assert notebook.search("STRASSE") == [skein]
    assert notebook.search("wool nothing") == []
    assert notebook.search("  ") == []
    assert [s.name for s in notebook.search("grey")] == ["Grey sock"]


def test_yesterdays_bobbin_is_the_one_sat_at_last(notebook, sitting: Sitting) -> None:
    other = notebook.add_bobbin(notebook.spins()[0].id, "B2")
    notebook.begin_sitting(other.id, BEGUN - timedelta(days=1))
    latest = notebook.latest_bobbin()
    assert latest is not None
    assert latest.id == sitting.bobbin_id


def test_the_own_notebook_lies_in_the_users_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # XDG Base Directory Specification: $XDG_DATA_HOME; elsewhere platformdirs knows the place.
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path))
    if default_path().is_relative_to(tmp_path):  # not so on Windows and macOS
        with Notebook.open() as notebook:
            assert notebook.path == tmp_path / "data" / "slubwise" / "notebook.slubwise"
            assert notebook.path.exists()
    assert default_path().name == "notebook.slubwise"


def test_a_commit_waits_for_the_disk(notebook: Notebook) -> None:
    # https://www.sqlite.org/pragma.html: synchronous 2 is FULL; in WAL that syncs each commit.
    with notebook.connection_beside() as db:
        for name, value in (("synchronous", 2), ("journal_mode", "wal"), ("foreign_keys", 1)):
            assert db.execute(f"PRAGMA {name}").fetchone() == (value,)


def test_deleting_what_is_deleted_changes_nothing(notebook: Notebook) -> None:
    spin = notebook.add_spin("Wool")
    bobbin = notebook.add_bobbin(spin.id, "B1")
    notebook.delete(bobbin)
    before = notebook.bobbin(bobbin.id)
    notebook.undo()
    notebook.redo()
    notebook.delete(bobbin)
    assert notebook.bobbin(bobbin.id) == before
    assert notebook.undo() == 'delete bobbin "B1"'
    assert notebook.bobbin(bobbin.id).deleted_at is None
