"""Numbers as text: how many digits are shown follows from how sure the number is.

The rule is the Particle Data Group's (Review of Particle Physics, Introduction, "Rounding"):
the three leading digits of the uncertainty decide; 100 to 354 keep two of them, 355 to 949 keep
one, 950 to 999 round up to 1000 and keep two. Where an interval is shown, half its length is the
uncertainty: the ends then have no digits that the interval itself leaves meaningless.
"""

from __future__ import annotations

import math
from typing import Final

MM_PER_INCH: Final = 25.4

_MOST_DECIMALS: Final = 6


def decimals_for(u: float) -> int:
    """Decimals to show of a number whose standard uncertainty is `u` > 0; negative: tens.

    Raises ValueError for a `u` that is not a positive finite number: a number without an
    uncertainty has no digits to choose.
    """
    if not math.isfinite(u) or u <= 0:
        raise ValueError(f"a standard uncertainty is positive and finite, not {u}")
    exponent = math.floor(math.log10(u))
    leading = round(u / 10.0**exponent * 100)
    if leading > 999:
        leading, exponent = 100, exponent + 1
    if leading <= 354:
        kept = 2
    elif leading <= 949:
        kept = 1
    else:
        # Shown as 1000: one digit more in front, two kept.
        kept, exponent = 2, exponent + 1
    return min(kept - 1 - exponent, _MOST_DECIMALS)


def rounded(value: float, decimals: int) -> str:
    """`value` with that many decimals; negative decimals round to tens, hundreds, ..."""
    if decimals > 0:
        return f"{value:.{decimals}f}"
    return f"{round(value, decimals) if math.isfinite(value) else value:.0f}"


def value_text(value: float, u: float) -> str:
    """`value` with the digits that its standard uncertainty `u` leaves meaningful."""
    return rounded(value, decimals_for(u))


def interval_decimals(value: float, interval: tuple[float, float]) -> int:
    """Decimals to show of a value and of its 95 % interval's ends.

    They follow from half the interval's length; of an endless interval nothing follows, and a
    tenth of the value stands in.
    """
    u = (interval[1] - interval[0]) / 2
    return decimals_for(u if math.isfinite(u) and u > 0 else max(abs(value) / 10, 1e-6))


def interval_text(value: float, interval: tuple[float, float]) -> str:
    """'23.4 (22.9 to 23.9)': a value and its 95 % interval, all with the same decimals."""
    low, high = interval
    decimals = interval_decimals(value, interval)
    return f"{rounded(value, decimals)} ({rounded(low, decimals)} to {rounded(high, decimals)})"


def length_text(length_mm: float, unit: str) -> str:
    """A length along a strand, to the millimetre or the twentieth of an inch."""
    if unit == "inch":
        return f"{length_mm / MM_PER_INCH:.2f} in"
    return f"{length_mm:.0f} mm"
