"""Tables, JSON and CSV of readings made by hand."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from app.batch import PictureResult
from app.report import CSV_COLUMNS, as_csv, as_json, count_places, print_reading
from measure.errors import MeasureError
from measure.results import PictureReading

# The keys the format promises (docs/formats.md), written out so that losing one is noticed.
STRAND_KEYS = {
    "number", "lane", "ground", "diameter_mm", "u_diameter_mm", "diameter_interval_mm", "wpi",
    "wpi_interval", "weight_classes", "cv_percent", "length_mm", "along", "uneven_places",
    "halo_ratio", "light_mm", "dark_mm", "agreement_percent", "budget_mm", "width_px", "plies",
    "turns_per_inch", "turns_per_inch_interval", "twist", "twist_detail", "cautions",
    "ply_balance",
}  # fmt: skip
PICTURE_KEYS = {"picture", "size_px", "read", "scale", "strands", "refusals", "cautions"}


def _table(reading: PictureReading, units: str = "mm") -> str:
    out = io.StringIO()
    print_reading(Console(file=out, width=80), "sock.jpg", reading, units)  # type: ignore[arg-type]
    return out.getvalue()


def test_table_shows_every_number_within_80_columns(reading: PictureReading) -> None:
    text = _table(reading)
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    # Strand 1: 1.25 mm, half interval 0.025 -> three decimals; 25.4 / 1.25 = 20.32, 0.41 -> one.
    for words in (
        "sock.jpg",
        "desk 1 card, 39 markers, tilt 3 degrees",
        "0.2000 mm per pixel",
        "1.250",
        "1.225 to 1.275",
        "20.3",
        "19.9 to 20.7",
        "1 Super Fine",
        "CV 6.2 %",
        "2 thick",
        "1 thin",
        "95 mm",
        "too short",
        "for a CV",
        "strands 1, 2: The picture is soft",
        "(sharpened)",
        "Strand 3: A strand lies along the lane’s edge. Lay it down.",
        "(beside_lane)",
    ):
        assert words in flat, words


def test_nothing_is_cut_short_beside_twist(reading: PictureReading) -> None:
    strands = tuple(
        replace(one, plies=1, turns_per_inch=15.5, turns_per_inch_interval=(14.0, 17.0), twist="Z")
        for one in reading.strands
    )
    text = _table(replace(reading, strands=strands))
    assert "15.5 TPI Z" in text
    assert "…" not in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_table_in_inches(reading: PictureReading) -> None:
    flat = " ".join(_table(reading, "inch").split())
    # 1.25 mm / 25.4 = 0.04921 in; 95 mm = 3.74 in (the inch is 25.4 mm exactly).
    assert "Diameter, in" in flat
    assert "0.0492" in flat
    assert "3.74 in" in flat
    assert " mm " not in flat.replace("mm per pixel", "")


def test_a_place_beyond_two_limits_counts_once(reading: PictureReading) -> None:
    assert count_places(reading.strands[0]) == (2, 1)


def test_json_of_one_picture_is_its_object(reading: PictureReading) -> None:
    document = json.loads(as_json([PictureResult(Path("a.jpg"), reading)]))
    assert set(document) == PICTURE_KEYS | {"slubwise"}
    assert document["picture"] == "a.jpg"
    assert document["size_px"] == [600, 400]
    assert [set(s) for s in document["strands"]] == [STRAND_KEYS, STRAND_KEYS]
    first = document["strands"][0]
    assert first["diameter_mm"] == 1.25
    assert first["diameter_interval_mm"] == [1.225, 1.275]
    assert first["weight_classes"][0] == {"number": 1, "name": "Super Fine"}
    assert first["cautions"] == [
        {"code": "soft_focus", "text": "The picture is soft for so fine a strand."}
    ]
    assert document["strands"][1]["cv_percent"] is None
    assert document["refusals"][0].keys() == {"code", "text", "advice", "strand", "choices"}
    along = first["along"]
    assert {len(along[k]) for k in along} == {400}
    # The gap: JSON has no NaN.
    assert along["diameter_mm"][199] is not None
    assert along["diameter_mm"][200] is None
    assert set(along["ground"]) == {"light", "dark"}


def test_json_of_several_pictures(reading: PictureReading, empty_reading: PictureReading) -> None:
    broken = MeasureError("truncated_file", "The file ends early.", "Copy it again.")
    results = [
        PictureResult(Path("a.jpg"), reading),
        PictureResult(Path("b.jpg"), empty_reading),
        PictureResult(Path("c.jpg"), None, broken),
    ]
    document = json.loads(as_json(results))
    assert set(document) == {"slubwise", "pictures"}
    assert [set(p) for p in document["pictures"]] == [PICTURE_KEYS] * 3
    assert [p["read"] for p in document["pictures"]] == [True, False, False]
    assert document["pictures"][1]["scale"] is None
    assert document["pictures"][2]["refusals"] == [
        {
            "code": "truncated_file",
            "text": "The file ends early.",
            "advice": "Copy it again.",
            "strand": None,
            "choices": [],
        }
    ]


def test_json_never_holds_nan(reading: PictureReading) -> None:
    odd = replace(reading.strands[0], halo_ratio=np.nan, wpi_interval=(19.9, np.inf))
    document = as_json([PictureResult(Path("a"), replace(reading, strands=(odd,)))])
    strand = json.loads(document, parse_constant=pytest.fail)["strands"][0]
    assert strand["halo_ratio"] is None
    assert strand["wpi_interval"] == [19.9, None]


def test_csv_has_a_row_per_strand(reading: PictureReading, empty_reading: PictureReading) -> None:
    text = as_csv(
        [PictureResult(Path("a, b.jpg"), reading), PictureResult(Path("c.jpg"), empty_reading)]
    )
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == list(CSV_COLUMNS)
    assert [(r["picture"], r["strand"]) for r in rows] == [("a, b.jpg", "1"), ("a, b.jpg", "2")]
    assert float(rows[0]["diameter_low_mm"]) == 1.225
    assert rows[0]["weight_classes"] == "1 Super Fine; 2 Fine"
    assert (rows[0]["thick_places"], rows[0]["thin_places"]) == ("2", "1")
    assert rows[1]["cv_percent"] == ""
    assert rows[0]["scale_verified"] == "true"


def test_a_question_comes_with_the_answers_it_takes() -> None:
    asked = MeasureError("ruler_unit", "Its marks may be two things.", "Say which.")
    document = json.loads(as_json([PictureResult(Path("a.jpg"), None, asked)]))
    assert document["refusals"][0]["choices"] == ["mm", "inch"]
