"""Strands of known diameter on the printed card, drawn from closed forms: truth for the tests.

The scene is a set of formulas, not a mesh: every picture element is an integral of them over its
own area. Card coordinates are those of `measure.card` (mm, x right, y down) with z up towards the
viewer; picture coordinates have (0, 0) in the middle of the first element. Nothing in here calls
the measuring code apart from the card's geometry.

What is exact: the width of a strand summed down any picture column or along any picture row
(partly covered sub-samples carry their exact share). What is left out: light thrown from one
strand on to another, and the falling off of the light over the picture.
"""

from __future__ import annotations

import io
import math
from typing import Any

import cv2
import numpy as np
from analytic_scene import Scene
from analytic_types import (
    FLAT,
    SCANNER,
    Camera,
    Floats,
    Light,
    OpenLane,
    Strand,
    StrandTruth,
    Truth,
)
from numpy.typing import NDArray
from PIL import Image
from scipy.sparse import csr_array

from measure.card import Card

__all__ = [
    "FLAT",
    "SCANNER",
    "Camera",
    "Floats",
    "Light",
    "OpenLane",
    "Strand",
    "StrandTruth",
    "Truth",
    "bare_card",
    "draw",
    "draw_linear",
    "encode_srgb",
    "to_jpeg",
    "to_png",
    "truth_of",
]

TILE_PX = 128


def encode_srgb(linear: Floats) -> NDArray[np.uint8]:
    """Linear light 0..1 to 8-bit sRGB by the curve of IEC 61966-2-1."""
    x = np.linspace(0, 1, 1 << 18)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    table = np.rint(255 * coded).astype(np.uint8)
    index = np.clip(linear, 0, 1)
    index *= len(table) - 1
    index += 0.5
    return np.asarray(table[index.astype(np.int32)])


def draw_linear(
    card: Card,
    strands: list[Strand] | tuple[Strand, ...],
    light: Light,
    camera: Camera,
    paper: float = 1.0,
    ink: float = 0.04,
    open_lane: OpenLane = "paper",
    supersampling: int | None = None,
    bare: Floats | None = None,
) -> tuple[Floats, Truth]:
    """The picture (h, w, 3) in linear light without noise, mirror and quarter turns applied.

    `bare` is what `bare_card` drew for the same camera, paper and ink: only what the strands
    change is drawn finely; the rest is shaded by one value per picture element.
    """
    scene = Scene(card, tuple(strands), light, camera, paper, ink, open_lane)
    thinnest = min((2 * s.largest * camera.px_per_mm for s in scene.shapes), default=99.0)
    s = supersampling or (6 if thinnest < 8 else 4)
    picture = _linear_picture(scene, s, bare)
    picture *= np.array(camera.white_balance, np.float32) * np.float32(camera.exposure)
    if camera.mirrored:
        picture = picture[:, ::-1]
    picture = np.ascontiguousarray(np.rot90(picture, -camera.quarter_turns))
    return picture, _truth(card, scene)


def bare_card(
    card: Card,
    camera: Camera,
    paper: float = 1.0,
    ink: float = 0.04,
    open_lane: OpenLane = "paper",
) -> Floats:
    """The card alone as `draw_linear` wants it for its `bare`."""
    return _linear_picture(Scene(card, (), FLAT, camera, paper, ink, open_lane), 4, None)


def draw(
    card: Card,
    strands: list[Strand] | tuple[Strand, ...],
    light: Light,
    camera: Camera,
    seed: int,
    paper: float = 1.0,
    ink: float = 0.04,
    open_lane: OpenLane = "paper",
) -> tuple[NDArray[np.uint8], Truth]:
    """The picture (h, w, 3) as 8-bit sRGB, and what is true of it.

    `paper` and `ink` are reflectances. `open_lane` "paper": the window is not cut out; "bright":
    lit from behind at 1.15 x paper white; "dark": darkness behind it. No shadow falls in a window.
    """
    linear, truth = draw_linear(card, strands, light, camera, paper, ink, open_lane)
    if camera.noise or camera.shot:
        random = np.random.default_rng(seed)
        noise = random.standard_normal(linear.shape, dtype=np.float32)
        if camera.shot:
            noise *= np.sqrt(camera.noise**2 + camera.shot * np.maximum(linear, 0))
        else:
            noise *= np.float32(camera.noise)
        linear = linear + noise
    return encode_srgb(linear), truth


def truth_of(card: Card, strands: tuple[Strand, ...], camera: Camera) -> Truth:
    """What is true of strands on the card seen by that camera, without drawing them."""
    return _truth(card, Scene(card, strands, FLAT, camera, 1.0, 0.0, "paper"))


def _truth(card: Card, scene: Scene) -> Truth:
    view, camera = scene.view, scene.camera
    width, height = view.width, view.height
    turns = camera.quarter_turns % 4

    def to_picture(points_mm: Floats) -> Floats:
        p = view.centred(np.atleast_2d(points_mm)) + view.middle
        u, v = p[:, 0], p[:, 1]
        if camera.mirrored:
            u = width - 1 - u
        w, h = width, height
        for _ in range(turns):
            u, v = h - 1 - v, u
            w, h = h, w
        return np.column_stack([u, v])

    size = (height, width) if turns % 2 else (width, height)
    strands = []
    for shape in scene.shapes:
        lane, strand = card.lane(shape.strand.lane), shape.strand
        start = max(lane.x_mm, strand.start_mm if strand.start_mm is not None else -np.inf)
        end = min(lane.x_mm + lane.width_mm, strand.end_mm if strand.end_mm is not None else np.inf)
        x = np.linspace(start, end, 1 + max(2, round((end - start) / 0.02)))
        p = to_picture(np.column_stack([x, shape.centre(x)]))
        seen = ((p > -0.5) & (p < np.array(size) - 0.5)).all(axis=1)
        x = x[seen]
        diameter = np.broadcast_to(2 * np.asarray(shape.radius(x), float), x.shape).copy()
        strands.append(
            StrandTruth(strand, float(x[0]), float(x[-1]), x, diameter, float(np.mean(diameter)))
        )
    return Truth(
        tuple(strands),
        to_picture,
        view.place_mm,
        camera.px_per_mm,
        camera.blur_px,
        math.sqrt(camera.blur_px**2 + 1 / 12),
        view.focal_px,
        size,
    )


def to_png(picture: NDArray[np.uint8], dpi: float | None = None) -> bytes:
    """The picture as a PNG file."""
    out = io.BytesIO()
    extra: dict[str, Any] = {} if dpi is None else {"dpi": (dpi, dpi)}
    Image.fromarray(picture).save(out, "PNG", compress_level=1, **extra)
    return out.getvalue()


def to_jpeg(
    picture: NDArray[np.uint8],
    quality: int = 90,
    dpi: float | None = None,
    focal_35mm: float | None = None,
    orientation: int | None = None,
) -> bytes:
    """The picture as a JPEG file; `focal_35mm` and `orientation` go into its EXIF tags."""
    out = io.BytesIO()
    extra: dict[str, Any] = {} if dpi is None else {"dpi": (round(dpi), round(dpi))}
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    if focal_35mm is not None:
        exif.get_ifd(0x8769)[0xA405] = round(focal_35mm)
    if len(exif) or focal_35mm is not None:
        extra["exif"] = exif.tobytes()
    Image.fromarray(picture).save(out, "JPEG", quality=quality, **extra)
    return out.getvalue()


def _spread(count: int, s: int, sigma_px: float, reach: int) -> csr_array:
    """Matrix (count, s * count + 2 * reach) that blurs sub-samples and averages them to elements.

    Sparse: for one thread that is as quick as the dense product, and it never waits for a second.
    """
    k = np.arange(-reach, reach + 1)
    gauss = np.exp(-0.5 * (k / (s * sigma_px)) ** 2) if reach else np.ones(1)
    kernel = np.convolve(gauss / gauss.sum(), np.full(s, 1 / s)).astype(np.float32)
    taps = len(kernel)
    columns = (np.arange(count)[:, None] * s + np.arange(taps)).ravel()
    return csr_array(
        (np.tile(kernel, count), columns, np.arange(count + 1) * taps),
        shape=(count, s * count + 2 * reach),
    )


def _averaged(field: Floats, down: csr_array, across: csr_array) -> Floats:
    return np.asarray((across @ np.ascontiguousarray((down @ field).T)).T)


def _albedo(scene: Scene, number: int, columns: tuple[int, int], rows: tuple[int, int]) -> Floats:
    """A strand's colour, one or one for every picture element."""
    shape = scene.shapes[number]
    albedo, specks = shape.strand.albedo_rgb, shape.strand.specks
    if not callable(albedo) and specks is None:
        return np.asarray(albedo, np.float32)
    x, y = scene.view.plane(np.arange(*columns) * 1.0, np.arange(*rows) * 1.0)
    own = np.asarray(albedo(x) if callable(albedo) else albedo, np.float32)
    if specks is None:
        return own
    column = (x - np.float32(specks.first_mm)) / np.float32(specks.pitch_mm)
    row = shape.across(x, y) / np.float32(specks.pitch_mm) + (len(specks.share) - 1) / 2
    share = cv2.remap(specks.share, column, row.astype(np.float32), cv2.INTER_LINEAR)[..., None]
    return np.asarray(own + share * (np.array(specks.colour, np.float32) - own))


def _linear_picture(scene: Scene, s: int, bare: Floats | None) -> Floats:
    """The picture (h, w, 3) in linear light, paper white 1, before exposure and noise."""
    view, sigma = scene.view, scene.camera.blur_px
    picture = np.empty((view.height, view.width, 3), np.float32) if bare is None else bare.copy()
    reach = s * math.ceil(5 * sigma)
    matrices: dict[int, csr_array] = {}
    size = TILE_PX if bare is None else TILE_PX // 2
    for top in range(0, view.height, size):
        bottom = min(view.height, top + size)
        for left in range(0, view.width, size):
            right = min(view.width, left + size)
            out = picture[top:bottom, left:right]
            if bare is not None and not scene.shaded((left, right), (top, bottom)):
                out *= scene.shade(np.arange(left, right) * 1.0, np.arange(top, bottom) * 1.0)
                continue
            if not scene.busy((left, right), (top, bottom)):
                flat, _ = scene.tile(np.arange(left, right) * 1.0, np.arange(top, bottom) * 1.0, 1)
                out[:] = flat[..., None]
                continue
            places = [
                first + (np.arange(-reach, s * (last - first) + reach) + 0.5) / s - 0.5
                for first, last in ((left, right), (top, bottom))
            ]
            for n in (right - left, bottom - top):
                if n not in matrices:
                    matrices[n] = _spread(n, s, sigma, reach)
            across, down = matrices[right - left], matrices[bottom - top]
            ground, patches = scene.tile(places[0], places[1], s)
            out[:] = _averaged(ground, down, across)[..., None]
            for patch in patches:
                rows, columns = patch.box
                seen = _averaged(patch.face, down[:, rows], across[:, columns])
                albedo = _albedo(scene, patch.number, (left, right), (top, bottom))
                out += seen[..., None] * albedo
    return picture
