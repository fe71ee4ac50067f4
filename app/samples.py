"""Where the shipped sample pictures are: in the installed package or in a checkout."""

from __future__ import annotations

from pathlib import Path

from app.batch import pictures_in

DEMO_PICTURE = "three_singles_desk.jpg"


def samples_folder() -> Path | None:
    """The folder of sample pictures, or None when this copy came without them."""
    here = Path(__file__).resolve().parent
    for folder in (here / "sample_images", here.parent / "sample_images"):
        if folder.is_dir() and pictures_in(folder):
            return folder
    return None


def demo_picture() -> Path | None:
    """The sample that `slubwise demo` measures, or None when this copy came without samples."""
    folder = samples_folder()
    if folder is None:
        return None
    picture = folder / DEMO_PICTURE
    return picture if picture.is_file() else None
