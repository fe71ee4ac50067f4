"""Digits follow from the uncertainty."""

from __future__ import annotations

import math

import pytest

from app.format import decimals_for, interval_text, length_text, value_text


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        # Review of Particle Physics, Introduction, "Rounding"; the first two are the review's own
        # examples (from memory), the third is worked in the documentation of the pdground package
        # (rubydoc.info/gems/pdground), which quotes the rule.
        (0.827, 0.119, "0.83"),
        (0.827, 0.367, "0.8"),
        (12.2135, 0.06515, "12.21"),
        # The rule's limits, by hand: 354 keeps two, 355 and 949 keep one, 950 is shown as 1000.
        (1.23456, 0.0354, "1.235"),
        (1.23456, 0.0355, "1.23"),
        (1.23456, 0.0949, "1.23"),
        (1.23456, 0.0950, "1.23"),
        (1.23456, 0.0999, "1.23"),
        (1.23456, 0.1, "1.23"),
        # Rounding the three digits may itself carry over.
        (1.23456, 0.09999, "1.23"),
        (1234.5, 20.0, "1234"),
        (1234.5, 200.0, "1230"),
        (1234.5, 500.0, "1200"),
    ],
)
def test_digits(value: float, u: float, text: str) -> None:
    assert value_text(value, u) == text


def test_interval_has_the_same_decimals_throughout() -> None:
    """Half their length by the same rule: 0.5 and 4 keep one digit, 0.15 and 20 two."""
    assert interval_text(23.4, (22.9, 23.9)) == "23.4 (22.9 to 23.9)"
    assert interval_text(23.4, (23.25, 23.55)) == "23.40 (23.25 to 23.55)"
    assert interval_text(23.4, (19.6, 27.6)) == "23 (20 to 28)"
    assert interval_text(23.4, (5.0, 45.0)) == "23 (5 to 45)"


def test_an_endless_interval_is_shown_as_such() -> None:
    assert interval_text(20.0, (10.0, math.inf)) == "20.0 (10.0 to inf)"


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan, math.inf])
def test_no_digits_without_an_uncertainty(u: float) -> None:
    with pytest.raises(ValueError, match="positive and finite"):
        decimals_for(u)


def test_lengths() -> None:
    assert length_text(127.0, "mm") == "127 mm"
    # The inch is 25.4 mm exactly.
    assert length_text(127.0, "inch") == "5.00 in"
