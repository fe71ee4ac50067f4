"""Forecast of a plied yarn: how thick and how even it would be, plied from several bobbins or
chain-plied from one.

Strands are simulated mm by mm: the drift of each bobbin as its readings show it, slow scatter
from reading to reading, and the short irregularity along a reading, each with the length over
which it resembles itself. Laid side by side they average (the width of touching plies is in
proportion to their mean diameter, `measure.ply_geometry.ply_factor`). Independent strands average
all of it, as Martindale's doubling law says: a CV falls by the root of their number. Chain plying
lays three neighbouring lengths of one strand side by side, forth, back and forth again over each
loop: what is shorter than the loop is averaged just as well, and what is longer, the drift above
all, is passed straight on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_banded

from measure.bobbin_profile import BobbinProfile
from measure.ply_geometry import ply_factor, take_up
from measure.results import Along, Floats, Interval
from measure.section_evenness import cut_means
from measure.yarn import wpi_from_diameter

SECTION_MM: Final = 100.0
"""Thickness is told of sections as long as a reading."""

SCATTER_MM: Final = 2000.0
"""Over this length the scatter from reading to reading is taken to last: between a reading's and
the way to the next. Ours: readings metres apart cannot tell."""

SHORT_MM: Final = 5.0
"""How far short irregularity resembles itself where no profile was given (ours)."""

_CHAIN_PLIES: Final = 3
_LAGS: Final = 200
_MOST_CELLS: Final = 200_000


@dataclass(frozen=True)
class Irregularity:
    """How a strand varies about its drift."""

    scatter_percent: float
    """From reading to reading."""
    short_percent: float
    """CV of 1 mm cuts within a reading."""
    scatter_mm: float = SCATTER_MM
    """Lag at which either has fallen to 1/e."""
    short_mm: float = SHORT_MM

    def __post_init__(self) -> None:
        if min(self.scatter_percent, self.short_percent) < 0:
            raise ValueError("a variation is 0 % or more")
        if min(self.scatter_mm, self.short_mm) <= 0:
            raise ValueError("a length over which a strand resembles itself is above 0")


@dataclass(frozen=True)
class Strand:
    """One strand as it leaves the rack: relative places along it and its drift there."""

    name: str
    diameter_mm: Floats
    """Drift from its front to its end, in cells of equal length, (n,)."""
    length_m: float

    @classmethod
    def off(cls, bobbin: BobbinProfile, length_m: float, *, rewound: bool = False) -> Strand:
        """A bobbin's strand: the last spun first, or rewound the first spun first."""
        cells = bobbin.diameter_mm if rewound else bobbin.diameter_mm[::-1]
        return cls(bobbin.name, cells, length_m)


@dataclass(frozen=True)
class Forecast:
    """What plying would give."""

    method: Literal["plied", "chain-plied"]
    plies: int
    mean_mm: float
    """Of the plied yarn, as laid by geometry, before washing."""
    range_mm: Interval
    """What 95 % of its sections lie between."""
    wpi: float
    wpi_range: Interval
    cv_percent: float
    """Of sections `SECTION_MM` long."""
    cut_cv_percent: float
    """Of 1 mm cuts, averaged over whole turns."""
    length_m: float
    """Plied, less what the twist takes up when it was given."""
    left_over_m: tuple[float, ...]
    """Of each strand, in the order given."""
    sections_mm: Floats
    """Simulated sections in order from the front, (n,): for a plot."""


def irregularity_of(profiles: Sequence[Along], scatter_percent: float = 0.0) -> Irregularity:
    """Short irregularity of readings' profiles: its CV over 1 mm, and how far it carries.

    The autocovariance of all profiles together, each about its own mean, which takes some of it
    away and is put right; the lag is where it first falls below 1/e, between the millimetres.
    ValueError without two cuts in any profile.
    """
    products, pairs = np.zeros(_LAGS), np.zeros(_LAGS)
    lengths = []
    for along in profiles:
        cuts = cut_means(along)
        seen = np.isfinite(cuts)
        if seen.sum() < 2:
            continue
        lengths.append(len(cuts))
        about = np.where(seen, cuts / cuts[seen].mean() - 1, 0.0)
        lags = min(len(about), _LAGS)
        mask = seen.astype(np.float64)
        products[:lags] += np.correlate(about, about, "full")[len(about) - 1 :][:lags]
        pairs[:lags] += np.correlate(mask, mask, "full")[len(about) - 1 :][:lags]
    if not lengths:
        raise ValueError("short irregularity needs a profile with at least two cuts")
    found = np.divide(products, pairs, out=np.zeros(_LAGS), where=pairs > 0.5)
    if found[0] <= 0:
        return Irregularity(scatter_percent, 0.0)
    length = float(np.mean(lengths))
    taken, carries = 0.0, SHORT_MM
    for _ in range(20):
        covariance = found + taken
        carries = _reach(covariance / covariance[0], length)
        q = carries / length
        share = min(2 * q * (1 - q * (1 - math.exp(-1 / q))), 0.5)
        taken = float(found[0]) * share / (1 - share)
    return Irregularity(scatter_percent, 100 * math.sqrt(float(found[0]) + taken), short_mm=carries)


def _reach(shape: Floats, length: float) -> float:
    """Lag at which a correlation, by whole steps, first falls to 1/e; at most half a length."""
    below = np.flatnonzero(shape < math.exp(-1))
    if not len(below):
        return length / 2
    last = int(below[0])
    before, after = float(shape[last - 1]), float(shape[last])
    return min(max(last - 1 + (before - math.exp(-1)) / (before - after), 0.5), length / 2)


def wander(n: int, carries_mm: float, random: np.random.Generator) -> Floats:
    """A normal series of 1 mm steps with variance 1 and correlation exp(-lag/carries), (n,).

    The autoregressive series of order 1, which has that correlation exactly, begun at rest in it.
    """
    kept = math.exp(-1 / carries_mm)
    new = math.sqrt(-math.expm1(-2 / carries_mm))
    steps = new * random.standard_normal(n)
    steps[:1] /= new
    # x[k] - kept x[k-1] = steps[k]: a band of two, solved from the front.
    band = np.ones((2, n))
    band[1] = -kept
    series: Floats = solve_banded((1, 0), band, steps, overwrite_ab=True, overwrite_b=True)
    return series


def forecast_plied(
    strands: Sequence[Strand],
    irregularity: Irregularity,
    *,
    turns_per_inch: float | None = None,
    wrap_factor: float = 1.0,
    seed: int = 0,
) -> Forecast:
    """Ordinary plying of strands from bobbins of their own, until the shortest runs out."""
    if len(strands) < 2:
        raise ValueError("plying takes at least two strands")
    length = min(strand.length_m for strand in strands)
    cells, repeats = _extent(length)
    random = np.random.default_rng(seed)
    yarns = []
    for _ in range(repeats):
        sides = [_simulated(s, length, cells, irregularity, random) for s in strands]
        yarns.append(np.mean(sides, axis=0))
    left = tuple(strand.length_m - length for strand in strands)
    return _forecast("plied", len(strands), yarns, length, left, turns_per_inch, wrap_factor)


def forecast_chain(
    strand: Strand,
    irregularity: Irregularity,
    *,
    loop_m: float = 0.4,
    turns_per_inch: float | None = None,
    wrap_factor: float = 1.0,
    seed: int = 0,
) -> Forecast:
    """Chain plying of one strand with loops so long: three of its lengths side by side.

    ValueError for a strand shorter than one loop laid three times.
    """
    loop = round(1000 * loop_m)
    cells, repeats = _extent(strand.length_m)
    loops = cells // (_CHAIN_PLIES * loop) if loop else 0
    if loops < 1:
        raise ValueError("chain plying takes a strand at least three loops long")
    random = np.random.default_rng(seed)
    yarns = []
    for _ in range(repeats):
        single = _simulated(strand, strand.length_m, cells, irregularity, random)
        laid = single[: loops * _CHAIN_PLIES * loop].reshape(loops, _CHAIN_PLIES, loop)
        laid[:, 1] = laid[:, 1, ::-1].copy()
        yarns.append(laid.mean(axis=1).ravel())
    length = strand.length_m / _CHAIN_PLIES
    return _forecast(
        "chain-plied", _CHAIN_PLIES, yarns, length, (0.0,), turns_per_inch, wrap_factor
    )


def together(forecasts: Sequence[Forecast]) -> Forecast:
    """What several skeins plied in one way would be, taken as one after the other.

    Each counts by its length. ValueError for none, and for ways that differ.
    """
    if len({(f.method, f.plies) for f in forecasts}) != 1:
        raise ValueError("skeins are taken together when they are plied in one way")
    if len(forecasts) == 1:
        return forecasts[0]
    sections = np.concatenate([f.sections_mm for f in forecasts])
    weights = np.concatenate(
        [np.full(len(f.sections_mm), f.length_m / len(f.sections_mm)) for f in forecasts]
    )
    weights /= weights.sum()
    mean = float(weights @ sections)
    order = np.argsort(sections)
    below = np.cumsum(weights[order]) - weights[order] / 2
    thin, thick = (float(q) for q in np.interp((0.025, 0.975), below, sections[order]))
    sd = math.sqrt(float(weights @ (sections - mean) ** 2))
    lengths = np.array([f.length_m for f in forecasts])
    means = np.array([f.mean_mm for f in forecasts])
    cuts = means * np.array([f.cut_cv_percent for f in forecasts])
    between = 100 * (means - mean)
    wrap = forecasts[0].wpi * forecasts[0].mean_mm
    return Forecast(
        method=forecasts[0].method,
        plies=forecasts[0].plies,
        mean_mm=mean,
        range_mm=(thin, thick),
        wpi=wrap / mean,
        wpi_range=(wrap / thick, wrap / thin),
        cv_percent=100 * sd / mean,
        cut_cv_percent=math.sqrt(float(np.average(cuts**2 + between**2, weights=lengths))) / mean,
        length_m=float(lengths.sum()),
        left_over_m=tuple(left for f in forecasts for left in f.left_over_m),
        sections_mm=sections,
    )


def _extent(length_m: float) -> tuple[int, int]:
    """How many mm to simulate and how often: a long strand is stood for by parts all along it."""
    if not length_m > 0:
        raise ValueError("a strand's length is above 0")
    cells = int(min(max(round(1000 * length_m), 2), _MOST_CELLS))
    return cells, max(1, min(8, round(_MOST_CELLS / cells)))


def _simulated(
    strand: Strand,
    length_m: float,
    cells: int,
    irregularity: Irregularity,
    random: np.random.Generator,
) -> Floats:
    """Diameters of a strand's first `length_m`, in so many cells of 1 mm, (cells,)."""
    known = (np.arange(len(strand.diameter_mm)) + 0.5) / len(strand.diameter_mm)
    places = (np.arange(cells) + 0.5) / cells * (length_m / strand.length_m)
    about = np.ones(cells)
    for percent, carries in (
        (irregularity.scatter_percent, irregularity.scatter_mm),
        (irregularity.short_percent, irregularity.short_mm),
    ):
        if percent > 0:
            about += percent / 100 * wander(cells, carries, random)
    simulated: Floats = np.interp(places, known, strand.diameter_mm) * np.maximum(about, 0.05)
    return simulated


def _forecast(
    method: Literal["plied", "chain-plied"],
    plies: int,
    yarns: Sequence[Floats],
    length_m: float,
    left_over_m: tuple[float, ...],
    turns_per_inch: float | None,
    wrap_factor: float,
) -> Forecast:
    singles = np.concatenate(yarns)
    per_section = min(round(SECTION_MM), len(yarns[0]))
    sections = [_sections(yarn, per_section) for yarn in yarns]
    factor = ply_factor(plies)
    all_sections = factor * np.concatenate(sections)
    mean = float(all_sections.mean())
    thin, thick = (float(q) for q in np.quantile(all_sections, (0.025, 0.975)))
    taken = 0.0
    if turns_per_inch is not None:
        taken = take_up(float(singles.mean()), plies, turns_per_inch)
    return Forecast(
        method=method,
        plies=plies,
        mean_mm=mean,
        range_mm=(thin, thick),
        wpi=wpi_from_diameter(mean, wrap_factor),
        wpi_range=(wpi_from_diameter(thick, wrap_factor), wpi_from_diameter(thin, wrap_factor)),
        cv_percent=float(100 * all_sections.std() / mean),
        cut_cv_percent=float(100 * singles.std() / singles.mean()),
        length_m=length_m * (1 - taken),
        left_over_m=left_over_m,
        sections_mm=factor * sections[0],
    )


def _sections(yarn: ArrayLike, cells: int) -> Floats:
    """Means of the yarn over sections of so many cells; a last part of one is left out."""
    values = np.asarray(yarn, dtype=np.float64)
    whole: Floats = values[: len(values) // cells * cells].reshape(-1, cells).mean(axis=1)
    return whole


def sentence(
    plied: Forecast, chained: Forecast | None = None, unit: Literal["wpi", "mm"] = "wpi"
) -> str:
    """'Plied from three bobbins this would be 21 to 24 WPI; chain-plied from one, 18 to 27'."""
    name = "WPI" if unit == "wpi" else "mm"
    told = f"plied from {_number(plied.plies)} bobbins this would be {_range(plied, unit)} {name}"
    if chained is None:
        return told
    return f"{told}; chain-plied from one, {_range(chained, unit)}"


def _range(forecast: Forecast, unit: Literal["wpi", "mm"]) -> str:
    if unit == "mm":
        thin, thick = forecast.range_mm
        return f"{thin:.2f} to {thick:.2f}"
    coarse, fine = forecast.wpi_range
    decimals = 0 if fine - coarse >= 2 else 1
    return f"{coarse:.{decimals}f} to {fine:.{decimals}f}"


def _number(n: int) -> str:
    return {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}.get(n, str(n))
