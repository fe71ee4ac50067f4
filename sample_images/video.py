"""A rendered video: strands brought to the card, held, drawn along and taken away.

What is held is path traced as it lies and shown for as long as it is held. What is on the move is
shown by that strand's *cover*: path traced on plain white and on plain black paper, the two
pictures say how much of any ground's light gets past strand and shadow, and what light comes from
the strand itself. Slid over the picture of the bare card, blurred as far as it goes while the
shutter is open, it shows the strand moving while it touches the card. Two things are left out
there, and only there: light thrown onto the strand by the ground it passes, and perspective.

The camera turns a little about its own middle, which moves every point of a picture by one
homography whatever its height, so that a turned view needs no rendering of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.card import Card
from sample_images.develop import Development, develop, exposed
from sample_images.scene import (
    CARD_THICKNESS_MM,
    Camera,
    Curves,
    Floats,
    Light,
    Rgb,
    Scene,
    render,
)
from sample_images.yarn import Path as Course
from sample_images.yarn import Strand, lay

Light32 = NDArray[np.float32]

FRAMES_A_SECOND: Final = 25
SHUTTER: Final = 0.4
"""Share of a frame's time in which the shutter is open."""
_HELD_PATHS: Final = 36
_BARE_PATHS: Final = 144
_COVER_PATHS: Final = 16
_COVER_PX: Final = (2200, 280)
"""A strip with the strand in its middle, long enough to be drawn along."""
_COVERS_APART_MM: Final = 56.0
_PAPERS: Final = (0.85, 0.04)
_COMES_FROM_MM: Final = 46.0
"""How far below its place a strand comes into view."""
_TURNED_BY_DEG: Final = 3.0
_SETTLING: Final = 3
"""Over so many frames the picture of a moving strand gives way to that of a held one."""
_TREMOR_PX: Final = 0.5


@dataclass(frozen=True, eq=False)
class Presentation:
    """One strand: how it lies once it is there, and how far it is then drawn along, if at all."""

    name: str
    strand: Strand
    course: Course
    colour: Rgb
    seed: int
    frames_in: int
    frames_held: int
    frames_out: int
    drawn_mm: float = 0.0
    frames_drawn: int = 0
    frames_held_again: int = 0


@dataclass(frozen=True)
class Shot:
    """One frame to come: whose strand, how far drawn along, how far from its place.

    `drawn` and `away` run from 0 to 1; `still` is 1 for a strand that is held, 0 for one on the
    move, and between while the one picture of it gives way to the other.
    """

    presentation: Presentation | None
    drawn: float = 0.0
    away: float = 0.0
    still: float = 0.0


def story(presentations: tuple[Presentation, ...], bare: int, ends: int) -> Iterator[Shot]:
    """Every frame in order; `bare` frames of empty card between strands, `ends` at either end."""
    settling = [(k + 1) / (_SETTLING + 1) for k in range(_SETTLING)]
    yield from [Shot(None)] * ends
    for number, one in enumerate(presentations):
        if number:
            yield from [Shot(None)] * bare
        yield from (Shot(one, 0.0, 1.0 - k / one.frames_in) for k in range(one.frames_in))
        yield from (Shot(one, still=share) for share in settling)
        yield from [Shot(one, still=1.0)] * one.frames_held
        drawn = 0.0
        if one.frames_drawn:
            drawn = 1.0
            yield from (Shot(one, still=share) for share in reversed(settling))
            yield from (Shot(one, k / one.frames_drawn) for k in range(one.frames_drawn + 1))
            yield from (Shot(one, drawn, still=share) for share in settling)
            yield from [Shot(one, drawn, still=1.0)] * one.frames_held_again
        yield from (Shot(one, drawn, still=share) for share in reversed(settling))
        yield from (Shot(one, drawn, (k + 1) / one.frames_out) for k in range(one.frames_out))
    yield from [Shot(None)] * ends


def moved(strand: Strand, along_mm: float) -> Strand:
    """The strand drawn along by `along_mm`: what was there lies in the middle now."""
    back = np.array([along_mm, 0.0, 0.0, 0.0])
    return replace(
        strand,
        fibres=tuple(f - back for f in strand.fibres),
        hairs=tuple(h - back for h in strand.hairs),
        from_mm=strand.from_mm - along_mm,
        to_mm=strand.to_mm - along_mm,
    )


def _eased(share: float) -> float:
    """From 0 to 1, starting and stopping gently."""
    return share * share * (3.0 - 2.0 * share)


def _below_mm(away: float) -> float:
    """How far from its place a strand is that has `away` of its way to go."""
    return float(_COMES_FROM_MM * away**1.6)


@dataclass(frozen=True, eq=False)
class Cover:
    """What a strand does to any ground's light: `past` of it is let through, `own` comes on top."""

    past: Light32
    """(rows, columns)."""
    own: Light32
    """(rows, columns, 3)."""


class Renderer:
    """Renders what is needed and keeps it in a folder, so that composing again takes no time."""

    def __init__(
        self, card: Card, light: Light, camera: Camera, variant: str, folder: Path
    ) -> None:
        self._card, self._light, self.camera = card, light, camera
        self._variant, self._folder = variant, folder
        self._lane_mm = card.lane("banded").y_mm + card.lane("banded").height_mm / 2
        self._covers: dict[str, Cover] = {}
        folder.mkdir(parents=True, exist_ok=True)
        self.bare: Light32 = self._kept("bare", lambda: self._trace((), camera, _BARE_PATHS, 1))

    def _trace(self, curves: tuple[Curves, ...], camera: Camera, paths: int, seed: int) -> Floats:
        scene = Scene(self._card, curves, self._light, bounces=5)
        return render(scene, camera, paths, seed, self._variant)

    def _kept(self, name: str, make: Callable[[], Floats]) -> Light32:
        file = self._folder / f"{name}.npy"
        if not file.is_file():
            part = file.with_suffix(".part.npy")
            np.save(part, make().astype(np.float16))
            part.replace(file)
            print(f"rendered {name}", flush=True)
        return np.asarray(np.load(file), dtype=np.float32)

    def held(self, one: Presentation, drawn: float) -> Light32:
        """What a strand that lies still changes of the bare card's light, (rows, columns, 3).

        Nil away from it, so that the paths' noise is not seen to come and go all over the card.
        """

        def make() -> Floats:
            strand = moved(one.strand, drawn * one.drawn_mm)
            curves = lay(strand, one.course, (one.colour,), one.seed)
            return self._trace((curves,), self.camera, _HELD_PATHS, one.seed & 0xFFFF)

        change = self._kept(f"{one.name}_held_{drawn:.0f}", make) - self.bare
        return change * _where_it_matters(change)[:, :, None]

    def prepare(self, shots: list[Shot]) -> None:
        """Render all that these shots need."""
        for shot in dict.fromkeys(shots):
            if shot.presentation is not None and shot.still > 0.0:
                self.held(shot.presentation, shot.drawn)
        for one in dict.fromkeys(s.presentation for s in shots if s.presentation is not None):
            for number in range(round(one.drawn_mm / _COVERS_APART_MM) + 1):
                self.cover(one, number)

    def cover(self, one: Presentation, number: int) -> Cover:
        """The strand's cover when it is drawn along by `number` times `_COVERS_APART_MM`."""
        name = f"{one.name}_cover_{number}"
        if name not in self._covers:
            self._covers[name] = self._made_cover(one, number, name)
        return self._covers[name]

    def _made_cover(self, one: Presentation, number: int, name: str) -> Cover:
        width, height = _COVER_PX
        camera = replace(
            self.camera,
            width_px=width,
            height_px=height,
            look_at_mm=(self._card.width_mm / 2, self._lane_mm),
        )
        # The plain paper is the desk, which lies lower than the card's face.
        course = replace(one.course, lift_mm=-CARD_THICKNESS_MM)
        strand = moved(one.strand, number * _COVERS_APART_MM)
        curves = lay(strand, course, (one.colour,), one.seed)

        def on(paper: float) -> Light32:
            scene = Scene(
                self._card,
                (curves,),
                self._light,
                with_card=False,
                desk=(paper, paper, paper),
                bounces=5,
            )
            return self._kept(
                f"{name}_{paper:g}",
                lambda: render(scene, camera, _COVER_PATHS, one.seed & 0xFFFF, self._variant),
            )

        white, black = (on(paper) for paper in _PAPERS)
        # How the light falls off over the strip, from rows that the strand does not reach.
        free = np.concatenate([white[:40], white[-40:]]).mean(axis=(0, 2)) / _PAPERS[0]
        columns = np.arange(width) / width
        falls = np.polynomial.Polynomial.fit(columns, free, 2)(columns).astype(np.float32)
        past = (white - black).mean(axis=2) / ((_PAPERS[0] - _PAPERS[1]) * falls)
        own = black - (_PAPERS[1] * falls * past)[:, :, None]
        near = _where_it_matters(white - falls[:, None] * _PAPERS[0])
        return Cover(1.0 - (1.0 - past.clip(0.0, 1.2)) * near, own * near[:, :, None])

    def moving(self, shot: Shot, tremor_px: float) -> tuple[Light32, Light32]:
        """Share of the bare card's light that is left, and light on top, the picture's size."""
        one = shot.presentation
        assert one is not None
        along_mm = _eased(shot.drawn) * one.drawn_mm
        number = min(round(along_mm / _COVERS_APART_MM), round(one.drawn_mm / _COVERS_APART_MM))
        cover = self.cover(one, number)
        goes_px = 0.0
        if shot.away > 0.0:
            step = 1.0 / one.frames_in
            there, before = _below_mm(shot.away), _below_mm(max(shot.away - step, 0.0))
            goes_px = SHUTTER * (there - before) * self.camera.px_per_mm
        pictures: list[Light32] = []
        for layer, elsewhere in ((cover.past, 1.0), (cover.own, 0.0)):
            smeared = cv2.blur(layer, (1, max(1, round(goes_px))), borderType=cv2.BORDER_REPLICATE)
            way = self._way(one, shot.away, along_mm - number * _COVERS_APART_MM, tremor_px)
            size = (self.camera.width_px, self.camera.height_px)
            laid = cv2.warpAffine(
                smeared,
                way,
                size,
                flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=(elsewhere, elsewhere, elsewhere),
            )
            pictures.append(np.asarray(laid, dtype=np.float32))
        return pictures[0], pictures[1]

    def _way(
        self, one: Presentation, away: float, along_mm: float, tremor_px: float
    ) -> NDArray[np.float64]:
        """Affine map from a cover's strip to the picture, the strand on its way."""
        per_mm, roll = self.camera.px_per_mm, math.radians(self.camera.roll_deg)
        # Drawn along, a strand follows its own course, which slopes and bows.
        lie = math.radians(one.course.angle_deg)
        down_mm = self._lane_mm - self._card.height_mm / 2 + _below_mm(away)
        x_mm, y_mm = -along_mm * math.cos(lie), down_mm - along_mm * math.sin(lie)
        to_x = (self.camera.width_px - 1) / 2
        to_y = (self.camera.height_px - 1) / 2
        to_x += per_mm * (x_mm * math.cos(roll) - y_mm * math.sin(roll))
        to_y += per_mm * (x_mm * math.sin(roll) + y_mm * math.cos(roll)) + tremor_px
        turn = math.radians(_TURNED_BY_DEG * away)
        a, b = math.cos(turn), -math.sin(turn)
        from_x, from_y = (_COVER_PX[0] - 1) / 2, (_COVER_PX[1] - 1) / 2
        return np.array(
            [
                [a, b, to_x - a * from_x - b * from_y],
                [-b, a, to_y + b * from_x - a * from_y],
            ]
        )


def _where_it_matters(change: Light32) -> Light32:
    """1 where a change stands out from the paths' noise and for a little around, 0 elsewhere."""
    calm = np.abs(cv2.GaussianBlur(change.mean(axis=2), (0, 0), 6.0))
    near = cv2.dilate((calm > 0.012).astype(np.float32), np.ones((25, 25), np.uint8))
    return np.asarray(cv2.GaussianBlur(near, (0, 0), 6.0), dtype=np.float32)


def _wandering(frames: int, harmonics: tuple[int, ...], seed: int) -> Floats:
    """A smooth course of variance 1 that ends where it began, (frames,)."""
    rng = np.random.default_rng(seed)
    at = np.arange(frames) / frames * 2 * math.pi
    course = sum(
        np.cos(at * h + rng.uniform(0.0, 2 * math.pi)) / math.sqrt(k + 1)
        for k, h in enumerate(harmonics)
    )
    return np.asarray(course / np.std(course))


def _turned(camera: Camera, size: tuple[int, int], angles_deg: Floats) -> Floats:
    """Homography from the camera's rendered picture to the smaller one it takes when turned."""
    focal = camera.focal_px
    if focal is None:
        raise ValueError("a scanner does not turn")
    inner = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    outer = inner.copy()
    outer[:2, 2] = (camera.width_px - 1) / 2, (camera.height_px - 1) / 2
    rotation, _ = cv2.Rodrigues(np.radians(angles_deg))
    return np.asarray(inner @ rotation @ np.linalg.inv(outer))


def frames(
    shots: list[Shot],
    renderer: Renderer,
    camera: Camera,
    size: tuple[int, int],
    how: Development,
    seed: int,
) -> Iterator[NDArray[np.uint8]]:
    """Each shot as the webcam gives it: sRGB (rows, columns, 3) of `size` (width, height)."""
    count = len(shots)
    tilt = 0.16 * _wandering(count, (3, 7, 13, 19), seed)
    pan = 0.16 * _wandering(count, (4, 9, 11, 17), seed + 1)
    roll = 0.10 * _wandering(count, (2, 5, 11), seed + 2)
    gain = 0.97 * (1.0 + 0.012 * _wandering(count, (2, 3, 7), seed + 3).clip(-2, 2))
    tremor = _TREMOR_PX * _wandering(count, (17, 31, 47, 61), seed + 4)
    exposure = exposed(renderer.bare.astype(np.float64), how).paper_level
    held: tuple[tuple[Presentation, float], Light32] | None = None
    whole = (camera.width_px, camera.height_px)
    for k, shot in enumerate(shots):
        light, one = renderer.bare, shot.presentation
        if one is not None and shot.still > 0.0:
            if held is None or held[0] != (one, shot.drawn):
                held = (one, shot.drawn), renderer.held(one, shot.drawn)
            # The lane's ground does not change up and down, so a strand with its shadow may
            # tremble across it as it is.
            shift = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, tremor[k]]])
            still = cv2.warpAffine(held[1], shift, whole, flags=cv2.INTER_CUBIC)
            light = light + shot.still * still
        if one is not None and shot.still < 1.0:
            past, own = renderer.moving(shot, float(tremor[k]))
            light = light + (1.0 - shot.still) * (renderer.bare * (past[:, :, None] - 1.0) + own)
        turn = _turned(camera, size, np.array([tilt[k], pan[k], roll[k]]))
        seen = cv2.warpPerspective(light, turn, size, flags=cv2.INTER_CUBIC)
        now = replace(how, paper_level=exposure * float(gain[k]))
        yield develop(np.maximum(seen, 0.0).astype(np.float64), now, seed + k)


def write_mp4(pictures: Iterator[NDArray[np.uint8]], size: tuple[int, int], file: Path) -> None:
    """Write sRGB pictures as H.264 in MP4, which every build of OpenCV and of Qt can read."""
    av: Any = import_module("av")
    part = file.with_suffix(".part.mp4")
    with av.open(str(part), "w") as box:
        # One thread: the same pictures then give the same file.
        options = {"crf": "16", "preset": "slow", "tune": "ssim", "threads": "1"}
        stream = box.add_stream("libx264", rate=FRAMES_A_SECOND, options=options)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        stream.gop_size = 2 * FRAMES_A_SECOND
        for picture in pictures:
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, "rgb24")):
                box.mux(packet)
        for packet in stream.encode():
            box.mux(packet)
    part.replace(file)
