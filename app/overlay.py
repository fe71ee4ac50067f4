"""The picture with what was measured drawn on it: outlines, cuts, uneven places, numbers."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from app.drawing import (
    INK,
    PAPER,
    STRAND_COLOURS,
    Colour,
    drawable,
    font,
    merged_places,
    runs,
    text_width,
    triangle,
    wrapped,
)
from app.format import interval_decimals, interval_text, rounded
from app.report import told_cautions, twist_text
from measure.results import Outline, PictureReading, StrandReading

OVERLAY_SUFFIXES: Final = (".png", ".jpg", ".jpeg", ".webp", ".tif", ".tiff")

_SUBPIXEL_BITS: Final = 4


def write_overlay(pixels: NDArray[Any], reading: PictureReading, file: Path) -> None:
    """Draw the overlay and write it; the file's ending says the format. OSError when it cannot."""
    image = draw_overlay(pixels, reading)
    out = io.BytesIO()
    if file.suffix.lower() in (".jpg", ".jpeg"):
        image.save(out, "JPEG", quality=92)
    elif file.suffix.lower() == ".png":
        image.save(out, "PNG", compress_level=3)
    else:
        image.save(out, Image.registered_extensions()[file.suffix.lower()])
    file.write_bytes(out.getvalue())


def draw_overlay(pixels: NDArray[Any], reading: PictureReading) -> Image.Image:
    """The overlay of a picture (rows, columns) or (rows, columns, 3), with a panel of text below.

    Lines and letters grow with the picture, so that it reads the same when shown at one size.
    """
    canvas = _as_rgb8(pixels)
    longest = max(canvas.shape[:2])
    size_px = round(min(max(longest * 0.015, 14), 64))
    if reading.scale is not None and reading.scale.ticks_px is not None:
        _draw_ticks(canvas, reading.scale.ticks_px, longest)
    for refusal in reading.refusals:
        if refusal.outline is not None:
            _draw_refused(canvas, refusal.outline, longest)
    for strand in reading.strands:
        _draw_outline(canvas, strand, longest)
    image = Image.fromarray(canvas)
    draw = ImageDraw.Draw(image)
    for refusal in reading.refusals:
        if refusal.outline is not None and refusal.strand is not None:
            _draw_refused_number(draw, refusal.outline, refusal.strand, size_px)
    for strand in reading.strands:
        _draw_places(draw, strand, size_px)
    _draw_labels(draw, image.size, reading.strands, size_px)
    return _with_panel(image, reading, size_px)


def colour_of(strand: StrandReading) -> Colour:
    """The colour a strand is drawn in, by its number."""
    return STRAND_COLOURS[(strand.number - 1) % len(STRAND_COLOURS)]


def _as_rgb8(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    if pixels.dtype == np.uint16:
        eight = (pixels >> 8).astype(np.uint8)
    elif np.issubdtype(pixels.dtype, np.floating):
        eight = np.rint(np.clip(pixels, 0.0, 1.0) * 255).astype(np.uint8)
    else:
        eight = pixels.astype(np.uint8)
    if eight.ndim == 2:
        eight = np.repeat(eight[:, :, None], 3, axis=2)
    return np.ascontiguousarray(eight[:, :, :3]).copy()


@dataclass(frozen=True)
class _Track:
    """A strand in the picture: where each entry of its outline lies along it, in mm."""

    position_mm: NDArray[np.float64]
    centre: NDArray[np.float64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]

    def at(self, position_mm: float) -> int:
        """Index of the entry nearest to a place along the strand."""
        return int(np.argmin(np.abs(self.position_mm - position_mm)))

    def outward(self, index: int) -> NDArray[np.float64]:
        """Unit vector from the right edge to the left one."""
        across = self.left[index] - self.right[index]
        length = float(np.hypot(*across))
        return across / length if length > 0 else np.array([0.0, -1.0])


def _track(strand: StrandReading) -> _Track:
    outline = strand.outline
    good = (
        np.isfinite(outline.centre_px).all(axis=1)
        & np.isfinite(outline.left_px).all(axis=1)
        & np.isfinite(outline.right_px).all(axis=1)
    )
    return _Track(
        strand.along.position_mm[good],
        outline.centre_px[good],
        outline.left_px[good],
        outline.right_px[good],
    )


def _draw_outline(canvas: NDArray[np.uint8], strand: StrandReading, longest: int) -> None:
    track = _track(strand)
    colour = colour_of(strand)
    line = max(1, round(min(longest / 1500, strand.width_px / 8)))
    cased = strand.width_px >= 12 * line
    for run in runs(track.left, track.position_mm):
        for edge in (track.left[run], track.right[run]):
            if cased:
                _polyline(canvas, edge, PAPER, line + 2)
            _polyline(canvas, edge, colour, line)
    # A mark outside the outline for each millimetre, or each five where they would run together.
    if len(track.position_mm) < 2:
        return
    step_px = float(
        np.median(np.hypot(*np.diff(track.centre, axis=0).T))
        / max(float(np.median(np.diff(track.position_mm))), 1e-9)
    )
    every_mm = 1.0 if step_px >= 5 * line else 5.0
    reach = max(3.0 * line, 0.12 * strand.width_px)
    first, last = track.position_mm[0], track.position_mm[-1]
    for place in np.arange(np.ceil(first / every_mm), np.floor(last / every_mm) + 1) * every_mm:
        index = track.at(float(place))
        if abs(track.position_mm[index] - place) > 0.5:
            continue
        outward = track.outward(index)
        for edge, way in ((track.left[index], outward), (track.right[index], -outward)):
            mark = np.array([edge + way * line, edge + way * (line + reach)])
            _polyline(canvas, mark, colour, line)


def _draw_ticks(canvas: NDArray[np.uint8], ticks_px: NDArray[np.float64], longest: int) -> None:
    """A stroke on every mark of the ruler that gave the scale."""
    line = max(1, round(longest / 1500))
    for tick in ticks_px:
        _polyline(canvas, tick, PAPER, line + 2)
    for tick in ticks_px:
        _polyline(canvas, tick, INK, line)


def _draw_refused(canvas: NDArray[np.uint8], outline: Outline, longest: int) -> None:
    """Broken lines along a strand that was not read."""
    line = max(1, round(longest / 1500))
    for edge in (outline.left_px, outline.right_px):
        for start in range(0, len(edge) - 1, 4):
            dash = edge[start : start + 3]
            _polyline(canvas, dash, PAPER, line + 2)
            _polyline(canvas, dash, INK, line)


def _draw_refused_number(
    draw: ImageDraw.ImageDraw, outline: Outline, number: int, size_px: int
) -> None:
    """A strand's number at its middle; the panel says why it was not read."""
    x, y = (float(v) for v in outline.centre_px[len(outline.centre_px) // 2])
    draw.text(
        (x, y),
        f"{number} not read",
        fill=PAPER,
        font=font(size_px),
        anchor="mm",
        stroke_width=max(2, size_px // 8),
        stroke_fill=INK,
    )


def _polyline(
    canvas: NDArray[np.uint8], points: NDArray[np.float64], colour: Colour, line: int
) -> None:
    fixed = np.rint(points * (1 << _SUBPIXEL_BITS)).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [fixed], False, colour, line, cv2.LINE_AA, _SUBPIXEL_BITS)


def _draw_places(draw: ImageDraw.ImageDraw, strand: StrandReading, size_px: int) -> None:
    """Triangles on both sides: pointing away from a thick place, at a thin one."""
    track = _track(strand)
    if not len(track.position_mm):
        return
    size = size_px * 0.32
    for place in merged_places(strand):
        index = track.at((place.from_mm + place.to_mm) / 2)
        outward = track.outward(index)
        sign = 1.0 if place.kind == "thick" else -1.0
        away = size * 2.2
        triangle(draw, track.left[index] + outward * away, outward * sign, size)
        triangle(draw, track.right[index] - outward * away, -outward * sign, size)


def _draw_labels(
    draw: ImageDraw.ImageDraw,
    picture_size: tuple[int, int],
    strands: tuple[StrandReading, ...],
    size_px: int,
) -> None:
    """A plate for each strand, set where it hides least of any strand and no other plate."""
    tracks = [_track(strand) for strand in strands]
    everything = np.concatenate([t.centre for t in tracks]) if tracks else np.zeros((0, 2))
    taken: list[tuple[float, float, float, float]] = []
    for strand, track in zip(strands, tracks, strict=True):
        if not len(track.centre):
            continue
        wpi = rounded(strand.wpi, interval_decimals(strand.wpi, strand.wpi_interval))
        text = f"{strand.number}: {wpi} WPI"
        pad = size_px * 0.35
        width, height = text_width(text, size_px) + 2 * pad, size_px + 2 * pad
        box, anchor = _best_box(track, everything, taken, picture_size, (width, height), size_px)
        taken.append(box)
        middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        rim = max(1, round(size_px / 12))
        colour = colour_of(strand)
        draw.line([middle, anchor], fill=PAPER, width=3 * rim)
        draw.line([middle, anchor], fill=colour, width=rim)
        draw.rectangle(box, fill=PAPER, outline=colour, width=rim)
        draw.text(middle, text, fill=INK, font=font(size_px), anchor="mm")


def _best_box(
    track: _Track,
    everything: NDArray[np.float64],
    taken: list[tuple[float, float, float, float]],
    picture_size: tuple[int, int],
    box_size: tuple[float, float],
    size_px: int,
) -> tuple[tuple[float, float, float, float], tuple[float, float]]:
    """The box (x0, y0, x1, y1) for a label and the point of the strand it belongs to."""
    (columns, rows), (width, height) = picture_size, box_size
    best: tuple[float, tuple[float, float, float, float], tuple[float, float]] | None = None
    for share in (0.06, 0.94, 0.3, 0.5, 0.7):
        index = min(int(share * len(track.centre)), len(track.centre) - 1)
        anchor, outward = track.centre[index], track.outward(index)
        half = abs(outward[0]) * width / 2 + abs(outward[1]) * height / 2
        edge = float(np.hypot(*(track.left[index] - track.right[index]))) / 2
        for side in (1.0, -1.0):
            for step in (1.2, 3.0, 5.0, 8.0, 12.0):
                x, y = anchor + outward * side * (edge + half + step * size_px)
                x = min(max(x, width / 2), columns - width / 2)
                y = min(max(y, height / 2), rows - height / 2)
                box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
                hidden = np.count_nonzero(
                    (everything[:, 0] > box[0] - edge)
                    & (everything[:, 0] < box[2] + edge)
                    & (everything[:, 1] > box[1] - edge)
                    & (everything[:, 1] < box[3] + edge)
                )
                clash = sum(
                    box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3]
                    for t in taken
                )
                cost = 1e6 * clash + 100.0 * hidden + step
                if best is None or cost < best[0]:
                    best = (cost, box, (float(anchor[0]), float(anchor[1])))
    assert best is not None
    return best[1], best[2]


def _with_panel(image: Image.Image, reading: PictureReading, size_px: int) -> Image.Image:
    """The image with a white panel below it that says in words what was found and what not."""
    pad = size_px
    width = image.width - 2 * pad
    lines: list[tuple[str, Colour]] = []
    for text, colour in _panel_texts(reading):
        lines += [(line, colour) for line in wrapped(text, size_px, width)]
    line_height = round(size_px * 1.35)
    height = image.height + 2 * pad + line_height * len(lines)
    sheet = Image.new("RGB", (image.width, height), PAPER)
    sheet.paste(image, (0, 0))
    draw = ImageDraw.Draw(sheet)
    y = image.height + pad
    for line, colour in lines:
        if colour != INK:
            draw.rectangle((pad // 4, y, pad * 3 // 4, y + size_px), fill=colour)
        draw.text((pad, y), drawable(line), fill=INK, font=font(size_px))
        y += line_height
    return sheet


def _panel_texts(reading: PictureReading) -> list[tuple[str, Colour]]:
    texts: list[tuple[str, Colour]] = []
    for strand in reading.strands:
        classes = ", ".join(c.name for c in strand.weight_classes)
        twist = twist_text(strand)
        texts.append(
            (
                f"{strand.number}: WPI {interval_text(strand.wpi, strand.wpi_interval)}, "
                f"diameter {interval_text(strand.diameter_mm, strand.diameter_interval_mm)} mm"
                + (f", {classes}" if classes else "")
                + (f", {twist}" if twist else ""),
                colour_of(strand),
            )
        )
    for refusal in reading.refusals:
        who = f"strand {refusal.strand}: " if refusal.strand is not None else ""
        texts.append((f"Not read: {who}{refusal.text} {refusal.advice}", INK))
    texts += [(f"Caution: {who}{c.text}", INK) for who, c in told_cautions(reading)]
    if reading.strands:
        legend = "Intervals are 95 %. Marks outside an outline are 1 mm apart (5 mm where small)."
        if any(strand.uneven_places for strand in reading.strands):
            legend += " Triangles point away from a thick place and at a thin one."
        if reading.scale is not None and reading.scale.ticks_px is not None:
            legend += f" Strokes on the ruler are its marks, {reading.scale.marks}."
        texts.append((legend, INK))
    return texts
