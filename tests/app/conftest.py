from __future__ import annotations

import os
from pathlib import Path

import analytic
import numpy as np
import pytest

from app.qt_setup import forget_opencv_plugins
from measure.card import newest_card
from measure.results import (
    Along,
    Caution,
    Outline,
    PictureReading,
    Refusal,
    ScaleSummary,
    StrandReading,
    UnevenPlace,
    WeightClass,
)

PX_PER_MM = 5.0


@pytest.fixture(scope="session", autouse=True)
def application(request: pytest.FixtureRequest) -> None:
    """One QApplication for all tests: drawing a card makes a smaller one where there is none."""
    if not os.environ.get("DISPLAY"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    forget_opencv_plugins()
    request.getfixturevalue("qapp")


def strand(number: int, y_px: float, diameter_mm: float) -> StrandReading:
    """A level strand of 100 mm with a gap from 50 to 55 mm and one thick and one thin place."""
    position = np.arange(0.0, 100.0, 0.25)
    diameter = diameter_mm * (1 + 0.05 * np.sin(position / 9.0))
    diameter[200:220] = np.nan
    centre = np.stack([40 + position * PX_PER_MM, np.full(len(position), y_px)], axis=1)
    half = np.nan_to_num(diameter, nan=diameter_mm)[:, None] * PX_PER_MM / 2 * np.array([0, 1])
    left, right = centre - half, centre + half
    left[200:220] = right[200:220] = np.nan
    u = 0.01 * diameter_mm
    low, high = diameter_mm - 2 * u, diameter_mm + 2 * u
    return StrandReading(
        number=number,
        lane="banded",
        ground="both",
        diameter_mm=diameter_mm,
        u_diameter_mm=u,
        diameter_interval_mm=(low, high),
        wpi=25.4 / diameter_mm,
        wpi_interval=(25.4 / high, 25.4 / low),
        weight_classes=(WeightClass(1, "Super Fine"), WeightClass(2, "Fine")),
        cv_percent=6.25 if number == 1 else None,
        length_mm=95.0,
        along=Along(
            position,
            diameter,
            np.full(len(position), 0.02),
            np.where(position % 28 < 14, "dark", "light"),
        ),
        uneven_places=(
            UnevenPlace("thick", 50, 20.0, 23.0, 31.0),
            UnevenPlace("thick", 70, 21.0, 22.0, 31.0),
            UnevenPlace("thick", 50, 30.0, 31.0, 24.0),
            UnevenPlace("thin", -50, 80.0, 82.0, -33.0),
        ),
        halo_ratio=1.4,
        light_mm=diameter_mm * 1.01,
        dark_mm=diameter_mm * 0.99,
        agreement_percent=2.0,
        budget_mm={"scale": 0.6 * u, "edges": 0.8 * u},
        width_px=diameter_mm * PX_PER_MM,
        outline=Outline(centre, left, right),
        cautions=(Caution("soft_focus", "The picture is soft for so fine a strand."),),
    )


@pytest.fixture
def reading() -> PictureReading:
    """Two strands read and one refused, in a picture of 600 x 400 pixels."""
    return PictureReading(
        width_px=600,
        height_px=400,
        scale=ScaleSummary("card", True, "desk 1", 1 / PX_PER_MM, 0.002, 3.2, 39, 0.08, 0.9),
        strands=(strand(1, 150.0, 1.25), strand(2, 175.0, 1.60)),
        refusals=(
            Refusal("beside_lane", "A strand lies along the lane’s edge.", "Lay it down.", 3),
        ),
        cautions=(Caution("sharpened", "The camera sharpened the picture."),),
    )


@pytest.fixture
def empty_reading() -> PictureReading:
    """A picture without a card."""
    return PictureReading(
        320, 200, None, (), (Refusal("no_card", "No card was found.", "Show more of it."),)
    )


DRAWN_MM = (1.2, 0.8)


@pytest.fixture(scope="session")
def drawn_mm() -> tuple[float, ...]:
    """True diameters of the strands in the picture `drawn`, top to bottom."""
    return DRAWN_MM


@pytest.fixture(scope="session")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A JPEG from closed forms: a round strand in each lane under an even sky."""
    picture, _ = analytic.draw(
        newest_card("pocket"),
        [
            analytic.Strand("banded", -2.0, DRAWN_MM[0], (0.3, 0.3, 0.3)),
            analytic.Strand("open", 0.0, DRAWN_MM[1], (0.35, 0.12, 0.4)),
        ],
        analytic.Light(),
        analytic.Camera(px_per_mm=16.0),
        seed=1,
        open_lane="bright",
    )
    file = tmp_path_factory.mktemp("drawn") / "two strands ü.jpg"
    file.write_bytes(analytic.to_jpeg(picture))
    return file


@pytest.fixture(scope="session")
def no_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture that shows nothing."""
    file = tmp_path_factory.mktemp("blank") / "blank.png"
    file.write_bytes(analytic.to_png(np.full((480, 640, 3), 200, np.uint8)))
    return file
