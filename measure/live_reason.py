"""Why nothing is read: the reason that most frames of the last second gave, calmly."""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Sequence

from measure.live_rule import LiveRule
from measure.results import Refusal


class Reasons:
    """The reasons of the last frames, and the one that is told."""

    def __init__(self, rule: LiveRule) -> None:
        self._rule = rule
        self._heard: deque[tuple[float, tuple[Refusal, ...]]] = deque()
        self.told: Refusal | None = None
        """The one that most of them gave."""
        self._told_from_s = -math.inf

    def hear(self, now_s: float, refusals: Sequence[Refusal]) -> None:
        """Keep the reasons of a frame, none of one that was read, and choose anew."""
        heard, rule = self._heard, self._rule
        heard.append((now_s, tuple({r.code: r for r in reversed(refusals)}.values())))
        while heard[0][0] < now_s - rule.advice_s:
            heard.popleft()
        counts = Counter(r.code for _, given in heard for r in given)
        if not counts:
            self.told = None
            return
        code, most = max(counts.items(), key=lambda item: item[1])
        current = self.told
        if current is not None and counts[current.code] * 1.5 >= most:
            code = current.code
        # Figures inside a sentence change with every frame: they too change once in a while.
        if current is None or code != current.code or now_s - self._told_from_s >= rule.advice_s:
            latest = next(r for _, given in reversed(heard) for r in given if r.code == code)
            if latest != current:
                self.told, self._told_from_s = latest, now_s
