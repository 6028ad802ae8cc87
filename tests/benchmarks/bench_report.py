"""The time of a demo report against notebooks that only import: ``python -m tests.benchmarks.bench_report``.

Both are run by the same runner in one session; the ratio is what counts. Then the same report again, after a result
was excluded and after a margin was changed, against the whole; and the start of the command line against that of Python.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import nbformat

from studykit.demos.shipped import copy_demo
from studykit.report.make import make_report
from studykit.report.run import run_notebooks
from studykit.study.stages import share, stems_in


def imports_of(notebook: Path) -> str:
    """All that a stage notebook imports, as it stands there."""
    cells = [c.source for c in nbformat.read(notebook, as_version=4).cells if c.cell_type == "code"]
    lines = [line for source in cells for line in source.splitlines() if re.match(r"(from \S+ )?import ", line)]
    return "\n".join(dict.fromkeys(lines))


def only_imports(folder: Path, stages: Sequence[Path]) -> float:
    """Seconds for as many notebooks as there are stages that import what these import and do nothing."""
    nb = nbformat.v4.new_notebook()
    nb.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                   "language_info": {"name": "python"}}
    made = []
    for path in stages:
        nb.cells = [nbformat.v4.new_code_cell("study: str = ''", metadata={"tags": ["parameters"]}),
                    nbformat.v4.new_code_cell(imports_of(path))]
        made.append(folder / f"imports-{path.stem}.ipynb")
        nbformat.write(nb, made[-1])
    start = time.perf_counter()
    for path in made:
        run_notebooks({"x": path}, {"x": folder / f"out-{path.name}"}, {"study": ""}, lambda _: None, separate=True)
    return time.perf_counter() - start


def starts(command: list[str], times: int = 5) -> float:
    """Least seconds of several runs of a command."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        best = min(best, time.perf_counter() - start)
    return best


def spent(root: Path, *, fresh: bool = False) -> tuple[float, float, str]:
    """Wall and processor seconds of a report by the command, and the stages that it ran."""
    before, start = os.times(), time.perf_counter()
    command = [sys.executable, "-m", "studykit", "report", str(root), *(["--fresh"] if fresh else [])]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    after, wall = os.times(), time.perf_counter() - start
    ran = [line.split()[0] for line in (done.stdout + done.stderr).replace("\r", "\n").splitlines() if "  done in" in line]
    processor = after.children_user + after.children_system - before.children_user - before.children_system
    return wall, processor, " ".join(r[:2] for r in ran) or "none"


def excluded(root: Path) -> None:
    """Take one result of the demo out, by the command that people use."""
    sample = (root / "plan/samples.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    subprocess.run([sys.executable, "-m", "studykit", "exclude", str(root), sample, "--reason", "bottle broken on the way",
                    "--who", "A. Bench"], check=True, capture_output=True)


def other_margin(root: Path) -> None:
    """Change the first margin of the demo in study.toml."""
    text = (root / "study.toml").read_text(encoding="utf-8")
    wider = re.sub(r"(?m)(relative_percent\s*=\s*)(\d+)", r"\g<1>1\2", text, count=1)
    (root / "study.toml").write_text(wider, encoding="utf-8")


def again(root: Path) -> None:
    """Print what a report takes of which nothing, an exclusion or a margin changed."""
    whole = spent(root, fresh=True)
    print(f"whole report: {whole[0]:.1f} s wall, {whole[1]:.1f} s of processor time")
    for what, change in (("nothing", lambda _: None), ("an exclusion", excluded), ("a margin", other_margin)):
        change(root)
        wall, processor, ran = spent(root)
        print(f"after {what} changed: {wall:.1f} s wall, {processor:.1f} s of processor time, {processor / whole[1]:.2f} of "
              f"the whole; stages run: {ran}")


def main() -> None:
    """Print the ratios measured in this run."""
    stages = [share("notebooks") / f"{stem}.ipynb" for stem in stems_in(share("notebooks"))]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bare = only_imports(folder, stages)
        copy_demo("ropeway", folder / "demo")
        start = time.perf_counter()
        make_report(folder / "demo", lambda _: None)
        report = time.perf_counter() - start
        again(folder / "demo")
    print(f"demo report {report:.1f} s, {len(stages)} notebooks that only import {bare:.1f} s: ratio {report / bare:.2f}")
    bare_python, shown = starts([sys.executable, "-c", "pass"]), starts([sys.executable, "-m", "studykit", "--help"])
    print(f"studykit --help {shown:.2f} s, python alone {bare_python:.2f} s: ratio {shown / bare_python:.1f}")


if __name__ == "__main__":
    main()
