"""Hard pictures on demand: strands, light, camera and posture drawn at random in every combination.

One seed gives one shot. What it shows is drawn from closed forms (`analytic`), two lights by adding
two drawings, and then goes through what cameras and files do to a picture: bent paper, motion,
colour fringes, uneven light, glare, noise, noise reduction, sharpening, JPEG. Whatever the budget
of a reading allows for without the picture showing it, is drawn too: the printer's size, how high
a strand stands off the card. Every strand carries one tag for each of `KINDS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from analytic import bare_card, draw_linear, encode_srgb, to_jpeg, to_png, truth_of
from analytic_types import Camera, Floats, Light, OpenLane, Strand, StrandTruth, Truth
from drawn_cases import centre_mm
from drawn_fuzz import Hairiness, core_diameter_mm, drawn_fuzz, drawn_specks
from plied import Lamp, PliedStrand, lay_plied, uneven_width_mm, wandering

from measure import PictureReading, Settings, StrandReading, newest_card
from measure.settings import Printer

U_PRINTER: Final = 0.002
"""Spread of printers nobody checked, as the readings assume it."""
STAND_OFF_MM: Final = 0.25
"""Spread of how high strands stand off the card, as the readings assume it."""

KINDS: Final[dict[str, tuple[str, ...]]] = {
    "strand": (
        "smooth",
        "wavy",
        "slubby",
        "fine waves",
        "barber-pole",
        "tweedy",
        "specks",
        "dyed along",
        "fibrous",
        "very hairy",
        "translucent",
        "ribbon",
        "kinked",
        "two-ply",
        "three-ply",
        "four-ply",
        "chain-plied",
        "plies of two colours",
    ),
    "colour": ("any", "white", "cream", "pale pink", "saturated", "grey", "near black"),
    "light": ("sky", "soft", "hard", "two shadows", "warm", "mixed", "dim", "uneven", "glare"),
    "camera": (
        "plain",
        "sharpening phone",
        "smoothing phone",
        "webcam",
        "motion",
        "rolling",
        "wide lens",
        "scanner",
        "scanner fringes",
        "fine scanner",
    ),
    "posture": (
        "straight",
        "askew",
        "parallel",
        "crossing",
        "bent",
        "creased",
        "cut off",
        "grey ink",
        "printed at 97 %",
        "backlit",
        "lifted",
        "hand",
    ),
}
PLIED: Final = ("two-ply", "three-ply", "four-ply", "chain-plied", "plies of two colours")
_PALE: Final = ("white", "cream", "pale pink")
_CARD: Final = newest_card("pocket")
_CAMERAS: Final = 4
"""Viewpoints of every kind of camera: an empty card is drawn once for each."""

Rgb = tuple[float, float, float]


@dataclass(frozen=True)
class Shot:
    """One picture: what lies there, how it is lit and seen, and what its file is."""

    seed: int
    tags: dict[str, str]
    strands: tuple[Strand, ...]
    plied: tuple[Plied, ...]
    """For each strand that is drawn plied, else none."""
    kinks: tuple[Strand, ...]
    """Where strands double back: bits that belong to no width."""
    lights: tuple[tuple[Rgb, Light], ...]
    """Lights that add up, each with its share of every channel."""
    camera: Camera
    ink: float
    open_lane: OpenLane
    quality: int | None
    with_focal_length: bool
    printed: float
    """True over nominal size of the card."""
    said: float
    """What the program is told of that."""
    stand_off_mm: tuple[float, ...]

    @property
    def settings(self) -> Settings:
        """What a spinner would have typed."""
        return Settings(printer=Printer(self.said, self.said, U_PRINTER))


@dataclass(frozen=True)
class Plied:
    """How a plied strand is drawn: as high as its plies are wide, each as uneven as given."""

    strand: PliedStrand
    wide: tuple[Floats, ...]


@dataclass(frozen=True)
class Taken:
    """A shot's file and what is true of it."""

    data: bytes
    truth: Truth
    true_mm: tuple[float, ...]
    width_px: tuple[float, ...]


def tags_of(seed: int) -> dict[str, str]:
    """What that shot shows, by kind."""
    return _tags(_chance(seed))


def _chance(seed: int) -> np.random.Generator:
    return np.random.default_rng([2718, seed])


def _tags(random: np.random.Generator) -> dict[str, str]:
    """Of each kind the first as often as not, else any; what cannot go together is made to."""
    tags = {
        kind: names[0] if random.random() < 0.4 else str(random.choice(names))
        for kind, names in KINDS.items()
    }
    if _scanned(tags) and tags["posture"] in ("bent", "creased", "backlit", "lifted", "hand"):
        tags["posture"] = "straight"
    if tags["strand"] in PLIED:
        # Drawn by a view without distortion, on the banded lane, one beside the other.
        tags["camera"] = "plain" if tags["camera"] == "wide lens" else tags["camera"]
        aside = tags["posture"] in ("crossing", "backlit", "lifted")
        tags["posture"] = "straight" if aside else tags["posture"]
    if tags["strand"] == "translucent" and tags["colour"] not in _PALE:
        tags["colour"] = str(random.choice(_PALE))
    if tags["posture"] == "backlit" or _scanned(tags):
        tags["light"] = "sky" if tags["posture"] == "backlit" else "scanner's line"
    return tags


def random_shot(seed: int) -> Shot:
    """The shot of that seed."""
    random = _chance(seed)
    tags = _tags(random)
    camera = _camera(tags, int(random.integers(_CAMERAS)))
    factor = 0.97 if tags["posture"] == "printed at 97 %" else 1.0
    strands = _strands(random, tags, camera)
    plied: tuple[Plied, ...] = ()
    if tags["strand"] in PLIED:
        made = [_plied(random, tags, strand) for strand in strands]
        strands, plied = tuple(one for one, _ in made), tuple(other for _, other in made)
    kinked = tags["strand"] == "kinked"
    # What is lifted is drawn where it is.
    stand_off = 0.0 if tags["posture"] == "lifted" else STAND_OFF_MM
    return Shot(
        seed=seed,
        tags=tags,
        strands=strands,
        plied=plied,
        kinks=tuple(k for s in strands for k in _kinks(random, s, camera)) if kinked else (),
        lights=_lights(random, tags["light"]),
        camera=replace(camera, **_exposure(random, tags)),
        ink=0.22 if tags["posture"] == "grey ink" else 0.04,
        open_lane="bright" if tags["posture"] == "backlit" else "paper",
        quality=_quality(random, tags["camera"]),
        with_focal_length=bool(random.random() < 0.6) and tags["camera"] != "webcam",
        printed=factor * (1.0 + U_PRINTER * random.standard_normal()),
        said=factor,
        stand_off_mm=tuple(abs(stand_off * random.standard_normal()) for _ in strands),
    )


def take(shot: Shot) -> Taken:
    """Draw it, put it through the camera, and write the file."""
    random = np.random.default_rng([31, shot.seed])
    bare = _bare(_still(shot.camera), shot.ink, shot.open_lane)
    picture: Floats | None = None
    for share, light in shot.lights:
        plain = replace(shot.camera, exposure=1.0, white_balance=(1.0, 1.0, 1.0))
        lying = () if shot.plied else shot.strands + shot.kinks
        drawn, truth = draw_linear(
            _CARD, lying, light, plain, 1.0, shot.ink, shot.open_lane, 3, bare
        )
        for number, plied in enumerate(shot.plied):
            _lay_plied(drawn, plied, light, plain, truth, [47, shot.seed, number])
        drawn = drawn * np.array(share, np.float32)
        picture = drawn if picture is None else picture + drawn
    assert picture is not None
    truth = _with_cores(shot, truth)
    pixels = _through_camera(shot, picture, truth, random)
    dpi = 25.4 * shot.camera.px_per_mm if shot.camera.distance_mm is None else None
    if shot.quality is None:
        data = to_png(pixels, dpi)
    else:
        focal = None
        if shot.with_focal_length and truth.focal_px is not None:
            # 43.27 mm: diagonal of the 36 x 24 mm frame that the tag speaks of (Exif 2.32).
            focal = truth.focal_px * 43.27 / math.hypot(*truth.size_px)
        data = to_jpeg(pixels, shot.quality, dpi, focal)
    away = shot.camera.distance_mm or math.inf
    true = tuple(
        s.mean_diameter_mm * shot.printed / (1.0 + h / away)
        for s, h in zip(truth.strands, shot.stand_off_mm, strict=True)
    )
    return Taken(
        data, truth, true, tuple(s.mean_diameter_mm * truth.px_per_mm for s in truth.strands)
    )


def _with_cores(shot: Shot, truth: Truth) -> Truth:
    """The truth of the strands alone, their widths those of their cores."""
    if shot.plied:
        truth = replace(truth, strands=truth_of(_CARD, shot.strands, shot.camera).strands)
    cores = []
    for drawn in truth.strands[: len(shot.strands)]:
        width = core_diameter_mm(drawn.strand, drawn.x_mm)
        cores.append(replace(drawn, diameter_mm=width, mean_diameter_mm=float(np.mean(width))))
    return replace(truth, strands=tuple(cores))


def matched(reading: PictureReading, taken: Taken) -> list[StrandReading | None]:
    """The reading of each strand drawn, None without one."""
    left = list(reading.strands)
    out: list[StrandReading | None] = []
    for drawn in taken.truth.strands:
        near = [float(np.median(_distances(r, drawn, taken.truth).min(axis=1))) for r in left]
        best = int(np.argmin(near)) if near else -1
        found = best >= 0 and near[best] < 1.1 * taken.truth.px_per_mm
        out.append(left.pop(best) if found else None)
    return out


def true_mm(taken: Taken, number: int, reading: StrandReading | None) -> float:
    """True mean diameter from the first to the last cut measured; of the whole lane without one."""
    drawn = taken.truth.strands[number]
    if reading is None:
        return taken.true_mm[number]
    nearest = drawn.x_mm[::10][_distances(reading, drawn, taken.truth).argmin(axis=1)]
    between = (drawn.x_mm > nearest.min() - 0.5) & (drawn.x_mm < nearest.max() + 0.5)
    part = float(drawn.diameter_mm[between].mean()) / drawn.mean_diameter_mm
    return taken.true_mm[number] * part


def _distances(reading: StrandReading, drawn: StrandTruth, truth: Truth) -> Floats:
    """From some places (k,) of an outline's middle to places (n,) of a strand, px."""
    base = centre_mm(_CARD, drawn.strand, drawn.x_mm[::10])
    path = truth.to_picture(np.column_stack([base, np.full(len(base), drawn.strand.lift_mm)]))
    centre = reading.outline.centre_px
    some = centre[np.unique(np.linspace(0, len(centre) - 1, 12).astype(int))]
    return np.asarray(np.hypot(*(some[:, None] - path[None]).T).T)


@lru_cache(maxsize=64)
def _bare(camera: Camera, ink: float, open_lane: OpenLane) -> Floats:
    return bare_card(_CARD, camera, 1.0, ink, open_lane)


def _scanned(tags: dict[str, str]) -> bool:
    return "scanner" in tags["camera"]


def _still(camera: Camera) -> Camera:
    """What of a camera an empty card's light depends on."""
    return replace(camera, exposure=1.0, noise=0.0, shot=0.0, white_balance=(1.0, 1.0, 1.0))


def _camera(tags: dict[str, str], number: int) -> Camera:
    """One of the few viewpoints of that kind of camera."""
    kind = tags["camera"]
    random = np.random.default_rng([577, sum(map(ord, kind)), number])
    tilt, roll, azimuth = random.uniform(0, 12), random.uniform(-4, 4), random.uniform(0, 360)
    px_per_mm = float(random.uniform(9.0, 17.0))
    shown_mm = 85.6 if number == 0 else float(random.uniform(46.0, 60.0))
    if tags["posture"] == "cut off":
        shown_mm = 40.0
    common: dict[str, Any] = {"roll_deg": roll, "blur_px": float(random.uniform(0.6, 1.1))}
    if kind == "fine scanner":
        dpi = (600, 600, 600, 1200)[number]
        px_per_mm = dpi / 25.4
        common.update(distance_mm=None, blur_px=dpi / 700, roll_deg=roll / 4)
        common.update(height_px=None if dpi == 600 else 2 * round(25.0 * px_per_mm))
        shown_mm = 40.0 if dpi == 600 else 34.0
    elif _scanned(tags):
        px_per_mm = (150, 200, 300, 400)[number] / 25.4
        common.update(distance_mm=None, blur_px=0.55, roll_deg=roll / 2)
        shown_mm = 85.6 if px_per_mm < 10 else shown_mm
    else:
        common.update(
            distance_mm=float(random.uniform(150, 320)), tilt_deg=tilt, tilt_azimuth_deg=azimuth
        )
    if kind == "wide lens":
        common.update(k1=float(random.uniform(-0.12, 0.12)), distance_mm=130.0)
    if kind == "webcam":
        px_per_mm, common["blur_px"] = float(random.uniform(9.0, 13.0)), 1.1
    width = None if shown_mm > 80 else 2 * round(shown_mm * px_per_mm / 2)
    return Camera(px_per_mm=px_per_mm, width_px=width, **common)


def _exposure(random: np.random.Generator, tags: dict[str, str]) -> dict[str, Any]:
    dim = tags["light"] == "dim"
    warm = (1.0, 0.82, 0.55) if tags["light"] == "warm" else (1.0, 1.0, 1.0)
    noise = random.uniform(0.006, 0.014) if dim else random.uniform(0.002, 0.006)
    return {
        "exposure": random.uniform(0.18, 0.3) if dim else random.uniform(0.6, 0.85),
        "noise": noise,
        "shot": 2e-4 if dim else 3e-5,
        "white_balance": warm,
    }


def _quality(random: np.random.Generator, camera: str) -> int | None:
    if "scanner" in camera:
        return None
    if camera == "webcam":
        return int(random.integers(50, 75))
    return int(random.integers(80, 96))


def _lights(random: np.random.Generator, name: str) -> tuple[tuple[Rgb, Light], ...]:
    """Lights that add up to white, by name."""

    def lamp(share: float, lean: float, size: float, sky: float | None = None) -> Light:
        sky = (1.0 - share) * random.uniform(0.6, 1.0) if sky is None else sky
        return Light(
            sky=sky,
            lamp=share,
            unshaded=max(1.0 - share - sky, 0.0),
            lean_deg=lean,
            lamp_size=size,
            scatter=scatter,
        )

    scatter = random.uniform(0.0, 0.4)
    side = float(random.choice([-1.0, 1.0]))
    lean = side * random.uniform(5.0, 60.0)
    whole: Rgb = (1.0, 1.0, 1.0)
    if name == "hard":
        return ((whole, lamp(random.uniform(0.5, 0.85), lean, random.uniform(0.05, 0.15))),)
    if name == "scanner's line":
        return ((whole, lamp(random.uniform(0.4, 0.8), side * 40.0, 0.2)),)
    if name in ("two shadows", "mixed"):
        tint = random.uniform(-0.15, 0.15, 3) if name == "mixed" else np.zeros(3)
        part = random.uniform(0.35, 0.65) + tint
        other = -lean * random.uniform(0.6, 1.2) if name == "two shadows" else lean
        second_share = 0.5 if name == "two shadows" else 0.02
        first: Rgb = (float(part[0]), float(part[1]), float(part[2]))
        second: Rgb = (1.0 - first[0], 1.0 - first[1], 1.0 - first[2])
        return (
            (first, lamp(random.uniform(0.4, 0.7), lean, random.uniform(0.12, 0.6))),
            (second, lamp(second_share, other, random.uniform(0.12, 0.6))),
        )
    if name == "sky":
        return ((whole, lamp(random.uniform(0.0, 0.08), lean, 0.75)),)
    return ((whole, lamp(random.uniform(0.25, 0.65), lean, random.uniform(0.3, 1.1))),)


def _colour(random: np.random.Generator, name: str) -> Rgb:
    fixed: dict[str, Rgb] = {
        "white": (0.8, 0.8, 0.79),
        "cream": (0.76, 0.7, 0.58),
        "pale pink": (0.8, 0.62, 0.64),
        "near black": (0.03, 0.03, 0.032),
    }
    if name in fixed:
        level = fixed[name]
    elif name == "saturated":
        hue = random.uniform(0, 2 * np.pi)
        level = tuple(0.3 + 0.24 * np.cos(hue + k * 2.0944) for k in range(3))
    elif name == "grey":
        level = (random.uniform(0.12, 0.45),) * 3
    else:
        level = tuple(random.uniform(0.03, 0.85, 3))
    r, g, b = np.clip(np.array(level) * random.uniform(0.94, 1.06), 0.02, 0.9)
    return float(r), float(g), float(b)


def _waves(
    random: np.random.Generator, low_mm: float, high_mm: float
) -> Callable[[Floats], Floats]:
    """A smooth random course along the card of mean 0 and standard deviation 1."""
    pitch, phase = random.uniform(low_mm, high_mm, 6), random.uniform(0, 2 * np.pi, 6)

    def course(x: Floats) -> Floats:
        total = sum(
            np.sin(2 * np.pi * np.asarray(x) / p + f) for p, f in zip(pitch, phase, strict=True)
        )
        return np.asarray(total / math.sqrt(3.0))

    return course


def _strands(
    random: np.random.Generator, tags: dict[str, str], camera: Camera
) -> tuple[Strand, ...]:
    """Strands in the lane: usually two side by side, as thin as the picture resolves."""
    posture = tags["posture"]
    thinnest = max(0.3, 5.0 / camera.px_per_mm)
    places: tuple[float, ...] = (-2.7, 2.7)
    thickest, slopes = 1.6, random.uniform(-0.012, 0.012, 3)
    if posture == "parallel":
        places, thickest = (-3.2, 0.0, 3.2), 1.1
    elif posture == "askew":
        places, slopes = (random.uniform(-0.4, 0.4),), random.choice([-1, 1], 3) * 0.06
        thickest = 2.2
    elif posture == "lifted":
        places = (random.uniform(-1.5, 1.5),)
    elif posture == "crossing":
        places, slopes = (-0.3, 0.3), np.array([0.06, -0.06, 0.0])
    if tags["strand"] == "translucent":
        thickest = max(0.8, 1.2 * thinnest)
    elif tags["strand"] in PLIED:
        thinnest, thickest = 1.4 * thinnest, max(2.2, 2.0 * thinnest)
    out = []
    for place, slope in zip(places, slopes, strict=False):
        mean = math.exp(random.uniform(math.log(thinnest), math.log(max(thickest, 1.2 * thinnest))))
        out.append(_one(random, tags, mean, place + random.uniform(-0.25, 0.25), float(slope)))
    return tuple(out)


def _one(
    random: np.random.Generator, tags: dict[str, str], mean_mm: float, at_mm: float, slope: float
) -> Strand:
    diameter: float | Callable[[Floats], Floats] = mean_mm
    colour: Rgb | Callable[[Floats], Floats] = _colour(random, tags["colour"])
    name = tags["strand"]
    if name in ("wavy", "slubby", "fine waves"):
        low, high, depth = {
            "wavy": (4.0, 30.0, random.uniform(0.05, 0.14)),
            "slubby": (8.0, 40.0, random.uniform(0.15, 0.25)),
            "fine waves": (1.6, 3.0, random.uniform(0.03, 0.07)),
        }[name]
        course = _waves(random, low, high)

        def diameter(x: Floats) -> Floats:
            return np.asarray(mean_mm * np.clip(1.0 + depth * course(x), 0.6, 1.7))

    elif name in ("barber-pole", "tweedy", "dyed along"):
        other = np.array(_colour(random, "any"))
        own = np.array(colour)
        low, high = {"barber-pole": (2.0, 4.0), "tweedy": (0.8, 2.5), "dyed along": (25.0, 80.0)}[
            name
        ]
        course = _waves(random, low, high)
        gain = 0.35 if name == "tweedy" else 0.9

        def colour(x: Floats) -> Floats:
            share = np.clip(0.5 + gain * course(x) - (0.4 if name == "tweedy" else 0.0), 0.0, 1.0)
            return np.asarray(own + share[..., None] * (other - own), np.float32)

    kinked, plied = name == "kinked", name in PLIED
    strand = Strand(
        "open" if tags["posture"] == "backlit" else "banded",
        offset_mm=at_mm,
        diameter_mm=diameter,
        albedo_rgb=colour,
        slope=slope,
        bend_amplitude_mm=0.0 if plied else random.uniform(0.05 if kinked else 0.0, 0.15),
        bend_period_mm=random.uniform(4.0, 9.0) if kinked else random.uniform(80.0, 160.0),
        lift_mm=random.uniform(1.0, 10.0) if tags["posture"] == "lifted" else 0.0,
    )
    if name == "ribbon":
        return replace(strand, flatness=random.uniform(0.25, 0.65))
    if name == "translucent":
        return replace(strand, optical_depth=random.uniform(3.0, 9.0))
    if name == "specks":
        other = _colour(random, "saturated" if random.random() < 0.5 else "any")
        specks = drawn_specks(random, mean_mm / 2, other, _CARD.width_mm)
        return replace(strand, specks=specks)
    if name in ("fibrous", "very hairy"):
        cover, long, rough = (
            ((0.1, 0.25), (0.2, 0.5), (0.005, 0.02))
            if name == "fibrous"
            else ((0.25, 0.4), (0.4, 0.9), (0.01, 0.03))
        )
        hairiness = Hairiness(random.uniform(*cover), random.uniform(*long), random.uniform(*rough))
        return replace(strand, fuzz=drawn_fuzz(random, mean_mm / 2, hairiness, _CARD.width_mm))
    return strand


def _kinks(random: np.random.Generator, strand: Strand, camera: Camera) -> list[Strand]:
    """Pigtails of an over-twisted strand: it doubles back, and the two legs wind into a stub that
    stands out sideways or lies along."""
    assert not callable(strand.diameter_mm)
    seen_mm = (camera.width_px or 1e9) / camera.px_per_mm
    half = min(0.5 * _CARD.width_mm, 0.5 * seen_mm) - 6.0
    out = []
    for _ in range(int(random.integers(1, 4))):
        x = _CARD.width_mm / 2 + random.uniform(-half, half)
        long = random.uniform(1.5, 4.0)
        aside = random.random() < 0.6
        way = float(random.choice([-1.0, 1.0]))
        slope = way * random.uniform(1.5, 3.5) if aside else strand.slope
        y = centre_mm(_CARD, strand, np.array([x]))[0, 1]
        lane = _CARD.lane(strand.lane)
        off = y - lane.y_mm - lane.height_mm / 2
        off += 0.0 if aside else way * 0.9 * strand.diameter_mm
        run = long / math.hypot(1.0, slope)
        out.append(
            Strand(
                strand.lane,
                offset_mm=float(off - slope * (x - _CARD.width_mm / 2)),
                # Two plies' mean width over one's (Cauchy).
                diameter_mm=(1 + 2 / math.pi) * strand.diameter_mm * 0.95,
                albedo_rgb=strand.albedo_rgb,
                slope=float(slope),
                start_mm=float(x),
                end_mm=float(x + run),
                lift_mm=strand.lift_mm,
            )
        )
    return out


def _plied(
    random: np.random.Generator, tags: dict[str, str], strand: Strand
) -> tuple[Strand, Plied]:
    """That strand of plies: as wide on average, uneven as singles are; with its own width."""
    name = tags["strand"]
    assert not callable(strand.diameter_mm)
    assert not callable(strand.albedo_rgb)
    plies = {"two-ply": 2, "three-ply": 3, "four-ply": 4, "chain-plied": 3}.get(name, 2)
    ply_mm = strand.diameter_mm / (1 + plies / math.pi)
    # The tangent of a plied strand's angle: pi x its width x turns per length.
    steep = math.tan(math.radians(random.uniform(12.0, 40.0)))
    colours = (strand.albedo_rgb,)
    if name == "plies of two colours":
        colours = (strand.albedo_rgb, _colour(random, "any"))
    made = PliedStrand(
        plies,
        ply_mm,
        25.4 * steep / (math.pi * strand.diameter_mm),
        "S" if random.random() < 0.6 else "Z",
        colours,
        strand.offset_mm,
        strand.slope,
        random.uniform(0.0, 0.08),
        random.uniform(0.02, 0.08),
        random.uniform(0.0, 0.06),
        grooves=random.uniform(0.1, 0.4),
        # Path-traced plied yarn's edges are hardly darker than its face.
        scatter=random.uniform(0.45, 0.75),
    )
    wide = wandering(made, _CARD.width_mm, random)
    if len(wide[0]) < 10:
        wide = [np.ones(int(20 * _CARD.width_mm)) for _ in range(plies)]
    if name == "chain-plied":
        # Where one loop comes through the last, the strand is thick for a few millimetres.
        place = random.uniform(-20.0, 20.0)
        x = (np.arange(len(wide[0])) - len(wide[0]) / 2) / 10.0
        bump = 1.0 + random.uniform(0.1, 0.25) * np.exp(-0.5 * ((x - place) / 1.2) ** 2)
        wide = [course * bump for course in wide]
    root = math.hypot(1.0, strand.slope)

    def diameter(x: Floats) -> Floats:
        s = (np.asarray(x, float) - _CARD.width_mm / 2) * root
        return uneven_width_mm(made, s.ravel(), wide).reshape(s.shape)

    return replace(strand, diameter_mm=diameter), Plied(made, tuple(wide))


def _lay_plied(
    drawn: Floats, plied: Plied, light: Light, camera: Camera, truth: Truth, seed: list[int]
) -> None:
    """Put a plied strand under one light, its outline as a camera at that place sees it."""
    lane, strand = _CARD.lane("banded"), plied.strand
    factor = 1.0
    if truth.camera_centre_mm is not None:
        _, y, z = truth.camera_centre_mm
        away = lane.y_mm + lane.height_mm / 2 + strand.offset_mm - y
        r = 0.5 * strand.ply_mm * (1 + strand.plies / math.pi)
        lean, half = math.atan2(away, z - r), math.asin(r / math.hypot(away, z - r))
        factor = z * (math.tan(lean + half) - math.tan(lean - half)) / (2 * r)
    lamp = Lamp(light.lamp, abs(light.lean_deg), -90.0 if light.lean_deg > 0 else 90.0)
    random = np.random.default_rng(seed)
    seen = replace(strand, ply_mm=strand.ply_mm * factor)
    lay_plied(drawn, _CARD, seen, camera, truth, lamp, random, list(plied.wide))


def _through_camera(shot: Shot, picture: Floats, truth: Truth, random: np.random.Generator) -> Any:
    """Linear light to the pixels that are written."""
    camera, light, posture = shot.tags["camera"], shot.tags["light"], shot.tags["posture"]
    rows, columns = picture.shape[:2]
    seen = np.asarray(picture, np.float32)
    if posture in ("bent", "creased"):
        seen = _warped(shot, seen, truth, random)
    if light == "uneven":
        turn = random.uniform(0, 2 * np.pi)
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
        ramp = (x / columns - 0.5) * math.cos(turn) + (y / rows - 0.5) * math.sin(turn)
        seen = seen * (1.0 + 0.5 * ramp)[..., None]
    if light == "glare":
        marker = _CARD.markers[int(random.integers(len(_CARD.markers)))]
        middle = [[marker.x_mm + marker.side_mm / 2, marker.y_mm + marker.side_mm / 2]]
        u, v = truth.to_picture(np.array(middle))[0]
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
        wide = 4.0 * truth.px_per_mm
        seen = seen + (0.8 * np.exp(-0.5 * ((x - u) ** 2 + (y - v) ** 2) / wide**2))[..., None]
    if posture == "hand":
        seen = _with_hand(shot, seen, truth, random)
    if camera == "motion":
        length, turn = random.uniform(1.0, 3.0), random.uniform(0, np.pi)
        seen = np.mean(
            [
                _shifted(seen, s * length * math.cos(turn), s * length * math.sin(turn))
                for s in np.linspace(-0.5, 0.5, 7)
            ],
            axis=0,
        )
    if camera == "scanner fringes":
        away = random.uniform(0.1, 0.35)
        parts = [_shifted(seen[..., c : c + 1], 0.0, away * (c - 1)) for c in range(3)]
        seen = np.concatenate([p.reshape(rows, columns, 1) for p in parts], axis=2)
    if camera == "rolling":
        wave = np.sin(2 * np.pi * (np.arange(rows) / random.uniform(60, 300) + random.random()))
        seen = seen * (1.0 + 0.05 * wave)[:, None, None]
    seen = seen * (np.array(shot.camera.white_balance) * shot.camera.exposure)
    spread = np.sqrt(shot.camera.noise**2 + shot.camera.shot * np.maximum(seen, 0))
    seen = seen + spread * random.standard_normal(seen.shape, dtype=np.float32)
    pixels = encode_srgb(seen)
    if camera in ("smoothing phone", "sharpening phone"):
        pixels = np.asarray(cv2.bilateralFilter(pixels, 5, 14.0, 1.5))
    if camera in ("sharpening phone", "webcam"):
        coded = pixels.astype(np.float32)
        coded += random.uniform(0.2, 0.7) * (coded - cv2.GaussianBlur(coded, (0, 0), 1.0))
        pixels = np.clip(np.rint(coded), 0, 255).astype(np.uint8)
    return pixels


def _with_hand(shot: Shot, seen: Floats, truth: Truth, random: np.random.Generator) -> Floats:
    """A thumb and part of a hand over the end of the lane, and the dusk about them."""
    strand = truth.strands[0]
    side = float(random.choice([-1.0, 1.0]))
    end = strand.from_mm if side < 0 else strand.to_mm
    y = centre_mm(_CARD, strand.strand, np.array([end]))[0, 1] + random.uniform(-1.0, 1.0)
    tip = random.uniform(4.0, 14.0)
    turn = np.linspace(0, 2 * np.pi, 73)
    thumb = np.column_stack(
        [end - side * (tip - 16.0) + 16.0 * np.cos(turn), y + 8.0 * np.sin(turn)]
    )
    palm = np.column_stack([end + side * 22.0 + 20.0 * np.cos(turn), y + 26.0 * np.sin(turn)])
    mask = np.zeros(seen.shape[:2], np.uint8)
    for outline in (thumb, palm):
        points = np.rint(16 * truth.to_picture(outline)).astype(np.int32)
        cv2.fillPoly(mask, [points], 255, cv2.LINE_AA, 4)
    cover = cv2.GaussianBlur(mask.astype(np.float32) / 255.0, (0, 0), shot.camera.blur_px)
    dusk = cv2.GaussianBlur(cover, (0, 0), 2.5 * truth.px_per_mm)
    round_ = 0.7 + 0.3 * cv2.GaussianBlur(cover, (0, 0), 1.5 * truth.px_per_mm)
    skin = np.array([0.55, 0.3, 0.2], np.float32) * np.float32(random.uniform(0.25, 1.1))
    own = round_[..., None] * skin
    ground = seen * (1.0 - 0.3 * dusk)[..., None]
    return np.asarray(ground + cover[..., None] * (own - ground))


def _shifted(seen: Floats, right: float, down: float) -> Floats:
    matrix = np.array([[1.0, 0.0, right], [0.0, 1.0, down]])
    size = seen.shape[1::-1]
    return np.asarray(
        cv2.warpAffine(seen, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    )


def _warped(shot: Shot, seen: Floats, truth: Truth, random: np.random.Generator) -> Floats:
    """As paper standing up from the table shows: what is nearer the camera is seen larger."""
    rows, columns = seen.shape[:2]
    away = shot.camera.distance_mm or 1e9
    middle = truth.to_picture(np.array([[_CARD.width_mm / 2, _CARD.height_mm / 2]]))[0]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    along = (x - middle[0]) / truth.px_per_mm
    if shot.tags["posture"] == "bent":
        high = random.uniform(0.5, 2.5) * (1.0 - (along / 43.0) ** 2)
    else:
        high = random.uniform(0.5, 2.0) * np.clip(
            1.0 - np.abs(along - random.uniform(-20, 20)) / 30.0, 0.0, 1.0
        )
    shrink = 1.0 - high / away
    return np.asarray(
        cv2.remap(
            np.ascontiguousarray(seen),
            (middle[0] + (x - middle[0]) * shrink).astype(np.float32),
            (middle[1] + (y - middle[1]) * shrink).astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )
