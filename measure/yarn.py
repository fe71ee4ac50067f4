"""Yarn arithmetic: wraps per inch, count systems, grist, and diameter from count.

Wraps per inch is a diameter turned over, and count is mass per length. Neither follows from
the other without a packing: the same 14 wraps is 280 yd/lb in a published table of tight wraps
and some 1200 to 1900 yd/lb in knitters' charts. So each function that crosses from one to the
other takes the packing as an argument, and none has a default for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final, Literal, get_args

from measure.results import Interval

MM_PER_INCH: Final = 25.4
"""Exact: yard / 36 (international yard and pound agreement, 1 July 1959)."""

M_PER_YARD: Final = 0.9144
"""Exact (international yard and pound agreement, 1 July 1959)."""

G_PER_POUND: Final = 453.59237
"""Exact, avoirdupois (international yard and pound agreement, 1 July 1959)."""

G_PER_OUNCE: Final = G_PER_POUND / 16

TEX_TIMES_YARDS_PER_POUND: Final = 1000 * G_PER_POUND / M_PER_YARD
"""496 054.648...: tex times yards per pound, by the definition of tex (ISO 1144)."""

CountSystem = Literal[
    "tex",
    "dtex",
    "denier",
    "g_per_100m",
    "metric",
    "m_per_100g",
    "yd_per_lb",
    "yd_per_oz",
    "cotton",
    "worsted",
    "woollen_run",
    "linen_lea",
]
"""Systems of yarn count; `metric` is Nm (km per kg), the last four are hanks per pound."""

COUNT_SYSTEMS: Final[tuple[CountSystem, ...]] = get_args(CountSystem)

# Mass per length: the number grows with the yarn. Value of 1 tex in each.
_OF_ONE_TEX: Final[Mapping[str, float]] = MappingProxyType(
    {"tex": 1.0, "dtex": 10.0, "denier": 9.0, "g_per_100m": 0.1}
)

# Length per mass: the number falls as the yarn grows. Number times tex in each; the hanks of
# 840, 560, 1600 and 300 yards are those of ASTM D2260.
_TIMES_TEX: Final[Mapping[str, float]] = MappingProxyType(
    {
        "metric": 1000.0,
        "m_per_100g": 100_000.0,
        "yd_per_lb": TEX_TIMES_YARDS_PER_POUND,
        "yd_per_oz": TEX_TIMES_YARDS_PER_POUND / 16,
        "cotton": TEX_TIMES_YARDS_PER_POUND / 840,
        "worsted": TEX_TIMES_YARDS_PER_POUND / 560,
        "woollen_run": TEX_TIMES_YARDS_PER_POUND / 1600,
        "linen_lea": TEX_TIMES_YARDS_PER_POUND / 300,
    }
)

PEIRCE_SPECIFIC_VOLUME_CM3_PER_G: Final = 1.1
"""Specific volume of a cotton yarn that Peirce (1937) assumed."""


def _positive(name: str, value: float) -> float:
    """Return the value, or raise ValueError unless it is positive and finite."""
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be a positive number, not {value:g}")
    return value


# --- wraps per inch ---------------------------------------------------------------------------


def wpi_from_diameter(mean_diameter_mm: float, wrap_factor: float = 1.0) -> float:
    """Wraps per inch of a strand whose mean diameter is given, in mm.

    `wrap_factor` is the pitch of the spinner's own wraps over the diameter: 1 when turns touch
    and are not squeezed, below 1 when they are packed. Average the diameters before calling
    this, never the results after it: the mean of 25.4/d reads high by the CV squared.
    """
    return MM_PER_INCH / (
        _positive("mean_diameter_mm", mean_diameter_mm) * _positive("wrap_factor", wrap_factor)
    )


def diameter_mm_from_wpi(wpi: float, wrap_factor: float = 1.0) -> float:
    """Mean diameter in mm of a strand that gives this many wraps per inch."""
    return MM_PER_INCH / (_positive("wpi", wpi) * _positive("wrap_factor", wrap_factor))


def wpi_interval_from_diameter(
    diameter_interval_mm: Interval, wrap_factor: float = 1.0
) -> Interval:
    """Interval of wraps per inch, low end first, from an interval of the mean diameter in mm.

    The ends change places. A diameter interval that reaches zero or below bounds the wraps on
    one side only, and its upper end is infinite.
    """
    thin_mm, thick_mm = diameter_interval_mm
    if not thin_mm <= thick_mm:
        raise ValueError(f"the interval {thin_mm:g} to {thick_mm:g} mm runs backwards")
    low = wpi_from_diameter(thick_mm, wrap_factor)
    return low, (wpi_from_diameter(thin_mm, wrap_factor) if thin_mm > 0 else math.inf)


def mean_wpi(wpi_values: Sequence[float]) -> float:
    """Wraps per inch of the mean diameter behind several equally long stretches.

    Wrapping lays thicknesses side by side, so diameters add: this is the harmonic mean.
    """
    if not len(wpi_values):
        raise ValueError("there is no wraps-per-inch value to take the mean of")
    return wpi_from_diameter(
        math.fsum(diameter_mm_from_wpi(wpi) for wpi in wpi_values) / len(wpi_values)
    )


# --- count and grist --------------------------------------------------------------------------


def tex_from_count(count: float, system: CountSystem) -> float:
    """Linear density in tex (g per km) of a yarn given in another system."""
    _positive("count", count)
    if system in _OF_ONE_TEX:
        return count / _OF_ONE_TEX[system]
    if system in _TIMES_TEX:
        return _TIMES_TEX[system] / count
    raise ValueError(f"unknown count system {system!r}; known are {', '.join(COUNT_SYSTEMS)}")


def count_from_tex(tex: float, system: CountSystem) -> float:
    """Number in another system of a yarn given in tex (g per km)."""
    _positive("tex", tex)
    if system in _OF_ONE_TEX:
        return tex * _OF_ONE_TEX[system]
    if system in _TIMES_TEX:
        return _TIMES_TEX[system] / tex
    raise ValueError(f"unknown count system {system!r}; known are {', '.join(COUNT_SYSTEMS)}")


def convert_count(count: float, from_system: CountSystem, to_system: CountSystem) -> float:
    """The same yarn's number in another count system, by way of tex."""
    return count_from_tex(tex_from_count(count, from_system), to_system)


def tex_from_skein(mass_g: float, length_m: float) -> float:
    """Grist as linear density in tex, of a skein weighed in g and measured in m."""
    return 1000 * _positive("mass_g", mass_g) / _positive("length_m", length_m)


def folded_count(counts: Sequence[float], system: CountSystem) -> float:
    """Number of the yarn made by folding strands of these numbers together, without take-up.

    Masses per length add, so numbers of length per mass combine as reciprocals do. Twisting
    the strands shortens them, which makes the real yarn a little heavier than this.
    """
    if not len(counts):
        raise ValueError("there is no strand to fold")
    return count_from_tex(math.fsum(tex_from_count(count, system) for count in counts), system)


# --- diameter from count, with its packing stated ---------------------------------------------


def diameter_mm_from_tex(tex: float, density_g_per_cm3: float) -> float:
    """Diameter in mm of a round strand of this linear density and apparent density.

    The apparent density is that of fibre and air together: some 0.8 g/cm3 for a strand pressed
    as in cloth, near 0.14 behind knitters' wrap charts.
    """
    _positive("tex", tex)
    _positive("density_g_per_cm3", density_g_per_cm3)
    # tex / 1000 is g per m, and 1 mm2 times 1 m is 1 cm3.
    return math.sqrt(4 * tex / (1000 * math.pi * density_g_per_cm3))


def ashenhurst_diameters_per_inch(yards_per_pound: float, k: float) -> float:
    """Diameters per inch by Ashenhurst's rule, k times the root of yards per pound.

    Printed values of k disagree (worsted .90; woollen .84 to .86; cotton .90 to .95) and
    hand-wrapped knitting yarn gives some .37 to .44, so k has no default: fit it to skeins of
    one's own with `k_from_wraps`.
    """
    return _positive("k", k) * math.sqrt(_positive("yards_per_pound", yards_per_pound))


def k_from_wraps(wpi: float, yards_per_pound: float) -> float:
    """The k of Ashenhurst's rule that one skein's wraps per inch and grist imply."""
    return _positive("wpi", wpi) / math.sqrt(_positive("yards_per_pound", yards_per_pound))


def apparent_density_g_per_cm3(k: float) -> float:
    """Apparent density in g/cm3 that a k of Ashenhurst's rule implies: 0.978976 k squared."""
    _positive("k", k)
    return 0.004 * TEX_TIMES_YARDS_PER_POUND * k * k / (math.pi * MM_PER_INCH**2)


def peirce_diameter_mm(tex: float) -> float:
    """Diameter in mm by Peirce's (1937) specific volume of 1.1 cm3/g, from tex.

    Peirce's printed forms, 1/(28 root count) inch and 0.00375 root tex cm, are this rounded.
    """
    return diameter_mm_from_tex(tex, 1 / PEIRCE_SPECIFIC_VOLUME_CM3_PER_G)


def peirce_diameter_mm_from_cotton_count(cotton_count: float) -> float:
    """Diameter in mm by Peirce's (1937) specific volume of 1.1 cm3/g, from cotton count."""
    return peirce_diameter_mm(tex_from_count(cotton_count, "cotton"))
