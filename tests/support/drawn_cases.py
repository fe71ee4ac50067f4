"""Random drawn pictures by group, and a reading set against the truth they were drawn from.

Every case follows from its group's name and one seed, so that a figure of a bench or a failing
test can be had again alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from analytic import draw, to_jpeg, to_png
from analytic_types import Camera, Floats, Light, OpenLane, Strand, StrandTruth, Truth

from measure import PictureReading, StrandReading, measure_picture, newest_card
from measure.card import Card

GROUPS: Final = ("flat", "shaded", "tilt", "open", "uneven", "jpeg")


@dataclass(frozen=True)
class Case:
    """One drawn picture on the pocket card; `quality` None is a PNG."""

    group: str
    seed: int
    strands: tuple[Strand, ...]
    light: Light
    camera: Camera
    open_lane: OpenLane = "paper"
    quality: int | None = None

    def encoded(self) -> tuple[bytes, Truth]:
        """The picture as a file, and what is true of it."""
        pixels, truth = draw(
            newest_card("pocket"),
            self.strands,
            self.light,
            self.camera,
            self.seed,
            open_lane=self.open_lane,
        )
        # Parallel rays are a scanner's, and a scanner writes its dpi.
        dpi = 25.4 * self.camera.px_per_mm if self.camera.distance_mm is None else None
        if self.quality is None:
            return to_png(pixels, dpi), truth
        return to_jpeg(pixels, self.quality, dpi), truth


def random_case(group: str, seed: int) -> Case:
    """The case of that group and seed."""
    random = np.random.default_rng([GROUPS.index(group), seed])
    return _MAKERS[group](random, seed)


def square_on(case: Case) -> Case:
    """The same scene seen square on, neither turned nor distorted."""
    camera = replace(
        case.camera, tilt_deg=0.0, tilt_azimuth_deg=90.0, quarter_turns=0, k1=0.0, roll_deg=0.0
    )
    return replace(case, camera=camera)


@dataclass(frozen=True)
class Score:
    """One strand's reading against its truth; a refusal's code where there is no reading."""

    group: str
    seed: int
    number: int
    truth_mm: float
    width_px: float
    reading: StrandReading | None
    refused: str | None
    profile_rms_percent: float | None = None
    """Root mean square error of the running profile, per cent of the mean diameter."""
    change_of_interval: float | None = None
    """Change against the square-on reading, in half widths of this reading's interval."""
    half_level_mm: float | None = None

    @property
    def error_percent(self) -> float:
        """Reading less truth in per cent of the truth; NaN when refused."""
        if self.reading is None:
            return math.nan
        return 100.0 * (self.reading.diameter_mm / self.truth_mm - 1.0)

    @property
    def half_level_error_percent(self) -> float:
        """The half-level route's error; NaN where it gave nothing."""
        if self.half_level_mm is None:
            return math.nan
        return 100.0 * (self.half_level_mm / self.truth_mm - 1.0)

    @property
    def covered(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        assert self.reading is not None
        low, high = self.reading.diameter_interval_mm
        return low <= self.truth_mm <= high

    @property
    def silent_miss(self) -> bool:
        """More than 5 % off and not a word of caution."""
        return (
            self.reading is not None and abs(self.error_percent) > 5.0 and not self.reading.cautions
        )


def centre_mm(card: Card, strand: Strand, x_mm: Floats) -> Floats:
    """The strand's centreline (n, 2) on the card as its definition says."""
    lane = card.lane(strand.lane)
    x = np.asarray(x_mm, float)
    y = lane.y_mm + lane.height_mm / 2 + strand.offset_mm + strand.slope * (x - card.width_mm / 2)
    y = y + strand.bend_amplitude_mm * np.sin(2 * np.pi * x / strand.bend_period_mm)
    return np.column_stack([x, y])


def assigned(
    reading: PictureReading, truth: Truth, kind: Literal["desk", "pocket"] = "pocket"
) -> tuple[list[StrandReading | None], list[StrandReading]]:
    """The reading of each strand drawn (None without one), and readings of what was not drawn."""
    card = newest_card(kind)
    left = list(reading.strands)
    out: list[StrandReading | None] = []
    for drawn in truth.strands:
        path = truth.to_picture(centre_mm(card, drawn.strand, drawn.x_mm))
        tolerance = (0.3 + 0.75 * drawn.mean_diameter_mm) * truth.px_per_mm
        distances = [_distance_px(r.outline.centre_px, path) for r in left]
        best = int(np.argmin(distances)) if distances else -1
        if best >= 0 and distances[best] < tolerance:
            out.append(left.pop(best))
        else:
            out.append(None)
    return out, left


def _distance_px(points: Floats, path: Floats) -> float:
    some = points[:: max(1, len(points) // 9)]
    return float(np.median(np.hypot(*(some[:, None] - path[None, ::10]).T).min(axis=0)))


def scores_of(
    case: Case,
    half_level: Callable[[bytes, Truth], list[float | None]] | None = None,
) -> list[Score]:
    """Every strand of a case scored; a reading of nothing drawn counts as a strand of 0 mm."""
    data, truth = case.encoded()
    reading = measure_picture(data)
    found, invented = assigned(reading, truth)
    codes = [r.code for r in reading.refusals]
    plain = half_level(data, truth) if half_level else [None] * len(found)
    reference: list[StrandReading | None] = [None] * len(found)
    if case.group == "tilt":
        still, still_truth = square_on(case).encoded()
        reference, _ = assigned(measure_picture(still), still_truth)
    out = []
    for i, (drawn, one) in enumerate(zip(truth.strands, found, strict=True)):
        code = None
        if one is None:
            code = codes.pop(0) if codes else "missed"
        out.append(
            Score(
                group=case.group,
                seed=case.seed,
                number=i,
                truth_mm=drawn.mean_diameter_mm,
                width_px=drawn.mean_diameter_mm * truth.px_per_mm,
                reading=one,
                refused=code,
                profile_rms_percent=_profile_rms(one, drawn, truth) if one else None,
                change_of_interval=_change(one, reference[i]),
                half_level_mm=plain[i],
            )
        )
    out += [Score(case.group, case.seed, -1, 1e-9, 0.0, one, None) for one in invented]
    return out


def _change(one: StrandReading | None, still: StrandReading | None) -> float | None:
    if one is None or still is None:
        return None
    low, high = one.diameter_interval_mm
    return 2.0 * abs(one.diameter_mm - still.diameter_mm) / (high - low)


def _profile_rms(one: StrandReading, drawn: StrandTruth, truth: Truth) -> float:
    """Running profile against the true diameter averaged over the same 1 mm."""
    card = newest_card("pocket")
    path = truth.to_picture(centre_mm(card, drawn.strand, drawn.x_mm))
    centre = one.outline.centre_px
    nearest = np.hypot(*(centre[:, None] - path[None, ::5]).T).argmin(axis=0) * 5
    x = drawn.x_mm[nearest]
    over = np.linspace(-0.5, 0.5, 11)
    true = np.mean([drawn.diameter_at(x + step) for step in over], axis=0)
    ratio = one.along.diameter_mm / true - 1.0
    return 100.0 * float(np.sqrt(np.mean(ratio**2)))


# ------------------------------------------------------------------------------ the groups


def _colour(random: np.random.Generator) -> tuple[float, float, float]:
    """Half of them dyed, half greyish, from nearly black to nearly white."""
    if random.random() < 0.5:
        r, g, b = random.uniform(0.02, 0.9, 3)
    else:
        level = math.exp(random.uniform(math.log(0.02), math.log(0.9)))
        r, g, b = np.clip(level * random.uniform(0.9, 1.1, 3), 0.01, 0.92)
    return float(r), float(g), float(b)


def _lay(
    random: np.random.Generator,
    diameters_mm: list[float],
    lane: Literal["banded", "open"] = "banded",
) -> tuple[Strand, ...]:
    """One or two strands in a lane, slightly askew and bowed, clear of each other."""
    places = [random.uniform(-1.2, 1.2)] if len(diameters_mm) == 1 else [-2.6, 2.6]
    return tuple(
        Strand(
            lane,
            offset_mm=place + random.uniform(-0.3, 0.3),
            diameter_mm=d,
            albedo_rgb=_colour(random),
            slope=random.uniform(-0.012, 0.012),
            bend_amplitude_mm=random.uniform(0.0, 0.2),
            bend_period_mm=random.uniform(80.0, 160.0),
        )
        for place, d in zip(places, diameters_mm, strict=True)
    )


def _diameters(random: np.random.Generator, low: float, high: float) -> list[float]:
    """One log-uniform diameter, or two when both are thin enough to lie side by side."""
    count = 1 if random.random() < 0.5 else 2
    found = [math.exp(random.uniform(math.log(low), math.log(high))) for _ in range(count)]
    return found if max(found) < 1.3 else found[:1]


def _light(random: np.random.Generator) -> Light:
    """Any mix of sky, lamp and unshaded light, the lamp leaning 0 to 60 degrees either way."""
    sky, lamp = (float(v) for v in random.dirichlet([1.0, 1.0, 1.0])[:2])
    return Light(
        sky=sky,
        lamp=lamp,
        unshaded=1.0 - sky - lamp,
        lean_deg=random.uniform(-60.0, 60.0),
        softness_mm=math.exp(random.uniform(math.log(0.03), math.log(0.4))),
        scatter=random.uniform(0.0, 0.5),
    )


def _camera(random: np.random.Generator, most_tilt_deg: float = 10.0) -> Camera:
    return Camera(
        px_per_mm=random.uniform(12.0, 28.0),
        tilt_deg=random.uniform(0.0, most_tilt_deg),
        tilt_azimuth_deg=random.uniform(0.0, 360.0),
        roll_deg=random.uniform(-4.0, 4.0),
        distance_mm=random.uniform(180.0, 350.0),
        blur_px=random.uniform(0.6, 1.2),
        noise=random.uniform(0.002, 0.006),
        exposure=random.uniform(0.6, 0.9),
    )


def _flat(random: np.random.Generator, seed: int) -> Case:
    # A scanner's rays: ink has no height, so a camera's slanting view would make it no cylinder.
    px_per_mm = random.uniform(10.0, 30.0)
    widest = min(60.0, 4.0 * px_per_mm)
    diameters = [w / px_per_mm for w in _diameters_px(random, widest, px_per_mm)]
    camera = Camera(
        px_per_mm=px_per_mm,
        distance_mm=None,
        roll_deg=random.uniform(-3.0, 3.0),
        blur_px=random.uniform(0.6, 1.2),
        noise=random.uniform(0.002, 0.006),
        exposure=random.uniform(0.6, 0.9),
    )
    return Case("flat", seed, _lay(random, diameters), Light(flat=True), camera)


def _diameters_px(random: np.random.Generator, widest: float, px_per_mm: float) -> list[float]:
    return [px_per_mm * d for d in _diameters(random, 4.0 / px_per_mm, widest / px_per_mm)]


def _shaded(random: np.random.Generator, seed: int) -> Case:
    camera = _camera(random)
    strands = _lay(random, _diameters(random, max(0.25, 5.0 / camera.px_per_mm), 2.5))
    return Case("shaded", seed, strands, _light(random), camera)


def _tilt(random: np.random.Generator, seed: int) -> Case:
    camera = replace(
        _camera(random, 35.0),
        px_per_mm=random.uniform(14.0, 22.0),
        roll_deg=random.uniform(-20.0, 20.0),
        quarter_turns=int(random.integers(4)),
        k1=random.uniform(-0.1, 0.1),
    )
    light = Light(sky=0.5, lamp=0.25, unshaded=0.25, lean_deg=25.0, softness_mm=0.2, scatter=0.3)
    return Case("tilt", seed, _lay(random, _diameters(random, 0.5, 2.0)), light, camera)


def _open(random: np.random.Generator, seed: int) -> Case:
    camera = _camera(random)
    strands = _lay(random, _diameters(random, max(0.25, 5.0 / camera.px_per_mm), 2.5), "open")
    behind: OpenLane = ("bright", "dark", "paper")[int(random.integers(3))]  # type: ignore[assignment]
    return Case("open", seed, strands, _light(random), camera, behind)


def _uneven(random: np.random.Generator, seed: int) -> Case:
    case = _shaded(random, seed)
    target = random.uniform(0.05, 0.15)
    waves = [(random.uniform(4.0, 30.0), random.uniform(0, 2 * np.pi)) for _ in range(6)]
    x = np.linspace(0.0, 85.6, 2000)
    shape = sum(np.sin(2 * np.pi * x / length + phase) for length, phase in waves)
    factor = target / float(np.std(shape))

    def along(mean_mm: float) -> Callable[[Floats], Floats]:
        def diameter(at: Floats) -> Floats:
            waved = sum(np.sin(2 * np.pi * at / length + phase) for length, phase in waves)
            return np.asarray(mean_mm * np.clip(1.0 + factor * waved, 0.6, 1.6))

        return diameter

    strands = tuple(
        replace(s, diameter_mm=along(float(np.clip(_number(s.diameter_mm), 0.45, 1.8))))
        for s in case.strands
    )
    return replace(case, group="uneven", strands=strands)


def _number(diameter_mm: Any) -> float:
    return float(diameter_mm)


def _jpeg(random: np.random.Generator, seed: int) -> Case:
    case = random_case("shaded", seed)
    return replace(case, group="jpeg", quality=int(random.integers(75, 93)))


_MAKERS: Final[dict[str, Callable[[np.random.Generator, int], Case]]] = {
    "flat": _flat,
    "shaded": _shaded,
    "tilt": _tilt,
    "open": _open,
    "uneven": _uneven,
    "jpeg": _jpeg,
}
