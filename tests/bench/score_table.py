"""Tables of errors: the same columns for drawn and for rendered pictures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

HEAD = (
    "| group | strands | read | median % | p95 % | max % | bias % | interval holds % "
    "| silent > 5 % | half-level median / p95 % | refused |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|"
)


class Scored(Protocol):
    """What a table needs of one strand's score."""

    @property
    def error_percent(self) -> float: ...
    @property
    def half_level_error_percent(self) -> float: ...
    @property
    def refused(self) -> str | None: ...
    @property
    def covered(self) -> bool: ...
    @property
    def silent_miss(self) -> bool: ...


@dataclass(frozen=True)
class Summary:
    """Figures of one group; NaN where nothing was read."""

    strands: int
    read: int
    median: float
    p95: float
    largest: float
    bias: float
    covered_percent: float
    silent: int
    half_level_median: float
    half_level_p95: float
    refused: dict[str, int]


def summarised(scores: Sequence[Scored]) -> Summary:
    """The figures of one group of scores."""
    answered = [s for s in scores if s.refused is None]
    errors = np.array([s.error_percent for s in answered])
    plain = np.array([s.half_level_error_percent for s in answered])
    plain = np.abs(plain[np.isfinite(plain)])
    size = np.abs(errors)
    nan = float("nan")
    return Summary(
        strands=len(scores),
        read=len(answered),
        median=float(np.median(size)) if len(size) else nan,
        p95=float(np.percentile(size, 95)) if len(size) else nan,
        largest=float(size.max()) if len(size) else nan,
        bias=float(errors.mean()) if len(size) else nan,
        covered_percent=100.0 * float(np.mean([s.covered for s in answered])) if answered else nan,
        silent=sum(s.silent_miss for s in answered),
        half_level_median=float(np.median(plain)) if len(plain) else nan,
        half_level_p95=float(np.percentile(plain, 95)) if len(plain) else nan,
        refused=dict(Counter(s.refused for s in scores if s.refused is not None)),
    )


def row(name: str, scores: Sequence[Scored]) -> str:
    """One line of the table."""
    s = summarised(scores)
    refused = ", ".join(f"{n} {code}" for code, n in sorted(s.refused.items())) or "none"
    return (
        f"| {name} | {s.strands} | {s.read} | {s.median:.2f} | {s.p95:.2f} | {s.largest:.2f} "
        f"| {s.bias:+.2f} | {s.covered_percent:.0f} | {s.silent} "
        f"| {s.half_level_median:.1f} / {s.half_level_p95:.1f} | {refused} |"
    )
