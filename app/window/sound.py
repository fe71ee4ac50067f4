"""Sound for eyes that are on the drafting: off, quiet, or on.

The samples are made in a thread of their own, which finds and fills the sound device, so that
neither waits for the window nor the window for it. Where there is no sound device that is said
once, and everything else goes on.
"""

from __future__ import annotations

import ctypes
import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import (
    QIODevice,
    QMessageLogContext,
    QObject,
    Qt,
    QThread,
    QTimer,
    QtMsgType,
    Signal,
    Slot,
    qInstallMessageHandler,
)

from app.format import rounded
from app.window.preferences import Sound, Unit
from app.window.sources.multimedia import multimedia
from app.window.tones import Tones
from measure.band import Band
from measure.live import LiveState
from measure.yarn import wpi_from_diameter

_VOLUMES: Final[dict[Sound, float]] = {"off": 0.0, "quiet": 0.12, "on": 0.5}
_RATE_HZ: Final = 48000
_BUFFER_S: Final = 0.15
"""Sound waiting in the device: enough to be smooth, and too little to be heard as late."""
_REFILL_MS: Final = 15
_NO_DEVICE: Final = "No sound device was found; sound begins by itself when there is one."
_NOT_PLAYING: Final = "The sound device does not play; everything else works without it."
_NO_SOUND: Final = "This computer lacks what Qt needs for sound (on Linux: libpulse)."


def encoded(samples: NDArray[np.float32], channels: int, floats: bool) -> bytes:
    """Samples (n,) as a sound device takes them: the same in every channel, 32 or 16 bits."""
    each = samples if floats else np.rint(samples * 32767).astype(np.int16)
    return np.repeat(each, channels).tobytes()


class _Player(QObject):
    """Lives in the sound thread and owns the device there.

    It keeps the device's own buffer filled. Read from by the device instead, Python would have to
    run within the few milliseconds of its callback, which a busy window does not always allow.
    """

    trouble = Signal(str)
    """Why there is no sound."""
    playing = Signal()
    """There is sound (again)."""

    def __init__(self, tones: Tones) -> None:
        super().__init__()
        self._tones = tones
        self._devices: Any = None
        self._sink: Any = None
        self._into: QIODevice | None = None
        self._channels, self._floats, self._frame = 2, False, 4
        self._timer: QTimer | None = None
        self._speech: Any = None
        self._speech_sought = False

    @Slot()
    def begin(self) -> None:
        """Find the device and play; looking for it may take a while, hence in this thread."""
        module = multimedia()
        if module is None:
            self.trouble.emit(_NO_SOUND)
            return
        self._devices = module.QMediaDevices(self)
        with _unsaid("PulseAudioService"):
            self._devices.audioOutputsChanged.connect(self._choose)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.setInterval(_REFILL_MS)
        self._timer.timeout.connect(self._refill)
        self._choose()

    @Slot()
    def end(self) -> None:
        """Stop playing and let go of the device."""
        self._stop()
        if self._speech is not None:
            self._speech.stop()
            self._speech = None
        if self._devices is not None:
            self._devices.audioOutputsChanged.disconnect(self._choose)
            self._devices = None

    @Slot(str)
    def speak(self, text: str) -> None:
        """Say it, if this system has a voice; a number that is still being said is cut short."""
        if not self._speech_sought:
            self._speech_sought = True
            self._speech = _speech(self)
        if self._speech is not None:
            self._speech.stop()
            self._speech.say(text)

    @Slot()
    def _choose(self) -> None:
        self._stop()
        device = self._devices.defaultAudioOutput()
        if device.isNull():
            self.trouble.emit(_NO_DEVICE)
            return
        module = multimedia()
        assert module is not None, "there is no device without the module"
        audio_format = self._format(module, device)
        self._floats = audio_format.sampleFormat() == module.QAudioFormat.SampleFormat.Float
        self._channels, self._frame = audio_format.channelCount(), audio_format.bytesPerFrame()
        self._tones.begin(audio_format.sampleRate())
        self._sink = module.QAudioSink(device, audio_format)
        self._sink.setBufferSize(audio_format.bytesForDuration(round(_BUFFER_S * 1e6)))
        self._into = self._sink.start()
        # By name: PySide has two enumerations of the same errors, which are never equal.
        if self._into is None or self._sink.error().name != "NoError":
            self._stop()
            self.trouble.emit(_NOT_PLAYING)
            return
        assert self._timer is not None, "made before the device was sought"
        self._timer.start()
        self.playing.emit()

    @staticmethod
    def _format(module: Any, device: Any) -> Any:
        audio_format = module.QAudioFormat()
        audio_format.setSampleRate(_RATE_HZ)
        audio_format.setChannelCount(2)
        audio_format.setSampleFormat(module.QAudioFormat.SampleFormat.Int16)
        if device.isFormatSupported(audio_format):
            return audio_format
        audio_format = device.preferredFormat()
        if audio_format.sampleFormat() != module.QAudioFormat.SampleFormat.Float:
            audio_format.setSampleFormat(module.QAudioFormat.SampleFormat.Int16)
        return audio_format

    @Slot()
    def _refill(self) -> None:
        if self._sink is None or self._into is None:
            return
        frames = self._sink.bytesFree() // self._frame
        if frames > 0:
            self._into.write(encoded(self._tones.render(frames), self._channels, self._floats))

    def _stop(self) -> None:
        if self._timer is not None:
            self._timer.stop()
        self._into = None
        if self._sink is not None:
            self._sink.stop()
            self._sink.deleteLater()
            self._sink = None


class Voice(QObject):
    """What is heard of the gauge; belongs to the window's thread and never makes it wait."""

    said = Signal(str)
    """A sentence for the person: why there is no sound."""
    _speak = Signal(str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._tones = Tones(_RATE_HZ)
        self._loudness: Sound = "off"
        self._band: Band | None = None
        self._thread: QThread | None = None
        self._player: _Player | None = None
        self._complained = False

    @property
    def tones(self) -> Tones:
        """The samples' maker."""
        return self._tones

    @property
    def loudness(self) -> Sound:
        """Off, quiet or on."""
        return self._loudness

    def set_loudness(self, loudness: Sound) -> None:
        """Off: nothing is heard. Quiet: tone and signs, softly. On: louder, and numbers spoken."""
        self._loudness = loudness
        self._tones.set_volume(_VOLUMES[loudness])
        if loudness == "off":
            self._tones.hush()
        elif self._thread is None:
            self._start()

    def follow(self, state: LiveState, band: Band | None) -> None:
        """Let the tone tell where the strand lies in the band."""
        self._band = band
        if self._loudness == "off" or band is None or state.diameter_mm is None or state.faded:
            self._tones.hush()
        else:
            self._tones.aim(band.position(state.diameter_mm))

    def confirm(self, diameter_mm: float, unit: Unit, wrap_factor: float = 1.0) -> None:
        """Tell that a reading was logged, and speak it where there is a voice."""
        if self._loudness == "off":
            return
        self._tones.logged(None if self._band is None else self._band.position(diameter_mm))
        if self._loudness == "on":
            self._speak.emit(spoken_number(diameter_mm, unit, wrap_factor))

    def take_back(self) -> None:
        """Tell that a reading was taken back."""
        if self._loudness != "off":
            self._tones.taken_back()

    def stop(self) -> None:
        """End the sound and its thread; it can be begun again."""
        self._tones.hush()
        if self._thread is None:
            return
        self._thread.quit()
        self._thread.wait()
        self._thread, self._player = None, None

    # --- the device -----------------------------------------------------------------------

    def _start(self) -> None:
        self._thread = QThread()
        self._thread.setObjectName("sound")
        self._player = _Player(self._tones)
        self._player.moveToThread(self._thread)
        self._speak.connect(self._player.speak)
        self._player.trouble.connect(self._complain)
        self._player.playing.connect(self._content)
        self._thread.started.connect(self._player.begin)
        # In the sound thread, as its last act: there the device was taken, there it is let go.
        self._thread.finished.connect(self._player.end)
        self._thread.finished.connect(self._player.deleteLater)
        self._thread.start()

    @Slot(str)
    def _complain(self, sentence: str) -> None:
        if not self._complained:
            self._complained = True
            self.said.emit(sentence)

    @Slot()
    def _content(self) -> None:
        self._complained = False


def spoken_number(diameter_mm: float, unit: Unit, wrap_factor: float = 1.0) -> str:
    """The figure as it is spoken: hundredths of a millimetre, or tenths of a wrap."""
    if unit == "mm":
        return rounded(diameter_mm, 2)
    return rounded(wpi_from_diameter(diameter_mm, wrap_factor), 1)


def _speech(parent: QObject) -> Any:
    """Qt's speech where this system has a voice; None else. To find out may take a while."""
    if sys.platform.startswith("linux"):
        try:
            ctypes.CDLL("libspeechd.so.2")
        except OSError:
            return None
    try:
        module = importlib.import_module("PySide6.QtTextToSpeech")
    except ImportError:
        return None
    speech = module.QTextToSpeech(parent)
    if speech.state() == module.QTextToSpeech.State.Error:
        speech.deleteLater()
        return None
    return speech


@contextmanager
def _unsaid(beginning: str) -> Iterator[None]:
    """Keep Qt from printing what begins so: that no sound server runs is said in our own words.

    It is printed outside all of Qt's logging categories, so that no rule turns it off.
    """
    before: Any = None

    def pass_on(kind: QtMsgType, context: QMessageLogContext, text: str) -> None:
        if text.startswith(beginning):
            return
        if callable(before):
            before(kind, context, text)
        else:
            sys.stderr.write(f"{text}\n")

    before = qInstallMessageHandler(pass_on)
    try:
        yield
    finally:
        qInstallMessageHandler(before)
