"""The time of a demo report against notebooks that only import: ``python -m tests.benchmarks.bench_report``.

Both are run by the same runner in one session; the ratio is what counts. Also the start of the command line
against that of Python itself.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat

from studykit.demos.shipped import copy_demo
from studykit.report.make import make_report
from studykit.report.run import run_notebooks
from studykit.study.stages import share, stems_in

IMPORTS = ("import studykit.notebook.stage as kit\n"
           "kit.modelset, kit.verdictset, kit.quality, kit.intake, kit.designset, kit.figures, kit.front\n"
           "import statsmodels.formula.api, matplotlib.pyplot")


def only_imports(folder: Path, count: int) -> float:
    """Seconds for that many notebooks that import and do nothing."""
    nb = nbformat.v4.new_notebook()
    nb.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                   "language_info": {"name": "python"}}
    nb.cells = [nbformat.v4.new_code_cell("study: str = ''", metadata={"tags": ["parameters"]}),
                nbformat.v4.new_code_cell(IMPORTS)]
    nbformat.write(nb, folder / "imports.ipynb")
    start = time.perf_counter()
    for k in range(count):
        run_notebooks({"x": folder / "imports.ipynb"}, {"x": folder / f"out-{k}.ipynb"}, {"study": ""}, lambda _: None,
                      separate=True)
    return time.perf_counter() - start


def starts(command: list[str], times: int = 5) -> float:
    """Least seconds of several runs of a command."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    """Print the ratios measured in this run."""
    count = len(stems_in(share("notebooks")))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bare = only_imports(folder, count)
        copy_demo("ropeway", folder / "demo")
        start = time.perf_counter()
        make_report(folder / "demo", lambda _: None)
        report = time.perf_counter() - start
    print(f"demo report {report:.1f} s, {count} notebooks that only import {bare:.1f} s: ratio {report / bare:.2f}")
    bare_python, shown = starts([sys.executable, "-c", "pass"]), starts([sys.executable, "-m", "studykit", "--help"])
    print(f"studykit --help {shown:.2f} s, python alone {bare_python:.2f} s: ratio {shown / bare_python:.1f}")


if __name__ == "__main__":
    main()
