"""Time of one fit with a Kenward-Roger test against lme4's own fit, measured in one run.

    python tests/benchmarks/bench_reml.py

Prints processor seconds (one thread) and ratios. lme4 is timed for ``lmer`` alone, without its tests, R's start and
reading; where Rscript or lme4 is missing, that part is skipped with the reason.
"""

# ruff: noqa: E402  (the number of threads must be set before numpy is loaded)
from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.mixed.design import build_design
from studykit.mixed.fit import RemlFit, fit_design, fit_reml

R_SCRIPT = """
suppressPackageStartupMessages(library(lme4))
args <- commandArgs(trailingOnly = TRUE)
d <- read.csv(args[1], colClasses = c(y = "numeric"))
for (v in c("container", "depth", "run")) d[[v]] <- factor(d[[v]])
f <- as.formula(args[2])
t <- sapply(1:3, function(i) { s <- proc.time(); m <<- lmer(f, d); e <- proc.time() - s; e[1] + e[2] })
cat(sprintf("%.6f %.10f", median(t), REMLcrit(m)))
"""


def table(containers: int, depths: int, replicates: int, lost: float = 0.0) -> pd.DataFrame:
    """A simulated study (invented numbers)."""
    rng = np.random.default_rng(1)
    c, d, r = np.indices((containers, depths, replicates)).reshape(3, -1)
    y = 10 + 0.3 * d + 0.6 * rng.normal(size=containers)[c] + 0.3 * rng.normal(size=len(c))
    y += 0.4 * rng.normal(size=containers * depths)[c * depths + d] + 0.2 * rng.normal(size=12)[(c + d + r) % 12]
    frame = pd.DataFrame({"y": y, "container": [f"C{i}" for i in c], "depth": [f"D{i}" for i in d]})
    frame["run"] = [f"R{i}" for i in (c + d + r) % 12]
    return frame[rng.random(len(frame)) >= lost].reset_index(drop=True)


def ours(frame: pd.DataFrame, random: list[str], repeats: int = 3) -> tuple[float, float]:
    """Median processor seconds of fit and joint test, and the criterion."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        fit = fit_reml(frame, "y", ["depth"], random)
        fit.test(np.eye(len(fit.names))[1:])
        times.append(time.process_time() - start)
    return float(np.median(times)), fit.criterion


def small(repeats: int = 200) -> None:
    """Print what one fit of 12 x 3 x 2 takes: a design built before, and from the data frame."""
    frame, random = table(12, 3, 2), ["container", "container:depth"]
    design, y = build_design(frame, ["depth"], random), frame["y"].to_numpy()

    def both(fit: RemlFit) -> None:
        for method in ("kenward-roger", "satterthwaite"):
            fit.test(np.eye(3)[1:], method)

    def median(run: Callable[[], None]) -> float:
        times = []
        for _ in range(repeats):
            start = time.process_time()
            run()
            times.append(time.process_time() - start)
        return float(np.median(times))

    built = median(lambda: both(fit_design(design, y)))
    whole = median(lambda: both(fit_reml(frame, "y", ["depth"], random)))
    print(f"one fit of 12 x 3 x 2 with both tests {1e3 * built:.2f} ms; from the data frame {1e3 * whole:.2f} ms, "
          f"{whole / built:.2f} times that")


def lme4(frame: pd.DataFrame, random: list[str]) -> tuple[float, float] | str:
    """Median processor seconds of lmer and its criterion, or why there are none."""
    if shutil.which("Rscript") is None:
        return "Rscript is not installed"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "data.csv"
        frame.to_csv(path, index=False)
        formula = "y ~ depth + " + " + ".join(f"(1|{t})" for t in random)
        done = subprocess.run(["Rscript", "-e", R_SCRIPT, str(path), formula], capture_output=True, text=True, check=False)
    if done.returncode:
        return f"R failed: {done.stderr.strip().splitlines()[-1]}"
    seconds, criterion = done.stdout.split()[-2:]
    return float(seconds), float(criterion)


def main() -> None:
    """Print one line a design."""
    nested = ["container", "container:depth"]
    designs = {
        "12 x 3 x 2": (table(12, 3, 2), nested),
        "200 x 5 x 3, 10 % lost": (table(200, 5, 3, 0.1), nested),
        "2,000 x 5 x 3": (table(2000, 5, 3), nested),
        "2,000 x 5 x 3, 10 % lost": (table(2000, 5, 3, 0.1), nested),
        "2,000 x 5 x 3, 10 % lost, runs": (table(2000, 5, 3, 0.1), [*nested, "run"]),
    }
    ours(*designs["12 x 3 x 2"])
    small()
    for name, (frame, random) in designs.items():
        mine, criterion = ours(frame, random)
        other = lme4(frame, random)
        if isinstance(other, str):
            print(f"{name:32s} ours with Kenward-Roger {mine:8.4f} s; lme4 skipped: {other}")
            continue
        print(f"{name:32s} ours with Kenward-Roger {mine:8.4f} s; lme4 fit alone {other[0]:8.4f} s; "
              f"ratio {mine / other[0]:.3f}; criterion ours - lme4 {criterion - other[1]:.1e}")  # fmt: skip
    print("growth with rows (ours, with Kenward-Roger):")
    for containers in (2000, 8000, 33_334, 66_667):
        frame = table(containers, 5, 3, 0.1)
        seconds = ours(frame, nested, repeats=1)[0]
        print(f"  {len(frame):9,d} rows {seconds:7.3f} s, {seconds / len(frame) * 1e6:6.2f} us a row")


if __name__ == "__main__":
    main()
