"""The printed card, read back from the files that are written."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from pypdf.generic import ContentStream

from app.card_sheet import card_file, card_png
from app.sheet import MARGIN_MM, lay_out
from measure.card import MARKER_FAMILY, newest_card
from measure.linear_light import decode_srgb

MM_PER_POINT = 25.4 / 72
"""A PDF point is 1/72 inch (ISO 32000-1, 8.3.2.3); an inch is 25.4 mm exactly."""

PAPERS_MM = {
    "a4": (210.0, 297.0),  # ISO 216
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1 size A: 8.5 x 11 in
}
ID1_MM = (85.60, 53.98)  # ISO/IEC 7810, nominal size of an ID-1 card

KINDS = ("desk", "pocket")


class PaintedPaths:
    """Bounding boxes in mm (x, y from the top left corner, width, height) of what a page paints."""

    def __init__(self, pdf: bytes) -> None:
        reader = PdfReader(io.BytesIO(pdf))
        (page,) = reader.pages
        self.size_mm = (
            float(page.mediabox.width) * MM_PER_POINT,
            float(page.mediabox.height) * MM_PER_POINT,
        )
        self.filled: list[tuple[float, float, float, float]] = []
        self.stroked: list[tuple[float, float, float, float]] = []
        contents = page.get_contents()
        assert contents is not None
        self._walk(ContentStream(contents, reader).operations)

    def _walk(self, operations: list[Any]) -> None:
        matrix, stack = np.eye(3), []
        points: list[np.ndarray] = []
        pieces: list[np.ndarray] = []
        for operands, operator in operations:
            name = operator.decode()
            values = [float(v) for v in operands] if name in ("cm", "m", "l", "c", "re") else []
            if name == "q":
                stack.append(matrix)
            elif name == "Q":
                matrix = stack.pop()
            elif name == "cm":
                a, b, c, d, e, f = values
                matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
            elif name == "re":
                x, y, w, h = values
                box = np.array([[x, y, 1], [x + w, y, 1], [x + w, y + h, 1], [x, y + h, 1]])
                pieces.append((box @ matrix)[:, :2])
            elif name in ("m", "l", "c"):
                if name == "m" and points:
                    pieces.append(np.array(points))
                    points = []
                points.append((np.array([*values[-2:], 1.0]) @ matrix)[:2])
            elif name in ("f", "f*", "S", "n", "B", "W"):
                if points:
                    pieces.append(np.array(points))
                boxes = [self._box_mm(piece) for piece in pieces]
                if name in ("f", "f*", "B"):
                    self.filled += boxes
                if name in ("S", "B"):
                    self.stroked += boxes
                points, pieces = [], []

    def _box_mm(self, points: np.ndarray) -> tuple[float, float, float, float]:
        x, y = points[:, 0] * MM_PER_POINT, self.size_mm[1] - points[:, 1] * MM_PER_POINT
        return float(x.min()), float(y.min()), float(np.ptp(x)), float(np.ptp(y))


def _near(boxes: list[tuple[float, float, float, float]], width: float, height: float) -> list[Any]:
    """Boxes of that size, to a fiftieth of a millimetre."""
    return [b for b in boxes if abs(b[2] - width) < 0.02 and abs(b[3] - height) < 0.02]


@pytest.fixture(scope="module")
def pdfs() -> dict[tuple[str, str], bytes]:
    return {
        (kind, paper): card_file(newest_card(kind), paper=paper, file_format="pdf")
        for kind in KINDS
        for paper in PAPERS_MM
    }


@pytest.fixture(scope="module")
def painted(pdfs: dict[tuple[str, str], bytes]) -> dict[tuple[str, str], PaintedPaths]:
    return {key: PaintedPaths(pdf) for key, pdf in pdfs.items()}


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("kind", KINDS)
def test_pdf_page_is_the_paper(
    painted: dict[tuple[str, str], PaintedPaths], kind: str, paper: str
) -> None:
    # A page box in whole points, as is usual for A4, is up to 0.18 mm off.
    assert painted[kind, paper].size_mm == pytest.approx(PAPERS_MM[paper], abs=0.18)


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("kind", KINDS)
def test_pdf_draws_every_inked_thing_at_true_size(
    painted: dict[tuple[str, str], PaintedPaths], kind: str, paper: str
) -> None:
    card = newest_card(kind)
    paths = painted[kind, paper]
    lane = card.lane("banded")
    (outline,) = _near(paths.stroked, card.width_mm, card.height_mm)
    found = sorted(
        (x - outline[0], y - outline[1], width, height)
        for x, y, width, height in paths.filled
        if abs(height - lane.height_mm) < 0.02 and width > 5
    )
    wanted = [
        (b.from_mm, lane.y_mm, b.to_mm - b.from_mm, lane.height_mm)
        for b in lane.bands
        if b.ground == "dark"
    ]
    assert np.array(found) == pytest.approx(np.array(wanted), abs=0.01)
    marker = card.markers[0]
    # The top row of a marker is one black run along its side.
    frames = _near(paths.filled, marker.side_mm, marker.side_mm / 8)
    first = min(frames, key=lambda b: b[0] + b[1])
    assert first[0] - outline[0] == pytest.approx(marker.x_mm, abs=0.01)
    assert first[1] - outline[1] == pytest.approx(marker.y_mm, abs=0.01)


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("kind", KINDS)
def test_pdf_check_bars_across_and_down(
    painted: dict[tuple[str, str], PaintedPaths], kind: str, paper: str
) -> None:
    filled = painted[kind, paper].filled
    bars = [b for b in filled if max(b[2], b[3]) > 60]
    # 100 mm and 4 in (25.4 mm to the inch, exactly), across and down.
    assert sorted(round(b[2], 2) for b in bars if b[2] > b[3]) == [100.0, 101.6]
    assert sorted(round(b[3], 2) for b in bars if b[3] > b[2]) == [100.0, 101.6]


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pocket_outline_is_an_id1_card(
    painted: dict[tuple[str, str], PaintedPaths], paper: str
) -> None:
    assert len(_near(painted["pocket", paper].stroked, *ID1_MM)) == 1


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("kind", KINDS)
def test_pdf_keeps_the_printer_margin_and_overlaps_nothing(
    painted: dict[tuple[str, str], PaintedPaths], kind: str, paper: str
) -> None:
    paths = painted[kind, paper]
    width, height = paths.size_mm
    for x, y, w, h in paths.filled + paths.stroked:
        assert x > MARGIN_MM - 0.2
        assert y > MARGIN_MM - 0.2
        assert x + w < width - MARGIN_MM + 0.2
        assert y + h < height - MARGIN_MM + 0.2
    card = newest_card(kind)
    (cut,) = _near(paths.stroked, card.width_mm, card.height_mm)
    bars = [b for b in paths.filled if max(b[2], b[3]) > 60]
    for x, y, w, h in bars:
        beside = x + w < cut[0] or x > cut[0] + cut[2]
        above_or_below = y + h < cut[1] or y > cut[1] + cut[3]
        assert beside or above_or_below


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("kind", KINDS)
def test_pdf_is_vector_with_its_advice_as_text(
    pdfs: dict[tuple[str, str], bytes], kind: str, paper: str
) -> None:
    reader = PdfReader(io.BytesIO(pdfs[kind, paper]))
    (page,) = reader.pages
    text = page.extract_text()
    for words in ("100 %", "no fit to page", "100 mm", "4 in", "Stop the wheel", f"{kind} 1"):
        assert words in text
    assert ("number side down" in text) == (kind == "pocket")
    forms = page["/Resources"].get("/XObject", {})
    assert not [f for f in forms.values() if f.get_object().get("/Subtype") == "/Image"]
    assert all(
        "/FontFile2" in font["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        for font in (f.get_object() for f in page["/Resources"]["/Font"].values())
    )


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("kind", KINDS)
def test_svg_is_the_same_sheet_in_millimetres(kind: str, paper: str) -> None:
    card = newest_card(kind)
    root = ElementTree.fromstring(card_file(card, paper=paper, file_format="svg"))
    width, height = PAPERS_MM[paper]
    assert root.attrib["width"] == f"{width:g}mm"
    assert root.attrib["height"] == f"{height:g}mm"
    assert [float(v) for v in root.attrib["viewBox"].split()] == [0, 0, width, height]
    space = {"svg": "http://www.w3.org/2000/svg"}
    cuts = root.findall("svg:rect[@class='cut']", space)
    assert float(cuts[0].attrib["width"]) == card.width_mm
    assert float(cuts[0].attrib["height"]) == card.height_mm
    bars = root.findall("svg:rect[@class='check-bar']", space)
    sides = sorted(max(float(b.attrib["width"]), float(b.attrib["height"])) for b in bars)
    assert sides == [100.0, 100.0, 101.6, 101.6]
    ink = root.find("svg:path[@id='ink']", space)
    assert ink is not None
    drawn = re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)h-[\d.]+z", ink.attrib["d"])
    area = sum(float(w) * float(h) for _, _, w, h in drawn)
    expected = sum(w * h for _, _, w, h in lay_out(card, paper).ink_mm)
    assert area == pytest.approx(expected, rel=1e-4)
    text = " ".join(t.text or "" for t in root.findall("svg:text", space))
    assert "no fit to page" in text


@pytest.mark.parametrize(("kind", "dpi"), [("desk", 300), ("pocket", 600)])
def test_png_says_its_dpi_and_has_the_cards_size(kind: str, dpi: int) -> None:
    card = newest_card(kind)
    with Image.open(io.BytesIO(card_png(card, dpi))) as image:
        # PNG stores whole pixels per metre (ISO/IEC 15948, pHYs).
        assert image.info["dpi"] == pytest.approx((dpi, dpi), abs=0.02)
        assert image.mode == "L"
        assert image.width == round(card.width_mm * dpi / 25.4)
        assert image.height == round(card.height_mm * dpi / 25.4)


@pytest.mark.parametrize("kind", KINDS)
def test_png_lanes_are_blank_and_dark_bands_solid(kind: str) -> None:
    card = newest_card(kind)
    with Image.open(io.BytesIO(card_png(card, 300))) as image:
        pixels = np.asarray(image)
    per_mm = np.array(pixels.shape) / (card.height_mm, card.width_mm)
    lane = card.lane("open")
    top, bottom = lane.y_mm * per_mm[0], (lane.y_mm + lane.height_mm) * per_mm[0]
    left, right = lane.x_mm * per_mm[1], (lane.x_mm + lane.width_mm) * per_mm[1]
    window = pixels[int(top) : int(np.ceil(bottom)), int(left) : int(np.ceil(right))]
    assert window.min() == 255
    around = pixels[int(top) - 5 : int(bottom) + 6, int(left) - 5 : int(right) + 6]
    assert around.min() < 200
    banded = card.lane("banded")
    rows = slice(
        int(np.ceil(banded.y_mm * per_mm[0])),
        int((banded.y_mm + banded.height_mm) * per_mm[0]),
    )
    for band in banded.bands:
        columns = slice(int(np.ceil(band.from_mm * per_mm[1])), int(band.to_mm * per_mm[1]))
        assert np.unique(pixels[rows, columns]).tolist() == [0 if band.ground == "dark" else 255]


def test_png_edges_carry_their_exact_share_of_light() -> None:
    # At 127 dpi a millimetre is 5 pixels: the pocket card's band edge at 12.8 mm falls on a
    # pixel edge, its marker modules of 7/8 mm (4.375 px) do not. Shares by hand.
    card = newest_card("pocket")
    with Image.open(io.BytesIO(card_png(card, 127))) as image:
        light = decode_srgb(np.asarray(image))
    marker = card.markers[0]
    assert (marker.x_mm, marker.y_mm, marker.side_mm) == (2.9, 3.49, 7.0)
    # x from 14.5 to 49.5 px: the first and last columns of the black frame are half inked.
    # Rows run from 17.45 * 270/269.9 px; row 19 lies wholly in the frame's top bar.
    assert light[19, 13] == pytest.approx(1.0)
    assert light[19, 14] == pytest.approx(0.5, abs=0.004)
    assert light[19, 30] == pytest.approx(0.0)
    assert light[19, 49] == pytest.approx(0.5, abs=0.004)
    assert light[19, 50] == pytest.approx(1.0)


@pytest.mark.parametrize("kind", KINDS)
def test_opencv_finds_every_marker_of_the_png(kind: str) -> None:
    card = newest_card(kind)
    with Image.open(io.BytesIO(card_png(card, 300))) as image:
        pixels = np.pad(np.asarray(image), 40, constant_values=255)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARKER_FAMILY))
    corners, numbers, _ = detector.detectMarkers(pixels)
    assert sorted(numbers.ravel().tolist()) == sorted(m.number for m in card.markers)
    by_number = dict(zip(numbers.ravel().tolist(), corners, strict=True))
    for marker in card.markers:
        expected = marker.corners_mm() * 300 / 25.4 + 40 - 0.5
        # Whole-pixel corners unless asked for better; the order must be the card's.
        assert np.abs(by_number[marker.number][0] - expected).max() < 1.5
