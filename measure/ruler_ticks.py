"""Tick marks in a picture: thin straight marks side by side whose ends stand on one line.

The picture is looked at in several sizes, so that at one of them a mark is a few pixels wide, and
turned so that the marks stand upright. A mark is a ridge of brightness; a row is marks whose ends
on one side lie on a straight line and whose places follow a one-dimensional projective map of
whole numbers. Places are in the pixels of the picture as given.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.intp]
Bytes = NDArray[np.uint8]

_LARGEST_PX: Final = 1800
"""Longer side of the largest size looked at."""
_SMALLEST_PX: Final = 240
_ROWS_AT_ONCE: Final = 64
"""The picture is worked on in strips, to hold little more than itself."""
_BESIDE: Final = 8
"""Rows of the neighbouring strips that filters reach into."""
_DIRECTIONS: Final = 4
"""Directions tried, the ones with most edges across them first."""
_FEWEST: Final = 16
"""Marks in a row without which it is none."""
_LEAST_PITCH_PX: Final = 4.0
_SLOPES: Final = np.linspace(-0.15, 0.15, 41)
"""Lean of a row against the square to its marks: a tilted view shears them."""
_ROWS_TRIED: Final = 4
_OFF_PITCH: Final = 0.16
"""How far, in pitches, a mark may lie from its place."""
_MOST_SCATTER: Final = 0.05
"""Root mean square of that, in pitches, from which a row is none: rulers are regular."""
_LEAST_FILL: Final = 0.6


@dataclass(frozen=True, eq=False)
class TickRow:
    """Marks along one edge, k of them, in the picture's pixels."""

    number: Ints
    """(k,) whole numbers that count the places along the row, rising; some may be missing."""
    base_px: Floats
    """(k, 2) ends of the marks on the line they stand on."""
    tip_px: Floats
    """(k, 2) their other ends."""
    length: Floats
    """(k,) of each mark in pitches there."""
    along: Floats
    """(2,) unit vector in the picture in which the numbers rise."""
    inward: Floats
    """(2,) unit vector, roughly from the ends on the line to the other ends."""
    pitch_px: float
    """Median."""
    scatter: float
    """Root mean square departure from the map, in pitches."""
    grain: float
    """A pixel of the size it was found in, in pitches."""


def find_tick_rows(pixels: NDArray[Any]) -> list[TickRow]:
    """Rows of marks in a picture, the ones with most marks first."""
    rows: list[TickRow] = []
    for grey, factor in _sizes(pixels):
        for degrees in _directions(grey):
            turned = _Turned.of(grey, degrees, factor)
            for marks in turned.marks():
                rows += _rows(marks, turned)
    rows.sort(key=lambda row: -len(row.number))
    return rows


def _sizes(pixels: NDArray[Any]) -> Iterator[tuple[Bytes, float]]:
    """The picture in 8-bit grey at falling sizes, with its pixels per pixel of each."""
    factor = max(1.0, max(pixels.shape[:2]) / _LARGEST_PX)
    # Grey before it is made smaller: a third of the memory.
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY) if pixels.ndim == 3 else pixels)
    if factor > 1.0:
        size = (round(grey.shape[1] / factor), round(grey.shape[0] / factor))
        grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA))
    if grey.dtype != np.uint8:
        grey = np.right_shift(grey, 8).astype(np.uint8)
    while max(grey.shape) >= _SMALLEST_PX and min(grey.shape) >= 32:
        yield grey, factor
        half = (grey.shape[1] // 2, grey.shape[0] // 2)
        grey = np.asarray(cv2.resize(grey, half, interpolation=cv2.INTER_AREA), np.uint8)
        factor *= 2.0


def _directions(grey: Bytes) -> list[float]:
    """Directions, degrees from x towards y, in which brightness changes most."""
    exact = np.zeros(180)
    for top in range(0, len(grey), _ROWS_AT_ONCE):
        smooth = cv2.GaussianBlur(grey[top : top + _ROWS_AT_ONCE], (0, 0), 1.0)
        x, y = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
        strength = np.hypot(x, y)
        # A strong edge counts no more than a plain one: ticks are many, an outline is long.
        strong = strength > max(float(strength.mean()), 1.0)
        angle = np.rint(np.degrees(np.arctan2(y[strong], x[strong]))).astype(np.int32) % 180
        weight = np.minimum(strength[strong], 4.0 * float(strength.mean()))
        exact += np.bincount(angle, weight, 180)
    count = np.sum([np.roll(exact, step) for step in (-2, -1, 0, 1, 2)], axis=0)
    found: list[float] = []
    for place in np.argsort(-count, kind="stable"):
        if all(abs((place - other + 90) % 180 - 90) > 12 for other in found):
            found.append(float(place))
        if len(found) == _DIRECTIONS:
            break
    return found


@dataclass(frozen=True, eq=False)
class _Marks:
    """Upright ridges, m of them, in turned pixels."""

    top: Floats
    """(m,) first row."""
    bottom: Floats
    """(m,) last row."""
    at_top: Floats
    """(m,) place along x at the first row, by a straight line through the ridge."""
    at_bottom: Floats
    """(m,) at the last row."""


@dataclass(frozen=True, eq=False)
class _Crests:
    """Places where a ridge is highest along its row, row by row, in turned pixels."""

    x: NDArray[np.int32]
    y: NDArray[np.int32]
    place: Floats
    """Along x, to a part of a pixel."""
    at_rim: NDArray[np.bool_]
    """So near the picture's rim that the ridge may be cut off."""


@dataclass(frozen=True, eq=False)
class _Turned:
    """The picture turned so that one direction lies along x; worked on some rows at a time."""

    grey: Bytes
    there: Floats
    """(2, 3) from the pixels of `grey` to turned ones."""
    back: Floats
    """(2, 3) from turned pixels to those of the picture as given."""
    shape: tuple[int, int]
    """Columns and rows."""

    @staticmethod
    def of(grey: Bytes, degrees: float, factor: float) -> _Turned:
        height, width = grey.shape
        angle = np.radians(degrees)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        size = np.ceil(np.abs(turn) @ [width, height]).astype(int)
        offset = (size - 1) / 2 - turn @ [(width - 1) / 2, (height - 1) / 2]
        # Pixel (0, 0) of a smaller size has its centre off that of the picture's by half of both.
        back = np.column_stack([factor * turn.T, factor * (-turn.T @ offset + 0.5) - 0.5])
        there = np.column_stack([turn, offset])
        return _Turned(grey, there, back, (int(size[0]), int(size[1])))

    def to_picture(self, x: Floats, y: Floats) -> Floats:
        """Places (n, 2) in the picture as given."""
        return np.asarray(np.column_stack([x, y]) @ self.back[:, :2].T + self.back[:, 2])

    def marks(self) -> Iterator[_Marks]:
        """Dark upright ridges, then bright ones."""
        tops = range(0, self.shape[1], _ROWS_AT_ONCE)
        some = [np.abs(self._ridge(top)[0][::2, ::3]).ravel() for top in tops[::4]]
        noise = 1.4826 * float(np.median(np.concatenate(some)))
        least = max(3.0, 3.0 * noise)
        found: tuple[list[_Crests], list[_Crests]] = ([], [])
        for top in tops:
            ridge, distance = self._ridge(top)
            for crests, signed in zip(found, (ridge, -ridge), strict=True):
                crests.append(_crests(signed, distance, least, top))
        for crests in found:
            whole = _Crests(
                *(np.concatenate([getattr(c, f) for c in crests]) for f in _CREST_FIELDS)
            )
            yield _upright(whole, self.shape)

    def _ridge(self, top: int) -> tuple[Singles, Bytes]:
        """How dark an upright ridge runs through each of some rows, and whether they are inside:
        0 outside the picture, 1 near its rim, 2 well inside."""
        first = top - _BESIDE
        count = min(_ROWS_AT_ONCE, self.shape[1] - top)
        size = (self.shape[0], count + 2 * _BESIDE)
        there = self.there - np.array([[0, 0, 0], [0, 0, first]])
        turned = cv2.warpAffine(
            self.grey, there, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ).astype(np.float32)
        smooth = cv2.GaussianBlur(turned, (0, 0), sigmaX=1.1, sigmaY=1.5)
        ridge = cv2.filter2D(smooth, -1, np.array([[0.5, 0, -1, 0, 0.5]], np.float32))
        inside = cv2.warpAffine(np.ones(self.grey.shape, np.uint8), there, size)
        near = cv2.erode(inside, np.ones((7, 7), np.uint8), borderValue=1)
        well = cv2.erode(inside, np.ones((13, 13), np.uint8), borderValue=1)
        ridge[near == 0] = 0.0
        own = slice(_BESIDE, _BESIDE + count)
        return np.asarray(ridge[own], np.float32), np.asarray((near + well)[own], np.uint8)


_CREST_FIELDS: Final = ("x", "y", "place", "at_rim")


def _crests(ridge: Singles, distance: Bytes, least: float, top: int) -> _Crests:
    # On both sides of a mark the filter answers half as strongly the other way.
    beside = np.asarray(cv2.dilate(-ridge, np.ones((1, 9), np.uint8)), np.float32)
    crest = (ridge > least) & (ridge > 0.7 * beside)
    crest[:, 1:] &= ridge[:, 1:] > ridge[:, :-1]
    crest[:, :-1] &= ridge[:, :-1] >= ridge[:, 1:]
    crest[:, [0, -1]] = False
    y, x = np.nonzero(crest)
    before, here, after = ridge[y, x - 1], ridge[y, x], ridge[y, x + 1]
    bend = np.minimum(before - 2 * here + after, np.float32(-1e-6))
    place = x + 0.5 * (before - after).astype(np.float64) / bend
    at_rim = distance[y, x] < 2
    return _Crests(x.astype(np.int32), (y + top).astype(np.int32), place, at_rim)


def _upright(crests: _Crests, shape: tuple[int, int]) -> _Marks:
    """Crests joined from row to row, less what the picture's rim cuts off."""
    # Only pictures of rulers need it, and it takes as long to import as all the rest of SciPy.
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    x, y, place = crests.x, crests.y, crests.place
    key = y * (shape[0] + 2) + x
    pairs = []
    for aside in (-1, 0, 1):
        below = key + shape[0] + 2 + aside
        to = np.minimum(np.searchsorted(key, below), len(key) - 1) if len(key) else below
        met = np.nonzero(key[to] == below)[0] if len(key) else to
        pairs.append((met, to[met]))
    start, stop = (np.concatenate([pair[side] for pair in pairs]) for side in (0, 1))
    links = coo_matrix((np.ones(len(start), bool), (start, stop)), shape=(len(key), len(key)))
    count, label = connected_components(links, directed=False)

    def total(values: NDArray[Any]) -> Floats:
        return np.bincount(label, values, count).astype(np.float64)

    cells = np.bincount(label, minlength=count).astype(np.float64)
    # Crests come row by row, and of several values for one place the last one stays.
    top, bottom = np.zeros(count), np.zeros(count)
    bottom[label] = y
    top[label[::-1]] = y[::-1]
    height = bottom - top + 1
    good = (height >= 4) & (height < 0.4 * min(shape)) & (total(crests.at_rim) == 0)
    good &= (cells > 0.75 * height) & (cells < 1.3 * height)
    mean_x, mean_y = total(place) / cells, total(y) / cells
    dy, dx = y - mean_y[label], place - mean_x[label]
    lean = total(dx * dy) / np.maximum(total(dy * dy), 1e-9)
    wander = np.sqrt(total((dx - lean[label] * dy) ** 2) / cells)
    good &= (wander < 0.7) & (np.abs(lean) < 0.3)
    top, bottom, lean, mean_x, mean_y = (v[good] for v in (top, bottom, lean, mean_x, mean_y))
    return _Marks(top, bottom, mean_x + lean * (top - mean_y), mean_x + lean * (bottom - mean_y))


def _rows(marks: _Marks, turned: _Turned) -> Iterator[TickRow]:
    """Rows that stand on their upper ends, then rows that stand on their lower ends."""
    if len(marks.top) < _FEWEST:
        return
    ends = (
        (marks.at_top, marks.top, marks.at_bottom, marks.bottom),
        (marks.at_bottom, marks.bottom, marks.at_top, marks.top),
    )
    for x, y, tip_x, tip_y in ends:
        for slope, level in _lines(x, y):
            near = np.nonzero(np.abs(y - slope * x - level) < 3.0)[0]
            near = near[np.argsort(x[near], kind="stable")]
            counted = _count(x[near])
            if counted is None:
                continue
            row = _row(counted, near, (x, y, tip_x, tip_y), turned)
            if row is not None:
                yield row


def _lines(x: Floats, y: Floats) -> list[tuple[float, float]]:
    """Slopes and levels of the straight lines on which most ends lie."""
    found: list[tuple[int, float, float]] = []
    for slope in _SLOPES:
        level = y - slope * x
        lowest = float(level.min())
        count = np.bincount(((level - lowest) / 1.5).astype(int))
        near = np.convolve(count, [1, 1, 1])[1:-1]
        most = np.argsort(-near, kind="stable")[:_ROWS_TRIED]
        found += [
            (int(near[place]), float(slope), lowest + 1.5 * (place + 0.5))
            for place in most
            if near[place] >= _FEWEST
        ]
    found.sort(key=lambda line: -line[0])
    middle = 0.5 * float(x.min() + x.max())
    kept: list[tuple[float, float]] = []
    for _, slope, level in found:
        if all(abs((level + slope * middle) - (b + a * middle)) > 4.0 for a, b in kept):
            kept.append((slope, level))
        if len(kept) == _ROWS_TRIED:
            break
    return kept


def _count(x: Floats) -> tuple[Ints, Ints, Floats] | None:
    """Which of the places (m,), rising, are ticks, their numbers, and the map from the numbers."""
    if len(x) < _FEWEST:
        return None
    for pitch in _likely_pitches(x):
        chains = [_chain(x, seed, pitch) for seed in range(len(x) // 6, len(x), len(x) // 3)]
        longest = max(chains, key=lambda chain: len(chain[0]))
        if len(longest[0]) < _FEWEST - 4:
            continue
        grown = _grown(x, *longest)
        if grown is not None:
            return grown
    return None


def _likely_pitches(x: Floats) -> list[float]:
    """Distances that often lie between neighbours, the commonest first."""
    gaps = np.concatenate([np.diff(x), x[2:] - x[:-2]])
    gaps = gaps[gaps >= _LEAST_PITCH_PX]
    if len(gaps) < _FEWEST // 2:
        return []
    bins = np.floor(np.log(gaps) / 0.06).astype(int)
    count = np.bincount(bins - bins.min())
    near = np.convolve(count, [1, 1, 1])[1:-1]
    out: list[float] = []
    for place in np.argsort(-near, kind="stable")[:6]:
        pitch = float(np.exp(0.06 * (place + bins.min() + 0.5)))
        if near[place] >= _FEWEST // 2 and all(abs(np.log(pitch / other)) > 0.15 for other in out):
            out.append(pitch)
    return out[:2]


def _chain(x: Floats, seed: int, pitch: float) -> tuple[Ints, Ints]:
    """From one place to both sides, from tick to tick as long as they come in step."""
    middles = 0.5 * (x[1:] + x[:-1])
    members, numbers = [seed], [0]
    for way in (1, -1):
        at, number, step = seed, 0, pitch
        while True:
            for skip in (1, 2, 3, 4):
                wanted = x[at] + way * skip * step
                to = int(np.searchsorted(middles, wanted))  # the nearest place
                if abs(x[to] - wanted) < 0.2 * step and to != at:
                    break
            else:
                break
            step = 0.7 * step + 0.3 * abs(float(x[to] - x[at])) / skip
            at, number = to, number + way * skip
            members.append(at)
            numbers.append(number)
    order = np.argsort(numbers)
    return np.array(members)[order], np.array(numbers)[order]


def _grown(x: Floats, members: Ints, numbers: Ints) -> tuple[Ints, Ints, Floats] | None:
    """A chain fitted by a projective map, and all places that agree with it; None when few do."""
    for _ in range(3):
        fit = _projective(numbers, x[members])
        if fit is None:
            return None
        a, b, c = fit
        slant = b - c * x
        ahead = np.abs(slant) > 1e-6
        place = np.where(ahead, (x - a) / np.where(ahead, slant, 1.0), np.inf)
        # Only where the map was seen or nearly so: it means nothing far beyond.
        reach = 0.25 * np.ptp(numbers) + 2
        ahead &= (place > numbers.min() - reach) & (place < numbers.max() + reach)
        whole = np.rint(np.where(ahead, place, 0.0)).astype(int)
        off = np.where(ahead, np.abs(place - whole), 1.0)
        order = np.lexsort((off, whole))
        first = np.concatenate([[True], np.diff(whole[order]) != 0])
        chosen = np.sort(order[first])
        chosen = chosen[off[chosen] < _OFF_PITCH]
        if len(chosen) < _FEWEST:
            return None
        members, numbers = chosen, whole[chosen]
    members, numbers = _dense(members, numbers)
    fit = _projective(numbers, x[members]) if len(members) >= _FEWEST else None
    if fit is None:
        return None
    a, b, c = fit
    inside = (x >= x[members[0]]) & (x <= x[members[-1]])
    fill = len(members) / (np.ptp(numbers) + 1)
    if fill < _LEAST_FILL or len(members) < _LEAST_FILL * inside.sum():
        return None
    return members, numbers, np.array(fit)


def _dense(members: Ints, numbers: Ints) -> tuple[Ints, Ints]:
    """The longest stretch without a gap of more than eight places."""
    breaks = np.nonzero(np.diff(numbers) > 8)[0] + 1
    parts = np.split(np.arange(len(numbers)), breaks)
    longest = max(parts, key=len)
    return members[longest], numbers[longest]


def _projective(number: Ints, x: Floats) -> tuple[float, float, float] | None:
    """a, b, c of x = (a + b n) / (1 + c n), least squares in x."""
    middle, reach = float(np.mean(number)), max(float(np.ptp(number)) / 2, 1.0)
    n = np.asarray((number - middle) / reach, np.float64)
    rows = np.stack([np.ones(len(n)), n, -n * x])
    weight = np.ones(len(n), np.float64)
    solution: Floats = np.zeros(3)
    for _ in range(3):
        weighted = rows * weight
        try:
            solution = np.asarray(np.linalg.solve(weighted @ rows.T, weighted @ x), np.float64)
        except np.linalg.LinAlgError:
            return None
        depth = 1.0 + solution[2] * n
        if depth.min() <= 0.1:
            return None
        off = np.abs((solution[0] + solution[1] * n) / depth - x)
        spread = max(1.4826 * float(np.median(off)), 1e-3)
        huber = np.minimum(1.0, 2.5 * spread / np.maximum(off, 1e-9))
        weight = np.asarray(huber / depth**2, np.float64)
    a, b, c = (float(v) for v in solution)
    # Back from scaled numbers m = (n - middle) / reach.
    depth0 = 1.0 - c * middle / reach
    if depth0 <= 0.05:
        return None
    return (a - b * middle / reach) / depth0, (b / reach) / depth0, (c / reach) / depth0


def _row(
    counted: tuple[Ints, Ints, Floats],
    near: Ints,
    ends: tuple[Floats, Floats, Floats, Floats],
    turned: _Turned,
) -> TickRow | None:
    """A counted row in the picture's own pixels; None when it is not regular enough."""
    members, number, (a, b, c) = counted
    chosen = near[members]
    x, y, tip_x, tip_y = (v[chosen] for v in ends)
    depth = 1.0 + c * number
    pitch = (b - a * c) / depth**2
    off = (x - (a + b * number) / depth) / pitch
    scatter = float(np.sqrt(np.mean(off**2)))
    if scatter > _MOST_SCATTER or float(np.median(pitch)) < _LEAST_PITCH_PX:
        return None
    base, tip = turned.to_picture(x, y), turned.to_picture(tip_x, tip_y)
    along = base[-1] - base[0]
    inward = np.median(tip - base, axis=0)
    return TickRow(
        number=number - number[0],
        base_px=base,
        tip_px=tip,
        length=np.abs(tip_y - y) / pitch,
        along=along / np.linalg.norm(along),
        inward=inward / np.linalg.norm(inward),
        pitch_px=float(np.median(pitch)) * float(np.hypot(*turned.back[:, 0])),
        scatter=scatter,
        grain=1.0 / float(np.median(pitch)),
    )
