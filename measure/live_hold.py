"""Whether a strand is held steady: it lies still, is not drawn along, and is as thick as before."""

from __future__ import annotations

from collections import deque

import numpy as np

from measure.live_figure import Sample
from measure.live_rule import LiveRule
from measure.strand_place import StrandPlace

_ROUNDING_S = 1e-6


class Hold:
    """The samples for which one strand has been held still so far."""

    def __init__(self, rule: LiveRule) -> None:
        self._rule = rule
        self._held: deque[tuple[Sample, tuple[float, float]]] = deque()
        self._from: StrandPlace | None = None

    def keep(self, sample: Sample) -> None:
        """Add a sample to those held still, or begin with it again when it moved."""
        held, rule, start = self._held, self._rule, self._from
        offset = (0.0, 0.0)
        if held and start is not None:
            offset = start.offset_widths(sample.place)
            offsets = np.array([o for _, o in held] + [offset])
            moved = float(np.abs(offsets[-1] - np.median(offsets, axis=0)).max())
            changed = abs(sample.log_mm - float(np.median([s.log_mm for s, _ in held])))
            drawn = start.match(sample.place, 6 * rule.drawn_mm)
            if (
                moved > rule.still_widths
                or changed > sample.strand.u_diameter_mm / sample.strand.diameter_mm
                or (drawn is not None and abs(drawn.shift_mm) > rule.drawn_mm)
                or (drawn is not None and drawn.fit < rule.matching)
            ):
                held.clear()
        if not held:
            self._from, offset = sample.place, (0.0, 0.0)
        held.append((sample, offset))
        while len(held) > rule.hold_frames and held[1][0].time_s < sample.time_s - rule.hold_s:
            held.popleft()

    def forget_before(self, time_s: float) -> None:
        """Count only from that time on."""
        while self._held and self._held[0][0].time_s < time_s:
            self._held.popleft()

    def clear(self) -> None:
        """Nothing is held."""
        self._held.clear()

    @property
    def samples(self) -> list[Sample]:
        """The samples it was held for, oldest first."""
        return [sample for sample, _ in self._held]

    @property
    def share(self) -> float:
        """Share of the time to be held that has passed; under 1 until there are frames enough."""
        if not self._held:
            return 0.0
        span_s = self._held[-1][0].time_s - self._held[0][0].time_s + _ROUNDING_S
        return min(1.0, span_s / self._rule.hold_s, len(self._held) / self._rule.hold_frames)
