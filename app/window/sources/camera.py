"""A camera as a source, through Qt's own list of devices."""

from __future__ import annotations

import threading
import time
from typing import Final

from PySide6.QtCore import QCameraPermission, QCoreApplication, QObject, Qt, QTimer, Slot
from PySide6.QtMultimedia import (
    QCamera,
    QCameraDevice,
    QCameraFormat,
    QMediaCaptureSession,
    QMediaDevices,
    QVideoFrame,
    QVideoFrameFormat,
    QVideoSink,
)

from app.window.frame import SourceState
from app.window.sources.camera_watch import CameraId, CameraOffer, CameraWatch, best_offer
from app.window.sources.source import ThreadedSource
from app.window.sources.video_frames import rgb_of

_LOOK_EVERY_MS: Final = 500
_Format = QVideoFrameFormat.PixelFormat
_EFFORT: Final = {
    _Format.Format_NV12: 0,
    _Format.Format_YUV420P: 0,
    _Format.Format_YUYV: 1,
    _Format.Format_UYVY: 1,
    _Format.Format_BGRA8888: 1,
    _Format.Format_Jpeg: 2,
}
_OTHER_EFFORT: Final = 3


class CameraSource(ThreadedSource):
    """One camera, found again by its name when it was unplugged, never swapped for another.

    What the camera mirrors stays mirrored. Frames carry the time they arrived.
    """

    def __init__(self, camera: CameraId, parent: QObject | None = None) -> None:
        super().__init__(camera.name, parent)
        self._id = camera
        self._watch = CameraWatch(camera.name)
        self._camera: QCamera | None = None
        self._session: QMediaCaptureSession | None = None
        self._rate = 0.0
        self._frame_ready = threading.Condition()
        self._raw: tuple[QVideoFrame, float] | None = None
        self._devices = QMediaDevices(self)
        self._devices.videoInputsChanged.connect(self._step)
        self._sink = QVideoSink(self)
        # Straight away, in whichever thread it comes: only the newest is kept, none queues up.
        self._sink.videoFrameChanged.connect(self._keep, Qt.ConnectionType.DirectConnection)
        self._timer = QTimer(self)
        self._timer.setInterval(_LOOK_EVERY_MS)
        self._timer.timeout.connect(self._step)
        self.frame.connect(self._runs)

    def _begin(self) -> None:
        self._watch = CameraWatch(self.name)
        super()._begin()
        application = QCoreApplication.instance()
        permission = QCameraPermission()
        asked = Qt.PermissionStatus.Undetermined
        if application is not None and application.checkPermission(permission) == asked:
            application.requestPermission(permission, self, lambda _: self._allowed())
        else:
            self._allowed()

    def _allowed(self) -> None:
        """Go on once the person has answered the system's question whether we may look."""
        application = QCoreApplication.instance()
        denied = Qt.PermissionStatus.Denied
        if not self._running or application is None:
            return
        if application.checkPermission(QCameraPermission()) == denied:
            self._say(
                SourceState(
                    "failed",
                    "The system does not let this program use the camera.",
                    "Allow it in the system's privacy settings and choose the camera again.",
                )
            )
            return
        self._timer.start()
        self._step()

    def _end(self) -> None:
        self._timer.stop()
        self._close()
        super()._end()
        self._raw = None

    def _wake(self) -> None:
        with self._frame_ready:
            self._frame_ready.notify()

    @Slot()
    def _step(self) -> None:
        if not self._timer.isActive():
            return
        device = self._device()
        step = self._watch.step(time.monotonic(), device is not None)
        if step.close:
            self._close()
        if step.open and device is not None:
            self._open(device)
        if step.state is not None:
            self._say(step.state)

    @Slot()
    def _runs(self) -> None:
        # Not half a second after the picture is there.
        if self.current_state.kind != "running":
            self._step()

    def _device(self) -> QCameraDevice | None:
        devices = QMediaDevices.videoInputs()
        ids = [CameraId(d.description(), bytes(d.id().data()).hex()) for d in devices]
        which = self._id.among(ids)
        return None if which is None else devices[which]

    def _open(self, device: QCameraDevice) -> None:
        camera = QCamera(device, self)
        chosen = best_format(device.videoFormats())
        if chosen is not None:
            camera.setCameraFormat(chosen)
            self._rate = chosen.maxFrameRate()
        camera.errorOccurred.connect(self._fail)
        session = QMediaCaptureSession(self)
        session.setCamera(camera)
        session.setVideoSink(self._sink)
        self._camera, self._session = camera, session
        camera.start()

    def _close(self) -> None:
        if self._camera is not None and self._session is not None:
            self._camera.errorOccurred.disconnect(self._fail)
            self._camera.stop()
            # Qt takes null here, though PySide's types do not say so.
            self._session.setVideoSink(None)  # type: ignore[arg-type]
            self._session.setCamera(None)  # type: ignore[arg-type]
            self._session.deleteLater()
            self._camera.deleteLater()
        self._camera = self._session = None

    @Slot(QCamera.Error, str)
    def _fail(self, error: QCamera.Error, text: str) -> None:
        if error != QCamera.Error.NoError:
            self._watch.saw_error(text)
            # Later, as the camera is still in the middle of telling.
            QTimer.singleShot(0, self._step)

    def _keep(self, frame: QVideoFrame) -> None:
        if frame.isValid():
            with self._frame_ready:
                self._raw = QVideoFrame(frame), time.monotonic()
                self._frame_ready.notify()

    def _work(self, stopping: threading.Event) -> None:
        while True:
            with self._frame_ready:
                while self._raw is None and not stopping.is_set():
                    self._frame_ready.wait()
                raw, self._raw = self._raw, None
            if stopping.is_set() or raw is None:
                return
            frame, arrived_s = raw
            pixels = rgb_of(frame)
            # Given back before anything waits: a camera has few of these.
            del frame, raw
            if pixels is None:
                self._watch.saw_error("in a form that cannot be read")
                continue
            height, width = pixels.shape[:2]
            rate = f", {self._rate:.0f} a second" if self._rate else ""
            self._watch.saw_frame(arrived_s, f"{width} x {height}{rate}")
            if not stopping.is_set():
                self._hand_frame(pixels, arrived_s)


def best_format(formats: list[QCameraFormat]) -> QCameraFormat | None:
    """The format to run the camera in, None when it offers none (it then chooses itself)."""
    which = best_offer(
        [
            CameraOffer(
                form.resolution().width(),
                form.resolution().height(),
                form.maxFrameRate(),
                _EFFORT.get(form.pixelFormat(), _OTHER_EFFORT),
            )
            for form in formats
        ]
    )
    return None if which is None else formats[which]
