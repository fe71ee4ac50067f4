"""Drift of a spin: is the yarn growing thicker or thinner, or is that only scatter?

Thickness is felt as a ratio, so everything is done on the natural logarithm of the diameter.
Two questions are kept apart. *Is there drift?* is answered by a control chart: an exponentially
weighted moving average (EWMA; Roberts 1959) of the readings against the spinner's own first
ones, with the exact limits that widen reading by reading. *How large is it?* is answered by a
line through the last readings with its 95 % interval (`measure.trend`), or by a step where they
changed all at once (`measure.step`). Drift is said only when the chart says so: an interval that
is looked at after every reading would, once in a while, leave out zero by chance.

Three kinds of variation are told apart: along the strand within a reading (its CV), the doubt
of each reading, and what is left from reading to reading. Only the last two move a chart, and
they are learned from differences of neighbouring readings, which a drift hardly changes.

The chart is made for bobbins of 20 to 60 readings. By simulation (tests/measure/test_drift.py) of
readings that scatter independently, some 4 bobbins of 50 readings in 100 raise a false alarm. A
yarn that grows a tenth thicker at once is noticed, half the time, within 3 readings where they
scatter by 2 %, 5 by 3 %, 8 by 5 %; one that grows as much over 20 readings within 11, 14 and 20.
Readings that wander slowly raise the alarm more often: then the yarn does wander.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from measure.control_chart import Chart, make_chart, student_width
from measure.drift_words import band_words, sentence_of
from measure.results import Floats, Interval
from measure.step import find_step
from measure.trend import FEWEST_READINGS, Line, fit_line, per_cent

if TYPE_CHECKING:
    from measure.band import Band
    from measure.results import StrandReading

FIRST_READINGS: Final = 8
"""How many readings at the start of a bobbin say what it was meant to be.

Fewer leave the centre so unsure that the limits must be wide; more let a drift into it."""

EWMA_WEIGHT: Final = 0.2
"""Weight of the newest reading. Small shifts of one to two standard deviations are what a drift
by a tenth is; for them 0.1 to 0.25 is the usual choice (Lucas and Saccucci 1990, from memory)."""

LIMIT_WIDTH: Final = 2.9
"""Half width of the limits in standard deviations: about one bobbin of 50 readings in 25 raises
a false alarm, counted by simulation with centre and scatter both learned from the bobbin. An
average run of some 370 readings, usual where lines run for months, would be one in ten."""

RECENT_READINGS: Final = 20
"""The line that sizes a drift goes through the last this many."""

STEADY_PERCENT: Final = 10.0
"""Without a band, what a drift must be shown to stay under before 'steady' is said."""

NORMAL_95: Final = 1.959964
"""Half width of a normal 95 % interval in standard deviations."""

State = Literal["too_few", "unclear", "steady", "thicker", "thinner"]


@dataclass(frozen=True)
class ReadingPoint:
    """What the statistics need of one reading on a bobbin, in the order they were taken."""

    diameter_mm: float
    u_diameter_mm: float
    cv_percent: float | None = None
    """Of the diameter along the strand, within the reading."""
    spun_g: float | None = None
    """Mass spun onto the bobbin when the reading was taken."""
    sitting: str = ""
    u_shared_mm: float = 0.0
    """The part of `u_diameter_mm` that all readings taken this way have in common."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.diameter_mm) and self.diameter_mm > 0):
            raise ValueError(f"a diameter is a positive number, not {self.diameter_mm:g}")
        if not 0 <= self.u_shared_mm <= self.u_diameter_mm < math.inf:
            raise ValueError("doubts are not negative, and the shared part is not the larger")

    @classmethod
    def of_strand(
        cls, strand: StrandReading, *, spun_g: float | None = None, sitting: str = ""
    ) -> ReadingPoint:
        """The point of a strand's reading, its shared doubt taken from its budget."""
        return cls(
            diameter_mm=strand.diameter_mm,
            u_diameter_mm=strand.u_diameter_mm,
            cv_percent=strand.cv_percent,
            spun_g=spun_g,
            sitting=sitting,
            u_shared_mm=strand.u_shared_mm,
        )

    @property
    def log_diameter(self) -> float:
        """Natural logarithm of the diameter in mm."""
        return math.log(self.diameter_mm)

    @property
    def u_own(self) -> float:
        """Relative standard uncertainty that this reading does not share with its neighbours."""
        return math.sqrt(self.u_diameter_mm**2 - self.u_shared_mm**2) / self.diameter_mm


@dataclass(frozen=True)
class Trend:
    """Change of diameter over a run of readings by a straight line through their logarithms."""

    readings: int
    by: Literal["reading", "gram"]
    """What the line runs against: grams spun where every reading has them and they rise."""
    grams: float | None
    """Mass spun from the first to the last of the readings, when it was noted."""
    percent: float
    """Change from the first reading to the last; positive is thicker."""
    interval_percent: Interval
    between_percent: float
    """Standard deviation from reading to reading about the line, beyond their own doubt."""
    line: Line

    @property
    def clear(self) -> bool:
        """True when the 95 % interval leaves out zero."""
        low, high = self.interval_percent
        return low > 0 or high < 0

    @property
    def largest_percent(self) -> float:
        """The largest change, either way, that the interval allows, in per cent."""
        return max(abs(end) for end in self.interval_percent)


@dataclass(frozen=True)
class Step:
    """A change of diameter between two neighbouring readings, rather than little by little."""

    before: int
    """Readings before it."""
    after: int
    """Readings after it, to the last."""
    grams: float | None
    """Mass spun since the last reading before it, when it was noted."""
    percent: float
    """The readings after it against those before; positive is thicker."""
    interval_percent: Interval


@dataclass(frozen=True)
class Drift:
    """The chart of a bobbin and what it says; arrays have one entry per reading, (n,).

    Where there is nothing to show yet an entry is NaN: centre and limits up to the reading
    that completes the first ones.
    """

    centre_mm: Floats
    """Mean of the first readings."""
    ewma_mm: Floats
    """Moving average; up to the last of the first readings, their running mean."""
    lower_mm: Floats
    upper_mm: Floats
    """Limits the average keeps within while nothing but scatter moves it."""
    alarms: tuple[int, ...]
    """Entries whose average lies beyond a limit, from 0."""
    outside_band: tuple[int, ...]
    """Entries whose average lies outside the band with its whole 95 % interval, from 0."""
    first_readings: int
    """How many readings the centre rests on; 0 while there are too few."""
    trend: Trend | None
    """Of the last readings; None below `FEWEST_READINGS`."""
    step: Step | None
    """In the last readings, where they changed by a step; the trend overstates that."""
    from_first_percent: float | None
    """Where the average is now against the first readings; positive is thicker."""
    from_first_interval: Interval | None
    state: State
    sentence: str
    within_percent: float | None
    """Variation along the strand within readings: root mean square of their CV."""
    reading_percent: float | None
    """Doubt of one reading that it does not share: root mean square."""
    between_percent: float | None
    """Standard deviation from reading to reading beyond their doubt, drift left out."""

    @property
    def trend_percent(self) -> float | None:
        """Change over the last readings, in per cent; positive is thicker."""
        return self.trend.percent if self.trend else None

    @property
    def trend_interval(self) -> Interval | None:
        """95 % interval of that change, in per cent."""
        return self.trend.interval_percent if self.trend else None


# --- what a person asks -----------------------------------------------------------------------


def trend_of(readings: Sequence[ReadingPoint]) -> Trend:
    """Change of diameter from the first to the last of these readings, with its interval.

    The line runs against the grams spun where every reading has them and they do rise, else
    against the readings' order. ValueError for fewer than `FEWEST_READINGS`.
    """
    y, own = _logs(readings)
    x, by = _along(readings)
    line = fit_line(x, y, np.sqrt(own))
    span = float(x[-1] - x[0])
    low, high = line.slope_interval
    return Trend(
        readings=len(readings),
        by=by,
        grams=_grams_between(readings),
        percent=per_cent(line.slope * span),
        interval_percent=(per_cent(low * span), per_cent(high * span)),
        between_percent=100 * line.between_sd,
        line=line,
    )


def step_of(readings: Sequence[ReadingPoint]) -> Step | None:
    """The step in these readings; None where a line fits about as well, or none is clear."""
    y, own = _logs(readings)
    found = find_step(_along(readings)[0], y, np.sqrt(own))
    if found is None:
        return None
    low, high = found.line.slope_interval
    if low <= 0 <= high:
        return None
    return Step(
        before=found.at,
        after=len(readings) - found.at,
        grams=_grams_between(readings[found.at - 1 :]),
        percent=per_cent(found.line.slope),
        interval_percent=(per_cent(low), per_cent(high)),
    )


def _along(readings: Sequence[ReadingPoint]) -> tuple[Floats, Literal["reading", "gram"]]:
    """Where the readings lie along the yarn, (n,), and what that is told in."""
    grams = [r.spun_g for r in readings]
    if all(g is not None for g in grams):
        weighed = np.array(grams, dtype=np.float64)
        if len(weighed) and np.all(np.diff(weighed) >= 0) and weighed[-1] > weighed[0]:
            return weighed, "gram"
    return np.arange(len(readings), dtype=np.float64), "reading"


def _logs(readings: Sequence[ReadingPoint]) -> tuple[Floats, Floats]:
    """Logarithms of the diameters and each one's own variance, (n,)."""
    diameter, u, shared = (
        np.array([getattr(r, name) for r in readings], dtype=np.float64)
        for name in ("diameter_mm", "u_diameter_mm", "u_shared_mm")
    )
    return np.log(diameter), (u**2 - shared**2) / diameter**2


def _grams_between(readings: Sequence[ReadingPoint]) -> float | None:
    if not readings:
        return None
    first, last = readings[0].spun_g, readings[-1].spun_g
    return last - first if first is not None and last is not None and last > first else None


def watch_drift(readings: Sequence[ReadingPoint], band: Band | None = None) -> Drift:
    """The chart of a bobbin's readings in the order taken, and what it says in a sentence.

    `band` is the range of diameters set out for: the chart then also says whether the average
    is outside, and 'steady' asks for no drift larger than half of it.
    """
    n = len(readings)
    y, own = _logs(readings)
    recent = readings[-RECENT_READINGS:]
    trend = trend_of(recent) if n >= FEWEST_READINGS else None
    step = step_of(recent)
    chart = make_chart(y, own, FIRST_READINGS, EWMA_WEIGHT) if n > FIRST_READINGS else None
    cvs = [r.cv_percent for r in readings if r.cv_percent is not None]

    average = np.cumsum(y) / np.arange(1, n + 1)
    centre = reach = np.full(n, np.nan)
    outside: tuple[int, ...] = ()
    if chart is not None:
        average, reach = chart.average, chart.reach(LIMIT_WIDTH)
        centre = np.where(np.isnan(reach), np.nan, chart.centre)
        if band is not None:
            sure = student_width(NORMAL_95, chart.dof) * chart.u_average
            outside = _where(
                (average - sure > math.log(band.high_mm)) | (average + sure < math.log(band.low_mm))
            )
    alarms = _where(np.abs(average - centre) > reach)
    from_first = _from_first(chart)
    margin = _steady_percent(band)
    state: State = "too_few"
    if trend is not None:
        # A change that is small but sure is no reason to call a spin unsteady.
        allowed = margin / 2 if trend.clear else margin
        state = "steady" if trend.largest_percent <= allowed else "unclear"
    if from_first is not None and n - 1 in alarms:
        state = "thicker" if from_first[0] > 0 else "thinner"
    sentence = sentence_of(
        n, state, trend, step, from_first, alarms, first=FIRST_READINGS, recent=RECENT_READINGS
    )
    return Drift(
        centre_mm=np.exp(centre),
        ewma_mm=np.exp(average),
        lower_mm=np.exp(centre - reach),
        upper_mm=np.exp(centre + reach),
        alarms=alarms,
        outside_band=outside,
        first_readings=chart.first if chart is not None else 0,
        trend=trend,
        step=step,
        from_first_percent=from_first[0] if from_first else None,
        from_first_interval=from_first[1] if from_first else None,
        state=state,
        sentence=sentence + _band_words(chart, band),
        within_percent=math.sqrt(math.fsum(cv * cv for cv in cvs) / len(cvs)) if cvs else None,
        reading_percent=100 * math.sqrt(float(own.mean())) if n else None,
        between_percent=100 * chart.between_sd if chart is not None else None,
    )


def _where(true: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(np.flatnonzero(true).tolist())


def _steady_percent(band: Band | None) -> float:
    if band is None:
        return STEADY_PERCENT
    return per_cent(math.log(band.high_mm / band.low_mm) / 2)


def _from_first(chart: Chart | None) -> tuple[float, Interval] | None:
    """Where the average is now against the first readings, in per cent."""
    if chart is None:
        return None
    now = float(chart.average[-1]) - chart.centre
    about = float(chart.reach(NORMAL_95)[-1])
    return per_cent(now), (per_cent(now - about), per_cent(now + about))


def _band_words(chart: Chart | None, band: Band | None) -> str:
    if chart is None or band is None:
        return ""
    now = float(chart.average[-1])
    about = float((student_width(NORMAL_95, chart.dof) * chart.u_average)[-1])
    return band_words(band.judge(math.exp(now), (math.exp(now - about), math.exp(now + about))))
