"""Two demos from their raw files to a zip that R alone reads, and rechecked elsewhere: by the commands, as a stranger would."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from studykit.demos.shipped import copy_demo
from studykit.study.stages import HERE

pytestmark = pytest.mark.slow
ELSEWHERE = {"TZ": "Pacific/Chatham", "LC_ALL": "de_DE.UTF-8", "LANG": "tr_TR.UTF-8", "OMP_NUM_THREADS": "2",
             "OPENBLAS_NUM_THREADS": "2", "PYTHONHASHSEED": "7"}
"""Another zone by 13 hours, other words for numbers and letters, other threads (locales that are not there count as none)."""


def studykit(*arguments: str, **environment: str) -> str:
    """A command in a process of its own; its output."""
    done = subprocess.run([sys.executable, "-m", "studykit", *arguments], capture_output=True, text=True, check=False,
                          env=os.environ | {"PYTHONPATH": str(HERE.parent)} | environment)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module", params=[("slip", 2), ("beacon", 2)], ids=lambda p: p[0])
def packed(request, tmp_path_factory):
    """A demo, filed and packed; how many verdict intervals it has."""
    name, intervals = request.param
    root = copy_demo(name, tmp_path_factory.mktemp("whole") / name)
    studykit("--quiet", "report", str(root))
    studykit("--quiet", "pack", str(root))
    return root.with_suffix(".zip"), intervals


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed on this machine")
def test_r_alone_gives_every_verdict_interval_out_of_the_zip(packed, tmp_path):
    deposit, intervals = packed
    shutil.unpack_archive(deposit, tmp_path)
    data = next(tmp_path.glob("*/data"))
    told = subprocess.run(["Rscript", "rederive.R"], cwd=data, capture_output=True, text=True, timeout=300, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    assert f"{intervals} verdict intervals agree to 1e-6 and allow their words" in told.stdout


def test_an_untouched_deposit_follows_under_another_path_zone_locale_and_threads(packed, tmp_path):
    here = tmp_path / "Öl & Wasser, zweiter Raum"
    here.mkdir()
    deposit = Path(shutil.copy(packed[0], here / "sent.zip"))
    assert "the filed study follows from its raw data" in studykit("--quiet", "recheck", str(deposit), **ELSEWHERE)
    record = json.loads((here / "sent.recheck.json").read_text(encoding="utf-8"))
    assert record["differences"] == []
    assert [n for n in record["notes"] if "digit" in n or "alike" in n] == []
