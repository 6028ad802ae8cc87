"""The environment that a first run builds: two first runs at once build it once, and a killed one blocks nobody."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import studykit.__main__ as first

BUILD = """
import sys, time
from pathlib import Path
import studykit.__main__ as first
first.VENV = Path(sys.argv[1]) / "venv"
first.PYTHON = first.VENV / "python"
def run(step, **_):
    log = Path(sys.argv[1]) / "steps"
    with log.open("a") as file:
        file.write(" ".join(map(str, step))[-20:] + chr(10))
    time.sleep(float(sys.argv[2]))
    first.PYTHON.touch()
    class Done: returncode = 0
    return Done
first.subprocess.run = run
first.build("all")
"""


def start(folder: Path, seconds: float) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", BUILD, str(folder), str(seconds)], cwd=first.ROOT, text=True,
                            stderr=subprocess.PIPE)


def test_two_first_runs_at_once_build_once(tmp_path):
    one, two = start(tmp_path, 1.0), start(tmp_path, 1.0)
    said = [p.communicate(timeout=60)[1] for p in (one, two)]
    assert (one.returncode, two.returncode) == (0, 0), said
    steps = (tmp_path / "steps").read_text().splitlines()
    assert len(steps) == 4  # is there ensurepip, make it, fill it, compile: each once
    assert sum("building .venv (once" in s for s in said) == 1
    assert sum("another run builds" in s for s in said) == 1


def test_a_run_that_was_killed_holds_no_lock(tmp_path):
    one = start(tmp_path, 60)
    while not (tmp_path / "steps").exists():
        time.sleep(0.05)
    one.kill()
    one.communicate(timeout=60)
    two = start(tmp_path, 0)
    assert "another run builds" not in two.communicate(timeout=60)[1]
    assert two.returncode == 0
