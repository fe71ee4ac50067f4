"""The samples that are heard, as numbers: pitch by Fourier transform, no step, no clip."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.window.sound import encoded, spoken_number
from app.window.tones import MIDDLE_HZ, Tones, pitch_hz, tone_level

RATE = 48000


def tones(volume=1.0):
    made = Tones(RATE)
    made.set_volume(volume)
    made.render(RATE)  # the volume has glided up
    return made


def strongest_hz(samples):
    """The frequency of the strongest component, refined between two bins of the transform."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 1 << 18))
    return np.argmax(spectrum) * RATE / (1 << 18)


def loudness(samples):
    return float(np.sqrt(np.mean(np.square(samples))))


def test_pitch_is_half_an_octave_at_the_bands_ends_and_falls_as_a_strand_thickens():
    assert pitch_hz(0.0) == MIDDLE_HZ
    assert pitch_hz(1.0) == pytest.approx(MIDDLE_HZ / np.sqrt(2))
    assert pitch_hz(-1.0) == pytest.approx(MIDDLE_HZ * np.sqrt(2))
    assert pitch_hz(2.0) == pytest.approx(MIDDLE_HZ / 2)
    heard = [pitch_hz(p) for p in np.linspace(-5, 5, 41)]
    assert heard == sorted(heard, reverse=True)
    assert pitch_hz(9.0) == pitch_hz(3.0)


@pytest.mark.parametrize("position", [-2.5, -1.2, -0.9, 0.8, 1.0, 1.7, 3.0])
def test_the_tone_has_the_pitch_of_the_place(position):
    made = tones()
    made.aim(position)
    made.render(RATE // 2)
    samples = made.render(RATE)
    assert strongest_hz(samples) == pytest.approx(pitch_hz(position), rel=0.002)
    assert loudness(samples) > 0.02


@pytest.mark.parametrize("position", [-0.5, -0.3, 0.0, 0.45])
def test_the_middle_half_of_the_band_is_silent(position):
    made = tones()
    made.aim(position)
    assert loudness(made.render(RATE)) == 0.0
    made.aim(1.0)
    made.render(RATE // 2)
    made.aim(position)
    made.render(RATE // 2)
    assert loudness(made.render(RATE)) < 1e-6


def test_it_swells_towards_the_end_of_the_band():
    levels = []
    for position in (0.55, 0.65, 0.8, 1.0):
        made = tones()
        made.aim(position)
        made.render(RATE // 2)
        levels.append(loudness(made.render(RATE)))
    assert levels == sorted(levels)
    assert levels[0] < 0.1 * levels[-1]
    assert tone_level(1.0) == tone_level(7.0) == 1.0


def test_outside_the_band_it_throbs_five_times_a_second():
    def beat(position):
        made = tones()
        made.aim(position)
        made.render(RATE // 2)
        samples = made.render(2 * RATE).astype(float)
        envelope = np.sqrt(np.convolve(samples**2, np.ones(480) / 480, "valid"))[::480]
        swing = np.ptp(envelope[5:-5]) / envelope.max()
        spectrum = np.abs(np.fft.rfft(envelope - envelope.mean(), 4096))
        return swing, np.argmax(spectrum) * 100 / 4096

    assert beat(0.99)[0] < 0.1
    swing, rate = beat(1.2)
    assert swing > 0.5
    assert rate == pytest.approx(5.0, abs=0.2)


def test_a_hushed_tone_fades_within_a_fifth_of_a_second():
    made = tones()
    made.aim(1.5)
    made.render(RATE)
    made.hush()
    assert loudness(made.render(RATE // 100)) > 0.005
    made.render(RATE // 5)
    assert loudness(made.render(RATE // 10)) < 1e-4


changes = st.lists(
    st.tuples(
        st.sampled_from(["aim", "hush", "logged", "taken_back", "volume"]),
        st.floats(-4, 4),
        st.integers(1, 4000),
    ),
    min_size=1,
    max_size=12,
)


def act(made, what, value):
    if what == "aim":
        made.aim(value)
    elif what == "hush":
        made.hush()
    elif what == "logged":
        made.logged(value)
    elif what == "taken_back":
        made.taken_back()
    else:
        made.set_volume(abs(value) / 4)


@settings(max_examples=60, deadline=None)
@given(changes)
def test_whatever_happens_there_is_no_step_and_no_clipping(script):
    """Of a sum of sines no sample may differ from the next by more than their slopes allow."""
    made = tones()
    heard = []
    for what, value, count in script:
        act(made, what, value)
        heard.append(made.render(count))
    samples = np.concatenate(heard).astype(float)
    # Tone: 0.55 x (1, .30, .12 of harmonics 1 to 3 over 1.42) at 1245 Hz at most; sign: 0.8 x
    # (1, .2 of harmonics 1, 2 over 1.2) at as much. Swells and fades add under a tenth.
    top = 2 * np.pi * 1245 / RATE
    steepest = top * (0.55 * (1 + 2 * 0.30 + 3 * 0.12) / 1.42 + 0.8 * (1 + 2 * 0.2) / 1.2)
    assert np.abs(np.diff(samples)).max(initial=0.0) <= 1.1 * steepest
    assert np.abs(samples).max() < 1.0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 3000), min_size=2, max_size=10))
def test_the_pieces_it_is_asked_for_make_no_difference(sizes):
    whole, pieces = tones(), tones()
    for made in (whole, pieces):
        made.aim(1.4)
        made.logged(-1.0)
    at_once = whole.render(sum(sizes))
    in_pieces = np.concatenate([pieces.render(n) for n in sizes])
    assert np.abs(at_once - in_pieces).max() < 1e-5


def notes(samples):
    """The stretches that sound, apart by 20 ms of silence or more."""
    loud = np.flatnonzero(np.abs(samples) > 1e-3)
    return np.split(samples, loud[np.flatnonzero(np.diff(loud) > RATE // 50)] + RATE // 100)


@pytest.mark.parametrize(
    ("position", "second_hz"), [(0.0, 440.0), (1.0, 311.1), (-1.0, 622.3), (None, 440.0)]
)
def test_the_sign_of_a_logged_reading_is_two_notes(position, second_hz):
    made = tones()
    made.logged(position)
    first, second = notes(made.render(RATE))
    assert strongest_hz(first[np.abs(first) > 0]) == pytest.approx(440.0, rel=0.02)
    assert strongest_hz(second[np.abs(second) > 0]) == pytest.approx(second_hz, rel=0.02)
    sounding = np.flatnonzero(np.abs(np.concatenate([first, second])) > 1e-3)
    assert np.ptp(sounding) / RATE < 0.3


def test_the_sign_of_one_taken_back_slides_down_two_octaves():
    made = tones()
    made.taken_back()
    (note,) = notes(made.render(RATE))
    note = note[np.flatnonzero(note)]
    early, late = note[: len(note) // 6], note[len(note) // 2 : 5 * len(note) // 6]
    assert strongest_hz(early) > 1.6 * strongest_hz(late)


def test_signs_that_nobody_hears_do_not_pile_up():
    made = tones()
    for _ in range(100):
        made.logged(0.0)
    made.render(2 * RATE)
    assert loudness(made.render(RATE)) == 0.0
    made.logged(0.0)
    made.begin(44100)
    assert loudness(made.render(RATE)) == 0.0
    assert made.rate_hz == 44100


def test_quiet_is_quiet_and_off_is_nothing():
    heard = {}
    for volume in (0.0, 0.12, 0.5):
        made = tones(volume)
        made.aim(1.0)
        made.logged(0.0)
        heard[volume] = loudness(made.render(RATE))
    assert heard[0.0] == 0.0
    assert 0 < heard[0.12] < 0.35 * heard[0.5]


def test_samples_are_put_into_the_devices_form():
    samples = np.array([0.0, 0.5, -1.0], np.float32)
    whole = np.frombuffer(encoded(samples, 2, floats=False), np.int16)
    assert whole.tolist() == [0, 0, 16384, 16384, -32767, -32767]
    floats = np.frombuffer(encoded(samples, 1, floats=True), np.float32)
    assert floats.tolist() == [0.0, 0.5, -1.0]


@pytest.mark.parametrize(
    ("diameter_mm", "unit", "wrap_factor", "said"),
    [
        (0.93, "wpi", 1.0, "27.3"),  # 25.4 / 0.93
        (0.93, "mm", 1.0, "0.93"),
        (0.2, "wpi", 1.0, "127.0"),
        (1.0, "wpi", 0.9, "28.2"),  # 28.22
        (5.08, "wpi", 1.0, "5.0"),
    ],
)
def test_numbers_are_spoken_short(diameter_mm, unit, wrap_factor, said):
    assert spoken_number(diameter_mm, unit, wrap_factor) == said
