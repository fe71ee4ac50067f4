"""Amounts as people write them: '101.5 g ± 0.5', '58 in', '1700 yd/lb'; the parsed value is shown.

A unit may be left out where the first of its kind is meant. Decimals take a dot; a comma is refused
aloud, since 1,480 is a thousand and more to some and one and a half to others.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from app import UseError
from measure.yarn import (
    G_PER_OUNCE,
    G_PER_POUND,
    M_PER_YARD,
    MM_PER_INCH,
    CountSystem,
    tex_from_count,
)

Kind = Literal["weight", "length", "long length", "grist", "number"]

_UNITS: Final[Mapping[str, Mapping[str, float]]] = MappingProxyType(
    {
        "weight": {"g": 1.0, "kg": 1000.0, "oz": G_PER_OUNCE, "lb": G_PER_POUND},
        "length": {
            "mm": 1.0,
            "cm": 10.0,
            "m": 1000.0,
            "in": MM_PER_INCH,
            "ft": 12 * MM_PER_INCH,
            "yd": 1000 * M_PER_YARD,
        },
        "long length": {"m": 1.0, "cm": 0.01, "km": 1000.0, "yd": M_PER_YARD},
        "number": {"": 1.0},
    }
)
"""Value of one of each unit in the first; lengths in mm, long lengths in m."""

_COUNTS: Final[Mapping[str, CountSystem]] = MappingProxyType(
    {"tex": "tex", "yd/lb": "yd_per_lb", "m/100g": "m_per_100g", "g/100m": "g_per_100m",
     "yd/oz": "yd_per_oz", "m/kg": "metric", "nm": "metric"}
)  # fmt: skip
_KM_PER_KG: Final = {"m/kg": 1000.0}

_WRITTEN: Final = re.compile(
    r"\s*(?P<value>[-+]?[\d.,]+(?:e[-+]?\d+)?)\s*(?P<unit>[a-z/\d ]*?)\s*"
    r"(?:(?:±|\+-|\+/-)\s*(?P<within>[\d.,]+)\s*(?P<within_unit>%|[a-z/\d ]*?)\s*)?",
    re.IGNORECASE,
)


def units_of(kind: Kind) -> tuple[str, ...]:
    """The units an amount of that kind may be written in, the one meant without any first."""
    return tuple(_COUNTS) if kind == "grist" else tuple(_UNITS[kind])


def parsed(text: str, kind: Kind, what: str) -> tuple[float, float | None]:
    """Value and what it may be off by, in the kind's first unit; UseError names `what`.

    Of a grist the second is in per cent whatever it was written in; of the others in the unit.
    """
    match = _WRITTEN.fullmatch(text)
    if match is None:
        raise _not_an_amount(text, kind, what)
    value = _number(match["value"], text, what)
    within = None if match["within"] is None else _number(match["within"], text, what)
    unit = match["unit"].replace(" ", "").lower() or units_of(kind)[0]
    own = (match["within_unit"] or "").replace(" ", "").lower()
    if unit not in units_of(kind) or value <= 0 or not math.isfinite(value):
        raise _not_an_amount(text, kind, what)
    if within is not None and own == "%":
        percent = within
    elif within is not None:
        other = own or unit
        if other not in units_of(kind):
            raise _not_an_amount(text, kind, what)
        if kind == "grist":
            if other != unit:
                raise _not_an_amount(text, kind, what)
            percent = 100 * within / value
        else:
            percent = 100 * within * _UNITS[kind][other] / (value * _UNITS[kind][unit])
    if kind == "grist":
        base = tex_from_count(value / _KM_PER_KG.get(unit, 1.0), _COUNTS[unit])
    else:
        base = value * _UNITS[kind][unit]
    if within is None:
        return base, None
    if percent >= 100:
        raise UseError(f"{what}: {text!r} is in doubt by as much as it is; correct it.")
    return base, percent if kind == "grist" else base * percent / 100


def _number(text: str, whole: str, what: str) -> float:
    if "," in text:
        raise UseError(f"{what}: write decimals with a dot, not {whole!r}.")
    try:
        return float(text)
    except ValueError:
        raise UseError(f"{what}: {whole!r} is no number.") from None


def _not_an_amount(text: str, kind: Kind, what: str) -> UseError:
    units = ", ".join(u for u in units_of(kind) if u)
    example = {
        "weight": "101.5 g +- 0.5",
        "length": "1480 mm +- 5",
        "long length": "200 m +- 1",
        "grist": "1700 yd/lb +- 2 %",
        "number": "152",
    }[kind]
    known = f" (units: {units})" if units else ""
    return UseError(f"{what}: {text!r} cannot be used; write it as {example!r}{known}.")


def written(
    value: float | None, within: float | None, unit: str, *, digits: int = 6, percent: bool = False
) -> str:
    """An amount as `parsed` reads it; empty for none."""
    if value is None:
        return ""
    out = f"{_digits(value, digits)} {unit}".rstrip()
    if within is not None:
        out += f" ± {_digits(within, 4)}{' %' if percent else ''}"
    return out


def _digits(value: float, digits: int) -> str:
    """A number to so many digits, never with an exponent."""
    return np.format_float_positional(value, precision=digits, fractional=False, trim="-")
