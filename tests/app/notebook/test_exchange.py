"""JSON and CSV out, JSON in: nothing lost, nothing set off."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hostile_texts import HOSTILE_TEXTS
from hypothesis import given, settings
from hypothesis import strategies as st
from logged_strands import Log, a_strand
from notebook_bits import bits

from app.notebook.errors import NotebookError
from app.notebook.exchange import EDITION, Imported, export_json, import_json
from app.notebook.json_stream import members
from app.notebook.records import Aim, Sitting
from app.notebook.store import Notebook
from app.notebook.table import COLUMNS, cell_of_text, export_csv, text_of_cell

BEGUN = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def everything(notebook: Notebook) -> list[Any]:
    """All that a notebook holds, to compare: deleted things, pictures and bits of readings too."""
    whole: list[Any] = []
    for gone in (False, True):
        for spin in notebook.spins(deleted=gone):
            whole.append(spin)
            for lost in (False, True):
                whole += notebook.skeins(spin.id, deleted=lost)
                for bobbin in notebook.bobbins(spin.id, deleted=lost):
                    whole += [bobbin, *notebook.sittings(bobbin.id)]
                    for back in (False, True):
                        for light in notebook.readings(bobbin.id, taken_back=back):
                            full = notebook.reading(light.id)
                            whole += [full, bits(full.reading), notebook.picture(light.id)]
    return whole


def fill(notebook: Notebook, sitting: Sitting, log: Log) -> None:
    """A little of everything, hostile texts in every place that takes one."""
    for seed, text in enumerate(HOSTILE_TEXTS):
        log(
            seed,
            note=text,
            source=text,
            printed_card=text,
            printed_card_id=text,
            spun_g=seed / 3,
            picture_jpeg=bytes(range(seed)) if seed % 3 else None,
        )
    aim = Aim(0.1, 1 / 3, 2, HOSTILE_TEXTS[0], HOSTILE_TEXTS[22])
    spin = notebook.add_spin(
        HOSTILE_TEXTS[0], fibre=HOSTILE_TEXTS[16], colour_note="x", aim=aim, note=HOSTILE_TEXTS[-1]
    )
    first = notebook.add_bobbin(spin.id, HOSTILE_TEXTS[22], empty_g=0.1, full_g=0.1 + 0.2)
    notebook.end_sitting(notebook.begin_sitting(first.id, BEGUN).id, BEGUN)
    second = notebook.add_bobbin(spin.id, HOSTILE_TEXTS[24])
    notebook.add_skein(spin.id, "S", [second.id, first.id, sitting.bobbin_id], method="=1")
    notebook.delete(second)
    notebook.delete(notebook.add_skein(spin.id, "T", [first.id]))
    notebook.delete(notebook.add_spin("gone"))
    notebook.take_back(notebook.readings(sitting.bobbin_id)[3].id)


def test_json_comes_back_whole_and_only_once(
    notebook: Notebook, sitting: Sitting, log: Log, tmp_path: Path
) -> None:
    fill(notebook, sitting, log)
    file = tmp_path / "all.json"
    assert export_json(notebook, file) == len(HOSTILE_TEXTS)
    with Notebook.open(tmp_path / "copy.slubwise") as copy:
        added = import_json(copy, file)
        assert added == Imported(3, 3, 2, 2, len(HOSTILE_TEXTS), 0)
        assert everything(copy) == everything(notebook)
        again = import_json(copy, file)
        assert again == Imported(known=3 + 3 + 2 + 2 + len(HOSTILE_TEXTS))
        assert everything(copy) == everything(notebook)
        assert copy.check().problems == ()
        second = tmp_path / "again.json"
        export_json(copy, second)
    before, after = (json.loads(f.read_text(encoding="utf-8")) for f in (file, second))
    assert before.pop("written_at") <= after.pop("written_at")
    for part in before:
        if isinstance(before[part], list):
            before[part].sort(key=lambda item: item["id"])
            after[part].sort(key=lambda item: item["id"])
    assert before == after


def test_json_is_plain_json_with_a_measured_strand_as_elsewhere(
    notebook: Notebook, sitting: Sitting, log: Log, tmp_path: Path
) -> None:
    log(3)
    file = tmp_path / "all.json"
    export_json(notebook, file)

    def refuse(name: str) -> None:
        raise AssertionError(name)

    plain = json.loads(file.read_bytes(), parse_constant=refuse)  # RFC 8259 knows no NaN
    assert plain["notebook"] == EDITION
    (reading,) = plain["readings"]
    strand = a_strand(3, entries=20)
    assert reading["taken_at"] == "2026-03-01T18:03:00Z"
    assert reading["reading"]["along"]["position_mm"] == strand.along.position_mm.tolist()
    gaps = [math.isnan(d) for d in strand.along.diameter_mm]
    assert [d == "NaN" for d in reading["reading"]["along"]["diameter_mm"]] == gaps


def test_without_pictures_the_rest_is_there(notebook: Notebook, log: Log, tmp_path: Path) -> None:
    reading = log(1, picture_jpeg=b"jpeg")
    export_json(notebook, tmp_path / "all.json", pictures=False)
    with Notebook.open(tmp_path / "copy.slubwise") as copy:
        import_json(copy, tmp_path / "all.json")
        there = copy.reading(reading.id)
        assert there == replace(reading, has_picture=False)
        assert copy.picture(reading.id) is None
        assert copy.check().problems == ()


def test_what_an_older_file_does_not_tell_is_taken_from_what_it_does(
    notebook: Notebook, log: Log, tmp_path: Path
) -> None:
    reading = log(1)
    file = tmp_path / "old.json"
    export_json(notebook, file)
    document = json.loads(file.read_text(encoding="utf-8"))
    for name in ("u_shared_mm", "scale_from", "printed_card_id"):
        del document["readings"][0][name]
    file.write_text(json.dumps(document), encoding="utf-8")
    with Notebook.open(tmp_path / "copy.slubwise") as copy:
        import_json(copy, file)
        assert copy.reading(reading.id) == reading
    assert reading.u_shared_mm == 0.6 * reading.u_diameter_mm
    assert reading.scale_from == "card desk 1"


def test_two_notebooks_that_went_apart_come_together(
    notebook: Notebook, sitting: Sitting, log: Log, tmp_path: Path
) -> None:
    log(1)
    export_json(notebook, tmp_path / "all.json")
    with Notebook.open(tmp_path / "other.slubwise") as other:
        import_json(other, tmp_path / "all.json")
        theirs = other.log(
            sitting.id,
            a_strand(7, entries=5),
            taken_at=BEGUN,
            posture="tension",
            printed_card="",
            source="",
        )
        export_json(other, tmp_path / "other.json")
    mine = log(2)
    assert mine.number == theirs.number == 2
    assert import_json(notebook, tmp_path / "other.json").readings == 1
    numbers = {r.id: r.number for r in notebook.readings(sitting.bobbin_id)}
    assert numbers[mine.id] == 2
    assert numbers[theirs.id] == 3


def changed(document: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """The document with one thing in it replaced."""
    *way, last = [int(part) if part.isdigit() else part for part in path.split(".")]
    place: Any = document
    for part in way:
        place = place[part]
    place[last] = value
    return document


@pytest.mark.parametrize(
    ("where", "value", "says"),
    [
        ("notebook", EDITION + 1, "newer"),
        ("notebook", "1", "edition"),
        ("notebook", None, "edition"),
        ("spins.0.name", 5, "spins[0].name"),
        ("spins.0.name", " ", "name"),
        ("spins.0.id", "other", "belongs to a spin that is missing"),
        ("spins.0.made_at", "2026-03-01T18:00:00", "spins[0].made_at"),
        ("spins.0.prepared_g", -1, "prepared weight"),
        ("spins.0", [], "spins[0]"),
        ("readings.1.number", 0, "fit"),
        ("readings.1.number", 2**70, "int"),
        ("readings.1.id", "", "no id"),
        ("readings.1.posture", "x", "readings[1].posture"),
        ("readings.1.diameter_mm", "NaN", "diameter"),
        ("readings.1.diameter_mm", -1.0, "diameter"),
        ("readings.1.reading", None, "readings[1].reading"),
        ("readings.1.reading.along.diameter_mm", "x", "readings[1].reading.along.diameter_mm"),
        ("readings.1.picture_jpeg", "%%", "base64"),
        ("readings.1.picture_jpeg", None, "has_picture"),
        ("readings.1.sitting_id", "x", "missing"),
    ],
)
def test_a_file_that_is_not_right_changes_nothing_and_says_where(
    notebook: Notebook, log: Log, tmp_path: Path, where: str, value: Any, says: str
) -> None:
    log(1)
    log(2, picture_jpeg=b"jpeg")
    file = tmp_path / "all.json"
    export_json(notebook, file)
    document = changed(json.loads(file.read_text(encoding="utf-8")), where, value)
    file.write_text(json.dumps(document), encoding="utf-8")
    with Notebook.open(tmp_path / "copy.slubwise") as copy:
        with pytest.raises(NotebookError) as caught:
            import_json(copy, file)
        assert caught.value.code == "bad_import"
        assert says in caught.value.text
        assert str(file) in caught.value.text
        assert everything(copy) == []


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{}",
        b"[]",
        b"null",
        b'{"spins": [',
        b'{"notebook": 1} {}',
        b'{"spins": [], "notebook": 1',
        b'{"spins": [{}], "notebook": 1}',
        b'{"notebook": 1, "spins": ' + b"[" * 100_000,
        b'{"notebook": 1, "x": NaN}',
        b"\xff\xfe\x00",
        b'{"notebook": 1, "readings": [{"id": "\xff"}]}',
        b"\x89PNG\r\n\x1a\n",
    ],
)
def test_what_is_no_export_is_refused(notebook: Notebook, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "all.json"
    file.write_bytes(content)
    with pytest.raises(NotebookError) as caught:
        import_json(notebook, file)
    assert caught.value.code == "bad_import"
    assert notebook.spins() == []


def test_a_missing_file_and_half_a_character_are_told(notebook: Notebook, tmp_path: Path) -> None:
    with pytest.raises(NotebookError) as caught:
        import_json(notebook, tmp_path / "nothing.json")
    assert caught.value.code == "bad_import"
    # Half of a UTF-16 pair, as Windows and some file dialogs hand it over, has no UTF-8.
    spin = notebook.add_spin("wool \ud83e and \ud83e\uddf6")
    assert spin.name == "wool \ufffd and 🧶"


def test_an_export_never_runs_over_a_notebook(notebook: Notebook, tmp_path: Path) -> None:
    notebook.add_spin("kept")
    for export in (export_json, export_csv):
        with pytest.raises(NotebookError) as caught:
            export(notebook, notebook.path)
        assert caught.value.code == "bad_target"
        with pytest.raises(NotebookError) as caught:
            export(notebook, tmp_path / "none" / "x")
        assert caught.value.code == "no_folder"
        with pytest.raises(NotebookError) as caught:
            export(notebook, tmp_path)
        assert caught.value.code == "bad_target"
    assert [s.name for s in notebook.spins()] == ["kept"]
    assert [p.name for p in notebook.path.parent.iterdir() if p.name.endswith(".part")] == []


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


class Dribble(io.StringIO):
    """A file that gives one to three characters at a time."""

    def read(self, size: int | None = -1) -> str:
        return super().read(1 + self.tell() % 3)


@settings(max_examples=30, deadline=None)
@given(document=st.dictionaries(st.text(), json_values, max_size=5), indent=st.sampled_from([0, 3]))
def test_reading_bit_by_bit_reads_what_the_json_module_reads(
    document: dict[str, Any], indent: int
) -> None:
    text = json.dumps(document, indent=indent or None, ensure_ascii=bool(indent))
    if any(0xD800 <= ord(c) <= 0xDFFF for c in text):
        return
    rebuilt: dict[str, Any] = {key: [] for key, value in document.items() if value == []}
    for key, value in members(Dribble(text)):
        if isinstance(document[key], list):
            rebuilt.setdefault(key, []).append(value)
        else:
            rebuilt[key] = value
    assert rebuilt == document


def test_csv_has_every_reading_as_it_is(
    notebook: Notebook, sitting: Sitting, log: Log, tmp_path: Path
) -> None:
    fill(notebook, sitting, log)
    file = tmp_path / "all.csv"
    readings = notebook.readings(sitting.bobbin_id)
    assert export_csv(notebook, file) == len(readings) == len(HOSTILE_TEXTS) - 1
    with file.open(encoding="utf-8", newline="") as opened:
        head, *rows = list(csv.reader(opened, strict=True))
    assert tuple(head) == COLUMNS
    assert len(rows) == len(readings)
    for row, reading in zip(rows, readings, strict=True):
        cells = dict(zip(head, row, strict=True))
        assert text_of_cell(cells["note"]) == reading.note
        assert text_of_cell(cells["source"]) == reading.source
        assert float(cells["diameter_mm"]) == reading.diameter_mm
        assert float(cells["spun_g"]) == reading.spun_g
        assert cells["cv_percent"] == (
            "" if reading.cv_percent is None else f"{reading.cv_percent}"
        )
        assert datetime.fromisoformat(cells["taken_at"]) == reading.taken_at
        for cell in row:
            # What spreadsheets take for a formula: OWASP, "CSV Injection" (from memory).
            assert cell[:1] not in ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def test_csv_lines_end_as_rfc_4180_says(notebook: Notebook, log: Log, tmp_path: Path) -> None:
    log(1, note='a "b", c')
    export_csv(notebook, tmp_path / "all.csv")
    content = (tmp_path / "all.csv").read_bytes()
    head, row, end = content.split(b"\r\n")
    assert head.decode() == ",".join(COLUMNS)
    assert b',"a ""b"", c",' in row
    assert end == b""


@given(st.text())
def test_a_cell_gives_its_text_back(text: str) -> None:
    assert text_of_cell(cell_of_text(text)) == text


def test_what_was_deleted_is_not_in_the_csv(
    notebook: Notebook, sitting: Sitting, log: Log, tmp_path: Path
) -> None:
    log(1)
    notebook.delete(notebook.bobbin(sitting.bobbin_id))
    assert export_csv(notebook, tmp_path / "all.csv") == 0
