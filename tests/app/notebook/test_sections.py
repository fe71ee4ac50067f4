"""Finished skeins in the notebook: what is written of them, and the sections read round them."""

from __future__ import annotations

import csv
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hostile_texts import HOSTILE_TEXTS
from logged_strands import SCALE, a_strand
from notebook_bits import bits

from app.notebook.errors import NotebookError
from app.notebook.exchange import export_json, import_json
from app.notebook.file import connect
from app.notebook.records import Sitting, Skein
from app.notebook.salvage import salvage
from app.notebook.skein_records import Amounts, Finish, LabelWords, Section, Wanted
from app.notebook.store import Notebook
from app.notebook.table import SECTION_CSV_COLUMNS, export_sections_csv, text_of_cell

NOW = datetime(2026, 3, 9, 18, 0, tzinfo=UTC)
FULL = {
    "plies": 3,
    "counts_for_learning": False,
    "finish": Finish("2026-03-08", "soaked, thwacked", 1.5, "Z"),
    "amounts": Amounts(
        101.5, 0.5, 1480.25, 10.0, 152.0, 1828.8, 5.0, 0.91, 0.005, 1 / 3, 2.0, 231.5, 1.0,
        "counter", 27.0, 50.8,
    ),
    "wanted": Wanted("Ferry socks", "spin-off", "Sport", 14.0, 16.0, 333.3),
    "label": LabelWords("Wool", "Moss", "Cool hand wash", HOSTILE_TEXTS[0]),
}  # fmt: skip


@pytest.fixture
def skein(notebook: Notebook, sitting: Sitting) -> Skein:
    spin = notebook.bobbin(sitting.bobbin_id).spin_id
    return notebook.add_skein(spin, "S1", [sitting.bobbin_id], method="chain")


def take(notebook: Notebook, skein: Skein, seed: int, **more: object) -> Section:
    given: dict[str, object] = {
        "taken_at": NOW + timedelta(minutes=seed),
        "washed": seed % 2 == 0,
        "layer": ("outside", "middle", "inside", None)[seed % 4],
        "hour": 1 + seed % 12 if seed % 4 else None,
        "printed_card": "desk 1",
        "source": f"IMG_{seed}.jpg",
        "scale": SCALE,
    }
    strand = a_strand(seed, entries=20)
    return notebook.add_section(skein.id, strand, **(given | more))  # type: ignore[arg-type]


def test_everything_about_a_skein_and_its_sections_is_there_after_closing(
    path: Path, notebook: Notebook, skein: Skein
) -> None:
    changed = notebook.update_skein(replace(skein, **FULL))  # type: ignore[arg-type]
    assert changed == replace(skein, **FULL)  # type: ignore[arg-type]
    taken = [take(notebook, skein, seed, note=text) for seed, text in enumerate(HOSTILE_TEXTS)]
    notebook.close()
    with Notebook.open(path) as opened:
        assert opened.skein(skein.id) == changed
        there = opened.sections(skein.id)
        assert [t.number for t in there] == list(range(1, len(HOSTILE_TEXTS) + 1))
        for seed, (light, was) in enumerate(zip(there, taken, strict=True)):
            assert light == replace(was, scale=None)
            whole = opened.section(light.id)
            assert whole == was
            assert bits(whole.reading) == bits(a_strand(seed, entries=20))
        assert opened.check().problems == ()


@pytest.mark.parametrize(
    "nonsense",
    [
        {"plies": 0},
        {"finish": Finish(washed_on="8 March")},
        {"finish": Finish(washed_on="20260308")},
        {"finish": Finish(hang_turns=-1.0)},
        {"finish": Finish(hang_twist="Q")},  # type: ignore[arg-type]
        {"amounts": Amounts(weight_g=0.0)},
        {"amounts": Amounts(rounds=float("nan"))},
        {"amounts": Amounts(grist_within_percent=100.0)},
        {"amounts": Amounts(length_from="guess")},  # type: ignore[arg-type]
        {"wanted": Wanted(wanted_wpi_low=15.0, wanted_wpi_high=14.0)},
    ],
)
def test_nonsense_is_refused_and_nothing_is_changed(
    notebook: Notebook, skein: Skein, nonsense: dict[str, object]
) -> None:
    with pytest.raises(NotebookError) as caught:
        notebook.update_skein(replace(skein, **nonsense))  # type: ignore[arg-type]
    assert caught.value.code == "bad_value"
    assert notebook.skein(skein.id) == skein


@pytest.mark.parametrize("place", [{"layer": "top"}, {"hour": 13}, {"hour": 0}])
def test_a_section_lies_somewhere_on_the_skein(
    notebook: Notebook, skein: Skein, place: dict[str, object]
) -> None:
    with pytest.raises(NotebookError):
        take(notebook, skein, 1, **place)
    with pytest.raises(NotebookError) as caught:
        take(notebook, replace(skein, id="no such"), 1)
    assert caught.value.code == "gone"
    assert notebook.sections(skein.id) == []


def test_changes_of_skein_and_sections_are_undone_and_redone(
    notebook: Notebook, skein: Skein
) -> None:
    first, second = take(notebook, skein, 1), take(notebook, skein, 2)
    moved = notebook.update_section(replace(first, layer="inside", hour=3, washed=True, note="n"))
    assert (moved.layer, moved.hour, moved.washed, moved.note) == ("inside", 3, True, "n")
    notebook.take_back_section(second.id)
    changed = notebook.update_skein(replace(skein, **FULL))  # type: ignore[arg-type]
    assert [t.number for t in notebook.sections(skein.id)] == [1]
    assert [t.number for t in notebook.sections(skein.id, taken_back=True)] == [2]
    assert take(notebook, skein, 3).number == 3, "a number is not given again"

    assert notebook.undo() == 'change skein "S1"'
    assert notebook.skein(skein.id) == skein
    assert notebook.undo() == "take back section 2"
    assert notebook.undo() == "change section 1"
    assert notebook.sections(skein.id)[:2] == [replace(t, scale=None) for t in (first, second)]
    for _ in range(3):
        notebook.redo()
    assert notebook.skein(skein.id) == changed
    assert [t.number for t in notebook.sections(skein.id)] == [1, 3]
    notebook.restore_section(second.id)
    assert [t.number for t in notebook.sections(skein.id)] == [1, 2, 3]


def test_deleting_says_that_sections_go_along(notebook: Notebook, skein: Skein) -> None:
    take(notebook, skein, 1)
    notebook.take_back_section(take(notebook, skein, 2).id)
    assert notebook.what_goes_along(skein.id) == "Along with it: 1 section."
    assert notebook.what_goes_along(skein.spin_id) == (
        "Along with it: 1 bobbin, 1 skein, 1 sitting and 1 section."
    )
    notebook.delete(skein)
    assert notebook.what_goes_along(skein.spin_id) == "Along with it: 1 bobbin and 1 sitting."
    notebook.undo()
    assert len(notebook.sections(skein.id)) == 1
    notebook.update_skein(replace(skein, **FULL))  # type: ignore[arg-type]
    assert notebook.search("ferry") == [notebook.skein(skein.id)]


def test_json_and_csv_take_sections_along(notebook: Notebook, skein: Skein, tmp_path: Path) -> None:
    notebook.update_skein(replace(skein, **FULL))  # type: ignore[arg-type]
    bare = tmp_path / "bare.json"
    export_json(notebook, bare)
    for seed, text in enumerate(HOSTILE_TEXTS):
        take(notebook, skein, seed, note=text, source=text)
    notebook.take_back_section(notebook.sections(skein.id)[4].id)
    file, table = tmp_path / "all.json", tmp_path / "sections.csv"
    export_json(notebook, file)
    with Notebook.open(tmp_path / "copy.slubwise") as copy:
        added = import_json(copy, file)
        assert (added.sections, added.skeins) == (len(HOSTILE_TEXTS), 1)
        assert import_json(copy, file).sections == 0
        assert copy.skein(skein.id) == notebook.skein(skein.id)
        for back in (False, True):
            for light in notebook.sections(skein.id, taken_back=back):
                there, here = copy.section(light.id), notebook.section(light.id)
                assert (there, bits(there.reading)) == (here, bits(here.reading))
    with Notebook.open(tmp_path / "taken.slubwise") as other:
        import_json(other, bare)
        take(other, skein, 1)
        assert import_json(other, file).sections == len(HOSTILE_TEXTS)
        # The number was taken meanwhile: the imported one gets the next.
        assert other.sections(skein.id)[-1].number == len(HOSTILE_TEXTS) + 1
        assert other.check().problems == ()
    assert export_sections_csv(notebook, table) == len(HOSTILE_TEXTS) - 1
    with table.open(encoding="utf-8", newline="") as opened:
        rows = list(csv.DictReader(opened))
    assert tuple(rows[0]) == SECTION_CSV_COLUMNS
    kept = notebook.sections(skein.id)
    assert [text_of_cell(row["note"]) for row in rows] == [t.note for t in kept]
    assert [float(row["diameter_mm"]) for row in rows] == [t.diameter_mm for t in kept]


@pytest.mark.parametrize("lost", ["skein", "section_detail", "spin"])
def test_what_is_left_of_a_skein_is_saved(
    path: Path, notebook: Notebook, skein: Skein, lost: str
) -> None:
    notebook.update_skein(replace(skein, **FULL))  # type: ignore[arg-type]
    taken = [take(notebook, skein, seed) for seed in range(3)]
    notebook.close()
    with closing(connect(path, "rw")) as db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(f"DELETE FROM {lost}")
    with Notebook.open(path) as opened:
        assert opened.check().problems
    target = path.with_name("saved.slubwise")
    salvage(path, target)
    with Notebook.open(target) as saved:
        assert saved.check().problems == ()
        there = saved.sections(skein.id)
        assert there == [replace(t, scale=None) for t in taken]
        assert saved.section(there[0].id).reading is not None
        (found,) = [s for p in saved.spins() for s in saved.skeins(p.id)]
        assert found.name == ("Lost skein 1" if lost == "skein" else "S1")
        assert found.plies == (None if lost == "skein" else 3)


def test_a_damaged_notebook_of_the_first_edition_keeps_its_skeins(
    path: Path, old_notebook: Callable[[Path], None]
) -> None:
    old_notebook(path)
    target = path.with_name("saved.slubwise")
    salvage(path, target)
    with Notebook.open(target) as saved:
        (spin,) = saved.spins()
        (skein,) = saved.skeins(spin.id)
        assert (skein.name, skein.counts_for_learning) == ("S1", True)
        assert skein.amounts == Amounts()
        assert len(skein.bobbin_ids) == 2
