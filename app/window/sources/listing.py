"""What can be chosen as a source now, each with a key to remember it by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from PySide6.QtCore import QObject, Signal

from app.samples import sample_video
from app.window.sources.camera_watch import CameraId
from app.window.sources.folder import FolderSource
from app.window.sources.multimedia import multimedia
from app.window.sources.source import Source
from app.window.sources.still import StillSource
from app.window.sources.video import VideoSource, is_video

SAMPLE = "sample"
_SAMPLE_NAME = "Sample video"
_CAMERA, _VIDEO, _FOLDER, _PICTURE = "camera:", "video:", "folder:", "picture:"


@dataclass(frozen=True)
class Choice:
    """A source that can be chosen without looking for a file."""

    key: str
    name: str
    kind: Literal["camera", "sample"]


class SourceError(Exception):
    """No such source, and why: `text` says the cause and `advice` what to do."""

    def __init__(self, text: str, advice: str) -> None:
        super().__init__(text, advice)
        self.text = text
        self.advice = advice

    def __str__(self) -> str:
        return self.text


class SourceList(QObject):
    """The cameras plugged in and the sample video; `changed` when a camera comes or goes."""

    changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        qt = multimedia()
        self._devices = qt.QMediaDevices(self) if qt is not None else None
        if self._devices is not None:
            self._devices.videoInputsChanged.connect(self.changed)

    @property
    def no_cameras(self) -> str:
        """A sentence when cameras cannot be used on this computer at all, else empty."""
        if self._devices is not None:
            return ""
        return (
            "Cameras cannot be used: a system library is missing (Debian, Ubuntu: "
            "apt install libpulse0)."
        )

    def choices(self) -> list[Choice]:
        """Cameras by their names, the system's own choice first, then the sample video."""
        found = [Choice(_CAMERA + camera.key, name, "camera") for camera, name in self._cameras()]
        if sample_video() is not None:
            found.append(Choice(SAMPLE, _SAMPLE_NAME, "sample"))
        return found

    def listed_key(self, key: str) -> str:
        """The key under which a remembered source is listed now, itself when it is not.

        They differ for a camera that was plugged in elsewhere since.
        """
        if not key.startswith(_CAMERA):
            return key
        cameras = [camera for camera, _ in self._cameras()]
        which = CameraId.from_key(key.removeprefix(_CAMERA)).among(cameras)
        return key if which is None else _CAMERA + cameras[which].key

    def _cameras(self) -> list[tuple[CameraId, str]]:
        if self._devices is None:
            return []
        first = self._devices.defaultVideoInput()
        devices = sorted(self._devices.videoInputs(), key=lambda device: device != first)
        cameras = [CameraId(d.description(), bytes(d.id().data()).hex()) for d in devices]
        return list(zip(cameras, told_apart([camera.name for camera in cameras]), strict=True))


def told_apart(names: Sequence[str]) -> list[str]:
    """The names, with a number behind those that several cameras share."""
    seen: dict[str, int] = {}
    out = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        out.append(f"{name} ({seen[name]})" if seen[name] > 1 else name)
    return out


def key_of_path(path: Path) -> str:
    """The key of a file or folder: a video by its ending, a folder, else a picture."""
    path = Path(path).absolute()
    if path.is_dir():
        return f"{_FOLDER}{path}"
    return f"{_VIDEO if is_video(path) else _PICTURE}{path}"


def name_of_key(key: str) -> str:
    """What to call a remembered source, also while it is away."""
    if key == SAMPLE:
        return _SAMPLE_NAME
    if key.startswith(_CAMERA):
        return CameraId.from_key(key.removeprefix(_CAMERA)).name
    for prefix in (_VIDEO, _FOLDER, _PICTURE):
        if key.startswith(prefix):
            return Path(key.removeprefix(prefix)).name
    return key


def open_source(key: str, parent: QObject | None = None) -> Source:
    """The source of that key, not started; a bare file name is taken for its file.

    Raises SourceError when there is no such source and there never will be by waiting; a camera or
    file that is only away just now is waited for by the source itself.
    """
    if key == SAMPLE:
        sample = sample_video()
        if sample is None:
            raise SourceError(
                "This copy came without the sample video.",
                "Open a picture or a video of your own, or choose a camera.",
            )
        return VideoSource(sample, _SAMPLE_NAME, endless=True, parent=parent)
    if key.startswith(_CAMERA):
        if multimedia() is None:
            raise SourceError(SourceList().no_cameras, "Install it and start Slubwise again.")
        from app.window.sources.camera import CameraSource

        return CameraSource(CameraId.from_key(key.removeprefix(_CAMERA)), parent)
    for prefix in (_VIDEO, _FOLDER, _PICTURE):
        if key.startswith(prefix):
            return _open_path(prefix, Path(key.removeprefix(prefix)), parent)
    if not Path(key).exists():
        raise SourceError(
            f"There is no file, folder or source called {key}.",
            "Name a picture, a video, a folder, or sample.",
        )
    return open_source(key_of_path(Path(key)), parent)


def _open_path(prefix: str, path: Path, parent: QObject | None) -> Source:
    if prefix == _VIDEO:
        return VideoSource(path, parent=parent)
    if prefix == _FOLDER:
        return FolderSource(path, parent)
    return StillSource([path], parent)
