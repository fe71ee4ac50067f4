"""A reading comes back from the notebook with every bit it had."""

from __future__ import annotations

import dataclasses
import json
import math
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from logged_strands import SCALE, a_strand
from notebook_bits import bits

from app.notebook.plain import from_plain, is_whole, pack, to_plain, unpack
from measure.results import Along, Outline, ScaleSummary, StrandReading


def test_a_strand_comes_back_from_both_forms() -> None:
    for seed in range(12):
        strand = a_strand(seed, entries=50)
        assert bits(unpack(*pack(strand))) == bits(strand)
        text = json.dumps(to_plain(strand), allow_nan=False)
        assert bits(from_plain(StrandReading, json.loads(text))) == bits(strand)


# Every NaN comes back as a NaN, though JSON has no room for which of them it was.
numbers = st.floats(width=64).map(lambda x: math.nan if math.isnan(x) else x)


@settings(max_examples=60, deadline=None)
@given(
    along=arrays.arrays(np.float64, st.integers(0, 40), elements=numbers),
    outline=arrays.arrays(np.float64, st.tuples(st.integers(0, 9), st.just(2)), elements=numbers),
    scalar=numbers,
    name=st.text(st.characters(codec="utf-8")),
)
def test_any_figures_come_back(
    along: np.ndarray, outline: np.ndarray, scalar: float, name: str
) -> None:
    strand = dataclasses.replace(
        a_strand(1, entries=3),
        halo_ratio=scalar,
        diameter_interval_mm=(scalar, 1.0),
        budget_mm={name: scalar},
        along=Along(along, along[::-1], along, np.full(len(along), name or "light")),
        outline=Outline(outline, outline, outline),
    )
    packed = unpack(*pack(strand))
    plain = from_plain(StrandReading, json.loads(json.dumps(to_plain(strand), allow_nan=False)))
    if len(name.rstrip("\0")) == len(name):  # numpy's texts end at their last character but NUL
        assert bits(packed) == bits(plain) == bits(strand)
    assert bits(packed.along.diameter_mm) == bits(strand.along.diameter_mm)


def test_not_a_number_keeps_its_bits_in_the_notebook() -> None:
    odd = np.frombuffer(struct.pack("<Q", 0x7FF8_0000_0000_0F00) * 3, "<f8").astype(np.float64)
    strand = dataclasses.replace(
        a_strand(1, entries=3), along=Along(odd, odd, odd, np.full(3, "light"))
    )
    assert bits(unpack(*pack(strand)).along) == bits(strand.along)


def test_what_the_instrument_learns_later_is_kept_and_what_it_did_not_know_is_filled_in() -> None:
    plain = to_plain(SCALE)
    assert from_plain(ScaleSummary, plain | {"unheard_of": 1}) == SCALE
    strand = to_plain(a_strand(3))
    del strand["twist"]
    assert from_plain(StrandReading, strand).twist is None


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("diameter_mm", "thick"),
        ("diameter_mm", True),
        ("diameter_mm", None),
        ("number", 1.5),
        ("lane", "middle"),
        ("wpi_interval", [1.0]),
        ("wpi_interval", 1.0),
        ("weight_classes", [{"number": 1}]),
        ("along", []),
        ("cautions", [["soft_focus"]]),
        ("budget_mm", [1]),
    ],
)
def test_what_is_wrong_is_named(name: str, value: object) -> None:
    plain = to_plain(a_strand(1, entries=3)) | {name: value}
    with pytest.raises(ValueError, match=name):
        from_plain(StrandReading, plain)


def test_a_ragged_table_is_refused() -> None:
    plain = to_plain(a_strand(1, entries=3))
    plain["outline"]["centre_px"] = [[1.0, 2.0], [3.0]]
    with pytest.raises(ValueError, match=r"outline\.centre_px"):
        from_plain(StrandReading, plain)


def test_a_flipped_bit_or_a_cut_end_is_noticed() -> None:
    text, figures = pack(a_strand(5))
    assert is_whole(text)
    assert is_whole(figures)
    assert not is_whole(figures[:-1])
    assert not is_whole(b"")
    random = np.random.default_rng(0)
    for place in random.integers(2, len(figures), 200):
        changed = bytearray(figures)
        changed[place] ^= 1 << int(random.integers(8))
        assert not is_whole(bytes(changed))
        with pytest.raises(ValueError, match=r"."):
            unpack(text, bytes(changed))


def test_arrays_of_another_strand_are_refused() -> None:
    text, _ = pack(a_strand(1, entries=5))
    _, figures = pack(a_strand(1, entries=6))
    with pytest.raises(ValueError, match="array"):
        unpack(text, figures)
