"""How a whole report grows: ``python -m tests.benchmarks.bench_large [CONTAINERS ...] [--stages 04,05] [--report]``.

Processor seconds and peak memory of each stage, its cells run in a process of its own, for studies with three depths,
two determinations and eight analytes, from the raw file on; the exponent is that of the last step. ``--report`` makes
each report by the command as well: processor seconds of all processes, the peak of the largest, and the page's size.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from studykit.study.stages import STEMS, share
from tests.large_study import lay_large

SIZES = (24, 200, 1000)
SHOWN = 1.0
"""Processor seconds from which a cell is told by itself."""


def run_stage(stem: str, study: str, out: str) -> None:
    """Run one notebook's cells here; its seconds, peak (MB) and slow cells as JSON on the last line of stdout."""
    os.environ |= {"STUDYKIT_HEADLESS": "1", "MPLBACKEND": "agg"}
    space: dict[str, Any] = {}
    slow: list[tuple[int, float]] = []
    cells = json.loads((share("notebooks") / f"{stem}.ipynb").read_text(encoding="utf-8"))["cells"]
    for k, cell in enumerate(cells):
        if cell["cell_type"] != "code":
            continue
        start = time.process_time()
        with contextlib.redirect_stdout(io.StringIO()):
            exec(compile("".join(cell["source"]), f"{stem}[{k}]", "exec"), space)
        if "parameters" in cell["metadata"].get("tags", []):
            space |= {"study": study, "out_dir": out}
        if (took := time.process_time() - start) >= SHOWN:
            slow.append((k, round(took, 1)))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": time.process_time(), "peak": peak, "slow": slow}))


def stage(stem: str, study: Path) -> dict[str, Any]:
    """What one stage took, in a process of its own."""
    done = subprocess.run([sys.executable, "-m", "tests.benchmarks.bench_large", "--one", stem, str(study)], check=True,
                          stdout=subprocess.PIPE, text=True)
    told: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return told


def report(study: Path) -> str:
    """What a whole report by the command takes, in words."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "studykit", "report", str(study), "--fresh"], check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    page = (study / "report/report.html").stat().st_size / 1e6
    return (f"report: {processor:.1f} s of processor time, {time.perf_counter() - start:.1f} s wall, "
            f"{after.ru_maxrss / 1024:.0f} MB at most in a process, page {page:.2f} MB")


def main(sizes: list[int], stems: list[str], whole: bool, keep: str) -> None:
    """Print what each stage takes at each size."""
    before: dict[str, tuple[int, float]] = {}
    with tempfile.TemporaryDirectory() as name:
        for n in sizes:
            study = Path(keep or name) / str(n)
            if not (study / "study.toml").exists():
                lay_large(study, n)
            print(f"{n} containers\nstage          seconds   MB    exponent  cells (number, s)", flush=True)
            for stem in stems:
                took = stage(stem, study)
                seconds = took["seconds"]
                grows = math.log(seconds / before[stem][1]) / math.log(n / before[stem][0]) if stem in before else math.nan
                print(f"{stem:12} {seconds:9.1f} {took['peak']:5.0f} {grows:8.2f}    {took['slow']}", flush=True)
                before[stem] = n, seconds
            if whole:
                print(report(study), flush=True)


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("sizes", nargs="*", type=int)
    asked.add_argument("--stages", default="", help="numbers of stages, with commas; else all")
    asked.add_argument("--report", action="store_true", help="make each report by the command, too")
    asked.add_argument("--keep", default="", help="a folder in which the studies stay")
    asked.add_argument("--one", nargs=2, metavar=("STEM", "STUDY"), help="run one stage here, and tell of it")
    given = asked.parse_args()
    if given.one:
        run_stage(given.one[0], given.one[1], str(Path(given.one[1]) / "scratch"))
    else:
        wanted = tuple(given.stages.split(","))
        main(given.sizes or list(SIZES), [s for s in STEMS if s.startswith(wanted)], given.report, given.keep)
