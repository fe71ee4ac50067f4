"""The big reading's figures and the words round them, as short as the eye takes them in."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from app.format import interval_decimals, rounded
from app.window.big_reading_shown import TWIST_WAYS, Shown
from measure.live import LiveState
from measure.results import Interval
from measure.twist_band import TwistBand, TwistJudgement, TwistPlace

_TWIST_DECIMALS: Final = 1
_BALANCE: Final[dict[TwistPlace, str]] = {
    "in": "in balance",
    "more": "over-plied",
    "less": "under-plied",
}


def glanced(value: float, interval: Interval) -> tuple[str, str, str]:
    """A value and its interval's ends: three digits are what the eye takes in from afar."""
    most = 2 - math.floor(math.log10(value))
    decimals = min(interval_decimals(value, interval), most)
    low, high = interval
    return rounded(value, decimals), rounded(low, decimals), rounded(high, decimals)


def ends_shown(ends: Interval, most: int = 4) -> tuple[str, str]:
    """A band's ends to a hundredth of the band, in as few decimals as that takes, or in `most`."""
    slack = abs(ends[0] - ends[1]) / 100
    enough = (n for n in range(most) if all(abs(round(x, n) - x) <= slack for x in ends))
    decimals = next(enough, most)
    return rounded(ends[0], decimals), rounded(ends[1], decimals)


def twist_shown(state: LiveState, band: TwistBand | None) -> Shown:
    """What is shown of the ply twist, judged against its band."""
    twist = state.twist
    shown = Shown(faded=state.faded, live=False, ways=TWIST_WAYS)
    if twist is None:
        return replace(shown, advice="Looking for its twist.")
    turns, interval = twist.turns_per_inch, twist.turns_per_inch_interval
    if turns is None or interval is None:
        return replace(shown, advice=twist.reason.text if twist.reason else "")
    figure = rounded(turns, _TWIST_DECIMALS)
    # Outwards: an interval narrower than the digits shown must not look like none at all.
    low, high = (
        rounded(math.floor(interval[0] * 10 + 1e-6) / 10, 1),
        rounded(math.ceil(interval[1] * 10 - 1e-6) / 10, 1),
    )
    about = []
    if twist.plies is not None:
        about.append("single" if twist.plies == 1 else f"{twist.plies}-ply")
    if twist.twist is None:
        about.append("S or Z not seen")
    shown = replace(
        shown,
        figure=figure,
        interval=f"{' '.join(filter(None, ('TPI', twist.twist)))}, {low} to {high}",
        classes=" · ".join(about),
    )
    if band is None or twist.plies == 1:
        return shown
    judged = band.judge(turns, interval)
    less, more = ends_shown((band.low, band.high), most=_TWIST_DECIMALS)
    if band.balanced:
        about = [
            _balance(judged)
            + (": " if judged.place == "in" else ": balance is ")
            + f"{less} to {more}"
        ]
    return replace(
        shown,
        classes=" · ".join(about),
        judged=judged,
        position=band.position(turns),
        position_low=band.position(interval[0]),
        position_high=band.position(interval[1]),
        band_thin=less,
        band_thick=more,
    )


def _balance(judged: TwistJudgement) -> str:
    return ("" if judged.sure else "perhaps ") + _BALANCE[judged.place]
