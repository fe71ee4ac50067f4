"""What a bobbin's chart says, in a sentence."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

from measure.trend import FEWEST_READINGS, span_text

if TYPE_CHECKING:
    from measure.band import Judgement
    from measure.drift import State, Step, Trend
    from measure.results import Interval

_SAYS_NOTHING_PERCENT: Final = 50
"""A drift of more would be another yarn: not to rule it out is to say nothing (ours)."""


def sentence_of(
    n: int,
    state: State,
    trend: Trend | None,
    step: Step | None,
    from_first: tuple[float, Interval] | None,
    alarms: tuple[int, ...],
    *,
    first: int,
    recent: int,
) -> str:
    """What is said of `n` readings; `first` of them are the first ones, `recent` the last."""
    if trend is None:
        taken = "none" if n == 0 else str(n)
        return f"not enough readings yet ({FEWEST_READINGS} needed, {taken} taken)"
    over = f"over {'all' if trend.readings == n else 'the last'} {trend.readings} readings"
    over += _grams(trend.grams)
    if state in ("steady", "unclear") and alarms and alarms[-1] >= n - recent:
        back = n - 1 - alarms[-1]
        since = "reading" if back == 1 else f"{back} readings"
        return f"back near the first {first} readings for the last {since}"
    if state == "steady":
        return f"steady: no drift larger than {math.ceil(trend.largest_percent)} % {over}"
    change = _Change.of(trend, step, over)
    if from_first is None or state not in ("thicker", "thinner"):
        if change is not None:
            return f"too early to call: {change.way} by {change.size}"
        most = math.ceil(trend.largest_percent)
        if most > _SAYS_NOTHING_PERCENT:
            return f"readings too far apart to tell a drift {over}"
        return f"no drift seen, but {most} % {over} cannot be ruled out yet"
    if change is not None and change.way == state:
        said = f"{state} by a step" if step is not None else f"drifting {state}"
        return f"{said}: {change.size}"
    now = f"{state} than the first {first} readings by {_size(*from_first)}"
    if change is not None:
        return f"{now}, but coming back: {change.size}"
    return f"{now}, no clear drift {over}"


class _Change(NamedTuple):
    """A change that is beyond doubt: a step where there was one, else along the line."""

    way: str
    size: str

    @classmethod
    def of(cls, trend: Trend, step: Step | None, over: str) -> _Change | None:
        """None when the line's interval holds zero and there was no step."""
        if step is not None:
            last = "reading" if step.after == 1 else f"{step.after} readings"
            where = f"in the last {last} against the {step.before} before{_grams(step.grams)}"
            return cls(_way(step.percent), f"{_size(step.percent, step.interval_percent)} {where}")
        if trend.clear:
            return cls(
                _way(trend.percent), f"{_size(trend.percent, trend.interval_percent)} {over}"
            )
        return None


def _way(percent: float) -> str:
    return "thicker" if percent > 0 else "thinner"


def _grams(grams: float | None) -> str:
    return "" if grams is None else f", about {grams:.{0 if grams >= 2 else 1}f} g"


def _size(percent: float, interval: Interval) -> str:
    """The size of a change whose direction is said in words."""
    low, high = interval
    return span_text(percent, (low, high)) if percent >= 0 else span_text(-percent, (-high, -low))


def band_words(judged: Judgement) -> str:
    """Where the average is in the band set out for, to stand behind the sentence."""
    if judged.place == "in":
        return "; within the band" if judged.sure else "; in the band, near its edge"
    return (
        f"; {judged.place} than the band"
        if judged.sure
        else f"; at the band's {_END[judged.place]} edge"
    )


_END: Final = {"thicker": "thick", "thinner": "thin"}
