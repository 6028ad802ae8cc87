"""Studies that nobody thought of: whatever the kit takes in is reported to its end."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.slow
@pytest.mark.parametrize("first", [0, 6, 12, 18])
def test_small_and_awkward_studies_are_reported_to_their_end(first: int) -> None:
    done = subprocess.run([sys.executable, "-m", "tests.any_study", str(first), str(first + 6)], cwd=ROOT, check=False,
                          capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, ""), done.stderr[-2000:]


def test_what_goes_wrong_is_told(tmp_path: Path) -> None:
    """A stage that stops is an error with its place; a study that is refused in words is none."""
    from tests.any_study import run, write

    write(tmp_path / "s", 2)
    assert run(tmp_path / "s", {"x": [compile("1 / 0", "stage x", "exec")]}).count("stage x") == 1
    text = (tmp_path / "s/study.toml").read_text().replace("alpha = 0.05", "alpha = 5")
    (tmp_path / "s/study.toml").write_text(text)
    assert run(tmp_path / "s", {}) == ""
