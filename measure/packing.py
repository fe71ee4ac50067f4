"""From thickness to grist and back, by a packing that is always named.

The packing is Ashenhurst's k: diameters side by side in an inch over the root of yards per pound.
It stands for an apparent density of 0.978976 k squared g/cm3, fibre and air together. Published
values are of yarn pressed as in cloth (Ashenhurst) or of one assumed specific volume (Peirce, 1.1
cm3/g); a soft handspun measured as it lies has less than half of them, and the same 14 wraps is 280
yd/lb in one published table and 1200 to 1900 in others. So no grist is ever told from wraps without
a k, and the best k is the spinner's own, from skeins that were both measured and weighed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from measure.grist import Amount
from measure.results import Interval
from measure.yarn import (
    MM_PER_INCH,
    PEIRCE_SPECIFIC_VOLUME_CM3_PER_G,
    apparent_density_g_per_cm3,
    count_from_tex,
    diameter_mm_from_tex,
    k_from_wraps,
    tex_from_count,
)

_DENSITY_OF_K_ONE: Final = apparent_density_g_per_cm3(1.0)


@dataclass(frozen=True)
class Packing:
    """A k, the range it may lie in, and where it is from."""

    name: str
    k: float
    k_interval: Interval
    """95 % interval for a further skein; of published values the range that is printed."""
    source: str
    learned: bool = False

    @property
    def density_g_per_cm3(self) -> float:
        """The apparent density that goes with it."""
        return apparent_density_g_per_cm3(self.k)


PUBLISHED: Final = (
    Packing("Ashenhurst, worsted", 0.90, (0.90, 0.90), "faena.medievaltextiles.org/ash.html"),
    Packing(
        "Ashenhurst, woollen",
        0.85,
        (0.84, 0.86),
        "three printings that disagree: faena.medievaltextiles.org/ash.html, "
        "schoolofsweetgeorgia.com, quiltingclimber.blogspot.com 2017/09",
    ),
    Packing(
        "Ashenhurst, cotton",
        0.91,
        (0.90, 0.95),
        "three printings that disagree, Taylor's Cotton Weaving and Designing among them",
    ),
    Packing(
        "Peirce, cotton",
        math.sqrt(1 / PEIRCE_SPECIFIC_VOLUME_CM3_PER_G / _DENSITY_OF_K_ONE),
        (math.sqrt(1 / PEIRCE_SPECIFIC_VOLUME_CM3_PER_G / _DENSITY_OF_K_ONE),) * 2,
        "Peirce (1937), specific volume 1.1 cm3/g",
    ),
)
"""Starting points: all of yarn pressed as in cloth, so they tell a finer yarn than lies there."""


def k_of(diameter_mm: float, tex: float) -> float:
    """The k of a skein that was measured, mm, and weighed over its length, tex."""
    return k_from_wraps(MM_PER_INCH / diameter_mm, count_from_tex(tex, "yd_per_lb"))


def learned_packing(skeins: Sequence[tuple[Amount, Amount]]) -> Packing | None:
    """The spinner's own k from (diameter in mm, grist in tex) of skeins; None without any.

    Mean of log k; the interval is that of a further skein, by t. How much one spinner's skeins
    differ is first taken from two published ones of one spinner, wheel and top (k 0.367 and 0.437,
    A. Franquemont, interweave.com: standard deviation 12 %), as if four skeins more had shown it
    (ours); skeins of one's own soon outweigh that.
    """
    if not skeins:
        return None
    logs = np.array([math.log(k_of(d.value, tex.value)) for d, tex in skeins])
    own = [math.hypot(d.u_relative, tex.u_relative / 2) for d, tex in skeins]
    n = len(logs)
    about = logs - logs.mean()
    dof = _BEFOREHAND_DOF + n - 1
    square = (_BEFOREHAND_DOF * _BEFOREHAND_SD**2 + float(about @ about)) / dof
    # Skeins that agree by luck leave at least the doubt of measuring one.
    scatter = math.sqrt(max(square, float(np.mean(np.square(own)))))
    reach = float(stdtrit(dof, 0.975)) * scatter * math.sqrt(1 + 1 / n)
    k = math.exp(float(logs.mean()))
    words = "one skein" if n == 1 else f"{n} skeins"
    return Packing(
        "your own", k, (k * math.exp(-reach), k * math.exp(reach)), f"{words} of yours", True
    )


_BEFOREHAND_SD: Final = math.log(0.4366 / 0.3671) / math.sqrt(2)
_BEFOREHAND_DOF: Final = 4


def diameter_from_grist(tex: float, packing: Packing) -> tuple[float, Interval]:
    """Diameter in mm that goes with a grist, and its interval by the packing's."""
    low, high = packing.k_interval
    return _diameter_mm(tex, packing.k), (_diameter_mm(tex, high), _diameter_mm(tex, low))


def grist_from_diameter(diameter_mm: float, packing: Packing) -> tuple[float, Interval]:
    """Grist in tex that goes with a diameter in mm, and its interval by the packing's."""
    low, high = packing.k_interval
    return _tex(diameter_mm, packing.k), (_tex(diameter_mm, low), _tex(diameter_mm, high))


def _diameter_mm(tex: float, k: float) -> float:
    return diameter_mm_from_tex(tex, apparent_density_g_per_cm3(k))


def _tex(diameter_mm: float, k: float) -> float:
    return tex_from_count((MM_PER_INCH / diameter_mm / k) ** 2, "yd_per_lb")


def wrap_factor_from_count(wraps: float, over_mm: float, diameter_mm: float) -> float:
    """Pitch of hand-laid wraps over the diameter: what makes a spinner's own wraps per inch.

    Count the wraps between two marks, not those at them: of twelve laid, eleven count.
    """
    if not (wraps > 0 and over_mm > 0 and diameter_mm > 0):
        raise ValueError("wraps, the length they cover and the diameter are above 0")
    return over_mm / (wraps * diameter_mm)
