"""Sound where there is no device: said once, nothing hurt, nothing left behind.

In processes of their own, whose way to any sound server is barred: the test must be silent on a
developer's machine too. That a device, where there is one, is given the samples in time was tried
by hand against PulseAudio's null sink.
"""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

TOP = Path(__file__).parents[3]


def run(script):
    """Run a script with a Voice `v`, what it said in `said`, a band and states; its output."""
    head = """
        import sys, threading
        from PySide6.QtCore import QCoreApplication, QThread
        from PySide6.QtTest import QTest
        from app.window.sound import Voice
        from measure.band import Band
        from measure.live import LiveState

        app = QCoreApplication([])
        v, said = Voice(), []
        v.said.connect(said.append)
        band = Band(0.8, 1.25)

        def state(d, **more):
            return LiveState(diameter_mm=d, interval_mm=(d * 0.98, d * 1.02), **more)

        def level(ms=300):
            return float(abs(v.tones.render(48 * ms)[-2400:]).max())

        def until(true):
            for _ in range(200):
                if true():
                    return
                QTest.qWait(25)
            sys.exit("waited in vain")
    """
    barred = {
        "QT_QPA_PLATFORM": "offscreen",
        "PULSE_SERVER": "unix:/nowhere/native",
        "PIPEWIRE_REMOTE": "nowhere",
        "QT_LOGGING_RULES": "qt.multimedia.*=false",
    }
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(head) + textwrap.dedent(script)],
        cwd=TOP,
        env=os.environ | barred,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout.split()


pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="only here can sound be barred by variables"
)


def test_without_a_device_it_says_so_once_and_all_else_works():
    out = run(
        """
        v.set_loudness("on")
        until(lambda: said)
        for loudness in ("quiet", "off", "on"):
            v.set_loudness(loudness)
        for _ in range(5):
            v.follow(state(2.0), band)
            v.confirm(1.0, "wpi")
            v.take_back()
        QTest.qWait(100)
        v.stop()
        v.set_loudness("quiet")
        QTest.qWait(300)
        v.stop()
        print(len(said), "device" in said[0], v.loudness)
        """
    )
    assert out == ["1", "True", "quiet"]


def test_the_tone_follows_the_strand_only_while_one_is_read():
    out = run(
        """
        v.set_loudness("on")
        heard = []
        for now in (state(1.0), state(1.4), state(1.4, faded=True), state(1.4), LiveState()):
            v.follow(now, band)
            heard.append(level() > 0.01)
        v.follow(state(1.4), None)
        heard.append(level() > 0.01)
        v.follow(state(1.4), band)
        v.set_loudness("off")
        heard.append(level() > 0.01)
        v.follow(state(1.4), band)
        v.confirm(1.4, "mm")
        v.take_back()
        heard.append(level() > 0.0001)
        v.stop()
        print(*heard)
        """
    )
    assert out == ["False", "True", "False", "True", "False", "False", "False", "False"]


def test_signs_sound_for_logged_and_taken_back():
    out = run(
        """
        v.set_loudness("quiet")
        v.tones.render(48000)
        v.follow(state(1.0), band)
        v.confirm(1.0, "wpi")
        first = v.tones.render(24000)
        v.take_back()
        second = v.tones.render(24000)
        v.stop()
        print(abs(first).max() > 0.05, abs(second).max() > 0.05, abs(first - second).max() > 0.05)
        """
    )
    assert out == ["True", "True", "True"]


def test_nothing_is_left_running_and_nothing_begins_before_it_is_wanted():
    out = run(
        """
        v.follow(state(1.4), band)
        v.set_loudness("off")
        print(v.findChildren(QThread) == [], "PySide6.QtMultimedia" in sys.modules)
        v.set_loudness("on")
        until(lambda: said)
        thread = v._thread
        v.stop()
        print(thread.isFinished(), threading.active_count())
        """
    )
    assert out == ["True", "False", "True", "1"]
