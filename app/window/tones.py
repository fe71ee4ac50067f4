"""What is heard at the wheel, as numbers: a tone that tells thick from thin, and short signs.

The tone follows the strand. Its pitch falls as the strand grows thicker, as a string's does, and
rises as it grows thinner: half an octave at the band's ends, an octave at twice that. In the
middle half of the band it is silent, so that good spinning is quiet and nothing drones for hours;
it swells from there to the band's end, and beyond the end it throbs, so that outside is told from
nearly outside without an ear for pitch. Nothing read is silent too: that a reading was taken is
told by its own sign, two short notes, the first of which is the middle of the band and the second
the reading. Equal notes: right in the middle; the second lower: thick; higher: thin. A reading
taken back slides down.

Everything is continuous: pitch and loudness glide, phase never jumps, notes swell and die away.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from measure.results import Floats

MIDDLE_HZ: Final = 440.0
"""Heard for the middle of the band."""
_OCTAVES_TO_END: Final = 0.5
_FARTHEST: Final = 3.0
"""Positions beyond are heard alike: one and a half octaves."""
_SILENT: Final = 0.5
_GLIDE_S: Final = 0.06
_FADE_S: Final = 0.05
_THROBS_HZ: Final = 5.0
_THROB_DEPTH: Final = 0.65
_HARMONICS: Final = (1.0, 0.30, 0.12)
"""Fundamental, octave and twelfth: small speakers hardly give the lowest notes otherwise."""
_TONE_LEVEL: Final = 0.55
_SIGN_LEVEL: Final = 0.8
_NOTE_S: Final = 0.11
_NOTE_GAP_S: Final = 0.04
_SLIDE_S: Final = 0.28
_MOST_SIGNS: Final = 3
"""Signs that may wait; where nothing plays they must not pile up."""


def pitch_hz(position: float) -> float:
    """Pitch for a place in the band: -1 its thin end, 0 the middle, 1 the thick end."""
    held = min(max(position, -_FARTHEST), _FARTHEST)
    return MIDDLE_HZ * math.exp2(-held * _OCTAVES_TO_END)


def tone_level(position: float) -> float:
    """How loud the tone is there, 0 to 1: silent in the middle half, full from the ends on."""
    x = min(max((abs(position) - _SILENT) / (1.0 - _SILENT), 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


@dataclass(frozen=True)
class _Aim:
    """What the tone is to become."""

    log_hz: float = math.log(MIDDLE_HZ)
    level: float = 0.0
    throb: float = 0.0


class Tones:
    """Makes the samples, piece by piece, each going on where the last one ended.

    `aim`, `hush`, `logged`, `taken_back` and `set_volume` may be called from another thread than
    `render`: each replaces or appends one value.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._aim = _Aim()
        self._volume_aim = 0.0
        self._log_hz, self._level, self._throb = self._aim.log_hz, 0.0, 0.0
        self._volume = 0.0
        self._phase = 0.0
        self._throb_phase = 0.0
        self._signs: deque[Floats] = deque(maxlen=_MOST_SIGNS)
        self._playing: Floats = np.zeros(0)

    def begin(self, rate_hz: int) -> None:
        """Samples for another device from now on; signs that waited for one are late by now."""
        self.rate_hz = rate_hz
        self._signs.clear()

    def set_volume(self, volume: float) -> None:
        """Loudness of everything, 0 to 1."""
        self._volume_aim = volume

    def aim(self, position: float) -> None:
        """Let the tone tell this place in the band."""
        self._aim = _Aim(
            math.log(pitch_hz(position)),
            tone_level(position),
            1.0 if abs(position) > 1.0 else 0.0,
        )

    def hush(self) -> None:
        """Let the tone fade."""
        self._aim = _Aim(self._aim.log_hz, 0.0, self._aim.throb)

    def logged(self, position: float | None) -> None:
        """Sound the sign for a logged reading, at its place in the band if there is one."""
        second = MIDDLE_HZ if position is None else pitch_hz(position)
        gap = np.zeros(round(_NOTE_GAP_S * self.rate_hz))
        self._signs.append(
            np.concatenate([self._note(MIDDLE_HZ, MIDDLE_HZ), gap, self._note(second, second)])
        )

    def taken_back(self) -> None:
        """Sound the sign for a reading taken back."""
        self._signs.append(self._note(MIDDLE_HZ, MIDDLE_HZ / 4, _SLIDE_S))

    def render(self, count: int) -> NDArray[np.float32]:
        """The next `count` samples, (count,), within -1 and 1."""
        step = np.arange(1, count + 1) / self.rate_hz
        samples = self._tone(step) + self._sign(count)
        volume = _gliding(self._volume, self._volume_aim, step, _FADE_S)
        self._volume = float(volume[-1]) if count else self._volume
        return np.tanh(samples * volume).astype(np.float32)

    def _tone(self, step: Floats) -> Floats:
        aim = self._aim
        count = len(step)
        if not count:
            return np.zeros(0)
        if aim.level == 0.0 and self._level < 1e-5:
            # Nothing to be heard: the next tone begins at its own pitch.
            self._level, self._log_hz, self._throb = 0.0, aim.log_hz, aim.throb
            return np.zeros(count)
        if self._level == 0.0:
            self._log_hz, self._throb = aim.log_hz, aim.throb
        log_hz = _gliding(self._log_hz, aim.log_hz, step, _GLIDE_S)
        level = _gliding(self._level, aim.level, step, _FADE_S)
        throb = _gliding(self._throb, aim.throb, step, _FADE_S)
        phase = self._phase + np.cumsum(np.exp(log_hz)) / self.rate_hz
        beat = self._throb_phase + _THROBS_HZ * step
        wave = sum(
            (a * np.sin(2 * np.pi * (k + 1) * phase) for k, a in enumerate(_HARMONICS)),
            start=np.zeros(count),
        )
        swing = 1.0 - _THROB_DEPTH * throb * (0.5 - 0.5 * np.cos(2 * np.pi * beat))
        self._log_hz, self._level = float(log_hz[-1]), float(level[-1])
        self._throb = float(throb[-1])
        self._phase, self._throb_phase = float(phase[-1] % 1.0), float(beat[-1] % 1.0)
        return np.asarray(_TONE_LEVEL * level * swing * wave / sum(_HARMONICS))

    def _sign(self, count: int) -> Floats:
        """The next samples of the signs that wait, one after the other."""
        out = np.zeros(count)
        filled = 0
        while filled < count:
            if not len(self._playing):
                if not self._signs:
                    break
                self._playing = self._signs.popleft()
            piece = self._playing[: count - filled]
            out[filled : filled + len(piece)] = piece
            self._playing = self._playing[len(piece) :]
            filled += len(piece)
        return out

    def _note(self, from_hz: float, to_hz: float, seconds: float = _NOTE_S) -> Floats:
        """One note that swells in a few milliseconds and dies away, sliding if it is to."""
        t = np.arange(round(seconds * self.rate_hz)) / self.rate_hz
        log_hz = math.log(from_hz) + math.log(to_hz / from_hz) * t / seconds
        phase = np.cumsum(np.exp(log_hz)) / self.rate_hz
        swell = np.clip(t / 0.008, 0.0, 1.0)
        fall = np.clip((seconds - t) / (0.7 * seconds), 0.0, 1.0)
        shape = (0.5 - 0.5 * np.cos(np.pi * swell)) * (0.5 - 0.5 * np.cos(np.pi * fall))
        wave = np.sin(2 * np.pi * phase) + 0.2 * np.sin(4 * np.pi * phase)
        return np.asarray(_SIGN_LEVEL * shape * wave / 1.2)


def _gliding(start: float, end: float, step: Floats, seconds: float) -> Floats:
    """From `start` towards `end`, most of the way in `seconds`."""
    return np.asarray(end + (start - end) * np.exp(-3.0 * step / seconds))
