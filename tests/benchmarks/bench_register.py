"""How long a register of many studies takes: ``python -m tests.benchmarks.bench_register [STUDIES]``.

Simulated studies of four analytes, 12 containers x 3 depths x 2 determinations, each with its manifest and as many files
beside it as a filed report has. Whole, then with nothing changed, then after a change of one, by the command in a process of
its own, wall seconds and processor seconds. Then the same where no report is filed, so that all words are worked out.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.many_studies import file_it, lay, truth_of

FILES, BYTES = 170, 18_000
"""What a filed report of the smallest demo has beside its tables."""


def spent(folder: Path, to: Path) -> tuple[float, float]:
    """Wall and processor seconds of the command."""
    before, start = os.times(), time.perf_counter()
    subprocess.run([sys.executable, "-m", "studykit", "--quiet", "register", str(folder), "--to", str(to)], check=True,
                   stdout=subprocess.DEVNULL)
    wall, after = time.perf_counter() - start, os.times()
    return wall, after.children_user + after.children_system - before.children_user - before.children_system


def make(folder: Path, number: int) -> None:
    """The studies, each as heavy as a filed one."""
    rng = np.random.default_rng(3)
    for k in range(number):
        root = lay(folder / f"year-{k % 5}/study-{k:03d}", k, [truth_of(a, rng) for a in ("P", "S", "Ca", "Zn")], filed=False)
        for n in range(FILES):
            path = root / f"report/0{n % 8}-stage/file-{n}.txt"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(rng.bytes(BYTES))
        file_it(root)


def main(number: int) -> None:
    """Make the studies and print the times."""
    with tempfile.TemporaryDirectory() as name:
        folder, to = Path(name) / "studies", Path(name) / "register"
        make(folder, number)
        time.sleep(3)
        print(f"{number} studies, whole: {spent(folder, to)}")
        print(f"nothing changed: {spent(folder, to)}")
        one = folder / "year-0/study-000"
        (one / "report/note.txt").write_text("looked at again", encoding="utf-8")
        file_it(one)
        print(f"one changed: {spent(folder, to)}")
        for report in folder.glob("*/*/report"):
            shutil.rmtree(report)
        print(f"all changed, none filed: {spent(folder, to)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
