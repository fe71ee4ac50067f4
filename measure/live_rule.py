"""The figures of the live rule, which `measure.live` states; times in seconds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LiveRule:
    """How long, how far, how many."""

    window_s: float = 0.4
    settle_s: float = 0.25
    settle_frames: int = 3
    settle_slow_s: float = 0.45
    """Two frames so far apart that agree are enough."""
    gone_s: float = 0.4
    gone_frames: int = 3
    away_s: float = 1.0
    away_frames: int = 2
    """Where frames come so slowly that `gone_frames` of them take longer than `away_s`."""
    stall_s: float = 1.0
    """A figure fades after this long without any frame."""
    stall_frames: float = 2.5
    """And not before so many of the usual times between two frames, where those are long."""
    forget_s: float = 2.0
    forget_frames: float = 5.0
    advice_s: float = 1.0
    hold_s: float = 0.7
    hold_frames: int = 3
    still_widths: float = 1.2
    drawn_mm: float = 1.0
    moved_s: float = 0.25
    moved_widths: float = 3.0
    moved_share: float = 0.25
    """Of the length measured: how far along a strand is still looked for where it was taken."""
    matching: float = 0.6
    """Least fit of thick and thin places that counts as the same piece."""
    widths_per_s: float = 40.0
    twist_s: float = 4.0
    """How long a twist that was told stands for the frames after it."""
