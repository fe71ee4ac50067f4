"""Sound where there is no device: said once, nothing hurt, nothing left behind.

In a process of its own, whose way to any sound server is barred: the tests must be silent on a
developer's machine too. What is heard is tested by its samples in test_tones.py.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[3]

SCRIPT = """
import json, sys, threading
from PySide6.QtCore import QCoreApplication
from PySide6.QtTest import QTest
from app.window.sound import Voice
from measure.band import Band
from measure.live import LiveState

app = QCoreApplication([])
v, said, seen = Voice(), [], {}
v.said.connect(said.append)
band = Band(0.8, 1.25)

def state(d, **more):
    return LiveState(diameter_mm=d, interval_mm=(d * 0.98, d * 1.02), **more)

def peak(samples=14400):
    return float(abs(v.tones.render(samples)[-2400:]).max())

v.follow(state(1.4), band)
v.confirm(1.4, "mm")
v.set_loudness("off")
seen["idle"] = ["PySide6.QtMultimedia" in sys.modules, v._thread is not None, peak(), peak()]

v.set_loudness("on")
for _ in range(400):
    if said:
        break
    QTest.qWait(25)
for loudness in ("quiet", "off", "on"):
    v.set_loudness(loudness)
seen["tone"] = []
for now in (state(1.0), state(1.4), state(1.4, faded=True), state(1.4), LiveState()):
    v.follow(now, band)
    seen["tone"].append(peak())
v.follow(state(1.4), None)
seen["no band"] = peak()
v.follow(state(1.0), band)
v.confirm(1.0, "wpi")
logged = v.tones.render(24000)
v.take_back()
back = v.tones.render(24000)
seen["signs"] = [float(abs(x).max()) for x in (logged, back, logged - back)]
v.follow(state(1.4), band)
v.set_loudness("off")
v.confirm(1.4, "wpi")
v.take_back()
seen["off"] = [peak(), peak()]

QTest.qWait(50)
thread = v._thread
v.stop()
seen["stopped"] = [thread.isFinished(), threading.active_count()]
v.set_loudness("quiet")
QTest.qWait(300)
v.stop()
v.stop()
seen["said"] = said
print(json.dumps(seen))
"""


@pytest.fixture(scope="module")
def seen():
    if not sys.platform.startswith("linux"):
        pytest.skip("only on Linux can sound be barred by variables")
    barred = {
        "QT_QPA_PLATFORM": "offscreen",
        "PULSE_SERVER": "unix:/nowhere/native",
        "PIPEWIRE_REMOTE": "nowhere",
        "QT_LOGGING_RULES": "qt.multimedia.*=false",
    }
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        cwd=TOP,
        env=os.environ | barred,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return json.loads(done.stdout)


def test_nothing_begins_before_it_is_wanted(seen):
    assert seen["idle"] == [False, False, 0.0, 0.0]


def test_without_a_device_it_says_so_once(seen):
    assert seen["said"] == ["No sound device was found; sound begins by itself when there is one."]


def test_the_tone_follows_the_strand_only_while_one_is_read(seen):
    middle, outside, faded, again, nothing = seen["tone"]
    assert outside > 0.02
    assert again > 0.02
    assert max(middle, faded, nothing, seen["no band"]) < 1e-3


def test_signs_sound_for_logged_and_taken_back_and_differ(seen):
    assert min(seen["signs"]) > 0.1


def test_off_is_silent_whatever_happens(seen):
    assert max(seen["off"]) < 1e-3
    assert seen["off"][1] == 0.0


def test_nothing_is_left_running(seen):
    assert seen["stopped"] == [True, 1]
