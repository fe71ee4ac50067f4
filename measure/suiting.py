"""Whether a skein suits what was wanted: yes, borderline or no, why, and what it would suit better.

The wanted yarn is a range of wraps per inch (a class of a named chart, or a pattern's yarn), or a
grist, or both. The mean's interval decides between yes and no; how much of the skein lies in the
range, sections taken as log-normal, decides whether a yes is one for the whole of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from scipy.special import ndtr

from measure.grist import Amount, in_count
from measure.skein import SkeinFigures
from measure.weight_class import ClassRange, WeightChart

Verdict = Literal["yes", "borderline", "no"]

MOST_OF_IT: Final = 0.8
"""Share of a skein that must lie in the range for a plain yes (ours)."""

GRIST_PERCENT: Final = 10.0
"""A yarn as long per weight as the pattern's within this suits it (common practice, no source)."""

SWATCH: Final = "Knit a swatch: readings describe what was seen, not what a pattern guarantees."


@dataclass(frozen=True)
class WantedYarn:
    """What a pattern or the spinner asked for."""

    name: str
    wpi: tuple[float | None, float | None] = (None, None)
    """Fewest and most wraps per inch; None: no bound."""
    tex: float | None = None


@dataclass(frozen=True)
class Suit:
    """The answer, in words."""

    verdict: Verdict
    reasons: tuple[str, ...]
    shares: tuple[tuple[str, float], ...]
    """How much of the skein lies in each class of the chart, the largest first; classes overlap."""
    better_for: tuple[str, ...]
    """Classes that hold more of it than what was wanted does."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """Everything to be said, a sentence each."""
        out = [f"{self.verdict.capitalize()}: {self.reasons[0]}.", *(f"{_cap(r)}." for r in
               self.reasons[1:])]  # fmt: skip
        if self.better_for and self.verdict != "yes":
            out.append(f"It would be better for {' or '.join(self.better_for)}.")
        out.append(SWATCH)
        return tuple(out)


def wanted_class(chart: WeightChart, name: str) -> WantedYarn:
    """What a class of a chart asks for; ValueError names the classes when there is none."""
    found = next((c for c in chart.classes if c.name.casefold() == name.casefold().strip()), None)
    if found is None:
        raise ValueError(
            f"the chart {chart.name} has no class {name!r}; it has "
            f"{', '.join(c.name for c in chart.classes)}"
        )
    return WantedYarn(found.name, (found.wpi_low, found.wpi_high))


def suits(
    skein: SkeinFigures, wanted: WantedYarn, chart: WeightChart, tex: Amount | None = None
) -> Suit:
    """Whether a skein suits; ValueError when nothing was wanted.

    `tex` is the skein's grist, when it is known; it is looked at when the pattern's is.
    """
    shares = class_shares(skein, chart)
    verdicts: list[Verdict] = []
    reasons: list[str] = []
    if wanted.wpi != (None, None):
        verdict, words = _by_thickness(skein, wanted)
        verdicts.append(verdict)
        reasons += words
    if wanted.tex is not None and tex is not None:
        verdict, word = _by_grist(wanted.tex, tex)
        verdicts.append(verdict)
        reasons.append(word)
    if not verdicts:
        raise ValueError(
            "the pattern's grist is known but not the skein's: weigh it and find its length"
            if wanted.tex is not None
            else "nothing was wanted: name a class, wraps per inch or a grist"
        )
    verdict = max(verdicts, key=("yes", "borderline", "no").index)
    inside = share_between(skein, wanted.wpi)
    if len([s for _, s in shares if s >= 0.1]) > 1:
        parts = [f"{_share(s)} in {name}" for name, s in shares if s >= 0.1]
        reasons.append(f"by the chart {chart.name} {_and(parts)}" + _overlap(shares))
    better = tuple(name for name, s in shares if s > max(inside, 0.5) and name != wanted.name)
    return Suit(verdict, tuple(reasons), shares, better[:2])


def _overlap(shares: tuple[tuple[str, float], ...]) -> str:
    return " (classes overlap)" if math.fsum(s for _, s in shares) > 1.05 else ""


def class_shares(skein: SkeinFigures, chart: WeightChart) -> tuple[tuple[str, float], ...]:
    """How much of a skein lies in each class, the largest first, without those it hardly touches.

    Charts in whole wraps leave gaps between 13 and 14: what lies there counts to the nearer.
    """
    ranges = [(c.name, share_between(skein, _closed(c, chart))) for c in chart.classes]
    return tuple(sorted((r for r in ranges if r[1] >= 0.01), key=lambda r: -r[1]))


def _closed(wanted: ClassRange, chart: WeightChart) -> tuple[float | None, float | None]:
    """The class's range, stretched to the middle of the gap beside it in log wraps."""
    low, high = wanted.wpi_low, wanted.wpi_high
    others = [c for c in chart.classes if c is not wanted]
    if low is not None and not any(c.touches(low * 0.999, low) for c in others):
        below = [c.wpi_high for c in others if c.wpi_high is not None and c.wpi_high < low]
        low = math.sqrt(low * max(below)) if below else low
    if high is not None and not any(c.touches(high, high * 1.001) for c in others):
        above = [c.wpi_low for c in others if c.wpi_low is not None and c.wpi_low > high]
        high = math.sqrt(high * min(above)) if above else high
    return low, high


def share_between(skein: SkeinFigures, wpi: tuple[float | None, float | None]) -> float:
    """Share of a skein's sections between two numbers of wraps, sections taken as log-normal."""
    sd = max((skein.spread_percent or 0.0) / 100, 1e-9)
    middle = math.log(skein.wpi) + sd * sd / 2  # a log-normal's median is finer than its mean
    low, high = wpi
    above = 0.0 if high is None else float(ndtr((middle - math.log(high)) / sd))
    below = 0.0 if low is None else float(ndtr((math.log(low) - middle) / sd))
    return max(1 - above - below, 0.0)


def _by_thickness(skein: SkeinFigures, wanted: WantedYarn) -> tuple[Verdict, list[str]]:
    low = wanted.wpi[0] or 0.0
    high = math.inf if wanted.wpi[1] is None else wanted.wpi[1]
    coarse, fine = skein.wpi_interval
    mean = f"{skein.wpi:.1f} WPI ({coarse:.1f} to {fine:.1f})"
    asked = f"the {_range_words(wanted.wpi)} of {wanted.name}"
    if fine < low or coarse > high:
        side = "thicker" if fine < low else "finer"
        off = skein.wpi / low if fine < low else high / skein.wpi
        by = abs(100 * (1 / off - 1)) if fine < low else abs(100 * (1 - off))
        return "no", [f"the skein is {by:.0f} % {side} than wanted: {mean} against {asked}"]
    if coarse < low or fine > high:
        side = "thicker" if coarse < low else "finer"
        return "borderline", [
            f"the mean, {mean}, may lie outside {asked}, on the {side} side; more sections "
            "would tell"
        ]
    if skein.spread_percent is None:
        return "borderline", [
            f"one section, {mean}, lies within {asked}, but the rest of the skein was not read"
        ]
    inside = share_between(skein, wanted.wpi)
    if inside < MOST_OF_IT:
        thicker = share_between(skein, (None, low)) if low > 0 else 0.0
        finer = share_between(skein, (high, None)) if high < math.inf else 0.0
        parts = [
            f"{_share(share)} of the skein is {way}"
            for share, way in ((thicker, "thicker"), (finer, "finer"))
            if share >= 0.05
        ]
        return "borderline", [f"the mean, {mean}, lies within {asked}, but {_and(parts)}"]
    return "yes", [f"the mean, {mean}, and {_share(inside)} of the skein lie within {asked}"]


def _by_grist(wanted_tex: float, tex: Amount) -> tuple[Verdict, str]:
    per_weight = in_count(tex, "m_per_100g")
    wanted = 1e5 / wanted_tex
    low, high = (100 * (end / wanted - 1) for end in per_weight.interval)
    told = f"{per_weight.value:.0f} m in 100 g where {wanted:.0f} m are asked for"
    if low > GRIST_PERCENT or high < -GRIST_PERCENT:
        light = low > 0
        return "no", f"{told}: it is {'lighter' if light else 'heavier'} for its length"
    if low < -GRIST_PERCENT or high > GRIST_PERCENT:
        return "borderline", f"{told}: within {GRIST_PERCENT:.0f} % or not, the doubt is too large"
    return "yes", f"{told}: within {GRIST_PERCENT:.0f} %"


def _range_words(wpi: tuple[float | None, float | None]) -> str:
    low, high = wpi
    if low is None:
        return f"{high:g} WPI or fewer"
    if high is None:
        return f"{low:g} WPI or more"
    return f"{low:g} WPI" if low == high else f"{low:g} to {high:g} WPI"


def _share(share: float) -> str:
    return f"{100 * share:.0f} %"


def _and(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]
