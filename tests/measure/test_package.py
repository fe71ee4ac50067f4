from __future__ import annotations

import subprocess
import sys

import measure


def test_every_name_of_the_library_is_there() -> None:
    for name in measure.__all__:
        assert getattr(measure, name) is not None
    assert set(measure.__all__) <= set(dir(measure))


def test_importing_it_loads_nothing_heavy() -> None:
    code = "import sys, measure; print([m for m in ('cv2', 'scipy', 'PIL') if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
