"""From frame after frame to one calm figure, and to a reading when a strand is held steady.

The rule (its figures are in `measure.live_rule`):

- **Which strand.** Of several, the longest measured in the banded lane; where none lies there,
  the longest of any. It is kept while it is there, however long the others become. A strand is
  known again by its place: it moves at most some forty of its widths in a second.
- **The figure** is the mean of log diameter over the frames of the last 0.4 s, each weighted by
  the inverse of its own random variance. It is settled once three frames over 0.25 s agree, so in
  under half a second from eight frames a second on; where frames come slowly, two that agree and
  are 0.45 s apart are enough. One frame that leaves the interval is set aside; a second one after
  it starts the mean anew, and so does another strand.
- **No flicker.** Once settled, the figure shown follows the mean only when that has moved by more
  than a third of the standard uncertainty and by more than half the scatter of single frames.
- **The interval.** What frames differ by averages down with their number, but never to less than
  their observed scatter allows; scale, light, view and what a core is are the same mistake in
  every frame and do not average down at all.
- **No reading.** A figure stands for 0.4 s without one, is then shown faded, and after two
  seconds goes; where frames are slow, not before two and a half and five of their usual times. One
  that had not settled is not shown faded: a strand swept past is blurred and looks too thick.
  Meanwhile the advice is the one that most frames of the last second gave.
- **Held steady** is a strand that for 0.7 s and three frames lies within 1.2 of its widths of its
  median place at both ends, was not drawn along by more than a millimetre (its thick and thin
  places tell), and whose diameter stays within its standard uncertainty of the median. Then the
  frame in the middle of the spread is taken, once. The next is taken only after the strand was
  away for 0.4 s or another piece of it lies there: its thick and thin places no longer match those
  taken within a quarter of the length; where it is too even to be known by them, it lies three
  widths aside.
- **Twist** of plied yarn is worked out in some frames only. The last that was told stands for four
  seconds, and goes at once when the strand leaves, when another takes its place or when another
  piece of it lies there. A reading that is taken carries it.

A strand is away once three frames in a row over 0.4 s, or two over a second, do not show it: so
frames may drop out singly at any rate, and in pairs from three a second on.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

from measure.live_figure import Figure, Sample, calmed, mean_of, sample_of
from measure.live_hold import Hold
from measure.live_reason import Reasons
from measure.live_rule import LiveRule
from measure.results import (
    Interval,
    PictureReading,
    Refusal,
    StrandReading,
    Twist,
    WeightClass,
    with_twist,
)
from measure.strand_place import StrandPlace
from measure.weight_class import CRAFT_YARN_COUNCIL, WeightChart, classes_touched

_ROUNDING_S: Final = 1e-6


@dataclass(frozen=True)
class LiveState:
    """What the gauge shows after a frame."""

    strand: StrandReading | None = None
    """This frame's reading of the strand that is meant; None when the frame had none."""
    diameter_mm: float | None = None
    """The figure shown; None when there is none to show."""
    interval_mm: Interval | None = None
    wpi: float | None = None
    wpi_interval: Interval | None = None
    weight_classes: tuple[WeightClass, ...] = ()
    """All that the interval shown touches, nearest first."""
    settled: bool = False
    faded: bool = False
    """True when the figure is of a moment ago and nothing is read now."""
    refusal: Refusal | None = None
    """Why nothing is read, when nothing is."""
    advice: str = ""
    """What to do about it, or ""."""
    hold: float = 0.0
    """How much of the time to be held steady has passed, 0 to 1; stays 1 until it moves on."""
    take: StrandReading | None = None
    """A reading to be logged now; set once in a presentation."""
    armed: bool = True
    """False from a taken reading until the strand has left or moved on."""
    twist: Twist | None = None
    """The twist last told of this strand; without turns, the reason why; None: not looked for."""


class LiveGauge:
    """The rule at work on one source; give each frame's reading to `update` in order of time."""

    def __init__(
        self, rule: LiveRule | None = None, chart: WeightChart = CRAFT_YARN_COUNCIL
    ) -> None:
        self._rule = rule or LiveRule()
        self._chart = chart
        self.reset()

    def reset(self) -> None:
        """Forget everything, as for another source."""
        self._now_s = self._seen_s = self._frame_s = -math.inf
        self._between_s: deque[float] = deque(maxlen=5)
        self._missed = 0
        self._window: deque[Sample] = deque()
        self._aside: Sample | None = None
        self._others: list[StrandPlace] = []
        self._held = Hold(self._rule)
        self._taken: StrandPlace | None = None
        self._moved_since_s: float | None = None
        self._shown: Figure | None = None
        self._last: StrandReading | None = None
        self._twist: Twist | None = None
        self._twist_s = -math.inf
        self._reasons = Reasons(self._rule)

    def set_chart(self, chart: WeightChart) -> None:
        """Name classes by another chart from the next frame on."""
        self._chart = chart

    def update(self, reading: PictureReading | None, time_s: float) -> LiveState:
        """The state after the frame taken at `time_s`; None when only time has passed.

        A time before the last one means that the source began again: everything is forgotten.
        """
        if time_s < self._now_s:
            self.reset()
        self._now_s = time_s
        sample = None
        if reading is not None:
            if math.isfinite(self._frame_s):
                self._between_s.append(time_s - self._frame_s)
            self._frame_s = time_s
            sample, followed = self._choose(reading, time_s)
            if sample is None:
                self._missed += 1
            else:
                self._seen_s, self._missed = time_s, 0
                self._include(sample, followed)
                self._hear_twist(sample)
            self._reasons.hear(time_s, reading.refusals if sample is None else ())
        if self._window and self._faded() and not self._settled():
            self._shown = None
        if self._gone():
            self._leave()
        take = self._take_when_held() if sample is not None else None
        return self._state(sample, take)

    def forget_twist(self) -> None:
        """The strand is presented in another way: what was told of its twist counts no more."""
        self._twist = None

    def take_now(self) -> StrandReading | None:
        """The reading of the last frames at will; None when nothing is read now.

        The strand then counts as taken, so that it is not taken again by itself.
        """
        if not self._window or self._faded():
            return None
        return self._take(list(self._window))

    # --- which strand ---------------------------------------------------------------------

    def _choose(self, reading: PictureReading, time_s: float) -> tuple[Sample | None, bool]:
        """The strand that is meant, and whether it is that of the frames before."""
        placed = [(s, p) for s in reading.strands if (p := StrandPlace.of(s)) is not None]
        if not placed:
            return None, False
        kept = self._window[-1] if self._window else None
        if kept is not None:
            reach = 1.0 + self._rule.widths_per_s * (time_s - kept.time_s)
            near = [
                (kept.place.apart_widths(p), i)
                for i, (_, p) in enumerate(placed)
                if p.lane == kept.place.lane
            ]
            # What lay beside it all along does not take its place for a frame that missed it.
            beside = {
                i
                for apart, i in near
                if any(o.apart_widths(placed[i][1]) < apart for o in self._others)
            }
            nearest = min((n for n in near if n[1] not in beside), default=(math.inf, -1))
            if nearest[0] <= reach:
                strand, place = placed.pop(nearest[1])
                self._others = [p for _, p in placed if p.lane == place.lane]
                return sample_of(time_s, strand, place), True
            placed = [sp for i, sp in enumerate(placed) if i not in beside]
            if not placed:
                return None, False
        banded = [(s, p) for s, p in placed if s.lane == "banded"] or placed
        strand, place = max(banded, key=lambda sp: sp[0].length_mm)
        if kept is None:
            self._others = [p for s, p in placed if s is not strand and p.lane == place.lane]
        return sample_of(time_s, strand, place), kept is None

    def _include(self, sample: Sample, followed: bool) -> None:
        """Take a sample into the mean, or set it aside, or start anew with what was set aside.

        `followed` says that it is the strand of the frames before, by its place.
        """
        rule, window = self._rule, self._window
        if window:
            mean = mean_of(window)
            if not followed or abs(sample.log_mm - mean.log_mm) > mean.half:
                self._doubt(sample, mean.half)
                return
        else:
            self._shown = None
        self._aside = None
        window.append(sample)
        while len(window) > rule.settle_frames and window[0].time_s < (
            sample.time_s - rule.window_s - _ROUNDING_S
        ):
            window.popleft()
        self._held.keep(sample)

    def _doubt(self, sample: Sample, half: float) -> None:
        """Set a strange sample aside; begin anew at the second in a row."""
        before, self._aside = self._aside, sample
        if before is None:
            return
        self._begin_anew()
        if abs(sample.log_mm - before.log_mm) <= half and before.place.lane == sample.place.lane:
            self._include(before, True)
            self._window.append(sample)
            self._held.keep(sample)
        else:
            self._include(sample, True)

    def _begin_anew(self) -> None:
        self._window.clear()
        self._held.clear()
        self._others.clear()
        self._aside = None
        self._twist = None

    def _leave(self) -> None:
        self._taken, self._moved_since_s = None, None
        self._begin_anew()

    def _gone(self) -> bool:
        rule = self._rule
        away_s = self._now_s - self._seen_s + _ROUNDING_S
        return (self._missed >= rule.gone_frames and away_s >= rule.gone_s) or (
            self._missed >= rule.away_frames and away_s >= rule.away_s
        )

    def _faded(self) -> bool:
        return self._gone() or self._stalled(self._rule.stall_s, self._rule.stall_frames)

    def _stalled(self, least_s: float, frames: float) -> bool:
        """Whether nothing was read for so long, and for so many of the usual times of a frame."""
        usual_s = sorted(self._between_s)[len(self._between_s) // 2] if self._between_s else 0.0
        return self._now_s - self._seen_s >= max(least_s, frames * usual_s)

    # --- its twist ------------------------------------------------------------------------

    def _hear_twist(self, sample: Sample) -> None:
        """Keep what a frame told of the twist, turns rather than a reason why there are none."""
        told = sample.strand.twist_detail
        if told is None or not self._window or self._window[-1] is not sample:
            return
        last = self._twist_now()
        if told.turns_per_inch is not None or last is None or last.turns_per_inch is None:
            self._twist, self._twist_s = told, sample.time_s

    def _twist_now(self) -> Twist | None:
        return self._twist if self._now_s - self._twist_s <= self._rule.twist_s else None

    # --- held steady ----------------------------------------------------------------------

    def _take_when_held(self) -> StrandReading | None:
        self._arm_when_moved_on()
        if self._taken is None and self._held.share >= 1:
            return self._take(self._held.samples)
        return None

    def _take(self, samples: list[Sample]) -> StrandReading:
        """The sample in the middle of the spread, remembered as taken."""
        samples.sort(key=lambda s: s.log_mm)
        middle = samples[(len(samples) - 1) // 2]
        self._taken, self._moved_since_s = middle.place, None
        own, told = middle.strand.twist_detail, self._twist_now()
        if told is None or (own is not None and (own.turns_per_inch or not told.turns_per_inch)):
            return middle.strand
        return with_twist(middle.strand, told)

    def _arm_when_moved_on(self) -> None:
        if not self._window or self._taken is None:
            return
        last, rule = self._window[-1], self._rule
        reach_mm = max(5.0, rule.moved_share * last.strand.length_mm)
        match = self._taken.match(last.place, reach_mm)
        if match is not None:
            moved = match.fit < rule.matching
        else:
            moved = self._taken.apart_widths(last.place) > rule.moved_widths
        if not moved:
            self._moved_since_s = None
        elif self._moved_since_s is None:
            self._moved_since_s = last.time_s
        elif last.time_s - self._moved_since_s >= rule.moved_s - _ROUNDING_S:
            self._taken, self._moved_since_s = None, None
            if last.strand.twist_detail is None:
                self._twist = None
            self._held.forget_before(last.time_s - rule.moved_s)

    # --- what is shown --------------------------------------------------------------------

    def _state(self, sample: Sample | None, take: StrandReading | None) -> LiveState:
        faded = self._faded()
        if self._stalled(self._rule.forget_s, self._rule.forget_frames):
            self._begin_anew()
            self._shown = None
        elif self._window and not faded:
            self._shown = calmed(self._shown if self._settled() else None, mean_of(self._window))
            self._last = self._window[-1].strand
        reason = self._reasons.told if faded or self._shown is None else None
        advice = reason.advice if reason else ""
        armed = self._taken is None
        if self._shown is None or self._last is None:
            return LiveState(refusal=reason, advice=advice, armed=armed)
        diameter_mm, half = math.exp(self._shown.log_mm), self._shown.half
        low_mm, high_mm = diameter_mm * (1 - half), diameter_mm * (1 + half)
        # The wrap factor is in the reading already.
        wraps_mm = self._last.wpi * self._last.diameter_mm
        wpi = wraps_mm / diameter_mm
        wpi_interval = (wraps_mm / high_mm, wraps_mm / low_mm if low_mm > 0 else math.inf)
        return LiveState(
            strand=sample.strand if sample else None,
            diameter_mm=diameter_mm,
            interval_mm=(low_mm, high_mm),
            wpi=wpi,
            wpi_interval=wpi_interval,
            weight_classes=classes_touched(self._chart, wpi, wpi_interval),
            settled=self._settled() and not faded,
            faded=faded,
            refusal=reason,
            advice=advice,
            hold=self._held.share if armed else 1.0,
            take=take,
            armed=armed,
            twist=self._twist_now(),
        )

    def _settled(self) -> bool:
        window, rule = self._window, self._rule
        if len(window) < 2:
            return False
        span_s = window[-1].time_s - window[0].time_s + _ROUNDING_S
        least_s = rule.settle_s if len(window) >= rule.settle_frames else rule.settle_slow_s
        return span_s >= least_s
