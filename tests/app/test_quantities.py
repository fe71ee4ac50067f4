"""Amounts as people write them; the units' values are those of 1959 and of ISO 1144."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app import UseError
from app.quantities import Kind, parsed, written


@pytest.mark.parametrize(
    ("text", "kind", "value", "within"),
    [
        ("101.5", "weight", 101.5, None),
        ("101.5 g +- 0.5", "weight", 101.5, 0.5),
        ("4 oz", "weight", 113.398, None),
        ("1 lb ± 1 %", "weight", 453.59237, 4.5359237),
        ("58.25 in +- 0.25", "length", 1479.55, 6.35),
        ("58 in ± 5 mm", "length", 1473.2, 5.0),
        ("1.48m+/-1cm", "length", 1480.0, 10.0),
        ("2 yd", "length", 1828.8, None),
        ("425 yd", "long length", 388.62, None),
        ("231 m ± 2 %", "long length", 231.0, 4.62),
        ("500", "grist", 500.0, None),
        ("1700 yd/lb", "grist", 291.797, None),
        ("400 m/100g +- 2 %", "grist", 250.0, 2.0),
        ("50 g/100 m", "grist", 500.0, None),
        ("2 Nm", "grist", 500.0, None),
        ("2000 m/kg", "grist", 500.0, None),
        ("250 tex ± 5", "grist", 250.0, 2.0),
        (" 152 ", "number", 152.0, None),
    ],
)
def test_amounts_are_read(text: str, kind: Kind, value: float, within: float | None) -> None:
    got = parsed(text, kind, "it")
    assert got[0] == pytest.approx(value, rel=2e-6)
    assert got[1] == (None if within is None else pytest.approx(within))


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("1,480 mm", "length", "decimals with a dot"),
        ("12 ± 0,5 g", "weight", "decimals with a dot"),
        ("", "weight", "101.5 g"),
        ("heavy", "weight", "101.5 g"),
        ("12 m", "weight", "units: g, kg, oz, lb"),
        ("0 g", "weight", "cannot be used"),
        ("-3 g", "weight", "cannot be used"),
        ("1e999", "weight", "cannot be used"),
        ("1.2.3 g", "weight", "no number"),
        ("1 g ± 2 yd", "weight", "cannot be used"),
        ("1 g ± 100 %", "weight", "as much as it is"),
        ("5 tex ± 3 yd/lb", "grist", "cannot be used"),
        ("three", "number", "152"),
    ],
)
def test_what_cannot_be_used_is_named_with_an_example(text: str, kind: Kind, says: str) -> None:
    with pytest.raises(UseError) as caught:
        parsed(text, kind, "the weight")
    assert "the weight: " in str(caught.value)
    assert says in str(caught.value)


@settings(max_examples=30)
@given(st.floats(0.001, 1e5), st.one_of(st.none(), st.floats(0.001, 0.9)))
def test_what_is_written_is_read_back(value: float, share: float | None) -> None:
    within = None if share is None else share * value
    got = parsed(written(value, within, "g", digits=17), "weight", "it")
    assert got[0] == pytest.approx(value, rel=1e-12)
    assert got[1] == (None if within is None else pytest.approx(within, rel=1e-3))
    assert written(None, None, "g") == ""
