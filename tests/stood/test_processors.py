"""What public functions give is the same where sums are added up in another order, as other processors do it."""

from __future__ import annotations

import os
import platform
import subprocess
import sys

import pytest

from tests.stood.recorded import ROOT
from tests.stood.walk import FOLDERS

OLDER = {"OPENBLAS_CORETYPE": "Nehalem", "NPY_DISABLE_CPU_FEATURES": "X86_V3 X86_V4 AVX2 FMA3"}
"""Kernels of OpenBLAS and numpy without fused sums; a name that this numpy or processor lacks is only warned of."""
CELLS = """
from tests.stood.recorded import differences, load
from tests.stood.walk import FOLDERS, record
for name in FOLDERS["{folder}"]:
    for d in differences(load("{folder}")[name], record("{folder}", name)):
        print(name, d)
"""
SUM = """
import numpy as np
x = np.random.default_rng(1).normal(size=(40, 40))
print((x @ x).sum().hex())
"""
WHOLE = """
import numpy  # warns of names it lacks, which pytest would not let pass
import sys, pytest
sys.exit(pytest.main(["-q", "-p", "no:cacheprovider", "tests/quality/test_whole.py"]))
"""

pytestmark = [pytest.mark.slow, pytest.mark.skipif(platform.machine() not in ("x86_64", "AMD64"), reason="x86's settings")]


def said(program: str, env: dict[str, str]) -> str:
    """What a program prints in a process of its own under these settings."""
    return subprocess.run([sys.executable, "-W", "ignore", "-c", program], cwd=ROOT, capture_output=True, text=True,
                          check=True, env={**os.environ, "PYTHONPATH": str(ROOT), **env}).stdout


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_cell_is_as_it_stood_with_the_sums_of_an_older_processor(folder: str) -> None:
    assert said(CELLS.format(folder=folder), OLDER) == ""


def test_whole_studies_of_quality_give_what_is_stored_with_the_sums_of_an_older_processor() -> None:
    assert " passed" in said(WHOLE, OLDER)


def test_the_settings_change_the_last_digits_of_sums() -> None:
    assert said(SUM, OLDER) != said(SUM, {})
