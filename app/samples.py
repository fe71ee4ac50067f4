"""Where the shipped sample pictures are: in the installed package or in a checkout."""

from __future__ import annotations

from pathlib import Path

from app.batch import pictures_in

DEMO_PICTURE = "three_singles_desk.jpg"
SAMPLE_VIDEO = "live_single.mp4"


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


def sample_video() -> Path | None:
    """The video that the window plays as its sample source, or None when it did not come along."""
    folder = samples_folder()
    if folder is None:
        return None
    video = folder / SAMPLE_VIDEO
    return video if video.is_file() else None
