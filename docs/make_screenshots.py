"""Takes the pictures of the window that the documents show.

    python docs/make_screenshots.py [--out FOLDER] [--all]

Opens the real window on sample pictures, with a notebook that is made for it, and saves each page
in the light and the dark theme; "plying" is the gauge on plied yarn. `--all` adds every page at
twice the pixels, at the smallest size, and with letters half as large again. It needs no display:
run it with QT_QPA_PLATFORM=offscreen, or under xvfb-run. Readings in the notebook are made up for
show.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import subprocess
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

ROOT: Final = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

if TYPE_CHECKING:
    from app.notebook.records import Posture
    from app.notebook.store import Notebook
    from measure.results import StrandReading

PAGES: Final = ("gauge", "plying", "spins", "plan", "bobbins", "skeins", "card")
_PICTURE: Final = ROOT / "sample_images" / "fuzzy_single_phone.jpg"
_PLIED_PICTURE: Final = ROOT / "sample_images" / "three_ply_phone.jpg"
_SETTLE_MS: Final = 6000
"""After the picture was measured: what a page works out itself, on a busy machine."""


def make_notebook(file: Path) -> str:
    """Three bobbins of a spin of our own, the last of them drifting; the id of the last."""
    from app.notebook.records import Aim
    from app.notebook.store import Notebook
    from measure import measure_picture
    from measure.band import Band

    chance = random.Random(20)
    strand = measure_picture(_PICTURE).strands[0]
    band = Band.from_wpi(28, 33)
    begun = datetime(2026, 11, 16, 18, 5, tzinfo=UTC)
    with Notebook.open(file) as notebook:
        _make_skeins(notebook, strand, chance)
        spin = notebook.add_spin(
            "Heather hat",
            fibre="Shetland and silk",
            colour_note="plum to grey",
            prepared_g=120.0,
            aim=Aim(band.low_mm, band.high_mm, 3, "Light", "a hat for the cold months"),
        )
        bobbin_id = ""
        for place, (name, middle, slope) in enumerate(
            (("Bobbin 1", 30.8, 0.0), ("Bobbin 2", 30.2, 0.0), ("Bobbin 3", 31.0, -0.09))
        ):
            bobbin_id = notebook.add_bobbin(spin.id, name).id
            for evening in range(2):
                at = begun + timedelta(days=3 * place + evening)
                numbers = range(14 * evening, 14 * evening + 14)
                ratios = [
                    strand.wpi / (middle + slope * number + chance.gauss(0.0, 0.45))
                    for number in numbers
                ]
                low, high = strand.diameter_interval_mm
                readings = [
                    replace(
                        strand,
                        diameter_mm=strand.diameter_mm * ratio,
                        diameter_interval_mm=(low * ratio, high * ratio),
                        wpi=strand.wpi / ratio,
                    )
                    for ratio in ratios
                ]
                spun_g = [1.4 * number for number in numbers]
                _log_sitting(notebook, bobbin_id, at, readings, 4, "tension", spun_g)
    return bobbin_id


def _make_skeins(notebook: Notebook, strand: StrandReading, chance: random.Random) -> None:
    """Skeins of earlier spins, read at every stage, for the plan to learn from."""
    from app.notebook.records import Aim
    from app.notebook.skein_records import LAYERS
    from app.skein_values import with_written
    from measure.ply_geometry import ply_factor

    begun = datetime(2026, 9, 2, 18, 30, tzinfo=UTC)
    for place, (name, fibre, plies, single_mm, over, bloom) in enumerate(
        (
            ("Moss cowl", "Shetland", 3, 0.74, 1.04, 1.09),
            ("Fog mitts", "Shetland and silk", 3, 0.69, 1.01, 1.06),
            ("Rust socks", "merino and nylon", 3, 0.52, 0.97, 1.12),
            ("Oat shawl", "alpaca", 2, 0.58, 1.06, 1.03),
        )
    ):
        spin = notebook.add_spin(name, fibre=fibre, aim=Aim(plies=plies))
        at = begun + timedelta(days=12 * place)
        bobbins = [notebook.add_bobbin(spin.id, f"Bobbin {k + 1}") for k in range(plies)]
        for bobbin in bobbins:
            readings = [
                _times(strand, single_mm * math.exp(chance.gauss(0.0, 0.04)) / strand.diameter_mm)
                for _ in range(6)
            ]
            _log_sitting(notebook, bobbin.id, at, readings, 5, "tension")
        skein = notebook.add_skein(
            spin.id, "Skein 1", bobbin_ids=[b.id for b in bobbins], method="plied"
        )
        plied_mm = single_mm * ply_factor(plies) * over
        for washed, mean in ((False, plied_mm), (True, plied_mm * bloom)):
            for i in range(4):
                ratio = mean * math.exp(chance.gauss(0.0, 0.03)) / strand.diameter_mm
                notebook.add_section(
                    skein.id,
                    _times(strand, ratio),
                    taken_at=at + timedelta(days=2, minutes=i),
                    washed=washed,
                    layer=LAYERS[i % 3],
                    hour=1 + (5 * i + 6) % 12,
                    printed_card="",
                    source="made up for show",
                )
        said = {
            "weight": "98.5 g ± 0.5", "circumference": "1480 mm ± 8", "rounds": "148",
            "washed_on": "2026-10-20", "hang": "0", "care": "Hand wash cool, dry flat",
            "want": "Super Fine", "text": "Spun for the cold months.",
        }  # fmt: skip
        notebook.update_skein(with_written(skein, said))


def make_plied(file: Path) -> str:
    """A bobbin of plied yarn added to that notebook; its id."""
    from app.notebook.store import Notebook
    from measure import measure_picture

    chance = random.Random(21)
    strand = measure_picture(_PLIED_PICTURE).strands[0]
    at = datetime(2026, 11, 24, 18, 40, tzinfo=UTC)
    with Notebook.open(file) as notebook:
        spin = next(s for s in notebook.spins() if s.name == "Heather hat")
        bobbin_id = notebook.add_bobbin(spin.id, "Plied").id
        readings = [_times(strand, math.exp(chance.gauss(0.0, 0.02))) for _ in range(12)]
        spun_g = [2.5 * i for i in range(12)]
        _log_sitting(notebook, bobbin_id, at, readings, 4, "plied", spun_g)
    return bobbin_id


def _log_sitting(
    notebook: Notebook,
    bobbin_id: str,
    at: datetime,
    readings: list[StrandReading],
    minutes: int,
    posture: Posture,
    spun_g: list[float] | None = None,
) -> None:
    """One sitting of an hour, its readings so many minutes apart."""
    sitting = notebook.begin_sitting(bobbin_id, at).id
    for i, reading in enumerate(readings):
        notebook.log(
            sitting,
            reading,
            taken_at=at + timedelta(minutes=minutes * i),
            posture=posture,
            printed_card="",
            source="made up for show",
            spun_g=None if spun_g is None else spun_g[i],
        )
    notebook.end_sitting(sitting, at + timedelta(hours=1))


def _times(strand: StrandReading, ratio: float) -> StrandReading:
    low, high = strand.diameter_interval_mm
    return replace(
        strand,
        diameter_mm=strand.diameter_mm * ratio,
        u_diameter_mm=strand.u_diameter_mm * ratio,
        diameter_interval_mm=(low * ratio, high * ratio),
        wpi=strand.wpi / ratio,
        along=replace(strand.along, diameter_mm=strand.along.diameter_mm * ratio),
    )


def take(page: str, dark: bool, size: tuple[int, int], letters: float, to: Path) -> None:
    """One page of the window in this process, saved to a file."""
    from app.qt_setup import forget_opencv_plugins

    forget_opencv_plugins()
    from PySide6.QtCore import QTimer

    from app.window.main_window import MainWindow
    from app.window.preferences import Preferences
    from app.window.start import make_application
    from app.window.theme import DARK, LIGHT
    from measure.band import Band
    from measure.twist_band import TwistBand

    application = make_application()
    font = application.font()
    font.setPointSizeF(font.pointSizeF() * letters)
    application.setFont(font)
    with tempfile.TemporaryDirectory() as folder:
        preferences = Preferences(Path(folder) / "window.ini")
        preferences.bobbin = make_notebook(Path(folder) / "notebook.sqlite")
        preferences.band = Band.from_wpi(28, 33)
        source = _PICTURE
        if page == "plying":
            source = _PLIED_PICTURE
            preferences.bobbin = make_plied(Path(folder) / "notebook.sqlite")
            preferences.posture = "plied"
            preferences.band = Band.from_wpi(27, 32)
            preferences.twist_band = TwistBand.balancing(8.0, 0.86, 3)
        notebook = Path(folder) / "notebook.sqlite"
        window = MainWindow(preferences, source=str(source), notebook=notebook)
        window.set_theme(DARK if dark else LIGHT)
        window.resize(*size)
        window.show()
        window.show_page("gauge" if page == "plying" else page)

        def save() -> None:
            window.grab().save(str(to))
            _make_small(to)
            window.close()

        measured = window.gauge.session.still_measured
        measured.connect(lambda _: QTimer.singleShot(_SETTLE_MS, save))
        application.exec()


def _make_small(picture: Path) -> None:
    """Half the bytes: 256 colours are enough for a window."""
    from PIL import Image

    with Image.open(picture) as image:
        few = image.convert("RGB").quantize(256, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(picture, optimize=True)


def main() -> None:
    """Every picture in a process of its own: the scale of the pixels is set once per process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "images")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--pages", nargs="*", default=PAGES)
    parser.add_argument("--one", nargs=6, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        page, theme, width, height, letters, to = chosen.one
        take(page, theme == "dark", (int(width), int(height)), float(letters), Path(to))
        return
    chosen.out.mkdir(parents=True, exist_ok=True)
    kinds = [("", (1280, 820), 1.0, 1)]
    if chosen.all:
        kinds += [
            ("-2x", (1280, 820), 1.0, 2),
            ("-small", (1024, 700), 1.0, 1),
            ("-letters", (1024, 700), 1.5, 1),
        ]
    for page in chosen.pages:
        for theme in ("light", "dark"):
            for name, (width, height), letters, scale in kinds:
                to = chosen.out / f"{page}-{theme}{name}.png"
                environment = os.environ | {"QT_SCALE_FACTOR": str(scale)}
                subprocess.run(
                    [
                        sys.executable, __file__, "--one",
                        page, theme, str(width), str(height), str(letters), str(to),
                    ],
                    check=True, env=environment,
                )  # fmt: skip
                sys.stdout.write(f"{to}\n")


if __name__ == "__main__":
    main()
