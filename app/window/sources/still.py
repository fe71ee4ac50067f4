"""Single pictures: opened, dropped, pasted."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from PySide6.QtCore import QMimeData, QObject
from PySide6.QtGui import QImage

from app.batch import PICTURE_SUFFIXES
from app.window.frame import SourceState, Still
from app.window.sources.source import Source
from app.window.sources.video import is_video

_ENCODED: Final = ("image/tiff", "image/png", "image/jpeg", "image/webp", "image/heic", "image/bmp")
"""Kinds taken over byte by byte, first those that lose nothing."""
_PASTED: Final = "pasted picture"
_FILE_BYTES: Final = 14
_INFO_BYTES: Final = 108
"""Sizes of a BMP's two headers, the second in its version 4, which knows alpha."""


class StillSource(Source):
    """Picture files that were chosen: hands over each once, then has ended."""

    def __init__(self, paths: Sequence[Path], parent: QObject | None = None) -> None:
        name = paths[0].name if len(paths) == 1 else f"{len(paths)} pictures"
        super().__init__(name, parent)
        self._stills = [still_of(path) for path in paths]

    def _begin(self) -> None:
        for still in self._stills:
            self._hand(still)
        self._hand(SourceState("ended"))

    def _end(self) -> None:
        pass


@dataclass(frozen=True)
class Given:
    """What was dropped on the window or lies on the clipboard."""

    stills: tuple[Still, ...] = ()
    image: QImage | None = None
    """A picture that is offered as pixels alone: `still_of_image` makes a still of it."""
    place: Path | None = None
    """A video or a folder, to be opened as a source."""
    text: str = ""
    """A sentence when there is nothing to use."""


def still_of(path: Path) -> Still:
    """The picture in a file, not read yet."""
    return Still(path, path.name)


def given(mime: QMimeData) -> Given:
    """The pictures in a drop or on the clipboard, or the video or folder to open.

    Files are named, not read. A picture without a file is taken as the encoded bytes that are
    offered, so that nothing of it is lost, else as pixels.
    """
    paths = [Path(url.toLocalFile()) for url in mime.urls() if url.isLocalFile()]
    for path in paths:
        if is_video(path) or path.is_dir():
            return Given(place=path)
    # One file is tried whatever its name is; of several, those that are pictures by name.
    files = [p for p in paths if len(paths) == 1 or p.suffix.lower() in PICTURE_SUFFIXES]
    if files:
        return Given(stills=tuple(still_of(path) for path in files))
    for kind in _ENCODED:
        if mime.hasFormat(kind):
            data = bytes(mime.data(kind).data())
            if data:
                return Given(stills=(Still(data, _PASTED),))
    image = mime.imageData() if mime.hasImage() else None
    if isinstance(image, QImage) and not image.isNull():
        return Given(image=image)
    if paths:
        return Given(text="None of those files is a picture or a video that can be read here.")
    if mime.hasUrls():
        return Given(text="That is no picture on this computer. Save it first, then open the file.")
    return Given(text="There is no picture to paste. Copy a picture or a picture file first.")


def still_of_image(image: QImage) -> Still:
    """Pixels as a still; some 80 ms for 12 megapixels, so not in the thread that draws."""
    return Still(_encoded(image), _PASTED)


def _encoded(image: QImage) -> bytes:
    """The pixels as a BMP file: they lie in memory as that has them, so it costs one copy."""
    alpha = image.hasAlphaChannel()
    kind = QImage.Format.Format_ARGB32 if alpha else QImage.Format.Format_RGB32
    image = image.convertToFormat(kind)
    width, height, size = image.width(), image.height(), image.sizeInBytes()
    # A negative height: the top line comes first. 3: the masks say which byte is which.
    info = struct.pack(
        "<IiiHHIIiiII4I52x",
        _INFO_BYTES, width, -height, 1, 32, 3, size,
        image.dotsPerMeterX(), image.dotsPerMeterY(), 0, 0,
        0xFF0000, 0xFF00, 0xFF, 0xFF000000 if alpha else 0,
    )  # fmt: skip
    start = _FILE_BYTES + _INFO_BYTES
    head = struct.pack("<2sIHHI", b"BM", start + size, 0, 0, start)
    return b"".join((head, info, image.constBits()))
