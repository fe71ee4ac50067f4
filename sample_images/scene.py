"""Scenes of strands on the printed card, path traced with Mitsuba 3.

Everything is in millimetres on the card: x right, y down, heights up from the card's face. What
a picture should read is known from the geometry that was rendered, so the pictures can be judged
without a second instrument. Needs `pip install .[render]`.
"""

from __future__ import annotations

import io
import math
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from app.card_sheet import card_png
from measure.card import Card
from measure.linear_light import decode_srgb

Floats = NDArray[np.float64]
Rgb = tuple[float, float, float]

PAPER: Final = 0.85
"""Diffuse reflectance of the card's paper."""
INK: Final = 0.04
"""Diffuse reflectance of the card's ink."""
CARD_THICKNESS_MM: Final = 0.25
"""Heavy paper; the desk lies this far under the card's face."""
SEGMENTS_OF_A_SHAPE: Final = 30_000
UNSEEN_HEIGHT_MM: Final = -300.0

NEAR_BLACK: Final[Rgb] = (0.03, 0.03, 0.03)
PURPLE: Final[Rgb] = (0.25, 0.08, 0.35)
PALE_PINK: Final[Rgb] = (0.80, 0.62, 0.64)
WHITE: Final[Rgb] = (0.80, 0.80, 0.80)
NATURAL: Final[Rgb] = (0.74, 0.68, 0.56)
TEAL: Final[Rgb] = (0.06, 0.30, 0.32)
GREY: Final[Rgb] = (0.22, 0.21, 0.20)
WOOD: Final[Rgb] = (0.36, 0.25, 0.16)
LID: Final[Rgb] = (0.78, 0.78, 0.78)
RUST: Final[Rgb] = (0.45, 0.14, 0.05)


@dataclass(frozen=True)
class Curves:
    """Round b-spline curves: each (n, 4) as x, y, height, radius in mm, giving n - 3 segments.

    `albedo` is one colour, or one for every segment, (segments of all curves, 3).
    """

    curves_mm: tuple[Floats, ...]
    albedo: Rgb | Floats

    def albedo_of_segments(self) -> Floats:
        """One colour for every segment, (segments, 3)."""
        segments = sum(len(c) - 3 for c in self.curves_mm)
        return np.broadcast_to(np.asarray(self.albedo, dtype=np.float64), (segments, 3))


@dataclass(frozen=True)
class Lamp:
    """A square lamp aimed at the middle of the card.

    `azimuth_deg` turns from the card's +x (0) to its +y (90): a lamp at 90 or 270 shines across
    the strands. `share` is its part of the light falling on the card.
    """

    share: float
    lean_deg: float
    azimuth_deg: float
    side_mm: float
    distance_mm: float = 500.0


@dataclass(frozen=True)
class LineLight:
    """A scanner's lamp: a thin line beside the row being read, the same for every row.

    `azimuth_deg` is the side it stands on, as for `Lamp`; the line runs square to that.
    """

    share: float
    lean_deg: float = 45.0
    azimuth_deg: float = 90.0
    width_deg: float = 8.0


@dataclass(frozen=True)
class Light:
    """An even sky, plus one lamp or a scanner's line; the shares add up to one."""

    name: str
    lamp: Lamp | LineLight | None = None


@dataclass(frozen=True)
class Camera:
    """A pinhole camera looking at a place on the card; tilted, it looks in from `tilt_azimuth_deg`.

    `distance_mm` None is a scanner: parallel rays square to the card. Angles as for `Lamp`;
    `roll_deg` turns the picture clockwise.
    """

    kind: Literal["phone", "webcam", "scanner"]
    width_px: int
    height_px: int
    px_per_mm: float
    distance_mm: float | None
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 90.0
    roll_deg: float = 0.0
    look_at_mm: tuple[float, float] | None = None
    mirrored: bool = False

    @property
    def focal_px(self) -> float | None:
        """Focal length in pixels; None for a scanner."""
        return None if self.distance_mm is None else self.px_per_mm * self.distance_mm


@dataclass(frozen=True)
class Scene:
    """Strands on a card, under a light.

    `behind` is what the open lane shows: 'uncut' paper, the 'desk', a 'bright' screen 5 mm
    behind, or 'dark' (a black room). `screen` is how bright the screen is; white paper is `PAPER`.
    """

    card: Card
    strands: tuple[Curves, ...]
    light: Light
    behind: Literal["uncut", "desk", "bright", "dark"] = "uncut"
    with_card: bool = True
    desk: Rgb = WOOD
    screen: float = 0.9
    bounces: int = 4


def straight(
    x_from_mm: float,
    x_to_mm: float,
    y_mm: float,
    diameter_mm: float,
    *,
    x_middle_mm: float = 0.0,
    slope: float = 0.0,
    sag_mm: float = 0.0,
    lift_mm: float = 0.0,
    step_mm: float = 2.0,
) -> Floats:
    """One smooth tube lying on the card, (n, 4): centre at `y_mm` where x is `x_middle_mm`.

    `slope` tilts it in the plane, `sag_mm` bows it (a parabola, zero in the middle, `sag_mm` at
    the ends), `lift_mm` holds it above the card.
    """
    x = np.arange(x_from_mm, x_to_mm + step_mm, step_mm)
    half = max(x_to_mm - x_middle_mm, x_middle_mm - x_from_mm)
    y = y_mm + slope * (x - x_middle_mm) + sag_mm * ((x - x_middle_mm) / half) ** 2
    radius = diameter_mm / 2
    return np.column_stack([x, y, np.full_like(x, radius + lift_mm), np.full_like(x, radius)])


def dyed(curve_mm: Floats, colours: tuple[Rgb, ...]) -> Curves:
    """The curve with its colour running evenly through `colours` along it."""
    along = (np.arange(len(curve_mm) - 3) + 0.5) / (len(curve_mm) - 3)
    return Curves((curve_mm,), blend(colours, along))


def blend(colours: tuple[Rgb, ...], along: Floats) -> Floats:
    """Colour (n, 3) at places from 0 (the first colour) to 1 (the last)."""
    at, table = np.linspace(0.0, 1.0, len(colours)), np.array(colours)
    return np.column_stack([np.interp(along, at, table[:, c]) for c in range(3)])


@lru_cache(maxsize=2)
def card_reflectance(card: Card, pixels_per_mm: float) -> NDArray[np.float32]:
    """Reflectance (rows, columns) of the card's face as `slubwise card` prints it."""
    with Image.open(io.BytesIO(card_png(card, round(pixels_per_mm * 25.4)))) as image:
        paper_share = decode_srgb(np.asarray(image))
    return (INK + (PAPER - INK) * paper_share).astype(np.float32)


def render(
    scene: Scene,
    camera: Camera,
    samples: int = 49,
    seed: int = 0,
    variant: str = "scalar_rgb",
) -> Floats:
    """Path-traced picture, linear light, (rows, columns, 3); white paper is near `PAPER`.

    `scalar_rgb` runs everywhere; `llvm_ad_rgb` is some three times faster and needs a recent
    LLVM library (19 works, 15 does not). They differ in their noise alone. `samples` per pixel
    is best a square.
    """
    mi: Any = import_module("mitsuba")
    if mi.variant() != variant:
        mi.set_variant(variant)
    mi.set_log_level(mi.LogLevel.Error)
    with tempfile.TemporaryDirectory() as folder:
        description = _describe(mi, scene, camera, samples, Path(folder))
        picture = mi.render(mi.load_dict(description), seed=seed, spp=samples)
        pixels = np.array(picture, dtype=np.float64)[:, :, :3]
    return pixels[:, ::-1].copy() if camera.mirrored else pixels


def _world(x_mm: float, y_mm: float, z_mm: float = 0.0) -> list[float]:
    return [x_mm, -y_mm, z_mm]


def _direction(lean_deg: float, azimuth_deg: float) -> Floats:
    """Unit vector in world axes from the card towards something leaning to that side."""
    lean, side = math.radians(lean_deg), math.radians(azimuth_deg)
    return np.array(
        [math.sin(lean) * math.cos(side), -math.sin(lean) * math.sin(side), math.cos(lean)]
    )


def _describe(mi: Any, scene: Scene, camera: Camera, samples: int, folder: Path) -> dict[str, Any]:
    card = scene.card
    centre = np.array(_world(card.width_mm / 2, card.height_mm / 2))
    out: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": scene.bounces + 1, "rr_depth": 20},
        "sensor": _sensor(mi, camera, card, samples),
    }
    out.update(_lights(mi, scene.light, centre))
    if scene.with_card:
        out.update(_card_shapes(mi, scene, folder))
    if scene.behind in ("uncut", "desk"):
        out["desk"] = {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f()
            .translate([*centre[:2].tolist(), -CARD_THICKNESS_MM])
            .scale([400.0, 400.0, 1.0]),
            "bsdf": _desk_bsdf(mi, scene.desk),
        }
    else:
        out["behind"] = _behind(mi, scene, centre)
    out.update(_strand_shapes(mi, scene.strands, folder))
    return out


def _strand_shapes(mi: Any, strands: tuple[Curves, ...], folder: Path) -> dict[str, Any]:
    """The strands' curves in shapes of some thousand segments, each coloured segment by segment.

    Mitsuba tells a segment by a single-precision number from 0 to 1 over the whole shape. Few
    segments keep that number exact; and as it can round up to 1 at the very end, which is past
    the last segment and crashes, every shape ends with a thread that is out of sight.
    """
    unseen = np.column_stack(
        [np.arange(4.0), np.zeros(4), np.full(4, UNSEEN_HEIGHT_MM), np.full(4, 0.001)]
    )
    shapes: dict[str, Any] = {}
    curves: list[Floats] = []
    colours: list[Floats] = []

    def close() -> None:
        path = folder / f"strands{len(shapes)}.txt"
        path.write_text("\n\n".join(_curve_text(c) for c in [*curves, unseen]) + "\n")
        table = np.concatenate([*colours, np.zeros((1, 3))])[:, None, :]
        shapes[f"strands{len(shapes)}"] = {
            "type": "bsplinecurve",
            "filename": str(path),
            "bsdf": {
                "type": "diffuse",
                "reflectance": {
                    "type": "bitmap",
                    "bitmap": mi.Bitmap(np.ascontiguousarray(table, dtype=np.float32)),
                    "raw": True,
                    "filter_type": "nearest",
                },
            },
        }
        curves.clear()
        colours.clear()

    for strand in strands:
        albedo, start = strand.albedo_of_segments(), 0
        for curve in strand.curves_mm:
            curves.append(curve)
            colours.append(albedo[start : start + len(curve) - 3])
            start += len(curve) - 3
            if sum(len(c) for c in curves) > SEGMENTS_OF_A_SHAPE:
                close()
    if curves:
        close()
    return shapes


def _rgb(colour: Rgb | float) -> dict[str, Any]:
    values = [colour] * 3 if isinstance(colour, float) else list(colour)
    return {"type": "rgb", "value": values}


def _curve_text(curve_mm: Floats) -> str:
    return "\n".join(f"{x:.6f} {-y:.6f} {z:.6f} {r:.6f}" for x, y, z, r in curve_mm.tolist())


def _desk_bsdf(mi: Any, colour: Rgb) -> dict[str, Any]:
    """A board with some grain; a grey one is plain, as a scanner's lid is."""
    if len(set(colour)) == 1:
        return {"type": "diffuse", "reflectance": _rgb(colour)}
    rng = np.random.default_rng(7)
    rows = np.cumsum(rng.normal(0.0, 1.0, 1024))
    rows -= np.linspace(rows[0], rows[-1], rows.size)
    fine = rng.normal(0.0, 1.0, 1024)
    grain = 1.0 + 0.12 * rows / np.abs(rows).max() + 0.03 * fine
    board = np.clip(grain[:, None, None] * np.array(colour), 0.01, 0.9).astype(np.float32)
    return {
        "type": "diffuse",
        "reflectance": {
            "type": "bitmap",
            "bitmap": mi.Bitmap(np.repeat(board, 8, axis=1)),
            "raw": True,
        },
    }


def _card_shapes(mi: Any, scene: Scene, folder: Path) -> dict[str, Any]:
    """The card's face, as rectangles around the open lane where that is cut out."""
    card = scene.card
    per_mm = 64.0 if card.kind == "pocket" else 40.0
    face = card_reflectance(card, per_mm)
    w, h = card.width_mm, card.height_mm
    lane = card.lane("open")
    if scene.behind == "uncut":
        pieces = [(0.0, 0.0, w, h)]
    else:
        x0, y0 = lane.x_mm, lane.y_mm
        x1, y1 = x0 + lane.width_mm, y0 + lane.height_mm
        pieces = [(0.0, 0.0, w, y0), (0.0, y1, w, h), (0.0, y0, x0, y1), (x1, y0, w, y1)]
    vertices: list[list[float]] = []
    uv: list[list[float]] = []
    faces: list[list[int]] = []
    for x0, y0, x1, y1 in pieces:
        a = len(vertices)
        for x, y in ((x0, y0), (x0, y1), (x1, y1), (x1, y0)):
            vertices.append(_world(x, y))
            uv.append([x / w, 1.0 - y / h])
        faces += [[a, a + 1, a + 2], [a, a + 2, a + 3]]
    path = folder / "card.obj"
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in vertices]
    lines += [f"vt {u:.8f} {v:.8f}" for u, v in uv]
    lines += ["f " + " ".join(f"{i + 1}/{i + 1}" for i in f) for f in faces]
    path.write_text("\n".join(lines) + "\n")
    return {
        "card": {
            "type": "obj",
            "filename": str(path),
            "face_normals": True,
            "bsdf": {
                "type": "twosided",
                "inner": {
                    "type": "diffuse",
                    "reflectance": {
                        "type": "bitmap",
                        "bitmap": mi.Bitmap(face[:, :, None]),
                        "raw": True,
                        # Texels are finer than the picture's pixels and hold exact coverage;
                        # interpolating between them would only soften the printed edges.
                        "filter_type": "nearest",
                    },
                },
            },
        }
    }


def _behind(mi: Any, scene: Scene, centre: Floats) -> dict[str, Any]:
    """A screen or a black board behind a cut lane, facing the camera."""
    depth = 5.0 if scene.behind == "bright" else 60.0
    board: dict[str, Any] = {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f()
        .translate([*centre[:2].tolist(), -depth])
        .scale([400.0, 400.0, 1.0]),
        "bsdf": {"type": "diffuse", "reflectance": _rgb(0.01)},
    }
    if scene.behind == "bright":
        board["emitter"] = {"type": "area", "radiance": _rgb(scene.screen)}
    return board


def _lights(mi: Any, light: Light, centre: Floats) -> dict[str, Any]:
    """Emitters whose light on the card adds up to pi, so that a white sheet has radiance one."""
    lamp = light.lamp
    share = 0.0 if lamp is None else lamp.share
    out: dict[str, Any] = {}
    if isinstance(lamp, LineLight):
        out["sky"] = {
            "type": "envmap",
            "bitmap": mi.Bitmap(_line_sky(lamp)),
            # Mitsuba's environment has y up; the card faces z.
            "to_world": mi.ScalarTransform4f().rotate([1.0, 0.0, 0.0], 90.0),
        }
        return out
    out["sky"] = {"type": "constant", "radiance": _rgb(float(1.0 - share))}
    if isinstance(lamp, Lamp):
        towards = _direction(lamp.lean_deg, lamp.azimuth_deg)
        place = centre + towards * lamp.distance_mm
        power = math.pi * share * lamp.distance_mm**2
        radiance = power / (lamp.side_mm**2 * math.cos(math.radians(lamp.lean_deg)))
        out["lamp"] = {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f().look_at(
                origin=place.tolist(), target=centre.tolist(), up=[0.0013, 0.6, 0.8]
            )
            @ mi.ScalarTransform4f().scale([lamp.side_mm / 2, lamp.side_mm / 2, 1.0]),
            "emitter": {"type": "area", "radiance": _rgb(float(radiance))},
        }
    return out


def _line_sky(lamp: LineLight) -> NDArray[np.float32]:
    """The sky seen from any row of a scanner: an arc of light on one side, the rest dim.

    The card's normal is up (the map's pole). Columns run round it, rows from it to the desk.
    """
    rows, columns = 512, 1024
    polar = (np.arange(rows) + 0.5) * math.pi / rows
    # Mitsuba: column u looks along (sin(2 pi u), ., -cos(2 pi u)) in the map's own axes, which
    # the turn by 90 degrees about x carries to world (sin(2 pi u), cos(2 pi u)).
    around = (np.arange(columns) + 0.5) * 2 * math.pi / columns
    wx = np.sin(polar)[:, None] * np.sin(around)[None, :]
    wy = np.sin(polar)[:, None] * np.cos(around)[None, :]
    wz = np.cos(polar)[:, None] * np.ones(columns)[None, :]
    side = math.radians(lamp.azimuth_deg)
    across = wx * math.cos(side) - wy * math.sin(side)
    along = wx * math.sin(side) + wy * math.cos(side)
    lean = np.degrees(np.arctan2(across, wz))
    reach = np.abs(along) < math.sin(math.radians(60.0))
    arc = (np.abs(lean - lamp.lean_deg) < lamp.width_deg / 2) & reach & (wz > 0.0)
    solid = np.sin(polar)[:, None] * (math.pi / rows) * (2 * math.pi / columns)
    lit = float((arc * np.maximum(wz, 0.0) * solid).sum())
    sky = arc * (math.pi * lamp.share / lit) + (1.0 - lamp.share)
    return np.repeat(sky[:, :, None], 3, axis=2).astype(np.float32)


def _sensor(mi: Any, camera: Camera, card: Card, samples: int) -> dict[str, Any]:
    place = camera.look_at_mm or (card.width_mm / 2, card.height_mm / 2)
    target = np.array(_world(*place))
    towards = _direction(camera.tilt_deg, camera.tilt_azimuth_deg)
    distance = camera.distance_mm or 300.0
    # The picture's up is the card's top edge, turned by the roll and squared to the view.
    roll = math.radians(camera.roll_deg)
    up = np.array([-math.sin(roll), math.cos(roll), 0.0])
    pose = mi.ScalarTransform4f().look_at(
        origin=(target + towards * distance).tolist(), target=target.tolist(), up=up.tolist()
    )
    half = camera.width_px / 2 / camera.px_per_mm
    sensor: dict[str, Any] = {
        "film": {
            "type": "hdrfilm",
            "width": camera.width_px,
            "height": camera.height_px,
            "pixel_format": "rgb",
            "component_format": "float32",
            "rfilter": {"type": "box"},
        },
        "sampler": {"type": "multijitter", "sample_count": samples},
        "near_clip": 1.0,
        "far_clip": 5000.0,
    }
    if camera.distance_mm is None:
        sensor["type"] = "orthographic"
        sensor["to_world"] = pose @ mi.ScalarTransform4f().scale([half, half, 1.0])
    else:
        sensor["type"] = "perspective"
        sensor["to_world"] = pose
        sensor["fov"] = math.degrees(2 * math.atan(half / camera.distance_mm))
        sensor["fov_axis"] = "x"
    return sensor
