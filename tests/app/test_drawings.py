"""The overlay and the drift picture: what must be seen is where it must be."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from app.drawing import STRAND_COLOURS, drawable, runs, wrapped
from app.drift_picture import draw_drift
from app.overlay import draw_overlay, write_overlay
from measure.results import Outline, PictureReading


def _is(
    pixels: NDArray[np.uint8], colour: tuple[int, int, int], within: int = 40
) -> NDArray[np.bool_]:
    return np.asarray(np.abs(pixels.astype(int) - colour).max(axis=-1) < within)


@pytest.mark.parametrize("grey", [0, 128, 255])
def test_overlay_draws_each_edge_where_it_was_found(reading: PictureReading, grey: int) -> None:
    picture = np.full((400, 600), grey, np.uint8)
    drawn = np.asarray(draw_overlay(picture, reading))
    for strand, colour in zip(reading.strands, STRAND_COLOURS, strict=False):
        # 60 mm along, away from marks, labels and the gap.
        index = 250
        for edge in (strand.outline.left_px[index], strand.outline.right_px[index]):
            column, row = np.rint(edge).astype(int)
            # A smoothed line one pixel wide is mixed with what lies beneath.
            assert _is(drawn[row - 1 : row + 2, column], colour, within=90).any()
        # In the gap nothing is drawn on the strand.
        column, row = np.rint(strand.outline.centre_px[210]).astype(int)
        assert (drawn[row - 2 : row + 3, column] == grey).all()


def test_overlay_keeps_the_picture_above_and_adds_words_below(reading: PictureReading) -> None:
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 255, (400, 600, 3), dtype=np.uint8)
    drawn = np.asarray(draw_overlay(picture, reading))
    assert drawn.shape[1] == 600
    assert (drawn[:100, 300:] == picture[:100, 300:]).all()
    panel = drawn[400:]
    assert panel.shape[0] > 100
    assert (panel < 100).any()


def test_overlay_of_a_refused_picture_says_why(empty_reading: PictureReading) -> None:
    drawn = np.asarray(draw_overlay(np.zeros((200, 320, 3), np.uint8), empty_reading))
    assert not drawn[:200].any()
    assert (drawn[200:] < 100).any()


def test_overlay_names_the_strand_that_was_not_read(reading: PictureReading) -> None:
    from app.overlay import _panel_texts

    texts = [text for text, _ in _panel_texts(reading)]
    assert "Not read: strand 3: A strand lies along the lane’s edge. Lay it down." in texts


def test_overlay_draws_where_a_strand_lies_that_was_not_read(reading: PictureReading) -> None:
    x = np.linspace(50.0, 550.0, 101)
    edges = (np.stack([x, np.full(101, y)], axis=1) for y in (300.0, 292.0, 308.0))
    refused = dataclasses.replace(reading.refusals[0], outline=Outline(*edges))
    picture = np.full((400, 600, 3), 128, np.uint8)
    drawn = np.asarray(draw_overlay(picture, dataclasses.replace(reading, refusals=(refused,))))[
        :400
    ]
    plain = np.asarray(draw_overlay(picture, reading))[:400]
    rows, columns = np.nonzero((drawn != plain).any(axis=2))
    assert rows.min() > 280
    assert rows.max() < 320
    for row in (292, 308):
        # Broken lines: most of the edge is drawn, and none of it all along.
        share = np.mean([row in rows[columns == c] for c in range(50, 550)])
        assert 0.5 < share < 1.0


def test_labels_lie_inside_and_never_on_each_other(reading: PictureReading) -> None:
    # Four strands two millimetres apart leave little room.
    first = reading.strands[0]
    strands = tuple(
        dataclasses.replace(
            first,
            number=i + 1,
            uneven_places=(),
            outline=dataclasses.replace(
                first.outline,
                centre_px=first.outline.centre_px + np.array([0, 10 * i]),
                left_px=first.outline.left_px + np.array([0, 10 * i]),
                right_px=first.outline.right_px + np.array([0, 10 * i]),
            ),
        )
        for i in range(4)
    )
    from app import overlay

    taken = []
    tracks = [overlay._track(s) for s in strands]
    everything = np.concatenate([t.centre for t in tracks])
    for track in tracks:
        box, _ = overlay._best_box(track, everything, taken, (600, 400), (90.0, 24.0), 14)
        taken.append(box)
    for i, a in enumerate(taken):
        assert a[0] >= 0
        assert a[1] >= 0
        assert a[2] <= 600
        assert a[3] <= 400
        for b in taken[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


@pytest.mark.parametrize(
    ("dtype", "shape"),
    [(np.uint16, (400, 600)), (np.uint16, (400, 600, 3)), (np.float64, (400, 600))],
)
def test_overlay_takes_every_kind_of_pixels(
    reading: PictureReading, dtype: type, shape: tuple[int, ...]
) -> None:
    top = 65535 if dtype is np.uint16 else 1.0
    drawn = np.asarray(draw_overlay(np.full(shape, top, dtype), reading))
    assert (drawn[5, 5] == 255).all()


@pytest.mark.parametrize("ending", [".png", ".jpg", ".webp", ".tif"])
def test_overlay_is_written_in_the_format_its_name_says(
    reading: PictureReading, tmp_path: Path, ending: str
) -> None:
    file = tmp_path / f"overlay{ending}"
    write_overlay(np.full((400, 600), 200, np.uint8), reading, file)
    with Image.open(file) as image:
        assert (
            image.format == {".png": "PNG", ".jpg": "JPEG", ".webp": "WEBP", ".tif": "TIFF"}[ending]
        )
        assert image.width == 600


def test_overlay_letters_grow_with_the_picture(empty_reading: PictureReading) -> None:
    def panel_rows(width: int) -> int:
        picture = np.zeros((width // 2, width), np.uint8)
        return draw_overlay(picture, empty_reading).height - width // 2

    assert panel_rows(4000) > 2 * panel_rows(1000)


def test_drift_picture_shows_the_band_and_the_curve(reading: PictureReading) -> None:
    pixels = np.asarray(draw_drift(reading, [(1.2, 1.3), (1.5, 1.7)]))
    plain = np.asarray(draw_drift(reading))
    band = (214, 232, 214)
    assert (pixels == band).all(axis=-1).sum() > 1000
    assert not (plain == band).all(axis=-1).any()
    for row, colour in enumerate(STRAND_COLOURS[: len(reading.strands)]):
        panel = pixels[row * 280 : (row + 1) * 280]
        assert _is(panel, colour).sum() > 300


def test_drift_picture_needs_a_strand(empty_reading: PictureReading) -> None:
    with pytest.raises(ValueError, match="no strand"):
        draw_drift(empty_reading)


def test_runs_break_at_gaps() -> None:
    position = np.array([0.0, 1.0, 2.0, 3.0, 20.0, 21.0, 22.0])
    values = np.array([1.0, 1.0, np.nan, 1.0, 1.0, 1.0, 1.0])
    # Alone between the unmeasured place and the leap, the entry at 3 makes no line.
    assert [run.tolist() for run in runs(values, position)] == [[0, 1], [4, 5, 6]]


def test_wrapped_lines_fit_and_lose_no_word() -> None:
    text = "Bring the camera closer, or scan at a higher dpi – then measure again."
    lines = wrapped(text, 14, 150)
    assert " ".join(lines) == drawable(text)
    assert len(lines) > 2
    assert "–" not in drawable(text)
